package diagnosis

import (
	"cmp"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/electric"
	"drumline/diagnosis/measure"
)

// Tolerances of an element, relative. Common practice, no source.
const (
	coilTolerance = 0.1  // of its resistance about what the rating gives
	voltageSlack  = 0.05 // within which it passes for a part for another supply
	halfSlack     = 0.1  // within which it is one of two equal coils
)

// alloyTold says, short, where the step from glowing to cold comes from; see
// electric.AlloySource.
const alloyTold = "NiCr 80/20 by a published alloy table"

// judgeCoil holds the coil end to end, cold, against the data sheet; without
// one the whole heater against its rating; without either against the
// catalogue's own figures. Then it says what such a coil is and what it makes.
func judgeCoil(j *job) (result, error) {
	l := j.limitHere()
	n, ok := j.number(l.Input)
	if !ok {
		return result{}, required(j, l.Input)
	}
	b, expected := j.coilBounds(l)
	r := j.held(n, l, b)
	switch r.finding {
	case "low":
		r.note = joined(j.lowCoil(n, expected), r.note)
	case "high":
		r = j.highCoil(r, n, expected)
	case "open", "no_limit":
		r.note = joined(j.oneOfTwo(r.finding), r.note)
	}
	return r, nil
}

// expectation is what a coil should have cold, ohm, with its standard
// uncertainty. Zero: not known.
type expectation struct{ ohm, u float64 }

// coilBounds is the limit of the coil at the reading's position, and what it
// should have. The rating speaks for the whole heater only: of two coils it is
// not known that they are equal.
func (j *job) coilBounds(l *catalogue.Limit) (bounds, expectation) {
	b := j.bounds(l)
	if b.limit != nil && b.limit.Mark == catalogue.Sheet {
		return b, middle(b.limit)
	}
	e, ok := j.element()
	if !ok || l.Indispensable {
		return b, expectation{}
	}
	low, high := e.Low*(1-coilTolerance), e.High*(1+coilTolerance)
	b.limit = &Limit{Low: &low, High: &high, Unit: "Ohm", Mark: catalogue.Computed, Confirmed: true, rule: j.unit.Rule,
		Origin: j.nameplate() + ": " + ohms(e.Hot) + " glowing, about " + ohms(e.Cold) + " cold (" + alloyTold + "); tolerance ±10 %, " + originPractice}
	return b, expectation{e.Cold, measure.Rectangular((high - low) / 2)}
}

// middle is what a band makes one expect.
func middle(l *Limit) expectation {
	if l.Low == nil || l.High == nil {
		return expectation{}
	}
	return expectation{*l.Low/2 + *l.High/2, measure.Rectangular(*l.High/2 - *l.Low/2)}
}

// element is that of the nameplate.
func (j *job) element() (electric.Element, bool) {
	if j.unit.Watts == nil || j.unit.Volts == nil {
		return electric.Element{}, false
	}
	return electric.Rated(*j.unit.Watts, *j.unit.Volts)
}

// nameplate says the rating; the unit must have one.
func (j *job) nameplate() string {
	return "nameplate " + measure.Format(*j.unit.Watts, "W", measure.Power, 0) + " at " + measure.Format(*j.unit.Volts, "V", measure.Voltage, 0)
}

func ohms(x float64) string { return measure.Format(x, "Ohm", measure.Resistance, 0) }

const enterRating = "Enter watts and volts from the nameplate: what it makes can then be told."

// lowCoil says what a coil of too few ohms is: a part for a lower voltage, or
// one with turns out of circuit, and the heat it makes.
func (j *job) lowCoil(n number, expected expectation) string {
	if _, ok := j.element(); !ok {
		return enterRating
	}
	return joined(cmp.Or(j.otherVoltage(n, electric.ThreePhase), j.makes(n, expected)), outOfCircuit(n, expected))
}

// highCoil says what a coil of too many ohms is: one of two coils alone, or a
// part for a higher voltage, and the heat it makes.
func (j *job) highCoil(r result, n number, expected expectation) result {
	note := enterRating
	if _, ok := j.element(); ok {
		note = cmp.Or(j.otherVoltage(n, usualLine), j.makes(n, expected))
	}
	if j.oneCoilAlone(expected.ohm / n.si) {
		note = joined(note, twiceTheOhms)
		r = r.advise(sayTwoCoils)
	}
	r.note = joined(note, r.note)
	return r
}

const (
	twiceTheOhms = "It has twice the ohms it should: if the element has two coils side by side, one is open."
	sayTwoCoils  = "If it has two coils, say so in the unit's features and measure each. If it has one, replace the part."
)

// oneCoilAlone says whether a unit entered with a single coil passes only half
// of what it should: share is that of the current.
func (j *job) oneCoilAlone(share float64) bool {
	return !j.unit.Has["dual_coil"] && electric.CoilsOf(share, halfSlack) == electric.Half
}

// usualLine is the line voltage of a dwelling, V.
const usualLine = 240.0

// makes says the heat of a coil at the rated volts: as much more than rated as
// it has fewer ohms. Of two coils the rating is not that of one.
func (j *job) makes(n number, expected expectation) string {
	if !(expected.ohm > 0) || !(n.si > 0) || j.unit.Has["dual_coil"] {
		return ""
	}
	watts := *j.unit.Watts * expected.ohm / n.si
	if rated := *j.unit.Watts; watts > 10*rated {
		return "That is a short circuit: the breaker trips."
	}
	return "At " + measure.Format(*j.unit.Volts, "V", measure.Voltage, 0) + " it makes " + kilowatts(watts) + " instead of " + kilowatts(*j.unit.Watts) + "."
}

// otherVoltage says that the coil reads like a part made for other volts.
func (j *job) otherVoltage(n number, made float64) string {
	if j.unit.Has["dual_coil"] {
		return ""
	}
	watts, ok := electric.OtherVoltage(n.si, *j.unit.Watts, *j.unit.Volts, made, voltageSlack)
	if !ok {
		return ""
	}
	volts := func(v float64) string { return measure.Format(v, "V", measure.Voltage, 0) }
	return "It reads like an element made for " + volts(made) + ", which makes " + kilowatts(watts) + " at " + volts(*j.unit.Volts) + ": read the rating on the part."
}

// outOfCircuit gives the share of the coil that is missing, if it is the right
// part, and its doubt (twice the standard uncertainty).
func outOfCircuit(n number, expected expectation) string {
	missing, u, ok := electric.Missing(n.si, n.u, expected.ohm, expected.u)
	if !ok || missing == 0 {
		return ""
	}
	return "If it is the right part, turns touch and " + percent(missing) + " of it (±" + percent(2*u) + ") is out of circuit."
}

// oneOfTwo says what one open coil of two leaves, or what each should have.
func (j *job) oneOfTwo(finding string) string {
	e, ok := j.element()
	if !ok || !j.unit.Has["dual_coil"] {
		return ""
	}
	if finding == "no_limit" {
		return "If its two coils are equal, each has about " + ohms(2*e.Cold) + " cold, and both in a row about " + ohms(4*e.Cold) + " (" + j.nameplate() + "; " + alloyTold + ")."
	}
	amps, ok := electric.Current(*j.unit.Watts, *j.unit.Volts)
	if !ok {
		return ""
	}
	return "If its two coils are equal, the other alone makes " + kilowatts(*j.unit.Watts/2) + " at " + significant(amps/2) + " A, half of what it should."
}
