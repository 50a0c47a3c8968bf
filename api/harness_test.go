package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api"
	"drumline/api/apitest"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/people"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
)

// world is the whole service on a database of its own, with two shops.
type world struct {
	t      *testing.T
	api    *api.API
	edge   *api.Edge
	db     *pgtest.DB
	pool   *pg.DB
	server *httptest.Server
	valid  *apitest.Validator
	a, b   shop
	clock  *clock
	logs   *logBuffer
}

// shop is a shop with a client for each of its people.
type shop struct {
	id                            domain.ID
	code                          string
	owner, dispatcher, tech, mate *client // mate is a second tech
}

// client speaks as one person, and checks each answer against the document.
type client struct {
	w       *world
	id      domain.ID
	email   string
	token   string
	refresh string
}

const testPassword = "correct horse 42"

// clock is the service's time: real time plus what a test adds, until a test
// stops it.
type clock struct {
	mu      sync.Mutex
	shift   time.Duration
	stopped time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.stopped.IsZero() {
		return c.stopped
	}
	return time.Now().Add(c.shift)
}

// stop makes it t from now on.
func (c *clock) stop(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stopped = t
}

func (c *clock) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.shift += d
}

// logBuffer keeps what the service logged.
type logBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// newWorld starts the service with the pool's usual size.
func newWorld(t *testing.T) *world { return newWorldOn(t, pgtest.New(t), 8) }

// newWorldOn starts the service on a database with so many connections.
func newWorldOn(t *testing.T, db *pgtest.DB, conns int32) *world {
	return newWorldFor(t, db, conns, 10*time.Minute)
}

// newLongWorld starts a service whose people stay signed in for years, for
// tests that let them pass.
func newLongWorld(t *testing.T) *world { return newWorldFor(t, pgtest.New(t), 8, 10*365*24*time.Hour) }

func newWorldFor(t *testing.T, db *pgtest.DB, conns int32, life time.Duration) *world {
	t.Helper()
	w := &world{t: t, db: db, clock: &clock{}, logs: &logBuffer{}}
	var err error
	w.pool, err = pg.Open(t.Context(), db.AppURL, pg.Options{Access: people.Access, MaxConns: conns})
	require.NoError(t, err)
	t.Cleanup(w.pool.Close)
	cat, err := catalogue.Open()
	require.NoError(t, err)
	w.api = api.New(api.Deps{DB: w.pool, Keys: people.NewKeyring("drumline-test", "k1"), Hasher: people.NewWeakHasher(),
		Catalogue: cat, Now: w.clock.now, AccessLife: life})
	w.edge = w.api.Edge("test", slog.New(slog.NewJSONHandler(w.logs, nil)))
	doc := w.edge.OpenAPI()
	w.valid, err = apitest.New(doc)
	require.NoError(t, err)
	w.server = httptest.NewServer(w.edge.Handler())
	t.Cleanup(w.server.Close)
	w.a, w.b = w.newShop("alder-lane"), w.newShop("birch-yard")
	return w
}

// newShop makes a shop with an owner, and invites the others as a shop would.
func (w *world) newShop(code string) shop {
	w.t.Helper()
	made, _, err := w.api.People.CreateShop(context.Background(), people.NewShop{Code: code, Name: "Shop " + code, TimeZone: "America/Denver",
		OwnerName: "Olive Owner", Email: "olive@" + code + ".example", Password: testPassword})
	require.NoError(w.t, err)
	s := shop{id: made.ID, code: code}
	s.owner = w.signIn(code, "olive@"+code+".example", testPassword)
	s.dispatcher = w.join(s.owner, "dara", "dispatcher", code)
	s.tech = w.join(s.owner, "tam", "tech", code)
	s.mate = w.join(s.owner, "mika", "tech", code)
	return s
}

func (w *world) signIn(code, email, password string) *client {
	w.t.Helper()
	c := &client{w: w, email: email}
	return c.took(c.do("POST", "/v1/sessions", map[string]any{"shop": code, "email": email, "password": password}).want(201))
}

// took makes c the person of a session.
func (c *client) took(a answer) *client {
	c.token, c.refresh = a.str("access_token"), a.str("refresh_token")
	id, err := domain.ParseID(a.str("person_id"))
	require.NoError(c.w.t, err)
	c.id = id
	return c
}

func (w *world) join(owner *client, name, role, code string) *client {
	w.t.Helper()
	email := name + "@" + code + ".example"
	inv := owner.do("POST", "/v1/invitations", map[string]any{"name": name, "email": email, "role": role}).want(201)
	c := &client{w: w, email: email}
	return c.took(c.do("POST", "/v1/invitations/accept", map[string]any{"token": inv.str("token"), "password": testPassword}).want(201))
}

// answer is one response.
type answer struct {
	t      *testing.T
	what   string
	status int
	header http.Header
	raw    []byte
	body   map[string]any
}

// do sends a request as this person. A POST gets a fresh Idempotency-Key. body
// may be nil, a string sent as it is, or a value. headers are pairs; an empty
// value removes one.
func (c *client) do(method, path string, body any, headers ...string) answer {
	c.w.t.Helper()
	a := c.send(c.request(method, path, body, headers...))
	if a.status >= 500 {
		c.w.t.Log(c.w.logs.String())
	}
	err := c.w.valid.Response(method, strings.SplitN(path, "?", 2)[0], a.status, a.header, a.raw)
	require.NoError(c.w.t, err, "%s: %s", a.what, a.raw)
	return a
}

// send sends a request without comparing the answer with the document.
func (c *client) send(req *http.Request) answer {
	c.w.t.Helper()
	res, err := c.w.server.Client().Do(req)
	require.NoError(c.w.t, err)
	defer func() { _ = res.Body.Close() }()
	raw, err := io.ReadAll(res.Body)
	require.NoError(c.w.t, err)
	a := answer{t: c.w.t, what: req.Method + " " + req.URL.Path, status: res.StatusCode, header: res.Header, raw: raw}
	_ = json.Unmarshal(raw, &a.body) // an answer without a JSON object has no body here
	return a
}

var keyCounter atomic.Int64

// request builds a request of this person.
func (c *client) request(method, path string, body any, headers ...string) *http.Request {
	c.w.t.Helper()
	var r io.Reader
	switch b := body.(type) {
	case nil:
	case string:
		r = strings.NewReader(b)
	default:
		j, err := json.Marshal(b)
		require.NoError(c.w.t, err)
		r = bytes.NewReader(j)
	}
	req, err := http.NewRequestWithContext(c.w.t.Context(), method, c.w.server.URL+path, r)
	require.NoError(c.w.t, err)
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	if r != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if method == http.MethodPost {
		req.Header.Set("Idempotency-Key", fmt.Sprintf("key-%d", keyCounter.Add(1)))
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i+1] == "" {
			req.Header.Del(headers[i])
			continue
		}
		req.Header.Set(headers[i], headers[i+1])
	}
	return req
}

// get reads and expects 200.
func (c *client) get(path string) answer {
	c.w.t.Helper()
	return c.do("GET", path, nil).want(200)
}

// post creates and expects 201.
func (c *client) post(path string, body any) answer {
	c.w.t.Helper()
	return c.do("POST", path, body).want(201)
}

// want fails unless the status is status.
func (a answer) want(status int) answer {
	a.t.Helper()
	require.Equal(a.t, status, a.status, "%s: %s", a.what, a.raw)
	return a
}

// at walks the body: strings name members, ints items.
func (a answer) at(path ...any) any {
	a.t.Helper()
	var v any = a.body
	for _, p := range path {
		switch k := p.(type) {
		case string:
			m, ok := v.(map[string]any)
			require.True(a.t, ok, "%s: no object at %v in %s", a.what, path, a.raw)
			v = m[k]
		case int:
			l, ok := v.([]any)
			require.True(a.t, ok && k < len(l), "%s: no item at %v in %s", a.what, path, a.raw)
			v = l[k]
		}
	}
	return v
}

// str is the string at path.
func (a answer) str(path ...any) string {
	a.t.Helper()
	s, ok := a.at(path...).(string)
	require.True(a.t, ok, "%s: no string at %v in %s", a.what, path, a.raw)
	return s
}

// id is the id member of a resource.
func (a answer) id() string {
	a.t.Helper()
	return a.str("id")
}

// etag is the ETag header.
func (a answer) etag() string { return a.header.Get("ETag") }

// fields lists "pointer code" of a problem's errors.
func (a answer) fields() []string {
	a.t.Helper()
	var out []string
	errs, _ := a.body["errors"].([]any)
	for _, e := range errs {
		m, _ := e.(map[string]any)
		out = append(out, fmt.Sprintf("%v %v", m["pointer"], m["code"]))
	}
	return out
}

// house is a customer with a site and an electric dryer.
type house struct{ customer, site, unit string }

// newHouse stores one for the shop.
func (s shop) newHouse() house {
	s.dispatcher.w.t.Helper()
	var h house
	h.customer = s.dispatcher.post("/v1/customers", map[string]any{"name": "Wren Ashby", "email": "wren@ashby.example", "phone": "555 0142"}).id()
	h.site = s.dispatcher.post("/v1/sites", map[string]any{"customer_id": h.customer, "address": "14 Mill Road", "postal_code": "80014"}).id()
	h.unit = s.dispatcher.post("/v1/units", map[string]any{"site_id": h.site, "kind": "electric_dryer", "model": "QX-410", "serial": "S1",
		"supply_volts": 240, "supply_wires": 4, "breaker_amps": 30, "rated_watts": 5200, "features": []string{"bias_heater", "thermistor", "low_setting"},
		"installed_on": "2021-05-20"}).id()
	return h
}
