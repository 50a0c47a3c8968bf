package diagnosis_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
)

func level(p float64) float64 {
	p = math.Min(math.Max(p, 1e-9), 1-1e-9)
	return 10 * math.Log10(p/(1-p))
}

// The steps lead from the complaint to the probability of the ranking, and
// their decibans add up, whatever was read.
func TestTheStepsOfAnExplanationAddUp(t *testing.T) {
	k, s := builtIn(t), dryerSheet(t)
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t, k, s)
		a, err := diagnosis.Assess(k, c)
		require.NoError(t, err)
		fault := rapid.SampledFrom(a.Ranking).Draw(t, "fault")
		e, err := diagnosis.Explain(k, c, fault.Fault)
		require.NoError(t, err)
		require.Equal(t, fault.Probability, e.Probability)
		sum := level(e.Start)
		for _, s := range e.Steps {
			sum += s.Decibans
			require.InDelta(t, level(s.Probability), sum, 1e-6)
			require.False(t, math.IsNaN(s.Alone))
		}
		require.InDelta(t, level(e.Probability), sum, 1e-6)
		require.False(t, math.IsNaN(e.Conflict))
	})
}

// Turning the reading that is named does put the other fault first, and
// turning none before it does.
func TestTheFlipIsTrue(t *testing.T) {
	k, s := builtIn(t), callSheet(t)
	flips := 0
	for _, w := range workedCalls() {
		c := w.play(t, k, s)
		e, err := diagnosis.Explain(k, c, "")
		require.NoError(t, err)
		if e.Flip == nil {
			continue
		}
		flips++
		for i := range c.Readings {
			if c.Readings[i].Reading.ID == e.Flip.Reading {
				vs := append([]diagnosis.Verdict{}, c.Readings[i].Verdicts...)
				vs[0].Finding, vs[0].Measured = e.Flip.Finding, nil
				c.Readings[i].Verdicts = vs
			}
		}
		a, err := diagnosis.Assess(k, c)
		require.NoError(t, err)
		require.Equal(t, e.Flip.Fault, a.Ranking[0].Fault, w.name)
		require.NotEqual(t, e.Fault, e.Flip.Fault)
		require.Contains(t, e.Flip.Sentence, "come out the other way")
	}
	require.Greater(t, flips, 3)
}

func TestWhatExplainsAwayWhat(t *testing.T) {
	k, s := builtIn(t), callSheet(t)
	for _, w := range workedCalls() {
		if w.name != "grounded_coil" {
			continue
		}
		e, err := diagnosis.Explain(k, w.play(t, k, s), "")
		require.NoError(t, err)
		require.Regexp(t, `^Heating coil touches the case explains what the check "air-only run from cold" found; without it heat relay or timer contact welded shut would stand at (over )?9\d % instead of \d+ %\.$`, e.Away)
		require.Less(t, e.Conflict, 0.0, "the readings bear each other out")
	}
}

// Readings that bear each other out have a conflict below zero, readings that
// pull apart above it.
func TestConflictIsSeen(t *testing.T) {
	closed := diagnosis.Reading{Check: "relay", Values: values{"resistance": {{Over: true}}, "wires_off": chosen("yes")}}
	sound := diagnosis.Reading{Check: "coil", Position: "terminal_1", Values: values{"resistance": {{Over: true}}, "wires_off": chosen("yes")}}
	e, err := diagnosis.Explain(smallKind(), smallCase(t, found(t, "a", 0, warmAirOnly()), found(t, "b", 1, closed), found(t, "c", 2, sound)), "")
	require.NoError(t, err)
	require.Greater(t, e.Conflict, 0.0)
	_, err = diagnosis.Explain(smallKind(), smallCase(t), "limit_late")
	require.ErrorIs(t, err, diagnosis.ErrNoCause, "a second barrier is no cause")
}

// The likeliest sets of faults hold nearly all of the probability, and agree
// with the ranking.
func TestTheLikeliestSets(t *testing.T) {
	k, s := builtIn(t), callSheet(t)
	for _, w := range workedCalls() {
		c := w.play(t, k, s)
		e, err := diagnosis.Explain(k, c, "")
		require.NoError(t, err, w.name)
		require.False(t, e.Approximate)
		require.GreaterOrEqual(t, e.Covered, 0.95, w.name)
		require.LessOrEqual(t, e.Covered, 1+1e-9)
		sum := 0.0
		for i, set := range e.Sets {
			require.True(t, i == 0 || set.Probability <= e.Sets[i-1].Probability)
			require.NotEmpty(t, set.Faults, "something explains the complaint")
			sum += set.Probability
		}
		require.LessOrEqual(t, sum, 1+1e-9)
	}
}
