package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/electric"
	"drumline/diagnosis/measure"
)

// Limits used when a check does not list its own, as shares of what the
// nameplate gives at the volts measured. Common practice, no source.
var (
	heaterShare = catalogue.Limit{ID: "share", Input: "current", Quantity: "ratio", Low: ptr(0.9), High: ptr(1.1), Unit: "1", Mark: catalogue.CommonPractice}
	heaterHalf  = catalogue.Limit{ID: "half", Input: "current", Quantity: "ratio", Low: ptr(0.45), High: ptr(0.55), Unit: "1", Mark: catalogue.CommonPractice}
	heaterNone  = catalogue.Limit{ID: "none", Input: "current", Quantity: "ratio", High: ptr(0.1), Unit: "1", Mark: catalogue.CommonPractice}
	heaterDrop  = catalogue.Limit{ID: "drop", Input: "volts_no_load", Quantity: "ratio", High: ptr(0.05), Unit: "1", Mark: catalogue.CommonPractice}
)

// judgeHeaterCurrent holds the current of the heater against the nameplate: an
// element of P watts at V volts has V²/P ohm, hot, and takes its share of the
// volts there are.
func judgeHeaterCurrent(j *job) (result, error) {
	amps, ok := j.number("current")
	if !ok {
		return result{}, required(j, "current")
	}
	volts, ok := j.number("volts")
	if !ok {
		return result{}, required(j, "volts")
	}
	r := from(amps)
	ohm, ok := j.ratedResistance()
	share := j.boundsNamed("share", heaterShare)
	if !ok || share.limit == nil || !(volts.si > 0) {
		return r.with("no_limit"), nil
	}
	rated := volts.si / ohm
	r.uncertainty = measure.Combine(amps.u, rated*volts.u/volts.si)
	r.limit = j.ofRated(share.limit, rated, volts)
	c := compare(amps.si, r.uncertainty, r.limit)
	r = r.sure(c.Probability)
	switch {
	case j.heaterWithin(heaterNone, r, rated, volts):
		return r.with("no_current").sure(undecided), nil
	}
	r.note = j.heatNote(amps, volts, amps.si/rated)
	switch {
	case c.Outcome == measure.DoesNotConform && j.unit.Has["dual_coil"] && j.heaterWithin(heaterHalf, r, rated, volts):
		return r.with("half"), nil
	case c.Outcome == measure.Inconclusive:
		r.why = j.tooClose(amps)
		return r.with(side(c.Outcome, amps.si, r.limit)), nil
	case c.Outcome == measure.Conforms:
		return j.loadedDrop(r.with("conforms"), volts), nil
	}
	r = r.with(side(c.Outcome, amps.si, r.limit))
	r.note = joined(r.note, j.whyOff(r.finding, amps, volts, ohm))
	return r, nil
}

// whyOff says what may be behind a current that is off: turns out of circuit,
// or one of two coils where the unit is entered with a single one. rated is the
// resistance of the nameplate, ohm.
func (j *job) whyOff(finding string, amps, volts number, rated float64) string {
	if !(amps.si > 0) {
		return ""
	}
	n := number{si: volts.si / amps.si}
	if finding == "low" {
		if j.oneCoilAlone(rated / n.si) {
			return "That is half of it: if the element has two coils, one is open. Say so in the unit's features then."
		}
		return ""
	}
	n.u = n.si * math.Hypot(amps.u/amps.si, volts.u/volts.si)
	return outOfCircuit(n, expectation{rated, measure.Rectangular(coilTolerance * rated)})
}

// ratedResistance is that of the element by the nameplate, ohm.
func (j *job) ratedResistance() (float64, bool) {
	if j.unit.Watts == nil || j.unit.Volts == nil {
		return 0, false
	}
	return electric.HotResistance(*j.unit.Watts, *j.unit.Volts)
}

// ofRated turns a limit of shares into one of ampere.
func (j *job) ofRated(share *Limit, rated float64, volts number) *Limit {
	l := &Limit{Unit: "A", Mark: catalogue.Computed, Confirmed: true, rule: j.unit.Rule,
		Origin: j.nameplate() + ", here at " + measure.Format(volts.si, "V", measure.Voltage, 0) + "; tolerance " + share.Origin}
	if share.Low != nil {
		l.Low = ptr(*share.Low * rated)
	}
	if share.High != nil {
		l.High = ptr(*share.High * rated)
	}
	return l
}

// heaterWithin says whether the current surely lies within a share of the
// rated one.
func (j *job) heaterWithin(fallback catalogue.Limit, r result, rated float64, volts number) bool {
	b := j.boundsNamed(fallback.ID, fallback)
	return b.limit != nil && compare(*r.measured, r.uncertainty, j.ofRated(b.limit, rated, volts)).Outcome == measure.Conforms
}

// wrongVoltage is the heat of a 208 V element on 240 V over its rating:
// (240/208)², own arithmetic.
const wrongVoltage = 240.0 * 240 / (208 * 208)

// heatNote gives the heat that is made, and the part for another supply that
// would make it: share is that of the current the nameplate gives.
func (j *job) heatNote(amps, volts number, share float64) string {
	note := "That is " + kilowatts(amps.si*volts.si) + " at " + measure.Format(volts.si, "V", measure.Voltage, 0) + "."
	for240 := math.Abs(*j.unit.Volts-usualLine) < 10
	for208 := math.Abs(*j.unit.Volts-electric.ThreePhase) < 10
	switch {
	case for240 && math.Abs(share/wrongVoltage-1) < voltageSlack:
		return note + " An element made for 208 V takes as much on 240 V."
	case for208 && math.Abs(share*wrongVoltage-1) < voltageSlack:
		return note + " An element made for 240 V takes as little on 208 V."
	}
	return note
}

func kilowatts(w float64) string { return significant(w/1000) + " kW" }

// loadedDrop looks at what the supply loses under the heater's load, when the
// volts without load were read as well.
func (j *job) loadedDrop(r result, volts number) result {
	idle, given := j.number("volts_no_load")
	if !given || !(idle.si > 0) {
		return r
	}
	return j.judgeDrop(r, volts, idle, j.boundsNamed("drop", heaterDrop))
}
