package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"drumline/api"
	"drumline/shared/telemetry"
)

// metricsTime bounds each side of a request for figures.
const metricsTime = 10 * time.Second

// serveMetrics serves /metrics at an address of its own until ctx ends; an
// empty address serves nothing. It gives the address taken.
func serveMetrics(ctx context.Context, address string, m *telemetry.Metrics, log *slog.Logger) (net.Addr, error) {
	if address == "" {
		return nil, nil
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("cannot serve metrics on %s: %w; choose another DRUMLINE_METRICS_LISTEN", address, err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", m.Handler())
	s := &http.Server{Handler: mux, ReadTimeout: metricsTime, WriteTimeout: metricsTime, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}
	context.AfterFunc(ctx, func() { _ = s.Close() }) // figures lost at the end are lost anyway
	go func() { _ = s.Serve(l) }()                   // it ends by Close alone
	log.Info("serving metrics", "address", l.Addr().String())
	return l.Addr(), nil
}

// observe counts each request of the edge and each reading, and follows
// requests when a collector of traces is named. stop sends what is left.
func (s *server) observe(ctx context.Context, c Config, e *api.Edge) (stop func(context.Context) error, err error) {
	s.metrics = telemetry.NewMetrics(version())
	s.metrics.Pool("app", s.db.Pool)
	e.Observe = func(a api.Access) { s.metrics.Request(a.Method, a.Route, a.Status, a.Duration) }
	s.api.Repair.Judged = s.metrics.Judged
	if c.TraceEndpoint == "" {
		return func(context.Context) error { return nil }, nil
	}
	e.Tracer, stop, err = telemetry.Traces(ctx, c.TraceEndpoint, version())
	return stop, err
}
