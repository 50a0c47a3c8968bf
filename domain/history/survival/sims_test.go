package survival

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// replicates of each simulated shop; -sim.replicates 2000 narrows the bands.
var replicates = flag.Int("sim.replicates", 200, "replicates of each simulated shop")

// band is the Monte-Carlo band of a share of the replicates, 3.5 standard errors.
func band(share float64) float64 {
	return 3.5 * math.Sqrt(share*(1-share)/float64(*replicates))
}

// sims reads a figure of the reference simulations (R, 1,000 to 2,000 replicates
// of shops drawn alike); the designs here are the same in kind.
func sims(t *testing.T, sim, quantity string) float64 {
	t.Helper()
	for _, r := range expected(t, "sims") {
		if r["sim"] == sim && r["quantity"] == quantity {
			return r.float(t, "value")
		}
	}
	require.Fail(t, "no such figure", "%s %s", sim, quantity)
	return 0
}

// mean and spread of what the replicates gave.
type tally struct{ sum, squares, n float64 }

func (m *tally) add(x float64)  { m.sum, m.squares, m.n = m.sum+x, m.squares+x*x, m.n+1 }
func (m *tally) mean() float64  { return m.sum / m.n }
func (m *tally) error() float64 { return math.Sqrt(max(0, m.squares/m.n-m.mean()*m.mean()) / m.n) }

func (m *tally) hit(ok bool) {
	if ok {
		m.add(1)
	} else {
		m.add(0)
	}
}

func covers(i Interval, truth float64) bool {
	return i.Lo.OK() && i.Hi.OK() && i.Lo.Value <= truth && truth <= i.Hi.Value
}

func shop(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 20)) }

// whole turns a duration into the day it falls on, 1 or later.
func whole(days float64) int { return max(1, int(math.Ceil(days))) }

// Unfollowed repairs: of 120 repairs of the last year, 15 % come back within 90
// days if one waits.
func TestUnfollowedRepairs(t *testing.T) {
	truth := sims(t, "A_repeat90", "truth")
	rng, pace := shop(1), -math.Log(1-truth)/90
	var naive, known, km, loglog, wilson, naiveWilson tally
	for range *replicates {
		var rows []Row
		for i := range 120 {
			back, cut := whole(rng.ExpFloat64()/pace), 1+rng.IntN(360)
			row := followed(i, 0, min(back, cut), 0)
			if back <= cut {
				row.Cause = 1
			}
			rows = append(rows, row)
		}
		got := RepeatWithin(rows, 1, 90, 0.95)
		naive.add(got.Naive.Value)
		known.add(got.NaiveFollowed.Value)
		km.add(got.F.Value)
		loglog.hit(covers(got.Interval, truth))
		wilson.hit(covers(got.Wilson, truth))
		naiveWilson.hit(covers(got.NaiveInterval, truth))
	}
	require.InDelta(t, truth, km.mean(), 4*km.error())
	require.Less(t, naive.mean(), truth-0.008, "young repairs count as good")
	require.Greater(t, known.mean(), truth+0.008, "only the bad young ones are kept")
	require.InDelta(t, sims(t, "A_repeat90", "mean_naive_all"), naive.mean(), 0.01)
	require.InDelta(t, sims(t, "A_repeat90", "mean_naive_followed"), known.mean(), 0.015)
	require.InDelta(t, sims(t, "A_repeat90", "mean_KM"), km.mean(), 0.01)
	for name, c := range map[string]*tally{"cover_KM_loglog": &loglog, "cover_KM_effwilson": &wilson, "cover_naive_wilson": &naiveWilson} {
		require.InDelta(t, sims(t, "A_repeat90", name), c.mean(), band(0.95)+0.02, name)
	}
	// The entry cut-off (repairs of 90 days and more before the cut, then a plain
	// share) is not offered: its figures stand beside those of the curve.
	require.InDelta(t, sims(t, "A_repeat90", "mean_entry_cutoff"), km.mean(), 0.01)
	require.InDelta(t, sims(t, "A_repeat90", "cover_cutoff_wilson"), wilson.mean(), band(0.95)+0.02)
}

// Clustering: units bring several repairs and differ.
func TestClusteredRepairs(t *testing.T) {
	rng := shop(2)
	const pace = 0.003
	truth := 1 - 1/(1+pace*90*1) // gamma frailty of variance 1: E exp(-z H)
	var byUnit, byRow, alarms tally
	for range *replicates {
		var rows []Row
		for unit := range 50 {
			z := rng.ExpFloat64()
			for range 6 {
				back, cut := whole(rng.ExpFloat64()/(pace*z)), 90+rng.IntN(270)
				row := followed(unit, 0, min(back, cut), 0)
				if back <= cut {
					row.Cause = 1
				}
				rows = append(rows, row)
			}
		}
		got := RepeatWithin(rows, 1, 90, 0.95)
		byUnit.hit(covers(got.Interval, truth))
		c := KaplanMeier(rows, 1, 0.95, LogLog)
		step, _ := c.at(90)
		byRow.hit(covers(interval(1-step.Interval.Hi.Value, 1-step.Interval.Lo.Value), truth))
		p := LogRankTest([][]Row{rows[:150], rows[150:]}, 1, 0)
		require.Equal(t, Undefined, p.P.Status)
		alarms.hit(chiSqTail(p.ChiSq.Value, 1) < 0.05)
	}
	t.Logf("coverage of nominal 0.95 ± %.3f: by unit %.3f, by row %.3f; log-rank false alarms %.3f", band(0.95), byUnit.mean(), byRow.mean(), alarms.mean())
	require.InDelta(t, 0.945, byUnit.mean(), band(0.95)+0.02)
	require.Less(t, byRow.mean(), 0.88, "rows taken as independent cover far too little")
	require.Greater(t, alarms.mean(), 0.12, "why the p-value is withheld")
}

// Units that differ: the robust variance covers, the Poisson one does not.
func TestMCFOfUnitsThatDiffer(t *testing.T) {
	rng := shop(3)
	const rate, horizon = 2.0, 700
	var robust, poisson, nocov tally
	for range *replicates {
		var units []History
		for range 50 {
			z := rng.ExpFloat64() * rate / horizon
			h := History{To: horizon - rng.IntN(200)}
			for at := rng.ExpFloat64() / z; whole(at) <= h.To; at += rng.ExpFloat64() / z {
				h.Events = append(h.Events, whole(at))
			}
			units = append(units, h)
		}
		m := MeanCumulative(units, 0.95)
		i, _ := slices.BinarySearchFunc(m.Steps, 500, func(s MCFStep, day int) int { return s.Day - day })
		step := m.Steps[i-1]
		truth := rate * float64(step.Day) / horizon
		robust.hit(covers(step.Interval, truth))
		sum := 0.0
		for _, s := range m.Steps[:i] {
			sum += float64(s.Events) / float64(s.AtRisk*s.AtRisk)
		}
		w := math.Exp(1.96 * math.Sqrt(sum) / step.MCF)
		poisson.hit(truth >= step.MCF/w && truth <= step.MCF*w)
		v := 0.0
		for _, s := range m.Steps[:i] {
			v += betweenUnits(units, s)
		}
		w = math.Exp(1.96 * math.Sqrt(v) / step.MCF)
		nocov.hit(truth >= step.MCF/w && truth <= step.MCF*w)
	}
	t.Logf("coverage of nominal 0.95: robust %.3f, Poisson %.3f, without covariance %.3f; band of 0.95 ± %.3f", robust.mean(), poisson.mean(), nocov.mean(), band(0.95))
	require.InDelta(t, sims(t, "B_mcf_frailty", "cover_robust_ln"), robust.mean(), band(0.93)+0.02)
	require.InDelta(t, sims(t, "B_mcf_frailty", "cover_poisson"), poisson.mean(), band(0.81)+0.06)
	require.InDelta(t, sims(t, "B_mcf_frailty", "cover_nocov"), nocov.mean(), band(0.81)+0.06)
}

// betweenUnits is the variance one step adds when the covariance between days is
// left out: the squares of d - mean over those at risk, by n squared.
func betweenUnits(units []History, s MCFStep) float64 {
	n, sum := float64(s.AtRisk), 0.0
	mean := float64(s.Events) / n
	for _, u := range units {
		if u.From < s.Day && s.Day <= u.To {
			d := failuresOn(u, s.Day)
			sum += (d - mean) * (d - mean)
		}
	}
	return sum / (n * n)
}

// Left truncation: the shop meets a unit by its first failure.
func TestUnitsMetByTheirFirstFailure(t *testing.T) {
	truth := sims(t, "C_left_trunc", "truth") // per year
	rng := shop(4)
	const years = 3.0
	var full, withFirst, after tally
	var cover tally
	for range *replicates {
		events, seen, exposure := 0, 0, 0.0
		for range 150 {
			first := rng.ExpFloat64() / truth
			if first > years {
				continue
			}
			seen++
			exposure += years - first
			for at := first + rng.ExpFloat64()/truth; at < years; at += rng.ExpFloat64() / truth {
				events++
			}
		}
		full.add(float64(events+seen) / (float64(seen) * years))
		withFirst.add(float64(events+seen) / exposure)
		rate := PoissonRate(events, exposure, 0.95)
		after.add(rate.Value.Value)
		cover.hit(covers(rate.Interval, truth))
	}
	require.InDelta(t, sims(t, "C_left_trunc", "events_over_full_window"), full.mean(), 0.02)
	require.InDelta(t, sims(t, "C_left_trunc", "events_incl_first_over_since_first"), withFirst.mean(), 0.05)
	require.InDelta(t, sims(t, "C_left_trunc", "post_first_over_since_first"), after.mean(), 0.01)
	require.InDelta(t, truth, after.mean(), 4*after.error())
	require.InDelta(t, 0.955, cover.mean(), band(0.95)+0.015, "Garwood's limits cover no less")
}

// Parts met at an age: leaving the entry out makes them look better than they
// are.
func TestWeibullOfPartsMetLate(t *testing.T) {
	rng := shop(5)
	const shape, scale = 2.0, 1000.0
	var fitted, ignored, profile, wald, oneRejected tally
	for range *replicates {
		var late, blind, constant []Life
		for len(late) < 60 {
			age, life := rng.Float64()*900, scale*math.Pow(rng.ExpFloat64(), 1/shape)
			if life <= age {
				continue // never met
			}
			cut := age + 400
			l := Life{Entry: age, Exit: min(life, cut), Failed: life <= cut}
			late = append(late, l)
			blind = append(blind, Life{Exit: l.Exit, Failed: l.Failed})
			x := rng.ExpFloat64() * 500
			constant = append(constant, Life{Exit: min(x, 400), Failed: x < 400})
		}
		w, b, c := FitWeibull(late, 0.95), FitWeibull(blind, 0.95), FitWeibull(constant, 0.95)
		require.Equal(t, []Status{OK, OK, OK}, []Status{w.Status, b.Status, c.Status})
		fitted.add(w.Location)
		ignored.add(b.Location)
		profile.hit(covers(w.Shape.Profile, shape))
		wald.hit(covers(w.Scale.Wald, scale))
		oneRejected.hit(c.ShapeIsOne.P.Value < 0.05)
	}
	t.Logf("ln scale %.4f: fitted %.4f ± %.4f, entry ignored %.4f; coverage %.3f profile, %.3f Wald", math.Log(scale), fitted.mean(), fitted.error(), ignored.mean(), profile.mean(), wald.mean())
	require.InDelta(t, math.Log(scale), fitted.mean(), 0.03)
	require.Greater(t, ignored.mean(), math.Log(scale)+0.05)
	require.InDelta(t, 0.95, profile.mean(), band(0.95)+0.015)
	require.InDelta(t, 0.945, wald.mean(), band(0.95)+0.02)
	require.InDelta(t, 0.05, oneRejected.mean(), band(0.05)+0.015)
}

// A growing customer base: units join all the time and none gets worse.
func TestGrowingCustomerBase(t *testing.T) {
	rng := shop(6)
	const cut = 1500.0
	var pooled, perUnit, mil, direction tally
	for range *replicates {
		calendar := Window{To: cut}
		var units []Window
		for range 120 {
			joined := cut * math.Sqrt(rng.Float64()) * 0.98
			w := Window{From: joined, To: cut}
			for at := joined + rng.ExpFloat64()*300; at < cut; at += rng.ExpFloat64() * 300 {
				w.Events = append(w.Events, at)
			}
			calendar.Events = append(calendar.Events, w.Events...)
			units = append(units, w)
		}
		pooled.hit(TestTrend([]Window{calendar}, 0.95).LaplaceP.Value < 0.05)
		got := TestTrend(units, 0.95)
		perUnit.hit(got.LaplaceP.Value < 0.05)
		mil.hit(got.MILHDBKP.Value < 0.05)
		direction.hit(got.Direction != NoEvidence)
	}
	t.Logf("false alarms at 0.05 ± %.3f: pooled calendar %.3f; by unit Laplace %.3f, MIL-HDBK %.3f, direction %.3f", band(0.05), pooled.mean(), perUnit.mean(), mil.mean(), direction.mean())
	require.InDelta(t, sims(t, "D_laplace_growth", "false_alarm_pooled_calendar"), pooled.mean(), 0.02)
	require.InDelta(t, sims(t, "D_laplace_growth", "false_alarm_per_unit_windows"), perUnit.mean(), band(0.05)+0.015)
	require.InDelta(t, 0.05, mil.mean(), band(0.05)+0.015)
	require.Less(t, direction.mean(), 0.05+band(0.05)+0.015)
}

// One of one: techs with one repair lead the raw list and are seldom the worst.
func TestTopOfTheList(t *testing.T) {
	rng := shop(7)
	var raw, drawnIn, cover tally
	for range *replicates {
		var gs []Group
		truth := map[string]float64{}
		for i := range 30 {
			name := string(rune('A' + i))
			a, b := gammaDraw(rng, 4), gammaDraw(rng, 28)
			truth[name] = a / (a + b)
			n := 1 + int(math.Exp(rng.Float64()*math.Log(120)))
			x := 0
			for range n {
				if rng.Float64() < truth[name] {
					x++
				}
			}
			gs = append(gs, Group{name, float64(x), float64(n)})
		}
		shares := []float64{}
		for _, p := range truth {
			shares = append(shares, p)
		}
		slices.Sort(shares)
		worst := shares[24]
		ranking := RankShares(gs, 0.95)
		require.Equal(t, OK, ranking.Status)
		drawnIn.hit(truth[ranking.Groups[0].Name] >= worst)
		top := slices.MaxFunc(gs, func(a, b Group) int { return int(math.Copysign(1, a.Events/a.Size-b.Events/b.Size)) })
		raw.hit(truth[top.Name] >= worst)
		if ranking.Prior.Kind == FitPrior {
			for _, g := range ranking.Groups {
				cover.hit(covers(g.Interval, truth[g.Name]))
			}
		}
	}
	require.InDelta(t, sims(t, "E_ranking", "raw_top_in_worst20"), raw.mean(), 0.15)
	require.InDelta(t, sims(t, "E_ranking", "eb_top_in_worst20"), drawnIn.mean(), 0.15)
	require.Greater(t, drawnIn.mean(), raw.mean()+0.1)
	require.InDelta(t, 0.875, cover.mean(), 0.035, "narrow, as documented: the prior is estimated too")
}

// gammaDraw adds exponentials: whole shapes only.
func gammaDraw(rng *rand.Rand, shape int) float64 {
	sum := 0.0
	for range shape {
		sum += rng.ExpFloat64()
	}
	return sum
}

// The table's own shop: 1,500 repairs with known shares and net rates.
func TestShopWithKnownTruth(t *testing.T) {
	for _, model := range []string{"M-A", "M-B", "M-C"} {
		rows := kmRows(t, "shop_"+model)
		shares := CumulativeIncidence(rows, 0.999)
		for _, n := range []int{30, 90} {
			name := "shop_truth_" + model + map[int]string{30: "_30", 90: "_90"}[n]
			require.True(t, covers(RepeatWithin(rows, 1, n, 0.999).Interval, sims(t, name, "net")), name)
			require.True(t, covers(shares.At(1, n).Interval, sims(t, name, "cif")), name)
		}
	}
	for _, r := range expected(t, "sims") {
		known := slices.ContainsFunc([]string{"A_repeat90", "B_mcf_frailty", "C_left_trunc", "D_laplace_growth", "E_ranking", "shop_truth_M-"},
			func(p string) bool { return strings.HasPrefix(r["sim"], p) })
		require.True(t, known, "nobody reads %v", r)
	}
}

// A chart's false alarms come as seldom as its run length says.
func TestCusumFalseAlarms(t *testing.T) {
	rng := shop(8)
	chart := ChooseBernoulli(0.1, 0.25, Alarms{Charts: 10, Observations: 20, FalseAlarms: 1})
	require.Equal(t, OK, chart.Status)
	for _, p := range []float64{0.1, 0.25} {
		var length tally
		for range *replicates {
			c, n := 0.0, 0
			for c < chart.H-1e-9 {
				n++
				x := 0.0
				if rng.Float64() < p {
					x = 1
				}
				c = max(0, c+x-chart.K)
			}
			length.add(float64(n))
		}
		want := chart.ARL0.Value
		if p > 0.1 {
			want = chart.ARL1.Value
		}
		require.InDelta(t, want, length.mean(), 4*length.error())
	}
}

// No test of equal groups rings more often than it says.
func TestGroupTestsHoldTheirLevel(t *testing.T) {
	rng := shop(9)
	var logRank, gray tally
	for range *replicates {
		groups := make([][]Row, 3)
		for g := range groups {
			for i := range 50 {
				own, other, cut := whole(rng.ExpFloat64()*200), whole(rng.ExpFloat64()*400), 30+rng.IntN(300)
				row := followed(1000*g+i, 0, min(own, other, cut), 0)
				switch row.Exit {
				case own:
					row.Cause = 1
				case other:
					row.Cause = 2
				}
				groups[g] = append(groups[g], row)
			}
		}
		logRank.hit(chiSqTail(LogRankTest(groups, 1, 0).ChiSq.Value, 2) < 0.05)
		gray.hit(GrayTest(groups, 1).P.Value < 0.05)
	}
	t.Logf("false alarms at 0.05 ± %.3f: log-rank %.3f, Gray %.3f", band(0.05), logRank.mean(), gray.mean())
	require.InDelta(t, 0.05, logRank.mean(), band(0.05)+0.015)
	require.InDelta(t, 0.05, gray.mean(), band(0.05)+0.015)
}
