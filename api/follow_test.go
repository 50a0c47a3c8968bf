package api_test

import (
	"context"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/shared/pg/pgtest"
)

// waits asks for changes until ctx ends or they come; the status arrives on
// the channel, 0 when the client went away.
func waits(ctx context.Context, c *client, url string) <-chan int {
	got := make(chan int, 1)
	req := c.request("GET", "/v1/visit-changes?wait=25", nil).WithContext(ctx)
	req.URL.Host = strings.TrimPrefix(url, "http://")
	go func() {
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			got <- 0
			return
		}
		_ = res.Body.Close()
		got <- res.StatusCode
	}()
	return got
}

// Who waits holds no connection; a shop has so many places, and filling them
// leaves another shop's alone. A client that goes away gives its place back.
func TestPlacesToWaitAreBounded(t *testing.T) {
	w := newWorldOn(t, pgtest.New(t), 2)
	d := w.a.dispatcher
	ctx, hangUp := context.WithCancel(t.Context())
	defer hangUp()
	all := make(chan int, 40)
	for range cap(all) {
		one := waits(ctx, d, w.server.URL)
		go func() { all <- <-one }()
	}
	for range cap(all) - 32 {
		require.Equal(t, http.StatusServiceUnavailable, <-all)
	}
	full := d.do("GET", "/v1/visit-changes?wait=1", nil).want(http.StatusServiceUnavailable)
	require.NotEmpty(t, full.header.Get("Retry-After"))
	d.get("/v1/visit-changes")
	require.Empty(t, w.b.dispatcher.get("/v1/visit-changes?wait=1").at("items"))
	hangUp()
	for range 32 {
		require.Zero(t, <-all, "nothing has happened to tell of")
	}
	require.Eventually(t, func() bool { return d.do("GET", "/v1/visit-changes?wait=1", nil).status == 200 }, 20*time.Second, 50*time.Millisecond)
}

// A server that stops answers those who wait at once, and cuts nobody off.
func TestWaitingEndsWithTheServer(t *testing.T) {
	w := newWorld(t)
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := w.edge.Server("")
	served := make(chan error, 1)
	go func() { served <- server.Serve(l) }()
	got := waits(t.Context(), w.a.dispatcher, "http://"+l.Addr().String())
	select {
	case status := <-got:
		require.Fail(t, "it does not wait", "answered %d", status)
	case <-time.After(1500 * time.Millisecond):
	}
	began := time.Now()
	require.NoError(t, server.Shutdown(t.Context()))
	require.Less(t, time.Since(began), 5*time.Second)
	require.Equal(t, 200, <-got)
	require.ErrorIs(t, <-served, http.ErrServerClosed)
}

// Somebody who no longer works for the shop may wait no longer.
func TestWaitingEndsWithTheRight(t *testing.T) {
	w := newWorld(t)
	got := waits(t.Context(), w.a.dispatcher, w.server.URL)
	time.Sleep(300 * time.Millisecond)
	disable(w.a.owner, w.a.dispatcher, true)
	select {
	case status := <-got:
		require.Equal(t, 401, status)
	case <-time.After(10 * time.Second):
		require.Fail(t, "it still waits")
	}
}

func disable(owner, who *client, yes bool) {
	owner.w.t.Helper()
	owner.do("PATCH", "/v1/people/"+who.id.String(), m{"disabled": yes}, "If-Match", "*").want(200)
}

// A feed ends with whose visits it shows, with who made it, and when who made
// it may not make it any longer; an address of any length is told alike.
func TestACalendarEndsWithItsPeople(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	ofTech := s.dispatcher.post("/v1/calendars", m{"name": "Tam", "person_id": s.tech.id.String()}).str("path")
	ofMate := s.mate.post("/v1/calendars", m{"name": "Mika", "person_id": s.mate.id.String()}).str("path")
	ofShop := s.dispatcher.post("/v1/calendars", m{"name": "Shop"}).str("path")
	anyone := &client{w: w}
	status := func() (out []int) {
		for _, path := range []string{ofTech, ofMate, ofShop} {
			out = append(out, anyone.do("GET", path, nil).status)
		}
		return out
	}
	require.Equal(t, []int{200, 200, 200}, status())
	disable(s.owner, s.tech, true)
	require.Equal(t, []int{404, 200, 200}, status())
	s.dispatcher.do("POST", "/v1/calendars", m{"name": "Tam", "person_id": s.tech.id.String()}).want(422)
	disable(s.owner, s.tech, false)
	s.owner.do("PATCH", "/v1/people/"+s.dispatcher.id.String(), m{"role": "tech"}, "If-Match", "*").want(200)
	require.Equal(t, []int{404, 200, 404}, status())
	disable(s.owner, s.dispatcher, true)
	require.Equal(t, []int{404, 200, 404}, status())

	gone := anyone.do("GET", ofShop, nil).want(404)
	for _, n := range []int{1, 64, 201, 4000} {
		require.Equal(t, string(gone.raw), string(anyone.do("GET", "/v1/calendars/"+strings.Repeat("A", n), nil).want(404).raw), "%d characters", n)
	}
}

// A tech sees at a glance their own visits, not the mate's.
func TestAtAGlanceToATech(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	unit := located(s, 39.7, -104.9, nil)
	call := callOn(s, unit)
	book := func(who *client) string {
		return s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": who.id.String(), "starts_at": nextHour(s), "ends_at": s.made["next_end"]}).id()
	}
	path := "/v1/units/" + unit + "/at-a-glance"
	mates := book(s.mate)
	s.tech.do("GET", path, nil).want(404)
	own := book(s.tech)
	require.Len(t, s.dispatcher.get(path).at("visits"), 2)
	seen := s.tech.get(path)
	require.Len(t, seen.at("visits"), 1)
	require.Equal(t, own, seen.str("visits", 0, "id"))
	require.NotContains(t, string(seen.raw), mates)

	s.dispatcher.do("PATCH", "/v1/calls/"+call, m{"status": "waiting_for_parts"}, "If-Match", "*").want(200)
	require.Contains(t, s.dispatcher.get(path).str("sentence"), "waited for parts for less than a day")
	w.clock.add(25 * time.Hour)
	owner := w.signIn(w.a.code, w.a.owner.email, testPassword)
	require.Contains(t, owner.get(path).str("sentence"), "waited for parts for 1 day.")
	require.Equal(t, "open", owner.do("POST", "/v1/calls/"+call+"/parts-arrived", nil, "If-Match", "*").want(200).str("status"))
	require.Equal(t, false, owner.get(path).at("parts_have_come"), "a return visit is booked")
	conn := admin(t, w.db)
	var fields []string
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT fields FROM audit WHERE shop_id = $1 AND entity = 'call' AND entity_id = $2 ORDER BY id DESC LIMIT 1`,
		w.a.id, call).Scan(&fields))
	require.Equal(t, []string{"status", "parts_arrived_at"}, fields)
}

// A visit that is started while its day is planned keeps its time: the plan is
// refused whole, and leaves no trace.
func TestAPlanMeetsAStartedVisit(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 5)
	var visits []string
	for i, lat := range []float64{39.95, 39.50, 39.94, 39.51} {
		visits = append(visits, bookAt(s, d, lat, 8+2*i, 8, 16))
	}
	path := "/v1/day-sheets/" + s.tech.id.String() + "/" + d.date
	before := s.dispatcher.get(path)
	seq := s.dispatcher.get("/v1/visit-changes").at("next_after")

	// The tech's step, in the tables: held open until the plan waits for its row.
	tx, err := admin(t, w.db).Begin(t.Context())
	require.NoError(t, err)
	for _, id := range visits {
		_, err = tx.Exec(t.Context(), `UPDATE visit SET status = 'on_the_way', version = version + 1 WHERE shop_id = $1 AND id = $2`, w.a.id, id)
		require.NoError(t, err)
		_, err = tx.Exec(t.Context(), `INSERT INTO visit_version (shop_id, visit_id, version, tech_id, starts_at, ends_at, status, changed_at)
			SELECT shop_id, id, version, tech_id, starts_at, ends_at, status, now() FROM visit WHERE shop_id = $1 AND id = $2`, w.a.id, id)
		require.NoError(t, err)
	}
	planned := make(chan answer, 1)
	go func() { planned <- s.dispatcher.send(s.dispatcher.request("POST", path+"/plan", m{"apply": true})) }()
	conn := admin(t, w.db)
	require.Eventually(t, func() bool {
		var waiting bool
		err := conn.QueryRow(t.Context(), `SELECT EXISTS (SELECT FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock')`).Scan(&waiting)
		return err == nil && waiting
	}, 10*time.Second, 20*time.Millisecond)
	require.NoError(t, tx.Commit(t.Context()))
	refused := (<-planned).want(409)
	require.Contains(t, refused.str("detail"), "just been started")
	require.Equal(t, seq, s.dispatcher.get("/v1/visit-changes").at("next_after"))
	require.Equal(t, before.at("visits", 1, "visit", "starts_at"), s.dispatcher.get(path).at("visits", 1, "visit", "starts_at"))
}
