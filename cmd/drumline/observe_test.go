package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/shared/pg/pgtest"
)

var metricsAt = regexp.MustCompile(`"serving metrics","address":"([^"]+)"`)

// TestServeIsObserved has a request counted at the address of the figures, and
// nowhere else, and its span sent to a collector when the process ends.
func TestServeIsObserved(t *testing.T) {
	sent := make(chan string, 8)
	collector := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		if body, err := io.ReadAll(r.Body); err == nil {
			sent <- string(body)
		}
	}))
	t.Cleanup(collector.Close)
	r := start(t, settings("DRUMLINE_DATABASE_URL", pgtest.New(t).AppURL, "DRUMLINE_KEY_FILE", filepath.Join(t.TempDir(), "keys.json"),
		"DRUMLINE_METRICS_LISTEN", "127.0.0.1:0", "OTEL_EXPORTER_OTLP_ENDPOINT", collector.URL), "serve", "--listen", "127.0.0.1:0")
	r.until("address", func() bool {
		return servingAt.MatchString(r.stderr.String()) && metricsAt.MatchString(r.stderr.String())
	})
	url, figures := servingAt.FindStringSubmatch(r.stderr.String())[1], "http://"+metricsAt.FindStringSubmatch(r.stderr.String())[1]

	status, _ := request(t, "GET", url+"/v1/calendars/unknown", "", "")
	require.Equal(t, 404, status)
	status, _ = request(t, "GET", url+"/metrics", "", "")
	require.Equal(t, 404, status, "figures are no part of the service's address")
	status, text := request(t, "GET", figures+"/metrics", "", "")
	require.Equal(t, 200, status)
	require.Contains(t, text, `http_server_request_duration_seconds_count{http_request_method="GET",http_response_status_code="404",http_route="/v1/calendars/{token}"} 1`)
	require.Contains(t, text, `db_client_connection_max{db_client_connection_pool_name="app"} 16`)
	status, _ = request(t, "GET", figures+"/v1/shop", "", "")
	require.Equal(t, 404, status)
	require.Contains(t, r.stderr.String(), `"trace_id":"`)
	r.interrupt()
	span := <-sent
	require.Contains(t, span, "GET /v1/calendars/{token}")
	require.NotContains(t, span, "/unknown")
}

func TestServeSaysThatItsFiguresHaveNoAddress(t *testing.T) {
	_, err := serveMetrics(t.Context(), "127.0.0.1:99999", nil, nil)
	require.ErrorContains(t, err, "DRUMLINE_METRICS_LISTEN")
}
