package electric

import "math"

// Glow is the temperature in kelvin taken for the wire of an open coil in
// moving air, 500 °C (common practice, no source). Over the range such coils
// work at, 400 to 800 °C, the factor of the commonest alloy moves by 0.02.
const Glow = 500 + ice

// Element is what a heater should read cold. All ohm.
type Element struct {
	Hot       float64 // glowing: V²/P of the rating
	Cold      float64 // at 20 °C, of the commonest alloy
	Low, High float64 // at 20 °C, over the alloys an open coil may be of
}

// openCoil are the alloys an open coil may be of. NiCr 35/20, which changes by
// a seventh, serves sheathed and cheap stoves and is left out (common
// practice, no source).
var openCoil = []Alloy{NiCr8020, NiCr7030, NiCr6015, FeCrAl}

// leastCt and mostCt are the extremes of the factor of openCoil between 400 and
// 800 °C.
var leastCt, mostCt = extremes()

func extremes() (least, most float64) {
	least = math.Inf(1)
	for _, a := range openCoil {
		for cel := 400.0; cel <= 800; cel += 100 {
			ct, _ := a.Ct(cel + ice)
			least, most = math.Min(least, ct), math.Max(most, ct)
		}
	}
	return least, most
}

// Rated is the element of a rating in watts and volts, its wire at Glow. The
// alloy is seldom known: Cold takes NiCr 80/20, Low and High the extremes of
// the four alloys between 400 and 800 °C. False without a rating.
func Rated(watts, volts float64) (Element, bool) {
	hot, ok := HotResistance(watts, volts)
	if !ok {
		return Element{}, false
	}
	ct, _ := NiCr8020.Ct(Glow)
	e := Element{Hot: hot, Cold: hot / ct, Low: hot / mostCt, High: hot / leastCt}
	if !usable(e.Low) || !usable(e.High) || !usable(e.Cold) {
		return Element{}, false
	}
	return e, true
}

// Coils is how the sections of a heater that are in circuit compare with what
// the whole heater should be.
type Coils int

// What a resistance, or a current, says of a heater of two equal coils fed
// side by side.
const (
	Whole Coils = iota // both coils
	Half               // one of two: twice the ohms, half the amps
	Other              // neither
)

// CoilsOf reads the share of the rated current, 0 and up, or of the rated
// conductance: 1 is the whole heater, 0.5 one of two equal coils; slack is what
// either may be off, relative to it (0.1 = a tenth).
func CoilsOf(ratio, slack float64) Coils {
	switch {
	case math.Abs(ratio-1) <= slack:
		return Whole
	case math.Abs(2*ratio-1) <= slack:
		return Half
	}
	return Other
}

// Missing is the share of a coil that is not in circuit, because turns touch
// or it was cut short: 1 − measured/expected, with its standard uncertainty.
// Both resistances in ohm at one temperature with their standard uncertainties.
// The share is kept within 0 and 1. False without an expected resistance.
func Missing(measured, uMeasured, expected, uExpected float64) (missing, u float64, ok bool) {
	if !(measured >= 0) || !(expected > 0) || !finite(measured) || !finite(expected) {
		return 0, 0, false
	}
	ratio := measured / expected
	u = math.Hypot(uMeasured/expected, ratio*uExpected/expected)
	if !finite(ratio) || !finite(u) {
		return 0, 0, false
	}
	return share(1 - ratio), u, true
}

// OtherVoltage says whether a cold resistance reads like an element of the
// same watts made for another supply: of made volts, read on a machine rated
// watts at volts. watts is the heat in watts it makes at those volts. False
// when the reading is nearer to the right element than to the other, or does
// not fit the other within slack (relative).
func OtherVoltage(cold, rated, volts, made, slack float64) (watts float64, ok bool) {
	right, okRight := Rated(rated, volts)
	other, okOther := Rated(rated, made)
	if !okRight || !okOther || !usable(cold) {
		return 0, false
	}
	off := func(e Element) float64 { return math.Abs(math.Log(cold / e.Cold)) }
	if cold < other.Low*(1-slack) || cold > other.High*(1+slack) || off(other) >= off(right) {
		return 0, false
	}
	watts = rated * volts * volts / (made * made)
	return known(watts, true)
}
