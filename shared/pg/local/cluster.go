package local

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// startTimeout bounds a start, crash recovery included, and a stop.
const startTimeout = 60 * time.Second

// maxSocketPath keeps clear of the 104 bytes some systems allow a socket's path.
const maxSocketPath = 100

// cluster is the private cluster of one directory:
//
//	dir/open.lock   held while somebody opens or stops it
//	dir/data        PostgreSQL's own
//	dir/server.log
//	dir/build       a downloaded build, if any
type cluster struct {
	dir, data, socket string
	account           account
	opts              Options
}

// newCluster settles where the cluster lives and makes its directory.
func newCluster(opts Options, who account) (*cluster, error) {
	dir, moved, err := settle(opts.Dir, who)
	if err != nil {
		return nil, err
	}
	if moved {
		opts.Log(fmt.Sprintf("the server runs as %s, who cannot enter %s: using %s", who.name, opts.Dir, dir))
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("making the cluster's directory: %w", err)
	}
	return at(dir, opts, who)
}

// makeSocketDir makes the directory of the socket; the caller holds the lock, so
// that nobody meets it between its making and its change of hands.
func (c *cluster) makeSocketDir() error {
	if err := c.account.mkdir(c.socket); err != nil {
		return fmt.Errorf("making the socket's directory: %w", err)
	}
	return nil
}

// settle returns the directory to use: the one asked for, or another place for
// the server of root if it cannot enter that one.
func settle(asked string, who account) (dir string, moved bool, err error) {
	dir, err = filepath.Abs(asked)
	if err != nil || !who.other || who.reaches(dir) {
		return dir, false, err
	}
	return filepath.Join("/var/lib/drumline", digest(dir)), true, nil
}

// at describes the cluster in a directory that exists.
func at(dir string, opts Options, who account) (*cluster, error) {
	// Resolved, so that what the server and the system say can be compared.
	dir, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return nil, fmt.Errorf("the cluster's directory: %w", err)
	}
	c := &cluster{dir: dir, data: filepath.Join(dir, "data"), account: who, opts: opts}
	c.socket = filepath.Join(dir, "run")
	if len(c.socketPath()) > maxSocketPath {
		c.socket = filepath.Join("/tmp", "drumline-"+digest(dir))
	}
	return c, nil
}

// digest names a directory in few letters.
func digest(dir string) string {
	sum := sha256.Sum256([]byte(dir))
	return hex.EncodeToString(sum[:6])
}

func (c *cluster) socketPath() string {
	return filepath.Join(c.socket, ".s.PGSQL."+strconv.Itoa(c.opts.Port))
}

// adminURL signs in on the socket. Nobody but the server's account and root can
// reach it, so the cluster trusts who comes that way.
func (c *cluster) adminURL() string {
	q := url.Values{
		"host":    {c.socket},
		"port":    {strconv.Itoa(c.opts.Port)},
		"sslmode": {"disable"},
	}
	u := url.URL{Scheme: "postgres", User: url.User(SuperUser), Path: "/postgres", RawQuery: q.Encode()}
	return u.String()
}

// server describes the running cluster.
func (c *cluster) server(how string, stop func(context.Context) error) *Server {
	return &Server{AdminURL: c.adminURL(), How: how, Dir: c.dir, stop: stop}
}

// madeBy returns the major version that made the data, 0 where there is none.
func (c *cluster) madeBy() int {
	text, err := os.ReadFile(filepath.Join(c.data, "PG_VERSION"))
	if err != nil {
		return 0
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0
	}
	return major
}

// running tells whether a server works on the data already, and waits for one
// that is just coming up. What a dead server left behind is cleared away.
func (c *cluster) running(ctx context.Context) (bool, error) {
	pid, ok := c.pid()
	if !ok {
		return false, nil
	}
	if !c.isServer(pid) {
		// The number may be another program's by now; the server would refuse
		// to start on it.
		c.opts.Log("clearing away what a server that was killed left behind")
		return false, errors.Join(removeIfThere(filepath.Join(c.data, "postmaster.pid")),
			removeIfThere(c.socketPath()), removeIfThere(c.socketPath()+".lock"))
	}
	if err := c.adopt(); err != nil {
		return false, err
	}
	return true, c.wait(ctx)
}

// adopt takes the port from the running server, which may have been started
// with another.
func (c *cluster) adopt() error {
	lines, err := c.pidFile()
	if err != nil {
		return err
	}
	if len(lines) < 5 {
		return nil
	}
	if port, err := strconv.Atoi(lines[3]); err == nil {
		c.opts.Port = port
	}
	if lines[4] != "" {
		c.socket = lines[4]
	}
	return nil
}

// wait returns when the server answers on the socket and works on our data.
func (c *cluster) wait(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, startTimeout)
	defer cancel()
	for {
		data, err := c.ask(ctx)
		if err == nil && data != c.data {
			return fmt.Errorf("the server on %s works on %s, not on %s: stop it first", c.socketPath(), data, c.data)
		}
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("the private cluster in %s does not answer: %w%s", c.dir, err, c.logTail())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// ask returns the data directory of whoever answers on the socket.
func (c *cluster) ask(ctx context.Context) (data string, err error) {
	conn, err := pgx.Connect(ctx, c.adminURL())
	if err != nil {
		return "", err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	err = conn.QueryRow(ctx, `SELECT current_setting('data_directory')`).Scan(&data)
	return data, err
}

// start makes the data where missing and starts the server on it.
func (c *cluster) start(ctx context.Context, bin installation) error {
	if c.madeBy() == 0 {
		if err := c.initialise(ctx, bin); err != nil {
			return err
		}
	}
	if err := c.configure(); err != nil {
		return fmt.Errorf("configuring the private cluster: %w", err)
	}
	c.opts.Log("starting PostgreSQL in " + c.dir)
	if err := c.launch(ctx, bin); err != nil {
		return err
	}
	return c.wait(ctx)
}

// launch starts the server. Where the last one was killed, its sessions may
// outlive it for a moment and hold the data, so it tries again for a while.
func (c *cluster) launch(ctx context.Context, bin installation) error {
	seconds := strconv.Itoa(int(startTimeout.Seconds()))
	for tries := 0; ; tries++ {
		out, err := c.run(filepath.Join(bin.dir, "pg_ctl"), "start", "--wait", "--timeout="+seconds,
			"--silent", "--pgdata="+c.data, "--log="+c.logFile())
		if err == nil {
			return nil
		}
		tail := c.logTail()
		if tries == 20 || ctx.Err() != nil || !strings.Contains(tail, "shared memory block") {
			return fmt.Errorf("starting PostgreSQL in %s: %w: %s%s", c.dir, err, out, tail)
		}
		time.Sleep(250 * time.Millisecond)
	}
}

// initialise makes the data beside its final place and moves it there, so that
// a run that was interrupted leaves nothing half-made.
func (c *cluster) initialise(ctx context.Context, bin installation) error {
	c.opts.Log("making a private cluster in " + c.dir)
	var err error
	// C.UTF-8 is not everywhere; C sorts the same.
	for _, locale := range []string{"C.UTF-8", "C"} {
		if err = ctx.Err(); err != nil {
			return err
		}
		if err = c.initdb(bin, locale); err == nil {
			return nil
		}
	}
	return err
}

func (c *cluster) initdb(bin installation, locale string) error {
	making := c.data + ".making"
	if err := os.RemoveAll(making); err != nil {
		return err
	}
	if err := c.account.mkdir(making); err != nil {
		return err
	}
	args := []string{"--pgdata=" + making, "--username=" + SuperUser, "--encoding=UTF8", "--locale=" + locale,
		"--auth-local=trust", "--auth-host=reject", "--no-instructions"}
	if c.opts.Ephemeral {
		args = append(args, "--no-sync")
	}
	if out, err := c.run(filepath.Join(bin.dir, "initdb"), args...); err != nil {
		return fmt.Errorf("initdb in %s: %w: %s", making, err, out)
	}
	conf, err := os.OpenFile(filepath.Join(making, "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = conf.WriteString("\ninclude 'drumline.conf'\n")
	if err = errors.Join(err, conf.Close()); err != nil {
		return err
	}
	return os.Rename(making, c.data)
}

// configure writes our settings, anew at every start: the socket may have moved.
func (c *cluster) configure() error {
	settings := []string{
		"listen_addresses = ''",
		"unix_socket_directories = " + confQuote(c.socket),
		"unix_socket_permissions = 0700",
		"port = " + strconv.Itoa(c.opts.Port),
		"max_connections = 200",
		"timezone = 'UTC'",
		"log_timezone = 'UTC'",
		"jit = off",
	}
	if c.opts.Ephemeral {
		settings = append(settings, "fsync = off", "synchronous_commit = off", "full_page_writes = off",
			"wal_level = minimal", "max_wal_senders = 0", "autovacuum = off", "shared_buffers = '64MB'", "min_wal_size = '32MB'", "max_wal_size = '256MB'")
	}
	path := filepath.Join(c.data, "drumline.conf")
	if err := os.WriteFile(path, []byte(strings.Join(settings, "\n")+"\n"), 0o600); err != nil {
		return err
	}
	if !c.account.other {
		return nil
	}
	log, err := os.OpenFile(c.logFile(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(log.Close(), os.Chown(c.logFile(), c.account.uid, c.account.gid),
		os.Chown(path, c.account.uid, c.account.gid))
}

// stop ends the server in fast mode: sessions are cut, everything committed is kept.
func (c *cluster) stop(ctx context.Context) error {
	pid, ok := c.pid()
	if !ok || !c.isServer(pid) {
		return nil
	}
	if err := syscall.Kill(pid, syscall.SIGINT); err != nil && !errors.Is(err, syscall.ESRCH) {
		return fmt.Errorf("stopping the private cluster in %s: %w", c.dir, err)
	}
	ctx, cancel := context.WithTimeout(ctx, startTimeout)
	defer cancel()
	for c.isServer(pid) {
		select {
		case <-ctx.Done():
			return fmt.Errorf("the private cluster in %s does not stop: %w", c.dir, ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
	return nil
}

// remove stops the server and throws its data away.
func (c *cluster) remove(ctx context.Context) error {
	if err := c.stop(ctx); err != nil {
		return err
	}
	entries, err := os.ReadDir(c.data)
	if err == nil && len(entries) > 0 && c.madeBy() == 0 {
		return fmt.Errorf("%s holds something that is no PostgreSQL cluster: not throwing it away", c.data)
	}
	return errors.Join(os.RemoveAll(c.data), os.RemoveAll(c.data+".making"), removeIfThere(c.logFile()))
}

// run runs a program as the server's account and returns what it printed.
func (c *cluster) run(name string, args ...string) (string, error) {
	cmd := c.account.command(c.socket, name, args...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	return strings.TrimSpace(out.String()), err
}

func (c *cluster) logFile() string { return filepath.Join(c.dir, "server.log") }

// logTail returns the last lines of the server's log for an error message.
func (c *cluster) logTail() string {
	text, err := os.ReadFile(c.logFile())
	if err != nil || len(text) == 0 {
		return ""
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return "\n" + strings.Join(lines[max(0, len(lines)-8):], "\n")
}

// pid returns the process number in postmaster.pid.
func (c *cluster) pid() (int, bool) {
	lines, err := c.pidFile()
	if err != nil || len(lines) == 0 {
		return 0, false
	}
	pid, err := strconv.Atoi(lines[0])
	return pid, err == nil && pid > 1
}

func (c *cluster) pidFile() ([]string, error) {
	text, err := os.ReadFile(filepath.Join(c.data, "postmaster.pid"))
	if err != nil {
		return nil, err
	}
	lines := strings.Split(string(text), "\n")
	for i := range lines {
		lines[i] = strings.TrimSpace(lines[i])
	}
	return lines, nil
}

// isServer tells whether a process lives and, where the system can say, is the
// server of our data.
func (c *cluster) isServer(pid int) bool {
	if err := syscall.Kill(pid, 0); errors.Is(err, syscall.ESRCH) {
		return false
	}
	proc := filepath.Join("/proc", strconv.Itoa(pid))
	// "pid (name) state …": a dead process its parent has not looked after is Z.
	stat, err := os.ReadFile(filepath.Join(proc, "stat"))
	if err == nil && (!strings.Contains(string(stat), "(postgres") || strings.Contains(string(stat), ") Z ")) {
		return false
	}
	// The server works in its data directory. We may not be let to look.
	cwd, err := os.Readlink(filepath.Join(proc, "cwd"))
	return err != nil || cwd == c.data
}

// Stop stops the private cluster of opts.Dir, whoever started it. Where there is
// none it does nothing and makes nothing.
func Stop(ctx context.Context, opts Options) error {
	opts = opts.withDefaults()
	who, err := serverAccount()
	if err != nil {
		return err
	}
	dir, _, err := settle(opts.Dir, who)
	if err != nil {
		return err
	}
	c, err := at(dir, opts, who)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	unlock, err := Lock(ctx, filepath.Join(c.dir, "open.lock"))
	if err != nil {
		return err
	}
	defer unlock()
	return c.stop(ctx)
}

// confQuote quotes a value of postgresql.conf.
func confQuote(value string) string { return "'" + strings.ReplaceAll(value, "'", "''") + "'" }

// removeIfThere removes a file and is content where there is none.
func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// freePort returns a TCP port of the loopback that was free a moment ago.
func freePort(ctx context.Context) (uint32, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	port := l.Addr().(*net.TCPAddr).Port
	return uint32(port), l.Close()
}
