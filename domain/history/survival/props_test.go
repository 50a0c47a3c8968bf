package survival

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// sound walks a result: floats are finite, every Number says whether it stands
// and is 0 when it does not.
func sound(t require.TestingT, result any) { walk(t, reflect.ValueOf(result), "") }

func walk(t require.TestingT, v reflect.Value, path string) {
	if n, ok := numberOf(v); ok {
		require.Contains(t, []Status{OK, TooFew, NotReached, Undefined}, n.Status, path)
		if !n.OK() && n.Value != 0 {
			require.Fail(t, "a figure without standing", "%s %v", path, n)
		}
		if math.IsNaN(n.Value) || math.IsInf(n.Value, 0) {
			require.Fail(t, "not finite", path)
		}
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				walk(t, v.Field(i), path+"."+v.Type().Field(i).Name)
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			walk(t, v.Index(i), fmt.Sprintf("%s[%d]", path, i))
		}
	case reflect.Float64:
		if math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0) {
			require.Fail(t, "not finite", "%s %v", path, v.Float())
		}
	case reflect.String:
		if v.Type() == reflect.TypeFor[Status]() {
			require.NotEmpty(t, v.String(), path)
		}
	}
}

func numberOf(v reflect.Value) (Number, bool) {
	if v.Kind() == reflect.Struct && v.Type() == reflect.TypeFor[Number]() {
		return v.Interface().(Number), true
	}
	return Number{}, false
}

// within tells that what stands of an interval holds the estimate.
func within(t require.TestingT, i Interval, x float64, about string) {
	slack := 1e-9 * (1 + math.Abs(x))
	if i.Lo.OK() {
		require.LessOrEqual(t, i.Lo.Value, x+slack, about)
	}
	if i.Hi.OK() {
		require.GreaterOrEqual(t, i.Hi.Value, x-slack, about)
	}
}

var someRows = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Row {
	entry := max(0, rapid.IntRange(-20, 20).Draw(t, "entry"))
	return Row{Entry: entry, Exit: entry + rapid.IntRange(1, 40).Draw(t, "days"),
		Cause: rapid.IntRange(0, 3).Draw(t, "cause"), Unit: rapid.IntRange(0, 30).Draw(t, "unit")}
}), 1, 60)

// turned is the same in another order.
func turned[T any](t *rapid.T, xs []T) []T {
	return rapid.Permutation(xs).Draw(t, "order")
}

func TestCurveProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := someRows.Draw(t, "rows")
		kind := rapid.SampledFrom([]Limits{LogLog, Log, Plain}).Draw(t, "limits")
		c := KaplanMeier(rows, AnyCause, 0.9, kind)
		sound(t, c)
		before := 1.0
		for _, s := range c.Steps {
			require.LessOrEqual(t, s.S, before)
			require.GreaterOrEqual(t, s.S, 0.0)
			within(t, s.Interval, s.S, "limits of S")
			before = s.S
		}
		require.Equal(t, c, KaplanMeier(turned(t, rows), AnyCause, 0.9, kind), "order")
		require.Equal(t, c.Steps, scaled(KaplanMeier(slices.Concat(rows, rows), AnyCause, 0.9, kind), c), "twice the rows, the same curve")
		q := c.Quantile(rapid.Float64Range(0.01, 0.99).Draw(t, "share"))
		sound(t, q)
		if q.Time.OK() {
			within(t, q.Interval, q.Time.Value, "limits of a quantile")
		}
	})
}

// scaled puts the counts and errors of the single rows under the curve of the
// doubled ones, where S and the hazard must agree.
func scaled(double, single Curve) []Step {
	steps := slices.Clone(single.Steps)
	for i, s := range double.Steps {
		if math.Abs(s.S-steps[i].S) > 1e-12 || math.Abs(s.CumHazard-steps[i].CumHazard) > 1e-9 || s.AtRisk != 2*steps[i].AtRisk {
			return nil
		}
	}
	return steps
}

func TestRepeatProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows, n := someRows.Draw(t, "rows"), rapid.IntRange(1, 70).Draw(t, "n")
		got := RepeatWithin(rows, 1, n, 0.95)
		sound(t, got)
		if got.F.OK() {
			within(t, got.Interval, got.F.Value, "limits of F")
			within(t, got.Wilson, got.F.Value, "Wilson")
			require.GreaterOrEqual(t, got.F.Value, -1e-15)
			require.LessOrEqual(t, got.F.Value, 1.0)
		}
		other := RepeatWithin(turned(t, rows), 1, n, 0.95)
		require.InDelta(t, got.SE.Value, other.SE.Value, 1e-12)
		other.SE, other.Interval, other.Wilson, other.EffectiveN = got.SE, got.Interval, got.Wilson, got.EffectiveN
		require.Equal(t, got, other)
	})
}

func TestIncidenceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := someRows.Draw(t, "rows")
		c, day := CumulativeIncidence(rows, 0.95), rapid.IntRange(1, 60).Draw(t, "day")
		other := CumulativeIncidence(turned(t, rows), 0.95)
		before := make([]float64, len(c.Events))
		for i, s := range c.Steps {
			sum := s.S
			for k, f := range s.CIF {
				sum += f
				require.GreaterOrEqual(t, f, before[k])
			}
			require.InDelta(t, 1, sum, 1e-12)
			require.Equal(t, s, other.Steps[i])
			before = s.CIF
		}
		for cause := 1; cause <= 3; cause++ {
			f := c.At(cause, day)
			sound(t, f)
			within(t, f.Interval, f.F.Value, "limits of a share")
			require.InDelta(t, f.SE.Value, other.At(cause, day).SE.Value, 1e-12)
			if net := RepeatWithin(rows, cause, day, 0.95); net.F.OK() && f.F.OK() {
				require.GreaterOrEqual(t, net.F.Value, f.F.Value-1e-12)
			}
		}
		m := c.RestrictedMeans(day)
		sound(t, m)
		if m.Status == OK {
			sum := m.S
			for _, x := range m.Causes {
				sum += x
			}
			require.InDelta(t, float64(day), sum, 1e-9)
		}
		// A single cause leaves one minus the curve, and its variance by unit.
		for i := range rows {
			rows[i].Cause = min(rows[i].Cause, 1)
		}
		one, net := CumulativeIncidence(rows, 0.95), RepeatWithin(rows, 1, day, 0.95)
		if f := one.At(1, day); f.F.OK() && net.F.OK() {
			require.InDelta(t, net.F.Value, f.F.Value, 1e-12)
			if net.Clustered && net.SE.OK() {
				require.InDelta(t, net.SE.Value, f.SE.Value, 1e-9)
			}
		}
	})
}

func TestGroupProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups := rapid.SliceOfN(someRows, 2, 4).Draw(t, "groups")
		for _, rho := range []int{0, 1} {
			got := LogRankTest(groups, 1, rho)
			sound(t, got)
			observed, wanted := 0.0, 0.0
			for _, g := range got.Groups {
				observed, wanted = observed+g.Observed, wanted+g.Expected
			}
			require.InDelta(t, observed, wanted, 1e-9)
			if other := LogRankTest(turned(t, groups), 1, rho); got.ChiSq.OK() && other.ChiSq.OK() {
				require.InEpsilon(t, 1+got.ChiSq.Value, 1+other.ChiSq.Value, 1e-6)
			}
		}
		for _, g := range groups {
			for i := range g {
				g[i].Exit, g[i].Entry = g[i].Exit-g[i].Entry, 0
			}
		}
		sound(t, GrayTest(groups, 1))
	})
}

// An event and an end of watch on one day: the one that ends is still at risk.
func TestTiesOfEventAndEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day, more := rapid.IntRange(1, 50).Draw(t, "day"), rapid.IntRange(0, 20).Draw(t, "ended")
		rows := []Row{followed(0, 0, day, 1)}
		for i := range more {
			rows = append(rows, followed(i+1, 0, day, 0))
		}
		c := KaplanMeier(rows, 1, 0.95, LogLog)
		require.Len(t, c.Steps, 1)
		require.InDelta(t, 1-1/float64(more+1), c.Steps[0].S, 1e-15)
	})
}

var someLives = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Life {
	entry := max(0, rapid.Float64Range(-50, 50).Draw(t, "entry"))
	return Life{entry, entry + rapid.Float64Range(0.1, 100).Draw(t, "life"), rapid.Bool().Draw(t, "failed")}
}), 1, 40)

func TestWeibullProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all, c := someLives.Draw(t, "lives"), rapid.SampledFrom([]float64{1e-3, 0.5, 24, 86400}).Draw(t, "unit")
		w := FitWeibull(all, 0.95)
		sound(t, w)
		other := slices.Clone(all)
		for i := range other {
			other[i].Entry, other[i].Exit = c*other[i].Entry, c*other[i].Exit
		}
		v := FitWeibull(turned(t, other), 0.95)
		if w.Status != OK || v.Status != OK {
			return
		}
		require.InEpsilon(t, w.Shape.Value, v.Shape.Value, 1e-5, "the unit of time does not matter")
		require.InEpsilon(t, w.Scale.Value*c, v.Scale.Value, 1e-4)
		for _, q := range []Fitted{w.Shape, w.Scale, w.B10.Fitted, w.B50} {
			within(t, q.Wald, q.Value, "Wald")
			within(t, q.Profile, q.Value, "profile")
		}
		require.GreaterOrEqual(t, w.LogLik, w.ShapeIsOne.LogLik.Value-1e-9)
	})
}

func TestHistoryProperties(t *testing.T) {
	some := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) History {
		h := History{From: rapid.IntRange(0, 30).Draw(t, "from")}
		h.To = h.From + rapid.IntRange(1, 60).Draw(t, "days")
		for range rapid.IntRange(0, 5).Draw(t, "failures") {
			h.Events = append(h.Events, rapid.IntRange(h.From+1, h.To).Draw(t, "event"))
		}
		return h
	}), 1, 20)
	rapid.Check(t, func(t *rapid.T) {
		units := some.Draw(t, "units")
		m, other := MeanCumulative(units, 0.95), MeanCumulative(turned(t, units), 0.95)
		sound(t, m)
		require.Len(t, other.Steps, len(m.Steps))
		last := 0.0
		var ws []Window
		for i, s := range m.Steps {
			require.Greater(t, s.MCF, last)
			within(t, s.Interval, s.MCF, "limits of the mean")
			require.InDelta(t, s.SE, other.Steps[i].SE, 1e-9)
			last = s.MCF
		}
		for _, h := range units {
			w := Window{From: float64(h.From), To: float64(h.To)}
			for _, e := range h.Events {
				w.Events = append(w.Events, float64(e))
			}
			ws = append(ws, w)
		}
		trend, law := TestTrend(ws, 0.95), FitPowerLaw(ws, 0.95)
		sound(t, trend)
		sound(t, law)
		if law.Status == OK {
			require.InDelta(t, law.LogLik, FitPowerLaw(turned(t, ws), 0.95).LogLik, 1e-6)
		}
		require.InDelta(t, trend.Laplace.Value, TestTrend(turned(t, ws), 0.95).Laplace.Value, 1e-9)
	})
}

func TestCountProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 400).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		level := rapid.SampledFrom([]float64{0.5, 0.8, 0.95, 0.998}).Draw(t, "level")
		p, size, share := float64(x), float64(n), float64(x)/float64(n)
		cp := ClopperPearson(p, size, level)
		for _, i := range []Interval{Wilson(p, size, level), cp, Jeffreys(p, size, level)} {
			sound(t, i)
			within(t, i, share, "share")
			require.GreaterOrEqual(t, i.Lo.Value, 0.0)
			require.LessOrEqual(t, i.Hi.Value, 1.0)
		}
		mirror := ClopperPearson(size-p, size, level)
		require.InDelta(t, cp.Lo.Value, 1-mirror.Hi.Value, 1e-9)
		rate := PoissonRate(x, size, level)
		within(t, rate.Interval, rate.Value.Value, "rate")
		y := rapid.IntRange(0, n).Draw(t, "y")
		d := Newcombe(p, size, float64(y), size, level)
		within(t, d.Interval, d.Value.Value, "difference")
		sound(t, []any{d.Value, rate, ComparePoisson(x, 3, y, 5, level), FunnelLimits(rapid.Float64Range(1e-3, 0.999).Draw(t, "p0"), n)})
	})
}

func TestRankingProperties(t *testing.T) {
	some := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Group {
		n := rapid.IntRange(1, 200).Draw(t, "n")
		return Group{rapid.StringMatching("[a-d]").Draw(t, "name"), float64(rapid.IntRange(0, n).Draw(t, "x")), float64(n)}
	}), 1, 20)
	rapid.Check(t, func(t *rapid.T) {
		gs := some.Draw(t, "groups")
		for _, rank := range []func([]Group, float64) Ranking{RankRates, RankShares} {
			r, other := rank(gs, 0.95), rank(turned(t, gs), 0.95)
			sound(t, r)
			require.Equal(t, r.Prior, other.Prior, "order")
			if r.Prior.Kind == FitPrior {
				require.Greater(t, r.Prior.A, 0.0)
			}
			for i, g := range r.Groups {
				require.Equal(t, g.PWorse, other.Groups[i].PWorse)
				if i > 0 && g.PWorse.OK() {
					require.LessOrEqual(t, g.PWorse.Value, r.Groups[i-1].PWorse.Value)
				}
				// A mean lies between the raw rate and the prior's.
				if g.PWorse.OK() && g.Interval.Lo.OK() && g.Mean > 1e-3 && r.Prior.A > 0.5 {
					within(t, g.Interval, g.Mean, "posterior")
				}
			}
		}
	})
}

// What the chart's chain says of a run length is what running it shows.
func TestChartProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, h := rapid.IntRange(2, 12).Draw(t, "m"), rapid.IntRange(1, 30).Draw(t, "h")
		p := rapid.Float64Range(0.01, 0.9).Draw(t, "p")
		size := float64(h) / float64(m)
		arl := BernoulliARL(m, size, 0, p)
		sound(t, arl)
		if wider := BernoulliARL(m, size+1/float64(m), 0, p); arl.OK() && wider.OK() {
			require.GreaterOrEqual(t, wider.Value, arl.Value*(1-1e-9))
		}
		rng := rand.New(rand.NewPCG(1, uint64(h)))
		var xs []Observation
		for range 50 {
			xs = append(xs, Observation{Events: float64(rng.IntN(2)), Exposure: 1})
		}
		for _, point := range (Cusum{K: 1 / float64(m), H: size, Reset: true}).Run(xs) {
			require.GreaterOrEqual(t, point.C, 0.0)
			require.Equal(t, point.Alarm, point.C >= size*(1-1e-12))
		}
	})
}
