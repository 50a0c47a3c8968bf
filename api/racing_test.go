package api_test

import (
	"fmt"
	"net/http"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// together sends the same request n times at once and counts the statuses.
func together(c *client, n int, build func(i int) *http.Request) (map[int]int, []answer) {
	var mu sync.Mutex
	counts := map[int]int{}
	var answers []answer
	var wg sync.WaitGroup
	for i := range n {
		req := build(i)
		wg.Go(func() {
			a := c.send(req)
			mu.Lock()
			defer mu.Unlock()
			counts[a.status]++
			answers = append(answers, a)
		})
	}
	wg.Wait()
	return counts, answers
}

// TestSameKeyAtOnce: one request has its effect, each other gets the same
// bytes or hears that it is under way.
func TestSameKeyAtOnce(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	counts, answers := together(d, 100, func(int) *http.Request {
		return d.request("POST", "/v1/customers", map[string]any{"name": "Once Only"}, "Idempotency-Key", "same")
	})
	require.Equal(t, 100, counts[201]+counts[409], "%v", counts)
	var first string
	for _, a := range answers {
		if a.status != 201 {
			continue
		}
		if first == "" {
			first = string(a.raw)
		}
		require.Equal(t, first, string(a.raw))
	}
	require.Len(t, d.get("/v1/customers").at("items"), 1)
	again := d.do("POST", "/v1/customers", map[string]any{"name": "Once Only"}, "Idempotency-Key", "same").want(201)
	require.Equal(t, first, string(again.raw))
}

// TestSameETagAtOnce: one change is made, the others are told to read again.
func TestSameETagAtOnce(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	made := d.post("/v1/customers", map[string]any{"name": "Many Hands"})
	counts, _ := together(d, 12, func(i int) *http.Request {
		return d.request("PATCH", "/v1/customers/"+made.id(), map[string]any{"note": fmt.Sprint(i)}, "If-Match", made.etag())
	})
	require.Equal(t, map[int]int{200: 1, 412: 11}, counts)
	require.Equal(t, `"2"`, d.get("/v1/customers/"+made.id()).etag())
}

// TestCloseAgainstRecord: a call that closes takes no reading afterwards, and
// no request fails for the race.
func TestCloseAgainstRecord(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	visit := s.get("visit")
	counts, _ := together(w.a.tech, 9, func(i int) *http.Request {
		if i == 4 {
			return w.a.dispatcher.request("POST", "/v1/calls/"+s.get("call")+"/close", map[string]any{"outcome": "no_access", "note": "left"}, "If-Match", "*")
		}
		return w.a.tech.request("POST", "/v1/visits/"+visit+"/readings", map[string]any{"check": "hood_look", "phase": "as_found",
			"values": []any{map[string]any{"input": "result", "choice": "full_flow"}}})
	})
	require.Equal(t, 1, counts[200], "%v", counts)
	require.Equal(t, 8, counts[201]+counts[409], "%v", counts)
	require.Len(t, w.a.tech.get("/v1/calls/"+s.get("call")+"/readings").at("items"), counts[201])
}
