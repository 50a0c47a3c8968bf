package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"drumline/api"
	"drumline/diagnosis/catalogue"
	"drumline/domain/people"
	"drumline/migrations"
	"drumline/shared/pg"
	"drumline/shared/telemetry"
)

// serveCommand serves the API of a migrated database.
type serveCommand struct {
	Listen string `help:"Address to serve; overrides DRUMLINE_LISTEN." placeholder:"HOST:PORT"`
}

// Run serves until ctx ends.
func (s serveCommand) Run(ctx context.Context, p *program) error {
	c, err := readConfig(p.getenv)
	if err != nil {
		return err
	}
	if s.Listen != "" {
		c.Listen = s.Listen
	}
	log := newLog(p.stderr, c.LogLevel)
	log.Info("starting", "version", version(), "settings", c.String())
	listener, err := listen(ctx, c.Listen)
	if err != nil {
		return err
	}
	defer func() { _ = listener.Close() }() // again, after serving: that is no error of interest
	db, err := openChecked(ctx, c)
	if err != nil {
		return err
	}
	defer db.Close()
	keys, err := people.LoadKeyring(c.Issuer, c.KeyFile, time.Now())
	if err != nil {
		return err
	}
	srv, err := newServer(ctx, c, listener, db, keys, log, time.Now)
	if err != nil {
		return err
	}
	if _, err := serveMetrics(ctx, c.MetricsListen, srv.metrics, log); err != nil {
		return err
	}
	log.Info("serving", "url", srv.url)
	return srv.serve(ctx)
}

func newLog(w io.Writer, level slog.Level) *slog.Logger {
	return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level}))
}

// openChecked opens the pool as the runtime role and refuses a sign-in that
// could see past row-level security, or a schema of another version.
func openChecked(ctx context.Context, c Config) (*pg.DB, error) {
	if c.DatabaseURL == "" {
		return nil, errors.New("set DRUMLINE_DATABASE_URL to a sign-in as drumline_app, or run drumline demo, which needs none")
	}
	db, err := pg.Open(ctx, c.DatabaseURL, pg.Options{Access: people.Access, MaxConns: c.PoolSize})
	if err != nil {
		return nil, err
	}
	// The version comes first: a database without tables lacks policies too, and
	// the version says what to do about it.
	if err := migrations.Check(ctx, c.DatabaseURL); err != nil {
		db.Close()
		return nil, err
	}
	if err := pg.BootCheck(ctx, db); err != nil {
		db.Close()
		return nil, err
	}
	return db, nil
}

// server is the service on its address.
type server struct {
	db       *pg.DB
	api      *api.API
	metrics  *telemetry.Metrics
	http     *http.Server
	listener net.Listener
	url      string
	log      *slog.Logger
	drain    time.Duration
	draining atomic.Bool

	endTraces func(context.Context) error
}

// listen takes an address.
func listen(ctx context.Context, address string) (net.Listener, error) {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("cannot serve on %s: %w; choose another address with --listen", address, err)
	}
	return l, nil
}

// newServer wires the service, without serving yet.
func newServer(ctx context.Context, c Config, listener net.Listener, db *pg.DB, keys *people.Keyring, log *slog.Logger, now func() time.Time) (*server, error) {
	cat, err := catalogue.Open()
	if err != nil {
		return nil, err
	}
	a := api.New(api.Deps{DB: db, Keys: keys, Hasher: people.NewHasher(), Catalogue: cat, Now: now, AccessLife: c.AccessLife})
	s := &server{db: db, api: a, log: log, drain: c.DrainTime, listener: listener, url: c.BaseURL}
	edge := a.Edge(version(), log)
	edge.Limits = api.NewLimits(c.limits())
	edge.TrustProxies(c.TrustedProxies)
	if s.endTraces, err = s.observe(ctx, c, edge); err != nil {
		return nil, err
	}
	edge.Mount("/livez", http.HandlerFunc(live))
	edge.Mount("/readyz", http.HandlerFunc(s.ready))
	s.http = edge.Server(c.Listen)
	if s.url == "" {
		s.url = "http://" + listener.Addr().String()
	}
	return s, nil
}

// serve answers requests until ctx ends. Then /readyz says no, requests under
// way are finished within the drain time, and the listener is closed.
func (s *server) serve(ctx context.Context) error {
	failed := make(chan error, 1)
	go func() { failed <- s.http.Serve(s.listener) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serving: %w", err)
	case <-ctx.Done():
	}
	s.draining.Store(true)
	s.log.Info("stopping", "drain_time", s.drain.String())
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.drain)
	defer cancel()
	if err := s.http.Shutdown(ctx); err != nil {
		s.log.Warn("requests were cut off", "error", err.Error())
		_ = s.http.Close() // whatever it says, the process ends
	}
	if err := s.endTraces(ctx); err != nil {
		s.log.Warn("the last traces were not sent", "error", err.Error())
	}
	s.log.Info("stopped")
	return nil
}
