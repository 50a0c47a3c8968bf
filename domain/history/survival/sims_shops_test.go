package survival

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// holds checks a share of hits against its nominal value: within 3 Monte-Carlo
// standard errors of the replicates, which it prints.
func holds(t *testing.T, what string, nominal float64, got tally) {
	t.Helper()
	se := math.Sqrt(nominal * (1 - nominal) / got.n)
	t.Logf("%s: %.4f of %.0f, nominal %.4f, band %.4f to %.4f", what, got.mean(), got.n, nominal, nominal-3*se, nominal+3*se)
	require.InDelta(t, nominal, got.mean(), 3*se, what)
}

// growingShop is three years of a shop whose customers grow in number: repairs
// crowd towards the data cut, so that many are young. Another fault may end a
// repair's follow-up first.
func growingShop(rng *rand.Rand, repairs int, pace float64) []Row {
	var rows []Row
	for unit := range repairs {
		cut := whole(1095 * (1 - math.Sqrt(rng.Float64())))
		back, other := whole(rng.ExpFloat64()/pace), whole(rng.ExpFloat64()*900)
		row := followed(unit, 0, min(back, other, cut), 0)
		switch row.Exit {
		case back:
			row.Cause = 1
		case other:
			row.Cause = 2
		}
		rows = append(rows, row)
	}
	return rows
}

// The log-log limits of the curve cover at 30 and 90 days; events over all
// repairs are too few, because the young ones count as good.
func TestLimitsOfAGrowingShop(t *testing.T) {
	rng := shop(21)
	const pace = 0.004
	for _, n := range []int{30, 90} {
		truth := 1 - math.Exp(-pace*float64(n))
		var cover, km, naive tally
		for range *replicates {
			got := RepeatWithin(growingShop(rng, 200, pace), 1, n, 0.95)
			cover.hit(covers(got.Interval, truth))
			km.add(got.F.Value)
			naive.add(got.Naive.Value)
		}
		holds(t, "log-log limits cover", 0.95, cover)
		t.Logf("by day %d, truth %.4f: curve %.4f ± %.4f, events over all %.4f", n, truth, km.mean(), km.error(), naive.mean())
		require.InDelta(t, truth, km.mean(), 3*km.error())
		require.Less(t, naive.mean(), truth-3*naive.error())
	}
}

// Parts with a single repair that came back never lead the list, unless the
// groups truly are alike and nothing leads it at all.
func TestOneOfOneNeverTops(t *testing.T) {
	rng := shop(22)
	raw, topped := 0, 0
	for range *replicates {
		gs := []Group{{"one of one", 1, 1}}
		for i := range 25 {
			a, b := gammaDraw(rng, 3), gammaDraw(rng, 20)
			n, x := 20+rng.IntN(80), 0
			for range n {
				if rng.Float64() < a/(a+b) {
					x++
				}
			}
			gs = append(gs, Group{string(rune('A' + i)), float64(x), float64(n)})
		}
		ranking := RankShares(gs, 0.95)
		require.Equal(t, OK, ranking.Status)
		require.Equal(t, 1.0, byName(t, ranking, "one of one").Raw.Value)
		raw++
		if ranking.Groups[0].Name == "one of one" {
			topped++
		}
	}
	t.Logf("one of one tops the raw list in all %d shops, the ranking in %d", raw, topped)
	require.Zero(t, topped)
}

// Twenty charts, thirty repairs each: no more false alarms than the choice was
// asked for. A chart starts at 0 and cannot ring in its first repairs, so over so
// short a time there are fewer than repairs over run length, not less than half
// (judgement, no source).
func TestFalseAlarmsAcrossCharts(t *testing.T) {
	rng := shop(23)
	const charts, repairs = 20, 30
	chart := ChooseBernoulli(0.1, 0.25, Alarms{Charts: charts, Observations: repairs, FalseAlarms: 1})
	require.Equal(t, OK, chart.Status)
	var alarms tally
	for range *replicates {
		rang := 0
		for range charts {
			xs := make([]Observation, repairs)
			for i := range xs {
				xs[i].Exposure = 1
				if rng.Float64() < 0.1 {
					xs[i].Events = 1
				}
			}
			for _, p := range (Cusum{K: chart.K, H: chart.H, Reset: true}).Run(xs) {
				if p.Alarm {
					rang++
				}
			}
		}
		alarms.add(float64(rang))
	}
	bound := charts * repairs / chart.ARL0.Value
	t.Logf("false alarms in %d charts of %d repairs: %.3f ± %.3f, renewal bound %.3f, asked for at most 1", charts, repairs, alarms.mean(), alarms.error(), bound)
	require.LessOrEqual(t, bound, 1.0)
	require.LessOrEqual(t, alarms.mean(), bound+3*alarms.error())
	require.GreaterOrEqual(t, alarms.mean(), 0.5*bound)
}
