package main

import (
	"debug/elf"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// deployed is a file of deploy.
func deployed(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../../deploy", name))
	require.NoError(t, err)
	return string(text)
}

// A variable of env.example: commented out where it has a default, which is shown.
var exampleLine = regexp.MustCompile(`(?m)^(#?)((?:DRUMLINE|OTEL)_[A-Z_]+)=(.*)$`)

// without are the settings that some subcommand refuses to do without.
var without = map[string]bool{"DRUMLINE_DATABASE_URL": true, "DRUMLINE_MIGRATOR_URL": true, "DRUMLINE_WORKER_URL": true,
	"DRUMLINE_MAIL_SERVER": true, "DRUMLINE_BASE_URL": true}

func TestExampleOfTheEnvironmentIsWhole(t *testing.T) {
	shown := map[string][]string{}
	for _, m := range exampleLine.FindAllStringSubmatch(deployed(t, "env.example"), -1) {
		require.NotContains(t, shown, m[2], "twice")
		shown[m[2]] = m
	}
	fields := reflect.TypeFor[Config]()
	for i := range fields.NumField() {
		tag := fields.Field(i).Tag
		line := shown[tag.Get("env")]
		require.NotNil(t, line, "missing: %s", tag.Get("env"))
		if without[line[2]] {
			require.Empty(t, line[1], line[2])
			require.Empty(t, tag.Get("envDefault"), line[2])
			continue
		}
		require.Equal(t, []string{"#", tag.Get("envDefault")}, []string{line[1], line[3]}, line[2])
	}
	require.Len(t, shown, fields.NumField(), "names a setting that is no more")
}

// What the example sets is accepted, also as a shell reads it.
func TestExampleOfTheEnvironmentIsAccepted(t *testing.T) {
	said := bash(t, `set -a; . ../../deploy/env.example; env`)
	c, err := readConfig(func(name string) string {
		for line := range strings.Lines(said) {
			if v, ok := strings.CutPrefix(line, name+"="); ok {
				return strings.TrimSuffix(v, "\n")
			}
		}
		return ""
	})
	require.NoError(t, err)
	require.NoError(t, c.checkWorker())
	require.Contains(t, c.MigratorURL, "lock_timeout=5s")
}

var buildLine = regexp.MustCompile(`(?m)^RUN (CGO_ENABLED=0 go build .*)$`)

// The image holds nothing but the binary: it must need no other file.
func TestImageBuildsAStaticBinary(t *testing.T) {
	dockerfile := deployed(t, "Dockerfile")
	m := buildLine.FindStringSubmatch(dockerfile)
	require.NotNil(t, m, "no build command")
	out := t.TempDir()
	cmd := exec.CommandContext(t.Context(), "bash", "-c", strings.ReplaceAll(m[1], "/out/", out+"/"))
	cmd.Dir = "../.."
	said, err := cmd.CombinedOutput()
	require.NoError(t, err, string(said))

	f, err := elf.Open(filepath.Join(out, "drumline"))
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	for _, p := range f.Progs {
		require.NotEqual(t, elf.PT_INTERP, p.Type, "needs a dynamic loader")
	}
	libraries, err := f.ImportedLibraries()
	require.NoError(t, err)
	require.Empty(t, libraries)

	// Nothing of the host: neither PATH nor HOME, nor its time zones.
	run := exec.CommandContext(t.Context(), filepath.Join(out, "drumline"), "version")
	run.Env = []string{"ZONEINFO=/nowhere"}
	said, err = run.CombinedOutput()
	require.NoError(t, err, string(said))
	require.Contains(t, string(said), "schema")
}

func TestImageRunsWhatThereIs(t *testing.T) {
	dockerfile := deployed(t, "Dockerfile")
	_, final, ok := strings.Cut(dockerfile, "\nFROM scratch\n")
	require.True(t, ok)
	require.Regexp(t, `(?m)^USER [1-9]\d*:[1-9]\d*$`, final, "a number, and not root's")
	require.NotRegexp(t, `(?m)^RUN `, final, "there is no shell")
	mustExist(t, strings.Fields("serve"))
	require.Contains(t, final, `CMD ["serve"]`)
	require.Contains(t, final, `CMD ["/drumline", "ready"]`)
	mustExist(t, strings.Fields("ready"))
	for _, name := range regexp.MustCompile(`DRUMLINE_[A-Z_]+`).FindAllString(dockerfile, -1) {
		require.Contains(t, environment, name)
	}
}

// mustExist parses a command line as the program does, without running it.
func mustExist(t *testing.T, args []string) {
	t.Helper()
	_, err := toEnd(t, settings(), append(args, "--help")...)
	require.NoError(t, err, "%v", args)
	out, err := toEnd(t, settings(), append(args, "--help")...)
	require.NoError(t, err)
	require.Contains(t, out, "Usage: drumline "+strings.Join(args, " "), "it is a subcommand, not an argument of one")
}

var (
	namedSetting = regexp.MustCompile(`DRUMLINE_[A-Z_]+`)
	namedPath    = regexp.MustCompile("[`(]((?:(?:GET|POST|PATCH) )?/v1/[a-z0-9/-]+)")
	namedCommand = regexp.MustCompile("(?:`|…|^    )drumline ([a-z]+(?: up| check| create)?)")
	namedFile    = regexp.MustCompile(`\]\(([a-z./-]+)\)`)
)

// The runbook speaks of nothing that is not there.
func TestRunbookNamesWhatThereIs(t *testing.T) {
	text := deployed(t, "runbook.md")
	names, paths, commands := namedSetting.FindAllString(text, -1), namedPath.FindAllStringSubmatch(text, -1), namedCommand.FindAllStringSubmatch(text, -1)
	require.NotEmpty(t, names)
	require.NotEmpty(t, paths)
	require.NotEmpty(t, commands)
	for _, name := range names {
		require.Contains(t, environment, name)
	}
	document, err := os.ReadFile("../../api/openapi.yaml")
	require.NoError(t, err)
	for _, m := range paths {
		_, p, ok := strings.Cut(m[1], " ")
		if !ok {
			p = m[1]
		}
		require.Contains(t, string(document), "\n  "+p, "no such path")
	}
	for _, m := range commands {
		mustExist(t, strings.Fields(m[1]))
	}
	for _, m := range namedFile.FindAllStringSubmatch(text, -1) {
		deployed(t, m[1])
	}
}
