package sensors

import (
	"fmt"
	"math"
)

// Callendar-Van Dusen coefficients of IEC 60751:2008 (ITS-90).
const (
	rtdA = 3.9083e-3
	rtdB = -5.775e-7
	rtdC = -4.183e-12

	rtdLow  = 73.15   // −200 °C
	rtdHigh = 1123.15 // 850 °C
	ice     = 273.15
	hair    = 1e-9

	leastR0 = 1e-3 // ohm; sensors are made from 10 to 2000 Ω
	mostR0  = 1e9
)

// RTDOhm is the resistance of a platinum sensor with r0 ohm at 0 °C
// (IEC 60751). It is an error outside −200 to 850 °C. Tables after IPTS-68,
// with 138.50 Ω instead of 138.51 Ω at 100 °C, still circulate.
func RTDOhm(r0, kelvin float64) (float64, error) {
	if !(r0 >= leastR0 && r0 <= mostR0) {
		return 0, fmt.Errorf("platinum sensor: r0 of %g Ω must lie above zero and be one a sensor can have", r0)
	}
	// A hair of room for temperatures converted from the very ends.
	if !(kelvin >= rtdLow-hair && kelvin <= rtdHigh+hair) {
		return 0, fmt.Errorf("platinum sensor: %g K is outside 73.15 to 1123.15 K", kelvin)
	}
	return r0 * rtdRatio(kelvin-ice), nil
}

// rtdRatio is R/R0 at t °C.
func rtdRatio(t float64) float64 {
	ratio := 1 + rtdA*t + rtdB*t*t
	if t < 0 {
		ratio += rtdC * (t - 100) * t * t * t
	}
	return ratio
}

// RTDKelvin is the temperature of a platinum sensor with r0 ohm at 0 °C, the
// inverse of RTDOhm. It is an error outside −200 to 850 °C.
func RTDKelvin(r0, ohm float64) (float64, error) {
	if !(r0 >= leastR0 && r0 <= mostR0) {
		return 0, fmt.Errorf("platinum sensor: r0 of %g Ω must lie above zero and be one a sensor can have", r0)
	}
	ratio := ohm / r0
	if !(ratio >= rtdRatio(rtdLow-ice)-hair && ratio <= rtdRatio(rtdHigh-ice)+hair) {
		return 0, fmt.Errorf("platinum sensor: %g Ω is outside −200 to 850 °C", ohm)
	}
	t := (-rtdA + math.Sqrt(rtdA*rtdA-4*rtdB*(1-ratio))) / (2 * rtdB)
	for range 8 {
		if ratio >= 1 {
			break
		}
		t -= (rtdRatio(t) - ratio) / rtdSlope(t)
	}
	return t + ice, nil
}

// rtdSlope is the change of R/R0 per kelvin at t °C.
func rtdSlope(t float64) float64 {
	slope := rtdA + 2*rtdB*t
	if t < 0 {
		slope += rtdC * (4*t - 300) * t * t
	}
	return slope
}

// RTDClass is a tolerance class of IEC 60751.
type RTDClass string

// The tolerance classes.
const (
	ClassA RTDClass = "A"
	ClassB RTDClass = "B"
)

// RTDTolerance is the tolerance of a class at a temperature, kelvin: 0.15 +
// 0.002|t| for class A, 0.30 + 0.005|t| for any other (class B).
func RTDTolerance(class RTDClass, kelvin float64) float64 {
	t := math.Abs(kelvin - ice)
	if class == ClassA {
		return 0.15 + 0.002*t
	}
	return 0.30 + 0.005*t
}

// RTDToleranceOhm is RTDTolerance as ohm, for a sensor with r0 ohm at 0 °C.
func RTDToleranceOhm(class RTDClass, r0, kelvin float64) float64 {
	return RTDTolerance(class, kelvin) * r0 * rtdSlope(kelvin-ice)
}
