package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

// Across a limit the ranking moves step by step, not at once: what the meter
// cannot tell weighs little, and the further beyond, the more it weighs, until
// other slips than the meter's are likelier.
func TestAcrossALimitTheEvidenceTurnsGradually(t *testing.T) {
	k, s := builtIn(t), dryerSheet(t)
	at := func(fpm float64) float64 {
		r := diagnosis.Reading{ID: "a", Check: "hood", Phase: diagnosis.AsFound, Values: values{"velocity": value(fpm*0.00508, "[ft_i]/min")},
			Instrument: &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.05}}
		vs, err := diagnosis.Judge(k, "runs_too_hot", r, s, dryer())
		require.NoError(t, err)
		a, err := diagnosis.Assess(k, diagnosis.Case{Complaint: "runs_too_hot", Unit: dryer(), Sheet: s, Readings: []diagnosis.Judged{{Reading: r, Verdicts: vs}}})
		require.NoError(t, err)
		return probabilityOf(a, "run_restricted")
	}
	before := at(1600)
	low, high := before, at(600)
	middle := 0
	for fpm := 1590.0; fpm >= 600; fpm -= 5 {
		p := at(fpm)
		require.GreaterOrEqual(t, p, before-1e-12, "%v ft/min", fpm)
		require.Less(t, p-before, (high-low)/4, "%v ft/min", fpm)
		if p > low+(high-low)/10 && p < high-(high-low)/10 {
			middle++
		}
		before = p
	}
	require.Greater(t, middle, 5, "there is a band between")
}
