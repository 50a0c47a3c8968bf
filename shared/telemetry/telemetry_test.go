package telemetry_test

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/require"

	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
	"drumline/shared/telemetry"
)

func scrape(t *testing.T, m *telemetry.Metrics) string {
	t.Helper()
	rec := httptest.NewRecorder()
	m.Handler().ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), "GET", "/metrics", nil))
	require.Equal(t, 200, rec.Code)
	return rec.Body.String()
}

func TestFigures(t *testing.T) {
	m := telemetry.NewMetrics("v1")
	m.Request("GET", "/v1/units/{id}", 200, 30*time.Millisecond)
	m.Request("GET", "/v1/units/{id}", 0, 3*time.Second)
	m.Mailed("accepted", 2)
	m.Mailed("ambiguous", 1)
	m.Missed(4)
	m.Judged()
	text := scrape(t, m)
	for _, line := range []string{
		`http_server_request_duration_seconds_bucket{http_request_method="GET",http_response_status_code="200",http_route="/v1/units/{id}",le="0.025"} 0`,
		`http_server_request_duration_seconds_bucket{http_request_method="GET",http_response_status_code="200",http_route="/v1/units/{id}",le="0.05"} 1`,
		`http_server_request_duration_seconds_count{http_request_method="GET",http_response_status_code="",http_route="/v1/units/{id}"} 1`,
		`drumline_mails_total{outcome="accepted"} 2`,
		`drumline_mails_total{outcome="ambiguous"} 1`,
		`drumline_reminders_missed_total 4`,
		`drumline_readings_judged_total 1`,
		`drumline_build_info{version="v1"} 1`,
		"go_goroutines ", "process_cpu_seconds_total ",
	} {
		require.Contains(t, text, line)
	}
}

// TestMetricsAreWellFormed holds names and helps against Prometheus' own lint.
func TestMetricsAreWellFormed(t *testing.T) {
	db := pgtest.New(t)
	pool, err := pg.Open(t.Context(), db.AppURL, pg.Options{MaxConns: 3})
	require.NoError(t, err)
	t.Cleanup(pool.Close)
	m := telemetry.NewMetrics("v1")
	m.Pool("app", pool.Pool)
	m.Request("GET", "/v1/units", 200, time.Second)
	m.Mailed("accepted", 1)
	faults, err := promlint.New(strings.NewReader(scrape(t, m))).Lint()
	require.NoError(t, err)
	require.Len(t, faults, 1)
	require.Equal(t, "db_client_connection_count", faults[0].Metric, "the conventions' name, which the lint keeps for histograms")
	text := scrape(t, m)
	require.Contains(t, text, `db_client_connection_max{db_client_connection_pool_name="app"} 3`)
	require.Contains(t, text, `db_client_connection_count{db_client_connection_pool_name="app",db_client_connection_state="idle"} 1`)
}

// TestTracesArrive has a span sent to a collector when tracing stops.
func TestTracesArrive(t *testing.T) {
	got := make(chan string, 4)
	collector := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err == nil {
			got <- r.URL.Path + " " + string(body)
		}
	}))
	t.Cleanup(collector.Close)
	tracer, stop, err := telemetry.Traces(t.Context(), collector.URL+"/", "v1")
	require.NoError(t, err)
	_, span := tracer.Start(t.Context(), "GET /v1/units")
	require.True(t, span.SpanContext().HasTraceID())
	span.End()
	require.NoError(t, stop(context.WithoutCancel(t.Context())))
	sent := <-got
	require.Contains(t, sent, "/v1/traces ")
	require.Contains(t, sent, "GET /v1/units")
	require.Contains(t, sent, "drumline")
}
