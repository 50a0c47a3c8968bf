package survival

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// byName finds a group of a ranking.
func byName(t testing.TB, r Ranking, name string) Ranked {
	t.Helper()
	i := slices.IndexFunc(r.Groups, func(g Ranked) bool { return g.Name == name })
	require.GreaterOrEqual(t, i, 0)
	return r.Groups[i]
}

func groupsOf(t testing.TB, rows []record, name, x, size string) []Group {
	t.Helper()
	var gs []Group
	for _, r := range rows {
		gs = append(gs, Group{r[name], r.float(t, x), r.float(t, size)})
	}
	return gs
}

// Source: R, optim on the negative-binomial marginal; data of Gaver and
// O'Muircheartaigh 1987.
func TestPumpsAgainstR(t *testing.T) {
	rows := expected(t, "eb_pumps")
	require.Equal(t, groupsOf(t, data(t, "pumps"), "pump", "x", "t"), groupsOf(t, rows, "pump", "x", "t"))
	got := RankRates(groupsOf(t, rows, "pump", "x", "t"), 0.95)
	require.Equal(t, FitPrior, got.Prior.Kind)
	require.False(t, got.Prior.Flat)
	for _, r := range rows {
		g := byName(t, got, r["pump"])
		same(t, r, "alpha", number(got.Prior.A), rooted)
		same(t, r, "beta", number(got.Prior.B), rooted)
		same(t, r, "loglik", got.Prior.LogLik, rooted)
		same(t, r, "raw", g.Raw, closedForm)
		same(t, r, "post_mean", number(g.Mean), rooted)
		same(t, r, "shrink", number(g.Shrink), rooted)
		sameInterval(t, r, "lo95", "hi95", g.Interval, rooted)
		same(t, r, "p_gt_grand", g.PWorse, profiled)
	}
}

// Source: R, beta-binomial marginal; 18 batters of Efron and Morris 1975.
func TestFlatPriorAgainstR(t *testing.T) {
	rows := expected(t, "eb_efronmorris")
	require.Equal(t, groupsOf(t, data(t, "efronmorris"), "unit", "x", "n"), groupsOf(t, rows, "unit", "x", "n"))
	got := RankShares(groupsOf(t, rows, "unit", "x", "n"), 0.95)
	require.True(t, got.Prior.Flat, "the likelihood hardly rises above the pooled rate")
	c, squares := 0.0, 0.0
	for _, r := range rows {
		d := r.float(t, "raw") - got.Prior.Rate
		squares += d * d
	}
	c = 1 - 15*got.Prior.Rate*(1-got.Prior.Rate)/45/squares // James and Stein's, for comparison
	drawnIn, raw := 0.0, 0.0                                // squared misses of what the rest of the season showed
	for _, r := range rows {
		drawnIn += math.Pow(byName(t, got, r["unit"]).Mean-r.float(t, "rest"), 2)
		raw += math.Pow(r.float(t, "raw")-r.float(t, "rest"), 2)
		same(t, r, "bb_alpha", number(got.Prior.A), rooted)
		same(t, r, "bb_beta", number(got.Prior.B), rooted)
		same(t, r, "bb_loglik", got.Prior.LogLik, rooted)
		same(t, r, "grand", number(got.Prior.Rate), closedForm)
		same(t, r, "raw", byName(t, got, r["unit"]).Raw, closedForm)
		same(t, r, "js_c", number(c), closedForm)
		same(t, r, "js", number(got.Prior.Rate+c*(r.float(t, "raw")-got.Prior.Rate)), closedForm)
		require.InDelta(t, r.float(t, "js"), byName(t, got, r["unit"]).Mean, 0.03)
	}
	require.Less(t, drawnIn, raw/2, "drawing in halves the error and more")
}

// Source: R; our toy shop.
func TestRankingToyAgainstR(t *testing.T) {
	rows := expected(t, "eb_ranking_toy")
	got := RankShares(groupsOf(t, rows, "tech", "x", "n"), 0.95)
	var ps, means []float64
	for _, r := range rows {
		p := AtLeast(r.int(t, "x"), r.int(t, "n"), got.Prior.Rate)
		same(t, r, "exact_p_upper", p, closedForm)
		ps = append(ps, p.Value)
		means = append(means, byName(t, got, r["tech"]).Mean)
	}
	adjusted := BenjaminiHochberg(ps)
	slices.Sort(means)
	for i, r := range rows {
		g := byName(t, got, r["tech"])
		same(t, r, "alpha", number(got.Prior.A), rooted)
		same(t, r, "beta", number(got.Prior.B), rooted)
		same(t, r, "raw", g.Raw, closedForm)
		same(t, r, "post_mean", number(g.Mean), rooted)
		sameInterval(t, r, "lo95", "hi95", g.Interval, rooted)
		same(t, r, "p_gt_pooled", g.PWorse, rooted)
		same(t, r, "bh_q", number(adjusted[i].Q), closedForm)
		rank, found := slices.BinarySearch(means, g.Mean)
		require.True(t, found)
		require.Equal(t, r.int(t, "rank_post"), len(means)-rank)
		better := 0
		for _, other := range got.Groups {
			if other.Raw.Value > g.Raw.Value {
				better++
			}
		}
		require.Equal(t, r.int(t, "rank_raw"), better+1)
	}
	order := ""
	for _, g := range got.Groups {
		order += g.Name
	}
	require.Equal(t, "FDAGCBJHEI", order, "by the chance of being worse: one of one is third, not first")
}

func TestPriorsThatCannotBeFitted(t *testing.T) {
	few := RankShares([]Group{{"a", 1, 1}, {"b", 9, 30}, {"c", 3, 60}}, 0.95)
	require.Equal(t, Weak, few.Prior.Kind)
	require.Equal(t, "b", few.Groups[0].Name)
	require.InEpsilon(t, 1, few.Prior.A, 1e-9, "worth one event")

	var alike []Group
	for i := range 8 {
		alike = append(alike, Group{string(rune('h' - i)), 2, 20})
	}
	pooled := RankShares(alike, 0.95)
	require.Equal(t, Pooled, pooled.Prior.Kind)
	require.InDelta(t, 0.1, pooled.Groups[0].Mean, 1e-12)
	require.Equal(t, Undefined, pooled.Groups[0].PWorse.Status)
	require.Equal(t, "a", pooled.Groups[0].Name, "ties by name")
	require.Equal(t, Pooled, RankRates(alike, 0.95).Prior.Kind)

	for i := range alike {
		alike[i].Events = 0
	}
	require.Equal(t, NoEvents, RankRates(alike, 0.95).Prior.Kind)
	for i := range alike {
		alike[i].Events = alike[i].Size
	}
	require.Equal(t, Pooled, RankShares(alike, 0.95).Prior.Kind)

	require.Equal(t, Undefined, RankShares([]Group{{"a", 2, 1}}, 0.95).Status)
	require.Equal(t, Undefined, RankRates([]Group{{"a", 2, 0}}, 0.95).Status, "no exposure, no rate")
	require.Equal(t, Undefined, RankRates(nil, 0.95).Status)
	require.Equal(t, 1.0, BenjaminiHochberg([]float64{-3})[0].P)
}

// Counts from effective numbers are not whole.
func TestFractionalCounts(t *testing.T) {
	whole := []Group{{"a", 1, 40}, {"b", 9, 50}, {"c", 30, 70}, {"d", 2, 60}, {"e", 12, 60}, {"f", 5, 30}}
	part := slices.Clone(whole)
	for i := range part {
		part[i].Events += 1e-7
		part[i].Size += 1e-7
	}
	for _, rank := range []func([]Group, float64) Ranking{RankRates, RankShares} {
		one, other := rank(whole, 0.95), rank(part, 0.95)
		require.Equal(t, FitPrior, one.Prior.Kind)
		require.InEpsilon(t, one.Prior.A, other.Prior.A, 1e-5)
		require.InEpsilon(t, one.Prior.LogLik.Value, other.Prior.LogLik.Value, 1e-5)
	}
}
