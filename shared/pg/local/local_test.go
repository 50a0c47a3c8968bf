package local

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// envHelper makes the test program open the cluster of a directory and wait to
// be killed.
const envHelper = "DRUMLINE_LOCAL_TEST_OPEN"

func TestMain(m *testing.M) {
	if dir := os.Getenv(envHelper); dir != "" {
		server, err := Open(context.Background(), Options{Dir: dir, Ephemeral: true})
		fmt.Println(err, server.AdminURL)
		select {}
	}
	os.Exit(m.Run())
}

// place returns a directory that the server's account can reach, as the test's
// own temporary directory is not when root runs the test.
func place(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "dl")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// env answers from a map and, for PATH, from the real environment.
func env(pairs ...string) func(string) string {
	return func(key string) string {
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == key {
				return pairs[i+1]
			}
		}
		if key == "PATH" {
			return os.Getenv(key)
		}
		return ""
	}
}

// open opens a server and stops it when the test ends, whoever started it.
func open(t testing.TB, opts Options) *Server {
	t.Helper()
	opts.Ephemeral = true
	if opts.Getenv == nil {
		opts.Getenv = env()
	}
	server, err := Open(t.Context(), opts)
	require.NoError(t, err)
	if opts.Dir != "" {
		t.Cleanup(func() { require.NoError(t, Stop(context.Background(), opts)) })
	}
	return server
}

// ask runs one query for one text value.
func ask(t testing.TB, url, sql string) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	var answer string
	require.NoError(t, conn.QueryRow(t.Context(), sql).Scan(&answer))
	return answer
}

// do runs one statement.
func do(t testing.TB, url, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), sql)
	require.NoError(t, err)
}

// serverPID returns the process of the cluster in dir.
func serverPID(t testing.TB, dir string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "data", "postmaster.pid"))
	require.NoError(t, err)
	line, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(line)
	require.NoError(t, err)
	return pid
}

// serves tells whether a process still is the server of dir; one that has ended
// may linger as an entry nobody has looked after.
func serves(dir string, pid int) bool {
	return (&cluster{data: filepath.Join(dir, "data")}).isServer(pid)
}

func TestPrivateCluster(t *testing.T) {
	dir := place(t)
	// A poisoned environment must not reach the server or our own connections.
	for key, value := range map[string]string{
		"PGPORT": "1", "PGHOST": "203.0.113.1", "PGDATA": "/nowhere", "PGUSER": "nobody-such",
		"PGDATABASE": "nothing", "PGSSLMODE": "verify-full", "PGSSLROOTCERT": "/nowhere.pem",
	} {
		t.Setenv(key, value)
	}
	server := open(t, Options{Dir: dir})
	require.Contains(t, server.How, "private cluster in "+dir)
	for setting, want := range map[string]string{
		"server_encoding": "UTF8", "listen_addresses": "", "port": "5432", "TimeZone": "UTC", "is_superuser": "on",
	} {
		require.Equal(t, want, ask(t, server.AdminURL, "SHOW "+setting), setting)
	}
	require.Equal(t, "C.UTF-8", ask(t, server.AdminURL, "SELECT datcollate FROM pg_database WHERE datname = 'template1'"))

	socket := ask(t, server.AdminURL, "SHOW unix_socket_directories")
	info, err := os.Stat(socket)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), info.Mode().Perm())
	require.LessOrEqual(t, len(filepath.Join(socket, ".s.PGSQL.5432")), maxSocketPath)

	who, err := serverAccount()
	require.NoError(t, err)
	stat, err := os.Stat(filepath.Join("/proc", strconv.Itoa(serverPID(t, dir))))
	require.NoError(t, err)
	require.EqualValues(t, who.uid, stat.Sys().(*syscall.Stat_t).Uid)
	require.NotZero(t, who.uid)
}

func TestReuseCloseAndFresh(t *testing.T) {
	t.Parallel()
	dir := place(t)
	first := open(t, Options{Dir: dir})
	do(t, first.AdminURL, "CREATE TABLE kept (a int)")

	second := open(t, Options{Dir: dir, Port: 6543})
	require.Contains(t, second.How, "running")
	require.Equal(t, first.AdminURL, second.AdminURL, "the port of the running server counts")
	require.NoError(t, second.Close(t.Context()))
	require.Equal(t, "0", ask(t, first.AdminURL, "SELECT count(*)::text FROM kept"), "who did not start it does not stop it")

	pid := serverPID(t, dir)
	require.True(t, serves(dir, pid))
	require.NoError(t, first.Close(t.Context()))
	require.False(t, serves(dir, pid), "closed means gone")
	require.NoError(t, first.Close(t.Context()), "closing twice is allowed")

	third := open(t, Options{Dir: dir, Port: 6543})
	require.Equal(t, "6543", ask(t, third.AdminURL, "SHOW port"))
	require.Equal(t, "0", ask(t, third.AdminURL, "SELECT count(*)::text FROM kept"))

	fresh := open(t, Options{Dir: dir, Fresh: true})
	require.Equal(t, "gone", ask(t, fresh.AdminURL, "SELECT coalesce(to_regclass('kept')::text, 'gone')"))
}

func TestSurvivesTheDeathOfItsStarter(t *testing.T) {
	t.Parallel()
	dir := place(t)
	self, err := os.Executable()
	require.NoError(t, err)
	helper := exec.Command(self)
	helper.Env = append(os.Environ(), envHelper+"="+dir)
	out, err := helper.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, helper.Start())
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)
	require.Contains(t, line, "<nil> postgres://")
	pid := serverPID(t, dir)
	require.NoError(t, helper.Process.Kill())
	require.Error(t, helper.Wait())

	server := open(t, Options{Dir: dir})
	require.Contains(t, server.How, "running")
	require.Equal(t, pid, serverPID(t, dir))
	require.Equal(t, "1", ask(t, server.AdminURL, "SELECT '1'"))
}

func TestRecoversFromAKilledServer(t *testing.T) {
	t.Parallel()
	dir := place(t)
	server := open(t, Options{Dir: dir})
	do(t, server.AdminURL, "CREATE TABLE kept (a int)")
	do(t, server.AdminURL, "CHECKPOINT")
	// A session that is busy outlives the server for a moment.
	conn, err := pgx.Connect(t.Context(), server.AdminURL)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	pid := serverPID(t, dir)
	require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))
	require.Eventually(t, func() bool { return !serves(dir, pid) }, 10*time.Second, 5*time.Millisecond)

	again := open(t, Options{Dir: dir})
	require.NotEqual(t, pid, serverPID(t, dir))
	require.Equal(t, "0", ask(t, again.AdminURL, "SELECT count(*)::text FROM kept"))
}

func TestStaleProcessNumber(t *testing.T) {
	t.Parallel()
	dir := place(t)
	server := open(t, Options{Dir: dir})
	file := filepath.Join(dir, "data", "postmaster.pid")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, server.Close(t.Context()))

	// The number now belongs to a living program that is no server: this one.
	_, rest, _ := strings.Cut(string(text), "\n")
	require.NoError(t, os.WriteFile(file, []byte(strconv.Itoa(os.Getpid())+"\n"+rest), 0o600))
	var said []string
	again := open(t, Options{Dir: dir, Log: func(line string) { said = append(said, line) }})
	require.Contains(t, said, "clearing away what a server that was killed left behind")
	require.Equal(t, "1", ask(t, again.AdminURL, "SELECT '1'"))
}

func TestSideBySide(t *testing.T) {
	t.Parallel()
	dir := place(t)
	urls := make(chan string, 4)
	for range cap(urls) {
		go func() {
			server, err := Open(context.Background(), Options{Dir: dir, Ephemeral: true, Getenv: env()})
			if err != nil {
				urls <- err.Error()
				return
			}
			urls <- server.AdminURL
		}()
	}
	first := <-urls
	for range cap(urls) - 1 {
		require.Equal(t, first, <-urls)
	}
	open(t, Options{Dir: dir})
	require.Equal(t, "1", ask(t, first, "SELECT '1'"))
}

func TestLongDirectory(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(place(t), strings.Repeat("long", 30))
	server := open(t, Options{Dir: dir})
	socket := ask(t, server.AdminURL, "SHOW unix_socket_directories")
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(socket)) })
	require.LessOrEqual(t, len(socket)+len("/.s.PGSQL.5432"), maxSocketPath)
}

func TestFreshSparesWhatIsNoCluster(t *testing.T) {
	t.Parallel()
	dir := place(t)
	precious := filepath.Join(dir, "data", "thesis.txt")
	require.NoError(t, os.MkdirAll(filepath.Dir(precious), 0o755))
	require.NoError(t, os.WriteFile(precious, []byte("years"), 0o600))
	_, err := Open(t.Context(), Options{Dir: dir, Fresh: true, Getenv: env()})
	require.ErrorContains(t, err, "not throwing it away")
	require.FileExists(t, precious)
}

func TestAnotherMajorVersion(t *testing.T) {
	t.Parallel()
	dir := place(t)
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "data"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "data", "PG_VERSION"), []byte("9\n"), 0o600))
	_, err := Open(t.Context(), Options{Dir: dir, Getenv: env()})
	require.ErrorContains(t, err, "made by PostgreSQL 9")
	require.ErrorContains(t, err, "start over")
}
