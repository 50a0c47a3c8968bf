package api

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"regexp"
	"runtime/debug"
	"time"

	"go.opentelemetry.io/otel/trace"

	"drumline/api/wire"
	"drumline/domain"
)

// facts are what is known about the request being served. They are written by
// the edge alone, before the operation runs.
type facts struct {
	request     *http.Request
	id          string
	ip          string
	route       string
	principal   domain.Principal
	query       url.Values
	offer       string
	idempotency string
	ifMatch     int64
	kind        string // of the problem that was answered
	span        trace.Span
	policies    []string // what RateLimit-Policy tells
	quotas      []string // what RateLimit tells
}

type factsKey struct{}

// factsOf gives the facts of the request behind ctx; empty ones outside of a
// request.
func factsOf(ctx context.Context) *facts {
	if f, ok := ctx.Value(factsKey{}).(*facts); ok {
		return f
	}
	return &facts{}
}

// principal is who acts; the zero principal in a public operation.
func principal(ctx context.Context) domain.Principal { return factsOf(ctx).principal }

// requestID is the id under which this request is logged.
func requestID(ctx context.Context) string { return factsOf(ctx).id }

// clientIP is the address of the peer.
func clientIP(ctx context.Context) string { return factsOf(ctx).ip }

// idempotencyKey is the key of an operation with Op.Idempotent.
func idempotencyKey(ctx context.Context) string { return factsOf(ctx).idempotency }

// ifMatch is the version an operation with Op.IfMatch must find;
// wire.AnyVersion for "*".
func ifMatch(ctx context.Context) int64 { return factsOf(ctx).ifMatch }

// offer is the media type to answer with, of those in Op.Produces.
func offer(ctx context.Context) string { return factsOf(ctx).offer }

// nextLink is the Link header of the page that begins at cursor; empty when
// there is none.
func nextLink(ctx context.Context, cursor string) string {
	if cursor == "" {
		return ""
	}
	f := factsOf(ctx)
	return wire.NextLink(f.request.URL.Path, f.query, cursor)
}

// Access are the facts of one finished request. Route is the path template,
// "none" when nothing matched; Kind is the kind of problem answered, else empty.
type Access struct {
	Method   string
	Route    string
	Status   int
	Kind     string
	Bytes    int64
	Duration time.Duration
	Shop     domain.ID
	Person   domain.ID
	Request  string
	Trace    string // id of its trace; empty when none is kept
	Aborted  bool   // the client went away
}

var inboundID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

// newRequestID takes over the id of the client when it is harmless.
func newRequestID(inbound []string) string {
	if len(inbound) == 1 && inboundID.MatchString(inbound[0]) {
		return inbound[0]
	}
	var b [12]byte
	_, _ = rand.Read(b[:])
	return hex.EncodeToString(b[:])
}

// serve is the outermost handler: request id, headers, HEAD as GET, the access
// line, and the net under every panic.
func (e *Edge) serve(w http.ResponseWriter, r *http.Request) {
	start := e.Now()
	f := &facts{id: newRequestID(r.Header.Values("X-Request-Id")), ip: e.clientIP(r), route: "none"}
	// A copy: net/http looks at the original to leave the body of HEAD out.
	ctx, span := e.startSpan(r)
	f.span = span
	inner := r.WithContext(context.WithValue(ctx, factsKey{}, f))
	if r.Method == http.MethodHead {
		inner.Method = http.MethodGet
	}
	f.request = inner
	rec := &recorder{ResponseWriter: w}
	setHeaders(w.Header(), f.id)
	defer e.finish(rec, r, f, start)
	e.router.ServeHTTP(rec, inner)
}

// setHeaders sets what every answer carries.
func setHeaders(h http.Header, id string) {
	h.Set("X-Request-Id", id)
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
}

// finish recovers from a panic and writes the access line. When the answer had
// begun already it cuts the connection, so that the client cannot take half an
// answer for a whole one.
func (e *Edge) finish(rec *recorder, r *http.Request, f *facts, start time.Time) {
	cause := recover()
	if cause != nil && cause != http.ErrAbortHandler {
		e.Log.ErrorContext(r.Context(), "panic", "request_id", f.id, "route", f.route,
			"panic", fmt.Sprint(cause), "stack", string(debug.Stack()))
		if rec.status == 0 {
			writeProblem(rec, f, wire.FromError(fmt.Errorf("panic"), f.id))
			cause = nil
		}
		f.kind = domain.Internal.String()
	}
	e.access(rec, r, f, start)
	if cause != nil {
		panic(http.ErrAbortHandler)
	}
}

func (e *Edge) access(rec *recorder, r *http.Request, f *facts, start time.Time) {
	a := Access{
		Method: knownMethod(r.Method), Route: f.route, Status: rec.status, Kind: f.kind, Bytes: rec.bytes,
		Duration: e.Now().Sub(start), Shop: f.principal.Shop, Person: f.principal.Person,
		Request: f.id, Trace: traceID(f.span), Aborted: r.Context().Err() != nil,
	}
	e.Log.LogAttrs(r.Context(), slog.LevelInfo, "request", a.attrs()...)
	endSpan(f.span, a)
	if e.Observe != nil {
		e.Observe(a)
	}
}

// knownMethod keeps the names a client may make up out of metrics; _OTHER is
// the word of OpenTelemetry's conventions.
func knownMethod(method string) string {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return method
	}
	return "_OTHER"
}

func (a Access) attrs() []slog.Attr {
	out := []slog.Attr{
		slog.String("method", a.Method), slog.String("route", a.Route), slog.Int("status", a.Status),
		slog.Float64("dur_ms", float64(a.Duration.Microseconds())/1000), slog.Int64("bytes", a.Bytes),
		slog.String("request_id", a.Request),
	}
	if a.Trace != "" {
		out = append(out, slog.String("trace_id", a.Trace))
	}
	if a.Kind != "" {
		out = append(out, slog.String("kind", a.Kind))
	}
	if !a.Shop.IsZero() {
		out = append(out, slog.String("shop_id", a.Shop.String()), slog.String("user_id", a.Person.String()))
	}
	if a.Aborted {
		out = append(out, slog.Bool("aborted", true))
	}
	return out
}

// problem turns the error of an operation into what the client sees, and logs
// what the client does not.
func (e *Edge) problem(ctx context.Context, err error) *wire.Problem {
	f := factsOf(ctx)
	if ctx.Err() != nil && errors.Is(err, context.Canceled) { // the client went away: nobody's fault, nobody reads it
		return wire.NewProblem(http.StatusServiceUnavailable)
	}
	p := wire.FromError(err, f.id)
	f.kind = p.Kind()
	if p.Status >= http.StatusInternalServerError {
		e.Log.ErrorContext(ctx, "error", "request_id", f.id, "route", f.route, "status", p.Status, "error", err.Error())
	}
	return p
}

// writeProblem answers with p.
func writeProblem(w http.ResponseWriter, f *facts, p *wire.Problem) {
	f.kind = p.Kind()
	body, err := wire.Marshal(p)
	if err != nil { // an extra member that is no JSON
		p = wire.FromError(err, f.id)
		body, _ = wire.Marshal(p)
	}
	h := w.Header()
	for name, values := range p.GetHeaders() {
		h[name] = values
	}
	h.Del("ETag")
	h.Del("Content-Length")
	h.Set("Content-Type", wire.ProblemType)
	w.WriteHeader(p.Status)
	_, _ = w.Write(body)
}

// recorder notes what was sent.
type recorder struct {
	http.ResponseWriter
	status int
	bytes  int64
}

// WriteHeader notes the first final status.
func (r *recorder) WriteHeader(status int) {
	if r.status == 0 && status >= http.StatusOK {
		r.status = status
	}
	r.ResponseWriter.WriteHeader(status)
}

// Write counts bytes.
func (r *recorder) Write(b []byte) (int, error) {
	if r.status == 0 {
		r.status = http.StatusOK
	}
	n, err := r.ResponseWriter.Write(b)
	r.bytes += int64(n)
	return n, err
}

// Flush sends what is buffered; a streamed answer needs it.
func (r *recorder) Flush() { _ = http.NewResponseController(r.ResponseWriter).Flush() }

// Unwrap lets http.ResponseController reach the connection.
func (r *recorder) Unwrap() http.ResponseWriter { return r.ResponseWriter }
