package pgtest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/shared/pg/local"
)

// Environment variables that steer where the test server comes from.
const (
	// EnvURL names a server: a sign-in that may create roles and databases.
	EnvURL = "TEST_DATABASE_URL"
	// EnvSources restricts the sources: a comma list of url, container, binaries;
	// any other word leaves none. A server that runs already counts as what it
	// came from.
	EnvSources = "DRUMLINE_PGTEST_SOURCES"
	// EnvDir replaces the directory the shared server lives in.
	EnvDir = "DRUMLINE_PGTEST_DIR"
	// EnvIdle replaces how long an unused server is kept, as Go writes durations.
	EnvIdle = "DRUMLINE_PGTEST_IDLE"
)

// errNone is the whole message where there is no server to be had.
var errNone = errors.New("install PostgreSQL 15 or newer (for example: apt-get install postgresql), " +
	"start a container engine, or set " + EnvURL + " to a server that tests may administer")

// state is what test processes tell each other about the shared server.
type state struct {
	URL string `json:"url"`
	// Container is the container's id, Cluster the private cluster's directory;
	// one of them is set.
	Container string `json:"container,omitempty"`
	Cluster   string `json:"cluster,omitempty"`
}

// source says which of the sources the server came from.
func (s state) source() string {
	if s.Container != "" {
		return "container"
	}
	return "binaries"
}

// findServer returns an administrator's URL of the test server, started if need be.
func findServer(ctx context.Context) (string, error) {
	want := func(string) bool { return true }
	if list := os.Getenv(EnvSources); list != "" {
		want = func(source string) bool { return strings.Contains(","+list+",", ","+source+",") }
	}
	if url := os.Getenv(EnvURL); url != "" && want("url") {
		return url, nil
	}
	dir, err := stateDir()
	if err != nil {
		return "", err
	}
	if err := join(ctx, dir); err != nil {
		return "", err
	}
	unlock, err := local.Lock(ctx, filepath.Join(dir, "start.lock"))
	if err != nil {
		return "", err
	}
	defer unlock()
	if s, err := readState(dir); err == nil && want(s.source()) && answers(ctx, s.URL) {
		return s.URL, nil
	}
	s, err := startServer(ctx, dir, want)
	if err != nil {
		return "", err
	}
	return s.URL, writeState(dir, s)
}

// startServer starts a container or a private cluster.
func startServer(ctx context.Context, dir string, want func(string) bool) (state, error) {
	var refused error
	if want("container") {
		s, err := startContainer(ctx)
		if err == nil {
			return s, nil
		}
		refused = fmt.Errorf("container: %w", err)
	}
	if !want("binaries") {
		return state{}, errors.Join(errNone, refused)
	}
	cluster, err := clusterDir(dir)
	if err != nil {
		return state{}, err
	}
	// A cluster without fsync that is not running is not to be trusted.
	server, err := local.Open(ctx, clusterOptions(cluster, true))
	switch {
	case errors.Is(err, local.ErrNone):
		return state{}, errNone
	case err != nil:
		return state{}, errors.Join(errNone, refused, err)
	}
	return state{URL: server.AdminURL, Cluster: cluster}, nil
}

// memory is a file system in memory, where there is one: a clone there takes a
// third of the time.
const memory = "/dev/shm"

// clusterDir returns where the private cluster goes: into memory if there is
// room, unless EnvDir says where.
func clusterDir(dir string) (string, error) {
	var fs syscall.Statfs_t
	if os.Getenv(EnvDir) == "" && syscall.Statfs(memory, &fs) == nil && uint64(fs.Bavail)*uint64(fs.Bsize) >= 2<<30 {
		fast := filepath.Join(memory, filepath.Base(dir))
		return fast, ownDir(fast)
	}
	slow := filepath.Join(dir, "cluster")
	return slow, ownDir(slow)
}

// clusterOptions describe the shared private cluster; url and download are not
// among its sources.
func clusterOptions(cluster string, fresh bool) local.Options {
	return local.Options{
		Dir: cluster, Fresh: fresh, Ephemeral: true,
		Getenv: func(key string) string {
			if key == local.EnvSources {
				return local.SourceBinaries
			}
			return os.Getenv(key)
		},
	}
}

// stateDir returns the directory test processes of this user meet in.
func stateDir() (string, error) {
	dir := os.Getenv(EnvDir)
	if dir == "" {
		dir = filepath.Join(os.TempDir(), fmt.Sprintf("drumline-pgtest-%d", os.Geteuid()))
	}
	return dir, ownDir(dir)
}

// ownDir makes a directory only we may write, or checks that it is one: in a
// shared place somebody might have put it there for us.
func ownDir(dir string) error {
	// Root's server runs under another account, which must get through.
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return err
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok || !info.IsDir() || int(stat.Uid) != os.Geteuid() || info.Mode().Perm()&0o022 != 0 {
		return fmt.Errorf("%s is there already but is not a directory only you may write: remove it or set %s", dir, EnvDir)
	}
	return nil
}

// answers tells whether a server lets the administrator in.
func answers(ctx context.Context, url string) bool {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return false
	}
	return conn.Close(ctx) == nil
}

func stateFile(dir string) string { return filepath.Join(dir, "server.json") }

func readState(dir string) (state, error) {
	var s state
	text, err := os.ReadFile(stateFile(dir))
	if err != nil {
		return s, err
	}
	return s, json.Unmarshal(text, &s)
}

func writeState(dir string, s state) error {
	text, err := json.Marshal(s)
	if err != nil {
		return err
	}
	return os.WriteFile(stateFile(dir), text, 0o600)
}
