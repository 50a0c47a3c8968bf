package api_test

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain/care"
	"drumline/migrations"
	"drumline/shared/mail"
	"drumline/shared/mail/mailtest"
	"drumline/shared/pg"
	"drumline/shared/pg/local"
	"drumline/shared/pg/pgtest"
	"drumline/shared/pg/roles"
)

// sharedClock is a time that several processes read from one file. It runs
// Rate times as fast as the real one, or stands still.
type sharedClock string

type clockFace struct {
	Base, Real time.Time // it was Base when it really was Real
	Rate       int
}

func (c sharedClock) now() time.Time {
	raw, err := os.ReadFile(string(c))
	var f clockFace
	if err = errors.Join(err, json.Unmarshal(raw, &f)); err != nil {
		panic(err)
	}
	return f.Base.Add(time.Duration(f.Rate) * time.Since(f.Real))
}

// set makes it base from now on. The file is replaced whole: nobody reads half.
func (c sharedClock) set(t *testing.T, base time.Time, rate int) {
	t.Helper()
	raw, err := json.Marshal(clockFace{Base: base, Real: time.Now(), Rate: rate})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(string(c)+".new", raw, 0o600))
	require.NoError(t, os.Rename(string(c)+".new", string(c)))
}

// stormEnv makes this program a worker: a process of its own that sends until
// it is killed.
const stormEnv = "DRUMLINE_TEST_STORM"

// stormWork is what a worker is told on its input.
type stormWork struct {
	URL, Name, Clock string
	Port             int
	Roots            []byte
}

// workInStorm works until it is killed, or whoever started it is gone.
func workInStorm() error {
	var w stormWork
	if err := json.NewDecoder(os.Stdin).Decode(&w); err != nil {
		return err
	}
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		os.Exit(3)
	}()
	ctx := context.Background()
	db, err := pg.Open(ctx, w.URL, pg.Options{MaxConns: 2})
	if err != nil {
		return err
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(w.Roots)
	fmt.Println("ready")
	client := mail.NewClient(mail.Server{Host: "127.0.0.1", Port: w.Port, Roots: roots, Dial: 10 * time.Second, Step: 10 * time.Second})
	(&care.Worker{DB: db, Mailer: client, Now: sharedClock(w.Clock).now, Log: slog.New(slog.NewJSONHandler(os.Stderr, nil)), Name: w.Name,
		Key: []byte("0123456789abcdef0123456789abcdef"), Base: base, Pause: 20 * time.Millisecond}).Run(ctx)
	return nil
}

// stormWorker is a running worker.
type stormWorker struct {
	name  string
	cmd   *exec.Cmd
	log   *logBuffer
	ready firstWord
}

// firstWord is closed when something is written to it.
type firstWord chan struct{}

func (f firstWord) Write(p []byte) (int, error) {
	close(f) // a worker says one word only
	return len(p), nil
}

// startWorker starts this program as a worker.
func startWorker(t *testing.T, work stormWork) *stormWorker {
	t.Helper()
	k := &stormWorker{name: work.Name, cmd: exec.CommandContext(context.Background(), os.Args[0]), log: &logBuffer{}, ready: make(firstWord)}
	k.cmd.Stdout = k.ready
	k.cmd.Env = append(os.Environ(), stormEnv+"=1")
	k.cmd.Stderr = k.log
	in, err := k.cmd.StdinPipe()
	require.NoError(t, err)
	require.NoError(t, k.cmd.Start())
	require.NoError(t, json.NewEncoder(in).Encode(work))
	return k
}

// works waits until it has found the database and begins.
func (k *stormWorker) works(t *testing.T) {
	t.Helper()
	select {
	case <-k.ready:
	case <-time.After(time.Minute):
		require.Fail(t, "it does not begin", "%s: %s", k.name, k.log)
	}
}

// kill ends it as a power cut would. One that had ended by itself fails the test.
func (k *stormWorker) kill(t *testing.T) {
	t.Helper()
	require.NoError(t, k.cmd.Process.Kill(), "%s", k.log)
	_ = k.cmd.Wait() // says that it was killed
	status, ok := k.cmd.ProcessState.Sys().(syscall.WaitStatus)
	require.True(t, ok && status.Signaled() && status.Signal() == syscall.SIGKILL, "%s ended by itself: %s: %s", k.name, k.cmd.ProcessState, k.log)
}

// stormBase is a database cluster that can be crashed. Unlike the cluster tests
// share it keeps what it has said it keeps.
type stormBase struct {
	options local.Options
	server  *local.Server
	db      *pgtest.DB
	admin   *pgx.Conn
}

const stormDatabase = "storm"

// newStormBase starts a cluster with a migrated database and, for each worker,
// a sign-in of its own with the rights of the worker's role.
func newStormBase(t *testing.T, workers ...string) *stormBase {
	t.Helper()
	b := &stormBase{options: local.Options{Dir: stormDir(t), Getenv: func(key string) string {
		if key == local.EnvURL { // nobody else's server is crashed
			return ""
		}
		return os.Getenv(key)
	}}}
	b.open(t)
	t.Cleanup(func() { require.NoError(t, b.server.Close(context.Background())) })
	home, err := pgx.Connect(t.Context(), b.server.AdminURL)
	require.NoError(t, err)
	defer func() { _ = home.Close(context.Background()) }()
	require.NoError(t, roles.Ensure(t.Context(), home, roles.Passwords{}))
	require.NoError(t, roles.CreateDatabase(t.Context(), home, stormDatabase))
	for _, name := range workers {
		_, err := home.Exec(t.Context(), "CREATE ROLE "+name+" LOGIN IN ROLE "+roles.Worker)
		require.NoError(t, err)
	}
	b.db = &pgtest.DB{Name: stormDatabase, AppURL: b.url(t, roles.App), WorkerURL: b.url(t, roles.Worker), MigratorURL: b.url(t, roles.Migrator),
		AdminURL: b.url(t, local.SuperUser)}
	require.NoError(t, migrations.Up(t.Context(), b.db.MigratorURL))
	b.signIn(t)
	return b
}

// stormDir is a directory that root's server, who is somebody else, can enter.
func stormDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "drumline-storm")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

func (b *stormBase) open(t *testing.T) {
	t.Helper()
	var err error
	b.server, err = local.Open(t.Context(), b.options)
	require.NoError(t, err)
}

func (b *stormBase) url(t *testing.T, role string) string {
	t.Helper()
	url, err := roles.URL(b.server.AdminURL, role, "", stormDatabase)
	require.NoError(t, err)
	return url
}

func (b *stormBase) signIn(t *testing.T) {
	t.Helper()
	var err error
	b.admin, err = pgx.Connect(t.Context(), b.db.AdminURL)
	require.NoError(t, err)
}

// restart stops the server at once, as PostgreSQL's immediate shutdown does
// (documentation, 19.5): no session ends its work, nothing is written out, and
// the next start recovers from the log. It stays away for a while.
func (b *stormBase) restart(t *testing.T, away time.Duration) {
	t.Helper()
	file := filepath.Join(b.server.Dir, "data", "postmaster.pid")
	raw, err := os.ReadFile(file)
	require.NoError(t, err)
	pid, err := strconv.Atoi(strings.SplitN(string(raw), "\n", 2)[0])
	require.NoError(t, err)
	require.NoError(t, syscall.Kill(pid, syscall.SIGQUIT))
	require.Eventually(t, func() bool { _, err := os.Stat(file); return errors.Is(err, os.ErrNotExist) }, time.Minute, 5*time.Millisecond)
	time.Sleep(away)
	b.open(t)
	_ = b.admin.Close(t.Context()) // it is broken
	b.signIn(t)
}

// stormScript decides by a seed, the recipient and how often it was named
// before, how a mail goes. After four tries everything is accepted but what was
// refused for good.
type stormScript struct {
	seed  uint64
	noTLS atomic.Bool // nobody gets a protected connection
	calm  atomic.Bool // connections are as they should be

	mu      sync.Mutex
	tries   map[string]int
	refused map[string]bool
	counts  map[string]int
}

// dice gives the draws for one thing.
func (s *stormScript) dice(what string) *rand.Rand {
	h := fnv.New64a()
	_, _ = io.WriteString(h, what) // a hash takes everything
	return rand.New(rand.NewPCG(s.seed, h.Sum64()))
}

func (s *stormScript) connection(n int) mailtest.Greeting {
	r := s.dice(fmt.Sprint("connection ", n))
	draw := r.Float64()
	name, g := "", mailtest.Greeting{}
	switch {
	case s.noTLS.Load() && draw < 0.5:
		name, g = "no handshake", mailtest.Greeting{Broken: true}
	case s.noTLS.Load():
		name, g = "454 to STARTTLS", mailtest.Greeting{StartTLS: "454 4.7.0 not now"}
	case s.calm.Load() || draw > 0.2:
		return g
	case draw < 0.08:
		name, g = "421 at the greeting", mailtest.Greeting{Reply: "421 4.3.2 too many of you"}
	case draw < 0.14:
		name, g = "greeting octet by octet", mailtest.Greeting{Slow: true}
	default:
		name, g = "greeting late", mailtest.Greeting{Delay: time.Duration(5+r.IntN(20)) * time.Millisecond}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counts[name]++
	return g
}

func (s *stormScript) mail(_ int, rcpt string) mailtest.Step {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tries[rcpt]++
	r := s.dice(fmt.Sprint("mail ", rcpt, s.tries[rcpt]))
	draw, name, step := r.Float64(), "taken", mailtest.Step{}
	switch {
	case s.refused[rcpt] || s.tries[rcpt] <= 2 && draw < 0.05:
		s.refused[rcpt] = true
		name, step = "550 at RCPT", mailtest.Step{Rcpt: "550 5.1.1 nobody of that name"}
	case s.tries[rcpt] > 4 || draw > 0.50:
	case draw < 0.13:
		name, step = "451 at RCPT", mailtest.Step{Rcpt: "451 4.7.1 come again"}
	case draw < 0.19:
		name, step = "421 at DATA", mailtest.Step{Data: "421 4.3.2 going down"}
	case draw < 0.24:
		name, step = "cut before the dot", mailtest.Step{Cut: mailtest.BeforeDot}
	case draw < 0.34:
		name, step = "cut after the dot", mailtest.Step{Cut: mailtest.AfterDot}
	case draw < 0.42:
		name, step = "late", mailtest.Step{Delay: time.Duration(10+r.IntN(100)) * time.Millisecond}
	default:
		name, step = "octet by octet", mailtest.Step{Slow: true}
	}
	s.counts[name]++
	return step
}
