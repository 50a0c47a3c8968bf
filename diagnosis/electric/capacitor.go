package electric

import "math"

// RunTolerance is the usual tolerance of a motor run capacitor, as a share of
// its rating: ±6 % (printed on the part; published).
const RunTolerance = 0.06

// Capacitor is a rating: the least and the greatest capacitance in farad.
type Capacitor struct{ Low, High float64 }

// Run is a run capacitor of a nominal capacitance in farad and a tolerance as
// a share of it, 0.06 where the part states none.
func Run(nominal, tolerance float64) Capacitor {
	return Of(nominal, 1-tolerance, 1+tolerance)
}

// Of is a nominal capacitance in farad with the least and the greatest share
// of it that is allowed.
func Of(nominal, least, greatest float64) Capacitor {
	return Capacitor{nominal * least, nominal * greatest}
}

// HalfWidth is half of the band, farad.
func (c Capacitor) HalfWidth() float64 { return (c.High - c.Low) / 2 }

// Ratio is the greatest capacitance over the least: a start capacitor is
// marked by the two, e.g. 43-53 µF. +Inf without a least one.
func (c Capacitor) Ratio() float64 {
	if !(c.Low > 0) || !finite(c.High) {
		return math.Inf(1)
	}
	return c.High / c.Low
}

// Capacitance is that of a capacitor in farad from the current in ampere it
// takes at volts and hertz: I/(2π·f·V). At 60 Hz that is the trade's
// 2652·I/V in microfarad. False without volts or hertz.
func Capacitance(amps, volts, hertz float64) (float64, bool) {
	c := amps / (2 * math.Pi * hertz * volts)
	return known(c, amps >= 0 && volts > 0 && hertz > 0)
}
