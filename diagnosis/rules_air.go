package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// Limits used when a check does not list its own. Common practice, no source:
// with the heat off the air warms by the motor alone, at most 10 °F; the motor
// takes 4 to 6 A from one leg, so a leg that carries more than 7 A, or 7 A more
// than the other, feeds something else.
var (
	airRise       = catalogue.Limit{ID: "rise", Input: "end_temperature", Quantity: "temperature_difference", High: ptr(10), Unit: "[degF]", Mark: catalogue.CommonPractice}
	legDifference = catalogue.Limit{ID: "leg_difference", Input: "leg_1_current", High: ptr(7), Unit: "A", Mark: catalogue.CommonPractice}
	motorCurrent  = catalogue.Limit{ID: "motor_current", Input: "leg_1_current", Quantity: "current", High: ptr(7), Unit: "A", Mark: catalogue.CommonPractice}
	flowRatio     = catalogue.Limit{ID: "ratio", Input: "flow_on", Quantity: "ratio", Low: ptr(0.7), Unit: "1", Mark: catalogue.CommonPractice}
	lowStep       = catalogue.Limit{ID: "step", Input: "off_temperature_low", Quantity: "temperature_difference", Low: ptr(15), Unit: "[degF]", Mark: catalogue.CommonPractice}
)

// shortAirOnly is the run, in seconds, below which the absence of a rise says
// nothing. Common practice, no source.
const shortAirOnly = 180

// judgeAirOnly: a run with the heat off. Heat, or a leg that carries more than
// the motor, is a grounded coil or a welded contact. Two clean legs settle that
// nothing heats when the temperatures leave it open: no current, no heat,
// however coarse the thermometer and however short the run.
func judgeAirOnly(j *job) (result, error) {
	legs, hasLegs := j.judgeLegs()
	if hasLegs && (legs.finding == "unequal_legs" || legs.finding == "heats") {
		return legs, nil
	}
	if j.choice("already_warm") == "yes" {
		if hasLegs {
			return legs, nil
		}
		b := j.boundsNamed("rise", airRise)
		return result{finding: "between", text: "the machine was warm at the start and no leg was clamped", probability: undecided,
			limit: b.limit, quantity: measure.TemperatureDifference, do: "Clamp each leg, or let it cool and repeat."}, nil
	}
	rise, err := j.judgeRise()
	if err != nil {
		return result{}, err
	}
	if hasLegs && (rise.finding == "between" || rise.finding == "no_heat" && legs.finding == "between") {
		return legs, nil
	}
	return rise, nil
}

// judgeRise uses the temperatures. Both are read with one thermometer minutes
// apart: most of its error is common to both and cancels, so one standard
// uncertainty is kept for the difference.
func (j *job) judgeRise() (result, error) {
	start, ok := j.number("start_temperature")
	if !ok {
		return result{}, required(j, "start_temperature")
	}
	end, ok := j.number("end_temperature")
	if !ok {
		return result{}, required(j, "end_temperature")
	}
	b := j.boundsNamed("rise", airRise)
	r := from(number{si: end.si - start.si, u: math.Max(start.u, end.u), unit: end.unit, quantity: measure.TemperatureDifference})
	r.text, r.limit = "the air warms by "+valueText(r), b.limit
	if b.limit == nil {
		return j.unknownLimit(r, b.missing, "between"), nil
	}
	c := compare(*r.measured, r.uncertainty, b.limit)
	r = r.sure(c.Probability)
	if c.Outcome == measure.DoesNotConform {
		return r.with("heats"), nil
	}
	if t, ok := j.number("minutes"); ok && t.si < shortAirOnly {
		return r.with("between").sure(undecided).advise("Too short to tell: run it five minutes from cold."), nil
	}
	if c.Outcome == measure.Conforms {
		return r.with("no_heat"), nil
	}
	r.why = j.tooClose(end)
	return r.with("between"), nil
}

// judgeLegs uses the currents of both legs, false when one is not given.
func (j *job) judgeLegs() (result, bool) {
	a, okA := j.number("leg_1_current")
	b, okB := j.number("leg_2_current")
	if !okA || !okB {
		return result{}, false
	}
	diff := number{si: math.Abs(math.Abs(a.si) - math.Abs(b.si)), u: measure.Combine(a.u, b.u), unit: a.unit, quantity: measure.Current}
	most := a
	if math.Abs(b.si) > math.Abs(a.si) {
		most = b
	}
	most.si = math.Abs(most.si)
	unequal, motor := j.boundsNamed("leg_difference", legDifference), j.boundsNamed("motor_current", motorCurrent)
	if unequal.limit == nil || motor.limit == nil {
		return result{}, false
	}
	d, m := compare(diff.si, diff.u, unequal.limit), compare(most.si, most.u, motor.limit)
	if d.Outcome == measure.DoesNotConform {
		r := from(diff).with("unequal_legs").sure(d.Probability)
		r.limit = unequal.limit
		return r, true
	}
	r := from(most)
	r.text, r.limit = "the stronger leg carries "+valueText(r), motor.limit
	switch {
	case m.Outcome == measure.DoesNotConform:
		return r.with("heats").sure(m.Probability), true
	case diff.si <= *unequal.limit.High && m.Outcome == measure.Conforms:
		// The motor's current settles that no heater runs; the difference
		// cannot then be larger than that current.
		return r.with("no_heat").sure(m.Probability), true
	}
	return r.with("between").sure(undecided).advise("Clamp each leg again, the jaw closed and one conductor in it."), true
}

// judgeDuctRatio compares the air with the duct on and off; see ratioLimit.
// Without figures, whether the heat cycles normally with the duct off decides.
func judgeDuctRatio(j *job) (result, error) {
	on, off, ok := j.pair()
	cycling := j.choice("cycling")
	if !ok && cycling == "" {
		return result{}, refuse("values", "required", "Give the air with the duct on and off, or how the heat cycled with it off.")
	}
	b, note := j.ratioLimit()
	if !ok {
		return byCycling(result{quantity: measure.Ratio, unit: "%", limit: b.limit}, cycling), nil
	}
	if text, do := oddPair(on, off); text != "" {
		return result{finding: "between", text: text, probability: undecided, limit: b.limit, quantity: measure.Ratio, unit: "%", do: do}, nil
	}
	x := on.si / off.si
	r := from(number{si: x, u: ratioU(on, off), unit: "%", quantity: measure.Ratio})
	r.limit, r.note = b.limit, note
	if b.limit == nil {
		return j.unknownLimit(r, b.missing, "between"), nil
	}
	c := compare(x, r.uncertainty, b.limit)
	r = r.sure(c.Probability)
	switch {
	case c.Outcome == measure.Inconclusive && cycling != "":
		return byCycling(r, cycling), nil
	case c.Outcome == measure.Inconclusive:
		return r.with("between").advise("Repeat with the vane at the same spot, or watch whether the heat cycles normally with the duct off."), nil
	case c.Outcome == measure.Conforms && cycling == "normal_now":
		return r.with("between").sure(undecided).advise("The air hardly changed, yet the cycling became normal: repeat both."), nil
	case c.Outcome == measure.Conforms:
		return r.with("duct_clear"), nil
	case cycling == "same":
		r.note = joined(r.note, "The heat cycled as before all the same: look inside too.")
	}
	return r.with("duct_restricted"), nil
}

// swapped is how many times the air with the duct on may exceed that with it
// off before one of the two is taken for a slip. Judgement.
const swapped = 3

// oddPair says what is wrong with a pair of figures that cannot be compared,
// and what to do; empty when they can.
func oddPair(on, off number) (text, do string) {
	switch {
	case off.si <= 3*off.u:
		return "hardly any air with the duct off", "Look at the blower, then repeat."
	case on.si > swapped*off.si:
		return "far more with it on than off", "See whether the two figures were swapped, else measure both again at the same spot."
	}
	return "", ""
}

// byCycling decides by how the heat cycled with the duct off, with the figures
// when there are any.
func byCycling(r result, cycling string) result {
	how, finding, p := "The heat cycles the same either way.", "duct_clear", 1.0
	if cycling == "normal_now" {
		how, finding, p = "The heat cycles normally with it off.", "duct_restricted", 0.0
	}
	switch {
	case r.measured != nil:
		r.note = joined(how, r.note)
	case finding == "duct_clear":
		r.said = "The duct is clear: " + lower(how)
	default:
		r.said = "The duct holds the air up: " + lower(how)
	}
	return r.with(finding).sure(p)
}

// pair is the air with the duct on and off, as velocity or else as flow.
func (j *job) pair() (on, off number, ok bool) {
	for _, what := range []string{"velocity", "flow"} {
		a, okA := j.number(what + "_on")
		b, okB := j.number(what + "_off")
		if okA && okB {
			return a, b, true
		}
	}
	return number{}, number{}, false
}

// ratioU is the standard uncertainty of on/off. The scale error of the one
// instrument cancels only in part, so nothing is taken off.
func ratioU(on, off number) float64 {
	x := on.si / off.si
	return measure.Combine(on.u/off.si, x*off.u/off.si)
}

// judgeLowSetting: the LOW setting must switch off clearly below HIGH.
func judgeLowSetting(j *job) (result, error) {
	high, ok := mean(j.numbers("off_temperature_high"))
	if !ok {
		return result{}, required(j, "off_temperature_high")
	}
	low, ok := mean(j.numbers("off_temperature_low"))
	if !ok {
		return result{}, required(j, "off_temperature_low")
	}
	b := j.boundsNamed("step", lowStep)
	r := from(number{si: high.si - low.si, u: math.Max(high.u, low.u), unit: low.unit, quantity: measure.TemperatureDifference})
	r.limit = b.limit
	if b.limit == nil {
		return j.unknownLimit(r, b.missing, "between"), nil
	}
	c := compare(*r.measured, r.uncertainty, b.limit)
	r = r.sure(c.Probability)
	switch c.Outcome {
	case measure.Conforms:
		return r.with("lower"), nil
	case measure.DoesNotConform:
		return r.with("same"), nil
	}
	return r.with("between").advise("Let both settings cycle twice more and take the later figures."), nil
}
