package api_test

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// works lets a tech work from eight to five on every day, from a place on the
// map, in the shop's zone.
func works(s *scene, c *client) {
	spans := []m{}
	for d := 1; d <= 7; d++ {
		spans = append(spans, m{"weekday": d, "starts": "08:00", "ends": "17:00"})
	}
	s.dispatcher.do("PUT", "/v1/people/"+c.id.String()+"/working-week", m{"spans": spans, "base": m{"latitude": 39.74, "longitude": -104.99}}, "If-Match", "*").want(200)
}

// located is a unit at a site with a place on the map.
func located(s *scene, lat, lon float64, more m) string {
	site := s.dispatcher.post("/v1/sites", m{"customer_id": s.get("customer"), "address": "9 Aspen Way", "latitude": lat, "longitude": lon,
		"access_notes": "Gate code 4711, dog."}).id()
	body := m{"site_id": site, "kind": "electric_dryer", "model": "QX-40"}
	for k, v := range more {
		body[k] = v
	}
	return s.dispatcher.post("/v1/units", body).id()
}

func callOn(s *scene, unit string) string {
	return s.dispatcher.post("/v1/calls", m{"unit_id": unit, "complaint": "runs_too_hot"}).id()
}

func slotsFor(s *scene, call string) []m {
	var out []m
	for _, x := range s.dispatcher.get("/v1/slots?call=" + call + "&days=7").at("slots").([]any) {
		out = append(out, x.(m))
	}
	return out
}

func promised(slot m) m {
	return m{"tech_id": slot["tech_id"], "starts_at": slot["starts_at"], "ends_at": slot["ends_at"], "arrive_from": slot["arrive_from"], "arrive_until": slot["arrive_until"]}
}

// A dispatcher on the phone: what is known of the machine, what is wrong with
// it, when somebody can come, hold it, book it, move it, and the tech's day.
func TestADispatchersPhoneCall(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	works(s, s.mate)
	unit := located(s, 39.70, -104.95, m{"features": []string{"low_setting"}})
	requests, began := 0, time.Now()
	ask := func(method, path string, body any, headers ...string) answer {
		requests++
		return s.dispatcher.do(method, path, body, headers...)
	}

	glance := ask("GET", "/v1/units/"+unit+"/at-a-glance", nil).want(200)
	require.NotEmpty(t, glance.str("sentence"))
	call := ask("POST", "/v1/calls", m{"unit_id": unit, "complaint": "runs_too_hot", "triage": m{"setting": "every"}}).want(201)
	require.NotEmpty(t, call.at("advice"))
	slots := ask("GET", "/v1/slots?call="+call.id()+"&days=7", nil).want(200)
	require.Greater(t, len(slots.at("slots").([]any)), 3)
	require.NotEmpty(t, slots.str("slots", 0, "reason"))
	require.GreaterOrEqual(t, slots.at("minutes"), 60.0)
	first, second := slots.at("slots", 0).(m), slots.at("slots", 1).(m)
	hold := ask("POST", "/v1/calls/"+call.id()+"/holds", promised(first)).want(201)
	require.NotEmpty(t, hold.str("expires_at"))
	visit := ask("POST", "/v1/calls/"+call.id()+"/visits", promised(first)).want(201)
	require.Equal(t, first["arrive_from"], visit.str("arrive_from"))
	move := promised(second)
	move["reason"] = "The customer is at work in the morning."
	moved := ask("PATCH", "/v1/visits/"+visit.id(), move, "If-Match", visit.etag(), "Content-Type", "application/merge-patch+json").want(200)
	require.Equal(t, second["starts_at"], moved.str("starts_at"))
	day := second["starts_at"].(string)
	starts, err := time.Parse(time.RFC3339, day)
	require.NoError(t, err)
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(t, err)
	sheet := ask("GET", fmt.Sprintf("/v1/day-sheets/%s/%s", second["tech_id"], starts.In(zone).Format("2006-01-02")), nil).want(200)
	require.Contains(t, string(sheet.raw), visit.id())

	t.Logf("%d requests, %s in all", requests, time.Since(began).Round(time.Millisecond))
	require.LessOrEqual(t, requests, 8)
	history := s.dispatcher.get("/v1/visits/" + visit.id() + "/history")
	require.Len(t, history.at("items"), 2)
	require.Equal(t, "The customer is at work in the morning.", history.str("items", 1, "reason"))
	require.Empty(t, s.dispatcher.get("/v1/holds").at("items"), "the booking has ended the hold")
}

// What is held for one call cannot be held or booked for another; who is
// refused hears of windows that are free.
func TestAHoldKeepsItsWindow(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	one, other := callOn(s, located(s, 39.7, -104.9, nil)), callOn(s, located(s, 39.8, -104.9, nil))
	slot := slotsFor(s, one)[0]
	hold := s.dispatcher.post("/v1/calls/"+one+"/holds", promised(slot))
	for _, path := range []string{"/holds", "/visits"} {
		got := s.dispatcher.do("POST", "/v1/calls/"+other+path, promised(slot)).want(409)
		free := got.at("extra", "free_windows").([]any)
		require.Len(t, free, 3)
		for _, f := range free {
			require.NotEqual(t, slot["starts_at"], f.(m)["starts_at"])
		}
		s.dispatcher.do("POST", "/v1/calls/"+other+"/holds", m{"tech_id": free[0].(m)["tech_id"], "starts_at": free[0].(m)["starts_at"], "ends_at": free[0].(m)["ends_at"]}).want(201)
	}
	require.Equal(t, "204", fmt.Sprint(s.dispatcher.do("DELETE", "/v1/holds/"+hold.id(), nil).status))
	s.dispatcher.do("POST", "/v1/calls/"+other+"/visits", promised(slot)).want(201)

	again := slotsFor(s, one)[0]
	s.dispatcher.post("/v1/calls/"+one+"/holds", promised(again))
	w.clock.add(11 * time.Minute) // past the ten of the rule
	require.Empty(t, s.dispatcher.took(s.dispatcher.do("POST", "/v1/sessions", m{"shop": s.code, "email": s.dispatcher.email, "password": testPassword}).want(201)).get("/v1/holds").at("items"))
	third := callOn(s, located(s, 39.75, -104.9, nil))
	s.dispatcher.do("POST", "/v1/calls/"+third+"/visits", promised(again)).want(201)
}

// Outside working time, on a day off, or without the gas competence a booking
// takes a stated reason.
func TestABookingKeepsToTheRules(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(t, err)
	day := time.Now().In(zone).AddDate(0, 0, 4)
	at := func(hour int) string {
		return time.Date(day.Year(), day.Month(), day.Day(), hour, 0, 0, 0, zone).UTC().Format(time.RFC3339)
	}
	call := callOn(s, located(s, 39.7, -104.9, nil))
	book := func(call string, from, until int, more m) answer {
		body := m{"tech_id": s.tech.id.String(), "starts_at": at(from), "ends_at": at(until)}
		for k, v := range more {
			body[k] = v
		}
		return s.dispatcher.do("POST", "/v1/calls/"+call+"/visits", body)
	}
	require.Contains(t, book(call, 18, 19, nil).want(422).fields(), "/override outside_hours")
	late := book(call, 18, 19, m{"override": "The customer works until six; agreed with the tech."}).want(201)
	require.NotEmpty(t, late.str("override"))
	require.Contains(t, book(call, 16, 18, nil).want(422).fields(), "/override outside_hours")
	inside := book(call, 9, 10, nil).want(201)
	require.Contains(t, s.dispatcher.do("PATCH", "/v1/visits/"+inside.id(), m{"ends_at": at(18)}, "If-Match", "*").want(422).fields(), "/override outside_hours")
	s.dispatcher.do("PATCH", "/v1/visits/"+inside.id(), m{"ends_at": at(11)}, "If-Match", "*").want(200)
	require.Contains(t, book(call, 12, 13, m{"arrive_from": at(13), "arrive_until": at(15)}).want(422).fields(), "/starts_at window")

	date := day.Format("2006-01-02")
	off := s.dispatcher.post("/v1/time-off", m{"starts_on": date, "ends_on": date, "starts": "12:00", "ends": "17:00", "note": "stocktaking"})
	require.Contains(t, book(call, 13, 14, nil).want(422).fields(), "/override outside_hours")
	s.dispatcher.do("DELETE", "/v1/time-off/"+off.id(), nil).want(204)
	book(call, 13, 14, nil).want(201)

	gas := callOn(s, located(s, 39.71, -104.9, m{"kind": "gas_dryer", "model": "GX-1"}))
	require.Contains(t, book(gas, 15, 16, nil).want(422).fields(), "/override competence")
	require.Empty(t, slotsFor(s, gas))
	s.owner.do("PATCH", "/v1/people/"+s.tech.id.String(), m{"competences": []m{{"name": "gas", "expires_on": "2099-01-01"}}}, "If-Match", "*").want(200)
	require.NotEmpty(t, slotsFor(s, gas))
	book(gas, 15, 16, nil).want(201)
}

// A bad week, a bad rule and bad days off change nothing.
func TestDispatchRulesAreHeld(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	path := "/v1/people/" + s.tech.id.String() + "/working-week"
	empty := s.tech.get(path)
	require.Equal(t, []any{}, empty.at("spans"))
	for _, spans := range [][]m{
		{{"weekday": 8, "starts": "08:00", "ends": "12:00"}},
		{{"weekday": 1, "starts": "12:00", "ends": "08:00"}},
		{{"weekday": 1, "starts": "08:00", "ends": "12:00"}, {"weekday": 1, "starts": "11:00", "ends": "13:00"}},
		{{"weekday": 1, "starts": "8:00", "ends": "12:00"}},
	} {
		s.dispatcher.do("PUT", path, m{"spans": spans}, "If-Match", "*").want(422)
	}
	s.tech.do("PUT", path, m{"spans": []m{}}, "If-Match", "*").want(403)
	put := s.dispatcher.do("PUT", path, m{"spans": []m{{"weekday": 7, "starts": "22:00", "ends": "24:00"}}}, "If-Match", empty.etag()).want(200)
	s.dispatcher.do("PUT", path, m{"spans": []m{}}, "If-Match", empty.etag()).want(412)
	require.Equal(t, put.at("spans"), s.tech.get(path).at("spans"))

	rule := s.tech.get("/v1/dispatch-rule")
	require.Equal(t, 40.0, rule.at("speed", "value"))
	s.owner.do("PATCH", "/v1/dispatch-rule", m{"detour": 0.5}, "If-Match", rule.etag()).want(422)
	s.dispatcher.do("PATCH", "/v1/dispatch-rule", m{"detour": 1.5}, "If-Match", rule.etag()).want(403)
	changed := s.owner.do("PATCH", "/v1/dispatch-rule", m{"detour": 1.5, "speed_km_per_hour": 30}, "If-Match", rule.etag()).want(200)
	require.Equal(t, 30.0, changed.at("speed", "value"))
	s.owner.do("PATCH", "/v1/dispatch-rule", m{"detour": 1.6}, "If-Match", rule.etag()).want(412)

	for _, off := range []m{{"starts_on": "2031-05-03", "ends_on": "2031-05-02"}, {"starts_on": "2031-01-01", "ends_on": "2033-01-01"},
		{"starts_on": "2031-01-01", "ends_on": "2031-01-01", "starts": "10:00"}, {"starts_on": "2031-01-01", "ends_on": "2031-01-01", "starts": "10:00", "ends": "09:00"}} {
		s.dispatcher.do("POST", "/v1/time-off", off).want(http.StatusUnprocessableEntity)
	}
	require.Empty(t, s.tech.get("/v1/time-off").at("items"))
}
