// Package local finds or makes a PostgreSQL server for a program that needs one
// and says which it took: a server the environment names, a private cluster from
// the PostgreSQL binaries of this machine, or one from a downloaded build.
package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Environment variables read through Options.Getenv.
const (
	// EnvURL holds the URL of a sign-in that may create roles and databases.
	EnvURL = "DRUMLINE_DATABASE_URL"
	// EnvSources restricts the sources: a comma list of url, binaries, download.
	EnvSources = "DRUMLINE_PG_SOURCES"
	// EnvRepository replaces the Maven repository that serves the builds.
	EnvRepository = "DRUMLINE_PG_REPOSITORY"
)

// The sources, in the order they are tried.
const (
	SourceURL      = "url"
	SourceBinaries = "binaries"
	SourceDownload = "download"
)

// MinMajor is the oldest PostgreSQL that will do: views WITH (security_invoker)
// came with it.
const MinMajor = 15

// SuperUser is the administrator of a private cluster.
const SuperUser = "drumline_admin"

// ErrNone is the whole message for somebody without any database.
var ErrNone = errors.New("no PostgreSQL found: install PostgreSQL 15 or newer " +
	"(for example: apt-get install postgresql), or set DRUMLINE_DATABASE_URL to a server you may administer")

// Options say where a private cluster lives and how it runs.
type Options struct {
	// Getenv reads the environment; nil means os.Getenv.
	Getenv func(string) string
	// Dir holds the cluster, its log and a downloaded build. It is needed for
	// every source but the URL. A super-user's Dir may be moved to a place the
	// server's account can reach; Log says so.
	Dir string
	// Fresh throws an existing private cluster of Dir away first.
	Fresh bool
	// Ephemeral turns durability off (fsync and its kin): a crash of the machine
	// loses the cluster. For tests.
	Ephemeral bool
	// Port is part of the socket's name and is not listened on; 0 means 5432.
	Port int
	// Log receives progress in single lines; nil discards them.
	Log func(string)
}

// Server is a PostgreSQL server that answers.
type Server struct {
	// AdminURL signs in as somebody who may create roles and databases.
	AdminURL string
	// How tells in one line, for people, which source this server came from.
	How string
	// Dir is the private cluster's directory as used, "" for a named server.
	Dir string

	stop func(context.Context) error
}

// Open returns the first server the sources yield, started if need be. A running
// cluster of the same Dir is used as it is, also one whose starter was killed.
func Open(ctx context.Context, opts Options) (*Server, error) {
	opts = opts.withDefaults()
	sources, err := parseSources(opts.Getenv(EnvSources))
	if err != nil {
		return nil, err
	}
	if url := opts.Getenv(EnvURL); url != "" && sources[SourceURL] {
		return openURL(ctx, url)
	}
	if !sources[SourceBinaries] && !sources[SourceDownload] {
		return nil, ErrNone
	}
	if opts.Dir == "" {
		return nil, errors.New("local: Options.Dir is empty: a private cluster needs a directory")
	}
	return openPrivate(ctx, opts, sources)
}

// Close stops the server in fast mode if Open started it, and does nothing to a
// server that was running before.
func (s *Server) Close(ctx context.Context) error {
	if s.stop == nil {
		return nil
	}
	stop := s.stop
	s.stop = nil
	return stop(ctx)
}

// openPrivate makes or finds the private cluster of opts.Dir.
func openPrivate(ctx context.Context, opts Options, sources map[string]bool) (*Server, error) {
	account, err := serverAccount()
	if err != nil {
		return nil, err
	}
	c, err := newCluster(opts, account)
	if err != nil {
		return nil, err
	}
	unlock, err := Lock(ctx, filepath.Join(c.dir, "open.lock"))
	if err != nil {
		return nil, err
	}
	defer unlock()
	if err := c.makeSocketDir(); err != nil {
		return nil, err
	}
	if opts.Fresh {
		if err := c.remove(ctx); err != nil {
			return nil, err
		}
	}
	if found, err := c.running(ctx); err != nil {
		return nil, err
	} else if found {
		return c.server("running private cluster in "+c.dir, nil), nil
	}
	bin, from, err := binaries(ctx, c, opts, sources)
	if err != nil {
		return nil, err
	}
	if err := c.start(ctx, bin); err != nil {
		return nil, err
	}
	return c.server(fmt.Sprintf("private cluster in %s, PostgreSQL %d from %s", c.dir, bin.major, from), c.stop), nil
}

// binaries takes the machine's own PostgreSQL or downloads one.
func binaries(ctx context.Context, c *cluster, opts Options, sources map[string]bool) (bin installation, from string, err error) {
	made := c.madeBy()
	if sources[SourceBinaries] {
		bin, ok, err := installed(ctx, opts.Getenv("PATH"), made)
		if err != nil || ok {
			return bin, bin.dir, err
		}
	}
	if !sources[SourceDownload] {
		return bin, "", ErrNone
	}
	bin, err = download(ctx, c, opts, made)
	if err != nil {
		return bin, "", fmt.Errorf("%w (the download failed: %w)", ErrNone, err)
	}
	return bin, "a downloaded build", nil
}

// withDefaults fills in what the caller left out.
func (o Options) withDefaults() Options {
	if o.Getenv == nil {
		o.Getenv = os.Getenv
	}
	if o.Log == nil {
		o.Log = func(string) {}
	}
	if o.Port == 0 {
		o.Port = 5432
	}
	return o
}

// parseSources reads EnvSources; empty means every source.
func parseSources(list string) (map[string]bool, error) {
	if strings.TrimSpace(list) == "" {
		list = SourceURL + "," + SourceBinaries + "," + SourceDownload
	}
	sources := map[string]bool{}
	for name := range strings.SplitSeq(list, ",") {
		switch name = strings.TrimSpace(name); name {
		case SourceURL, SourceBinaries, SourceDownload:
			sources[name] = true
		case "none":
		default:
			return nil, fmt.Errorf("%s: %q is not one of url, binaries, download, none", EnvSources, name)
		}
	}
	return sources, nil
}
