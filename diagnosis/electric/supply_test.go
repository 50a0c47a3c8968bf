package electric_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/electric"
)

func TestLeg(t *testing.T) {
	for line, want := range map[float64]float64{240: 120, 208: 120.1, 230: 115, 120: 120, 0: 120, -5: 120, math.NaN(): 120} {
		require.InDelta(t, want, electric.Leg(line), 0.05, line)
	}
}

// 5 % of 240 V is 12 V (own arithmetic).
func TestDrop(t *testing.T) {
	d, ok := electric.Drop(240, 228)
	require.True(t, ok)
	require.InDelta(t, 0.05, d, 1e-12)
	d, ok = electric.Drop(240, 246)
	require.True(t, ok)
	require.Less(t, d, 0.0, "it rose")
	for _, bad := range [][2]float64{{0, 0}, {-1, 2}, {math.NaN(), 2}, {240, -1}} {
		d, ok := electric.Drop(bad[0], bad[1])
		require.False(t, ok)
		require.Zero(t, d)
	}
}

// What a meter shows with leg two open (own arithmetic, voltage divider):
// through the 10.67 Ω heater the dead leg shows 120 V even on a meter of low
// impedance, and only line to line gives it away; with the heater off, through
// 500 kΩ of damp, the low-impedance meter shows next to nothing.
func TestAnOpenLegThroughTheHeater(t *testing.T) {
	inf := math.Inf(1)
	for _, meter := range []float64{electric.HighImpedance, electric.LowImpedance} {
		l := electric.OpenLeg(120, 10.67, inf, meter)
		require.InDelta(t, 120, l.One, 1e-9)
		require.InDelta(t, 120, l.Two, 0.5)
		require.InDelta(t, 0, l.Line, 1e-9)
		require.Equal(t, electric.BackFed, l.Read())
	}
	require.InDelta(t, 114.3, electric.OpenLeg(120, 500e3, inf, electric.HighImpedance).Two, 0.05)
	weak := electric.OpenLeg(120, 500e3, inf, electric.LowImpedance)
	require.InDelta(t, 0.72, weak.Two, 0.01)
	require.Equal(t, electric.LegDead, weak.Read())
	// A motor of 24 Ω from the dead leg to neutral takes part of it.
	l := electric.OpenLeg(120, 10.67, 24, electric.HighImpedance)
	require.InDelta(t, 83, l.Two, 0.1)
	require.InDelta(t, 37, l.Line, 0.1)
	require.InDelta(t, 120, electric.OpenLeg(120, 0, inf, 3e3).Two, 1e-9)
	require.Zero(t, electric.OpenLeg(120, inf, inf, 3e3).Two)
}

func TestWhatThreeVoltagesSay(t *testing.T) {
	for _, tt := range []struct {
		legs electric.Legs
		want electric.Supply
	}{
		{electric.Legs{One: 120, Two: 120, Line: 240}, electric.SplitPhaseSound},
		{electric.Legs{One: 112, Two: 117, Line: 229}, electric.SplitPhaseSound},
		{electric.Legs{One: 120, Two: 120, Line: 208}, electric.Wye},
		{electric.Legs{One: 120, Two: 119, Line: 1}, electric.BackFed},
		{electric.Legs{One: 120, Two: 0.5, Line: 119}, electric.LegDead},
		{electric.Legs{One: 2, Two: 121, Line: 2}, electric.LegDead},
		{electric.Legs{One: 150, Two: 90, Line: 240}, electric.LooseNeutral},
		{electric.Legs{One: 120, Two: 83, Line: 37}, electric.BackFed}, // with a motor on the open leg
		{electric.Legs{One: 120, Two: 83, Line: 120}, electric.Unclear},
		{electric.Legs{One: 120, Two: 120, Line: 300}, electric.Unclear},
		{electric.Legs{}, electric.Unclear},
		{electric.Legs{One: -1, Two: 120, Line: 240}, electric.Unclear},
		{electric.Legs{One: math.NaN(), Two: 120, Line: 240}, electric.Unclear},
	} {
		require.Equal(t, tt.want, tt.legs.Read(), "%+v", tt.legs)
	}
}

// Which leg is called one does not matter, nor does the size of the supply;
// and what OpenLeg predicts never passes for a sound supply.
func TestReadingLegsIsFair(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(0, 300)
		l := electric.Legs{One: v.Draw(t, "one"), Two: v.Draw(t, "two"), Line: v.Draw(t, "line")}
		require.Equal(t, l.Read(), electric.Legs{One: l.Two, Two: l.One, Line: l.Line}.Read())
		path := rapid.Float64Range(0.1, 1e7).Draw(t, "path")
		load := rapid.Float64Range(0.1, 1e7).Draw(t, "load")
		open := electric.OpenLeg(120, path, load, electric.LowImpedance)
		require.NotEqual(t, electric.SplitPhaseSound, open.Read(), "%+v", open)
		require.NotEqual(t, electric.Wye, open.Read(), "%+v", open)
		high := electric.OpenLeg(120, path, load, electric.HighImpedance)
		require.LessOrEqual(t, open.Two, high.Two+1e-9, "a meter of low impedance never shows more")
	})
}

// 5 A through a 50 µF capacitor at 265 V (own arithmetic, 2652·I/V).
func TestCapacitance(t *testing.T) {
	c, ok := electric.Capacitance(5, 265.2, 60)
	require.True(t, ok)
	require.InDelta(t, 50e-6, c, 0.05e-6)
	_, ok = electric.Capacitance(5, 0, 60)
	require.False(t, ok)
	require.True(t, math.IsInf(electric.Capacitor{}.Ratio(), 1))
}

// Leakage by rated input (IEC 60335-1 13.2): at least 0.75 mA, at most 5.
func TestLeakageLimit(t *testing.T) {
	for watts, mA := range map[float64]float64{0: 0.75, 1000: 0.75, 2000: 1.5, 5400: 4.05, 10e3: 5, math.NaN(): 0.75} {
		require.InDelta(t, mA, electric.LeakageLimit(watts)*1000, 1e-9, watts)
	}
	require.InDelta(t, 4e6, electric.InsulationAt(1e6, 313, 293), 1)
}
