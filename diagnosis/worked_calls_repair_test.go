package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

// repaired is the crushed duct's call after the new transition piece, with a
// verification reading for each closing item.
func repaired() call {
	c := callNamed("crushed_duct")
	c.name, c.why = "verified_repair", "Every closing item has its reading on the repaired machine in its place, so it may go back."
	ground := done{check: "frame_ground", finding: "conforms", values: values{"resistance": value(0.15, "Ohm")},
		instrument: &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.001}}
	closed := func(check string) done { return ohm(check, "", "conforms", 0.15) }
	steps := []any{diagnosis.Done{Action: "replace_transition"}}
	for _, d := range []done{look("safety_devices", "in_place"), contact(closed("high_limit")), contact(closed("cut_off")),
		openCircuit("coil_to_case", "terminal_1", "conforms"), ground, coldRun("no_heat", 75), goodRun(), hood(1700, "conforms"),
		{check: "duct_off_run", finding: "duct_clear", instrument: &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1},
			values: values{"velocity_on": value(8.6, "m/s"), "velocity_off": value(9, "m/s")}}} {
		steps = append(steps, verify(d))
	}
	c.steps = append(c.steps, steps...)
	return c
}

// contact swaps the meter for one that resolves a milliohm.
func contact(d done) done {
	d.instrument = &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.001}
	return d
}

// A verified good repair closes the call: the ranking still explains the
// complaint, no part contradicts it, and nothing is missing.
func TestVerifiedRepairOfACrushedDuct(t *testing.T) {
	k, s := builtIn(t), callSheet(t)
	before, err := diagnosis.Assess(k, callNamed("crushed_duct").play(t, k, s))
	require.NoError(t, err)
	c := repaired()
	cs := c.play(t, k, s)
	a, err := diagnosis.Assess(k, cs)
	require.NoError(t, err)
	require.Equal(t, before.Ranking[0].Fault, a.Ranking[0].Fault)
	require.GreaterOrEqual(t, a.Ranking[0].Probability, before.Ranking[0].Probability)
	require.Nil(t, a.Doubt, "a good repair contradicts nothing")
	for _, p := range a.Parts {
		require.NotEqual(t, diagnosis.DoesNotConform, p.Outcome, "%+v", p)
	}
	ok, why := diagnosis.Supports(a, cs.Readings, "transition_crushed")
	require.True(t, ok, why)
	ok, why = diagnosis.Supports(a, cs.Readings, "cycling_thermostat_late")
	require.False(t, ok, why)
	statements := map[string]bool{}
	complaint, _ := k.Complaint("runs_too_hot")
	for _, cl := range complaint.Closing {
		if cl.Statement != "" {
			statements[cl.Statement] = true
		}
	}
	require.Empty(t, diagnosis.Open(k, cs, statements, []string{"transition_crushed"}))
	require.NotEmpty(t, diagnosis.Open(k, cs, nil, []string{"transition_crushed"}))
	golden(t, c.name, worked{Why: c.why + " (common practice, no source)"}, cs, a)
}
