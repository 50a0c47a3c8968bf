package api_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// chanceOf is the probability of a fault in the assessment of a call.
func chanceOf(a answer, fault string) float64 {
	for _, r := range a.at("ranking").([]any) {
		if r.(m)["fault"] == fault {
			return r.(m)["probability"].(float64)
		}
	}
	return -1
}

// A verified repair is counted once, into the kind and the model, moves the
// ranking of the next call of this shop, and of no other.
func TestAShopLearnsFromItsVerifiedRepairs(t *testing.T) {
	j := repaired(t)
	before := j.tech.get("/v1/calls/" + j.call + "/assessment")
	require.EqualValues(t, 0, before.at("experience", "cases"))
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)

	next := j.s.dispatcher.post("/v1/calls", m{"unit_id": j.unit, "complaint": "runs_too_hot"}).id()
	after := j.s.dispatcher.get("/v1/calls/" + next + "/assessment")
	require.EqualValues(t, 1, after.at("experience", "cases"))
	require.EqualValues(t, 1, after.at("experience", "model_cases"))
	require.EqualValues(t, 10, after.at("experience", "strength"))

	other := newScene(j.w.b)
	fresh := other.dispatcher.get("/v1/calls/" + other.get("call") + "/assessment")
	require.EqualValues(t, 0, fresh.at("experience", "cases"))
	require.Greater(t, chanceOf(after, "transition_crushed"), 2*chanceOf(fresh, "transition_crushed"))
	require.Less(t, chanceOf(after, "run_restricted"), chanceOf(fresh, "run_restricted"))

	var faults, verified []string
	var chances []float64
	var counts bool
	require.NoError(t, admin(t, j.w.db).QueryRow(t.Context(), `SELECT faults, probabilities, verified, counts FROM ended_case WHERE call_id = $1`, j.call).
		Scan(&faults, &chances, &verified, &counts))
	require.Equal(t, []string{"transition_crushed"}, verified)
	require.True(t, counts)
	require.Equal(t, "transition_crushed", faults[0])
	require.Len(t, chances, len(faults))
	require.InDelta(t, chanceOf(before, "transition_crushed"), chances[0], 0.2)
}

// What was not verified teaches nothing: a call nobody could get into, and one
// without a run as found.
func TestWhatWasNotVerifiedTeachesNothing(t *testing.T) {
	for _, outcome := range []string{"declined", "no_fault_found"} {
		j := newRepair(t)
		j.tech.close(j.call, outcome, "note", "Nothing could be run.").want(200)
		next := j.s.dispatcher.post("/v1/calls", m{"unit_id": j.unit, "complaint": "runs_too_hot"}).id()
		require.EqualValues(t, 0, j.s.dispatcher.get("/v1/calls/"+next+"/assessment").at("experience", "cases"))
		var counts bool
		require.NoError(t, admin(t, j.w.db).QueryRow(t.Context(), `SELECT counts FROM ended_case WHERE call_id = $1`, j.call).Scan(&counts))
		require.False(t, counts)
	}
}

// The explanation adds up and names its fault; an unknown one is refused.
func TestExplanation(t *testing.T) {
	j := repaired(t)
	e := j.tech.get("/v1/calls/" + j.call + "/explanation")
	require.Equal(t, "transition_crushed", e.str("fault"))
	require.NotEmpty(t, e.at("steps"))
	require.Contains(t, e.str("away"), "would stand at")
	require.Equal(t, "coil_grounded", j.tech.get("/v1/calls/"+j.call+"/explanation?fault=coil_grounded").str("fault"))
	require.Equal(t, []string{"/fault unknown"}, j.tech.do("GET", "/v1/calls/"+j.call+"/explanation?fault=high_limit_late", nil).want(422).fields())
}
