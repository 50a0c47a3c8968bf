package survival

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Source: R, survfit with conf.type log-log; Wilson with the effective number.
func TestRepeatWithinAgainstR(t *testing.T) {
	for _, r := range expected(t, "repeat_within_N") {
		got := RepeatWithin(kmRows(t, r["case"]), 1, r.int(t, "N"), 0.95)
		require.Equal(t, OK, got.Status)
		require.Equal(t, ByLogLog, got.Method)
		require.Equal(t, []int{r.int(t, "n"), r.int(t, "events_by_N"), r.int(t, "at_risk_at_N"), r.int(t, "fully_followed_n")},
			[]int{got.Repairs, got.Events, got.AtRisk, got.Followed}, r["case"])
		same(t, r, "naive_all", got.Naive, closedForm)
		sameInterval(t, r, "naive_all_wilson_lo", "naive_all_wilson_hi", got.NaiveInterval, closedForm)
		same(t, r, "naive_followed", got.NaiveFollowed, closedForm)
		same(t, r, "km_F", got.F, closedForm)
		same(t, r, "km_se", got.SE, closedForm)
		sameInterval(t, r, "km_F_lo", "km_F_hi", got.Interval, closedForm)
		same(t, r, "n_eff", got.EffectiveN, closedForm)
		sameInterval(t, r, "effwilson_lo", "effwilson_hi", got.Wilson, closedForm)
	}
}

func TestNoRepeatSeenStillHasAnUpperLimit(t *testing.T) {
	var rows []Row
	for i := range 60 {
		rows = append(rows, followed(i, 0, 10+10*(i%20), 0))
	}
	got := RepeatWithin(rows, 1, 100, 0.95)
	require.Equal(t, OK, got.Status)
	require.Equal(t, ByAtRisk, got.Method)
	require.Zero(t, got.F.Value)
	require.Equal(t, 33, got.AtRisk)
	require.InDelta(t, 1-math.Pow(0.025, 1.0/33), got.Interval.Hi.Value, 1e-12)
	require.Equal(t, Undefined, got.SE.Status)
}

func TestBeyondTheLastFollowUp(t *testing.T) {
	got := RepeatWithin(kmRows(t, "aml_maintained"), 1, 162, 0.95)
	require.Equal(t, NotReached, got.Status)
	require.Equal(t, none(NotReached), got.F)
	require.Equal(t, noInterval(NotReached), got.Interval)
	require.True(t, got.Naive.OK(), "the labelled count is a count")
	all := RepeatWithin(kmRows(t, "edge_all_event"), 1, 50, 0.95)
	require.Equal(t, OK, all.Status)
	require.Equal(t, ByAllBack, all.Method)
	require.InDelta(t, 1, all.F.Value, 0)
	require.Equal(t, noInterval(Undefined), all.Interval)
	require.Equal(t, Undefined, RepeatWithin(nil, 1, 90, 0.95).Status)
	require.Equal(t, Undefined, RepeatWithin(endings(3, 1), 1, 0, 0.95).Status)
}

// With one row a unit the jackknife is Greenwood's; a unit's rows seen k times
// over are worth one, so the variance by unit does not shrink.
func TestVarianceByUnit(t *testing.T) {
	rows := kmRows(t, "genfan")
	one := RepeatWithin(rows, 1, 8000, 0.95)
	days := countDays(rows, 1)
	require.InEpsilon(t, one.SE.Value, math.Sqrt(survivalVarByUnit(rows, 1, days, 8000, 1-one.F.Value)), 1e-9)
	var thrice []Row
	for range 3 {
		thrice = append(thrice, rows...)
	}
	got := RepeatWithin(thrice, 1, 8000, 0.95)
	require.True(t, got.Clustered)
	require.Equal(t, ByLogLogClusters, got.Method)
	require.InEpsilon(t, one.SE.Value, got.SE.Value, 1e-9)
	require.Equal(t, 70, got.Units)
}

// The influence of a unit is the derivative by its weight: here by doubling
// rows of a large copy.
func TestInfluenceIsTheDerivative(t *testing.T) {
	rows := kmRows(t, "edge_left_trunc")
	const copies = 2000
	survivalOf := func(extra int) float64 {
		var all []Row
		for i, r := range rows {
			k := copies
			if i == extra {
				k++
			}
			for range k {
				all = append(all, r)
			}
		}
		return 1 - RepeatWithin(all, 1, 9, 0.95).F.Value
	}
	base, want := survivalOf(-1), 0.0
	for i := range rows {
		d := (survivalOf(i) - base) * copies
		want += d * d
	}
	got := survivalVarByUnit(rows, 1, countDays(rows, 1), 9, base)
	require.InEpsilon(t, want, got, 5e-3)
}
