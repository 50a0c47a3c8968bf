package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/electric"
	"drumline/diagnosis/measure"
)

func ptr(x float64) *float64 { return &x }

// Limits used when a check does not list its own. Common practice, no source:
// above 1 MΩ a coil is sound, below 10 kΩ it is grounded; a contact at rest is
// open above 100 kΩ and welded below 50 Ω (where a beeper stops).
var (
	insulationGood     = catalogue.Limit{ID: "good", Input: "resistance", Low: ptr(1), Unit: "MOhm", Mark: catalogue.CommonPractice}
	insulationGrounded = catalogue.Limit{ID: "grounded", Input: "resistance", High: ptr(10), Unit: "kOhm", Mark: catalogue.CommonPractice}
	contactOpen        = catalogue.Limit{ID: "open", Input: "resistance", Low: ptr(100), Unit: "kOhm", Mark: catalogue.CommonPractice}
	contactClosed      = catalogue.Limit{ID: "closed", Input: "resistance", High: ptr(50), Unit: "Ohm", Mark: catalogue.CommonPractice}
)

// judgeInsulation: a live part to the case. With the wires on, the path
// through motor and neutral condemns a good coil: no verdict then.
func judgeInsulation(j *job) (result, error) {
	n, ok := j.number("resistance")
	if !ok {
		return result{}, required(j, "resistance")
	}
	good, grounded := j.boundsNamed("good", insulationGood), j.boundsNamed("grounded", insulationGrounded)
	r := from(n)
	r.limit = good.limit
	if j.wiresOn() {
		return r.with("wires_on").advise(wiresOff), nil
	}
	r = split(j, n, r, good, grounded, "conforms", "grounded", "between")
	if r.finding == "grounded" {
		r.note = j.touchNote(n)
	}
	return r, nil
}

// touchNote says where a grounded coil touches the case and what that does,
// when the other terminal to case and the coil end to end were read as well.
func (j *job) touchNote(here number) string {
	other, okOther := j.number("other_terminal")
	ends, okEnds := j.number("end_to_end")
	if !okOther || !okEnds || other.over || ends.over {
		return ""
	}
	slack := 2 * measure.Combine(here.u, other.u, ends.u)
	t, ok := electric.TouchAt(here.si, other.si, ends.si, slack)
	if !ok {
		return "The three resistances do not fit together: short the leads, and measure all three again."
	}
	leg := j.leg()
	return "It touches at " + percent(t.Share) + " of the coil from this terminal. With the thermostat open it makes " +
		leaking(t, leg, ends.si) + " if this end stays live, and " + leaking(t.FromOther(), leg, ends.si) + " if the other end does."
}

// leaking says what a grounded coil makes from one end, and whether a 30 A
// breaker would stop it.
func leaking(t electric.Touch, leg, ends float64) string {
	amps, watts := t.Leak(leg, ends)
	if amps > 10*electric.BreakerAmps {
		return "a short circuit (" + string(electric.Trips) + ")"
	}
	return kilowatts(watts) + " at " + significant(amps) + " A (" + string(electric.Breaker(amps)) + ")"
}

// leg is the voltage of a leg to neutral by the nameplate, volt.
func (j *job) leg() float64 {
	if j.unit.Volts == nil {
		return electric.UsualLeg
	}
	return electric.Leg(*j.unit.Volts)
}

// judgeRelay: the heat contact at rest must be open.
func judgeRelay(j *job) (result, error) {
	n, ok := j.number("resistance")
	if !ok {
		return result{}, required(j, "resistance")
	}
	open, closed := j.boundsNamed("open", contactOpen), j.boundsNamed("closed", contactClosed)
	r := from(n)
	r.limit = open.limit
	if j.wiresOn() {
		return r.with("wires_on").advise(wiresOff), nil
	}
	r = split(j, n, r, open, closed, "open_at_rest", "closed_at_rest", j.firstOf("between", "wires_on"))
	if r.finding == "wires_on" {
		r = r.advise("The contact reads neither open nor closed: look for a path beside it, take both wires off and measure again.")
	}
	return r, nil
}

// split holds a resistance against a limit that says good and another that
// says bad, with a stretch between in which nothing is settled.
func split(j *job, n number, r result, good, bad bounds, yes, no, neither string) result {
	if n.over {
		return r.with(yes).sure(1)
	}
	if good.limit == nil || bad.limit == nil {
		return j.unknownLimit(r, good.missing+bad.missing, neither)
	}
	g, b := compare(n.si, n.u, good.limit), compare(n.si, n.u, bad.limit)
	switch {
	case g.Outcome == measure.Conforms:
		return r.with(yes).sure(g.Probability)
	case b.Outcome == measure.Conforms:
		r.limit = bad.limit
		return r.with(no).sure(1 - b.Probability)
	}
	return r.with(neither).sure(undecided)
}

// stampSlack is what rounding a stamp between °C and °F leaves: 1 °F.
const stampSlack = 5.0 / 9

// judgeStamp compares the rating printed on a part with the data sheet. A
// stamp is read, not measured: there is no uncertainty but the rounding.
func judgeStamp(j *job) (result, error) {
	l := j.limitHere()
	if l == nil {
		return result{finding: "no_limit", probability: undecided}, nil
	}
	n, ok := j.number(l.Input)
	if !ok {
		return result{}, required(j, l.Input)
	}
	n.u = 0
	r := from(n)
	b := j.bounds(l)
	r.limit = b.limit
	if b.limit == nil {
		return j.unknownLimit(r, b.missing, "no_limit"), nil
	}
	low, high := math.Inf(-1), math.Inf(1)
	if b.limit.Low != nil {
		low = *b.limit.Low
	}
	if b.limit.High != nil {
		high = *b.limit.High
	}
	slack := 0.0
	if n.quantity == measure.Temperature {
		slack = stampSlack
	}
	if n.si >= low-slack && n.si <= high+slack {
		return r.with("matches").sure(1), nil
	}
	return r.with("differs").sure(0), nil
}
