package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// shopDay is a day of the test shop, some days ahead.
type shopDay struct {
	date string
	zone *time.Location
	day  time.Time
}

func aDay(t *testing.T, ahead int) shopDay {
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(t, err)
	d := time.Now().In(zone).AddDate(0, 0, ahead)
	return shopDay{d.Format("2006-01-02"), zone, d}
}

func (d shopDay) at(hour, minute int) string {
	return time.Date(d.day.Year(), d.day.Month(), d.day.Day(), hour, minute, 0, 0, d.zone).UTC().Format(time.RFC3339)
}

// bookAt books an hour at a place; the customer is told from to until.
func bookAt(s *scene, d shopDay, lat float64, hour, from, until int) string {
	call := callOn(s, located(s, lat, -104.99, nil))
	body := m{"tech_id": s.tech.id.String(), "starts_at": d.at(hour, 0), "ends_at": d.at(hour, 45)}
	if until > 0 {
		body["arrive_from"], body["arrive_until"] = d.at(from, 0), d.at(until, 0)
	}
	return s.dispatcher.post("/v1/calls/"+call+"/visits", body).id()
}

// A day booked back and forth is put in order: less driving, every promise
// kept, nothing booked twice, and the history says why.
func TestADayIsPlanned(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 5)
	// North and south by turns: 39.5 and 39.95 lie 50 km apart.
	var visits []string
	for i, lat := range []float64{39.95, 39.50, 39.94, 39.51} {
		visits = append(visits, bookAt(s, d, lat, 8+2*i, 8, 16))
	}
	fixed := bookAt(s, d, 39.74, 16, 0, 0)
	path := "/v1/day-sheets/" + s.tech.id.String() + "/" + d.date
	before := s.dispatcher.get(path)
	require.Len(t, before.at("visits"), 5)

	shown := s.dispatcher.do("POST", path+"/plan", m{}).want(200)
	require.Equal(t, true, shown.at("feasible"))
	require.Equal(t, true, shown.at("exact"))
	require.Equal(t, before.at("driving_minutes"), shown.at("driving_minutes_before"))
	require.Less(t, shown.at("driving_minutes").(float64), 0.7*shown.at("driving_minutes_before").(float64))
	require.Equal(t, before.at("visits", 1, "visit", "starts_at"), s.dispatcher.get(path).at("visits", 1, "visit", "starts_at"), "shown, not stored")

	done := s.dispatcher.do("POST", path+"/plan", m{"apply": true}).want(200)
	require.Equal(t, true, done.at("applied"))
	after := s.dispatcher.get(path)
	require.InDelta(t, done.at("driving_minutes").(float64), after.at("driving_minutes").(float64), 0.1)
	last := ""
	for i, x := range after.at("visits").([]any) {
		v := x.(m)["visit"].(m)
		require.LessOrEqual(t, last, v["starts_at"].(string), "nothing is booked twice")
		last = v["ends_at"].(string)
		require.GreaterOrEqual(t, after.at("visits", i, "slack_minutes").(float64), 0.0)
		if v["id"] == fixed {
			require.Equal(t, d.at(16, 0), v["starts_at"], "the customer was told that hour")
			continue
		}
		require.LessOrEqual(t, d.at(8, 0), v["starts_at"].(string))
		require.LessOrEqual(t, v["starts_at"].(string), d.at(16, 0))
	}
	moved := 0
	for _, id := range visits {
		h := s.dispatcher.get("/v1/visits/" + id + "/history").at("items").([]any)
		if len(h) > 1 {
			moved++
			require.Equal(t, "The day was planned anew.", h[len(h)-1].(m)["reason"])
		}
	}
	require.Positive(t, moved)
	again := s.dispatcher.do("POST", path+"/plan", m{"apply": true}).want(200)
	require.InDelta(t, done.at("driving_minutes").(float64), again.at("driving_minutes").(float64), 0.1)
}

// A day that cannot be met names what to give up, and stays as it was.
func TestADayThatCannotBeMet(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 6)
	bookAt(s, d, 39.95, 9, 0, 0)
	bookAt(s, d, 39.50, 10, 0, 0) // 50 km on, a quarter of an hour later
	path := "/v1/day-sheets/" + s.tech.id.String() + "/" + d.date
	sheet := s.dispatcher.get(path)
	require.Less(t, sheet.at("visits", 1, "slack_minutes").(float64), 0.0)
	require.Contains(t, sheet.str("visits", 1, "warnings", 0), "minutes late by estimate")
	shown := s.dispatcher.do("POST", path+"/plan", m{}).want(200)
	require.Equal(t, false, shown.at("feasible"))
	unmet := 0
	for i := range shown.at("visits").([]any) {
		if shown.at("visits", i, "unmet").(bool) {
			unmet++
		}
	}
	require.Equal(t, 1, unmet, "one of the two has to go, not both")
	require.NotEmpty(t, shown.str("sentence"))
	refused := s.dispatcher.do("POST", path+"/plan", m{"apply": true}).want(409)
	require.Equal(t, shown.str("sentence"), refused.str("detail"))
	require.Len(t, refused.at("extra", "unmet_visits"), 1)
	require.Equal(t, sheet.at("visits", 0, "visit"), s.dispatcher.get(path).at("visits", 0, "visit"))
}

// The sheet says what to know and to bring; a tech sees their own only; the
// page escapes what customers are called.
func TestADaySheet(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 3)
	s.made["customer"] = s.dispatcher.post("/v1/customers", m{"name": `<script>alert("x")</script> Wren`, "phone": "555 0142"}).id()
	unit := located(s, 39.7, -104.99, m{"features": []string{"bias_heater", "low_setting"}})
	call := s.dispatcher.post("/v1/calls", m{"unit_id": unit, "complaint": "runs_too_hot", "triage": m{"setting": "low_only"}}).id()
	s.owner.post("/v1/safety-notices", m{"kind": "electric_dryer", "model": "QX-40", "title": "The element can touch its case", "what_to_do": "Fit the new element.",
		"level": "danger_now", "reference": "Notice 7", "issued_on": "2026-03-02"})
	visit := s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": d.at(9, 30), "ends_at": d.at(10, 30),
		"arrive_from": d.at(9, 0), "arrive_until": d.at(11, 0)}).id()
	path := "/v1/day-sheets/" + s.tech.id.String() + "/" + d.date
	got := s.tech.get(path)
	require.Equal(t, visit, got.str("visits", 0, "visit", "id"))
	require.Len(t, got.at("visits", 0, "faults"), 3)
	require.Equal(t, "On which heat setting does it get too hot?", got.str("visits", 0, "answers", 0, "ask"))
	require.NotEmpty(t, got.str("visits", 0, "parts_to_bring", 0, "part"))
	require.Contains(t, string(got.raw), "Bias heater")
	require.NotEmpty(t, got.at("visits", 0, "sheet_values_missing"))
	require.Equal(t, "The element can touch its case", got.str("visits", 0, "safety_notices", 0, "title"))
	require.Equal(t, "Gate code 4711, dog.", got.str("visits", 0, "site", "access_notes"))
	require.Equal(t, 90.0, got.at("visits", 0, "slack_minutes"))
	require.Equal(t, d.at(8, 0), got.str("working", 0, "starts_at"))
	s.mate.do("GET", path, nil).want(404)
	s.tech.do("GET", "/v1/day-sheets/"+s.mate.id.String()+"/"+d.date, nil).want(404)
	s.tech.do("POST", path+"/plan", m{}).want(403)

	page := s.tech.send(s.tech.request("GET", path, nil, "Accept", "text/html")).want(200)
	text := string(page.raw)
	require.NotContains(t, text, "<script")
	require.Contains(t, text, "&lt;script&gt;")
	require.Contains(t, page.header.Get("Content-Security-Policy"), "default-src 'none'")
	for _, want := range []string{"09:30–10:30", "between 09:00 and 11:00", "DANGER. Safety notice: The element can touch its case", "Gate code 4711", "Bias heater", "555 0142"} {
		require.Contains(t, text, want)
	}
	empty := s.tech.send(s.tech.request("GET", fmt.Sprintf("/v1/day-sheets/%s/2031-01-01", s.tech.id), nil, "Accept", "text/html")).want(200)
	require.True(t, strings.Contains(string(empty.raw), "No visits on this day."))
}

// What waits, what nobody has, what is late, what is today, and a feed that
// waits for news.
func TestDispatchLists(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	call := callOn(s, located(s, 39.7, -104.9, nil))
	require.Equal(t, call, s.dispatcher.get("/v1/calls?without_visit=true").str("items", 0, "id"))
	now := time.Now().UTC().Truncate(time.Second)
	late := s.dispatcher.post("/v1/calls/"+call+"/visits", m{"starts_at": now.Add(-3 * time.Hour), "ends_at": now.Add(-2 * time.Hour)})
	require.Empty(t, s.dispatcher.get("/v1/calls?without_visit=true").at("items"))
	require.Equal(t, late.id(), s.dispatcher.get("/v1/visits?unassigned=true").str("items", 0, "id"))
	require.Equal(t, late.id(), s.dispatcher.get("/v1/visits?overdue=true").str("items", 0, "id"))
	far := s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": now.AddDate(0, 0, 9), "ends_at": now.AddDate(0, 0, 9).Add(time.Hour)})
	today := s.dispatcher.get("/v1/visits?date=today")
	require.NotContains(t, string(today.raw), far.id())
	d := aDay(t, 9)
	require.Contains(t, string(s.dispatcher.get("/v1/visits?date="+d.date).raw), far.id())
	s.dispatcher.do("GET", "/v1/visits?date=2026-02-30", nil).want(422)

	s.dispatcher.do("PATCH", "/v1/calls/"+call, m{"status": "waiting_for_parts"}, "If-Match", "*").want(200)
	waits := s.dispatcher.get("/v1/calls?status=waiting_for_parts")
	since, err := time.Parse(time.RFC3339, waits.str("items", 0, "status_since"))
	require.NoError(t, err)
	require.WithinDuration(t, time.Now(), since, time.Minute)
	unit := s.dispatcher.get("/v1/calls/" + call).str("unit_id")
	require.Contains(t, s.dispatcher.get("/v1/units/"+unit+"/at-a-glance").str("sentence"), "waited for parts")
	arrived := s.tech.do("POST", "/v1/calls/"+call+"/parts-arrived", nil, "If-Match", "*").want(200)
	require.Equal(t, "open", arrived.str("status"))
	s.tech.do("POST", "/v1/calls/"+call+"/parts-arrived", nil, "If-Match", "*").want(409)

	seen := s.dispatcher.get("/v1/visit-changes?after=0").at("next_after").(float64)
	began := time.Now()
	go func() {
		time.Sleep(300 * time.Millisecond)
		s.dispatcher.send(s.dispatcher.request("PATCH", "/v1/visits/"+far.id(), m{"note": "bring a ladder"}, "If-Match", "*"))
	}()
	news := s.dispatcher.get(fmt.Sprintf("/v1/visit-changes?after=%.0f&wait=20", seen))
	require.Equal(t, "noted", news.str("items", 0, "change"))
	require.Less(t, time.Since(began), 15*time.Second)
	require.Empty(t, s.dispatcher.get(fmt.Sprintf("/v1/visit-changes?after=%.0f&wait=1", seen+1)).at("items"))
}

// The answer to a call about a machine that was repaired not long ago.
func TestAtAGlance(t *testing.T) {
	j := repaired(t)
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)
	path := "/v1/units/" + j.unit + "/at-a-glance"
	got := j.w.a.owner.get(path)
	require.Equal(t, true, got.at("possible_come_back"))
	require.Equal(t, j.call, got.str("calls", 0, "id"))
	require.NotEqual(t, got.str("calls", 0, "complaint"), got.str("calls", 0, "complaint_name"), "in words")
	require.Equal(t, true, got.at("calls", 0, "conclusions", 0, "mended"))
	require.NotEmpty(t, got.str("guarantees", 0, "labour_until"))
	require.Contains(t, got.str("sentence"), "this may be a come-back")
	newScene(j.w.b).dispatcher.do("GET", path, nil).want(404)
	j.w.clock.add(400 * 24 * time.Hour)
	owner := j.w.signIn(j.w.a.code, j.w.a.owner.email, testPassword)
	later := owner.get(path)
	require.Equal(t, false, later.at("possible_come_back"))
	require.Empty(t, later.at("guarantees"))
	require.Equal(t, true, later.at("care_overdue"))
}
