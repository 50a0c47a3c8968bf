package survival

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Source: our toy, by R.
func TestParetoAgainstR(t *testing.T) {
	rows := expected(t, "pareto_toy")
	var causes []Cause
	for _, r := range rows {
		causes = append(causes, Cause{r["part"], r.int(t, "repeats"), r.float(t, "exposure_unit_days")})
		require.LessOrEqual(t, r.int(t, "repeats"), r.int(t, "repairs"))
	}
	got := ParetoOf(causes, 0.95)
	for i, r := range rows {
		item := got.Items[i]
		require.Equal(t, r["part"], item.Name, "by count, ties by name")
		same(t, r, "share", item.Share, closedForm)
		same(t, r, "cum_share", item.CumShare, closedForm)
		same(t, r, "rate_per_1000d", number(item.Rate.Value.Value*1000), closedForm)
		same(t, r, "eb_alpha", number(got.Prior.A), rooted)
		same(t, r, "eb_beta_k", number(got.Prior.B/1000), rooted)
		same(t, r, "eb_rate_per_1000d", number(item.BayesRate.Value*1000), rooted)
	}
	none := ParetoOf([]Cause{{"b", 0, 10}, {"a", 0, 0}}, 0.95)
	require.Equal(t, OK, none.Status)
	require.Equal(t, "a", none.Items[0].Name)
	require.Equal(t, Undefined, none.Items[0].Rate.Value.Status, "no exposure, no rate")
	require.Equal(t, Undefined, none.Items[0].Share.Status)
	require.Equal(t, Undefined, ParetoOf([]Cause{{"a", -1, 2}}, 0.95).Status)
}

// Source: R, qbinom and pbinom.
func TestFunnelAgainstR(t *testing.T) {
	for _, r := range expected(t, "funnel") {
		p0, n := r.float(t, "p0"), r.float(t, "n")
		f := FunnelLimits(p0, int(n))
		require.Equal(t, OK, f.Status)
		require.Equal(t, []int{r.int(t, "q025_r"), r.int(t, "q975_r"), r.int(t, "q999_r")}, []int{f.Lo95.Count, f.Hi95.Count, f.Hi998.Count})
		same(t, r, "q025_interp", number(f.Lo95.Share), closedForm)
		same(t, r, "q975_interp", number(f.Hi95.Share), closedForm)
		same(t, r, "q001_interp", number(f.Lo998.Share), closedForm)
		same(t, r, "q999_interp", number(f.Hi998.Share), closedForm)
		// Normal limits, for comparison: beyond 1 at n = 1.
		sd := math.Sqrt(p0 * (1 - p0) / n)
		same(t, r, "norm95_hi", number(p0+zFor(0.95)*sd), closedForm)
		same(t, r, "norm998_hi", number(p0+zFor(0.998)*sd), closedForm)
	}
	require.Equal(t, Undefined, FunnelLimits(0, 5).Status)
	require.Equal(t, Undefined, FunnelLimits(0.1, 0).Status)
}

func TestStandardise(t *testing.T) {
	// The best tech gets the hard work: 20 % raw against a shop's 12 %, and yet
	// fewer repeats than the shop on the same work.
	s := Standardise([]Stratum{{1, 10, 0.05}, {9, 40, 0.3}}, 0.95)
	require.InDelta(t, 10/12.5, s.Ratio.Value, 1e-12)
	require.InDelta(t, 4.795389/12.5, s.Interval.Lo.Value, 1e-6)
	require.Equal(t, Undefined, Standardise(nil, 0.95).Status)
	require.Equal(t, Undefined, Standardise([]Stratum{{3, 2, 0.1}}, 0.95).Status)
}

// Source: R, qgeom and closed forms.
func TestGChartAgainstR(t *testing.T) {
	for _, r := range expected(t, "g_chart") {
		p := r.float(t, "p")
		g := GChartLimits(p)
		same(t, r, "mean", number(g.Mean), closedForm)
		same(t, r, "sd", number(g.SD), closedForm)
		same(t, r, "shewhart_ucl", number(g.ThreeSigmaHi), closedForm)
		same(t, r, "shewhart_lcl", number(g.ThreeSigmaLo), closedForm)
		require.Equal(t, []int{r.int(t, "prob_lcl"), r.int(t, "prob_ucl")}, []int{g.ProbabilityLo, g.ProbabilityHi})
		require.True(t, g.CannotShowWorsened)
		same(t, r, "p_below_1", AtMostGood(0, p), closedForm)
		same(t, r, "p_le_k2", AtMostGood(2, p), closedForm)
	}
	require.False(t, GChartLimits(0.001).CannotShowWorsened)
	require.Equal(t, Undefined, GChartLimits(0).Status)
	require.Equal(t, Undefined, AtMostGood(-1, 0.1).Status)
}

// Source: R; arl_spc is package spc, pois.cusum.arl.
func TestPoissonARLAgainstR(t *testing.T) {
	for _, r := range expected(t, "cusum_poisson_arl") {
		k, h, m, mean := r.float(t, "k"), r.float(t, "h"), r.int(t, "m"), r.float(t, "mu")
		same(t, r, "arl", PoissonARL(k, h, r.float(t, "s0"), m, mean), rooted)
		same(t, r, "arl_spc", PoissonARL(k, h, 0, m, mean), rooted)
		same(t, r, "arl_fir", PoissonARL(k, h, h/2, m, mean), rooted)
	}
}

// Source: R; Markov chain.
func TestBernoulliARLAgainstR(t *testing.T) {
	for _, r := range expected(t, "cusum_bernoulli_arl") {
		ref, ok := BernoulliReference(r.float(t, "p0"), r.float(t, "p1"))
		require.True(t, ok)
		same(t, r, "k_exact", number(ref.Exact), closedForm)
		require.Equal(t, r.int(t, "m"), ref.M)
		same(t, r, "k", number(ref.K()), closedForm)
		same(t, r, "arl0", BernoulliARL(ref.M, r.float(t, "h"), 0, r.float(t, "p0")), rooted)
		same(t, r, "arl1", BernoulliARL(ref.M, r.float(t, "h"), 0, r.float(t, "p1")), rooted)
	}
}

// Source: R, spc xcusum.arl.
func TestNormalARLAgainstR(t *testing.T) {
	for _, r := range expected(t, "cusum_normal_arl") {
		k, h, mu := r.float(t, "k"), r.float(t, "h"), r.float(t, "mu")
		same(t, r, "one_sided", NormalARL(k, h, mu), rooted)
		same(t, r, "two_sided", NormalARLBothSides(k, h, mu), rooted)
	}
}

// Source: R; the chart goes on after an alarm.
func TestCusumRunAgainstR(t *testing.T) {
	rows := expected(t, "cusum_run")
	var xs []Observation
	for _, r := range rows {
		xs = append(xs, Observation{r.float(t, "x"), 1})
	}
	c := Cusum{K: rows[0].float(t, "k"), H: rows[0].float(t, "h")}
	for i, p := range c.Run(xs) {
		require.Equal(t, i+1, rows[i].int(t, "t"))
		same(t, rows[i], "c", number(p.C), closedForm)
		require.Equal(t, rows[i]["alarm"] == "TRUE", p.Alarm)
	}
	c.Reset = true
	again := c.Run(xs)
	require.True(t, again[28].Alarm)
	require.InDelta(t, 1.5, again[29].C, 1e-12, "starts over")
	require.False(t, again[29].Alarm)
}

func TestCusumTakesExposure(t *testing.T) {
	c := Cusum{K: 0.1, H: 2, Start: 1}
	got := c.Run([]Observation{{1, 5}, {0, 30}, {4, 10}})
	require.InDeltaSlice(t, []float64{1.5, 0, 3}, []float64{got[0].C, got[1].C, got[2].C}, 1e-12)
	require.Nil(t, Cusum{}.Run(nil))
	require.Nil(t, c.Run([]Observation{{math.NaN(), 1}}))
	third := Cusum{K: 0.1, H: 0.3}
	require.True(t, third.Run([]Observation{{0.4, 1}})[0].Alarm, "0.4 - 0.1 is 0.30000000000000004 or less, and it is h")
}

func TestChooseByTheNumberOfCharts(t *testing.T) {
	one := ChooseBernoulli(0.1, 0.2, Alarms{Charts: 1, Observations: 700, FalseAlarms: 1})
	require.Equal(t, OK, one.Status)
	require.InDelta(t, 4, one.H, 1/7.0+1e-9, "h = 4 has run length 719")
	require.GreaterOrEqual(t, one.ARL0.Value, 700.0)
	below := BernoulliARL(one.M, one.H-1/7.0, 0, 0.1)
	require.Less(t, below.Value, 700.0, "the smallest that will do")
	fifty := ChooseBernoulli(0.1, 0.2, Alarms{Charts: 50, Observations: 100, FalseAlarms: 1})
	require.Greater(t, fifty.H, one.H)
	require.Greater(t, fifty.ARL1.Value, one.ARL1.Value, "fewer false alarms are paid for with delay")

	poisson := ChoosePoisson(1.2, 2.0, 4, Alarms{Charts: 1, Observations: 400, FalseAlarms: 1})
	require.Equal(t, OK, poisson.Status)
	require.GreaterOrEqual(t, poisson.ARL0.Value, 400.0)
	require.Less(t, poisson.ARL1.Value, 40.0)
	require.InDelta(t, PoissonK(1.2, 2).Value, poisson.K, 0.125)

	require.Equal(t, Undefined, ChooseBernoulli(0.2, 0.1, Alarms{1, 1, 1}).Status)
	require.Equal(t, Undefined, ChooseBernoulli(0.1, 0.2, Alarms{0, 1, 1}).Status)
	require.Equal(t, NotReached, ChooseBernoulli(0.1, 0.11, Alarms{1000, 1e8, 1}).Status)
	require.Equal(t, Undefined, PoissonARL(0.3, 2, 0, 4, 1).Status, "off the grid")
	require.Equal(t, Undefined, BernoulliARL(7, 2, 2, 0.1).Status, "starts in alarm")
	require.Equal(t, Undefined, NormalARL(0.5, -1, 0).Status)
}
