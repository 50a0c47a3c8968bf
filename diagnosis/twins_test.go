package diagnosis_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

// A look at the hood and the speed of its air are one thing seen twice: the
// more informative of the two weighs, the other does not.
func TestReadingsWithTheSameAnswersCountOnce(t *testing.T) {
	k, s := builtIn(t), dryerSheet(t)
	ranking := func(steps ...any) diagnosis.Assessment {
		a, err := diagnosis.Assess(k, call{unit: dryer(), steps: steps}.play(t, k, s))
		require.NoError(t, err)
		return a
	}
	none := ranking()
	for _, tt := range []struct{ look, speed done }{
		{look("hood_look", "weak_flow"), hood(650, "low")},
		{look("hood_look", "full_flow"), hood(1700, "conforms")},
		{look("hood_look", "blocked"), hood(400, "low")},
	} {
		l, h := ranking(tt.look), ranking(tt.speed)
		want := l
		if bits(h, none) > bits(l, none) {
			want = h
		}
		require.InDeltaMapValues(t, probabilities(want), probabilities(ranking(tt.look, tt.speed)), 1e-12, tt.look.finding)
		require.InDeltaMapValues(t, probabilities(want), probabilities(ranking(tt.speed, tt.look)), 1e-12, tt.look.finding)
		require.NotContains(t, checks(l.Next), "hood")
		require.NotContains(t, checks(h.Next), "hood_look")
	}
	near := hood(1195, "between_low")
	require.Contains(t, checks(ranking(near).Next), "hood_look", "an inconclusive speed answers nothing")
}

func probabilities(a diagnosis.Assessment) map[string]float64 {
	out := map[string]float64{}
	for _, r := range a.Ranking {
		out[r.Fault] = r.Probability
	}
	return out
}

// bits is the relative entropy of one ranking against another.
func bits(a, prior diagnosis.Assessment) float64 {
	d, p := 0.0, probabilities(prior)
	for f, x := range probabilities(a) {
		d += x * math.Log2(x/p[f])
	}
	return d
}
