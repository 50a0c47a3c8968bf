package survival

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Source: R, closed forms and qbeta. The columns wilsoncc and midp are two
// further conventions that are not offered; they must lie where they belong.
func TestProportionsAgainstR(t *testing.T) {
	for _, r := range expected(t, "proportion_ci") {
		x, n, level := r.float(t, "x"), r.float(t, "n"), r.float(t, "conf")
		w, cp := Wilson(x, n, level), ClopperPearson(x, n, level)
		if x > 0 { // R's 0/10 is 3e-17, ours 0
			same(t, r, "wilson_lo", w.Lo, closedForm)
		} else {
			require.Zero(t, w.Lo.Value)
		}
		same(t, r, "wilson_hi", w.Hi, closedForm)
		sameInterval(t, r, "cp_lo", "cp_hi", cp, closedForm)
		sameInterval(t, r, "jeffreys_lo", "jeffreys_hi", Jeffreys(x, n, level), closedForm)
		require.LessOrEqual(t, r.float(t, "wilsoncc_lo"), w.Lo.Value)
		require.GreaterOrEqual(t, r.float(t, "wilsoncc_hi"), w.Hi.Value)
		require.GreaterOrEqual(t, r.float(t, "midp_lo"), cp.Lo.Value)
		require.LessOrEqual(t, r.float(t, "midp_hi"), cp.Hi.Value)
	}
}

// Source: Newcombe 1998b, by R.
func TestDifferencesAgainstR(t *testing.T) {
	for _, r := range expected(t, "proportion_diff") {
		d := Newcombe(r.float(t, "x1"), r.float(t, "n1"), r.float(t, "x2"), r.float(t, "n2"), 0.95)
		same(t, r, "diff", d.Value, closedForm)
		sameInterval(t, r, "lo", "hi", d.Interval, closedForm)
	}
}

// Source: R, qchisq and poisson.test.
func TestRatesAgainstR(t *testing.T) {
	for _, r := range expected(t, "poisson_rate_ci") {
		rate := PoissonRate(r.int(t, "x"), r.float(t, "exposure"), 0.95)
		same(t, r, "rate", rate.Value, closedForm)
		sameInterval(t, r, "lo", "hi", rate.Interval, closedForm)
		count := PoissonRate(r.int(t, "x"), 1, 0.95)
		sameInterval(t, r, "count_lo", "count_hi", count.Interval, closedForm)
	}
	for _, r := range expected(t, "rate_ratio") {
		q := ComparePoisson(r.int(t, "x1"), r.float(t, "T1"), r.int(t, "x2"), r.float(t, "T2"), 0.95)
		same(t, r, "ratio", q.Value, closedForm)
		sameInterval(t, r, "lo", "hi", q.Interval, closedForm)
		same(t, r, "p", q.P, closedForm)
	}
}

func TestSharesThatAreNone(t *testing.T) {
	for _, i := range []Interval{Wilson(1, 0, 0.95), Wilson(2, 1, 0.95), ClopperPearson(1, 2, 1), Jeffreys(-1, 2, 0.95)} {
		require.Equal(t, noInterval(Undefined), i)
	}
	require.Equal(t, Undefined, Newcombe(1, 1, 1, 0, 0.95).Value.Status)
	require.Equal(t, Undefined, PoissonRate(1, 0, 0.95).Value.Status, "no exposure, no rate")
	require.Equal(t, Undefined, ComparePoisson(0, 1, 0, 1, 0.95).Value.Status)
	none := ComparePoisson(3, 1, 0, 1, 0.95)
	require.Equal(t, Undefined, none.Value.Status, "nothing to divide by")
	require.Equal(t, Undefined, none.Interval.Hi.Status)
	require.Positive(t, none.Interval.Lo.Value)
	require.Equal(t, Undefined, AtLeast(1, 0, 0.5).Status)
}
