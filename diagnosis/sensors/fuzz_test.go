package sensors_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/sensors"
)

// sane holds what a curve says of any resistance and temperature above zero: a
// figure, not below zero. Infinity is far out on a curve, and allowed.
func sane(t *testing.T, name string, c sensors.Curve, ohm, kelvin float64) {
	t.Helper()
	if !(ohm > 0 && kelvin > 0) || math.IsInf(ohm, 1) || math.IsInf(kelvin, 1) {
		return
	}
	for _, v := range []float64{c.Ohm(kelvin), c.Kelvin(ohm)} {
		require.False(t, math.IsNaN(v) || v < 0, "%s: %v of %v Ω, %v K", name, v, ohm, kelvin)
	}
	dK, u, err := sensors.Deviation(c, ohm, kelvin, ohm/100, 0.5, sensors.Tolerance{R25: 0.05, B: 30})
	if err == nil {
		require.False(t, math.IsNaN(dK) || math.IsInf(dK, 0) || math.IsNaN(u) || math.IsInf(u, 0) || u < 0, "%s: %v ± %v", name, dK, u)
	}
}

// FuzzThermistor makes every kind of curve from raw figures and reads it.
func FuzzThermistor(f *testing.F) {
	f.Add(32554.0, 273.15, 10000.0, 298.15, 1070.0, 358.15, 7000.0, 300.0)
	f.Add(1e300, 1e-300, 1.0, 1.0, 1e-300, 1e300, 5e-324, 1e308)
	f.Add(0.002, 1e-4, 0.0, 1.0, 1.0, 1.0, 1.0, 500.0)
	f.Add(math.NaN(), math.Inf(1), -1.0, 0.0, 10.0, 300.0, 0.0, -5.0)
	f.Fuzz(func(t *testing.T, r1, t1, r2, t2, r3, t3, ohm, kelvin float64) {
		points := []sensors.Point{{Kelvin: t1, Ohm: r1}, {Kelvin: t2, Ohm: r2}, {Kelvin: t3, Ohm: r3}}
		if tab, err := sensors.NewTable(points); err == nil {
			sane(t, "table", tab, ohm, kelvin)
			low, high := tab.Range()
			require.Less(t, low, high)
		}
		if c, err := sensors.FitSteinhartHart(points[0], points[1], points[2]); err == nil {
			sane(t, "fit", c, ohm, kelvin)
		}
		if c, err := sensors.NewSteinhartHart(r1, t1, r2); err == nil {
			sane(t, "Steinhart-Hart", c, ohm, kelvin)
		}
		if c, err := sensors.NewBeta(r1, t1); err == nil {
			sane(t, "beta", c, ohm, kelvin)
		}
		if c, err := sensors.Material3977(r1); err == nil {
			sane(t, "material", c, ohm, kelvin)
		}
		f := sensors.FourTerm{Forward: [4]float64{r1, t1, r2, t2}, Inverse: [4]float64{r3, t3, ohm, kelvin}, R25: r1}
		if c, err := sensors.NewFourTerm(f); err == nil {
			sane(t, "four-term", c, ohm, kelvin)
		}
	})
}

// FuzzPlatinum and thermocouple: a finite figure, or a refusal.
func FuzzPlatinum(f *testing.F) {
	f.Add(100.0, 373.15, 138.51)
	f.Add(1e308, 1123.15, 1e308)
	f.Add(5e-324, 73.15, 5e-324)
	f.Add(math.NaN(), math.Inf(1), -1.0)
	f.Fuzz(func(t *testing.T, r0, kelvin, ohm float64) {
		if v, err := sensors.RTDOhm(r0, kelvin); err == nil {
			require.True(t, v >= 0 && !math.IsInf(v, 0), "%v", v)
		}
		if v, err := sensors.RTDKelvin(r0, ohm); err == nil {
			require.True(t, v > 73 && v < 1124, "%v", v)
		}
	})
}

func FuzzThermocouple(f *testing.F) {
	f.Add(300.0)
	f.Add(3.15)
	f.Add(1645.15)
	f.Add(math.NaN())
	f.Fuzz(func(t *testing.T, kelvin float64) {
		v, err := sensors.TypeKVolt(kelvin)
		if err != nil {
			require.Zero(t, v)
			return
		}
		require.True(t, v > -0.0066 && v < 0.056, "%v V", v)
		require.GreaterOrEqual(t, sensors.TypeKTolerance(1, kelvin), 1.5)
		require.GreaterOrEqual(t, sensors.TypeKTolerance(2, kelvin), 2.5)
	})
}

// FuzzOpeningShort reads a warm-up noted by hand from raw figures.
func FuzzOpeningShort(f *testing.F) {
	f.Add(340.0, 341.0, 330.0, 360.0, 0.0, uint8(7))
	f.Add(math.NaN(), 1e300, -1.0, math.Inf(1), 5e-324, uint8(3))
	f.Add(200.0, 1999.0, 151.0, 0.12, 99.0, uint8(6))
	f.Fuzz(func(t *testing.T, closed, open, recloses, seconds, rate float64, given uint8) {
		w := sensors.WarmUp{Seconds: seconds, Rate: rate}
		for i, p := range []struct {
			to   **float64
			from *float64
		}{{&w.LastClosed, &closed}, {&w.FirstOpen, &open}, {&w.Recloses, &recloses}} {
			if given>>i&1 == 1 {
				*p.to = p.from
			}
		}
		o, err := sensors.OpeningShort(w)
		if err != nil {
			return
		}
		k, u := o.Estimate(sensors.DefaultResponse(), 1)
		_, repeatAt := o.TooFast(5, sensors.DefaultResponse())
		for _, v := range []float64{o.Low, o.High, o.Rate, o.Lag, k, u, repeatAt} {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%+v", o)
		}
		require.LessOrEqual(t, o.Low, o.High)
		require.GreaterOrEqual(t, o.Rate, 0.0)
	})
}

// FuzzLag: the lags of discs and thermometers.
func FuzzLag(f *testing.F) {
	f.Add(0.1, 20.0, 60.0)
	f.Add(1e300, 1e-300, 1e308)
	f.Fuzz(func(t *testing.T, rate, tau, seconds float64) {
		if !(rate >= 0 && rate <= 100 && tau <= 1e6 && seconds >= 0) {
			return // what no reader lets through
		}
		lag := sensors.RampLag(rate, tau, seconds)
		require.True(t, lag >= 0 && lag <= rate*math.Max(tau, 0)*(1+1e-12), "%v", lag)
		r := sensors.Response{Disc: tau, Thermometer: seconds}
		require.False(t, math.IsNaN(sensors.MaxRate(5, r)))
		require.False(t, math.IsNaN(sensors.TimeConstant(rate, seconds)))
	})
}

// The hotter, the more a platinum sensor has: and back again.
func TestPlatinumRisesAndReturns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(73.15, 1122).Draw(t, "kelvin")
		b := a + rapid.Float64Range(1e-3, 1123-a).Draw(t, "more")
		lo, err := sensors.RTDOhm(100, a)
		require.NoError(t, err)
		hi, err := sensors.RTDOhm(100, b)
		require.NoError(t, err)
		require.Less(t, lo, hi)
		back, err := sensors.RTDKelvin(100, lo)
		require.NoError(t, err)
		require.InDelta(t, a, back, 1e-9*a)
	})
}

// The hotter above 0 °C, the more voltage.
func TestThermocoupleRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(80, 1640).Draw(t, "kelvin")
		b := a + rapid.Float64Range(0.01, 5).Draw(t, "more")
		lo, err := sensors.TypeKVolt(a)
		require.NoError(t, err)
		hi, err := sensors.TypeKVolt(b)
		require.NoError(t, err)
		require.Less(t, lo, hi)
	})
}

// A curve undoes itself to the last digits float64 leaves: an ulp of 1/T, of
// ln R and of the exponential between them.
func TestCurvesReturnToTheLastDigits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kelvin := rapid.Float64Range(230, 430).Draw(t, "kelvin")
		b, err := sensors.NewBeta(rapid.Float64Range(100, 1e6).Draw(t, "r25"), rapid.Float64Range(2500, 5000).Draw(t, "b"))
		require.NoError(t, err)
		sh, err := sensors.NewSteinhartHart(1.1e-3, 2.4e-4, rapid.Float64Range(0, 2e-7).Draw(t, "c"))
		require.NoError(t, err)
		tab, err := sensors.NewTable([]sensors.Point{{Kelvin: 273.15, Ohm: b.Ohm(273.15)}, {Kelvin: 298.15, Ohm: b.Ohm(298.15)}, {Kelvin: 373.15, Ohm: b.Ohm(373.15)}})
		require.NoError(t, err)
		for name, c := range map[string]sensors.Curve{"beta": b, "Steinhart-Hart": sh, "table": tab} {
			require.InDelta(t, kelvin, c.Kelvin(c.Ohm(kelvin)), 50*ulp(kelvin), name)
		}
	})
}

func ulp(v float64) float64 { return math.Nextafter(math.Abs(v), math.Inf(1)) - math.Abs(v) }

// Only the differences count: a series that begins an hour later, or counted
// from another sample, is the same warm-up.
func TestTheClockOfAWarmUpDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		opens := rapid.Float64Range(320, 400).Draw(t, "opens")
		ts, kelvin, closed := ramp(rapid.Float64Range(0.2, 60).Draw(t, "K/min")/60, rapid.Float64Range(0.2, 10).Draw(t, "step"), opens, opens-15)
		a, err := sensors.OpeningFromSeries(ts, kelvin, closed)
		require.NoError(t, err)
		shift := rapid.Float64Range(-40000, 40000).Draw(t, "shift")
		moved := make([]float64, len(ts))
		for i := range ts {
			moved[i] = ts[i] + shift
		}
		b, err := sensors.OpeningFromSeries(moved, kelvin, closed)
		require.NoError(t, err)
		require.InEpsilon(t, a.Rate, b.Rate, 1e-6)
		a.Rate, a.Lag, b.Rate, b.Lag = 0, 0, 0, 0
		require.Equal(t, a, b)
	})
}
