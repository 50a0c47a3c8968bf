package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// Limits used when a check does not list its own. Common practice, no source.
var (
	coldClosed = catalogue.Limit{ID: "closed", Input: "resistance", High: ptr(1), Unit: "Ohm", Mark: catalogue.CommonPractice}
	closesAt   = catalogue.Limit{ID: "closes", Input: "temperature", Low: ptr(15), High: ptr(25), Unit: "[degF]", Mark: catalogue.CommonPractice}
	opensAt    = catalogue.Limit{ID: "opens", Input: "temperature", Low: ptr(45), High: ptr(60), Unit: "[degF]", Mark: catalogue.CommonPractice}

	windingSum   = catalogue.Limit{ID: "sum", Input: "run_to_start", Quantity: "ratio", Low: ptr(0.9), High: ptr(1.1), Unit: "1", Mark: catalogue.CommonPractice}
	windingEqual = catalogue.Limit{ID: "equal", Input: "run_to_start", Quantity: "ratio", Low: ptr(0.9), High: ptr(1.1), Unit: "1", Mark: catalogue.CommonPractice}
	windingRun   = catalogue.Limit{ID: "run", Input: "common_to_run", Low: ptr(1), High: ptr(6), Unit: "Ohm", Mark: catalogue.CommonPractice}
	windingStart = catalogue.Limit{ID: "start", Input: "common_to_start", Low: ptr(3), High: ptr(15), Unit: "Ohm", Mark: catalogue.CommonPractice}
)

// judgeColdContact judges a contact that closes in the cold and opens when
// warm, such as a defrost thermostat. Open when warm is right and says nothing
// of how it behaves cold. Limit "closes" is the stretch in which it may close,
// "opens" that in which it may open again.
func judgeColdContact(j *job) (result, error) {
	n, ok := j.number("resistance")
	if !ok {
		return result{}, required(j, "resistance")
	}
	t, ok := j.number("temperature")
	if !ok {
		return result{}, required(j, "temperature")
	}
	t.u = j.restingU(t)
	closed, open := j.boundsNamed("closed", coldClosed), j.boundsNamed("open", contactOpen)
	r := split(j, n, from(n), closed, open, "closed", "open", "between")
	if n.over {
		r = from(n).with("open").sure(0)
	}
	r.limit = closed.limit
	r.note = "The part was at " + measure.Format(t.si, t.unit, t.quantity, t.u) + "."
	switch {
	case r.finding == "between":
		return r.advise("The contact reads neither closed nor open: clean the connection, zero the leads and measure again."), nil
	case r.finding == "closed" && j.wiresOn():
		return r.with("wires_on").sure(undecided).advise(wiresOff), nil
	case r.finding == "closed":
		return j.closedAt(r, t), nil
	}
	return j.openAt(r, t), nil
}

// closedAt judges a closed contact by its temperature.
func (j *job) closedAt(r result, t number) result {
	b := j.boundsNamed("opens", opensAt)
	switch cold, warm := surely(t, b.limit); {
	case cold:
		return r.with("closed_cold")
	case warm:
		return r.with("closed_warm").sure(1 - r.probability)
	}
	return r.with("between").sure(undecided).advise("At this temperature it may still be closed: let it warm to room temperature, or cool it below freezing, and measure again.")
}

// openAt judges an open contact by its temperature.
func (j *job) openAt(r result, t number) result {
	b := j.boundsNamed("closes", closesAt)
	switch cold, warm := surely(t, b.limit); {
	case cold:
		return r.with("open_cold")
	case warm:
		return r.with("open_warm").sure(undecided)
	}
	to := "below its closing temperature"
	if b.limit != nil && b.limit.Low != nil {
		to = "well below " + measure.Format(*b.limit.Low, t.unit, t.quantity, 0)
	}
	return r.with("between").sure(undecided).advise("At this temperature it may be open or closed: chill it " + to + " and measure again.")
}

// surely says whether a temperature lies surely below or surely above a
// stretch.
func surely(t number, l *Limit) (below, above bool) {
	if l == nil {
		return false, false
	}
	if l.Low != nil {
		below = measure.Upper(t.si, t.u, *l.Low, l.rule).Outcome == measure.Conforms
	}
	if l.High != nil {
		above = measure.Lower(t.si, t.u, *l.High, l.rule).Outcome == measure.Conforms
	}
	return below, above
}

// windings is the three readings between the pins of a compressor and the
// least of pin to case.
type windings struct{ run, start, both, casing number }

// judgeCompressor judges the windings of a compressor with its start device
// and overload off: pins to case, then open ones, then run to start against
// the sum of the other two (of an inverter machine: all three equal), then each
// against its own limit.
func judgeCompressor(j *job) (result, error) {
	w, err := j.windings()
	if err != nil {
		return result{}, err
	}
	good, grounded := j.boundsNamed("good", insulationGood), j.boundsNamed("grounded", insulationGrounded)
	r := from(w.casing)
	r.limit = good.limit
	if j.wiresOn() {
		return r.with("wires_on").advise("Isolate, take start device and overload off the pins and measure again."), nil
	}
	r = split(j, w.casing, r, good, grounded, "conforms", "grounded", "between")
	switch {
	case r.finding == "between":
		return r.advise("Between sound and grounded: clean and dry the pins, then measure with a 500 V insulation tester."), nil
	case r.finding == "grounded":
		r.note = "That is the least of pin to case."
		return r, nil
	case w.run.over || w.start.over || w.both.over:
		return j.openWinding(w), nil
	case j.unit.Has["inverter_compressor"]:
		return j.equalWindings(w), nil
	}
	return j.runAndStart(w), nil
}

func (j *job) windings() (windings, error) {
	var w windings
	for _, x := range []struct {
		input string
		to    *number
	}{{"common_to_run", &w.run}, {"common_to_start", &w.start}, {"run_to_start", &w.both}, {"pin_to_case", &w.casing}} {
		n, ok := j.number(x.input)
		if !ok {
			return w, required(j, x.input)
		}
		*x.to = n
	}
	return w, nil
}

// openWinding says which winding is open. With run to start sound and both ways
// to the common pin open it is a protector inside, which closes when cool.
func (j *job) openWinding(w windings) result {
	r := from(w.both)
	r.limit = j.boundsNamed("run", windingRun).limit
	if !j.unit.Has["inverter_compressor"] && w.run.over && w.start.over && !w.both.over {
		return r.with("between").advise("Both windings are whole, but the way to the common pin is open: a protector inside may have tripped. Let it cool for two hours and measure again. If it stays open, the compressor is done for.")
	}
	open := from(number{over: true, unit: "Ohm", quantity: measure.Resistance})
	open.limit = r.limit
	open.note = "Open: " + openPairs(w) + "."
	return open.with("open").sure(0)
}

func openPairs(w windings) string {
	out := ""
	for _, x := range []struct {
		n    number
		name string
	}{{w.run, "common to run"}, {w.start, "common to start"}, {w.both, "run to start"}} {
		switch {
		case x.n.over && out != "":
			out += ", " + x.name
		case x.n.over:
			out = x.name
		}
	}
	return out
}

// equalWindings judges the three windings of an inverter machine.
func (j *job) equalWindings(w windings) result {
	average := (w.run.si + w.start.si + w.both.si) / 3
	worst := w.run
	for _, n := range []number{w.start, w.both} {
		if math.Abs(n.si-average) > math.Abs(worst.si-average) {
			worst = n
		}
	}
	return j.sharesOf(worst, average, worst.u, windingEqual, "mean of the three windings")
}

// runAndStart judges the two windings of a plain compressor.
func (j *job) runAndStart(w windings) result {
	sum := w.run.si + w.start.si
	r := j.sharesOf(w.both, sum, measure.Combine(w.both.u, w.run.u, w.start.u), windingSum, "common to run and common to start together")
	if r.finding == "unequal" && w.both.si < math.Max(w.run.si, w.start.si) {
		return r.with("between").sure(undecided).advise("The greatest of the three lies between run and start: find out which pin is common and enter them again.")
	}
	if r.finding != "conforms" {
		return r
	}
	for _, x := range []struct {
		n        number
		fallback catalogue.Limit
		name     string
	}{{w.run, windingRun, "common to run"}, {w.start, windingStart, "common to start"}} {
		b := j.boundsNamed(x.fallback.ID, x.fallback)
		if b.limit == nil {
			continue
		}
		if c := compare(x.n.si, x.n.u, b.limit); c.Outcome != measure.Conforms {
			return j.windingOff(x.n, b.limit, c, x.name)
		}
	}
	return r
}

// windingOff is the result of one winding that is not within its own limit.
func (j *job) windingOff(n number, l *Limit, c measure.Conformity, name string) result {
	r := from(n)
	r.limit, r.note = l, "That is "+name+"."
	if c.Outcome == measure.Inconclusive {
		r.why = j.tooClose(n)
		return r.with("between").sure(c.Probability)
	}
	return r.with(side(c.Outcome, n.si, l)).sure(c.Probability)
}

// sharesOf holds a resistance against a limit of shares of a reference.
func (j *job) sharesOf(n number, reference, u float64, fallback catalogue.Limit, of string) result {
	r := from(n)
	b := j.boundsNamed(fallback.ID, fallback)
	if b.limit == nil || b.limit.Low == nil || b.limit.High == nil || !(reference > 0) {
		return r.with("between").advise("Zero the leads and measure all three again.")
	}
	low, high := *b.limit.Low*reference, *b.limit.High*reference
	r.limit = &Limit{Low: &low, High: &high, Unit: "Ohm", Mark: catalogue.Computed, Confirmed: true, rule: j.unit.Rule,
		Origin: of + ": " + ohms(reference) + "; tolerance " + b.limit.Origin}
	r.uncertainty = u
	c := compare(n.si, u, r.limit)
	r = r.sure(c.Probability)
	switch c.Outcome {
	case measure.Conforms:
		return r.with("conforms")
	case measure.DoesNotConform:
		return r.with("unequal")
	}
	r.why = j.tooClose(n)
	return r.with("between")
}
