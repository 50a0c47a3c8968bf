package measure_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/measure"
)

func anyUnit(t *rapid.T) (measure.Quantity, string) {
	q := rapid.SampledFrom(measure.Quantities()).Draw(t, "quantity")
	return q, rapid.SampledFrom(measure.Units(q)).Draw(t, "unit")
}

func TestConversionsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q, unit := anyUnit(t)
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		si, err := measure.ToSI(v, unit, q)
		require.NoError(t, err)
		back, err := measure.FromSI(si, unit, q)
		require.NoError(t, err)
		require.InDelta(t, v, back, 1e-9*math.Max(1, math.Abs(v)))
		d, err := measure.DiffToSI(v, unit, q)
		require.NoError(t, err)
		back, err = measure.DiffFromSI(d, unit, q)
		require.NoError(t, err)
		require.InDelta(t, v, back, 1e-9*math.Max(1, math.Abs(v)))
	})
}

// A difference of two points is the converted difference.
func TestDifferenceOfPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q, unit := anyUnit(t)
		a := rapid.Float64Range(-1e3, 1e3).Draw(t, "a")
		b := rapid.Float64Range(-1e3, 1e3).Draw(t, "b")
		sa, err := measure.ToSI(a, unit, q)
		require.NoError(t, err)
		sb, err := measure.ToSI(b, unit, q)
		require.NoError(t, err)
		d, err := measure.DiffToSI(a-b, unit, q)
		require.NoError(t, err)
		require.InDelta(t, sa-sb, d, 1e-9*math.Max(1, math.Abs(sa)+math.Abs(sb)))
	})
}

// The further up, the less probable it is to lie below a limit, and a worse
// verdict never turns into a better one.
func TestProbabilityFallsWithTheReading(t *testing.T) {
	worse := map[measure.Outcome]int{measure.Conforms: 0, measure.Inconclusive: 1, measure.DoesNotConform: 2}
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.Float64Range(-100, 100).Draw(t, "y")
		step := rapid.Float64Range(0, 50).Draw(t, "step")
		u := rapid.Float64Range(0, 20).Draw(t, "u")
		limit := rapid.Float64Range(-100, 100).Draw(t, "limit")
		a, b := measure.Upper(y, u, limit, measure.Rule{}), measure.Upper(y+step, u, limit, measure.Rule{})
		require.GreaterOrEqual(t, a.Probability, b.Probability)
		require.LessOrEqual(t, worse[a.Outcome], worse[b.Outcome])
		l := measure.Lower(y, u, limit, measure.Rule{})
		if u > 0 {
			require.InDelta(t, 1, a.Probability+l.Probability, 1e-12)
		}
	})
}

// Two limits are never easier to meet than one of them, and nothing inside
// both is rejected.
func TestBetweenIsNoEasierThanEither(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.Float64Range(-100, 100).Draw(t, "y")
		u := rapid.Float64Range(0, 50).Draw(t, "u")
		low := rapid.Float64Range(-100, 100).Draw(t, "low")
		high := low + rapid.Float64Range(0, 50).Draw(t, "width")
		c := measure.Between(y, u, low, high, measure.Rule{})
		up, down := measure.Upper(y, u, high, measure.Rule{}), measure.Lower(y, u, low, measure.Rule{})
		require.False(t, c.Probability < 0 || c.Probability > 1 || math.IsNaN(c.Probability))
		require.LessOrEqual(t, c.Probability, math.Min(up.Probability, down.Probability)+1e-12)
		if c.Outcome == measure.Conforms {
			require.Equal(t, measure.Conforms, up.Outcome)
			require.Equal(t, measure.Conforms, down.Outcome)
		}
		if y >= low && y <= high {
			require.NotEqual(t, measure.DoesNotConform, c.Outcome)
		}
	})
}

// The rule by probability and the rule by guard band are the same rule.
func TestGuardBandIsTheRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rule := measure.Rule{
			Accept: rapid.Float64Range(0.6, 0.999).Draw(t, "accept"),
			Reject: rapid.Float64Range(0.001, 0.4).Draw(t, "reject"),
		}
		u := rapid.Float64Range(0.1, 10).Draw(t, "u")
		y := rapid.Float64Range(-50, 50).Draw(t, "y")
		accept, reject := rule.Guard(u)
		got := measure.Upper(y, u, 0, rule).Outcome
		switch {
		case y < -accept-1e-9:
			require.Equal(t, measure.Conforms, got)
		case y > reject+1e-9:
			require.Equal(t, measure.DoesNotConform, got)
		case y > -accept+1e-9 && y < reject-1e-9:
			require.Equal(t, measure.Inconclusive, got)
		}
	})
}

// Accepting more strictly lowers the consumer's risk and raises the producer's.
func TestStricterAcceptanceShiftsRisk(t *testing.T) {
	normal := func(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.Float64Range(0.5, 3).Draw(t, "limit")
		um := rapid.Float64Range(0.05, 1).Draw(t, "um")
		k := rapid.Float64Range(0.5, 0.99).Draw(t, "k")
		over, tolerance := measure.Interval{Low: -9, High: 9}, measure.Interval{Low: -limit, High: limit}
		plain := measure.GlobalRisk(normal, over, tolerance, tolerance, um)
		strict := measure.GlobalRisk(normal, over, tolerance, measure.Interval{Low: -k * limit, High: k * limit}, um)
		require.LessOrEqual(t, strict.Consumer, plain.Consumer+1e-12)
		require.GreaterOrEqual(t, strict.Producer, plain.Producer-1e-12)
	})
}

// What is written is what was measured, to three digits.
func TestFormatKeepsTheFigure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q, unit := anyUnit(t)
		v := rapid.Float64Range(0.01, 9999).Draw(t, "value")
		si, err := measure.ToSI(v, unit, q)
		require.NoError(t, err)
		u := rapid.Float64Range(0, 10).Draw(t, "u")
		s := measure.Format(si, unit, q, u)
		number := strings.TrimRight(strings.TrimSuffix(s, measure.Symbol(unit, q)), " ")
		got := parse(t, strings.ReplaceAll(number, ",", ""))
		slack := 0.00501 * v
		if q == measure.Temperature {
			slack = 0.501
		}
		require.InDelta(t, v, got, slack, s)
	})
}

func parse(t *rapid.T, s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

func FuzzToSI(f *testing.F) {
	f.Add(152.0, "[degF]", "temperature")
	f.Add(-459.67, "[degF]", "temperature")
	f.Add(1e308, "GOhm", "resistance")
	f.Add(math.NaN(), "ft", "length")
	f.Add(math.Inf(1), "cfm", "flow")
	f.Fuzz(func(t *testing.T, v float64, unit, quantity string) {
		q := measure.Quantity(quantity)
		si, err := measure.ToSI(v, unit, q)
		if err != nil {
			require.ErrorIs(t, err, measure.ErrUnit)
			require.NotEmpty(t, err.Error())
			return
		}
		require.False(t, math.IsNaN(si) || math.IsInf(si, 0))
		require.NotEmpty(t, measure.Format(si, unit, q, math.Abs(v)/100))
		_ = measure.CheckPhysical(si, q)
	})
}

func FuzzBetween(f *testing.F) {
	f.Add(10.0, 0.5, 9.0, 11.0)
	f.Add(math.NaN(), 0.0, math.Inf(-1), math.Inf(1))
	f.Add(1e308, 1e-308, -1e308, 1e308)
	f.Fuzz(func(t *testing.T, y, u, tl, tu float64) {
		c := measure.Between(y, u, tl, tu, measure.Rule{})
		require.False(t, math.IsNaN(c.Probability) || c.Probability < 0 || c.Probability > 1)
		require.NotEmpty(t, c.Outcome)
	})
}

func BenchmarkBetween(b *testing.B) {
	rule := measure.DefaultRule()
	for b.Loop() {
		measure.Between(10.4, 0.3, 8, 12, rule)
	}
}

func BenchmarkToSI(b *testing.B) {
	for b.Loop() {
		_, _ = measure.ToSI(152, "[degF]", measure.Temperature)
	}
}
