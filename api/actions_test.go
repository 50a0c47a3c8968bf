package api_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestCleaningActionMovesTheDueDate(t *testing.T) {
	j := newJob(t)
	plan := "/v1/units/" + j.unit + "/care"
	// 04:30 UTC is still the evening before in Denver.
	at := time.Now().UTC().Truncate(24 * time.Hour).Add(4*time.Hour + 30*time.Minute)
	if at.After(time.Now()) {
		at = at.AddDate(0, 0, -1)
	}
	made := j.tech.post(j.actions, m{"action": "clean_run", "done_at": at.Format(time.RFC3339), "note": "Bird's nest."})
	require.Equal(t, "/v1/calls/"+j.call+"/actions", made.header.Get("Location"))
	care := j.tech.get(plan)
	require.Equal(t, at.AddDate(0, 0, -1).Format("2006-01-02"), care.str("cleanings", 0, "done_on"), "the day at the site")
	require.Equal(t, made.id(), care.str("cleanings", 0, "action_id"))
	require.Equal(t, []any{"transition_duct", "run", "hood"}, care.at("cleanings", 0, "scopes"))

	path := "/v1/actions/" + made.id() + "/void"
	j.tech.do("POST", path, m{"reason": " "}).want(422)
	j.tech.do("POST", path, m{"reason": "Wrong unit."}).want(200)
	require.NotNil(t, j.tech.get(plan).at("cleanings", 0, "voided_at"))
	require.Equal(t, "Wrong unit.", j.tech.do("POST", path, m{"reason": "Again."}).want(200).str("void_reason"), "voiding again changes nothing")
	require.Len(t, j.tech.get("/v1/calls/"+j.call+"/actions").at("items"), 1)
	j.s.mate.do("POST", path, m{"reason": "x"}).want(404)
}

func TestActionIsHeldAgainstTheCatalogue(t *testing.T) {
	j := newJob(t)
	for _, c := range []struct {
		body m
		want string
	}{
		{m{"action": "pray"}, "/action unknown"},
		{m{"action": "replace_part"}, "/part required"},
		{m{"action": "replace_part", "part": "flux_capacitor"}, "/part unknown"},
		{m{"action": "replace_part", "part": "thermistor"}, "/part unknown"},
		{m{"action": "clean_hood", "part": "hood"}, "/part forbidden"},
		{m{"action": "clean_hood", "done_at": "2999-01-01T00:00:00Z"}, "/done_at future"},
		{m{"action": "clean_hood", "done_at": "2001-01-01T00:00:00Z"}, "/done_at too_early"},
		{m{"action": "clean_hood", "note": "\u0007"}, "/note control_character"},
	} {
		require.Contains(t, j.tech.do("POST", j.actions, c.body).want(422).fields(), c.want)
	}
	require.Empty(t, j.tech.get("/v1/calls/"+j.call+"/actions").at("items"))
	j.s.dispatcher.do("POST", j.actions, m{"action": "clean_hood"}).want(403)
	j.s.mate.do("POST", j.actions, m{"action": "clean_hood"}).want(404)
	j.tech.step(j.visit, "on_the_way").want(200)
	j.tech.step(j.visit, "no_access").want(200)
	j.tech.do("POST", j.actions, m{"action": "clean_hood"}).want(409)
}

func TestActionEndsTheEvidence(t *testing.T) {
	j := newJob(t)
	j.isolate()
	j.tech.post(j.readings, late)
	state := func() m {
		for _, p := range j.tech.get("/v1/calls/" + j.call + "/assessment").at("parts").([]any) {
			if p.(map[string]any)["part"] == "cycling_thermostat" {
				return p.(map[string]any)
			}
		}
		return nil
	}
	require.Equal(t, "does_not_conform", state()["outcome"])
	body := m{"action": "replace_part", "part": "cycling_thermostat"}
	first := j.tech.do("POST", j.actions, body, "Idempotency-Key", "a-1").want(201)
	again := j.tech.do("POST", j.actions, body, "Idempotency-Key", "a-1").want(201)
	require.Equal(t, string(first.raw), string(again.raw))
	require.Equal(t, "inconclusive", state()["outcome"], "untested since")

	stale := j.tech.post(j.readings, late)
	require.Contains(t, fmt.Sprint(stale.at("warnings")), "An action has touched")
	good := with(late, "phase", "verification", "values", []m{value("last_closed", 156, "[degF]"), value("first_open", 158, "[degF]"),
		value("minutes", 10, "min"), choice("recloses", "yes")})
	proof := j.tech.post(j.readings, good)
	require.Equal(t, "conforms", proof.verdict(0)["outcome"], "%s", proof.raw)
	require.Equal(t, "conforms", state()["outcome"])
	require.Equal(t, "verification", state()["phase"])
}
