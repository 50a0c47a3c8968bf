package api

import (
	"context"
	"io"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"drumline/api/wire"
	"drumline/domain"
)

// maxToken bounds a bearer token in bytes.
const maxToken = 4096

// guard runs before anything of a request is parsed: who, may they, then
// whether the request can be read at all.
func (e *Edge) guard(r *route) func(huma.Context, func(huma.Context)) {
	return func(ctx huma.Context, next func(huma.Context)) {
		f := factsOf(ctx.Context())
		f.route = r.Path
		if err := e.admit(ctx.Context(), f, r); err != nil {
			f.tellLimits(ctx)
			refuse(ctx, f, e.problem(ctx.Context(), err))
			return
		}
		f.tellLimits(ctx)
		leave, err := e.enterOpen(ctx.Context(), f)
		if err != nil {
			refuse(ctx, f, e.problem(ctx.Context(), err))
			return
		}
		defer leave()
		if len(r.offers) > 1 {
			ctx.AppendHeader("Vary", "Accept")
		}
		if inm := single(f.request.Header, "If-None-Match"); inm != "" && r.Method == http.MethodGet {
			ctx = &conditional{humaContext: ctx, inm: inm, packed: r.Compress}
		}
		if len(r.Consumes) > 0 {
			_ = ctx.SetReadDeadline(time.Now().Add(r.BodyTimeout)) // huma does it for bodies it reads itself
		}
		next(ctx)
	}
}

func (e *Edge) admit(ctx context.Context, f *facts, r *route) error {
	for _, step := range []func(*facts, *route) error{
		func(f *facts, r *route) error { return e.authorize(ctx, f, r) },
		checkPath, checkQuery, checkBody, checkAccept, checkHeaders,
	} {
		if err := step(f, r); err != nil {
			return err
		}
	}
	return nil
}

// authorize finds out who acts and whether their role may.
func (e *Edge) authorize(ctx context.Context, f *facts, r *route) error {
	f.principal.Request = f.id
	if r.Public {
		return e.charge(f)
	}
	p, err := e.identify(ctx, f)
	if err != nil {
		if over := e.charge(f); over != nil { // who tries tokens is counted like who tries passwords
			return over
		}
		return err
	}
	p.Needs, p.Request = r.Roles, f.id
	f.principal = p
	if err := e.charge(f); err != nil {
		return err
	}
	if !r.Roles.Allow(p.Role) {
		return wire.NewProblem(http.StatusForbidden)
	}
	return nil
}

func (e *Edge) identify(ctx context.Context, f *facts) (domain.Principal, error) {
	token, err := bearer(f.request.Header)
	if err != nil {
		return domain.Principal{}, err
	}
	return e.Authenticate(ctx, token)
}

// bearer reads the one Authorization header (RFC 6750, 2.1). Tokens in the
// query or the body are not looked for.
func bearer(h http.Header) (string, error) {
	values := h.Values("Authorization")
	if len(values) != 1 {
		return "", wire.NewProblem(http.StatusUnauthorized)
	}
	scheme, token, _ := strings.Cut(values[0], " ")
	if !strings.EqualFold(scheme, "Bearer") || token == "" || len(token) > maxToken || strings.IndexFunc(token, notToken) >= 0 {
		return "", wire.NewProblem(http.StatusUnauthorized)
	}
	return token, nil
}

// notToken tells characters outside of token68 (RFC 9110, 11.2).
func notToken(c rune) bool {
	switch {
	case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9':
		return false
	}
	return !strings.ContainsRune("-._~+/=", c)
}

// clean says whether a text can be stored: valid UTF-8 without U+0000.
func clean(s string) bool { return utf8.ValidString(s) && strings.IndexByte(s, 0) < 0 }

func checkPath(f *facts, _ *route) error {
	if !clean(f.request.URL.Path) {
		return domain.Absent()
	}
	return nil
}

// checkQuery refuses what url.URL.Query would drop in silence, and a parameter
// that stands twice. Unknown names are refused by huma.
func checkQuery(f *facts, _ *route) error {
	q, err := url.ParseQuery(f.request.URL.RawQuery)
	if err != nil {
		return wire.Refuse(http.StatusBadRequest, "The query of the address is malformed.")
	}
	for name, values := range q {
		if len(values) > 1 {
			return wire.Refuse(http.StatusBadRequest, "A query parameter may stand once.")
		}
		if !clean(name) || !clean(values[0]) {
			return wire.Refuse(http.StatusBadRequest, "The query of the address is not valid UTF-8, or holds U+0000.")
		}
	}
	f.query = q
	return nil
}

// checkBody lets only bodies through that the operation reads, and bounds the
// streamed ones, which huma does not.
func checkBody(f *facts, r *route) error {
	req := f.request
	if len(req.Header.Values("Content-Encoding")) > 0 {
		return wire.NewProblem(http.StatusUnsupportedMediaType).WithHeader("Accept-Encoding", "identity")
	}
	if req.ContentLength == 0 {
		return nil // a missing body is told of by huma
	}
	if len(r.accepts) == 0 {
		return wire.Refuse(http.StatusBadRequest, "This operation takes no request body.")
	}
	if !readable(req.Header.Values("Content-Type"), r.accepts) {
		return wire.NewProblem(http.StatusUnsupportedMediaType).WithHeader("Accept", strings.Join(r.accepts, ", "))
	}
	if req.ContentLength > r.MaxBody {
		return tooLarge(r.MaxBody)
	}
	if len(r.Consumes) > 0 {
		req.Body = http.MaxBytesReader(nil, req.Body, r.MaxBody)
	}
	return nil
}

func tooLarge(limit int64) *wire.Problem {
	return wire.Refuse(http.StatusRequestEntityTooLarge, "The request body is larger than the "+strconv.FormatInt(limit, 10)+" bytes this operation reads.")
}

// readable says whether the one Content-Type is among accepts, in UTF-8.
func readable(header []string, accepts []string) bool {
	if len(header) != 1 {
		return false
	}
	kind, params, err := mime.ParseMediaType(header[0])
	if err != nil || !slices.Contains(accepts, kind) {
		return false
	}
	charset, given := params["charset"]
	if given {
		delete(params, "charset")
	}
	return len(params) == 0 && (!given || strings.EqualFold(charset, "utf-8"))
}

func checkAccept(f *facts, r *route) error {
	if len(r.offers) == 0 {
		return nil
	}
	var ok bool
	f.offer, ok = wire.Choose(strings.Join(f.request.Header.Values("Accept"), ","), r.offers...)
	if !ok {
		return wire.NewProblem(http.StatusNotAcceptable)
	}
	return nil
}

// checkHeaders reads the headers an operation demands.
func checkHeaders(f *facts, r *route) (err error) {
	if r.Idempotent {
		f.idempotency, err = wire.IdempotencyKey(single(f.request.Header, "Idempotency-Key"))
		if err != nil {
			return err
		}
	}
	if r.IfMatch {
		f.ifMatch, err = wire.IfMatch(single(f.request.Header, "If-Match"))
	}
	return err
}

// single joins a header that stands several times, as RFC 9110, 5.3 has it; a
// reader that takes no list refuses the result.
func single(h http.Header, name string) string { return strings.Join(h.Values(name), ", ") }

// refuse answers before the operation runs.
func refuse(ctx huma.Context, f *facts, p *wire.Problem) {
	writeProblem(&humaWriter{ctx: ctx, header: http.Header{}}, f, p)
}

// humaWriter lets writeProblem write to a huma.Context.
type humaWriter struct {
	ctx    huma.Context
	header http.Header
}

// Header collects what WriteHeader sends.
func (w *humaWriter) Header() http.Header { return w.header }

// WriteHeader sends headers and status.
func (w *humaWriter) WriteHeader(status int) {
	for name, values := range w.header {
		w.ctx.SetHeader(name, strings.Join(values, ", "))
	}
	w.ctx.SetStatus(status)
}

// Write sends the body.
func (w *humaWriter) Write(b []byte) (int, error) { return w.ctx.BodyWriter().Write(b) }

// humaContext gives the embedded field a name that is no method of it.
type humaContext = huma.Context

// conditional answers 304 when the ETag an operation sets is one the client
// has already.
type conditional struct {
	humaContext
	inm    string
	packed bool // the answer has a tag for its gzip form too
	match  bool
	not    bool
}

// SetHeader watches for the ETag. A client that has the gzip form is told the
// tag of that form again.
func (c *conditional) SetHeader(name, value string) {
	if strings.EqualFold(name, "ETag") {
		c.match = wire.NotModified(c.inm, value)
		if gzip := wire.GzipTag(value); c.packed && !c.match && wire.NotModified(c.inm, gzip) {
			c.match, value = true, gzip
		}
	}
	c.humaContext.SetHeader(name, value)
}

// SetStatus turns 200 into 304.
func (c *conditional) SetStatus(status int) {
	if status == http.StatusOK && c.match {
		status, c.not = http.StatusNotModified, true
	}
	c.humaContext.SetStatus(status)
}

// BodyWriter throws the body of a 304 away.
func (c *conditional) BodyWriter() io.Writer {
	if c.not {
		return io.Discard
	}
	return c.humaContext.BodyWriter()
}

// Unwrap lets the adapter find its own context.
func (c *conditional) Unwrap() huma.Context { return c.humaContext }
