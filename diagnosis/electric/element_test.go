package electric_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/electric"
)

// R = V²/P (derived identity; own arithmetic): 5,400 W at 240 V.
func TestElementPower(t *testing.T) {
	r, ok := electric.HotResistance(5400, 240)
	require.True(t, ok)
	require.InDelta(t, 10.6667, r, 0.001)
	for volts, want := range map[float64][2]float64{240: {22.5, 5400}, 208: {19.5, 4056}} {
		require.InDelta(t, want[0], volts/r, 0.001)
		p, ok := electric.Power(volts, r)
		require.True(t, ok)
		require.InDelta(t, want[1], p, 0.5)
	}
	for _, bad := range [][2]float64{{0, 240}, {5400, 0}, {-1, 240}, {0, 0}, {math.NaN(), 240}, {5400, math.Inf(1)}, {math.Inf(1), 240}} {
		x, ok := electric.HotResistance(bad[0], bad[1])
		require.False(t, ok, bad)
		require.Zero(t, x)
		_, ok = electric.Rated(bad[0], bad[1])
		require.False(t, ok, bad)
	}
}

// A part for 208 V and 5,400 W has 8.01 Ω glowing and makes 7.19 kW on 240 V;
// one for 240 V makes 4.06 kW on 208 V (own arithmetic, P·(V/Vrated)²).
func TestAPartForAnotherSupply(t *testing.T) {
	low, ok := electric.Rated(5400, 208)
	require.True(t, ok)
	watts, ok := electric.OtherVoltage(low.Cold, 5400, 240, 208, 0.05)
	require.True(t, ok)
	require.InDelta(t, 7189, watts, 1)
	right, _ := electric.Rated(5400, 240)
	watts, ok = electric.OtherVoltage(right.Cold, 5400, 208, 240, 0.05)
	require.True(t, ok)
	require.InDelta(t, 4056, watts, 1)
	for _, cold := range []float64{right.Cold, right.Low, right.High, 0, -3, 5, 20, math.NaN(), math.Inf(1)} {
		_, ok := electric.OtherVoltage(cold, 5400, 240, 208, 0.05)
		require.False(t, ok, cold)
	}
	_, ok = electric.OtherVoltage(8, 0, 240, 208, 0.05)
	require.False(t, ok)
}

// 10.67 Ω hot is 10.40 Ω cold in NiCr 80/20 (own arithmetic, Ct 1.026) and
// 9.9 to 10.6 over the alloys.
func TestColdResistance(t *testing.T) {
	e, ok := electric.Rated(5400, 240)
	require.True(t, ok)
	require.InDelta(t, 10.667, e.Hot, 0.001)
	require.InDelta(t, 10.396, e.Cold, 0.001)
	require.InDelta(t, 10.667/1.078, e.Low, 0.001)
	require.InDelta(t, 10.667/1.01, e.High, 0.001)
}

// Two halves of 21.33 Ω: together 10.67, one alone twice as much and half the
// amps (own arithmetic).
func TestDualCoil(t *testing.T) {
	const half = 21.3333
	require.InDelta(t, 10.6667, electric.Parallel(half, half), 0.001)
	require.InDelta(t, half, electric.Parallel(half, math.Inf(1)), 1e-9, "one half open")
	require.True(t, math.IsInf(electric.Parallel(math.Inf(1)), 1))
	require.Zero(t, electric.Parallel(half, 0))
	require.Equal(t, electric.Half, electric.CoilsOf(electric.Parallel(half, half)/half, 0.1))
	for ratio, want := range map[float64]electric.Coils{1: electric.Whole, 1.09: electric.Whole, 0.5: electric.Half, 0.46: electric.Half, 0.7: electric.Other, 0: electric.Other, 1.2: electric.Other, math.NaN(): electric.Other} {
		require.Equal(t, want, electric.CoilsOf(ratio, 0.1), ratio)
	}
}

// A third of the turns gone: 7 Ω of 10.4 (own arithmetic; the doubt is
// propagated as √((u/Re)² + (R·ue/Re²)²)).
func TestMissingTurns(t *testing.T) {
	missing, u, ok := electric.Missing(7, 0.1, 10.4, 0.3)
	require.True(t, ok)
	require.InDelta(t, 0.3269, missing, 1e-4)
	require.InDelta(t, math.Hypot(0.1/10.4, 7*0.3/(10.4*10.4)), u, 1e-12)
	missing, _, ok = electric.Missing(12, 0.1, 10.4, 0.3)
	require.True(t, ok)
	require.Zero(t, missing)
	for _, bad := range [][2]float64{{1, 0}, {-1, 10}, {math.NaN(), 10}, {1, math.Inf(1)}, {math.Inf(1), 1}, {1e300, 1e-300}} {
		_, _, ok := electric.Missing(bad[0], 0, bad[1], 0)
		require.False(t, ok, bad)
	}
}

// The less resistance there is, the more of the coil is missing and the more
// heat it makes.
func TestMissingIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		expected := rapid.Float64Range(0.1, 1000).Draw(t, "expected")
		a, b := rapid.Float64Range(0, 2000).Draw(t, "a"), rapid.Float64Range(0, 2000).Draw(t, "b")
		ma, _, okA := electric.Missing(math.Min(a, b), 0, expected, 0)
		mb, _, okB := electric.Missing(math.Max(a, b), 0, expected, 0)
		require.True(t, okA && okB)
		require.GreaterOrEqual(t, ma, mb)
		pa, okA := electric.Power(240, math.Min(a, b)+0.01)
		pb, okB := electric.Power(240, math.Max(a, b)+0.01)
		require.True(t, okA && okB)
		require.GreaterOrEqual(t, pa, pb)
	})
}

// A thicker gauge never has more resistance, and a factor lies between those
// of the points about it: cold and hot undo each other.
func TestWireAndAlloyAreOrderly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gauge := rapid.IntRange(0, 49).Draw(t, "gauge")
		for _, diameter := range []func(int) (float64, bool){electric.AWGDiameter, electric.SWGDiameter} {
			thick, ok := diameter(gauge)
			require.True(t, ok)
			thin, ok := diameter(gauge + 1)
			require.True(t, ok)
			require.Greater(t, thick, thin)
			a, okA := electric.Nichrome.PerMetre(thick)
			b, okB := electric.Nichrome.PerMetre(thin)
			require.True(t, okA && okB)
			require.Less(t, a, b)
		}
		alloy := rapid.SampledFrom(electric.Alloys()).Draw(t, "alloy")
		kelvin := rapid.Float64Range(0, 3000).Draw(t, "kelvin")
		ct, ok := alloy.Ct(kelvin)
		require.True(t, ok)
		require.GreaterOrEqual(t, ct, 1.0)
		require.LessOrEqual(t, ct, 1.23)
		cold, ok := alloy.Cold(10, kelvin)
		require.True(t, ok)
		hot, ok := alloy.Hot(cold, kelvin)
		require.True(t, ok)
		require.InDelta(t, 10, hot, 1e-9)
	})
	for _, gauge := range []int{-4, 51, math.MinInt, math.MaxInt} {
		_, ok := electric.AWGDiameter(gauge)
		require.False(t, ok)
		_, ok = electric.SWGDiameter(gauge)
		require.False(t, ok)
	}
	_, ok := electric.Copper.PerMetre(0)
	require.False(t, ok)
}
