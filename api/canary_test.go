package api_test

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"

	"drumline/api"
	"drumline/shared/telemetry"
)

// TestNothingPersonalIsLogged does a shop's whole work and looks for what
// people entered in the log and in the audit trail.
func TestNothingPersonalIsLogged(t *testing.T) {
	w := newWorld(t)
	figures, spans := telemetry.NewMetrics("test"), tracetest.NewInMemoryExporter()
	w.edge.Observe = func(a api.Access) { figures.Request(a.Method, a.Route, a.Status, a.Duration) }
	w.edge.Tracer = trace.NewTracerProvider(trace.WithSyncer(spans)).Tracer("test")
	w.api.Repair.Judged = figures.Judged
	figures.Pool("app", w.pool.Pool)
	s := newScene(w.a)
	for name := range makers {
		s.get(name)
	}
	w.a.dispatcher.do("POST", "/v1/sessions", map[string]any{"shop": w.a.code, "email": w.a.owner.email, "password": "a wrong password 9"}).want(401)
	w.a.dispatcher.do("POST", "/v1/customers", `{"name":"A","email":"broken canary@x"}`).want(422)
	logs := w.logs.String()
	require.Greater(t, strings.Count(logs, "\n"), 30, "one line a request")
	trail := dump(t, w, w.a.id)["audit"]
	require.NotEmpty(t, trail)
	scraped := httptest.NewRecorder()
	figures.Handler().ServeHTTP(scraped, httptest.NewRequestWithContext(t.Context(), "GET", "/metrics", nil))
	metrics, traces := scraped.Body.String(), fmt.Sprintf("%+v", spans.GetSpans())
	require.Contains(t, metrics, `http_route="/v1/calls/{id}/visits"`)
	require.NotContains(t, metrics, "drumline_readings_judged_total 0\n")
	require.Contains(t, traces, "POST /v1/customers")
	require.Contains(t, logs, `"trace_id":"`+spans.GetSpans()[0].SpanContext.TraceID().String())
	require.NotContains(t, metrics, w.a.id.String(), "a shop's id in the figures")
	require.NotRegexp(t, `[0-9a-f]{8}-[0-9a-f]{4}-`, metrics, "an id in the figures")
	for what, secret := range map[string]string{"password": testPassword, "wrong password": "a wrong password 9", "access token": w.a.tech.token,
		"refresh token": w.a.tech.refresh, "invitation": s.get("invitation_token"), "e-mail": "wren@", "sign-in e-mail": w.a.owner.email,
		"name": "Wren of", "address": "14 Mill Road", "telephone": "555 0142", "refused value": "broken canary"} {
		require.NotContains(t, logs, secret, "%s in the log", what)
		require.NotContains(t, trail, secret, "%s in the trail", what)
		require.NotContains(t, metrics, secret, "%s in the figures", what)
		require.NotContains(t, traces, secret, "%s in the traces", what)
	}
}
