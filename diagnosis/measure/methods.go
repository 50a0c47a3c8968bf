package measure

import "math"

// CommonPractice marks a figure of the trade that no publication stands behind.
const CommonPractice = "common practice, no source"

// Default is what is assumed of an instrument nothing is known about: cautious
// on purpose, so that an unknown meter leads to "cannot tell" sooner than to a
// wrong verdict. All of it is SI.
type Default struct {
	Accuracy
	Bias  float64 // to add to the reading to take off what the method is known to do
	BiasU float64 // standard uncertainty of Bias
	Mark  string
}

// Correct gives the reading of q with the bias taken off, and its standard
// uncertainty.
func (d Default) Correct(si float64, q Quantity) (value, u float64) {
	return si + d.Bias, Combine(d.StandardOf(si, q), d.BiasU)
}

// Bead is a bead thermometer in the air stream: ±(0.5 % + 2 K), probe and
// display together. Common practice, no source.
func Bead() Default {
	return Default{Accuracy: Accuracy{0.5, 20, 0.1}, Mark: CommonPractice}
}

// BeadOnSurface is a bead pressed or taped to a surface: it sits between the
// temperatures of the surface and the air, ±(0.5 % + 4 K). Common practice, no
// source.
func BeadOnSurface() Default {
	return Default{Accuracy: Accuracy{0.5, 40, 0.1}, Mark: CommonPractice}
}

// Infrared is an infrared thermometer. Pointed at bright metal it reads 20 to
// 60 °F (11 to 33 K) low: the middle is added and the whole range kept as a
// rectangular doubt. On paint, tape or lint the doubt is ±(2 % + 2 K). Common
// practice, no source.
func Infrared(brightMetal bool) Default {
	d := Default{Accuracy: Accuracy{2, 20, 0.1}, Mark: CommonPractice}
	if brightMetal {
		d.Bias, d.BiasU = 40*degreeF, Rectangular(20*degreeF)
	}
	return d
}

// Clamp is a clamp ammeter on its 40 A range: ±(2.5 % + 3 counts of 0.1 A).
// Common practice, no source.
func Clamp() Default {
	return Default{Accuracy: Accuracy{2.5, 3, 0.1}, Mark: CommonPractice}
}

// ResistanceMeter is a hand-held meter at a reading in ohm: ±(1.5 % + 3
// counts), a count being that of a 6000-count display on the range the reading
// needs. Leads that were not shorted and taken off add 0.1 to 0.5 Ω. Common
// practice, no source.
func ResistanceMeter(ohm float64, leadsTakenOff bool) Default {
	d := Default{Accuracy: Accuracy{1.5, 3, countOf(ohm)}, Mark: CommonPractice}
	if !leadsTakenOff {
		d.Bias, d.BiasU = -0.3, Rectangular(0.2)
	}
	return d
}

// countOf is one count of a 6000-count ohmmeter whose best range has 0.1 Ω.
func countOf(ohm float64) float64 {
	const best, counts = 0.1, 6000
	if !finite(ohm) || math.Abs(ohm) <= best*counts {
		return best
	}
	return math.Pow(10, math.Ceil(math.Log10(math.Abs(ohm)/counts)))
}

// Voltmeter is a hand-held meter on mains voltage: ±(1.5 % + 5 counts of
// 0.1 V). Common practice, no source.
func Voltmeter() Default {
	return Default{Accuracy: Accuracy{1.5, 5, 0.1}, Mark: CommonPractice}
}

// Manometer is a hand-held manometer on static pressure: ±(2 % + 2 counts of
// 0.01 in w.g., 2.5 Pa). Common practice, no source.
func Manometer() Default {
	return Default{Accuracy: Accuracy{2, 2, 2.490889}, Mark: CommonPractice}
}

// Vane is a vane anemometer at a hood or across a duct end: where it is held
// counts for more than the instrument, ±(10 % + 0.3 m/s). Common practice, no
// source.
func Vane() Default {
	return Default{Accuracy: Accuracy{10, 3, 0.1}, Mark: CommonPractice}
}

// Pitot is a pitot tube in a small duct, the pressure being the velocity
// pressure: ±(10 % + 2 counts of 0.01 in w.g.). Common practice, no source.
func Pitot() Default {
	return Default{Accuracy: Accuracy{10, 2, 2.490889}, Mark: CommonPractice}
}

// CapacitanceMeter is a hand-held meter on a run capacitor: ±(3 % + 5 counts
// of 0.1 µF). Common practice, no source.
func CapacitanceMeter() Default {
	return Default{Accuracy: Accuracy{3, 5, 1e-7}, Mark: CommonPractice}
}

// DefaultFor is the default for a reading si of q taken by a method: bead,
// bead_on_surface, infrared (taken to be on bright metal), clamp, meter,
// manometer, vane or pitot. An empty method is the usual instrument for q.
// False when the method cannot read q.
func DefaultFor(method string, q Quantity, si float64, leadsTakenOff bool) (Default, bool) {
	switch {
	case q == Resistance && (method == "meter" || method == ""):
		return ResistanceMeter(si, leadsTakenOff), true
	case q == Temperature && method == "infrared":
		return Infrared(true), true
	}
	d, ok := defaults[methodFor{method, q}]
	if !ok {
		return Default{}, false
	}
	return d(), true
}

type methodFor struct {
	method string
	q      Quantity
}

var defaults = map[methodFor]func() Default{
	{"bead", Temperature}:            Bead,
	{"bead_on_surface", Temperature}: BeadOnSurface,
	{"", Temperature}:                BeadOnSurface,
	{"clamp", Current}:               Clamp,
	{"meter", Current}:               Clamp,
	{"", Current}:                    Clamp,
	{"meter", Voltage}:               Voltmeter,
	{"clamp", Voltage}:               Voltmeter,
	{"", Voltage}:                    Voltmeter,
	{"meter", Capacitance}:           CapacitanceMeter,
	{"", Capacitance}:                CapacitanceMeter,
	{"manometer", Pressure}:          Manometer,
	{"pitot", Pressure}:              Pitot,
	{"", Pressure}:                   Manometer,
	{"vane", Speed}:                  Vane,
	{"", Speed}:                      Vane,
}
