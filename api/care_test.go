package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
)

// dues lists "scope date" of the yearly task of a care plan.
func dues(a answer) []string {
	a.t.Helper()
	var out []string
	for i := range a.at("tasks", 0, "scopes").([]any) {
		due, ok := a.at("tasks", 0, "scopes", i, "due_on").(string)
		if !ok {
			due = "unknown"
		}
		out = append(out, a.str("tasks", 0, "scopes", i, "scope")+" "+due)
	}
	return out
}

func TestCareFollowsCleanings(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	h := w.a.newHouse() // installed on 2021-05-20
	path := "/v1/units/" + h.unit + "/care"
	plan := d.get(path)
	require.Equal(t, "2022-05-20", plan.str("due_on"))
	require.Equal(t, true, plan.at("overdue"))
	require.Equal(t, "lint_path", plan.str("tasks", 0, "id"))
	require.Equal(t, "installed_on", plan.str("tasks", 0, "scopes", 0, "basis"))
	require.Equal(t, "screen", plan.str("tasks", 1, "id"))
	require.Equal(t, "customer", plan.str("tasks", 1, "whose"))
	require.Nil(t, plan.at("tasks", 1, "due_on"))

	body := map[string]any{"done_on": "2024-02-29", "scopes": []string{"cabinet", "blower", "transition_duct", "run", "hood"}, "done_by": "other_firm"}
	made := d.do("POST", path+"/cleanings", body, "Idempotency-Key", "c-1").want(201)
	again := d.do("POST", path+"/cleanings", body, "Idempotency-Key", "c-1").want(201)
	require.Equal(t, string(made.raw), string(again.raw))
	require.Equal(t, "2025-02-28", d.get(path).str("due_on"), "29 February plus twelve months")

	d.post(path+"/cleanings", map[string]any{"done_on": "2025-06-01", "scopes": []string{"hood", "screen"}, "done_by": "customer", "note": "With a brush."})
	plan = d.get(path)
	require.Equal(t, []string{"cabinet 2025-02-28", "blower 2025-02-28", "transition_duct 2025-02-28", "run 2025-02-28", "hood 2026-06-01"}, dues(plan))
	require.Equal(t, "2025-06-01", plan.str("tasks", 1, "scopes", 0, "last_done_on"))
	require.Equal(t, "2025-06-01", plan.str("cleanings", 0, "done_on"), "latest first")

	cleaning := path + "/cleanings/" + made.id() + "/void"
	gone := d.do("POST", cleaning, map[string]any{"reason": "Was the neighbour's."}).want(200)
	require.Equal(t, "Was the neighbour's.", gone.str("void_reason"))
	again = d.do("POST", cleaning, map[string]any{"reason": "Again."}).want(200)
	require.Equal(t, string(gone.raw), string(again.raw), "voiding again changes nothing")
	plan = d.get(path)
	require.Equal(t, []string{"cabinet 2022-05-20", "blower 2022-05-20", "transition_duct 2022-05-20", "run 2022-05-20", "hood 2026-06-01"}, dues(plan))
	require.Len(t, plan.at("cleanings"), 2, "a voided one stays visible")
}

func TestCareOfAUnitNobodyKnows(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	h := w.a.newHouse()
	d.do("PATCH", "/v1/units/"+h.unit, map[string]any{"installed_on": nil}, "If-Match", "*").want(200)
	plan := d.get("/v1/units/" + h.unit + "/care")
	require.Nil(t, plan.at("due_on"))
	require.Equal(t, false, plan.at("overdue"))
	require.Equal(t, "unknown", plan.str("tasks", 0, "scopes", 0, "basis"))
	require.Contains(t, plan.str("tasks", 0, "reason"), "Not known")
}

// Today is the day at the unit: 15 hours apart on the same instant.
func TestTodayIsTheDayAtTheSite(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	now := w.clock.now()
	for _, zone := range []string{"Pacific/Kiritimati", "Pacific/Pago_Pago"} {
		h := w.a.newHouse()
		d.do("PATCH", "/v1/sites/"+h.site, map[string]any{"time_zone": zone}, "If-Match", "*").want(200)
		z, err := time.LoadLocation(zone)
		require.NoError(t, err)
		today := domain.DateOf(now.In(z))
		path := "/v1/units/" + h.unit + "/care"
		require.Contains(t, []string{today.String(), domain.DateOf(w.clock.now().In(z)).String()}, d.get(path).str("today_on"))
		body := map[string]any{"done_on": domain.DateOf(now.In(z).AddDate(0, 0, 2)), "scopes": []string{"run"}, "done_by": "us"}
		got := d.do("POST", path+"/cleanings", body).want(422)
		require.Equal(t, []string{"/done_on in_future"}, got.fields())
		body["done_on"] = today
		d.post(path+"/cleanings", body)
	}
}

func TestACleaningIsRefusedWithItsField(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	h := w.a.newHouse()
	path := "/v1/units/" + h.unit + "/care/cleanings"
	for _, c := range []struct{ name, body, field string }{
		{"no scopes", `{"done_on":"2025-01-01","scopes":[],"done_by":"us"}`, "/scopes"},
		{"unknown scope", `{"done_on":"2025-01-01","scopes":["attic"],"done_by":"us"}`, "/scopes/0"},
		{"scope twice", `{"done_on":"2025-01-01","scopes":["run","run"],"done_by":"us"}`, "/scopes"},
		{"no day", `{"scopes":["run"],"done_by":"us"}`, "/done_on"},
		{"30 February", `{"done_on":"2025-02-30","scopes":["run"],"done_by":"us"}`, "/done_on"},
		{"nobody", `{"done_on":"2025-01-01","scopes":["run"],"done_by":"gnomes"}`, "/done_by"},
		{"long note", `{"done_on":"2025-01-01","scopes":["run"],"done_by":"us","note":"` + strings.Repeat("x", 2001) + `"}`, "/note"},
		{"void from the start", `{"done_on":"2025-01-01","scopes":["run"],"done_by":"us","voided_at":"2025-01-01T00:00:00Z"}`, "/voided_at"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := d.do("POST", path, c.body)
			require.Contains(t, []int{400, 422}, got.status)
			require.Contains(t, fmt.Sprint(got.fields()), c.field)
		})
	}
	require.Empty(t, d.get("/v1/units/"+h.unit+"/care").at("cleanings"))
}

func TestCareStaysInItsShop(t *testing.T) {
	w := newWorld(t)
	h, foreign := w.a.newHouse(), w.b.newHouse()
	body := map[string]any{"done_on": "2025-01-01", "scopes": []string{"run"}, "done_by": "us"}
	made := w.a.dispatcher.post("/v1/units/"+h.unit+"/care/cleanings", body)
	b := w.b.dispatcher
	absent := domain.NewID(time.Now()).String()
	for _, unit := range []string{h.unit, absent} {
		b.do("GET", "/v1/units/"+unit+"/care", nil).want(404)
		b.do("POST", "/v1/units/"+unit+"/care/cleanings", body).want(404)
		b.do("POST", "/v1/units/"+unit+"/care/cleanings/"+made.id()+"/void", map[string]any{"reason": "x"}).want(404)
	}
	b.do("POST", "/v1/units/"+foreign.unit+"/care/cleanings/"+made.id()+"/void", map[string]any{"reason": "x"}).want(404)
	w.a.dispatcher.do("POST", "/v1/units/"+w.a.newHouse().unit+"/care/cleanings/"+made.id()+"/void", map[string]any{"reason": "x"}).want(404)
	w.a.tech.do("GET", "/v1/units/"+h.unit+"/care", nil).want(404) // nobody sent them there
	w.a.tech.do("POST", "/v1/units/"+h.unit+"/care/cleanings", body).want(403)
	w.a.dispatcher.do("POST", "/v1/units/"+h.unit+"/care/cleanings/"+made.id()+"/void", map[string]any{"reason": ""}).want(422)
	require.Nil(t, w.a.dispatcher.get("/v1/units/"+h.unit+"/care").at("cleanings", 0, "voided_at"))
}
