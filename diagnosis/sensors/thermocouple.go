package sensors

import (
	"fmt"
	"math"
)

// Type K reference function of NIST Monograph 175 (ITS-90), millivolt against
// °C, coefficients from memory and checked against its table.
var (
	typeKBelow = []float64{
		0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06,
		-0.499048287770e-08, -0.675090591730e-10, -0.574103274280e-12,
		-0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19,
		-0.163226974860e-22,
	}
	typeKAbove = []float64{
		-0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04,
		-0.994575928740e-07, 0.318409457190e-09, -0.560728448890e-12,
		0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22,
		-0.121047212750e-25,
	}
)

// TypeKVolt is the voltage of a type K thermocouple at a temperature, against
// a reference junction at 0 °C. It is an error outside −270 to 1372 °C.
func TypeKVolt(kelvin float64) (float64, error) {
	t := kelvin - ice
	if !(t >= -270 && t <= 1372) {
		return 0, fmt.Errorf("thermocouple: %g K is outside the range of type K", kelvin)
	}
	if t < 0 {
		return poly(typeKBelow, t) / 1000, nil
	}
	bump := 0.118597600000 * math.Exp(-0.118343200000e-03*(t-126.9686)*(t-126.9686))
	return (poly(typeKAbove, t) + bump) / 1000, nil
}

// TypeKTolerance is the tolerance of a type K thermocouple of class 1 or 2 at a
// temperature, kelvin (IEC 60584-2): the larger of 1.5 K and 0.4 % of t, or of
// 2.5 K and 0.75 % of t, t in °C. Any class but 1 is taken as 2.
func TypeKTolerance(class int, kelvin float64) float64 {
	t := math.Abs(kelvin - ice)
	if class == 1 {
		return math.Max(1.5, 0.004*t)
	}
	return math.Max(2.5, 0.0075*t)
}
