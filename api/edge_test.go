package api

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/stretchr/testify/require"

	"drumline/api/apitest"
	"drumline/api/wire"
	"drumline/domain"
)

// thing is the invented resource of the test edge.
type thing struct {
	ID    domain.ID    `json:"id"`
	Name  string       `json:"name"`
	DueOn domain.Date  `json:"due_on"`
	At    wire.Time    `json:"made_at"`
	Value wire.Decimal `json:"value"`
	Tags  []string     `json:"tags"`
}

type newThing struct {
	Name  string       `json:"name" minLength:"1" maxLength:"10"`
	Mail  string       `json:"mail,omitzero" format:"email"`
	Kind  string       `json:"kind,omitzero" enum:"washer,dryer"`
	Count int          `json:"count,omitzero" minimum:"0" maximum:"9"`
	DueOn domain.Date  `json:"due_on,omitzero"`
	Value wire.Decimal `json:"value,omitzero"`
	Parts []newPart    `json:"parts,omitempty" maxItems:"3"`
}

type newPart struct {
	Number string `json:"number" maxLength:"5"`
}

type patchThing struct {
	Name wire.Opt[string]      `json:"name,omitzero" maxLength:"10"`
	Due  wire.Opt[domain.Date] `json:"due_on,omitzero"`
	Kind wire.Opt[string]      `json:"kind,omitzero" enum:"washer,dryer"`
	Part wire.Opt[newPart]     `json:"part,omitzero"`
}

type thingOut struct {
	ETag     string `header:"ETag"`
	Location string `header:"Location"`
	Body     thing
}

type idIn struct {
	ID domain.ID `path:"id"`
}

type listIn struct {
	Status   string `query:"status" enum:"open,closed"`
	PageSize int    `query:"page_size"`
	Cursor   string `query:"cursor"`
}

type thingList struct {
	Items      []thing `json:"items"`
	NextCursor string  `json:"next_cursor,omitzero"`
}

type listOut struct {
	Link string `header:"Link"`
	Body thingList
}

type messageOut struct {
	Body struct {
		Message string `json:"message"`
	}
}

var storedID = domain.ID{15: 1}

func stored() thing {
	return thing{ID: storedID, Name: "n", DueOn: domain.Date{Year: 2026, Month: 3, Day: 1}, At: wire.At(domain.Date{Year: 2026, Month: 3, Day: 1}.Time()), Value: wire.Decimal{Text: "12.50", Value: 12.5}}
}

// edgeRig is a test edge behind a real server.
type edgeRig struct {
	t      *testing.T
	edge   *Edge
	server *httptest.Server
	log    *lockedBuffer
	valid  *apitest.Validator
	mu     sync.Mutex
	access []Access
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func newEdgeRig(t *testing.T) *edgeRig {
	t.Helper()
	r := &edgeRig{t: t, edge: NewEdge(Info{Title: "Things", Version: "1", Description: "Invented."}), log: &lockedBuffer{}}
	r.edge.Log = slog.New(slog.NewJSONHandler(r.log, nil))
	r.edge.Authenticate = rigTokens
	r.edge.BodyTimeout = time.Second
	r.edge.Observe = func(a Access) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.access = append(r.access, a)
	}
	registerThings(r.edge)
	registerOdd(r.edge)
	r.edge.Mount("/livez", http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "ok") }))
	doc := r.edge.OpenAPI()
	var err error
	r.valid, err = apitest.New(doc)
	require.NoError(t, err)
	r.server = httptest.NewUnstartedServer(r.edge.Handler())
	r.server.Config = r.edge.Server("")
	r.server.Start()
	t.Cleanup(r.server.Close)
	return r
}

func rigTokens(_ context.Context, token string) (domain.Principal, error) {
	switch token {
	case "owner", "tech":
		return domain.Principal{Shop: domain.ID{1}, Person: domain.ID{2}, Role: domain.Role(token)}, nil
	case "broken":
		return domain.Principal{}, errors.New("secret of the database")
	}
	return domain.Principal{}, domain.Errorf(domain.Unauthenticated, "Sign in again.")
}

func registerThings(e *Edge) {
	cursors := wire.NewCursors([]byte("0123456789abcdef"))
	register(e, Op{ID: "list-things", Method: "GET", Path: "/v1/things", Roles: domain.Anyone()}, func(ctx context.Context, in *listIn) (*listOut, error) {
		size, err := wire.PageSize(in.PageSize)
		if err != nil {
			return nil, err
		}
		scope := wire.Scope{Shop: principal(ctx).Shop, Route: "/v1/things", Filter: url.Values{"status": {in.Status}}}
		after := 0
		if in.Cursor != "" {
			if err := cursors.Open(scope, in.Cursor, &after); err != nil {
				return nil, err
			}
		}
		next, err := cursors.Seal(scope, after+size)
		return &listOut{Link: nextLink(ctx, next), Body: thingList{NextCursor: next}}, err
	})
	register(e, Op{ID: "create-thing", Method: "POST", Path: "/v1/things", Roles: domain.Roles{domain.Owner}, Status: 201, MaxBody: 300, Idempotent: true},
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    newThing
		}) (*thingOut, error) {
			v := stored()
			v.Name, v.Value = in.Body.Name, in.Body.Value
			v.Tags = []string{idempotencyKey(ctx), string(principal(ctx).Role), fmt.Sprint(len(principal(ctx).Needs)), fmt.Sprint(len(in.RawBody) > 0)}
			return &thingOut{ETag: wire.ETag(1), Location: "/v1/things/" + v.ID.String(), Body: v}, nil
		})
	register(e, Op{ID: "get-thing", Method: "GET", Path: "/v1/things/{id}", Roles: domain.Anyone()}, func(_ context.Context, in *idIn) (*thingOut, error) {
		if in.ID != storedID {
			return nil, fmt.Errorf("things: %w", domain.Absent())
		}
		return &thingOut{ETag: wire.ETag(7), Body: stored()}, nil
	})
	register(e, Op{ID: "change-thing", Method: "PATCH", Path: "/v1/things/{id}", Roles: domain.Anyone(), IfMatch: true},
		func(ctx context.Context, in *struct {
			idIn
			Body patchThing
		}) (*thingOut, error) {
			if v := ifMatch(ctx); v != 7 && v != wire.AnyVersion {
				return nil, wire.NewProblem(412).WithHeader("ETag", wire.ETag(7))
			}
			v := stored()
			v.Name = in.Body.Name.Or(v.Name)
			v.DueOn = in.Body.Due.Or(v.DueOn)
			v.Tags = []string{fmt.Sprint(in.Body.Name.Set, in.Body.Name.Null), in.Body.Part.V.Number}
			if v.DueOn.IsZero() {
				v.DueOn = stored().DueOn
			}
			return &thingOut{ETag: wire.ETag(8), Body: v}, nil
		})
	register(e, Op{ID: "delete-thing", Method: "DELETE", Path: "/v1/things/{id}", Roles: domain.Anyone(), IfMatch: true},
		func(context.Context, *idIn) (*struct{}, error) { return nil, nil })
}

// registerOdd adds operations that go wrong, and bodies that are not JSON.
func registerOdd(e *Edge) {
	askGet := func(id string, h func(context.Context, *struct{}) (*messageOut, error)) {
		register(e, Op{ID: id, Method: "GET", Path: "/v1/" + id, Roles: domain.Anyone()}, h)
	}
	askGet("fail", func(context.Context, *struct{}) (*messageOut, error) {
		return nil, errors.New("secret: key (mail)=(x)")
	})
	askGet("panic", func(context.Context, *struct{}) (*messageOut, error) { panic("secret") })
	askGet("wait", func(ctx context.Context, _ *struct{}) (*messageOut, error) {
		<-ctx.Done()
		return nil, fmt.Errorf("store: %w", ctx.Err())
	})
	askGet("busy", func(context.Context, *struct{}) (*messageOut, error) {
		return nil, domain.Errorf(domain.Unavailable, "The database is starting.")
	})
	register(e, Op{ID: "nan", Method: "GET", Path: "/v1/nan", Roles: domain.Anyone()}, func(context.Context, *struct{}) (*struct{ Body struct{ V float64 } }, error) {
		return &struct{ Body struct{ V float64 } }{Body: struct{ V float64 }{math.NaN()}}, nil
	})
	register(e, Op{ID: "late", Method: "GET", Path: "/v1/late", Roles: domain.Anyone()}, func(context.Context, *struct{}) (*huma.StreamResponse, error) {
		return &huma.StreamResponse{Body: func(ctx huma.Context) {
			_, _ = io.WriteString(ctx.BodyWriter(), "half")
			ctx.BodyWriter().(http.Flusher).Flush()
			panic("late")
		}}, nil
	})
	register(e, Op{ID: "report", Method: "GET", Path: "/v1/report", Roles: domain.Anyone(), Produces: []string{jsonType, "text/csv"}},
		func(ctx context.Context, _ *struct{}) (*struct {
			ContentType string `header:"Content-Type"`
			Body        any
		}, error) {
			out := &struct {
				ContentType string `header:"Content-Type"`
				Body        any
			}{ContentType: offer(ctx), Body: map[string]int{"a": 1}}
			if offer(ctx) == "text/csv" {
				out.ContentType, out.Body = "text/csv; charset=utf-8; header=present", []byte("a\r\n1\r\n")
			}
			return out, nil
		})
	register(e, Op{ID: "raw", Method: "POST", Path: "/v1/raw", Roles: domain.Anyone(), MaxBody: 100},
		func(_ context.Context, in *struct {
			RawBody []byte `contentType:"text/csv"`
		}) (*struct{}, error) {
			return nil, nil
		})
	register(e, Op{ID: "series", Method: "POST", Path: "/v1/series", Roles: domain.Anyone(), SkipSchema: true},
		func(_ context.Context, in *struct{ Body series }) (*messageOut, error) {
			out := &messageOut{}
			out.Body.Message = fmt.Sprint(len(in.Body.Value))
			return out, nil
		})
	register(e, Op{ID: "stream", Method: "POST", Path: "/v1/stream", Roles: domain.Anyone(), MaxBody: 100, Consumes: []string{"application/x-ndjson"}},
		func(_ context.Context, in *streamIn) (*messageOut, error) {
			n, err := io.Copy(io.Discard, in.body)
			out := &messageOut{}
			out.Body.Message = fmt.Sprint(n)
			return out, err
		})
	register(e, Op{ID: "close", Method: "POST", Path: "/v1/close", Roles: domain.Anyone()}, func(context.Context, *struct{}) (*struct{}, error) { return nil, nil })
	register(e, Op{ID: "open", Method: "GET", Path: "/v1/open", Public: true}, func(ctx context.Context, _ *struct{}) (*messageOut, error) {
		out := &messageOut{}
		out.Body.Message = clientIP(ctx) + " " + requestID(ctx) + " " + principal(ctx).Request + " " + principal(ctx).Shop.String()
		return out, nil
	})
}

type series struct {
	Value []float64 `json:"value" maxItems:"1"`
}

type streamIn struct{ body io.Reader }

func (s *streamIn) Resolve(ctx huma.Context) []error {
	s.body = ctx.BodyReader()
	return nil
}

// ask is one request; the token is owner's unless a header says otherwise.
type edgeAsk struct {
	method, path, body string
	header             http.Header
}

func (a edgeAsk) with(name string, values ...string) edgeAsk {
	h := a.header.Clone()
	if h == nil {
		h = http.Header{}
	}
	h[http.CanonicalHeaderKey(name)] = values
	a.header = h
	return a
}

func askGet(path string) edgeAsk { return edgeAsk{method: "GET", path: path} }

func askPost(path, body string) edgeAsk {
	return edgeAsk{method: "POST", path: path, body: body}.with("Content-Type", jsonType).with("Idempotency-Key", `"k1"`)
}

func askPatch(body string) edgeAsk {
	return edgeAsk{method: "PATCH", path: "/v1/things/" + storedID.String(), body: body}.with("Content-Type", jsonType).with("If-Match", `"7"`)
}

type edgeAnswer struct {
	status int
	header http.Header
	body   string
}

// do sends a request and checks the answer against the document.
func (r *edgeRig) do(a edgeAsk) edgeAnswer {
	r.t.Helper()
	req, err := http.NewRequest(a.method, r.server.URL+a.path, strings.NewReader(a.body))
	require.NoError(r.t, err)
	if a.body == "" {
		req.Body, req.ContentLength = nil, 0
	}
	req.Header.Set("Authorization", "Bearer owner")
	for name, values := range a.header {
		req.Header[name] = values
	}
	resp, err := r.server.Client().Do(req)
	require.NoError(r.t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(r.t, err)
	out := edgeAnswer{resp.StatusCode, resp.Header, string(body)}
	r.check(a, req.URL.Path, out)
	return out
}

// check holds for every answer: the document knows it, and an error is a
// problem whose status is the status of the answer.
func (r *edgeRig) check(a edgeAsk, path string, out edgeAnswer) {
	r.t.Helper()
	require.Regexp(r.t, `^[A-Za-z0-9._-]{1,64}$`, out.header.Get("X-Request-Id"))
	require.Equal(r.t, "no-store", out.header.Get("Cache-Control"))
	require.Equal(r.t, "nosniff", out.header.Get("X-Content-Type-Options"))
	require.Empty(r.t, out.header.Get("Server"))
	if out.status >= 400 && a.method != http.MethodHead {
		require.Equal(r.t, wire.ProblemType, out.header.Get("Content-Type"))
		var p wire.Problem
		require.NoError(r.t, wire.Unmarshal([]byte(out.body), &p), out.body)
		require.Equal(r.t, out.status, p.Status)
		require.NotContains(r.t, out.body, "secret")
	}
	if strings.HasPrefix(path, "/v1/") && out.status != 405 && !strings.HasSuffix(path, "/") && a.method != "OPTIONS" {
		require.NoError(r.t, r.valid.Response(a.method, path, out.status, out.header, []byte(out.body)), out.body)
	}
}

func (r *edgeRig) problem(a edgeAsk) wire.Problem {
	r.t.Helper()
	var p wire.Problem
	require.NoError(r.t, wire.Unmarshal([]byte(r.do(a).body), &p))
	return p
}
