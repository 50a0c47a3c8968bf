package main

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api/apitest"
	"drumline/cmd/drumline/seed"
	"drumline/domain"
)

type m = map[string]any

// worker speaks to the running service as one person; each answer is held
// against the document the service gives of itself.
type worker struct {
	t     *testing.T
	url   string
	token string
	valid *apitest.Validator
	n     *int
}

// ask sends a request and expects a status; header pairs are added.
func (w worker) ask(status int, method, path string, body any, header ...string) m {
	w.t.Helper()
	var text []byte
	if body != nil {
		var err error
		text, err = json.Marshal(body)
		require.NoError(w.t, err)
	}
	req, err := http.NewRequestWithContext(w.t.Context(), method, w.url+path, strings.NewReader(string(text)))
	require.NoError(w.t, err)
	req.Header.Set("Authorization", "Bearer "+w.token)
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	*w.n++
	req.Header.Set("Idempotency-Key", fmt.Sprintf("job-%d-%d", time.Now().UnixNano(), *w.n))
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := http.DefaultClient.Do(req)
	require.NoError(w.t, err)
	defer func() { require.NoError(w.t, res.Body.Close()) }()
	got, err := io.ReadAll(res.Body)
	require.NoError(w.t, err)
	require.Equal(w.t, status, res.StatusCode, "%s %s: %s", method, path, got)
	require.NoError(w.t, w.valid.Response(method, strings.SplitN(path, "?", 2)[0], res.StatusCode, res.Header, got))
	out := m{}
	if strings.HasPrefix(res.Header.Get("Content-Type"), "application/json") || strings.Contains(res.Header.Get("Content-Type"), "problem") {
		require.NoError(w.t, json.Unmarshal(got, &out))
	}
	return out
}

func (w worker) post(path string, body any) m { w.t.Helper(); return w.ask(201, "POST", path, body) }
func (w worker) get(path string) m            { w.t.Helper(); return w.ask(200, "GET", path, nil) }

// dig walks an answer.
func dig(t *testing.T, v any, path ...any) any {
	t.Helper()
	for _, p := range path {
		switch k := p.(type) {
		case string:
			o, ok := v.(m)
			require.True(t, ok, "%v in %v", path, v)
			v = o[k]
		case int:
			l, ok := v.([]any)
			require.True(t, ok && k < len(l), "%v in %v", path, v)
			v = l[k]
		}
	}
	return v
}

func num(input string, v float64, unit string) m { return m{"input": input, "value": v, "unit": unit} }
func open(input, unit string) m                  { return m{"input": input, "over_range": true, "unit": unit} }
func pick(input, choice string) m                { return m{"input": input, "choice": choice} }
func many(input, unit string, v ...float64) m    { return m{"input": input, "values": v, "unit": unit} }
func off() m                                     { return pick("wires_off", "yes") }

// posted is one reading of the job: check, position, entries and the outcome
// the first verdict must have ("" for any).
type posted struct {
	check, position string
	values          []any
	outcome         string
}

// asFound are the readings of a dryer whose exhaust run is blocked: short
// heats on the high limit, little air at the hood, high pressure at the
// collar, and all well with the duct off. Common practice, no source.
var asFound = []posted{
	{"hood_look", "", []any{pick("result", "weak_flow")}, ""},
	{"hood", "", []any{num("velocity", 610, "[ft_i]/min")}, "does_not_conform"},
	{"lint_screen", "", []any{pick("result", "clean")}, "conforms"},
	{"air_only_run", "", []any{num("start_temperature", 70, "[degF]"), num("end_temperature", 74, "[degF]"), num("minutes", 5, "min"),
		num("leg_1_current", 4.8, "A"), num("leg_2_current", 0.3, "A"), pick("already_warm", "no")}, "conforms"},
	{"as_found_run", "", []any{many("off_temperature", "[degF]", 126, 124, 125), many("on_temperature", "[degF]", 112, 111, 112),
		many("heating_time", "s", 70, 48, 50), many("rest_time", "s", 110, 115, 118), pick("setting", "high"), pick("load", "empty"), num("current", 21.4, "A")}, "does_not_conform"},
	{"collar_pressure", "", []any{num("pressure", 1.15, "[in_i'H2O]")}, "does_not_conform"},
	{"duct_off_run", "", []any{num("flow_on", 62, "[cft_i]/min"), num("flow_off", 171, "[cft_i]/min"), pick("cycling", "normal_now")}, "does_not_conform"},
	{"low_setting_cycle", "", []any{many("off_temperature_high", "[degF]", 147, 148), many("off_temperature_low", "[degF]", 122, 121)}, "conforms"},
	{"moisture_bars", "", []any{pick("result", "clean")}, "conforms"},
	{"supply_loaded", "", []any{num("line_to_line", 237, "V"), num("line_to_line_no_load", 240, "V")}, ""},
	{"heater_current", "", []any{num("current", 21.5, "A"), num("volts", 238, "V")}, ""},
	{"duct_and_box", "", []any{pick("result", "elbow_or_run_full")}, "does_not_conform"},
	{"blower_wheel", "", []any{pick("result", "sound")}, "conforms"},
	{"drum_seals", "", []any{pick("result", "grip")}, "conforms"},
	{"coil_to_case", "terminal_1", []any{open("resistance", "MOhm"), off()}, "conforms"},
	{"coil_ends", "coil", []any{num("resistance", 10.9, "Ohm"), off()}, ""},
	{"heat_relay", "", []any{open("resistance", "MOhm"), off()}, "conforms"},
	{"cycling_thermostat_stamp", "", []any{num("rating", 145, "[degF]")}, "conforms"},
	{"cycling_thermostat_closed", "", []any{num("resistance", 0.11, "Ohm"), off()}, "conforms"},
	{"bias_heater", "", []any{num("resistance", 6.1, "kOhm"), off()}, "conforms"},
	{"safety_devices", "", []any{pick("result", "in_place")}, "conforms"},
	{"high_limit_stamp", "", []any{num("rating", 225, "[degF]")}, "conforms"},
	{"high_limit", "", []any{num("resistance", 0.1, "Ohm"), off()}, "conforms"},
	{"cut_off", "", []any{num("resistance", 0.09, "Ohm"), off()}, "conforms"},
	{"cycling_thermostat_warm_up", "heat_pair", []any{num("last_closed", 143, "[degF]"), num("first_open", 145, "[degF]"), num("minutes", 6, "min"), pick("recloses", "yes")}, ""},
	{"high_limit_warm_up", "", []any{num("last_closed", 223, "[degF]"), num("first_open", 226, "[degF]"), num("minutes", 6, "min"), pick("recloses", "yes")}, ""},
	{"frame_ground", "", []any{num("resistance", 0.05, "Ohm")}, "conforms"},
}

// proofs are the readings of the machine once its run is clear.
var proofs = []posted{
	{"safety_devices", "", []any{pick("result", "in_place")}, "conforms"},
	{"high_limit", "", []any{num("resistance", 0.1, "Ohm"), off()}, "conforms"},
	{"cut_off", "", []any{num("resistance", 0.09, "Ohm"), off()}, "conforms"},
	{"coil_to_case", "terminal_1", []any{open("resistance", "MOhm"), off()}, "conforms"},
	{"frame_ground", "", []any{num("resistance", 0.05, "Ohm")}, "conforms"},
	{"air_only_run", "", []any{num("start_temperature", 70, "[degF]"), num("end_temperature", 74, "[degF]"), num("minutes", 5, "min"),
		num("leg_1_current", 4.8, "A"), num("leg_2_current", 0.3, "A"), pick("already_warm", "no")}, "conforms"},
	{"as_found_run", "", []any{many("off_temperature", "[degF]", 152, 151, 152), many("on_temperature", "[degF]", 133, 133, 132),
		many("heating_time", "s", 280, 175, 181), many("rest_time", "s", 95, 98, 97), pick("setting", "high"), pick("load", "empty"), num("current", 21.4, "A")}, "conforms"},
	{"heater_current", "", []any{num("current", 21.5, "A"), num("volts", 238, "V"), num("volts_no_load", 240, "V")}, "conforms"},
	{"hood", "", []any{num("velocity", 1720, "[ft_i]/min")}, "conforms"},
	{"collar_pressure", "", []any{num("pressure", 0.28, "[in_i'H2O]")}, "conforms"},
	{"duct_off_run", "", []any{num("flow_on", 150, "[cft_i]/min"), num("flow_off", 170, "[cft_i]/min")}, "conforms"},
	{"low_setting_cycle", "", []any{many("off_temperature_high", "[degF]", 147, 148), many("off_temperature_low", "[degF]", 122, 121)}, "conforms"},
}

// thermistorOnly are the checks of a machine with a thermistor in place of a
// cycling thermostat. The curve is the 3977 K one the sheet states below.
var thermistorOnly = []posted{
	{"thermistor_seat", "", []any{pick("result", "in_place")}, "conforms"},
	{"thermistor", "at_part", []any{num("resistance", 11.9, "kOhm"), num("temperature", 70, "[degF]")}, "conforms"},
}

// job is one call of the shop.
type job struct {
	dispatcher, tech, owner worker
	techID, meter           string
	unit, call, visit       string
	isolated                bool
	states                  map[string]string // check → circuit state
	asked                   map[string]bool   // checks asked for the complaint
}

// TestTheMainJob goes the whole way through the program itself: dispatcher,
// tech, owner, and another shop that sees none of it.
func TestTheMainJob(t *testing.T) {
	r, v := demo(t, short(t))
	defer r.interrupt()
	_, doc := request(t, "GET", v.URL+"/openapi.json", "", "")
	valid, err := apitest.New([]byte(doc))
	require.NoError(t, err)
	var n int
	as := func(token string) worker { return worker{t, v.URL, token, valid, &n} }
	j := &job{dispatcher: as(v.Tokens[domain.Dispatcher]), tech: as(v.Tokens[domain.Tech]), owner: as(v.Tokens[domain.Owner])}
	j.prepare(t)

	j.book(t, []string{"bias_heater", "low_setting", "moisture_bars"})
	j.isolated = false
	done := map[string]bool{}
	for _, p := range asFound {
		j.read(t, "as_found", p)
		done[p.check] = true
	}
	j.assessed(t)
	j.repairAndClose(t)

	j.book(t, []string{"thermistor"})
	for _, p := range thermistorOnly {
		j.read(t, "as_found", p)
		done[p.check] = true
	}
	require.Equal(t, slices.Sorted(maps.Keys(j.asked)), slices.Sorted(maps.Keys(done)), "a reading of every check of the catalogue that is asked for the complaint")
	j.othersSeeNothing(t, v, as)
}

// prepare reads the catalogue and stores the tech's meter.
func (j *job) prepare(t *testing.T) {
	kind := dig(t, j.tech.get("/v1/catalogue?kind=electric_dryer"), "kinds", 0)
	j.states, j.asked = map[string]string{}, map[string]bool{}
	checks, ok := dig(t, kind, "checks").([]any)
	require.True(t, ok)
	for _, c := range checks {
		id, only := dig(t, c, "id").(string), dig(t, c, "for").([]any)
		j.states[id] = dig(t, c, "state").(string)
		if len(only) == 0 || slices.Contains(only, any("runs_too_hot")) {
			j.asked[id] = true
		}
	}
	j.techID = j.tech.get("/v1/people/me")["id"].(string)
	accuracy := func(quantity, method string, percent, counts, resolution float64, unit string) m {
		return m{"quantity": quantity, "method": method, "percent_of_reading": percent, "counts": counts, "resolution": m{"value": resolution, "unit": unit}}
	}
	j.meter = j.tech.post("/v1/instruments", m{"name": "Job meter", "accuracies": []any{
		accuracy("resistance", "meter", 0.2, 1, 0.01, "Ohm"), accuracy("temperature", "bead", 0.1, 4, 0.1, "[degF]"),
		accuracy("current", "clamp", 1, 3, 0.1, "A"), accuracy("voltage", "meter", 0.5, 2, 0.1, "V"),
		accuracy("speed", "vane", 2, 2, 1, "[ft_i]/min"), accuracy("pressure", "manometer", 1, 1, 0.01, "[in_i'H2O]")}})["id"].(string)
}

// book opens a call about a new dryer with triage, and brings the tech there.
func (j *job) book(t *testing.T, features []string) {
	d := j.dispatcher
	customer := d.post("/v1/customers", m{"name": "Sorrel Quince"})["id"]
	site := d.post("/v1/sites", m{"customer_id": customer, "address": "3 Weir Street"})["id"]
	model := fmt.Sprintf("JT-%d", time.Now().UnixNano())
	j.unit = d.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "model": model, "supply_volts": 240, "supply_wires": 4,
		"rated_watts": 5200, "features": features, "installed_on": "2022-02-11"})["id"].(string)
	sheet := d.post("/v1/data-sheets", m{"kind": "electric_dryer", "model": model})["id"].(string)
	for parameter, value := range map[string]m{
		"cycling_thermostat_rating": {"value": 145, "unit": "[degF]"}, "high_limit_rating": {"value": 225, "unit": "[degF]"},
		"bias_heater_resistance": {"low": 4900, "high": 7300, "unit": "Ohm"},
		"thermistor_curve": {"unit": "kOhm", "temperature_unit": "Cel", "curve": []any{m{"temperature": 0, "resistance": 32.55},
			m{"temperature": 10, "resistance": 19.87}, m{"temperature": 25, "resistance": 10}, m{"temperature": 40, "resistance": 5.325}, m{"temperature": 60, "resistance": 2.486}}},
	} {
		value["origin"] = "tech sheet, page 1"
		d.ask(200, "PUT", "/v1/data-sheets/"+sheet+"/values/"+parameter, value)
	}
	call := d.post("/v1/calls", m{"unit_id": j.unit, "complaint": "runs_too_hot", "triage": m{"setting": "every"}})
	require.NotEmpty(t, call["advice"])
	j.call = call["id"].(string)
	start := time.Now().UTC().Add(time.Duration(5000+*d.n) * time.Hour).Truncate(time.Hour) // nobody is booked there
	j.visit = d.post("/v1/calls/"+j.call+"/visits", m{"tech_id": j.techID, "starts_at": start.Format(time.RFC3339), "ends_at": start.Add(time.Hour).Format(time.RFC3339), "override": "Any hour will do for this job."})["id"].(string)
	for _, s := range []string{"on_the_way", "on_site"} {
		j.tech.ask(200, "POST", "/v1/visits/"+j.visit+"/status", m{"status": s}, "If-Match", "*")
	}
	j.isolated = false
}

// read posts one reading, isolating the unit first where the check wants it.
func (j *job) read(t *testing.T, phase string, p posted) string {
	t.Helper()
	switch j.states[p.check] {
	case "isolated":
		if !j.isolated {
			j.tech.post("/v1/visits/"+j.visit+"/isolations", m{"method": "plug_in_hand", "tester_before": true, "tester_after": true,
				"proven_dead": []string{"l1_l2", "l1_n", "l2_n", "l1_ground", "l2_ground", "n_ground"}})
			j.isolated = true
		}
	case "running_closed", "live_open":
		j.isolated = false
	}
	body := m{"check": p.check, "phase": phase, "values": p.values, "instrument_id": j.meter, "lead_resistance": m{"value": 0.02, "unit": "Ohm"}}
	if p.position != "" {
		body["position"] = p.position
	}
	got := j.tech.post("/v1/visits/"+j.visit+"/readings", body)
	if p.outcome != "" {
		require.Equal(t, p.outcome, dig(t, got, "reading", "verdicts", 0, "outcome"), "%s: %v", p.check, dig(t, got, "reading", "verdicts"))
	}
	require.NotEmpty(t, dig(t, got, "reading", "verdicts", 0, "sentence"))
	return dig(t, got, "reading", "id").(string)
}

func (j *job) assessed(t *testing.T) {
	a := j.tech.get("/v1/calls/" + j.call + "/assessment")
	require.Equal(t, "run_restricted", dig(t, a, "ranking", 0, "fault"), "%v", a["ranking"])
	require.Greater(t, a["coverage"], 0.5)
}

// repairAndClose cleans the run, concludes, proves the machine and closes.
func (j *job) repairAndClose(t *testing.T) {
	basis := j.read(t, "as_found", posted{"collar_pressure", "", []any{num("pressure", 1.14, "[in_i'H2O]")}, "does_not_conform"})
	require.Equal(t, "2023-02-11", j.runDue(t), "a year from when it was put in: nobody ever cleaned it")
	action := j.tech.post("/v1/visits/"+j.visit+"/actions", m{"action": "clean_run"})["id"]
	care := j.owner.get("/v1/units/" + j.unit + "/care")
	today, err := domain.ParseDate(care["today_on"].(string))
	require.NoError(t, err)
	require.Equal(t, today.AddMonths(12).String(), j.runDue(t), "the cleaning moves the due date")
	j.tech.post("/v1/calls/"+j.call+"/conclusions", m{"visit_id": j.visit, "part": "exhaust_run", "fault": "run_restricted", "action_id": action, "readings": []any{basis}})
	gaps := j.tech.ask(409, "POST", "/v1/calls/"+j.call+"/close", m{"outcome": "returned_to_service"}, "If-Match", "*")
	require.NotEmpty(t, dig(t, gaps, "extra", "missing"))
	for _, p := range proofs {
		j.read(t, "verification", p)
	}
	closed := j.tech.ask(200, "POST", "/v1/calls/"+j.call+"/close", m{"outcome": "returned_to_service",
		"statements": []string{"in_place", "cause_fixed", "cord_and_strap", "heater_current", "controls", "touched_after"}}, "If-Match", "*")
	require.Equal(t, "closed", closed["status"])
	after := j.owner.get("/v1/calls/" + j.call + "/assessment")
	require.Empty(t, after["contradictions"], "a verified repair is no contradiction")
	report := j.owner.get("/v1/calls/" + j.call + "/report")
	require.NotEmpty(t, report)
	j.owner.ask(200, "GET", "/v1/calls/"+j.call+"/report", nil, "Accept", "text/html")
	calls := j.owner.get("/v1/calls?unit_id=" + j.unit)
	require.Equal(t, "returned_to_service", dig(t, calls, "items", 0, "outcome"))
}

// runDue is when the run to the outside is due for cleaning.
func (j *job) runDue(t *testing.T) string {
	tasks, ok := j.owner.get("/v1/units/" + j.unit + "/care")["tasks"].([]any)
	require.True(t, ok)
	for _, task := range tasks {
		for _, s := range dig(t, task, "scopes").([]any) {
			if dig(t, s, "scope") == "run" {
				return dig(t, s, "due_on").(string)
			}
		}
	}
	require.Fail(t, "no scope named run")
	return ""
}

// othersSeeNothing asks for all of it as the people of the second shop.
func (j *job) othersSeeNothing(t *testing.T, v ready, as func(string) worker) {
	for _, s := range seed.SignIns() {
		if s.Shop == v.Shop {
			continue
		}
		other := as(signIn(t, v.URL, s.Shop, s.Email, seed.Password))
		for _, path := range []string{"/v1/units/" + j.unit, "/v1/units/" + j.unit + "/care", "/v1/calls/" + j.call, "/v1/calls/" + j.call + "/assessment",
			"/v1/calls/" + j.call + "/report", "/v1/calls/" + j.call + "/readings", "/v1/visits/" + j.visit} {
			other.ask(404, "GET", path, nil)
		}
	}
}
