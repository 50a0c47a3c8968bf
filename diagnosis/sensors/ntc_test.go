package sensors_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/sensors"
)

func fahrenheit(f float64) float64 { return (f + 459.67) * 5 / 9 }

// A 10 kΩ part by the two-figure formula: 11.9 kΩ at 70 °F and 15.5 kΩ at
// 60 °F (own arithmetic); the data sheet's curve is 1.1 % below that at 60 °F.
func TestRoomTemperatures(t *testing.T) {
	only, err := sensors.NewBeta(10000, 3977)
	require.NoError(t, err)
	require.InDelta(t, 11900, only.Ohm(fahrenheit(70)), 50)
	require.InDelta(t, 15500, only.Ohm(fahrenheit(60)), 50)
	require.InEpsilon(t, 0.989*only.Ohm(fahrenheit(60)), material(t, 10000).Ohm(fahrenheit(60)), 1e-3)
}

func TestNewTableRefuses(t *testing.T) {
	good := []sensors.Point{{Kelvin: 273.15, Ohm: 32554}, {Kelvin: 298.15, Ohm: 10000}, {Kelvin: 358.15, Ohm: 1070}}
	cases := map[string][]sensors.Point{
		"two points or more": good[:1],
		"out of order":       {good[0], good[2], good[1]},
		"does not fall":      {good[0], {Kelvin: 298.15, Ohm: 32554}},
		"above zero":         {good[0], {Kelvin: 298.15, Ohm: 0}},
	}
	for want, points := range cases {
		_, err := sensors.NewTable(points)
		require.ErrorContains(t, err, want)
	}
	_, err := sensors.NewTable([]sensors.Point{good[0], good[0]})
	require.ErrorContains(t, err, "out of order", "one temperature twice")
	_, err = sensors.NewTable([]sensors.Point{good[0], {Kelvin: math.NaN(), Ohm: 1}})
	require.ErrorContains(t, err, "above zero")
	_, err = sensors.NewTable([]sensors.Point{{Kelvin: 298.15, Ohm: math.Inf(1)}, good[2]})
	require.ErrorContains(t, err, "above zero")
	_, err = sensors.NewTable(nil)
	require.Error(t, err)
}

func TestTableIsTheSameEitherWayRound(t *testing.T) {
	up := []sensors.Point{{Kelvin: 273.15, Ohm: 32554}, {Kelvin: 298.15, Ohm: 10000}, {Kelvin: 358.15, Ohm: 1070}}
	down := []sensors.Point{up[2], up[1], up[0]}
	a, err := sensors.NewTable(up)
	require.NoError(t, err)
	b, err := sensors.NewTable(down)
	require.NoError(t, err)
	for kelvin := 250.0; kelvin < 400; kelvin += 7 {
		require.Equal(t, a.Ohm(kelvin), b.Ohm(kelvin))
	}
	low, high := a.Range()
	require.InDelta(t, 273.15, low, 1e-9)
	require.InDelta(t, 358.15, high, 1e-9)
}

// Between points 5 K apart, interpolating ln R against 1/T stays within
// 0.01 K of the curve; a straight line in R would miss by more than 0.3 K.
func TestTableInterpolation(t *testing.T) {
	c := material(t, 10000)
	var points []sensors.Point
	for cel := 0.0; cel <= 100; cel += 5 {
		points = append(points, sensors.Point{Kelvin: cel + ice, Ohm: c.Ohm(cel + ice)})
	}
	tab, err := sensors.NewTable(points)
	require.NoError(t, err)
	for cel := 2.5; cel < 100; cel += 5 {
		require.InDelta(t, cel+ice, tab.Kelvin(c.Ohm(cel+ice)), 0.011, "%v °C", cel)
	}
}

func TestCurvesWithoutATemperature(t *testing.T) {
	tab, err := sensors.NewTable([]sensors.Point{{Kelvin: 298.15, Ohm: 10000}, {Kelvin: 358.15, Ohm: 1070}})
	require.NoError(t, err)
	only, err := sensors.NewBeta(10000, 3977)
	require.NoError(t, err)
	for name, c := range map[string]sensors.Curve{"table": tab, "beta": only, "four-term": material(t, 10000)} {
		require.True(t, math.IsInf(c.Kelvin(1e-9), 1), name)
		_, _, err := sensors.Deviation(c, 1e-9, 300, 0, 0, sensors.Tolerance{})
		require.ErrorContains(t, err, "no resistance of this curve", name)
	}
}

func TestConstructorsRefuse(t *testing.T) {
	nan := math.NaN()
	for _, c := range [][3]float64{{nan, 1, 1}, {1e-3, 0, 1e-8}, {1e-3, 2e-4, -1e-8}, {1e-3, 2e-4, nan}, {1e-3, math.Inf(1), 0}} {
		_, err := sensors.NewSteinhartHart(c[0], c[1], c[2])
		require.Error(t, err, c)
	}
	for _, c := range [][2]float64{{0, 3977}, {10000, 0}, {nan, 3977}, {10000, math.Inf(1)}} {
		_, err := sensors.NewBeta(c[0], c[1])
		require.Error(t, err, c)
	}
	_, err := sensors.Material3977(0)
	require.ErrorContains(t, err, "R25")
	_, err = sensors.NewFourTerm(sensors.FourTerm{
		Forward: [4]float64{-14.195576, 4470.4785, -5165.8730, -1.4017368e7}, // 4407 mistyped
		Inverse: [4]float64{3.3539438e-3, 2.5646095e-4, 2.5158166e-6, 1.0503069e-7},
		R25:     10000,
	})
	require.ErrorContains(t, err, "disagree")
	p := sensors.Point{Kelvin: 300, Ohm: 100}
	_, err = sensors.FitSteinhartHart(p, p, p)
	require.Error(t, err, "one point three times")
	_, err = sensors.FitSteinhartHart(p, sensors.Point{}, p)
	require.ErrorContains(t, err, "above zero")
}

// HIGH ohms make the control believe it is cold, so it heats on.
func TestDeviationSign(t *testing.T) {
	c := material(t, 10000)
	kelvin := fahrenheit(77)
	dK, _, err := sensors.Deviation(c, 1.3*c.Ohm(kelvin), kelvin, 0, 0, sensors.Tolerance{})
	require.NoError(t, err)
	require.Less(t, dK, -5.0, "reads colder than it is")
	dK, _, err = sensors.Deviation(c, 0.7*c.Ohm(kelvin), kelvin, 0, 0, sensors.Tolerance{})
	require.NoError(t, err)
	require.Greater(t, dK, 5.0)
	dK, u, err := sensors.Deviation(c, c.Ohm(kelvin), kelvin, 0, 0, sensors.Tolerance{})
	require.NoError(t, err)
	require.InDelta(t, 0, dK, 0.012)
	require.Zero(t, u)
}

// At 25 °C this material changes 4.39 % a kelvin: 1 % of R is 0.23 K, and a
// doubtful room temperature enters one to one.
func TestDeviationUncertainty(t *testing.T) {
	c := material(t, 10000)
	_, u, err := sensors.Deviation(c, 10000, 298.15, 100, 0, sensors.Tolerance{})
	require.NoError(t, err)
	require.InDelta(t, 0.228, u, 0.003)
	_, u, err = sensors.Deviation(c, 10000, 298.15, 0, 1.5, sensors.Tolerance{})
	require.NoError(t, err)
	require.InDelta(t, 1.5, u, 1e-9)
	_, u, err = sensors.Deviation(c, 10000, 298.15, 0, 0, sensors.Tolerance{R25: 0.05, B: 30})
	require.NoError(t, err)
	require.InDelta(t, 5*0.228/math.Sqrt(3), u, 0.01, "the doubt of B is nothing at 25 °C")
	_, hot, err := sensors.Deviation(c, c.Ohm(358.15), 358.15, 0, 0, sensors.Tolerance{B: 30})
	require.NoError(t, err)
	require.Greater(t, hot, 0.25, "but counts at 85 °C")
}

// ±0.75 % on B is 1.7 % of R at 85 °C.
func TestToleranceOfBeta(t *testing.T) {
	tolerance := sensors.Tolerance{B: 0.0075 * 3977}
	require.InDelta(t, 0.017, tolerance.OhmFraction(358.15), 0.0005)
	require.InDelta(t, 0, tolerance.OhmFraction(298.15), 1e-15)
	require.InDelta(t, 0.017/0.0317, tolerance.Allowed(material(t, 10000), 358.15), 0.02)
}

// The two-figure formula alone against the reference guide's curve, 3977 K.
func TestBetaAloneErrs(t *testing.T) {
	c := guide(t, 10000)
	only, err := sensors.NewBeta(10000, 3977)
	require.NoError(t, err)
	for cel, want := range map[float64]float64{0: 0.7, 50: -0.3, 60: -0.3, 100: 0.35, 125: 1.2} {
		require.InDelta(t, want, only.Kelvin(c.Ohm(cel+ice))-cel-ice, 0.1, "%v °C", cel)
	}
}

func TestDeviationRefuses(t *testing.T) {
	c := material(t, 10000)
	nan, inf := math.NaN(), math.Inf(1)
	for _, x := range [][4]float64{
		{0, 300, 0, 0}, {-5, 300, 0, 0}, {nan, 300, 0, 0}, {inf, 300, 0, 0},
		{1e4, 0, 0, 0}, {1e4, nan, 0, 0}, {1e4, 300, -1, 0}, {1e4, 300, nan, 0}, {1e4, 300, 0, -1}, {1e4, 300, inf, 0},
	} {
		_, _, err := sensors.Deviation(c, x[0], x[1], x[2], x[3], sensors.Tolerance{})
		require.Error(t, err, x)
	}
}

func TestSelfHeatingAndTimeConstantEdges(t *testing.T) {
	require.Zero(t, sensors.SelfHeating(1, 1, 0))
	for _, fraction := range []float64{0, 1, -1, 2, math.NaN()} {
		require.Zero(t, sensors.TimeConstant(fraction, 10))
	}
	require.InDelta(t, 10, sensors.TimeConstant(1-1/math.E, 10), 1e-12)
	require.Zero(t, sensors.RampLag(1, 0, 10))
	require.InDelta(t, 2, sensors.RampLag(0.1, 20, math.Inf(1)), 1e-12)
}

func TestRTDRefuses(t *testing.T) {
	for _, kelvin := range []float64{0, 73, 1124, math.NaN(), math.Inf(1)} {
		_, err := sensors.RTDOhm(100, kelvin)
		require.Error(t, err, kelvin)
	}
	for _, ohm := range []float64{0, -1, 18, 391, math.NaN(), math.Inf(1)} {
		_, err := sensors.RTDKelvin(100, ohm)
		require.Error(t, err, ohm)
	}
	for _, r0 := range []float64{0, -100, math.NaN()} {
		_, err := sensors.RTDOhm(r0, 300)
		require.ErrorContains(t, err, "r0")
		_, err = sensors.RTDKelvin(r0, 110)
		require.ErrorContains(t, err, "r0")
	}
	_, err := sensors.TypeKVolt(1700)
	require.Error(t, err)
	_, err = sensors.TypeKVolt(math.NaN())
	require.Error(t, err)
}

// An oven sensor of 1000 Ω: 1082 Ω at 70 °F, 1672 Ω at 350 °F (own arithmetic
// from IEC 60751).
func TestOvenSensor(t *testing.T) {
	for f, want := range map[float64]float64{70: 1082, 75: 1093, 350: 1672} {
		ohm, err := sensors.RTDOhm(1000, fahrenheit(f))
		require.NoError(t, err)
		require.InDelta(t, want, ohm, 1, "%v °F", f)
	}
}

func TestRTDInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kelvin := rapid.Float64Range(73.15, 1123.15).Draw(t, "kelvin")
		r0 := rapid.Float64Range(10, 2000).Draw(t, "r0")
		ohm, err := sensors.RTDOhm(r0, kelvin)
		require.NoError(t, err)
		back, err := sensors.RTDKelvin(r0, ohm)
		require.NoError(t, err)
		require.InDelta(t, kelvin, back, 1e-6)
	})
}

func TestNTCInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r25 := rapid.Float64Range(100, 1e6).Draw(t, "r25")
		b := rapid.Float64Range(2500, 5000).Draw(t, "b")
		only, err := sensors.NewBeta(r25, b)
		require.NoError(t, err)
		sh, err := sensors.NewSteinhartHart(rapid.Float64Range(5e-4, 1.5e-3).Draw(t, "A"),
			rapid.Float64Range(1.5e-4, 3e-4).Draw(t, "B"), rapid.Float64Range(0, 2e-7).Draw(t, "C"))
		require.NoError(t, err)
		var points []sensors.Point
		for kelvin := 253.15; kelvin < 400; kelvin += rapid.Float64Range(2, 30).Draw(t, "step") {
			points = append(points, sensors.Point{Kelvin: kelvin, Ohm: only.Ohm(kelvin)})
		}
		tab, err := sensors.NewTable(points)
		require.NoError(t, err)
		kelvin := rapid.Float64Range(233.15, 423.15).Draw(t, "kelvin")
		for name, c := range map[string]sensors.Curve{"beta": only, "Steinhart-Hart": sh, "table": tab} {
			require.InDelta(t, kelvin, c.Kelvin(c.Ohm(kelvin)), 1e-6, name)
			require.Greater(t, c.Ohm(kelvin), c.Ohm(kelvin+0.5), "%s falls", name)
		}
		require.InDelta(t, only.Ohm(kelvin), tab.Ohm(kelvin), 1e-9*only.Ohm(kelvin), "the formula is straight in ln R against 1/T")
		m, err := sensors.Material3977(r25)
		require.NoError(t, err)
		require.InDelta(t, kelvin, m.Kelvin(m.Ohm(kelvin)), 0.02)
	})
}
