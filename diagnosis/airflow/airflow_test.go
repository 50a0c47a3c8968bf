package airflow_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/airflow"
)

func metal(length float64, bends ...airflow.Bend) airflow.Run {
	c := 0.0
	for _, b := range bends {
		c += b.Coefficient(4 * inch)
	}
	return airflow.Run{Pieces: []airflow.Piece{{Diameter: 4 * inch, Length: length, Roughness: galv, Bends: c}}, Exit: 1}
}

// TestFrictionSolvesColebrook: the residual of the equation itself, and the
// explicit form within the two per cent its authors give.
func TestFrictionSolvesColebrook(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		re, e := rapid.Float64Range(4000, 1e7).Draw(t, "Re"), rapid.Float64Range(0, 0.05).Draw(t, "e/D")
		x := 1 / math.Sqrt(airflow.Friction(re, e))
		require.InDelta(t, x, -2*math.Log10(e/3.7+2.51*x/re), 1e-12)
	})
	for _, re := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		require.Zero(t, airflow.Friction(re, 0.001))
	}
}

// TestDuctsOfOneReynoldsNumberAreAlike: the friction factor depends on Re and
// e/D alone, so a run twice as large with half the speed loses a quarter of
// the pressure over the same length in diameters.
func TestDuctsOfOneReynoldsNumberAreAlike(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.Float64Range(0.08, 0.3).Draw(t, "d")
		v := rapid.Float64Range(1, 15).Draw(t, "v")
		k := rapid.Float64Range(0.5, 3).Draw(t, "k")
		n := rapid.Float64Range(1, 200).Draw(t, "length in diameters")
		air := airflow.Standard()
		run := func(d float64) airflow.Run {
			return airflow.Run{Pieces: []airflow.Piece{{Diameter: d, Length: n * d, Roughness: 0.001 * d, Bends: 1}}, Exit: 1}
		}
		one := run(d).CollarPressure(v*airflow.Area(d), air)
		two := run(k*d).CollarPressure(v/k*airflow.Area(k*d), air)
		require.InEpsilon(t, one/(k*k), two, 1e-9)
	})
}

func TestCollarPressureNeverFallsWithFlow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := metal(rapid.Float64Range(0, 30).Draw(t, "length"), airflow.Bend{Degrees: 90, Count: rapid.IntRange(1, 6).Draw(t, "bends")})
		a := rapid.Float64Range(0, 0.15).Draw(t, "flow")
		b := a + rapid.Float64Range(0, 0.05).Draw(t, "more")
		require.LessOrEqual(t, r.CollarPressure(a, airflow.Standard()), r.CollarPressure(b, airflow.Standard())+1e-12)
	})
}

// TestOperatingPoint: blower and run agree there, and every foot and bend more
// costs air.
func TestOperatingPoint(t *testing.T) {
	b, air := airflow.GenericBlower(), airflow.Standard()
	require.True(t, b.Generic)
	rapid.Check(t, func(t *rapid.T) {
		length := rapid.Float64Range(0, 40).Draw(t, "length")
		p, err := airflow.Operate(b, metal(length), air)
		require.NoError(t, err)
		require.True(t, p.Flow > 0 && p.Flow <= b.Free())
		longer, err := airflow.Operate(b, metal(length+3, airflow.Bend{Degrees: 90, Count: 1}), air)
		require.NoError(t, err)
		require.Less(t, longer.Flow, p.Flow)
		require.Greater(t, longer.Collar, p.Collar)
	})
	share, err := airflow.Share(b, metal(airflow.CodeLength-2*5*foot, airflow.Bend{Degrees: 90, Count: 2}), air)
	require.NoError(t, err)
	require.InDelta(t, 0.75, share, 0.1, "a legal 35-ft run costs 20 to 30 % (common practice, no source)")
}

func TestWhatCannotBeComputedIsRefused(t *testing.T) {
	air, nan := airflow.Standard(), math.NaN()
	for _, r := range []airflow.Run{{}, {Pieces: []airflow.Piece{{}}}, {Pieces: []airflow.Piece{{Diameter: 0.1, Length: -1}}},
		{Pieces: []airflow.Piece{{Diameter: nan, Length: 1}}}, {Pieces: []airflow.Piece{{Diameter: 0.1}}, Exit: nan}} {
		_, err := airflow.Operate(airflow.GenericBlower(), r, air)
		require.Error(t, err)
	}
	for _, b := range []airflow.Blower{{}, {Flow: []float64{0, 1}, Pressure: []float64{1, 1}}, {Flow: []float64{0, 0}, Pressure: []float64{2, 1}},
		{Flow: []float64{1, 2}, Pressure: []float64{2, 1}}, {Flow: []float64{0, nan}, Pressure: []float64{2, 1}}} {
		_, err := airflow.Operate(b, metal(3), air)
		require.Error(t, err)
	}
	_, err := airflow.Operate(airflow.GenericBlower(), metal(3), airflow.Air{})
	require.Error(t, err)
}

// TestHeatBalance: three figures that agree, and one made wrong: the answer
// says what it would have to be.
func TestHeatBalance(t *testing.T) {
	air := airflow.Standard()
	rise := air.Rise(5000, 0.06)
	m := func(v, u float64) airflow.Measured { return airflow.Measured{Value: v, U: u} }
	out, ok := airflow.Balance{Watts: m(5000, 100), Flow: m(0.06, 0.003), Rise: m(rise, 1), Duty: 1}.Check(air)
	require.True(t, ok)
	require.True(t, out.Agrees)
	out, ok = airflow.Balance{Watts: m(5000, 100), Flow: m(0.12, 0.003), Rise: m(rise, 1), Duty: 1}.Check(air)
	require.True(t, ok)
	require.False(t, out.Agrees)
	require.InEpsilon(t, 0.06, out.Flow, 1e-9)
	require.InEpsilon(t, 10000, out.Watts, 1e-9)
	require.InEpsilon(t, rise/2, out.Rise, 1e-9)
	require.Equal(t, airflow.OfFlow, out.Suspect, "5 % of the flow is the least known of the three")
	out, _ = airflow.Balance{Watts: m(5000, 100), Flow: m(0.06, 0.001), Rise: m(rise/2, 5), Duty: 1}.Check(air)
	require.Equal(t, airflow.OfRise, out.Suspect)
	out, _ = airflow.Balance{Watts: m(10000, 1000), Flow: m(0.06, 0.001), Rise: m(rise, 0.5), Duty: 1}.Check(air)
	require.Equal(t, airflow.OfWatts, out.Suspect)
	out, _ = airflow.Balance{Watts: m(5700, 100), Flow: m(0.06, 0.001), Rise: m(rise, 0.5), Duty: 1, Losses: 0.1}.Check(air)
	require.True(t, out.Agrees, "a tenth may be lost on the way")
	require.Empty(t, out.Suspect)
	out, _ = airflow.Balance{Watts: m(5000, 100), Flow: m(0.06, 0.003), Rise: m(rise/2, 1), Duty: 0.5}.Check(air)
	require.True(t, out.Agrees, "on half of the time")
	_, ok = airflow.Balance{Watts: m(5000, 100), Flow: m(0, 0), Rise: m(rise, 1), Duty: 1}.Check(air)
	require.False(t, ok)
}

func TestFlowCarriesItsUncertainty(t *testing.T) {
	q, u := airflow.Flow(6, 0.1, 0.3, 0.001)
	require.InEpsilon(t, 6*math.Pi*0.0025, q, 1e-12)
	require.InEpsilon(t, math.Hypot(0.05, 0.02), u/q, 1e-9, "5 % of the speed and twice 1 % of the diameter")
}

func FuzzOperate(f *testing.F) {
	f.Add(0.1, 5.0, 0.0001, 1.0, 1.0, 300.0)
	f.Add(0.0, -1.0, math.NaN(), math.Inf(1), 0.0, 0.0)
	f.Fuzz(func(t *testing.T, d, length, rough, bends, exit, kelvin float64) {
		r := airflow.Run{Pieces: []airflow.Piece{{Diameter: d, Length: length, Roughness: rough, Bends: bends}}, Exit: exit}
		p, err := airflow.Operate(airflow.GenericBlower(), r, airflow.At(kelvin, 0))
		if err != nil {
			return
		}
		if math.IsNaN(p.Flow) || p.Flow < 0 || p.Flow > airflow.GenericBlower().Free() || math.IsNaN(p.Collar) || p.Collar < 0 {
			t.Fatalf("%v: %v", r, p)
		}
	})
}

func BenchmarkOperate(b *testing.B) {
	blower, run, air := airflow.GenericBlower(), metal(9, airflow.Bend{Degrees: 90, Count: 3}), airflow.Standard()
	for b.Loop() {
		if _, err := airflow.Operate(blower, run, air); err != nil {
			b.Fatal(err)
		}
	}
}
