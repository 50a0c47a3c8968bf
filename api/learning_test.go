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

// The owner sees how the last word of the engine compares with what was
// verified; with few calls the answer says that it proves nothing.
func TestCalibration(t *testing.T) {
	j := repaired(t)
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)
	c := j.s.owner.get("/v1/history/calibration")
	require.Equal(t, "runs_too_hot", c.str("complaints", 0, "complaint"))
	require.EqualValues(t, 1, c.at("complaints", 0, "calls"))
	require.EqualValues(t, 1, c.at("complaints", 0, "first"))
	require.Equal(t, "too_few", c.str("complaints", 0, "status"))
	require.Equal(t, "In 1 of 1 calls the likeliest fault was the one verified; too few calls yet to say how far the probabilities can be trusted.",
		c.str("complaints", 0, "sentence"))
	bins, all := c.at("complaints", 0, "bins").([]any), 0.0
	require.Len(t, bins, 10)
	for _, b := range bins {
		all += b.(m)["count"].(float64)
	}
	require.EqualValues(t, len(j.tech.get("/v1/calls/"+j.call+"/assessment").at("ranking").([]any)), all, "every fault of the ranking is in the table")
	require.Empty(t, j.s.owner.get("/v1/history/calibration?until=2001-01-01T00:00:00Z").at("complaints"))
	require.Empty(t, newScene(j.w.b).owner.get("/v1/history/calibration").at("complaints"))
	j.tech.do("GET", "/v1/history/calibration", nil).want(403)
}
