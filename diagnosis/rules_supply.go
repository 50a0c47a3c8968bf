package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/electric"
	"drumline/diagnosis/measure"
)

// supplyLeg is the limit of a leg when a check lists none. Common practice, no
// source.
var supplyLeg = catalogue.Limit{ID: "leg", Input: "line_1_to_neutral", Low: ptr(108), High: ptr(132), Unit: "V", Mark: catalogue.CommonPractice}

// lineTolerance is what the supply may be off the rating of the machine,
// relative. Common practice, no source.
const lineTolerance = 0.1

// judgeSupply holds the volts under load against their limit: line to line,
// what the load takes of them, and each leg that was read. With both legs it
// knows an open one that is fed back through the heater.
func judgeSupply(j *job) (result, error) {
	l := j.limitHere()
	line, ok := j.number(l.Input)
	if !ok {
		return result{}, required(j, l.Input)
	}
	b := j.lineBounds(l)
	one, okOne := j.number("line_1_to_neutral")
	two, okTwo := j.number("line_2_to_neutral")
	means := electric.Unclear
	if okOne && okTwo {
		means = electric.Legs{One: one.si, Two: two.si, Line: line.si}.Read()
	}
	if means == electric.BackFed && b.limit != nil {
		r := from(line)
		r.limit, r.note = b.limit, legsText(one, two)
		return r.with("back_fed").sure(compare(line.si, line.u, b.limit).Probability), nil
	}
	r := j.held(line, l, b)
	if r.finding == "conforms" {
		r = j.eachLeg(r)
	}
	return together(r, means, one, two), nil
}

// lineBounds is the limit line to line. A machine rated for another line, such
// as 208 V, is held to its own rating.
func (j *job) lineBounds(l *catalogue.Limit) bounds {
	b := j.bounds(l)
	if j.unit.Volts == nil || b.limit == nil || b.limit.Mark == catalogue.Sheet {
		return b
	}
	v := *j.unit.Volts
	if !(v > 150) || !finite(v) || math.Abs(v-usualLine) <= 10 {
		return b
	}
	low, high := v*(1-lineTolerance), v*(1+lineTolerance)
	b.limit = &Limit{Low: &low, High: &high, Unit: l.Unit, Mark: catalogue.Computed, Confirmed: true, rule: j.unit.Rule,
		Origin: "nameplate " + measure.Format(v, "V", measure.Voltage, 0) + ", tolerance ±10 % " + originPractice}
	return b
}

// eachLeg holds the legs that were read against their limit; the first one
// that is not within it speaks.
func (j *job) eachLeg(r result) result {
	b := j.boundsNamed("leg", supplyLeg)
	for _, leg := range []struct{ input, name string }{{"line_1_to_neutral", "line 1"}, {"line_2_to_neutral", "line 2"}} {
		n, ok := j.number(leg.input)
		if !ok || b.limit == nil {
			continue
		}
		c := compare(n.si, n.u, b.limit)
		if c.Outcome == measure.Conforms {
			continue
		}
		out := from(n)
		out.limit = b.limit
		out.note = "That is " + leg.name + " to neutral."
		if c.Outcome == measure.Inconclusive {
			out.why = j.tooClose(n)
		}
		return out.with(side(c.Outcome, n.si, b.limit)).sure(c.Probability)
	}
	return r
}

func legsText(one, two number) string {
	volts := func(n number) string { return measure.Format(n.si, "V", measure.Voltage, n.u) }
	return "Line 1 has " + volts(one) + " to neutral, line 2 has " + volts(two) + "."
}

// wyeShare is the heat a 240 V element makes on 208 V: (208/240)², own
// arithmetic.
const wyeShare = 1 / wrongVoltage

// together says what the three voltages mean together, and what to do of it.
func together(r result, s electric.Supply, one, two number) result {
	if s == electric.Unclear {
		return r
	}
	r.note = joined(r.note, legsText(one, two))
	switch s {
	case electric.Wye:
		r.note = joined(r.note, "With both legs sound these are two legs of a three-phase supply, and nothing is loose. An element for 240 V makes "+percent(wyeShare)+" of its heat on 208 V.")
		if r.finding == "low" {
			r = r.advise("Read the rating on the element. If the parts list names one for 208 V, fit that; else tell the customer that it dries more slowly here.")
		}
	case electric.LegDead:
		r.note = joined(r.note, "One leg is lost.")
		r = r.advise("Isolate, then look at the breaker, receptacle, cord and lug of the lost leg.")
	case electric.LooseNeutral:
		r.note = joined(r.note, "They add up to the line but are far from equal: the neutral is loose or open.")
		r = r.advise("Isolate, and run nothing on it before an electrician has put the neutral right.")
	}
	return r
}
