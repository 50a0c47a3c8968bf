package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// repairJob is a job with instruments good enough to prove a repair.
type repairJob struct {
	*job
	kit string // meter, bead and vane in one
}

func newRepair(t *testing.T) *repairJob {
	j := newJob(t)
	count := func(v float64, unit string) m { return m{"value": v, "unit": unit} }
	kit := j.tech.post("/v1/instruments", m{"name": "Kit", "accuracies": []any{
		m{"quantity": "resistance", "method": "meter", "percent_of_reading": 0.5, "counts": 2, "resolution": count(0.001, "Ohm")},
		m{"quantity": "temperature", "method": "bead", "counts": 10, "resolution": count(0.1, "Cel")},
		m{"quantity": "speed", "method": "vane", "percent_of_reading": 3, "counts": 1, "resolution": count(0.1, "m/s")}}}).id()
	return &repairJob{j, kit}
}

// read posts a reading and gives its id.
func (j *repairJob) read(body m) string {
	j.w.t.Helper()
	return j.tech.post(j.readings, with(body, "instrument_id", j.kit)).str("reading", "id")
}

func (j *repairJob) act(action string) string {
	j.w.t.Helper()
	return j.tech.post(j.actions, m{"action": action}).id()
}

// asFound takes the readings of a crushed duct, and gives that which shows it.
func (j *repairJob) asFound() string {
	j.w.t.Helper()
	j.read(found("hood_look", choice("result", "weak_flow")))
	j.read(found("hood", value("velocity", 650, "[ft_i]/min")))
	j.read(coldRun)
	j.read(limitRun)
	j.read(found("collar_pressure", value("pressure", 1.28, "[in_i'H2O]")))
	j.act("move_out")
	j.isolate()
	return j.read(found("duct_and_box", choice("result", "transition_crushed")))
}

var (
	coldRun = found("air_only_run", value("start_temperature", 72, "[degF]"), value("end_temperature", 75, "[degF]"), value("minutes", 5, "min"),
		choice("already_warm", "no"))
	limitRun = found("as_found_run", values("off_temperature", "[degF]", 126, 127, 126), values("on_temperature", "[degF]", 112, 113, 112),
		values("heating_time", "s", 110, 48, 45), choice("setting", "high"), choice("load", "empty"))
	goodRun = found("as_found_run", values("off_temperature", "[degF]", 154, 155, 155), values("on_temperature", "[degF]", 135, 136, 135),
		values("heating_time", "s", 290, 185, 180), choice("setting", "high"), choice("load", "empty"))
)

func values(input, unit string, vs ...float64) m {
	return m{"input": input, "values": vs, "unit": unit}
}

func contact(check string) m {
	return with(found(check, value("resistance", 0.15, "Ohm"), choice("wires_off", "yes")), "lead_resistance", m{"value": 0.1, "unit": "Ohm"})
}

// proof is a verification reading that meets an item of the closing list.
type proof struct {
	item     string
	isolated bool
	body     m
}

// proofs are the figures of common practice, no source; the ground's limit is
// that of EN 50106.
var proofs = []proof{
	{"nothing_bypassed", true, found("safety_devices", choice("result", "in_place"))},
	{"high_limit_closed", true, contact("high_limit")},
	{"cut_off_closed", true, contact("cut_off")},
	{"coil_to_case", true, with(found("coil_to_case", m{"input": "resistance", "over_range": true, "unit": "MOhm"}, choice("wires_off", "yes")), "position", "terminal_1")},
	{"frame_ground", true, with(found("frame_ground", value("resistance", 0.15, "Ohm")), "lead_resistance", m{"value": 0.1, "unit": "Ohm"})},
	{"air_only", false, coldRun},
	{"high_run", false, goodRun},
	{"air_flow", false, found("hood", value("velocity", 1700, "[ft_i]/min"))},
	{"duct_share", false, found("duct_off_run", value("velocity_on", 8.6, "m/s"), value("velocity_off", 9, "m/s"))},
	{"low_cycle", false, found("low_setting_cycle", values("off_temperature_high", "[degF]", 154, 155, 155), values("off_temperature_low", "[degF]", 127, 128, 127))},
}

var allStatements = []string{"in_place", "cause_fixed", "cord_and_strap", "heater_current", "controls", "touched_after"}

func (j *repairJob) prove(p proof) string {
	j.w.t.Helper()
	return j.read(with(p.body, "phase", "verification"))
}

// conclude draws the conclusion of a crushed duct.
func (j *repairJob) conclude(reading, action string) answer {
	j.w.t.Helper()
	return j.tech.post("/v1/calls/"+j.call+"/conclusions", m{"visit_id": j.visit, "part": "transition_duct", "fault": "transition_crushed",
		"action_id": action, "readings": []string{reading},
		"parts": []any{m{"number": "TD-104", "name": "Transition duct", "source": "new_other_maker", "lot": "L7", "old_part_kept": true}}})
}

// repaired brings a job to where nothing but the statements is missing.
func repaired(t *testing.T) *repairJob {
	j := newRepair(t)
	seen := j.asFound()
	action := j.act("replace_transition")
	j.conclude(seen, action)
	for _, p := range proofs {
		j.prove(p)
	}
	return j
}

func (j *repairJob) closing() string { return "/v1/calls/" + j.call + "/closing" }

// missing lists the ids of what is missing for an outcome.
func (j *repairJob) missing(outcome string) []string {
	j.w.t.Helper()
	got := j.tech.get(j.closing())
	for i := range got.at("outcomes").([]any) {
		if got.str("outcomes", i, "outcome") == outcome {
			return gapIDs(got.at("outcomes", i, "missing"))
		}
	}
	require.Fail(j.w.t, "no outcome "+outcome)
	return nil
}

func gapIDs(list any) []string {
	out := []string{}
	for _, g := range list.([]any) {
		out = append(out, g.(m)["id"].(string))
	}
	return out
}

func (c *client) close(call, outcome string, more ...any) answer {
	c.w.t.Helper()
	return c.do("POST", "/v1/calls/"+call+"/close", with(m{"outcome": outcome}, more...), "If-Match", "*")
}

func TestGapsCloseOneByOne(t *testing.T) {
	j := newRepair(t)
	want := []string{"in_place", "cause_fixed"}
	for _, p := range proofs[:5] {
		want = append(want, p.item)
	}
	want = append(want, "cord_and_strap", "air_only", "high_run", "heater_current", "air_flow", "duct_share", "low_cycle", "controls", "touched_after", "conclusion")
	require.Equal(t, want, j.missing("returned_to_service"))

	seen := j.asFound()
	require.Subset(t, j.missing("returned_to_service"), []string{"part:air_path", "part:transition_duct"})
	j.conclude(seen, j.act("replace_transition"))
	gaps := j.missing("returned_to_service")
	require.NotContains(t, gaps, "conclusion")
	require.NotContains(t, gaps, "part:transition_duct")
	for _, p := range proofs {
		require.Contains(t, gaps, p.item)
		j.prove(p)
		after := j.missing("returned_to_service")
		require.NotContains(t, after, p.item)
		require.Subset(t, gaps, after)
		gaps = after
	}
	for i, s := range allStatements {
		refused := j.tech.close(j.call, "returned_to_service", "statements", allStatements[:i]).want(409)
		require.Equal(t, allStatements[i:], gapIDs(refused.at("extra", "missing")))
		require.NotEmpty(t, refused.str("extra", "missing", 0, "text"))
		require.Equal(t, "open", j.tech.get("/v1/calls/"+j.call).str("status"), s)
	}
	etag := j.tech.get("/v1/calls/" + j.call).etag()
	body := m{"outcome": "returned_to_service", "statements": allStatements}
	j.tech.do("POST", "/v1/calls/"+j.call+"/close", body).want(428)
	j.tech.do("POST", "/v1/calls/"+j.call+"/close", body, "If-Match", `"77"`).want(412)
	done := j.tech.do("POST", "/v1/calls/"+j.call+"/close", body, "If-Match", etag).want(200)
	require.Equal(t, "closed", done.str("status"))
	require.Equal(t, "returned_to_service", done.str("outcome"))
	require.Equal(t, done.etag(), j.tech.get("/v1/calls/"+j.call).etag())
	j.closedIsClosed(seen)
}

// closedIsClosed tries what a closed call no longer takes.
func (j *repairJob) closedIsClosed(reading string) {
	j.w.t.Helper()
	j.tech.do("POST", j.readings, hotRun).want(409)
	j.tech.do("POST", j.actions, m{"action": "clean_hood"}).want(409)
	j.tech.do("POST", "/v1/calls/"+j.call+"/conclusions", m{"visit_id": j.visit, "part": "hood", "fault": "hood_blocked", "readings": []string{reading}}).want(409)
	j.tech.do("POST", "/v1/visits/"+j.visit+"/hazards", hazard("blocked_run", "at_risk")).want(409)
	j.tech.do("POST", "/v1/calls/"+j.call+"/statements", m{"statements": []string{"in_place"}}).want(409)
	j.tech.close(j.call, "declined", "note", "x").want(409)
	id := j.tech.get("/v1/calls/"+j.call+"/conclusions").str("items", 0, "id")
	j.tech.do("POST", "/v1/conclusions/"+id+"/void", m{"reason": "x"}).want(409)
	require.Empty(j.w.t, j.tech.get(j.closing()).at("outcomes"))
}

func TestStatementsEndWithTheNextAction(t *testing.T) {
	j := repaired(t)
	got := j.tech.do("POST", "/v1/calls/"+j.call+"/statements", m{"statements": allStatements}).want(200)
	require.Equal(t, true, got.at("statements", 0, "counts"))
	require.Empty(t, j.missing("returned_to_service"))
	action := j.act("clean_bars")
	require.Equal(t, allStatements, j.missing("returned_to_service"))
	j.tech.do("POST", "/v1/actions/"+action+"/void", m{"reason": "Not done."}).want(200)
	require.Empty(t, j.missing("returned_to_service"))
	bad := j.tech.do("POST", "/v1/calls/"+j.call+"/statements", m{"statements": []string{"in_place", "all_is_well", "in_place"}}).want(422)
	require.Equal(t, []string{"/statements/1 unknown", "/statements/2 twice"}, bad.fields())
	j.s.dispatcher.do("POST", "/v1/calls/"+j.call+"/statements", m{"statements": []string{"in_place"}}).want(403)
	j.s.mate.do("POST", "/v1/calls/"+j.call+"/statements", m{"statements": []string{"in_place"}}).want(404)
}

func TestOpenDangerKeepsAUnitOutOfService(t *testing.T) {
	j := repaired(t)
	at := "/v1/visits/" + j.visit + "/hazards"
	for _, c := range []struct{ what, level string }{{"missing_ground", "danger_now"}, {"safety_device_bypassed", "at_risk"}} {
		h := j.tech.post(at, hazard(c.what, c.level))
		for _, outcome := range []string{"returned_to_service", "limited", "no_fault_found"} {
			refused := j.tech.close(j.call, outcome, "statements", allStatements, "note", "Only with the door open.").want(409)
			require.Contains(t, gapIDs(refused.at("extra", "missing")), "hazard:"+h.id())
		}
		for _, outcome := range []string{"left_out_of_service", "declined", "not_worth_repairing", "no_access", "cancelled"} {
			refused := j.tech.close(j.call, outcome, "note", "So be it.").want(409)
			require.Contains(t, gapIDs(refused.at("extra", "missing")), "notice:"+h.id())
		}
		j.tech.do("POST", "/v1/hazards/"+h.id()+"/clear", m{"note": "Put right and proven."}).want(200)
	}
	j.tech.post(at, hazard("aluminium_wiring", "below_present_code"))
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)
}

func TestBypassedDeviceFoundByAReadingBlocksClosing(t *testing.T) {
	j := repaired(t)
	j.tech.do("POST", "/v1/calls/"+j.call+"/statements", m{"statements": allStatements}).want(200)
	j.isolate()
	j.prove(proof{body: found("safety_devices", choice("result", "high_limit_bypassed"))})
	require.ElementsMatch(t, []string{"nothing_bypassed", "part:high_limit"}, j.missing("returned_to_service"))
	require.ElementsMatch(t, []string{"hazard_notice", "part:high_limit", "note"}, j.missing("limited"))
	require.ElementsMatch(t, []string{"part:high_limit", "note"}, j.missing("declined"), "no unit with a bypassed device is left without a notice")
	j.tech.close(j.call, "left_out_of_service", "note", "Unplugged, cord taped up, labelled.").want(409)
	j.tech.post("/v1/visits/"+j.visit+"/hazards", with(hazard("safety_device_bypassed", "danger_now"), "notice_given", true))
	require.Equal(t, []string{"note"}, j.missing("left_out_of_service"))
	j.tech.close(j.call, "limited", "note", "On air-only.").want(409)
	done := j.tech.close(j.call, "left_out_of_service", "note", "Unplugged, cord taped up, labelled.").want(200)
	require.Equal(t, "left_out_of_service", done.str("outcome"))
	require.Contains(t, j.tech.get("/v1/calls/"+j.call+"/report").str("headline"), "Do not use")
}

func TestReadingThatWaitsProvesNothing(t *testing.T) {
	j := repaired(t)
	j.isolate()
	p := proofs[4]
	id := j.prove(p)
	require.NotContains(t, j.missing("returned_to_service"), p.item)
	conn := admin(t, j.w.db)
	_, err := conn.Exec(t.Context(), `UPDATE reading SET set_aside = true WHERE check_id = 'frame_ground'`)
	require.NoError(t, err)
	require.Contains(t, j.missing("returned_to_service"), p.item)
	_, err = conn.Exec(t.Context(), `UPDATE reading SET countersigned_by = $2, countersigned_at = now() WHERE id = $1`, id, j.s.owner.id.String())
	require.NoError(t, err)
	require.NotContains(t, j.missing("returned_to_service"), p.item)
}

func TestOutcomesOfACallThatCameToNothing(t *testing.T) {
	for _, c := range []struct{ outcome, who string }{{"cancelled", "dispatcher"}, {"no_access", "dispatcher"}, {"declined", "tech"}, {"not_worth_repairing", "tech"}} {
		t.Run(c.outcome, func(t *testing.T) {
			j := newRepair(t)
			who := map[string]*client{"dispatcher": j.s.dispatcher, "tech": j.tech}[c.who]
			require.Equal(t, []string{"note"}, gapIDs(who.close(j.call, c.outcome, "note", " ").want(409).at("extra", "missing")))
			j.s.dispatcher.close(j.call, "declined", "note", "x").want(403)
			j.s.dispatcher.close(j.call, "returned_to_service", "statements", allStatements).want(403)
			require.Equal(t, "Nobody at home.", who.close(j.call, c.outcome, "note", "Nobody at home.").want(200).str("outcome_note"))
		})
	}
}

func TestNoFaultFound(t *testing.T) {
	j := newRepair(t)
	require.Equal(t, []string{"note"}, j.missing("no_fault_found"))
	reading := j.read(goodRun)
	require.Empty(t, j.missing("no_fault_found"), "a run as found is on record")
	v := j.tech.post("/v1/calls/"+j.call+"/conclusions", m{"visit_id": j.visit, "part": "hood", "fault": "hood_blocked", "readings": []string{reading},
		"against_evidence": "Seen a nest through the window."})
	require.Equal(t, []string{"fault:hood_blocked"}, j.missing("no_fault_found"))
	j.tech.do("POST", "/v1/conclusions/"+v.id()+"/void", m{"reason": "A shadow."}).want(200)
	j.tech.close(j.call, "no_fault_found").want(200)
}

func TestLimitedNeedsANotice(t *testing.T) {
	j := newRepair(t)
	require.Equal(t, []string{"hazard_notice", "note"}, j.missing("limited"))
	j.tech.post("/v1/visits/"+j.visit+"/hazards", hazard("vents_indoors", "at_risk"))
	require.Equal(t, []string{"hazard_notice", "note"}, j.missing("limited"), "a hazard without a notice is not enough")
	j.tech.post("/v1/visits/"+j.visit+"/hazards", with(hazard("vents_indoors", "at_risk"), "notice_given", true))
	j.tech.close(j.call, "limited", "note", "LOW only until the hood is laid outdoors.").want(200)
}

func TestClosingLeavesVisitsOnSiteAndEndsIsolations(t *testing.T) {
	j := repaired(t)
	j.tech.step(j.visit, "on_the_way").want(200)
	j.tech.step(j.visit, "on_site").want(200)
	booked := j.visitOf(j.tech)
	j.isolate()
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)
	require.Equal(t, "on_site", j.tech.get("/v1/visits/"+j.visit).str("status"))
	require.Equal(t, "cancelled", j.tech.get("/v1/visits/"+booked).str("status"))
	list := j.tech.get("/v1/visits/" + j.visit + "/isolations")
	last := len(list.at("items").([]any)) - 1
	require.Equal(t, "The call was closed.", list.str("items", last, "ended_because"))
}

func TestClosingOfOthersIsAbsent(t *testing.T) {
	j := newRepair(t)
	absent := "/v1/calls/00000000-0000-7000-8000-000000000000"
	for _, c := range []struct {
		method, tail string
		body         any
	}{
		{"GET", "/closing", nil}, {"GET", "/report", nil}, {"GET", "/hazards", nil}, {"GET", "/conclusions", nil},
		{"POST", "/statements", m{"statements": []string{"in_place"}}}, {"POST", "/close", m{"outcome": "declined", "note": "x"}},
		{"POST", "/conclusions", m{"visit_id": j.visit, "part": "hood", "fault": "hood_blocked"}},
	} {
		want := string(j.w.b.tech.do(c.method, absent+c.tail, c.body, "If-Match", "*").want(404).raw)
		for _, who := range []*client{j.w.b.tech, j.w.b.owner, j.s.mate} {
			require.Equal(t, want, string(who.do(c.method, "/v1/calls/"+j.call+c.tail, c.body, "If-Match", "*").want(404).raw), c.tail)
		}
	}
	require.Equal(t, "open", j.tech.get("/v1/calls/"+j.call).str("status"))
}

// Racing closings have one winner.
func TestRacingClosings(t *testing.T) {
	j := newRepair(t)
	etag := j.tech.get("/v1/calls/" + j.call).etag()
	got := make(chan int, 4)
	for range cap(got) {
		req := j.tech.request("POST", "/v1/calls/"+j.call+"/close", m{"outcome": "declined", "note": "x"}, "If-Match", etag)
		go func() { got <- j.tech.send(req).status }()
	}
	var all []int
	for range cap(got) {
		all = append(all, <-got)
	}
	slices.Sort(all)
	require.Equal(t, []int{200, 412, 412, 412}, all)
	require.NotContains(t, strings.ToLower(j.w.logs.String()), "deadlock", fmt.Sprint(all))
}
