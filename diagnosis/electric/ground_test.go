package electric_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/electric"
)

// A coil of 10.67 Ω grounded at a share x of its length and fed by a leg of
// 120 V, with the thermostat open (own arithmetic: V²/(x·R) and V/(x·R)).
func TestHeatOfAGroundedCoil(t *testing.T) {
	const ends = 10.67
	for _, tt := range []struct {
		share, kilowatt, amps float64
		holds                 electric.Hold
	}{
		{1, 1.35, 11.25, electric.Holds},
		{0.5, 2.7, 22.5, electric.Holds},
		{0.375, 3.6, 30, electric.Holds},
		{0.3, 4.5, 37.5, electric.MayHold},
		{0.2, 6.75, 56, electric.Trips},
	} {
		at, ok := electric.TouchAt(tt.share*ends, (1-tt.share)*ends, ends, 0.01)
		require.True(t, ok)
		require.InDelta(t, tt.share, at.Share, 1e-9)
		amps, watts := at.Leak(120, ends)
		require.InDelta(t, tt.kilowatt, watts/1000, 0.01, "%+v", tt)
		require.InDelta(t, tt.amps, amps, 0.3, "%+v", tt)
		require.Equal(t, tt.holds, electric.Breaker(amps), "%+v", tt)
	}
}

// With a dirty contact of 5 Ω two readings alone would give x = 0.84.
func TestTheContactIsTakenOff(t *testing.T) {
	at, ok := electric.TouchAt(9, 11.67, 10.67, 0.01)
	require.True(t, ok)
	require.InDelta(t, 5, at.Contact, 1e-9)
	require.InDelta(t, 4/10.67, at.Share, 1e-9)
}

func TestThreeResistancesThatDoNotFit(t *testing.T) {
	for _, r := range [][3]float64{{1, 1, 10}, {12, 0, 10}, {0, 12, 10}, {3, 7, 0}, {math.NaN(), 1, 1}, {1, math.Inf(1), 1}} {
		_, ok := electric.TouchAt(r[0], r[1], r[2], 0.1)
		require.False(t, ok, r)
	}
}

func TestADeadShort(t *testing.T) {
	amps, watts := electric.Touch{}.Leak(120, 10.67)
	require.True(t, math.IsInf(amps, 1))
	require.Zero(t, watts, "the coil is not in the path")
	require.Equal(t, electric.Trips, electric.Breaker(amps))
	amps, watts = electric.Touch{Contact: 5}.Leak(120, 10.67)
	require.InDelta(t, 24, amps, 1e-9)
	require.Zero(t, watts)
}

// Whatever the spot and the contact: both come back, the two ends mirror each
// other, and a piece nearer to the live end never draws less.
func TestTheSpotComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ends := rapid.Float64Range(5, 60).Draw(t, "ends")
		x := rapid.Float64Range(0.01, 0.99).Draw(t, "share")
		r := rapid.Float64Range(0, 2000).Draw(t, "contact")
		at, ok := electric.TouchAt(x*ends+r, (1-x)*ends+r, ends, 1e-6)
		require.True(t, ok)
		require.InDelta(t, x, at.Share, 1e-6)
		require.InDelta(t, r, at.Contact, 1e-6)
		mirrored, ok := electric.TouchAt((1-x)*ends+r, x*ends+r, ends, 1e-6)
		require.True(t, ok)
		require.InDelta(t, at.FromOther().Share, mirrored.Share, 1e-6)
		near, _ := electric.Touch{Share: x / 2, Contact: r}.Leak(120, ends)
		far, watts := electric.Touch{Share: x, Contact: r}.Leak(120, ends)
		require.GreaterOrEqual(t, near, far)
		most, ok := electric.Power(120, x*ends)
		require.True(t, ok)
		require.LessOrEqual(t, watts, most*(1+1e-9))
	})
}
