package api_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestConclusionKeepsItsEvidence(t *testing.T) {
	j := newRepair(t)
	at := "/v1/calls/" + j.call + "/conclusions"
	seen := j.asFound()
	action := j.act("replace_transition")
	body := m{"visit_id": j.visit, "part": "transition_duct", "fault": "transition_crushed", "action_id": action, "readings": []string{seen},
		"parts": []any{m{"number": "TD-104", "name": "Transition duct", "source": "new_other_maker", "lot": "L7", "old_part_kept": true},
			m{"number": "CL-4", "source": "new_maker"}}}
	made := j.tech.do("POST", at, body, "Idempotency-Key", "c-1").want(201)
	again := j.tech.do("POST", at, body, "Idempotency-Key", "c-1").want(201)
	require.Equal(t, string(made.raw), string(again.raw))
	require.Equal(t, "true", again.header.Get("Idempotent-Replayed"))
	require.Equal(t, at, made.header.Get("Location"))
	require.Equal(t, true, made.at("supported"))
	require.Greater(t, made.at("probability"), 0.5)
	require.Contains(t, made.str("assessment", "why"), "crushed")
	require.Equal(t, "transition_crushed", made.str("assessment", "ranking", 0, "fault"))
	require.NotEmpty(t, made.str("engine_version"))
	require.Equal(t, "Transition duct", made.str("part_name"))

	list := j.tech.get(at)
	require.Len(t, list.at("items"), 1)
	require.Equal(t, any(made.body), list.at("items", 0), "read back as it was made")
	j.tech.do("POST", at, body).want(409)
	require.Equal(t, 409, j.tech.do("POST", "/v1/readings/"+seen+"/void", m{"reason": "x"}).status, "a conclusion rests on it")

	void := "/v1/conclusions/" + made.id() + "/void"
	j.s.mate.do("POST", void, m{"reason": "x"}).want(404)
	require.Equal(t, string(j.w.b.owner.do("POST", "/v1/conclusions/00000000-0000-7000-8000-000000000000/void", m{"reason": "x"}).want(404).raw),
		string(j.w.b.owner.do("POST", void, m{"reason": "x"}).want(404).raw))
	gone := j.tech.do("POST", void, m{"reason": "Wrong duct."}).want(200)
	require.Len(t, gone.at("parts"), 2)
	require.Equal(t, "Wrong duct.", j.tech.do("POST", void, m{"reason": "Again."}).want(200).str("void_reason"))
	j.tech.post(at, body)
	require.Len(t, j.tech.get(at).at("items"), 2)
}

func TestConclusionAgainstTheEvidence(t *testing.T) {
	j := newRepair(t)
	at := "/v1/calls/" + j.call + "/conclusions"
	seen := j.asFound()
	body := m{"visit_id": j.visit, "part": "cycling_thermostat", "fault": "cycling_thermostat_late", "readings": []string{seen}}
	refused := j.tech.do("POST", at, body).want(422)
	require.Equal(t, []string{"/against_evidence required"}, refused.fields())
	require.Contains(t, refused.str("detail"), "against_evidence")
	j.tech.do("POST", at, with(body, "against_evidence", "  ")).want(422)
	require.Empty(t, j.tech.get(at).at("items"))
	made := j.tech.post(at, with(body, "against_evidence", "Same thermostat failed late on the sister machine."))
	require.Equal(t, false, made.at("supported"))
	require.Less(t, made.at("probability"), 0.1)
	require.Contains(t, made.str("assessment", "why"), "No reading shows")
	require.Contains(t, j.missing("returned_to_service"), "fault:cycling_thermostat_late", "concluded and nothing done")
}

func TestSeveralConclusionsOfACall(t *testing.T) {
	j := newRepair(t)
	j.conclude(j.asFound(), j.act("replace_transition"))
	j.isolate0()
	limit := j.read(with(found("safety_devices", choice("result", "cut_off_bypassed")), "phase", "after_action"))
	second := j.tech.post("/v1/calls/"+j.call+"/conclusions", m{"visit_id": j.visit, "part": "cut_off", "fault": "cut_off_bypassed", "readings": []string{limit}})
	require.Equal(t, true, second.at("supported"), "a reading shows it: a second barrier, beside the first cause")
	require.Len(t, j.tech.get("/v1/calls/"+j.call+"/conclusions").at("items"), 2)
}

// isolate0 isolates unless that is done already.
func (j *repairJob) isolate0() {
	j.tech.do("POST", "/v1/visits/"+j.visit+"/isolations", dead)
}

func TestConclusionIsHeldAgainstTheCall(t *testing.T) {
	j := newRepair(t)
	at := "/v1/calls/" + j.call + "/conclusions"
	seen := j.asFound()
	voided := j.read(found("drum_seals", choice("result", "grip")))
	j.tech.do("POST", "/v1/readings/"+voided+"/void", m{"reason": "Wrong machine."}).want(200)
	skipped := j.tech.post(j.readings, m{"check": "blower_wheel", "phase": "as_found", "not_done": "Seized screw."}).str("reading", "id")
	aside := j.tech.post(j.readings, found("supply_loaded", value("line_to_line", 231, "V"))).str("reading", "id")
	other := j.w.jobIn(func(w *world) shop { return w.b })
	foreign := other.tech.post(other.readings, hotRun).str("reading", "id")
	good := m{"visit_id": j.visit, "part": "transition_duct", "fault": "transition_crushed", "readings": []string{seen}}
	for _, c := range []struct {
		change []any
		want   string
	}{
		{[]any{"part", "flux_capacitor"}, "/part unknown"},
		{[]any{"part", "thermistor", "fault", "thermistor_high"}, "/part unknown"},
		{[]any{"fault", "hood_blocked"}, "/fault unknown"},
		{[]any{"fault", "gremlins"}, "/fault unknown"},
		{[]any{"visit_id", other.visit}, "/visit_id unknown"},
		{[]any{"visit_id", j.visitOf(j.s.mate)}, "/visit_id unknown"},
		{[]any{"action_id", seen}, "/action_id unknown"},
		{[]any{"action_id", j.act("clean_bars")}, "/action_id other_part"},
		{[]any{"readings", []string{}}, "/readings required"},
		{[]any{"readings", []string{seen, seen}}, "/readings/1 twice"},
		{[]any{"readings", []string{voided}}, "/readings/0 voided"},
		{[]any{"readings", []string{skipped}}, "/readings/0 not_done"},
		{[]any{"readings", []string{aside}}, "/readings/0 set_aside"},
		{[]any{"readings", []string{foreign}}, "/readings/0 unknown"},
		{[]any{"parts", []any{m{"number": "\u0007", "source": "used"}}}, "/parts/0/number control_character"},
		{[]any{"note", "\u0007"}, "/note control_character"},
	} {
		require.Equal(t, []string{c.want}, j.tech.do("POST", at, with(good, c.change...)).want(422).fields(), "%v", c.change)
	}
	j.tech.do("POST", at, with(good, "parts", []any{m{"number": "1", "source": "attic"}})).want(422)
	j.s.dispatcher.do("POST", at, good).want(403)
	require.Empty(t, j.tech.get(at).at("items"))
}
