package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
)

// hour is an hour of the day all visits of these tests are on.
func hour(h int) string {
	return time.Date(2031, 4, 7, h, 0, 0, 0, time.UTC).Format(time.RFC3339)
}

func window(tech *client, from, to int) map[string]any {
	body := map[string]any{"starts_at": hour(from), "ends_at": hour(to)}
	if tech != nil {
		body["tech_id"] = tech.id.String()
	}
	return body
}

// book books a visit of a call from one hour to another, for nobody when tech
// is nil.
func (s shop) book(call string, tech *client, from, to int) answer {
	s.dispatcher.w.t.Helper()
	return s.dispatcher.do("POST", "/v1/calls/"+call+"/visits", window(tech, from, to))
}

// step takes a visit on, whatever its version.
func (c *client) step(visit, status string) answer {
	c.w.t.Helper()
	body := map[string]any{"status": status}
	if status == "cancelled" {
		body["reason"] = "Customer is away."
	}
	return c.do("POST", "/v1/visits/"+visit+"/status", body, "If-Match", "*")
}

func TestVisitLife(t *testing.T) {
	w := newWorld(t)
	d, tech := w.a.dispatcher, w.a.tech
	call := w.a.callFor(w.a.newHouse().unit).id()
	made := w.a.book(call, tech, 9, 11).want(201)
	path := "/v1/visits/" + made.id()
	require.Equal(t, path, made.header.Get("Location"))
	require.Equal(t, "booked", made.str("status"))
	require.Equal(t, hour(9), made.str("starts_at"))
	require.JSONEq(t, string(made.raw), string(d.get(path).raw))
	require.JSONEq(t, string(made.raw), string(tech.get(path).raw))

	version := made.etag()
	for _, status := range []string{"on_the_way", "on_site", "done"} {
		tech.do("POST", path+"/status", map[string]any{"status": "done"}, "If-Match", `"77"`).want(412)
		got := tech.do("POST", path+"/status", map[string]any{"status": status}, "If-Match", version).want(200)
		require.Equal(t, status, got.str("status"))
		tech.do("POST", path+"/status", map[string]any{"status": status}, "If-Match", "*").want(409)
		version = got.etag()
	}
	for _, status := range []string{"on_the_way", "on_site", "cancelled", "no_access"} {
		d.step(made.id(), status).want(409)
	}
	require.JSONEq(t, string(d.get(path).raw), string(tech.get(path).raw))
	require.Equal(t, []string{"booked", "status", "status", "status"}, d.get("/v1/visit-changes").column("change"))
	tech.do("GET", "/v1/visit-changes", nil).want(403)
}

func TestVisitsEndEarly(t *testing.T) {
	w := newWorld(t)
	d, tech := w.a.dispatcher, w.a.tech
	call := w.a.callFor(w.a.newHouse().unit).id()
	away := w.a.book(call, tech, 9, 10).want(201).id()
	d.do("POST", "/v1/visits/"+away+"/status", map[string]any{"status": "cancelled"}, "If-Match", "*").want(422)
	d.do("POST", "/v1/visits/"+away+"/status", map[string]any{"status": "on_the_way", "reason": "x"}, "If-Match", "*").want(422)
	d.do("POST", "/v1/visits/"+away+"/status", map[string]any{"status": "booked"}, "If-Match", "*").want(422)
	d.do("POST", "/v1/visits/"+away+"/status", map[string]any{"status": "on_the_way"}).want(428)
	tech.step(away, "cancelled").want(403)
	require.Equal(t, "Customer is away.", d.step(away, "cancelled").want(200).str("reason"))

	locked := w.a.book(call, tech, 9, 10).want(201).id() // a cancelled visit leaves its time free
	tech.step(locked, "no_access").want(409)
	tech.step(locked, "on_the_way").want(200)
	tech.step(locked, "on_site").want(200)
	d.step(locked, "cancelled").want(409)
	tech.do("POST", "/v1/visits/"+locked+"/status", map[string]any{"status": "no_access", "reason": "Gate locked."}, "If-Match", "*").want(200)

	nobody := w.a.book(call, nil, 9, 10).want(201)
	require.Nil(t, nobody.at("tech_id"))
	d.step(nobody.id(), "on_the_way").want(409)
	require.Equal(t, []string{"booked", "cancelled", "booked", "status", "status", "status", "booked"}, d.get("/v1/visit-changes").column("change"))
}

func TestNoTechIsInTwoPlaces(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	call := w.a.callFor(w.a.newHouse().unit).id()
	first := w.a.book(call, w.a.tech, 9, 11).want(201)
	for _, c := range [][2]int{{9, 11}, {10, 12}, {8, 10}, {8, 12}} {
		got := w.a.book(call, w.a.tech, c[0], c[1]).want(409)
		require.Contains(t, got.str("detail"), "already has a visit")
	}
	w.a.book(call, w.a.tech, 11, 12).want(201)
	w.a.book(call, w.a.tech, 8, 9).want(201)
	mates := w.a.book(call, w.a.mate, 9, 11).want(201)
	w.a.book(call, nil, 9, 11).want(201)
	w.a.book(call, nil, 9, 11).want(201)
	d.do("PATCH", "/v1/visits/"+mates.id(), map[string]any{"tech_id": w.a.tech.id.String()}, "If-Match", "*").want(409)
	d.do("PATCH", "/v1/visits/"+first.id(), map[string]any{"ends_at": hour(12)}, "If-Match", "*").want(409)
	require.JSONEq(t, string(first.raw), string(d.get("/v1/visits/"+first.id()).raw))
	require.Len(t, d.get("/v1/visit-changes").at("items"), 6, "a refused change leaves no trace in the feed")

	w.a.tech.step(first.id(), "on_the_way").want(200)
	w.a.tech.step(first.id(), "on_site").want(200)
	w.a.tech.step(first.id(), "done").want(200)
	w.a.book(call, w.a.tech, 9, 11).want(409) // time spent is spent
}

func TestMovingAVisit(t *testing.T) {
	w := newWorld(t)
	d, tech := w.a.dispatcher, w.a.tech
	call := w.a.callFor(w.a.newHouse().unit).id()
	made := w.a.book(call, tech, 9, 11).want(201)
	path := "/v1/visits/" + made.id()
	d.do("PATCH", path, map[string]any{"note": "x"}).want(428)
	moved := d.do("PATCH", path, map[string]any{"starts_at": hour(10), "ends_at": hour(12), "tech_id": w.a.mate.id.String(), "note": "Ring twice."},
		"If-Match", made.etag()).want(200)
	require.Equal(t, w.a.mate.id.String(), moved.str("tech_id"))
	require.JSONEq(t, string(moved.raw), string(d.get(path).raw))
	d.do("PATCH", path, map[string]any{"note": "y"}, "If-Match", made.etag()).want(412)
	tech.do("GET", path, nil).want(404)
	tech.do("PATCH", path, map[string]any{"note": "mine"}, "If-Match", "*").want(404)
	w.a.mate.do("PATCH", path, map[string]any{"starts_at": hour(11)}, "If-Match", "*").want(403)
	w.a.mate.do("PATCH", path, map[string]any{"tech_id": nil}, "If-Match", "*").want(403)
	noted := w.a.mate.do("PATCH", path, map[string]any{"note": "Key is next door."}, "If-Match", "*").want(200)
	same := d.do("PATCH", path, map[string]any{"note": "Key is next door.", "starts_at": hour(10)}, "If-Match", noted.etag()).want(200)
	require.Equal(t, noted.etag(), same.etag(), "what changes nothing keeps the version")

	for name, body := range map[string]map[string]any{
		"ends before it starts": {"ends_at": hour(10)}, "no start": {"starts_at": nil},
		"a dispatcher does not go": {"tech_id": d.id.String()}, "nobody of this shop": {"tech_id": w.b.tech.id.String()},
		"nobody at all": {"tech_id": domain.NewID(time.Now()).String()},
	} {
		d.do("PATCH", path, body, "If-Match", "*").want(422)
		require.Equal(t, noted.etag(), d.get(path).etag(), name)
	}
	free := d.do("PATCH", path, map[string]any{"tech_id": nil}, "If-Match", "*").want(200)
	require.Nil(t, free.at("tech_id"))
	w.a.mate.do("GET", path, nil).want(404)
	d.do("PATCH", path, map[string]any{"tech_id": w.a.owner.id.String()}, "If-Match", "*").want(200)
	w.a.owner.step(made.id(), "on_the_way").want(200)
	d.do("PATCH", path, map[string]any{"starts_at": hour(9)}, "If-Match", "*").want(409)
	d.do("PATCH", path, map[string]any{"tech_id": tech.id.String()}, "If-Match", "*").want(409)
	d.do("PATCH", path, map[string]any{"note": "Bring the long hose."}, "If-Match", "*").want(200)
	require.Equal(t, []string{"booked", "moved", "assigned", "noted", "noted", "assigned", "assigned", "status", "noted"},
		d.get("/v1/visit-changes").column("change"))
}

func TestABookingIsRefusedWithItsField(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	call := w.a.callFor(w.a.newHouse().unit).id()
	path := "/v1/calls/" + call + "/visits"
	disabled := w.join(w.a.owner, "fern", "tech", w.a.code)
	w.a.owner.do("PATCH", "/v1/people/"+disabled.id.String(), map[string]any{"disabled": true}, "If-Match", "*")
	person := w.a.owner.get("/v1/people/" + disabled.id.String())
	w.a.owner.do("PATCH", "/v1/people/"+disabled.id.String(), map[string]any{"disabled": true}, "If-Match", person.etag())
	for _, c := range []struct {
		name  string
		body  map[string]any
		field string
	}{
		{"other shop's tech", window(w.b.tech, 9, 10), "/tech_id unknown"},
		{"a dispatcher", window(d, 9, 10), "/tech_id unknown"},
		{"a disabled tech", window(disabled, 9, 10), "/tech_id unknown"},
		{"empty window", window(w.a.tech, 9, 9), "/ends_at order"},
		{"backwards", window(w.a.tech, 10, 9), "/ends_at order"},
		{"too long", window(w.a.tech, 0, 25), "/ends_at too_long"},
		{"no end", map[string]any{"starts_at": hour(9)}, "/ends_at required"},
		{"year 1", map[string]any{"starts_at": "0001-01-01T00:00:00Z", "ends_at": hour(9)}, "/starts_at"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := d.do("POST", path, c.body)
			require.Contains(t, []int{400, 422}, got.status)
			require.Contains(t, fmt.Sprint(got.fields()), c.field)
		})
	}
	w.b.dispatcher.do("POST", path, window(w.b.tech, 9, 10)).want(404)
	w.a.tech.do("POST", path, window(w.a.tech, 9, 10)).want(403)
	require.Empty(t, d.get("/v1/visits").at("items"))
	require.Empty(t, d.get("/v1/visit-changes").at("items"))
}

func TestListsOfVisits(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	one, two := w.a.callFor(w.a.newHouse().unit).id(), w.a.callFor(w.a.newHouse().unit).id()
	var own []string
	for _, at := range []int{14, 8, 10, 12} {
		own = append(own, w.a.book(one, w.a.tech, at, at+2).want(201).id())
	}
	own = []string{own[1], own[2], own[3], own[0]}
	mates := w.a.book(two, w.a.mate, 10, 11).want(201).id()
	var paged []string
	for path := "/v1/visits?page_size=3"; path != ""; {
		got := d.get(path)
		paged = append(paged, got.column("id")...)
		path = ""
		if next, ok := got.at("next_cursor").(string); ok {
			path = "/v1/visits?page_size=3&cursor=" + url.QueryEscape(next)
		}
	}
	require.Equal(t, []string{own[0], own[1], mates, own[2], own[3]}, paged)
	require.Equal(t, own, w.a.tech.get("/v1/visits").column("id"), "a tech gets their own")
	require.Empty(t, w.a.tech.get("/v1/visits?tech_id="+w.a.mate.id.String()).at("items"))
	require.Equal(t, []string{mates}, d.get("/v1/visits?tech_id="+w.a.mate.id.String()).column("id"))
	require.Equal(t, []string{mates}, d.get("/v1/visits?call_id="+two).column("id"))
	within := "/v1/visits?tech_id=" + w.a.tech.id.String() + "&from=" + hour(11) + "&to=" + hour(13)
	require.Equal(t, own[1:3], d.get(within).column("id"), "any part within counts")
	require.Equal(t, own[2:], d.get("/v1/visits?tech_id="+w.a.tech.id.String()+"&from="+hour(12)).column("id"), "what ends then is over")
	w.a.tech.step(own[0], "on_the_way").want(200)
	require.Equal(t, own[:1], d.get("/v1/visits?status=on_the_way").column("id"))
	d.do("GET", "/v1/visits?status=odd", nil).want(400)
	require.Empty(t, w.b.dispatcher.get("/v1/visits").at("items"))
	w.b.dispatcher.do("GET", "/v1/visits/"+mates, nil).want(404)
}

func TestTheFeedIsReadOn(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	call := w.a.callFor(w.a.newHouse().unit).id()
	for at := range 5 {
		w.a.book(call, w.a.tech, at, at+1).want(201)
	}
	first := d.get("/v1/visit-changes?limit=3")
	require.Equal(t, []string{"1", "2", "3"}, first.column("seq"))
	require.EqualValues(t, 3, first.at("next_after"))
	require.Equal(t, []string{"4", "5"}, d.get("/v1/visit-changes?after=3").column("seq"))
	end := d.get("/v1/visit-changes?after=5")
	require.Empty(t, end.at("items"))
	require.EqualValues(t, 5, end.at("next_after"))
	require.Empty(t, w.b.dispatcher.get("/v1/visit-changes").at("items"))
	d.do("GET", "/v1/visit-changes?after=-1", nil).want(400)
}

// race sends requests at once and counts the answers by status.
func (w *world) race(requests ...*http.Request) map[int]int {
	w.t.Helper()
	var mu sync.Mutex
	var wg sync.WaitGroup
	got, failed := map[int]int{}, []error{}
	start := make(chan struct{})
	for _, r := range requests {
		wg.Go(func() {
			<-start
			res, err := w.server.Client().Do(r)
			mu.Lock()
			defer mu.Unlock()
			if err != nil {
				failed = append(failed, err)
				return
			}
			_ = res.Body.Close()
			got[res.StatusCode]++
		})
	}
	close(start)
	wg.Wait()
	require.Empty(w.t, failed)
	return got
}

func TestRacingDispatchersBookOnce(t *testing.T) {
	w := newWorld(t)
	second := w.join(w.a.owner, "desi", "dispatcher", w.a.code)
	one, two := w.a.callFor(w.a.newHouse().unit).id(), w.a.callFor(w.a.newHouse().unit).id()
	for round := range 20 {
		at := time.Date(2032, 1, 1+round, 9, 0, 0, 0, time.UTC)
		body := map[string]any{"tech_id": w.a.tech.id.String(), "starts_at": at, "ends_at": at.Add(time.Hour)}
		shifted := map[string]any{"tech_id": w.a.tech.id.String(), "starts_at": at.Add(30 * time.Minute), "ends_at": at.Add(2 * time.Hour)}
		got := w.race(
			w.a.dispatcher.request("POST", "/v1/calls/"+one+"/visits", body),
			second.request("POST", "/v1/calls/"+two+"/visits", shifted))
		require.Equal(t, map[int]int{201: 1, 409: 1}, got, "round %d", round)
	}
	require.Len(t, w.a.dispatcher.get("/v1/visits").at("items"), 20)
	feed := w.a.dispatcher.get("/v1/visit-changes").column("seq")
	require.Len(t, feed, 20, "losers leave no gap")
	require.Equal(t, "20", feed[19])
}

func TestAStormOfBookingsLeavesOne(t *testing.T) {
	w := newWorld(t)
	var requests []*http.Request
	for range 24 {
		call := w.a.callFor(w.a.newHouse().unit).id()
		requests = append(requests, w.a.dispatcher.request("POST", "/v1/calls/"+call+"/visits", window(w.a.tech, 9, 10)))
	}
	require.Equal(t, map[int]int{201: 1, 409: 23}, w.race(requests...))
}

// Two visits that change techs at the same moment cross each other's locks.
func TestCrossingMovesDoNotFail(t *testing.T) {
	w := newWorld(t)
	call, other := w.a.callFor(w.a.newHouse().unit).id(), w.a.callFor(w.a.newHouse().unit).id()
	to := func(visit string, tech *client) *http.Request {
		return w.a.dispatcher.request("PATCH", "/v1/visits/"+visit, map[string]any{"tech_id": tech.id.String()}, "If-Match", "*")
	}
	x, y := w.a.book(call, w.a.tech, 9, 10).want(201).id(), w.a.book(other, w.a.mate, 9, 10).want(201).id()
	for range 10 {
		got := w.race(to(x, w.a.mate), to(y, w.a.tech), to(x, w.a.tech), to(y, w.a.mate))
		for status := range got {
			require.Contains(t, []int{200, 409}, status, "%v", got)
		}
	}
	require.NotEqual(t, w.a.dispatcher.get("/v1/visits/"+x).str("tech_id"), w.a.dispatcher.get("/v1/visits/"+y).str("tech_id"))
}

func TestACancelledCallKeepsNoBooking(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	for round := range 10 {
		call := w.a.callFor(w.a.newHouse().unit).id()
		visit := w.a.book(call, w.a.mate, round, round+1).want(201).id()
		got := w.race(
			d.request("POST", "/v1/calls/"+call+"/visits", window(w.a.tech, round, round+1)),
			w.a.mate.request("POST", "/v1/visits/"+visit+"/status", map[string]any{"status": "on_the_way"}, "If-Match", "*"),
			d.request("POST", "/v1/calls/"+call+"/cancel", map[string]any{}, "If-Match", "*"))
		for status := range got {
			require.Contains(t, []int{200, 201, 409}, status, "%v", got)
		}
		if d.get("/v1/calls/"+call).str("status") == "closed" {
			statuses := strings.Join(d.get("/v1/visits?call_id="+call).column("status"), " ")
			require.NotContains(t, statuses, "booked")
			require.NotContains(t, statuses, "on_the_way")
		}
	}
}

// A reader who follows the feed while others write misses nothing.
func TestTheFeedLosesNothingUnderWriters(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	var requests []*http.Request
	for i := range 16 {
		call := w.a.callFor(w.a.newHouse().unit).id()
		tech := []*client{w.a.tech, w.a.mate, w.a.owner, nil}[i%4]
		requests = append(requests, d.request("POST", "/v1/calls/"+call+"/visits", window(tech, i, i+1)))
	}
	done := make(chan map[int]int)
	go func() { done <- w.race(requests...) }()
	var seen []string
	after := "0"
	for len(seen) < 16 {
		got := d.get("/v1/visit-changes?limit=5&after=" + after)
		seen = append(seen, got.column("seq")...)
		after = fmt.Sprintf("%.0f", got.at("next_after"))
		if len(seen) > 16 {
			break
		}
	}
	require.Equal(t, map[int]int{201: 16}, <-done)
	for i, seq := range seen {
		require.Equal(t, fmt.Sprint(i+1), seq)
	}
}
