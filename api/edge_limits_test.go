package api

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api/wire"
	"drumline/domain"
)

// limitRig is an edge with limits: a person is named by their token, shop and
// number; /v1/slow holds its place until a token of release comes.
type limitRig struct {
	t       *testing.T
	handler http.Handler
	now     atomic.Pointer[time.Time]
	working chan struct{}
	release chan struct{}
}

func newLimitRig(t *testing.T, s LimitSettings, proxies ...netip.Prefix) *limitRig {
	r := &limitRig{t: t, working: make(chan struct{}, 100), release: make(chan struct{})}
	r.at(time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC))
	e := NewEdge(Info{Title: "Limited"})
	e.Log, e.Now, e.Limits = slog.New(slog.DiscardHandler), func() time.Time { return *r.now.Load() }, NewLimits(s)
	e.TrustProxies(proxies)
	e.Authenticate = func(_ context.Context, token string) (domain.Principal, error) {
		var shop, person byte
		if _, err := fmt.Sscanf(token, "s%dp%d", &shop, &person); err != nil {
			return domain.Principal{}, domain.Errorf(domain.Unauthenticated, "Sign in again.")
		}
		return domain.Principal{Shop: domain.ID{shop}, Person: domain.ID{person}, Role: domain.Tech}, nil
	}
	wait := func(ctx context.Context, _ *struct{}) (*struct{}, error) {
		r.working <- struct{}{}
		select {
		case <-r.release:
		case <-ctx.Done():
		}
		return nil, nil
	}
	register(e, Op{ID: "quick", Method: "GET", Path: "/v1/quick", Roles: domain.Anyone()}, doNothing)
	register(e, Op{ID: "owners", Method: "GET", Path: "/v1/owners", Roles: domain.Roles{domain.Owner}}, doNothing)
	register(e, Op{ID: "open", Method: "GET", Path: "/v1/open", Public: true}, doNothing)
	register(e, Op{ID: "slow", Method: "GET", Path: "/v1/slow", Roles: domain.Anyone()}, wait)
	register(e, Op{ID: "follow", Method: "GET", Path: "/v1/follow", Roles: domain.Anyone(), Waits: true}, wait)
	r.handler = e.Handler()
	return r
}

func (r *limitRig) at(t time.Time) { r.now.Store(&t) }

func (r *limitRig) pass(d time.Duration) { r.at(r.now.Load().Add(d)) }

// ask sends a GET as a token from an address; pairs are headers.
func (r *limitRig) ask(path, token, address string, pairs ...string) *httptest.ResponseRecorder {
	req := httptest.NewRequestWithContext(r.t.Context(), "GET", path, nil)
	req.RemoteAddr = netip.AddrPortFrom(netip.MustParseAddr(address), 4711).String()
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		req.Header.Set(pairs[i], pairs[i+1])
	}
	rec := httptest.NewRecorder()
	r.handler.ServeHTTP(rec, req)
	return rec
}

func TestQuotaOfAPerson(t *testing.T) {
	r := newLimitRig(t, LimitSettings{Person: 3, Shop: 5})
	first := r.ask("/v1/quick", "s1p1", "192.0.2.1")
	require.Equal(t, 204, first.Code)
	require.Equal(t, `"person";q=3;w=60, "shop";q=5;w=60`, first.Header().Get("RateLimit-Policy"))
	require.Equal(t, `"person";r=2;t=20, "shop";r=4;t=12`, first.Header().Get("RateLimit"))
	r.ask("/v1/quick", "s1p1", "192.0.2.1")
	require.Equal(t, 403, r.ask("/v1/owners", "s1p1", "192.0.2.1").Code, "what is refused counts")

	over := r.ask("/v1/quick", "s1p1", "192.0.2.9")
	require.Equal(t, 429, over.Code, "whatever the address")
	require.Equal(t, "20", over.Header().Get("Retry-After"))
	require.Equal(t, `"person";r=0;t=60`, over.Header().Get("RateLimit"))
	require.Equal(t, wire.ProblemType, over.Header().Get("Content-Type"))
	var p wire.Problem
	require.NoError(t, wire.Unmarshal(over.Body.Bytes(), &p))
	require.Equal(t, "https://iana.org/assignments/http-problem-types#quota-exceeded", p.Type)
	require.Equal(t, []string{"person"}, p.ViolatedPolicies)

	require.Equal(t, 204, r.ask("/v1/quick", "s1p2", "192.0.2.1").Code, "a colleague works on")
	require.Equal(t, `"person";r=2;t=20, "shop";r=4;t=12`, r.ask("/v1/quick", "s2p1", "192.0.2.1").Header().Get("RateLimit"), "a person of another shop")
	r.pass(20 * time.Second)
	require.Equal(t, 204, r.ask("/v1/quick", "s1p1", "192.0.2.1").Code, "as long as Retry-After said")
}

func TestQuotaOfAShop(t *testing.T) {
	r := newLimitRig(t, LimitSettings{Shop: 4})
	for person := range 4 {
		require.Equal(t, 204, r.ask("/v1/quick", fmt.Sprintf("s1p%d", person+1), "192.0.2.1").Code)
	}
	require.Equal(t, 429, r.ask("/v1/quick", "s1p9", "192.0.2.1").Code)
	require.Equal(t, 204, r.ask("/v1/quick", "s2p1", "192.0.2.1").Code, "another shop does not notice")
}

func TestQuotaOfAnAddress(t *testing.T) {
	r := newLimitRig(t, LimitSettings{Address: 3, Person: 100})
	require.Equal(t, 204, r.ask("/v1/open", "", "192.0.2.1").Code)
	require.Equal(t, 401, r.ask("/v1/quick", "guess", "192.0.2.1").Code)
	require.Equal(t, 401, r.ask("/v1/quick", "", "192.0.2.1").Code)
	require.Equal(t, 429, r.ask("/v1/open", "", "192.0.2.1").Code, "guessed tokens count")
	require.Equal(t, 429, r.ask("/v1/quick", "guess", "192.0.2.1").Code)
	require.Equal(t, 429, r.ask("/v1/open", "", "192.0.2.1", "X-Forwarded-For", "198.51.100.7").Code, "nobody invents an address")
	require.Equal(t, 204, r.ask("/v1/quick", "s1p1", "192.0.2.1").Code, "who is signed in pays for themselves")
	require.Equal(t, 204, r.ask("/v1/open", "", "192.0.2.2").Code)
	for i := range 3 {
		require.Equal(t, 204, r.ask("/v1/open", "", fmt.Sprintf("2001:db8::%d", i+1)).Code)
	}
	require.Equal(t, 429, r.ask("/v1/open", "", "2001:db8::ffff").Code, "a /64 is one customer")
	require.Equal(t, 204, r.ask("/v1/open", "", "2001:db8:0:1::1").Code)
}

func TestAddressBehindAProxy(t *testing.T) {
	r := newLimitRig(t, LimitSettings{Address: 1}, netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("::1/128"))
	require.Equal(t, 204, r.ask("/v1/open", "", "10.0.0.1", "X-Forwarded-For", "198.51.100.7").Code)
	require.Equal(t, 204, r.ask("/v1/open", "", "::1", "X-Forwarded-For", "198.51.100.8, 10.2.2.2").Code)
	require.Equal(t, 429, r.ask("/v1/open", "", "10.0.0.1", "X-Forwarded-For", "203.0.113.5, 198.51.100.7").Code, "what the client put before does not count")
	require.Equal(t, 204, r.ask("/v1/open", "", "127.0.0.1", "X-Forwarded-For", "198.51.100.9").Code)
	require.Equal(t, 429, r.ask("/v1/open", "", "127.0.0.1", "X-Forwarded-For", "198.51.100.10").Code, "no trust without a setting")
}

// A shop that floods has its own places; another shop's request is answered at
// once while all of them are taken.
func TestOneShopLeavesRoomForAnother(t *testing.T) {
	r := newLimitRig(t, LimitSettings{AtOnce: 2})
	codes := make(chan int, 10)
	flood := func(n int) {
		for range n {
			go func() { codes <- r.ask("/v1/slow", "s1p1", "192.0.2.1").Code }()
		}
	}
	flood(6)
	<-r.working
	<-r.working
	for range 2 {
		require.Equal(t, 503, <-codes, "two work, two wait, two are too many")
	}
	start := time.Now()
	require.Equal(t, 204, r.ask("/v1/quick", "s2p1", "192.0.2.1").Code)
	require.Less(t, time.Since(start), time.Second)
	busy := r.ask("/v1/quick", "s1p2", "192.0.2.1")
	require.Equal(t, 503, busy.Code)
	require.NotEmpty(t, busy.Header().Get("Retry-After"))
	for range 4 {
		r.release <- struct{}{}
	}
	for range 4 {
		require.Equal(t, 204, <-codes, "who waited had their turn")
	}
	require.Equal(t, 204, r.ask("/v1/quick", "s1p1", "192.0.2.1").Code, "all places are free again")
}

// Requests that only wait for news take no place at work.
func TestFollowersTakeNoPlaceAtWork(t *testing.T) {
	r := newLimitRig(t, LimitSettings{AtOnce: 1})
	done := make(chan int, 3)
	for range 3 {
		go func() { done <- r.ask("/v1/follow", "s1p1", "192.0.2.1").Code }()
		<-r.working
	}
	require.Equal(t, 204, r.ask("/v1/quick", "s1p1", "192.0.2.1").Code)
	close(r.release)
	for range 3 {
		require.Equal(t, 204, <-done)
	}
}

// No shop can have all places of the whole service, bodies under way included.
func TestOpenRequestsAreBounded(t *testing.T) {
	r := newLimitRig(t, LimitSettings{Open: 8})
	done := make(chan int, 9)
	hold := func(token string) {
		go func() { done <- r.ask("/v1/follow", token, "192.0.2.1").Code }()
		<-r.working
	}
	hold("s1p1")
	require.Equal(t, 503, r.ask("/v1/quick", "s1p2", "192.0.2.1").Code, "an eighth for each shop")
	for shop := 2; shop <= 8; shop++ {
		hold(fmt.Sprintf("s%dp1", shop))
	}
	full := r.ask("/v1/quick", "s9p1", "192.0.2.1")
	require.Equal(t, 503, full.Code)
	require.Equal(t, "5", full.Header().Get("Retry-After"))
	close(r.release)
	for range 8 {
		require.Equal(t, 204, <-done)
	}
	require.Equal(t, 204, r.ask("/v1/quick", "s9p1", "192.0.2.1").Code)
}

// Places are given back when an operation panics.
func TestPanicLeavesItsPlace(t *testing.T) {
	e := NewEdge(Info{Title: "Limited"})
	e.Log, e.Authenticate, e.Limits = slog.New(slog.NewJSONHandler(io.Discard, nil)), rigTokens, NewLimits(LimitSettings{AtOnce: 1, Open: 1})
	register(e, Op{ID: "panic", Method: "GET", Path: "/v1/panic", Public: true}, func(context.Context, *struct{}) (*struct{}, error) { panic("odd") })
	h := e.Handler()
	for range 3 {
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), "GET", "/v1/panic", nil))
		require.Equal(t, 500, rec.Code)
	}
}

// Without limits nothing is bounded and nothing is told.
func TestNoLimits(t *testing.T) {
	r := newLimitRig(t, LimitSettings{})
	for range 300 {
		rec := r.ask("/v1/open", "", "192.0.2.1")
		require.Equal(t, 204, rec.Code)
		require.Empty(t, rec.Header().Get("RateLimit"))
	}
}
