package main

import (
	"errors"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// documents are the documents of a YAML file of deploy.
func documents(t *testing.T, name string) (docs []m) {
	t.Helper()
	d := yaml.NewDecoder(strings.NewReader(deployed(t, name)))
	for {
		var doc m
		err := d.Decode(&doc)
		if errors.Is(err, io.EOF) {
			require.NotEmpty(t, docs, name)
			return docs
		}
		require.NoError(t, err, name)
		docs = append(docs, doc)
	}
}

func words(t *testing.T, v any) (out []string) {
	t.Helper()
	list, ok := v.([]any)
	require.True(t, ok, "%v", v)
	for _, w := range list {
		out = append(out, w.(string))
	}
	return out
}

// needs are the settings without which a subcommand refuses to start.
var needs = map[string][]string{"serve": {"DRUMLINE_DATABASE_URL"}, "migrate up": {"DRUMLINE_MIGRATOR_URL"}, "keys": {},
	"worker": {"DRUMLINE_WORKER_URL", "DRUMLINE_MAIL_SERVER", "DRUMLINE_BASE_URL"}}

// holds what is true of every container: the subcommand is there, every setting
// it is given is one, it has what it needs, and no sign-in of another.
func holds(t *testing.T, args, given []string) {
	t.Helper()
	mustExist(t, args)
	need, known := needs[strings.Join(args, " ")]
	require.True(t, known, "%v", args)
	require.Subset(t, given, need)
	for _, name := range given {
		require.Contains(t, environment, name)
		if strings.HasSuffix(name, "_URL") && name != "DRUMLINE_BASE_URL" {
			require.Contains(t, need, name, "%v holds a sign-in it has no use for", args)
		}
	}
}

func keysOf(v any) (out []string) {
	given, _ := v.(m) // none: no settings
	for name := range given {
		out = append(out, name)
	}
	return out
}

func TestComposeNamesWhatThereIs(t *testing.T) {
	services := documents(t, "compose.yaml")[0]["services"].(m)
	seen := []string{}
	for name, v := range services {
		s := v.(m)
		volumes, _ := s["volumes"].([]any) // migrate has none
		for _, volume := range volumes {
			if from, _, _ := strings.Cut(volume.(string), ":"); strings.HasPrefix(from, "./") {
				deployed(t, from)
			}
		}
		if s["image"] != "drumline" {
			continue
		}
		args := words(t, s["command"])
		seen = append(seen, strings.Join(args, " "))
		holds(t, args, keysOf(s["environment"]))
		if after, ok := s["depends_on"].(m); ok {
			for other := range after {
				require.Contains(t, services, other, name)
			}
		}
	}
	require.ElementsMatch(t, []string{"migrate up", "keys", "serve", "worker"}, seen)
	require.Contains(t, deployed(t, "Dockerfile"), "DRUMLINE_LISTEN=0.0.0.0:8080")
	require.Equal(t, []string{"127.0.0.1:8080:8080"}, words(t, dig(t, services, "serve", "ports")), "the image's port, on loopback")
}

// manifests are the documents of deploy/kubernetes by kind and name.
func manifests(t *testing.T) map[string]m {
	t.Helper()
	files, err := filepath.Glob("../../deploy/kubernetes/*.yaml")
	require.NoError(t, err)
	out := map[string]m{}
	for _, f := range files {
		for _, doc := range documents(t, "kubernetes/"+filepath.Base(f)) {
			meta := doc["metadata"].(m)
			require.NotContains(t, meta, "namespace")
			key := doc["kind"].(string) + " " + meta["name"].(string)
			require.NotContains(t, out, key)
			out[key] = doc
		}
	}
	return out
}

func TestManifestsNameWhatThereIs(t *testing.T) {
	all := manifests(t)
	for key, args := range map[string]string{"Job drumline-migrate": "migrate up", "Deployment drumline-serve": "serve", "Deployment drumline-worker": "worker"} {
		pod := dig(t, all[key], "spec", "template", "spec").(m)
		require.Equal(t, true, dig(t, pod, "securityContext", "runAsNonRoot"), key)
		require.Equal(t, 65532, dig(t, pod, "securityContext", "runAsUser"), "as in the image")
		c := dig(t, pod, "containers", 0).(m)
		require.Equal(t, args, strings.Join(words(t, c["args"]), " "))
		require.Equal(t, true, dig(t, c, "securityContext", "readOnlyRootFilesystem"))
		require.Equal(t, false, dig(t, c, "securityContext", "allowPrivilegeEscalation"))
		secret := "Secret " + dig(t, c, "envFrom", 0, "secretRef", "name").(string)
		require.Contains(t, all, secret)
		given := keysOf(all[secret]["stringData"])
		if env, ok := c["env"].([]any); ok {
			for _, e := range env {
				given = append(given, e.(m)["name"].(string))
			}
		}
		holds(t, strings.Fields(args), given)
		if volumes, ok := pod["volumes"].([]any); ok {
			require.Contains(t, all, "Secret "+dig(t, volumes[0], "secret", "secretName").(string))
		}
	}
	for key, doc := range all {
		if strings.HasPrefix(key, "Secret ") {
			for name, v := range doc["stringData"].(m) {
				require.Empty(t, v, "%s: %s holds a secret", key, name)
			}
		}
	}
}

func TestServeIsReachedWhereItListens(t *testing.T) {
	all := manifests(t)
	pod := dig(t, all["Deployment drumline-serve"], "spec", "template").(m)
	c := dig(t, pod, "spec", "containers", 0).(m)
	port := dig(t, c, "ports", 0, "containerPort")
	require.Equal(t, m{"name": "DRUMLINE_LISTEN", "value": "0.0.0.0:8080"}, dig(t, c, "env", 0))
	require.Equal(t, 8080, port)
	require.Equal(t, "/readyz", dig(t, c, "readinessProbe", "httpGet", "path"))
	require.Equal(t, "/livez", dig(t, c, "livenessProbe", "httpGet", "path"))
	name := dig(t, c, "ports", 0, "name")
	require.Equal(t, name, dig(t, all["Service drumline"], "spec", "ports", 0, "targetPort"))
	require.Equal(t, port, dig(t, all["NetworkPolicy drumline-serve"], "spec", "ingress", 0, "ports", 0, "port"))
	labels := dig(t, pod, "metadata", "labels")
	require.Equal(t, labels, dig(t, all["Service drumline"], "spec", "selector"))
	require.Equal(t, labels, dig(t, all["PodDisruptionBudget drumline-serve"], "spec", "selector", "matchLabels"))
	require.Less(t, dig(t, all["PodDisruptionBudget drumline-serve"], "spec", "minAvailable"), dig(t, all["Deployment drumline-serve"], "spec", "replicas"))
}
