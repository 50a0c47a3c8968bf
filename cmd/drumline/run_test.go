package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/cmd/drumline/seed"
	"drumline/domain"
	"drumline/migrations"
	"drumline/shared/pg/local"
	"drumline/shared/pg/pgtest"
)

// output is written by the program while a test reads it.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// running is a program that has not ended.
type running struct {
	t              *testing.T
	stdout, stderr output
	stop           context.CancelFunc
	ended          chan error
}

// settings are an environment, with the paths a program cannot do without.
func settings(pairs ...string) func(string) string {
	vars := map[string]string{"PATH": os.Getenv("PATH"), "HOME": os.Getenv("HOME")}
	for i := 0; i+1 < len(pairs); i += 2 {
		vars[pairs[i]] = pairs[i+1]
	}
	return func(name string) string { return vars[name] }
}

func start(t *testing.T, getenv func(string) string, args ...string) *running {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r := &running{t: t, stop: cancel, ended: make(chan error, 1)}
	go func() { r.ended <- run(ctx, args, getenv, os.Stdin, &r.stdout, &r.stderr) }()
	t.Cleanup(func() { r.stop() })
	return r
}

// until waits for something to come true, and fails when the program ends first.
func (r *running) until(what string, ok func() bool) {
	r.t.Helper()
	deadline := time.After(3 * time.Minute)
	for !ok() {
		select {
		case err := <-r.ended:
			r.t.Fatalf("ended before %s: %v\n%s", what, err, r.stderr.String())
		case <-deadline:
			r.t.Fatalf("no %s:\n%s", what, r.stderr.String())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// interrupt is Ctrl-C: the program must end without an error.
func (r *running) interrupt() {
	r.t.Helper()
	r.stop()
	select {
	case err := <-r.ended:
		require.NoError(r.t, err, r.stderr.String())
	case <-time.After(time.Minute):
		r.t.Fatal("does not stop")
	}
}

// toEnd runs a command that ends by itself.
func toEnd(t *testing.T, getenv func(string) string, args ...string) (stdout string, err error) {
	t.Helper()
	var out, errs output
	err = run(t.Context(), args, getenv, os.Stdin, &out, &errs)
	return out.String(), err
}

func request(t *testing.T, method, url, token, body string) (status int, text string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	require.NoError(t, err)
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Idempotency-Key", domain.NewID(time.Now()).String())
	}
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer func() { _ = res.Body.Close() }() // read to its end below
	b, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res.StatusCode, string(b)
}

// signIn gives an access token.
func signIn(t *testing.T, url, shop, email, password string) string {
	t.Helper()
	body, err := json.Marshal(map[string]string{"shop": shop, "email": email, "password": password})
	require.NoError(t, err)
	status, text := request(t, "POST", url+"/v1/sessions", "", string(body))
	require.Equal(t, 201, status, text)
	var s struct {
		Access string `json:"access_token"`
	}
	require.NoError(t, json.Unmarshal([]byte(text), &s))
	return s.Access
}

// short is a directory with a short name: a socket's path has few characters.
func short(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "dl")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// demo starts a small demo and waits until it serves. Tests do in a minute what
// people do in a week: it has no quotas.
func demo(t *testing.T, dir string, more ...string) (*running, ready) {
	t.Helper()
	return demoOn(t, settings("DRUMLINE_PG_SOURCES", "binaries", "DRUMLINE_LIMIT_PERSON", "0", "DRUMLINE_LIMIT_SHOP", "0", "DRUMLINE_LIMIT_ADDRESS", "0"), dir, more...)
}

func demoOn(t *testing.T, getenv func(string) string, dir string, more ...string) (*running, ready) {
	t.Helper()
	file := filepath.Join(dir, "ready.json")
	require.NoError(t, os.RemoveAll(file))
	args := append([]string{"demo", "--listen", "127.0.0.1:0", "--data", dir, "--ready-file", file, "--scale", "0.02"}, more...)
	r := start(t, getenv, args...)
	r.until("ready file", func() bool { _, err := os.Stat(file); return err == nil })
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	var v ready
	require.NoError(t, json.Unmarshal(text, &v))
	return r, v
}

// walkOf takes the walk out of what the demo printed.
func walkOf(t *testing.T, printed string) string {
	t.Helper()
	_, rest, ok := strings.Cut(printed, walkBegins)
	require.True(t, ok, printed)
	text, _, ok := strings.Cut(rest, walkEnds)
	require.True(t, ok, printed)
	return text
}

func bash(t *testing.T, script string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "bash", "-s")
	cmd.Stdin = strings.NewReader(script)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	return string(out)
}

func TestDemo(t *testing.T) {
	dir := short(t)
	r, v := demo(t, dir)
	require.Contains(t, r.stderr.String(), "100 %")
	require.Contains(t, r.stderr.String(), "private cluster in ")
	for _, path := range []string{"/livez", "/readyz", "/openapi.json"} {
		status, _ := request(t, "GET", v.URL+path, "", "")
		require.Equal(t, 200, status, path)
	}

	t.Run("the ids are ready for readings", func(t *testing.T) {
		status, text := request(t, "GET", v.URL+"/v1/visits/"+v.Visit.String(), v.Tokens[domain.Tech], "")
		require.Equal(t, 200, status)
		require.Contains(t, text, `"on_site"`)
		require.Contains(t, text, v.Call.String())
		status, text = request(t, "GET", v.URL+"/v1/calls/"+v.Call.String(), v.Tokens[domain.Dispatcher], "")
		require.Equal(t, 200, status)
		require.Contains(t, text, v.Unit.String())
		status, _ = request(t, "GET", v.URL+"/v1/customers/"+v.Customer.String(), v.Tokens[domain.Owner], "")
		require.Equal(t, 200, status)
	})
	t.Run("the walk works when pasted, and pasted again", func(t *testing.T) {
		said := bash(t, walkOf(t, r.stdout.String()))
		require.Contains(t, said, "The fault is shown: bias heater open")
		require.Contains(t, said, "You may use it again.")
		require.Regexp(t, `"outcome": ?"returned_to_service"`, said)
		again := bash(t, walkOf(t, r.stdout.String()))
		require.Contains(t, again, "This call is closed.")
		require.Contains(t, again, "The fault was bias heater open")
	})
	t.Run("the second shop sees none of it", func(t *testing.T) {
		for _, s := range seed.SignIns() {
			token := signIn(t, v.URL, s.Shop, s.Email, seed.Password)
			status, _ := request(t, "GET", v.URL+"/v1/units/"+v.Unit.String(), token, "")
			if s.Shop != v.Shop {
				require.Equal(t, 404, status, s.Email)
			} else if s.Role != domain.Tech {
				require.Equal(t, 200, status, s.Email)
			}
		}
	})
	t.Run("a second demo on the same data is refused", func(t *testing.T) {
		_, err := toEnd(t, settings(), "demo", "--listen", "127.0.0.1:0", "--data", dir)
		require.ErrorContains(t, err, "another demo uses "+dir)
	})
	r.interrupt()
	require.Contains(t, r.stderr.String(), "Stopped. The data stay in "+dir)

	again, w := demo(t, dir)
	require.NotContains(t, again.stderr.String(), "Inventing", "it is filled once")
	require.Equal(t, v.Unit, w.Unit)
	require.NotEqual(t, v.Call, w.Call, "the call of the walk was closed: there is a new one")
	status, text := request(t, "GET", w.URL+"/v1/calls/"+v.Call.String(), w.Tokens[domain.Owner], "")
	require.Equal(t, 200, status)
	require.Contains(t, text, `"closed"`)
	again.interrupt()

	third, x := demo(t, dir)
	require.Equal(t, w.Call, x.Call, "nobody has worked on it: it is offered again")
	third.interrupt()
}

func TestDemoWithoutAnyDatabase(t *testing.T) {
	_, err := toEnd(t, settings("DRUMLINE_PG_SOURCES", "none"), "demo", "--listen", "127.0.0.1:0", "--data", short(t))
	require.ErrorContains(t, err, "no PostgreSQL found: install PostgreSQL 15 or newer")
	require.NotContains(t, err.Error(), "\n")
}

func TestDemoLeavesRolesOfOthersAlone(t *testing.T) {
	_, err := toEnd(t, settings("DRUMLINE_DATABASE_URL", pgtest.Empty(t).AdminURL), "demo", "--listen", "127.0.0.1:0", "--data", short(t))
	require.ErrorContains(t, err, "will not change its password")
}

// On a server that is named, the demo makes its roles with passwords of its
// own, finds them again, and starts over in the database alone.
func TestDemoOnANamedServer(t *testing.T) {
	server, err := local.Open(t.Context(), local.Options{Dir: short(t), Ephemeral: true, Getenv: settings("DRUMLINE_PG_SOURCES", "binaries")})
	require.NoError(t, err)
	defer func() { require.NoError(t, server.Close(context.WithoutCancel(t.Context()))) }()
	dir, env := short(t), settings("DRUMLINE_DATABASE_URL", server.AdminURL)
	first, v := demoOn(t, env, dir)
	require.Contains(t, first.stderr.String(), "server named by DRUMLINE_DATABASE_URL")
	first.interrupt()
	again, w := demoOn(t, env, dir)
	require.Equal(t, v.Call, w.Call)
	again.interrupt()
	fresh, x := demoOn(t, env, dir, "--fresh")
	require.Contains(t, fresh.stderr.String(), "Inventing")
	require.NotEqual(t, w.Unit, x.Unit)
	fresh.interrupt()
}

// A start that breaks off while it fills the shop leaves nothing half done: the
// next one begins anew.
func TestDemoAfterABrokenStart(t *testing.T) {
	dir := short(t)
	r := start(t, settings("DRUMLINE_PG_SOURCES", "binaries"), "demo", "--listen", "127.0.0.1:0", "--data", dir, "--scale", "0.1")
	r.until("first tenth", func() bool { return strings.Contains(r.stderr.String(), "10 %") })
	r.interrupt()
	again, v := demo(t, dir)
	require.Contains(t, again.stderr.String(), "starting over")
	require.NotZero(t, v.Visit)
	again.interrupt()
}

func TestServeRefuses(t *testing.T) {
	db := pgtest.New(t)
	for name, c := range map[string]struct{ url, says string }{
		"no database":        {"", "set DRUMLINE_DATABASE_URL"},
		"a superuser":        {db.AdminURL, "is a superuser"},
		"the owner's member": {db.MigratorURL, "is a member of the owner"},
		"an older schema":    {pgtest.Empty(t).AppURL, "run drumline migrate"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := toEnd(t, settings("DRUMLINE_DATABASE_URL", c.url, "DRUMLINE_LISTEN", "127.0.0.1:0",
				"DRUMLINE_KEY_FILE", filepath.Join(t.TempDir(), "keys.json")), "serve")
			require.ErrorContains(t, err, c.says)
		})
	}
}

var servingAt = regexp.MustCompile(`"msg":"serving","url":"([^"]+)"`)

// serve starts the service and waits until it answers.
func serve(t *testing.T, url string) (*running, string) {
	t.Helper()
	r := start(t, settings("DRUMLINE_DATABASE_URL", url, "DRUMLINE_KEY_FILE", filepath.Join(t.TempDir(), "keys.json")), "serve", "--listen", "127.0.0.1:0")
	r.until("address", func() bool { return servingAt.MatchString(r.stderr.String()) })
	return r, servingAt.FindStringSubmatch(r.stderr.String())[1]
}

func TestShopCreateThenSignIn(t *testing.T) {
	db := pgtest.New(t)
	r, url := serve(t, db.AppURL)
	env := settings("DRUMLINE_DATABASE_URL", db.AppURL, "DRUMLINE_OWNER_PASSWORD", "a long password 1")
	args := []string{"shop", "create", "--code", "elm-yard", "--name", "Elm Yard", "--time-zone", "America/Denver", "--owner-name", "Olive", "--email", "olive@elm.example"}
	out, err := toEnd(t, env, args...)
	require.NoError(t, err)
	require.Contains(t, out, "made shop Elm Yard")
	require.NotContains(t, out, "a long password")
	token := signIn(t, url, "elm-yard", "olive@elm.example", "a long password 1")
	status, text := request(t, "GET", url+"/v1/shop", token, "")
	require.Equal(t, 200, status)
	require.Contains(t, text, "Elm Yard")

	_, err = toEnd(t, env, args...)
	require.EqualError(t, err, "--code: taken")
	_, err = toEnd(t, settings("DRUMLINE_DATABASE_URL", db.AppURL, "DRUMLINE_OWNER_PASSWORD", "short"), args...)
	require.ErrorContains(t, err, "--password: A password has 10 to 128 characters.")
	r.interrupt()
	require.NotContains(t, r.stderr.String(), "drumline-test", "the database password is not printed")
}

func TestReadinessFollowsTheDatabase(t *testing.T) {
	db := pgtest.New(t)
	r, url := serve(t, db.AppURL)
	status, text := request(t, "GET", url+"/readyz", "", "")
	require.Equal(t, 200, status, text)
	require.NoError(t, migrations.Down(t.Context(), db.MigratorURL))
	status, _ = request(t, "GET", url+"/readyz", "", "")
	require.Equal(t, 503, status)
	status, _ = request(t, "GET", url+"/livez", "", "")
	require.Equal(t, 200, status)
	r.interrupt()
}

func TestMigrate(t *testing.T) {
	db := pgtest.Empty(t)
	env := settings("DRUMLINE_MIGRATOR_URL", db.MigratorURL)
	out, err := toEnd(t, env, "migrate", "version")
	require.NoError(t, err)
	require.Regexp(t, `^0 of \d+\n$`, out)
	_, err = toEnd(t, env, "migrate", "check")
	require.ErrorContains(t, err, "run drumline migrate")
	out, err = toEnd(t, env, "migrate", "up")
	require.NoError(t, err)
	require.Contains(t, out, "the schema is at version")
	out, err = toEnd(t, settings("DRUMLINE_DATABASE_URL", db.AppURL), "migrate", "check")
	require.NoError(t, err)
	require.Contains(t, out, "as it should be")
	_, err = toEnd(t, settings(), "migrate", "up")
	require.ErrorContains(t, err, "set DRUMLINE_MIGRATOR_URL")
}
