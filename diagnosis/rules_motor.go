package diagnosis

import (
	"math"
	"strconv"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/electric"
	"drumline/diagnosis/measure"
)

// Limits of the motor rules when a check does not list its own. Common
// practice, no source.
var (
	restVolts     = catalogue.Limit{ID: "rest", Input: "rest_voltage", High: ptr(30), Unit: "V", Mark: catalogue.CommonPractice}
	windingsEqual = catalogue.Limit{ID: "equal", Input: "winding_1", Quantity: "ratio", High: ptr(0.1), Unit: "1", Mark: catalogue.CommonPractice}
	windingBand   = catalogue.Limit{ID: "winding", Input: "winding_1", Low: ptr(5), High: ptr(15), Unit: "Ohm", Mark: catalogue.CommonPractice}
	caseGood      = catalogue.Limit{ID: "good", Input: "to_case", Low: ptr(1), Unit: "MOhm", Mark: catalogue.CommonPractice}
	caseGrounded  = catalogue.Limit{ID: "grounded", Input: "to_case", High: ptr(10), Unit: "kOhm", Mark: catalogue.CommonPractice}
)

const dischargeFirst = "Wait, discharge through a resistor, and measure the volts again before anything else."

// charged gives a result when the volts left on a capacitor or on the bus of a
// motor control are not surely below the safe limit: what was measured then is
// not judged, and the person has to be told.
func (j *job) charged() (result, bool) {
	n, ok := j.number("rest_voltage")
	if !ok {
		return result{}, false
	}
	b := j.boundsNamed("rest", restVolts)
	n.si = math.Abs(n.si)
	if b.limit == nil || compare(n.si, n.u, b.limit).Outcome == measure.Conforms {
		return result{}, false
	}
	r := from(n)
	r.limit = b.limit
	return r.with("charged").advise(dischargeFirst), true
}

// judgeCapacitor holds a motor capacitor against its rating: that of the data
// sheet, else what is printed on it, as a band of two figures or as one figure
// with the tolerance of its kind (the limit of the position, a share). Over
// range is a short circuit, next to nothing an open one.
func judgeCapacitor(j *job) (result, error) {
	for _, input := range []string{"capacitance", "rest_voltage", "printed"} {
		if _, ok := j.number(input); !ok {
			return result{}, required(j, input)
		}
	}
	if r, bad := j.charged(); bad {
		return r, nil
	}
	n, _ := j.number("capacitance")
	l := j.limitHere()
	b := j.rating(l)
	r := from(n)
	r.limit = b.limit
	switch {
	case n.over:
		return r.with("short").sure(0), nil
	case n.si < openCapacitor*b.least():
		return r.with("open").sure(0), nil
	}
	return j.held(n, l, b), nil
}

// openCapacitor is the share of its least capacitance below which a capacitor
// counts as open. Judgement, no source.
const openCapacitor = 0.1

// least is the lower end of a limit, 0 without one.
func (b bounds) least() float64 {
	if b.limit == nil || b.limit.Low == nil {
		return 0
	}
	return *b.limit.Low
}

// rating is the band a capacitor must lie in. A second printed figure that is
// not above the first is a slip of the pen and does not count.
func (j *job) rating(l *catalogue.Limit) bounds {
	shares := j.bounds(l).limit
	if sheet, ok := j.check.Limit(l.ID + "_sheet"); ok {
		if b := j.bounds(sheet); b.limit != nil {
			return widened(b, shares, l)
		}
	}
	printed, _ := j.number("printed")
	low, high := tolerated(printed.si, shares)
	origin := "printed " + measure.Format(printed.si, printed.unit, printed.quantity, 0) + "; tolerance " + ownOrigin(l)
	if top, ok := j.number("printed_high"); ok && top.si > printed.si {
		low, high, origin = &printed.si, &top.si, "printed on it"
	}
	return bounds{quantity: measure.Capacitance, limit: &Limit{Low: low, High: high, Unit: printed.unit,
		Mark: l.Mark, Origin: origin, Confirmed: true, rule: j.unit.Rule}}
}

// widened gives a sheet's single figure the tolerance of its kind.
func widened(b bounds, shares *Limit, l *catalogue.Limit) bounds {
	if b.limit.Low != nil && b.limit.High != nil && *b.limit.Low == *b.limit.High {
		b.limit.Low, b.limit.High = tolerated(*b.limit.Low, shares)
		b.limit.Origin += "; tolerance " + ownOrigin(l)
	}
	return b
}

// tolerated is the band about a nominal capacitance.
func tolerated(nominal float64, shares *Limit) (low, high *float64) {
	c := electric.Of(nominal, 1, 1)
	if shares != nil && shares.Low != nil && shares.High != nil {
		c = electric.Of(nominal, *shares.Low, *shares.High)
	}
	return &c.Low, &c.High
}

// judgeWindings holds the three windings of a three-phase motor against each
// other, against their band and to the case. The worst speaks: a winding to the
// case, an open one, unequal ones, then equal ones of the wrong resistance.
func judgeWindings(j *job) (result, error) {
	var ws [3]number
	for i := range ws {
		input := "winding_" + strconv.Itoa(i+1)
		n, ok := j.number(input)
		if !ok {
			return result{}, required(j, input)
		}
		ws[i] = n
	}
	if r, bad := j.charged(); bad {
		return r, nil
	}
	if j.wiresOn() {
		return from(ws[0]).with("wires_on").advise(wiresOff), nil
	}
	toCase, err := j.leastToCase()
	if err != nil {
		return result{}, err
	}
	r := split(j, toCase, from(toCase), j.boundsNamed("good", caseGood), j.boundsNamed("grounded", caseGrounded), "conforms", "grounded", "between")
	if r.limit == nil {
		r.limit = j.boundsNamed("good", caseGood).limit
	}
	if r.finding == "grounded" {
		return r, nil
	}
	if w := j.amongWindings(ws); w.finding != "conforms" || r.finding == "conforms" {
		return w, nil
	}
	return r, nil
}

// leastToCase is the lowest of the readings to the case.
func (j *job) leastToCase() (number, error) {
	all := j.numbers("to_case")
	if len(all) == 0 {
		return number{}, required(j, "to_case")
	}
	least := all[0]
	for _, n := range all[1:] {
		if least.over || (!n.over && n.si < least.si) {
			least = n
		}
	}
	return least, nil
}

// amongWindings compares the three with each other, then their mean with the
// band. They are read with one meter, so its scale error cancels between them.
func (j *job) amongWindings(ws [3]number) result {
	for i, n := range ws {
		if n.over {
			r := from(n)
			r.limit = j.boundsNamed("winding", windingBand).limit
			r.note = "That is pair " + strconv.Itoa(i+1) + "."
			return r.with("open").sure(0)
		}
	}
	m, _ := mean(ws[:])
	m.u = math.Max(ws[0].u, math.Max(ws[1].u, ws[2].u)) // their scatter is judged by itself
	if l, ok := j.check.Limit("winding"); ok {
		if r := j.unequal(ws, m); r.finding != "conforms" {
			return r
		}
		return j.held(m, l, j.bounds(l))
	}
	return j.unequal(ws, m)
}

// unequal holds the greatest deviation from the mean against its limit, as a
// share of the mean.
func (j *job) unequal(ws [3]number, m number) result {
	b := j.boundsNamed("equal", windingsEqual)
	if !(m.si > 0) {
		r := from(m)
		r.limit = j.boundsNamed("winding", windingBand).limit
		return r.with("low").sure(0)
	}
	far := 0
	for i := range ws {
		if math.Abs(ws[i].si-m.si) > math.Abs(ws[far].si-m.si) {
			far = i
		}
	}
	r := from(number{si: math.Abs(ws[far].si-m.si) / m.si, u: m.u / m.si / 2, unit: "%", quantity: measure.Ratio})
	r.limit = b.limit
	c := compare(*r.measured, r.uncertainty, b.limit)
	r.note = "Pair " + strconv.Itoa(far+1) + " has " + measure.Format(ws[far].si, ws[far].unit, ws[far].quantity, 0) +
		", the mean of all three is " + measure.Format(m.si, m.unit, m.quantity, 0) + "."
	switch c.Outcome {
	case measure.Conforms:
		return r.with("conforms").sure(c.Probability)
	case measure.DoesNotConform:
		return r.with("unequal").sure(c.Probability)
	}
	return r.with("between").sure(undecided)
}
