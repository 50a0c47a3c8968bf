package survival

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The fans of Nelson 1982: half-way between the steps of R's survfit.
func TestPositionsAreHalfWayUpTheSteps(t *testing.T) {
	got := PlottingPositions(lives(t, "genfan"))
	before, i := 1.0, 0
	for _, r := range expected(t, "km") {
		if r["case"] != "genfan" {
			continue
		}
		now := r.float(t, "surv")
		if r.int(t, "n_event") > 0 {
			require.Equal(t, r.float(t, "time"), got[i].Time)
			require.Equal(t, r.int(t, "n_event"), got[i].Failures)
			close(t, 1-(before+now)/2, got[i].F, 1e-9)
			i++
		}
		before = now
	}
	require.Len(t, got, i)
	require.Greater(t, i, 5)
}

// On whole days the positions are those of the curve, late entries included.
func TestPositionsAgreeWithTheCurve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		var ls []Life
		var rows []Row
		for i := range n {
			entry := rapid.IntRange(0, 9).Draw(t, "entry")
			exit := entry + rapid.IntRange(1, 9).Draw(t, "watched")
			failed := rapid.Bool().Draw(t, "failed")
			r := followed(i, entry, exit, 0)
			if failed {
				r.Cause = 1
			}
			rows, ls = append(rows, r), append(ls, Life{float64(entry), float64(exit), failed})
		}
		rand.New(rand.NewPCG(1, 2)).Shuffle(n, func(i, j int) { ls[i], ls[j] = ls[j], ls[i] })
		got, before, i := PlottingPositions(ls), 1.0, 0
		c := KaplanMeier(rows, 1, 0.95, LogLog)
		for _, s := range c.Steps {
			if s.Events > 0 {
				require.Equal(t, float64(s.Day), got[i].Time)
				require.Equal(t, s.Events, got[i].Failures)
				require.InDelta(t, 1-(before+s.S)/2, got[i].F, 1e-12)
				i++
			}
			before = s.S
		}
		require.Len(t, got, i)
	})
}

func TestPositionsOfNonsense(t *testing.T) {
	require.Nil(t, PlottingPositions([]Life{{Entry: 3, Exit: 2, Failed: true}}))
	require.Empty(t, PlottingPositions([]Life{{Exit: 2}}))
	require.Empty(t, PlottingPositions(nil))
}
