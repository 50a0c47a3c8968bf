package measure_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/measure"
)

// element is a heating element good from 9 to 11 Ω that may drift up to 100 Ω.
// Its outlier floor is 1e-5 per ohm.
func element() measure.Hypotheses {
	return measure.Hypotheses{Tolerance: measure.Interval{Low: 9, High: 11}, Range: measure.Interval{Low: 1, High: 100},
		Lead: 0.2, Spread: 0.3, Outlier: 1e-3}
}

func model(t require.TestingT, h measure.Hypotheses) *measure.ReadingModel {
	m, err := measure.NewReadingModel(h)
	require.NoError(t, err)
	return m
}

// The densities of the log-uniform drift to 13 digits, by 50-digit arithmetic:
// own computation, independent of both the table and the code.
var driftDensity = map[string]float64{
	"7.0": 6.0866744856686e-113, "8.5": 1.8653908867537e-40, "9.0": 5.0241561373004e-26, "9.5": 1.7270376809853e-15, "10.0": 2.3263342608172e-8,
	"11.0": 0.020280296141159, "11.5": 0.038945122939429, "12.0": 0.03776689245549, "14.0": 0.032370158872167, "40.0": 0.011327784192357,
}

// continuous_readings.csv: own model, computed. Its Simpson rule has steps too
// wide for the far tail, up to 5e-4 of the density: there the 50-digit figures
// hold, and the decibans do not notice.
func TestContinuousReadings(t *testing.T) {
	m := model(t, element())
	rows := tableIn(t, "inference", "continuous_readings.csv")
	require.Len(t, rows, len(driftDensity))
	for _, row := range rows {
		t.Run(row["input"], func(t *testing.T) {
			text := strings.TrimPrefix(row["input"], "x=")
			x := num(t, text)
			u := 0.009*x + 0.2/math.Sqrt(3)
			require.InDelta(t, num(t, row["sigma"]), u, 1e-12)
			o := measure.Observed{X: x, U: u}
			same(t, num(t, row["density_ok"]), m.Density(measure.Good, o), 1e-10)
			high := m.Density(measure.DriftedHigh, o)
			same(t, num(t, row["density_high"]), high, 6e-4)
			same(t, driftDensity[text], high, 1e-12)
			if x >= 11 {
				same(t, num(t, row["density_high"]), high, 1e-8)
			}
			require.InDelta(t, num(t, row["decibans_high_over_ok"]), m.Decibans(measure.DriftedHigh, measure.Good, o), 5e-7)
		})
	}
}

// same holds two figures together relative to the first; what the table writes
// as zero is below 1e-25 (the density under good of 14 Ω is Φ(−12.4)/2).
func same(t *testing.T, want, got, relative float64) {
	t.Helper()
	if want == 0 {
		require.InDelta(t, 0, got, 1e-25)
		return
	}
	require.InEpsilon(t, want, got, relative)
}

func TestTells(t *testing.T) {
	m := model(t, element())
	for _, tt := range []struct {
		x    float64
		want bool
	}{
		{7, false}, // neither explains it: two outliers
		{10, true}, {11, true}, {11.2, false}, {11.25, false}, {12, true}, {40, true},
	} {
		o := measure.Observed{X: tt.x, U: 0.009*tt.x + 0.2/math.Sqrt(3)}
		require.Equal(t, tt.want, measure.Tells(m.Decibans(measure.DriftedHigh, measure.Good, o)), "%v Ω", tt.x)
	}
	require.False(t, measure.Tells(math.NaN()))
	require.False(t, measure.Tells(4.99))
	require.True(t, measure.Tells(-5))
}

func TestOpenAndShort(t *testing.T) {
	m := model(t, element())
	over := measure.Observed{Over: true}
	db := func(a, b measure.Condition, o measure.Observed) float64 { return m.Decibans(a, b, o) }
	require.InDelta(t, 10*math.Log10(1.001/0.001), db(measure.OpenCircuit, measure.Good, over), 1e-9, "30 dB: one slipped probe in a thousand")
	require.Zero(t, db(measure.DriftedHigh, measure.Good, over))
	lead := measure.Observed{X: 0.2, U: 0.1}
	require.Greater(t, db(measure.ShortCircuit, measure.Good, lead), 40.0)
	require.Greater(t, db(measure.ShortCircuit, measure.OpenCircuit, lead), 40.0)
	require.Less(t, db(measure.ShortCircuit, measure.Good, measure.Observed{X: 10, U: 0.2}), -40.0)
	require.Greater(t, db(measure.DriftedLow, measure.Good, measure.Observed{X: 5, U: 0.2}), 30.0)
	require.Zero(t, db(measure.OpenCircuit, measure.DriftedLow, measure.Observed{X: 1e6, U: 1}), "an outlier under both")

	// A half-normal without and with the meter's error; the latter by the
	// convolution integral, own arithmetic.
	require.InDelta(t, 2/(0.3*math.Sqrt(2*math.Pi)), m.Density(measure.ShortCircuit, measure.Observed{X: 0.2}), 1e-12)
	require.Zero(t, m.Density(measure.ShortCircuit, measure.Observed{X: 0.19}), "an exact meter shows no less than the leads")
	for _, x := range []float64{-0.1, 0.2, 0.5, 1.4} {
		want := convolved(x, 0.1, 0.2, 3, func(v float64) float64 {
			return 2 / (0.3 * math.Sqrt(2*math.Pi)) * math.Exp(-math.Pow((v-0.2)/0.3, 2)/2)
		})
		require.InDelta(t, want, m.Density(measure.ShortCircuit, measure.Observed{X: x, U: 0.1}), 1e-9)
	}
}

// convolved reads a density between a and b with a normal error, by the
// trapezoidal rule.
func convolved(x, u, a, b float64, f func(float64) float64) float64 {
	const n = 200000
	sum := 0.0
	for i := range n + 1 {
		v := a + (b-a)*float64(i)/n
		w := 1.0
		if i == 0 || i == n {
			w = 0.5
		}
		sum += w * f(v) * math.Exp(-math.Pow((x-v)/u, 2)/2) / (u * math.Sqrt(2*math.Pi))
	}
	return sum * (b - a) / n
}

func TestOneSidedLimits(t *testing.T) {
	// A closed contact, at most 0.5 Ω: good from zero on, and cannot drift low.
	contact := element()
	contact.Tolerance = measure.Interval{Low: math.Inf(-1), High: 0.5}
	contact.Range = measure.Interval{Low: 0.01, High: 1e6}
	m := model(t, contact)
	require.InDelta(t, 2, m.Density(measure.Good, measure.Observed{X: 0.25, U: 0.01}), 1e-9)
	require.InDelta(t, 1, m.Density(measure.Good, measure.Observed{X: 0, U: 0.01}), 1e-9)
	require.Zero(t, m.Density(measure.DriftedLow, measure.Observed{X: 0.1, U: 0.01}))
	require.True(t, measure.Tells(m.Decibans(measure.DriftedHigh, measure.Good, measure.Observed{X: 40, U: 1})))

	// Insulation, at least 1 MΩ: most good ones read over range.
	coil := element()
	coil.Tolerance = measure.Interval{Low: 1e6, High: math.Inf(1)}
	coil.Range = measure.Interval{Low: 1, High: 4e7}
	coil.GoodOver = 0.9
	m = model(t, coil)
	require.Zero(t, m.Density(measure.DriftedHigh, measure.Observed{X: 2e7, U: 1e5}))
	require.InDelta(t, 0.1/3.9e7, m.Density(measure.Good, measure.Observed{X: 2e7, U: 1e5}), 1e-18)
	require.Greater(t, m.Decibans(measure.Good, measure.DriftedLow, measure.Observed{Over: true}), 25.0)
	require.False(t, measure.Tells(m.Decibans(measure.Good, measure.OpenCircuit, measure.Observed{Over: true})))
	require.Greater(t, m.Decibans(measure.DriftedLow, measure.Good, measure.Observed{X: 1e4, U: 100}), 30.0)
}

// An exact reading is the limit of ever better ones.
func TestExactReadings(t *testing.T) {
	m := model(t, element())
	for _, c := range []measure.Condition{measure.Good, measure.DriftedHigh, measure.DriftedLow} {
		for _, x := range []float64{2, 8.9, 10, 11.1, 50, 120} {
			exact := m.Density(c, measure.Observed{X: x})
			require.InDelta(t, exact, m.Density(c, measure.Observed{X: x, U: 1e-6 * x}), 1e-5*math.Max(exact, 1e-9), "%s %v", c, x)
			require.InDelta(t, exact, m.Density(c, measure.Observed{X: x, U: 1e-12 * x}), 1e-9*math.Max(exact, 1e-9), "%s %v", c, x)
		}
	}
	sharp := element()
	sharp.Tolerance = measure.Interval{Low: 10, High: 10 + 1e-9}
	m = model(t, sharp)
	require.InDelta(t, 1/(0.2*math.Sqrt(2*math.Pi)), m.Density(measure.Good, measure.Observed{X: 10, U: 0.2}), 1e-9, "a tolerance without width is a point")
}

func TestNoReadingModel(t *testing.T) {
	change := func(f func(*measure.Hypotheses)) measure.Hypotheses {
		h := element()
		f(&h)
		return h
	}
	nan := math.NaN()
	for name, h := range map[string]measure.Hypotheses{
		"nothing stated":      {},
		"range from zero":     change(func(h *measure.Hypotheses) { h.Range.Low = 0 }),
		"range upside down":   change(func(h *measure.Hypotheses) { h.Range.Low = 200 }),
		"range without end":   change(func(h *measure.Hypotheses) { h.Range.High = math.Inf(1) }),
		"range no number":     change(func(h *measure.Hypotheses) { h.Range.High = nan }),
		"no width":            change(func(h *measure.Hypotheses) { h.Tolerance.High = 9 }),
		"limits exchanged":    change(func(h *measure.Hypotheses) { h.Tolerance = measure.Interval{Low: 11, High: 9} }),
		"limit no number":     change(func(h *measure.Hypotheses) { h.Tolerance.Low = nan }),
		"out of range":        change(func(h *measure.Hypotheses) { h.Tolerance = measure.Interval{Low: 200, High: 300} }),
		"below range":         change(func(h *measure.Hypotheses) { h.Tolerance = measure.Interval{Low: 0.1, High: 0.5} }),
		"lead below zero":     change(func(h *measure.Hypotheses) { h.Lead = -1 }),
		"lead no number":      change(func(h *measure.Hypotheses) { h.Lead = nan }),
		"short without width": change(func(h *measure.Hypotheses) { h.Spread = 0 }),
		"no outliers":         change(func(h *measure.Hypotheses) { h.Outlier = 0 }),
		"nothing but":         change(func(h *measure.Hypotheses) { h.Outlier = 1 }),
		"good is over range":  change(func(h *measure.Hypotheses) { h.GoodOver = 1 }),
		"share below zero":    change(func(h *measure.Hypotheses) { h.GoodOver = -0.1 }),
	} {
		m, err := measure.NewReadingModel(h)
		require.ErrorIs(t, err, measure.ErrHypotheses, name)
		require.Nil(t, m, name)
	}
	m := model(t, element())
	for _, o := range []measure.Observed{{X: nan, U: 1}, {X: 10, U: nan}, {X: 10, U: -1}, {X: math.Inf(1), U: 1}, {X: 10, U: math.Inf(1)}} {
		require.Zero(t, m.Density(measure.Good, o))
		require.Zero(t, m.Decibans(measure.DriftedHigh, measure.Good, o), "no reading says nothing")
	}
	require.Zero(t, m.Density("haunted", measure.Observed{X: 10, U: 1}))
}

var conditions = []measure.Condition{measure.Good, measure.DriftedHigh, measure.DriftedLow, measure.OpenCircuit, measure.ShortCircuit}

// drawHypotheses draws a part with limits on one or both sides.
func drawHypotheses(t *rapid.T) measure.Hypotheses {
	low := math.Pow(10, rapid.Float64Range(-3, 6).Draw(t, "low"))
	high := low * (1 + math.Pow(10, rapid.Float64Range(-3, 1).Draw(t, "width")))
	h := measure.Hypotheses{
		Tolerance: measure.Interval{Low: low, High: high},
		Range: measure.Interval{Low: low * math.Pow(10, -rapid.Float64Range(0.1, 6).Draw(t, "down")),
			High: high * math.Pow(10, rapid.Float64Range(0.1, 6).Draw(t, "up"))},
		Lead: rapid.Float64Range(0, 1).Draw(t, "lead"), Spread: rapid.Float64Range(0.01, 2).Draw(t, "spread"),
		Outlier: math.Pow(10, -rapid.Float64Range(1, 9).Draw(t, "outlier"))}
	switch rapid.IntRange(0, 2).Draw(t, "sides") {
	case 1:
		h.Tolerance.Low = math.Inf(-1)
	case 2:
		h.Tolerance.High, h.GoodOver = math.Inf(1), rapid.Float64Range(0, 0.99).Draw(t, "over")
	}
	return h
}

// drawObserved draws a reading from far below to far above the limits.
func drawObserved(t *rapid.T, h measure.Hypotheses) measure.Observed {
	x := h.Range.Low * math.Pow(h.Range.High/h.Range.Low, rapid.Float64Range(-0.2, 1.2).Draw(t, "x"))
	return measure.Observed{X: x, U: x * math.Pow(10, rapid.Float64Range(-12, 1).Draw(t, "u")), Over: rapid.IntRange(0, 9).Draw(t, "over") == 0}
}

// Whatever is read, each likelihood is a number above zero, and the floor
// bounds what one reading can say for or against anything.
func TestTheFloorBoundsEveryReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHypotheses(t)
		m := model(t, h)
		o := drawObserved(t, h)
		floor, top := h.Outlier/h.Range.High, peak(h)
		if o.Over {
			floor, top = h.Outlier, 1
		}
		bound := 10*math.Log10((top+floor)/floor) + 1e-6
		for _, a := range conditions {
			d := m.Density(a, o)
			require.True(t, d >= 0 && d <= top*(1+1e-9), "%s: %v above %v", a, d, top)
			require.GreaterOrEqual(t, m.Likelihood(a, o), floor)
			for _, b := range conditions {
				db := m.Decibans(a, b, o)
				require.LessOrEqual(t, math.Abs(db), bound)
				require.InDelta(t, -db, m.Decibans(b, a, o), 1e-9)
			}
		}
	})
}

// peak is the highest density any condition has anywhere: an error of reading
// only flattens it.
func peak(h measure.Hypotheses) float64 {
	low, high := h.Tolerance.Low, h.Tolerance.High
	top := 2 / (h.Spread * math.Sqrt(2*math.Pi))
	if !math.IsInf(low, -1) {
		top = math.Max(top, 1/(h.Range.Low*math.Log(low/h.Range.Low)))
	}
	if !math.IsInf(high, 1) {
		top = math.Max(top, 1/(high*math.Log(h.Range.High/high)))
	}
	return math.Max(top, 1/(math.Min(high, h.Range.High)-math.Max(low, 0)))
}

// The higher the reading, the more it speaks for too high against good, by one
// meter error; mirrored for too low. The floor, which is the same under both,
// is left out.
func TestTheRatioFollowsTheReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHypotheses(t)
		m := model(t, h)
		a := drawObserved(t, h)
		a.Over = false
		b := measure.Observed{X: a.X * (1 + rapid.Float64Range(0, 2).Draw(t, "more")), U: a.U}
		const tiny = 1e-300 // below it float64 has few digits
		p := func(c measure.Condition, o measure.Observed) float64 { return m.Density(c, o) }
		require.GreaterOrEqual(t, p(measure.DriftedHigh, b)*p(measure.Good, a)*(1+1e-8)+tiny, p(measure.DriftedHigh, a)*p(measure.Good, b))
		require.GreaterOrEqual(t, p(measure.DriftedLow, a)*p(measure.Good, b)*(1+1e-8)+tiny, p(measure.DriftedLow, b)*p(measure.Good, a))
	})
}

// Near the limit the floor does not change that: evidence rises from the middle
// of the tolerance to the limit.
func TestEvidenceRisesTowardsTheLimit(t *testing.T) {
	m := model(t, element())
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Float64Range(0.01, 0.5).Draw(t, "u")
		x := rapid.Float64Range(10, 11).Draw(t, "x")
		y := rapid.Float64Range(x, 11).Draw(t, "y")
		db := func(x float64) float64 {
			return m.Decibans(measure.DriftedHigh, measure.Good, measure.Observed{X: x, U: u})
		}
		require.LessOrEqual(t, db(x), db(y)+1e-9)
	})
}

// Ohm or kilohm: the unit says nothing about the part.
func TestUnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHypotheses(t)
		o := drawObserved(t, h)
		o.U = math.Max(o.U, 1e-6*o.X) // finer, and the rounding of the scaling itself would be read
		k := math.Pow(10, rapid.Float64Range(-3, 3).Draw(t, "scale"))
		g, q := h, o
		for _, v := range []*float64{&g.Tolerance.Low, &g.Tolerance.High, &g.Range.Low, &g.Range.High, &g.Lead, &g.Spread, &q.X, &q.U} {
			*v *= k
		}
		m, n := model(t, h), model(t, g)
		for _, a := range conditions {
			require.InDelta(t, m.Decibans(a, measure.Good, o), n.Decibans(a, measure.Good, q), 1e-6, "%s", a)
		}
	})
}

// A density is one: over all readings of one meter it comes to the whole. The
// trapezoidal rule, own arithmetic.
func TestDensitiesSumToOne(t *testing.T) {
	m := model(t, element())
	for _, c := range []measure.Condition{measure.Good, measure.DriftedHigh, measure.DriftedLow, measure.ShortCircuit} {
		sum, step := 0.0, 0.01
		for x := -5.0; x < 110; x += step {
			sum += step * m.Density(c, measure.Observed{X: x, U: 0.2})
		}
		require.InDelta(t, 1, sum, 1e-6, "%s", c)
	}
}

func FuzzReadingModel(f *testing.F) {
	f.Add(9.0, 11.0, 1.0, 100.0, 0.2, 0.3, 1e-3, 0.0, 10.0, 0.2)
	f.Add(math.Inf(-1), 0.5, 0.01, 1e6, 0.0, 1e-9, 1e-9, 0.0, 0.0, 1e-300)
	f.Add(1e6, math.Inf(1), 1.0, 4e7, 0.2, 0.3, 0.5, 0.9, 1e308, 1e308)
	f.Add(1e-15, 1e18, 1e-15, 1e18, 0.0, 1e18, 1e-15, 0.0, -1e308, 5e-324)
	f.Fuzz(func(t *testing.T, tl, th, rl, rh, lead, spread, outlier, goodOver, x, u float64) {
		m, err := measure.NewReadingModel(measure.Hypotheses{Tolerance: measure.Interval{Low: tl, High: th}, Range: measure.Interval{Low: rl, High: rh},
			Lead: lead, Spread: spread, Outlier: outlier, GoodOver: goodOver})
		if err != nil {
			require.ErrorIs(t, err, measure.ErrHypotheses)
			return
		}
		for _, o := range []measure.Observed{{X: x, U: u}, {X: x, U: u, Over: true}} {
			for _, c := range conditions {
				d, l := m.Density(c, o), m.Likelihood(c, o)
				require.True(t, d >= 0 && !math.IsInf(d, 0), "%s: %v", c, d)
				require.True(t, l > 0 && !math.IsInf(l, 0), "%s: %v", c, l)
				db := m.Decibans(c, measure.Good, o)
				require.False(t, math.IsNaN(db) || math.IsInf(db, 0))
			}
		}
	})
}

func BenchmarkDriftedDensity(b *testing.B) {
	m := model(b, element())
	o := measure.Observed{X: 11.5, U: 0.22}
	for b.Loop() {
		m.Density(measure.DriftedHigh, o)
	}
}
