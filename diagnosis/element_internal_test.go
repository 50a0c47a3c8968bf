package diagnosis

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// R = V²/P (derived identity; own arithmetic): 5,400 W at 240 V.
func TestElementPower(t *testing.T) {
	r, ok := hotResistance(5400, 240)
	require.True(t, ok)
	require.InDelta(t, 10.6667, r, 0.001)
	require.InDelta(t, 22.5, 240/r, 0.001)
	require.InDelta(t, 4056, elementPower(208, r), 0.5)
	require.InDelta(t, 19.5, 208/r, 0.001)
	r208, ok := hotResistance(5400, 208)
	require.True(t, ok)
	require.InDelta(t, 7189, elementPower(240, r208), 1, "a 208 V element on 240 V: 7.2 kW")
	for _, bad := range [][2]float64{{0, 240}, {5400, 0}, {-1, 240}, {math.NaN(), 240}, {5400, math.Inf(1)}, {math.Inf(1), 240}} {
		_, ok := hotResistance(bad[0], bad[1])
		require.False(t, ok, bad)
	}
}

// A coil of 10.67 Ω grounded at a share x of its length and fed by a leg of
// 120 V, with the thermostat open (own arithmetic: V²/(x·R) and V/(x·R)).
func TestHeatOfAGroundedCoil(t *testing.T) {
	const ends = 10.67
	for _, tt := range []struct {
		share, kilowatt, amps float64
		holds                 hold
	}{
		{1, 1.35, 11.25, holds},
		{0.5, 2.7, 22.5, holds},
		{0.375, 3.6, 30, holds},
		{0.3, 4.5, 37.5, mayHold},
		{0.2, 6.75, 56, tripping},
	} {
		at, ok := touchAt(tt.share*ends, (1-tt.share)*ends, ends, 0.01)
		require.True(t, ok)
		require.InDelta(t, tt.share, at.share, 1e-9)
		amps, watts := at.leak(120, ends)
		require.InDelta(t, tt.kilowatt, watts/1000, 0.01, "%+v", tt)
		require.InDelta(t, tt.amps, amps, 0.3, "%+v", tt)
		require.Equal(t, tt.holds, breaker(amps), "%+v", tt)
	}
}

// With a dirty contact of 5 Ω two readings alone would give x = 0.84.
func TestTheContactIsTakenOff(t *testing.T) {
	at, ok := touchAt(9, 11.67, 10.67, 0.01)
	require.True(t, ok)
	require.InDelta(t, 5, at.contact, 1e-9)
	require.InDelta(t, 4/10.67, at.share, 1e-9)
}

func TestThreeResistancesThatDoNotFit(t *testing.T) {
	for _, r := range [][3]float64{{1, 1, 10}, {12, 0, 10}, {0, 12, 10}, {3, 7, 0}, {math.NaN(), 1, 1}, {1, math.Inf(1), 1}} {
		_, ok := touchAt(r[0], r[1], r[2], 0.1)
		require.False(t, ok, r)
	}
}

func TestLegVolts(t *testing.T) {
	for volts, want := range map[float64]float64{240: 120, 208: 120.1, 230: 115, 120: 120} {
		require.InDelta(t, want, legVolts(&volts), 0.05, volts)
	}
	require.Equal(t, 120.0, legVolts(nil))
}

// Whatever the spot and the contact: both come back, the two ends mirror each
// other, and a piece nearer to the live end never draws less.
func TestTheSpotComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ends := rapid.Float64Range(5, 60).Draw(t, "ends")
		x := rapid.Float64Range(0.01, 0.99).Draw(t, "share")
		r := rapid.Float64Range(0, 2000).Draw(t, "contact")
		at, ok := touchAt(x*ends+r, (1-x)*ends+r, ends, 1e-6)
		require.True(t, ok)
		require.InDelta(t, x, at.share, 1e-6)
		require.InDelta(t, r, at.contact, 1e-6)
		mirrored, ok := touchAt((1-x)*ends+r, x*ends+r, ends, 1e-6)
		require.True(t, ok)
		require.InDelta(t, at.fromOther().share, mirrored.share, 1e-6)
		near, _ := touch{share: x / 2, contact: r}.leak(120, ends)
		far, watts := touch{share: x, contact: r}.leak(120, ends)
		require.GreaterOrEqual(t, near, far)
		require.LessOrEqual(t, watts, elementPower(120, x*ends)*(1+1e-9))
	})
}
