package measure_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/measure"
)

// To SI and back is the figure itself, but for the roundings on the way: two
// without a zero point between, one more at the size of the zero point.
func TestConversionsRoundTripToTheLastDigit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q, unit := anyUnit(t)
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "value")
		d, err := measure.DiffToSI(v, unit, q)
		require.NoError(t, err)
		if math.Abs(d) < leastNormal && v != 0 {
			return // below it a float64 has fewer digits to give back
		}
		back, err := measure.DiffFromSI(d, unit, q)
		require.NoError(t, err)
		require.InDelta(t, v, back, ulp(v), "%s", unit)

		si, err := measure.ToSI(v, unit, q)
		require.NoError(t, err)
		back, err = measure.FromSI(si, unit, q)
		require.NoError(t, err)
		zero := 0.0
		if q == measure.Temperature {
			zero = 460 // the farthest zero point, that of [degF]
		}
		require.InDelta(t, v, back, ulp(v)+2*ulp(math.Abs(v)+zero)*boolean(zero > 0), "%s", unit)
	})
}

// leastNormal is the least float64 with all its digits.
const leastNormal = 0x1p-1022

func boolean(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// ulp is the step from a figure to the next.
func ulp(v float64) float64 { return math.Nextafter(math.Abs(v), math.Inf(1)) - math.Abs(v) }

// One reading in two units gives one SI figure, but for rounding.
func TestTheUnitOfEntryDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom(measure.Quantities()).Draw(t, "quantity")
		codes := rapid.SampledFrom(measure.Units(q))
		a, b := codes.Draw(t, "a"), codes.Draw(t, "b")
		si := rapid.Float64Range(0.1, 1e4).Draw(t, "si")
		var got [2]float64
		for i, unit := range []string{a, b} {
			v, err := measure.FromSI(si, unit, q)
			require.NoError(t, err)
			got[i], err = measure.ToSI(v, unit, q)
			require.NoError(t, err)
		}
		require.InDelta(t, got[0], got[1], 4*ulp(math.Max(si, 460)))
	})
}

// drawRule draws a decision rule a shop may have.
func drawRule(t *rapid.T) measure.Rule {
	return measure.Rule{Accept: rapid.Float64Range(0.501, 0.9999).Draw(t, "accept"), Reject: rapid.Float64Range(0.0001, 0.499).Draw(t, "reject")}
}

// From the middle of two limits outwards the probability only falls, and the
// verdict only worsens, whatever the rule.
func TestProbabilityFallsFromTheMiddleOut(t *testing.T) {
	worse := map[measure.Outcome]int{measure.Conforms: 0, measure.Inconclusive: 1, measure.DoesNotConform: 2}
	rapid.Check(t, func(t *rapid.T) {
		rule := drawRule(t)
		half := rapid.Float64Range(0, 50).Draw(t, "half")
		u := rapid.Float64Range(0, 30).Draw(t, "u")
		y := rapid.Float64Range(0, 100).Draw(t, "y")
		z := y + rapid.Float64Range(0, 100).Draw(t, "further")
		side := rapid.SampledFrom([]float64{-1, 1}).Draw(t, "side")
		a, b := measure.Between(side*y, u, -half, half, rule), measure.Between(side*z, u, -half, half, rule)
		require.GreaterOrEqual(t, a.Probability*(1+1e-12), b.Probability)
		require.LessOrEqual(t, worse[a.Outcome], worse[b.Outcome])
		require.InDelta(t, a.Probability, measure.Between(-side*y, u, -half, half, rule).Probability, 1e-15, "the mirror image")
	})
}

// FuzzVerdict holds any figure against any limit by any rule.
func FuzzVerdict(f *testing.F) {
	f.Add(10.0, 0.5, 9.0, 0.95, 0.05)
	f.Add(math.NaN(), 0.0, math.Inf(-1), math.NaN(), 2.0)
	f.Add(1e308, 5e-324, -1e308, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, y, u, limit, accept, reject float64) {
		rule := measure.Rule{Accept: accept, Reject: reject}
		for _, c := range []measure.Conformity{measure.Upper(y, u, limit, rule), measure.Lower(y, u, limit, rule),
			measure.Between(y, u, limit, limit+math.Abs(u), rule)} {
			require.True(t, c.Probability >= 0 && c.Probability <= 1, "%v", c)
			require.Contains(t, []measure.Outcome{measure.Conforms, measure.DoesNotConform, measure.Inconclusive}, c.Outcome)
		}
		up, down := measure.Upper(y, u, limit, rule), measure.Lower(y, u, limit, rule)
		if u > 0 && up.Outcome != measure.Inconclusive && rule.Accept > 0.5 && rule.Reject < 0.5 && accept <= 1 && reject >= 0 {
			require.NotEqual(t, up.Outcome, down.Outcome, "within one limit and within its opposite")
		}
		in, out := rule.Guard(u)
		if u >= 0 && u < 1e300 {
			require.False(t, math.IsNaN(in) || math.IsNaN(out))
		}
		require.False(t, math.IsNaN(measure.GuardRule(limit).Accept) && !math.IsNaN(limit))
	})
}

// FuzzUncertainty: from any finite accuracy and reading an uncertainty, not
// below zero.
func FuzzUncertainty(f *testing.F) {
	f.Add(1.0, 3.0, 0.1, 340.0, uint8(0))
	f.Add(-1e308, 1e308, 5e-324, -1e308, uint8(3))
	f.Add(0.0, 0.0, 0.0, 0.0, uint8(9))
	qs := measure.Quantities()
	f.Fuzz(func(t *testing.T, percent, counts, resolution, x float64, pick uint8) {
		for _, v := range []float64{percent, counts, resolution, x} {
			if math.IsNaN(v) || math.Abs(v) > 1e100 {
				return
			}
		}
		q := qs[int(pick)%len(qs)]
		a := measure.Accuracy{Percent: percent, Counts: counts, Resolution: resolution}
		u := a.StandardOf(x, q)
		for _, method := range []string{"", "meter", "bead", "bead_on_surface", "clamp", "infrared", "manometer", "vane", "pitot"} {
			if d, ok := measure.DefaultFor(method, q, x, pick%2 == 0); ok {
				v, du := d.Correct(x, q)
				require.False(t, math.IsNaN(v) || math.IsNaN(du) || du < 0, "%s: %v ± %v", method, v, du)
				u = measure.Combine(u, du)
			}
		}
		mean, um, nu := measure.Mean([]float64{x, percent, x})
		for _, v := range []float64{u, mean, um, nu, measure.Resolution(resolution), measure.Rectangular(x), measure.EffectiveDOF([]float64{u, um}, []float64{nu, x}),
			measure.T95(x), measure.T(percent, counts)} {
			require.False(t, math.IsNaN(v))
		}
		require.GreaterOrEqual(t, u, 0.0)
		require.NotEmpty(t, measure.Format(x, measure.SIUnit(q), q, u))
	})
}

// FuzzFromSI goes back to any unit from any figure.
func FuzzFromSI(f *testing.F) {
	f.Add(300.0, "[degF]", "temperature")
	f.Add(1e308, "uF", "capacitance")
	f.Add(math.NaN(), "", "")
	f.Fuzz(func(t *testing.T, si float64, unit, quantity string) {
		q := measure.Quantity(quantity)
		for _, convert := range []func(float64, string, measure.Quantity) (float64, error){measure.FromSI, measure.DiffFromSI, measure.DiffToSI} {
			v, err := convert(si, unit, q)
			if err != nil {
				require.ErrorIs(t, err, measure.ErrUnit)
				continue
			}
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
		}
		require.NotEmpty(t, measure.Format(si, unit, q, si))
	})
}
