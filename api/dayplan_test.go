package api_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func (d shopDay) path(s *scene) string { return "/v1/day-sheets/" + s.tech.id.String() + "/" + d.date }

func visitStart(s *scene, visit string) string {
	return s.dispatcher.get("/v1/visits/" + visit).str("starts_at")
}

// A window held on the phone stays free while the day is planned around it.
func TestAPlanLeavesHeldWindowsFree(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 5)
	first := bookAt(s, d, 39.74, 12, 9, 16)
	asked := callOn(s, located(s, 39.74, -104.99, nil))
	s.dispatcher.do("POST", "/v1/calls/"+asked+"/holds", m{"tech_id": s.tech.id.String(), "starts_at": d.at(9, 0), "ends_at": d.at(10, 0)}).want(201)
	s.dispatcher.do("POST", d.path(s)+"/plan", m{"apply": true}).want(200)
	require.GreaterOrEqual(t, visitStart(s, first), d.at(10, 0), "nine o'clock is held")
	planned := s.dispatcher.do("POST", d.path(s)+"/plan", m{}).want(200)
	require.Len(t, planned.at("visits"), 1, "a held window is no visit")
	s.dispatcher.post("/v1/calls/"+asked+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": d.at(9, 0), "ends_at": d.at(10, 0)})
}

// later signs the dispatcher in again once the clock stands at another time.
func later(s *scene, at time.Time) {
	w := s.dispatcher.w
	w.clock.stop(at)
	s.dispatcher = w.signIn(s.code, s.dispatcher.email, testPassword)
	s.tech = w.signIn(s.code, s.tech.email, testPassword)
}

// In the middle of the day what is under way or over stays, however tight it
// was, and nothing is planned into the past.
func TestAPlanBeginsNow(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 5)
	over := bookAt(s, d, 39.95, 8, 0, 0)
	there := bookAt(s, d, 39.50, 9, 0, 0) // 50 km on, a quarter of an hour later
	missed := bookAt(s, d, 39.51, 10, 10, 15)
	ahead := bookAt(s, d, 39.52, 14, 8, 16)
	now := time.Date(d.day.Year(), d.day.Month(), d.day.Day(), 11, 20, 30, 0, d.zone)
	later(s, now)
	for _, visit := range []string{over, there} {
		for _, to := range []string{"on_the_way", "on_site", "done"} {
			if visit == there && to == "done" {
				break
			}
			s.tech.do("POST", "/v1/visits/"+visit+"/status", m{"status": to}, "If-Match", "*").want(200)
		}
	}
	done := s.dispatcher.do("POST", d.path(s)+"/plan", m{"apply": true}).want(200)
	require.Equal(t, true, done.at("feasible"))
	require.Equal(t, true, done.at("visits", 0, "settled"))
	require.Equal(t, over, done.str("visits", 0, "visit_id"))
	require.Equal(t, true, done.at("visits", 1, "settled"))
	require.Equal(t, missed, done.str("visits", 2, "visit_id"), "nearest to where the tech is")
	require.Equal(t, true, done.at("visits", 2, "travel_known"))
	require.Equal(t, d.at(8, 0), visitStart(s, over))
	require.Equal(t, d.at(9, 0), visitStart(s, there))
	for _, visit := range []string{missed, ahead} {
		require.Greater(t, visitStart(s, visit), now.UTC().Format(time.RFC3339), "not into the past")
	}
	later(s, now.AddDate(0, 0, 1))
	yesterday := s.dispatcher.do("POST", d.path(s)+"/plan", m{"apply": true}).want(200)
	require.Equal(t, 0.0, yesterday.at("driving_minutes"))
	require.Len(t, yesterday.at("visits"), 4)
	require.Greater(t, visitStart(s, ahead), now.UTC().Format(time.RFC3339))
}

// What was booked outside working time, with an override, stays: the day is
// stretched over it.
func TestAPlanKeepsWhatWasBookedAgainstTheRules(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 5)
	call := callOn(s, located(s, 39.80, -104.99, nil))
	early := s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": d.at(6, 30), "ends_at": d.at(7, 30),
		"override": "The only hour they are in."}).id()
	noon := callOn(s, located(s, 39.80, -104.99, nil))
	s.dispatcher.post("/v1/time-off", m{"person_id": s.tech.id.String(), "starts_on": d.date, "ends_on": d.date, "starts": "12:00", "ends": "13:00"})
	lunch := s.dispatcher.post("/v1/calls/"+noon+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": d.at(12, 15), "ends_at": d.at(12, 45),
		"override": "They asked for lunch time."}).id()
	free := bookAt(s, d, 39.74, 14, 10, 16)
	sheet := s.tech.get(d.path(s))
	require.Equal(t, 0.0, sheet.at("visits", 0, "slack_minutes"), "the day begins earlier")
	require.Equal(t, []any{"Booked against the rules: The only hour they are in."}, sheet.at("visits", 0, "warnings"))
	done := s.dispatcher.do("POST", d.path(s)+"/plan", m{"apply": true}).want(200)
	require.Equal(t, true, done.at("feasible"), done.at("sentence"))
	require.Equal(t, d.at(6, 30), visitStart(s, early))
	require.Equal(t, d.at(12, 15), visitStart(s, lunch))
	require.GreaterOrEqual(t, visitStart(s, free), d.at(10, 0))
}

// The part numbers of a sheet are those of the same model before any other; the
// sheet states what the data sheet knows and where to look for the rest.
func TestADaySheetSaysWhatToBring(t *testing.T) {
	j := newRepair(t)
	j.conclude(j.asFound(), j.act("replace_transition"))
	s := newScene(j.s)
	works(s, s.tech)
	d := aDay(t, 4)
	model := s.owner.get("/v1/units/" + j.unit).str("model")
	require.NotEmpty(t, model)
	same := located(s, 39.74, -104.99, m{"model": model, "serial": "S-1"})
	site := s.dispatcher.post("/v1/sites", m{"customer_id": s.get("customer"), "address": "Nowhere yet"}).id()
	other := s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "model": "ZZ-9"}).id()
	for i, unit := range []string{same, other} {
		call := callOn(s, unit)
		if unit == same {
			s.dispatcher.do("PATCH", "/v1/calls/"+call, m{"status": "waiting_for_parts"}, "If-Match", "*").want(200)
			s.dispatcher.do("POST", "/v1/calls/"+call+"/parts-arrived", nil, "If-Match", "*").want(200)
		}
		s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": d.at(9+2*i, 0), "ends_at": d.at(10+2*i, 0)})
	}
	got := s.tech.get(d.path(s))
	require.Equal(t, 39.74, got.at("base", "latitude"))
	require.Equal(t, 20.0, got.at("travel_home_minutes"), "a guess: the site is not located")
	require.Equal(t, d.at(12, 20), got.at("back_at"))
	require.NotEmpty(t, got.str("visits", 0, "parts_arrived_at"))
	require.Empty(t, got.at("visits", 0, "warnings"))
	require.Contains(t, got.str("visits", 1, "warnings", 0), "Nobody has located this site")
	require.Equal(t, m{"number": "TD-104", "name": "Transition duct", "times": 1.0, "times_same_model": 1.0}, fittedIn(got, 0))
	require.Equal(t, m{"number": "TD-104", "name": "Transition duct", "times": 1.0, "times_same_model": 0.0}, fittedIn(got, 1))
	require.NotEmpty(t, got.at("visits", 0, "cautions"))
	missing := got.at("visits", 0, "sheet_values_missing").([]any)
	require.NotEmpty(t, missing)
	page := string(s.tech.send(s.tech.request("GET", d.path(s), nil, "Accept", "text/html")).want(200).raw)
	for _, want := range []string{"the parts have come", "TD-104", "1 × in this model", "in other models only: compare", "Nobody has located this site", "back to the base"} {
		require.Contains(t, page, want)
	}
}

// fittedIn is the first part number of a visit of a day sheet.
func fittedIn(got answer, visit int) any {
	for _, p := range got.at("visits", visit, "parts_to_bring").([]any) {
		if f := p.(m)["fitted_before"].([]any); len(f) > 0 {
			return f[0]
		}
	}
	return nil
}

// Planning and booking at the same moment: every answer is a decision, and no
// hour is given twice.
func TestPlansAndBookingsAtOnce(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	works(s, s.tech)
	d := aDay(t, 5)
	for i, lat := range []float64{39.95, 39.50, 39.94} {
		bookAt(s, d, lat, 9+2*i, 8, 16)
	}
	var calls []string
	for range 6 {
		calls = append(calls, callOn(s, located(s, 39.74, -104.99, nil)))
	}
	statuses := make(chan int, 2*len(calls))
	for i, call := range calls {
		go func() {
			statuses <- s.dispatcher.send(s.dispatcher.request("POST", d.path(s)+"/plan", m{"apply": true})).status
		}()
		go func() {
			statuses <- s.dispatcher.send(s.dispatcher.request("POST", "/v1/calls/"+call+"/visits", m{"tech_id": s.tech.id.String(),
				"starts_at": d.at(8+i, 30), "ends_at": d.at(9+i, 0)})).status
		}()
	}
	for range 2 * len(calls) {
		require.Contains(t, []int{200, 201, 409}, <-statuses)
	}
	last := ""
	visits := s.dispatcher.get(d.path(s)).at("visits").([]any)
	require.GreaterOrEqual(t, len(visits), 4, "at least one booking found room")
	for _, x := range visits {
		v := x.(m)["visit"].(m)
		require.LessOrEqual(t, last, v["starts_at"].(string))
		last = v["ends_at"].(string)
	}
}
