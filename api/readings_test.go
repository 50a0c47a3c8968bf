package api_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
)

// m is a JSON object.
type m = map[string]any

// job is a visit to a dryer that runs too hot, with its data sheet. Its cycling
// thermostat is rated 155 °F, its bias heater 5,600 to 8,400 Ω.
type job struct {
	w                 *world
	s                 shop
	tech              *client
	unit, sheet       string
	call, visit       string
	readings, actions string // paths
}

func newJob(t *testing.T) *job { return newWorld(t).jobIn(func(w *world) shop { return w.a }) }

func (w *world) jobIn(of func(*world) shop) *job {
	w.t.Helper()
	s := of(w)
	j := &job{w: w, s: s, tech: s.tech}
	d := s.dispatcher
	customer := d.post("/v1/customers", m{"name": "Wren Ashby"}).id()
	site := d.post("/v1/sites", m{"customer_id": customer, "address": "14 Mill Road", "time_zone": "America/Denver"}).id()
	j.unit = d.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "model": "QX-410", "supply_volts": 240, "supply_wires": 4,
		"rated_watts": 5400, "features": []string{"bias_heater", "low_setting"}}).id()
	j.sheet = j.tech.post("/v1/data-sheets", m{"kind": "electric_dryer", "model": "QX 410"}).id()
	j.state("cycling_thermostat_rating", m{"value": 155, "unit": "[degF]"})
	j.state("bias_heater_resistance", m{"low": 5600, "high": 8400, "unit": "Ohm"})
	j.call = s.callFor(j.unit).id()
	j.visit = j.visitOf(j.tech)
	j.readings, j.actions = "/v1/visits/"+j.visit+"/readings", "/v1/visits/"+j.visit+"/actions"
	return j
}

var slot = 0

// visitOf books one more visit of the call.
func (j *job) visitOf(tech *client) string {
	slot++
	at := time.Date(2032, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(slot) * 2 * time.Hour)
	return j.s.dispatcher.post("/v1/calls/"+j.call+"/visits", m{"tech_id": tech.id.String(), "starts_at": at.Format(time.RFC3339),
		"ends_at": at.Add(time.Hour).Format(time.RFC3339)}).id()
}

// state enters a data-sheet value.
func (j *job) state(parameter string, value m) {
	value["origin"] = "tech sheet W-20, page 2"
	j.tech.do("PUT", "/v1/data-sheets/"+j.sheet+"/values/"+parameter, value).want(200)
}

var dead = m{"method": "plug_in_hand", "tester_before": true, "proven_dead": []string{"l1_l2", "l1_ground", "l2_ground"}, "tester_after": true}

func (j *job) isolate() answer { return j.tech.post("/v1/visits/"+j.visit+"/isolations", dead) }

func value(input string, v any, unit string) m { return m{"input": input, "value": v, "unit": unit} }

func choice(input, c string) m { return m{"input": input, "choice": c} }

// found is a reading of the machine as found.
func found(check string, values ...m) m {
	return m{"check": check, "phase": "as_found", "values": values}
}

func with(body m, pairs ...any) m {
	out := m{}
	for k, v := range body {
		out[k] = v
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		out[pairs[i].(string)] = pairs[i+1]
	}
	return out
}

var (
	hotRun = found("as_found_run", m{"input": "off_temperature", "values": []any{182, 184.5, 183}, "unit": "[degF]"},
		m{"input": "on_temperature", "values": []any{164, 165}, "unit": "[degF]"}, choice("setting", "high"), choice("load", "empty"))
	bias = found("bias_heater", value("resistance", 7000, "Ohm"), choice("wires_off", "yes"))
	late = found("cycling_thermostat_warm_up", value("last_closed", 184, "[degF]"), value("first_open", 186, "[degF]"), value("minutes", 6, "min"),
		choice("recloses", "yes"))
)

func init() { late["position"] = "heat_pair" }

func (a answer) verdict(i int) m {
	a.t.Helper()
	v, ok := a.at("reading", "verdicts", i).(map[string]any)
	require.True(a.t, ok)
	return v
}

func TestReadingBecomesVerdictAndAssessment(t *testing.T) {
	j := newJob(t)
	before := j.tech.get("/v1/calls/" + j.call + "/assessment")
	require.NotEmpty(t, before.at("next"))
	require.Equal(t, 0.0, before.at("coverage"))

	j.isolate()
	got := j.tech.post(j.readings, late)
	require.Equal(t, "/v1/readings/"+got.str("reading", "id"), got.header.Get("Location"))
	v := got.verdict(0)
	require.Equal(t, "does_not_conform", v["outcome"])
	require.Equal(t, "cycling_thermostat", v["part"])
	require.Equal(t, "yes", v["explains_complaint"])
	require.Contains(t, got.str("reading", "verdicts", 0, "limit", "origin"), "tech sheet W-20, page 2 (unconfirmed)")
	require.Equal(t, "sheet", got.str("reading", "verdicts", 0, "limit", "mark"))
	require.NotEmpty(t, v["sentence"])
	require.Equal(t, "cycling_thermostat", got.str("assessment", "ranking", 0, "part"))
	require.Greater(t, got.at("assessment", "coverage"), 0.0)
	require.Empty(t, got.at("assessment", "set_aside"))

	again := j.tech.get("/v1/readings/" + got.str("reading", "id"))
	require.Equal(t, got.at("reading", "verdicts"), again.at("verdicts"))
	require.Equal(t, got.at("reading", "values"), again.at("values"))
	all := j.tech.get("/v1/calls/" + j.call + "/readings")
	require.Len(t, all.at("items"), 1)
	require.Equal(t, got.at("reading"), all.at("items", 0))
	whole := j.tech.get("/v1/calls/" + j.call + "/assessment")
	for _, same := range []string{"sentence", "coverage", "enough", "missing", "catalogue"} {
		require.Equal(t, whole.at(same), got.at("assessment", same))
	}
	require.Equal(t, whole.at("ranking").([]any)[:5], got.at("assessment", "ranking"), "the likeliest of the whole")
	require.Equal(t, whole.at("next").([]any)[:3], got.at("assessment", "next"))
	require.Len(t, got.at("assessment", "parts"), 1, "what something is known of")
	require.Less(t, len(got.raw), 7000, "small enough for one bar of signal")
}

func TestEnteredDigitsAreKept(t *testing.T) {
	j := newJob(t)
	j.isolate()
	body := `{"check":"bias_heater","phase":"as_found","lead_resistance":{"value":0.20,"unit":"Ohm"},
		"values":[{"input":"resistance","value":7.000,"unit":"kOhm"},{"input":"wires_off","choice":"yes"}]}`
	got := j.tech.do("POST", j.readings, body).want(201)
	require.Contains(t, string(got.raw), `"value":7.000,"unit":"kOhm"`)
	require.Equal(t, 0.2, got.at("reading", "lead_resistance", "value"))
	require.Equal(t, "conforms", got.verdict(0)["outcome"])
	require.InDelta(t, 6999.8, got.at("reading", "verdicts", 0, "measured", "value"), 1e-9, "the leads are taken off")
	require.Equal(t, "Ohm", got.str("reading", "verdicts", 0, "measured", "unit"))
	many := j.tech.post(j.readings, hotRun)
	require.Equal(t, []any{182.0, 184.5, 183.0}, many.at("reading", "values", 1, "values"))
	require.Equal(t, "off_temperature", many.str("reading", "values", 1, "input"))
}

func TestIsolatedReadingNeedsIsolation(t *testing.T) {
	j := newJob(t)
	refused := j.tech.do("POST", j.readings, bias).want(409)
	require.Contains(t, refused.str("detail"), "prove it dead")
	require.Empty(t, j.tech.get("/v1/calls/"+j.call+"/readings").at("items"))

	iso := j.isolate()
	j.tech.do("POST", "/v1/visits/"+j.visit+"/isolations", dead).want(409)
	got := j.tech.post(j.readings, bias)
	require.Equal(t, iso.id(), got.str("reading", "isolation_id"))

	run := j.tech.post(j.readings, hotRun)
	require.Contains(t, fmt.Sprint(run.at("warnings")), "ended the isolation")
	list := j.tech.get("/v1/visits/" + j.visit + "/isolations")
	require.NotNil(t, list.at("items", 0, "ended_at"))
	require.Contains(t, list.str("items", 0, "ended_because"), "Powered for the check")
	j.tech.do("POST", j.readings, bias).want(409)
	j.tech.do("POST", j.readings, with(bias, "isolation_id", iso.id())).want(409)
	j.tech.do("POST", j.readings, with(bias, "isolation_id", j.call)).want(422)

	second := j.isolate()
	end := "/v1/visits/" + j.visit + "/isolations/" + second.id() + "/end"
	ended := j.tech.do("POST", end, m{"reason": "Lunch."}).want(200)
	require.Equal(t, "Lunch.", ended.str("ended_because"))
	require.Equal(t, ended.at("ended_at"), j.tech.do("POST", end, m{}).want(200).at("ended_at"), "ending twice changes nothing")
	j.tech.do("POST", j.readings, with(bias, "values", nil, "not_done", "Thermostat riveted in.")).want(201)
}

func TestIsolationIsLiveDeadLive(t *testing.T) {
	j := newJob(t)
	path := "/v1/visits/" + j.visit + "/isolations"
	for _, c := range []struct {
		change []any
		want   string
	}{
		{[]any{"tester_before", false}, "/tester_before required"},
		{[]any{"tester_after", false}, "/tester_after required"},
		{[]any{"proven_dead", []string{"l1_l2", "l1_ground"}}, "/proven_dead required"},
		{[]any{"proven_dead", []string{"l1_l2", "l1_ground", "l2_ground", "l1_l2"}}, "/proven_dead/3 unknown"},
		{[]any{"method", "gas_cock_and_plug"}, "/method forbidden"},
	} {
		a := j.tech.do("POST", path, with(dead, c.change...)).want(422)
		require.Contains(t, a.fields(), c.want)
	}
	require.Contains(t, j.tech.do("POST", path, with(dead, "proven_dead", []string{"l1_l2"})).want(422).str("detail"), "l1_ground, l2_ground")
	j.s.dispatcher.do("POST", path, dead).want(403)
	j.s.mate.do("POST", path, dead).want(404)
	j.isolate()
	j.visit = j.visitOf(j.s.mate)
	j.s.mate.post("/v1/visits/"+j.visit+"/isolations", with(dead, "method", "plug_in_sight"))
	first := j.tech.get(path)
	require.Contains(t, first.str("items", 0, "ended_because"), "later visit")
}

func TestBadReadingNamesFieldAndChangesNothing(t *testing.T) {
	j := newJob(t)
	j.isolate()
	ohm := func(v any, unit string) []m { return []m{value("resistance", v, unit), choice("wires_off", "yes")} }
	series := func(s m) m { return with(late, "values", []m{}, "series", s) }
	long := make([]float64, 20_001)
	for _, c := range []struct {
		name   string
		body   any
		status int
		want   string
	}{
		{"unknown check", found("flux_capacitor"), 422, "/check unknown"},
		{"unknown input", with(bias, "values", []m{value("luck", 1, "Ohm")}), 422, "/values/0/input unknown"},
		{"input twice", with(bias, "values", append(ohm(1, "Ohm"), choice("wires_off", "no"))), 422, "/values/2/input twice"},
		{"unknown choice", with(bias, "values", []m{value("resistance", 1, "Ohm"), choice("wires_off", "perhaps")}), 422, "/values/1/choice choice"},
		{"choice for a number", with(bias, "values", []m{choice("resistance", "big")}), 422, "/values/0/choice quantity"},
		{"number for a choice", with(bias, "values", []m{value("wires_off", 1, "Ohm")}), 422, "/values/0/choice choice"},
		{"unknown position", with(late, "position", "elsewhere"), 422, "/position unknown"},
		{"no position", with(late, "position", ""), 422, "/position required"},
		{"wrong quantity", with(bias, "values", ohm(5, "V")), 422, "/values/0/unit unit"},
		{"no unit", with(bias, "values", ohm(5, "")), 422, "/values/0/unit required"},
		{"negative ohms", with(bias, "values", ohm(-5, "Ohm")), 422, "/values/0/value range"},
		{"below absolute zero", with(late, "values", []m{value("first_open", -500, "[degF]")}), 422, "/values/0/value range"},
		{"below absolute zero, of several", with(hotRun, "values", []m{{"input": "off_temperature", "values": []any{170, -500}, "unit": "[degF]"},
			choice("setting", "high"), choice("load", "empty")}), 422, "/values/0/values/1 range"},
		{"beyond a float", `{"check":"bias_heater","phase":"as_found","values":[{"input":"resistance","value":1e400,"unit":"Ohm"}]}`, 400, "/values/0/value number_out_of_range"},
		{"beyond a float in SI", with(bias, "values", ohm(1e308, "MOhm")), 422, "/values/0/value finite"},
		{"not a number", `{"check":"bias_heater","phase":"as_found","values":[{"input":"resistance","value":NaN,"unit":"Ohm"}]}`, 400, "/values/0/value malformed_json"},
		{"two forms", with(bias, "values", []m{with(value("resistance", 1, "Ohm"), "over_range", true)}), 422, "/values/0 shape"},
		{"several for one", with(bias, "values", []m{{"input": "resistance", "values": []any{1, 2}, "unit": "Ohm"}, choice("wires_off", "yes")}), 422, "/values/0/values shape"},
		{"missing input", with(bias, "values", []m{choice("wires_off", "yes")}), 422, "/values required"},
		{"unknown field", with(bias, "voltage", 3), 422, "/voltage unknown_field"},
		{"phase", with(bias, "phase", "later"), 422, "/phase not_listed"},
		{"verification of nothing done", with(bias, "phase", "verification"), 422, "/phase no_action"},
		{"future", with(bias, "observed_at", time.Now().Add(time.Hour).Format(time.RFC3339)), 422, "/observed_at future"},
		{"long ago", with(bias, "observed_at", time.Now().AddDate(0, 0, -2).Format(time.RFC3339)), 422, "/observed_at too_early"},
		{"version of the id", with(bias, "id", "00000000-0000-1000-8000-000000000001"), 422, "/id version"},
		{"leads", with(bias, "lead_resistance", m{"value": -0.1, "unit": "Ohm"}), 422, "/lead_resistance/value range"},
		{"leads in volts", with(bias, "lead_resistance", m{"value": 0.1, "unit": "V"}), 422, "/lead_resistance/unit unit"},
		{"instrument", with(bias, "instrument_id", j.call), 422, "/instrument_id unknown"},
		{"not done with values", with(bias, "not_done", "Seized."), 422, "/not_done forbidden"},
		{"series not taken", with(bias, "series", m{"t_s": []any{0, 1}, "value": []any{1, 2}, "unit": "Ohm"}), 422, "/series forbidden"},
		{"series unordered", series(m{"t_s": []any{0, 2, 1}, "value": []any{70, 71, 72}, "closed": []any{true, true, true}, "unit": "[degF]"}), 422, "/series/t_s/2 order"},
		{"series lengths", series(m{"t_s": []any{0, 1, 2}, "value": []any{70, 71}, "closed": []any{true, true, true}, "unit": "[degF]"}), 422, "/series/value shape"},
		{"series states", series(m{"t_s": []any{0, 1}, "value": []any{70, 71}, "closed": []any{true}, "unit": "[degF]"}), 422, "/series/closed shape"},
		{"series unit", series(m{"t_s": []any{0, 1}, "value": []any{70, 71}, "closed": []any{true, true}, "unit": "Ohm"}), 422, "/series/unit unit"},
		{"series too cold", series(m{"t_s": []any{0, 1}, "value": []any{70, -900}, "closed": []any{true, true}, "unit": "[degF]"}), 422, "/series/value/1 range"},
		{"series too long", series(m{"t_s": long, "value": []any{70, 71}, "unit": "[degF]"}), 422, "/series/t_s too_many"},
		{"check for another unit", found("thermistor_seat", choice("result", "in_place")), 422, "/check forbidden"},
	} {
		a := j.tech.do("POST", j.readings, c.body)
		require.Equal(t, c.status, a.status, "%s: %s", c.name, a.raw)
		require.Contains(t, a.fields(), c.want, "%s: %s", c.name, a.raw)
	}
	require.Contains(t, j.tech.do("POST", j.readings, with(bias, "values", ohm(5, "kohm"))).want(422).str("detail"), "write kOhm")
	require.Contains(t, j.tech.do("POST", j.readings, with(bias, "values", ohm(5, "V"))).want(422).str("detail"), "Ohm or kOhm")
	j.tech.do("POST", j.readings, `{"check":"bias_heater","note":"`+strings.Repeat("x", 10<<20)+`"}`).want(413)
	require.Empty(t, j.tech.get("/v1/calls/"+j.call+"/readings").at("items"), "nothing was stored")
	require.Nil(t, j.tech.get("/v1/visits/"+j.visit+"/isolations").at("items", 0, "ended_at"))
}

func TestClientMadeIds(t *testing.T) {
	j := newJob(t)
	j.isolate()
	body := with(bias, "id", domain.NewID(time.Now()).String(), "observed_at", time.Now().Add(-time.Minute).Format(time.RFC3339))
	first := j.tech.do("POST", j.readings, body, "Idempotency-Key", "r-1").want(201)
	require.Equal(t, body["id"], first.str("reading", "id"))
	again := j.tech.do("POST", j.readings, body, "Idempotency-Key", "r-1").want(201)
	require.Equal(t, string(first.raw), string(again.raw))
	require.Equal(t, "true", again.header.Get("Idempotent-Replayed"))
	j.tech.do("POST", j.readings, with(body, "note", "x"), "Idempotency-Key", "r-1").want(422)
	j.tech.do("POST", j.readings, body, "Idempotency-Key", "r-2").want(409)
	require.Len(t, j.tech.get("/v1/calls/"+j.call+"/readings").at("items"), 1)

	other := j.w.jobIn(func(w *world) shop { return w.b })
	other.isolate()
	other.tech.do("POST", other.readings, body).want(201)
}

func TestLiveCheckWithoutCompetenceIsSetAside(t *testing.T) {
	j := newJob(t)
	supply := found("supply_loaded", value("line_to_line", 236, "V"))
	got := j.tech.post(j.readings, supply)
	require.Equal(t, true, got.at("reading", "set_aside"))
	require.Contains(t, fmt.Sprint(got.at("warnings")), "live competence")
	id := got.str("reading", "id")
	require.Equal(t, []any{id}, got.at("assessment", "set_aside"))
	require.Equal(t, 0.0, got.at("assessment", "coverage"))
	for _, n := range got.at("assessment", "next").([]any) {
		require.NotEqual(t, "live_open", n.(map[string]any)["state"], "not offered either")
	}
	waiting := j.s.owner.get("/v1/waiting-readings")
	require.Equal(t, id, waiting.str("items", 0, "id"))
	j.tech.do("GET", "/v1/waiting-readings", nil).want(403)

	path := "/v1/readings/" + id + "/countersign"
	j.tech.do("POST", path, nil).want(403)
	require.Contains(t, j.s.owner.do("POST", path, nil).want(403).str("detail"), "live competence")
	j.s.mate.do("POST", path, nil).want(404)
	for _, c := range []*client{j.s.mate, j.tech} {
		j.s.owner.do("PATCH", "/v1/people/"+c.id.String(), m{"competences": []m{{"name": "live", "certificate": "L-1", "expires_on": "2099-01-01"}}},
			"If-Match", "*").want(200)
	}
	j.tech.do("POST", path, nil).want(403)
	j.visitOf(j.s.mate)
	signed := j.s.mate.do("POST", path, nil).want(200)
	require.Equal(t, j.s.mate.id.String(), signed.str("countersigned_by"))
	require.Equal(t, signed.raw, j.s.mate.do("POST", path, nil).want(200).raw, "twice changes nothing")
	after := j.s.mate.get("/v1/calls/" + j.call + "/assessment")
	require.Empty(t, after.at("set_aside"))
	require.Empty(t, j.s.owner.get("/v1/waiting-readings").at("items"))
	require.Equal(t, false, j.tech.post(j.readings, supply).at("reading", "set_aside"), "now competent")
	j.s.owner.do("PATCH", "/v1/people/"+j.tech.id.String(), m{"competences": []m{{"name": "live", "certificate": "L-1", "expires_on": "2020-01-01"}}},
		"If-Match", "*").want(200)
	j.tech = j.w.signIn(j.s.code, j.tech.email, testPassword)
	require.Equal(t, true, j.tech.post(j.readings, supply).at("reading", "set_aside"), "an expired competence is none")
}

func TestVoidedReadingNoLongerCounts(t *testing.T) {
	j := newJob(t)
	j.isolate()
	got := j.tech.post(j.readings, late)
	path := "/v1/readings/" + got.str("reading", "id") + "/void"
	j.tech.do("POST", path, m{"reason": ""}).want(422)
	j.s.mate.do("POST", path, m{"reason": "x"}).want(404)
	gone := j.tech.do("POST", path, m{"reason": "Wrong terminal."}).want(200)
	require.Equal(t, "Wrong terminal.", gone.str("void_reason"))
	require.Equal(t, gone.raw, j.tech.do("POST", path, m{"reason": "Another."}).want(200).raw)
	require.Equal(t, 0.0, j.tech.get("/v1/calls/"+j.call+"/assessment").at("coverage"))
	require.Equal(t, "Wrong terminal.", j.tech.get("/v1/calls/"+j.call+"/readings").str("items", 0, "void_reason"))
}

func TestLateSheetValueSupersedesVerdicts(t *testing.T) {
	j := newJob(t)
	j.isolate()
	stamp := found("high_limit_warm_up", value("last_closed", 248, "[degF]"), value("first_open", 250, "[degF]"), value("minutes", 6, "min"), choice("recloses", "yes"))
	got := j.tech.post(j.readings, stamp)
	require.Equal(t, "inconclusive", got.verdict(0)["outcome"])
	require.Equal(t, "high_limit_rating", got.verdict(0)["missing"])
	require.Contains(t, fmt.Sprint(got.at("assessment", "missing")), "high_limit_rating")
	id := got.str("reading", "id")

	j.state("high_limit_rating", m{"value": 250, "unit": "[degF]"})
	seen := j.tech.get("/v1/calls/" + j.call + "/assessment")
	require.Equal(t, []any{id}, seen.at("outdated"), "judged anew for the answer")
	require.NotContains(t, fmt.Sprint(seen.at("missing")), "high_limit_rating")
	require.Equal(t, "inconclusive", j.tech.get("/v1/readings/"+id).str("verdicts", 0, "outcome"), "a read stores nothing")

	redone := j.tech.do("POST", "/v1/calls/"+j.call+"/rederive", nil).want(200)
	require.Equal(t, 1.0, redone.at("changed"))
	require.Equal(t, 0.0, j.tech.do("POST", "/v1/calls/"+j.call+"/rederive", nil).want(200).at("changed"))
	now := j.tech.get("/v1/readings/" + id)
	require.Equal(t, "conforms", now.str("verdicts", 0, "outcome"))
	history := j.tech.get("/v1/readings/" + id + "/verdicts")
	require.Len(t, history.at("items"), 2)
	require.Equal(t, now.str("verdicts", 0, "id"), history.str("items", 0, "superseded_by"))
	require.Empty(t, j.tech.get("/v1/calls/"+j.call+"/assessment").at("outdated"))

	// A new reading does the same on its way, also for a logged series.
	j.state("high_limit_rating", m{"value": 205, "unit": "[degF]"})
	j.tech.post(j.readings, bias)
	require.Equal(t, "does_not_conform", j.tech.get("/v1/readings/"+id).str("verdicts", 0, "outcome"))
	require.Len(t, j.tech.get("/v1/readings/"+id+"/verdicts").at("items"), 3)
}

func TestSeriesIsKeptAndJudgedAgain(t *testing.T) {
	j := newJob(t)
	j.isolate()
	var ts, vs []float64
	var closed []bool
	for i := range 61 { // 100 to 220 °F at 2 °F a minute; opens at 188 °F
		ts, vs, closed = append(ts, float64(i)*60), append(vs, 100+2*float64(i)), append(closed, i < 44)
	}
	got := j.tech.post(j.readings, m{"check": "cycling_thermostat_warm_up", "phase": "as_found", "position": "heat_pair",
		"series": m{"t_s": ts, "value": vs, "closed": closed, "unit": "[degF]"}})
	require.Equal(t, "does_not_conform", got.verdict(0)["outcome"], "%s", got.raw)
	require.Equal(t, 61.0, got.at("reading", "points"))
	require.Nil(t, got.at("reading", "series"), "not sent back")
	whole := j.tech.get("/v1/readings/" + got.str("reading", "id"))
	require.Len(t, whole.at("series", "t_s"), 61)
	require.Equal(t, "K", whole.str("series", "unit"))
	require.InDelta(t, (100+459.67)*5/9, whole.at("series", "value", 0), 1e-9)
	j.state("cycling_thermostat_rating", m{"value": 185, "unit": "[degF]"})
	j.tech.post(j.readings, bias)
	again := j.tech.get("/v1/readings/" + got.str("reading", "id"))
	require.Equal(t, "conforms", again.str("verdicts", 0, "outcome"), "%s", again.raw)
}

func TestInstrumentIsTakenAsItWas(t *testing.T) {
	j := newJob(t)
	j.isolate()
	meter := j.tech.post("/v1/instruments", m{"name": "Pocket meter", "calibration_due_on": "2020-01-01", "accuracies": []m{{"quantity": "resistance",
		"method": "meter", "percent_of_reading": 1, "counts": 2, "resolution": m{"value": 1, "unit": "Ohm"}}}}).id()
	sure := j.tech.post(j.readings, with(bias, "instrument_id", meter))
	require.Contains(t, fmt.Sprint(sure.at("warnings")), "calibration")
	wide := j.tech.do("PATCH", "/v1/instruments/"+meter, m{"accuracies": []m{{"quantity": "voltage", "method": "meter", "percent_of_reading": 1}}}, "If-Match", "*")
	wide.want(200)
	other := j.tech.post(j.readings, with(bias, "instrument_id", meter))
	require.Contains(t, fmt.Sprint(other.at("warnings")), "accuracy for resistance is not on record")
	j.state("bias_heater_resistance", m{"low": 5601, "high": 8400, "unit": "Ohm"})
	j.tech.do("POST", "/v1/calls/"+j.call+"/rederive", nil).want(200)
	kept := j.tech.get("/v1/readings/" + sure.str("reading", "id"))
	require.Equal(t, sure.at("reading", "verdicts", 0, "uncertainty"), kept.at("verdicts", 0, "uncertainty"))
}

func TestClosedCallTakesNoReadings(t *testing.T) {
	j := newJob(t)
	j.isolate()
	got := j.tech.post(j.readings, bias)
	act := j.tech.post(j.actions, m{"action": "open_machine"})
	j.s.closed(j.call, "declined")
	j.tech.do("POST", j.readings, bias).want(409)
	j.tech.do("POST", j.actions, m{"action": "open_machine"}).want(409)
	j.tech.do("POST", "/v1/readings/"+got.str("reading", "id")+"/void", m{"reason": "x"}).want(409)
	j.tech.do("POST", "/v1/actions/"+act.id()+"/void", m{"reason": "x"}).want(409)
	j.tech.do("POST", "/v1/calls/"+j.call+"/rederive", nil).want(409)
	j.tech.get("/v1/calls/" + j.call + "/assessment")
}

func TestReadingsAreForThoseOnTheCall(t *testing.T) {
	j := newJob(t)
	j.isolate()
	id := j.tech.post(j.readings, bias).str("reading", "id")
	absent := j.s.mate.do("GET", "/v1/readings/"+domain.NewID(time.Now()).String(), nil).want(404)
	for _, path := range []string{"/v1/readings/" + id, "/v1/readings/" + id + "/verdicts", "/v1/calls/" + j.call + "/readings", "/v1/calls/" + j.call + "/assessment"} {
		require.Equal(t, string(absent.raw), string(j.s.mate.do("GET", path, nil).want(404).raw), path)
		require.Equal(t, string(absent.raw), string(j.w.b.owner.do("GET", path, nil).want(404).raw), path)
		j.s.dispatcher.get(path)
		j.s.owner.get(path)
	}
	j.s.dispatcher.do("POST", j.readings, bias).want(403)
	j.s.mate.do("POST", j.readings, bias).want(404)
	j.s.owner.post(j.readings, bias)
	j.s.dispatcher.step(j.visitOf(j.tech), "cancelled")
}

func TestReadingTakesThreeRoundTrips(t *testing.T) {
	j := newJob(t)
	j.isolate()
	trips := &tripCounter{}
	cfg := j.w.pool.Pool.Config()
	cfg.ConnConfig.Tracer = trips
	traced := tracedPool(t, cfg)
	j.w.pool.Pool, traced = traced, j.w.pool.Pool
	defer func() { j.w.pool.Pool = traced }()
	j.tech.post(j.readings, bias) // the statements are prepared by now
	trips.n.Store(0)
	j.tech.post(j.readings, bias)
	require.LessOrEqual(t, trips.n.Load(), int64(3), "begin and load, store, commit")
}

var _ pgx.BatchTracer = (*tripCounter)(nil)

func TestReadingsOfOneCallFollowEachOther(t *testing.T) {
	j := newJob(t)
	j.isolate()
	const n = 6
	answers := make([]answer, n)
	var wg sync.WaitGroup
	for i := range n {
		req := j.tech.request("POST", j.readings, bias)
		wg.Go(func() { answers[i] = j.tech.send(req) })
	}
	wg.Wait()
	for _, a := range answers {
		require.Equal(t, 201, a.status, "%s", a.raw)
	}
	require.Len(t, j.tech.get("/v1/calls/"+j.call+"/readings").at("items"), n)

	// One id, two requests at once: one is stored.
	body := with(bias, "id", domain.NewID(time.Now()).String())
	statuses := make([]int, 2)
	for i := range statuses {
		req := j.tech.request("POST", j.readings, body)
		wg.Go(func() { statuses[i] = j.tech.send(req).status })
	}
	wg.Wait()
	require.ElementsMatch(t, []int{201, 409}, statuses)
}

// A phone without a signal sends later what was done earlier, in its order.
func TestReadingsSentLate(t *testing.T) {
	j := newJob(t)
	ago := func(minutes int) string {
		return time.Now().Add(-time.Duration(minutes) * time.Minute).UTC().Format(time.RFC3339)
	}
	first := j.tech.post("/v1/visits/"+j.visit+"/isolations", with(dead, "isolated_at", ago(60)))
	run := j.tech.post(j.readings, with(hotRun, "observed_at", ago(30)))
	require.Len(t, run.at("warnings"), 1)
	ended := j.tech.get("/v1/visits/"+j.visit+"/isolations").str("items", 0, "ended_at")
	require.Equal(t, run.str("reading", "observed_at"), ended)
	second := j.tech.post("/v1/visits/"+j.visit+"/isolations", with(dead, "isolated_at", ago(20)))

	early := j.tech.post(j.readings, with(bias, "observed_at", ago(45), "isolation_id", first.id()))
	require.Equal(t, first.id(), early.str("reading", "isolation_id"))
	j.tech.do("POST", j.readings, with(bias, "observed_at", ago(45))).want(409)
	require.Empty(t, j.tech.post(j.readings, with(hotRun, "observed_at", ago(50))).at("warnings"), "before the open isolation: it does not end it")
	require.Equal(t, second.id(), j.tech.post(j.readings, bias).str("reading", "isolation_id"))
	j.tech.do("POST", "/v1/visits/"+j.visit+"/isolations/"+second.id()+"/end", m{}).want(200)
	old := j.tech.post("/v1/visits/"+j.visit+"/isolations", with(dead, "isolated_at", ago(40)))
	require.Equal(t, run.str("reading", "observed_at"), old.str("ended_at"), "the run at 30 minutes ago ended it")
	items := j.tech.get("/v1/calls/" + j.call + "/readings")
	require.Equal(t, []string{"as_found_run", "bias_heater", "as_found_run", "bias_heater"}, items.column("check"), "in the order they were taken")
}

func TestElectricChecksAreNotForGas(t *testing.T) {
	j := newJob(t)
	j.tech.do("PATCH", "/v1/units/"+j.unit, m{"fuel": "gas"}, "If-Match", "*").want(200)
	refused := j.tech.do("POST", j.readings, found("duct_off_run", value("flow_on", 100, "[cft_i]/min"), value("flow_off", 120, "[cft_i]/min"))).want(422)
	require.Contains(t, refused.fields(), "/check forbidden")
	require.Contains(t, refused.str("detail"), "carbon monoxide")
}

func TestContradictingReadingsStandOut(t *testing.T) {
	j := newJob(t)
	j.isolate()
	j.tech.post(j.readings, late)
	good := with(late, "values", []m{value("last_closed", 156, "[degF]"), value("first_open", 158, "[degF]"), value("minutes", 10, "min"), choice("recloses", "yes")})
	got := j.tech.post(j.readings, good)
	require.Equal(t, "cycling_thermostat", got.str("assessment", "contradictions", 0, "part"))
	require.Contains(t, got.str("assessment", "contradictions", 0, "sentence"), "repeat both")
}
