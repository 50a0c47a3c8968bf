package pgtest_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/shared/pg/local"
	"drumline/shared/pg/pgtest"
)

// place returns a directory that root's server can reach too.
func place(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "dp")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// another prepares this test program to run one test, with more environment.
func another(t *testing.T, test string, env ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self, "-test.v", "-test.count=1", "-test.run=^"+test+"$")
	cmd.Env = append(os.Environ(), env...)
	return cmd
}

// gone waits until the watchdog has removed the cluster of dir.
func gone(t *testing.T, dir string) {
	t.Helper()
	require.Eventually(t, func() bool {
		_, err := os.Stat(filepath.Join(dir, "server.json"))
		return os.IsNotExist(err)
	}, 30*time.Second, 20*time.Millisecond)
	require.NoDirExists(t, filepath.Join(dir, "cluster"))
}

const signsIn = "TestNewSignsInAsTheRuntimeRoles"

func TestNoServerFailsAndSaysWhatToDo(t *testing.T) {
	t.Parallel()
	for _, sources := range []string{"none", "url"} {
		out, err := another(t, signsIn, pgtest.EnvDir+"="+place(t), pgtest.EnvURL+"=", pgtest.EnvSources+"="+sources,
			pgtest.EnvIdle+"=100ms").CombinedOutput()
		require.Error(t, err, "a run without a database is no success")
		require.Contains(t, string(out), "--- FAIL: "+signsIn)
		require.Contains(t, string(out), "no test database: install PostgreSQL 15 or newer")
		require.NotContains(t, string(out), "SKIP")
	}
}

func TestTheWatchdogRemovesTheServer(t *testing.T) {
	t.Parallel()
	dir := place(t)
	start := time.Now()
	env := []string{pgtest.EnvDir + "=" + dir, pgtest.EnvURL + "=", pgtest.EnvSources + "=binaries", pgtest.EnvIdle + "=1s"}
	out, err := another(t, signsIn, env...).CombinedOutput()
	require.NoError(t, err, string(out))
	t.Logf("a first test from nothing: %v", time.Since(start))
	require.DirExists(t, filepath.Join(dir, "cluster"))
	out, err = another(t, signsIn, env...).CombinedOutput()
	require.NoError(t, err, string(out))
	gone(t, dir)
}

func TestTheWatchdogOutlivesAKilledTest(t *testing.T) {
	t.Parallel()
	dir := place(t)
	cmd := another(t, "TestHelperWaits", envWait+"=1", pgtest.EnvDir+"="+dir, pgtest.EnvURL+"=", pgtest.EnvSources+"=binaries", pgtest.EnvIdle+"=1s")
	require.NoError(t, cmd.Start())
	require.Eventually(t, func() bool {
		_, err := os.Stat(filepath.Join(dir, "server.json"))
		return err == nil
	}, 30*time.Second, 20*time.Millisecond)
	time.Sleep(1500 * time.Millisecond)
	require.DirExists(t, filepath.Join(dir, "cluster"), "it is in use")
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
	gone(t, dir)
}

// envWait makes TestHelperWaits wait to be killed.
const envWait = "DRUMLINE_PGTEST_TEST_WAIT"

func TestHelperWaits(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	require.NotEmpty(t, db.AppURL)
	if os.Getenv(envWait) != "" {
		select {}
	}
}

func TestNamedServerAndLeftOvers(t *testing.T) {
	t.Parallel()
	dir := place(t)
	server, err := local.Open(t.Context(), local.Options{Dir: dir, Ephemeral: true, Getenv: func(key string) string {
		if key == local.EnvSources {
			return local.SourceBinaries
		}
		return os.Getenv(key)
	}})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Close(context.Background())) })
	admin := signIn(t, server.AdminURL)
	const ended, inUse = "drumline_test_17_1", "drumline_test_18_1"
	leftOver := []string{ended, inUse, "drumline_template_0011223344556677", "drumline_template_8899aabbccddeeff_making", "drumline_test_mine"}
	for _, name := range leftOver {
		_, err := admin.Exec(t.Context(), "CREATE DATABASE "+name)
		require.NoError(t, err)
	}
	_, err = admin.Exec(t.Context(), `SELECT pg_advisory_lock(x'64746573'::int, 18)`)
	require.NoError(t, err)

	out, err := another(t, signsIn, pgtest.EnvURL+"="+server.AdminURL).CombinedOutput()
	require.NoError(t, err, string(out))
	require.False(t, exists(t, admin, ended))
	require.True(t, exists(t, admin, inUse), "its run is still going")
	require.False(t, exists(t, admin, leftOver[2]), "a template of another schema that nobody uses")
	require.False(t, exists(t, admin, leftOver[3]))
	require.True(t, exists(t, admin, leftOver[4]), "not a name of ours")
	var names string
	require.NoError(t, admin.QueryRow(t.Context(), `
		SELECT count(*) FILTER (WHERE datname LIKE 'drumline\_test\_%') || ' ' || count(*) FILTER (WHERE datname LIKE 'drumline\_template\_%')
		FROM pg_database`).Scan(&names))
	require.Equal(t, "2 1", names, "the run left its template and nothing else")
}

// Where no engine answers the tests must not wait for one.
func TestNoEngineIsKnownAtOnce(t *testing.T) {
	start := time.Now()
	out, err := another(t, signsIn, "DOCKER_HOST=tcp://127.0.0.1:1", pgtest.EnvDir+"="+place(t), pgtest.EnvURL+"=",
		pgtest.EnvSources+"=container", pgtest.EnvIdle+"=100ms").CombinedOutput()
	require.Error(t, err)
	require.Contains(t, string(out), "container: ")
	require.Less(t, time.Since(start), 3*time.Second)
}

// An engine that answers but cannot get the image in time is passed over.
func TestEngineWithoutTheImage(t *testing.T) {
	t.Parallel()
	asked := make(chan string, 100)
	engine := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked <- r.Method + " " + r.URL.Path
		w.Header().Set("Api-Version", "1.47")
		w.Header().Set("Content-Type", "application/json")
		switch {
		case strings.HasSuffix(r.URL.Path, "/_ping"):
			_, _ = w.Write([]byte("OK"))
		case strings.HasSuffix(r.URL.Path, "/images/create"):
			<-r.Context().Done()
		case strings.Contains(r.URL.Path, "/images/"):
			http.Error(w, `{"message":"no such image"}`, http.StatusNotFound)
		default:
			_, _ = w.Write([]byte(`{}`))
		}
	}))
	defer engine.Close()
	dir := place(t)
	env := []string{"DOCKER_HOST=" + strings.Replace(engine.URL, "http:", "tcp:", 1), "HOME=" + dir, pgtest.EnvDir + "=" + dir,
		pgtest.EnvURL + "=", pgtest.EnvPull + "=300ms", pgtest.EnvIdle + "=500ms"}
	out, err := another(t, signsIn, append(env, pgtest.EnvSources+"=container")...).CombinedOutput()
	require.Error(t, err)
	require.Contains(t, string(out), "image postgres:")
	out, err = another(t, signsIn, env...).CombinedOutput()
	require.NoError(t, err, string(out))
	close(asked)
	var pulls int
	for request := range asked {
		if strings.HasSuffix(request, "/images/create") {
			pulls++
		}
	}
	require.Equal(t, 2, pulls)
	gone(t, dir)
}

func TestDirectoryOfSomebodyElse(t *testing.T) {
	t.Parallel()
	dir := place(t)
	require.NoError(t, os.Chmod(dir, 0o777))
	out, err := another(t, signsIn, pgtest.EnvDir+"="+dir, pgtest.EnvURL+"=").CombinedOutput()
	require.Error(t, err)
	require.Contains(t, string(out), "not a directory only you may write")
}

// Run by root, the test repeats itself as an ordinary user; run by an ordinary
// user it is that.
func TestAsOrdinaryUser(t *testing.T) {
	t.Parallel()
	dir := place(t)
	env := []string{pgtest.EnvURL + "=", pgtest.EnvSources + "=binaries", pgtest.EnvIdle + "=500ms"}
	cmd := another(t, signsIn, env...)
	home := filepath.Join(dir, "home")
	require.NoError(t, os.Mkdir(home, 0o755))
	if os.Geteuid() == 0 {
		require.NoError(t, os.Chown(home, 65534, 65534))
		text, err := os.ReadFile(cmd.Path)
		require.NoError(t, err)
		cmd.Path = filepath.Join(dir, "pgtest.test")
		require.NoError(t, os.WriteFile(cmd.Path, text, 0o755))
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	cmd.Dir = home
	cmd.Env = append(cmd.Env, "HOME="+home, "TMPDIR="+home, pgtest.EnvDir+"="+filepath.Join(home, "pg"))
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	require.Contains(t, string(out), "--- PASS: "+signsIn)
	gone(t, filepath.Join(home, "pg"))
}
