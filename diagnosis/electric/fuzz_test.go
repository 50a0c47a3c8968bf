package electric_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/electric"
)

// FuzzNumbers: no finite argument gives NaN or a panic, and shares stay within
// 0 and 1.
func FuzzNumbers(f *testing.F) {
	f.Add(5400.0, 240.0, 10.4, 0.1)
	f.Add(0.0, 0.0, 0.0, 0.0)
	f.Add(-1.0, 1e308, 5e-324, -1e308)
	f.Add(1e-320, 1e308, 1e-320, 1e308)
	f.Fuzz(func(t *testing.T, a, b, c, d float64) {
		for _, x := range []float64{a, b, c, d} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return
			}
		}
		numbers(t, a, b, c, d)
		missing, u, _ := electric.Missing(a, b, c, d)
		sound(t, missing, u)
		require.True(t, missing >= 0 && missing <= 1)
		if at, ok := electric.TouchAt(a, b, c, d); ok {
			require.True(t, at.Share >= 0 && at.Share <= 1, "%+v", at)
			amps, watts := at.Leak(d, c)
			sound(t, at.Contact, at.FromOther().Share, amps, watts)
			require.NotEmpty(t, electric.Breaker(amps))
		}
		l := electric.OpenLeg(math.Abs(a), math.Abs(b), math.Abs(c), math.Abs(d))
		sound(t, l.One, l.Two, l.Line)
		require.True(t, l.Two >= 0 && l.Two <= l.One && l.Line <= l.One, "%+v", l)
		electric.Legs{One: a, Two: b, Line: c}.Read()
		electric.CoilsOf(a, b)
	})
}

func numbers(t *testing.T, a, b, c, d float64) {
	for _, f := range []func() (float64, bool){
		func() (float64, bool) { return electric.HotResistance(a, b) },
		func() (float64, bool) { return electric.Power(a, b) },
		func() (float64, bool) { return electric.Current(a, b) },
		func() (float64, bool) { return electric.Drop(a, b) },
		func() (float64, bool) { return electric.Capacitance(a, b, c) },
		func() (float64, bool) { return electric.OtherVoltage(a, b, c, d, 0.05) },
		func() (float64, bool) { return electric.NiCr8020.Ct(a) },
		func() (float64, bool) { return electric.NiCr3520.Cold(a, b) },
		func() (float64, bool) { return electric.FeCrAl.Hot(a, b) },
		func() (float64, bool) { return electric.Copper.PerMetre(a) },
	} {
		x, ok := f()
		sound(t, x)
		require.False(t, math.IsInf(x, 0))
		require.True(t, ok || x == 0)
	}
	e, _ := electric.Rated(a, b)
	low, high := electric.ServiceA.Limits(a)
	run := electric.Run(a, b)
	sound(t, e.Hot, e.Cold, e.Low, e.High, low, high, run.HalfWidth(), run.Ratio(), electric.Leg(a), electric.Nichrome.At(a),
		electric.Parallel(a, b, c), electric.LeakageLimit(a), electric.InsulationAt(a, b, c))
}

func sound(t *testing.T, xs ...float64) {
	t.Helper()
	for _, x := range xs {
		require.False(t, math.IsNaN(x))
	}
}
