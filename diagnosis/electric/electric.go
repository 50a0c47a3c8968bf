// Package electric is the physics of heaters and their supply: what an element
// should read and draw, what is missing of it, where a grounded coil touches
// and what that does, which volts a supply may show, and what an open leg
// shows through the heater. It also holds capacitors, wire and the electrical
// limits of safety standards.
//
// Units are SI: ohm, volt, ampere, watt, farad, kelvin, metre. Shares are 0 to
// 1. No function panics or answers NaN to finite arguments; where an argument
// makes no sense, the second result is false. Only the standard library is
// imported.
package electric

import "math"

const (
	ice  = 273.15
	room = 20 + ice // K, the temperature wire tables are for
)

// HotResistance is the resistance in ohm at which an element makes watts at
// volts, glowing: R = V²/P. False when it has none.
func HotResistance(watts, volts float64) (float64, bool) {
	r := volts * volts / watts
	return known(r, watts > 0 && volts > 0 && r > 0)
}

// Power is the heat in watts of a resistance at volts: V²/R. False without a
// resistance.
func Power(volts, ohm float64) (float64, bool) {
	p := volts * volts / ohm
	return known(p, ohm > 0)
}

// Current is what an element of watts draws at volts, in ampere: P/V. False
// without volts.
func Current(watts, volts float64) (float64, bool) {
	i := watts / volts
	return known(i, watts >= 0 && volts > 0)
}

// Parallel is the resistance in ohm of sections side by side, as the two of a
// dual coil fed together. An open section is +Inf; with none closed the answer
// is +Inf. Zero or negative sections give 0.
func Parallel(sections ...float64) float64 {
	sum := 0.0
	for _, r := range sections {
		if !(r > 0) {
			return 0
		}
		sum += 1 / r
	}
	return 1 / sum
}

// known answers x where ok and x is a number, else nothing.
func known(x float64, ok bool) (float64, bool) {
	if !ok || !finite(x) {
		return 0, false
	}
	return x, true
}

// finite says whether x is a number.
func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// usable says whether x can be a resistance: finite and above zero.
func usable(x float64) bool { return finite(x) && x > 0 }

// share keeps x within 0 and 1.
func share(x float64) float64 { return math.Min(math.Max(x, 0), 1) }
