package diagnosis

import (
	"math"
	"strings"

	"drumline/diagnosis/airflow"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// What a described run is held to. Own judgement: a blower with the generic
// flow and two thirds of its pressure keeps up to ten points less of its air
// on a run of lawful length (own arithmetic), and a clean duct is never quite
// clean; with the blower's own figures half of that is left. A run that keeps
// less than 55 in 100 is at fault whatever its description: of the generic
// blower's 190 cfm that is the 105 cfm (1,200 fpm in four inches) below which
// the trade calls a duct restricted.
const (
	weakBlower     = 2.0 / 3
	shareAllowance = 0.10
	ownAllowance   = 0.05
	leastShare     = 0.55
)

// weakCollar is the share of the expected pressure at the collar below which
// less air than expected must be moving. Judgement, no source.
const weakCollar = 0.5

// Parameters of a data sheet that give the blower.
const (
	freeFlow = "blower_free_flow"
	shutOff  = "blower_shut_off_pressure"
)

// exhaust is the described run of a unit, clean, with the blower it is
// computed with.
type exhaust struct {
	run     airflow.Run
	blower  airflow.Blower
	with    string // the blower, in words
	assumed string // what was put in for what nobody said, in words; may be empty
	point   airflow.Point
	least   airflow.Point // with a weaker blower of the same flow; the same where its pressure is known
	share   float64       // of the air with the duct off
}

// exhaustOf computes the run of a unit. The error says in plain words why it
// cannot be.
func exhaustOf(u Unit, s Sheet) (exhaust, error) {
	run, assumed, err := u.Exhaust.Run()
	if err != nil {
		return exhaust{}, err
	}
	e := exhaust{run: run, assumed: strings.Join(assumed, " and ")}
	e.blower, e.with = blowerOf(s)
	if e.point, err = airflow.Operate(e.blower, run, airflow.Standard()); err != nil {
		return exhaust{}, err
	}
	e.least = e.point
	if positive(s, shutOff) == 0 {
		weaker := airflow.Rated(e.blower.Free(), weakBlower*e.blower.Pressure[0])
		if e.least, err = airflow.Operate(weaker, run, airflow.Standard()); err != nil {
			return exhaust{}, err
		}
	}
	e.share = e.point.Flow / e.blower.Free()
	return e, nil
}

// blowerOf is the blower by the data sheet as far as that goes, with its name
// for a sentence.
func blowerOf(s Sheet) (airflow.Blower, string) {
	free, shut := positive(s, freeFlow), positive(s, shutOff)
	b := airflow.Rated(free, shut)
	switch {
	case b.Check() != nil:
		return airflow.GenericBlower(), "a generic blower"
	case !b.Generic:
		return b, "the blower of the data sheet" + sheetMark(s, freeFlow, shutOff)
	case free > 0:
		return b, "a generic blower of the data sheet's flow" + sheetMark(s, freeFlow)
	case shut > 0:
		return b, "a generic blower of the data sheet's pressure" + sheetMark(s, shutOff)
	}
	return b, "a generic blower"
}

// positive is a sheet's single figure, zero where it has none that can be used.
func positive(s Sheet, parameter string) float64 {
	v := s[parameter].Value
	if v == nil || !(*v > 0) || *v > maxValue {
		return 0
	}
	return *v
}

// sheetMark says where the first of the values stands, and when one of them is
// not confirmed, in brackets.
func sheetMark(s Sheet, parameters ...string) string {
	mark, sure := s[parameters[0]].Origin, true
	for _, p := range parameters {
		sure = sure && s[p].Confirmed
	}
	switch {
	case mark != "" && sure:
		return " (" + mark + ")"
	case mark != "":
		return " (" + mark + ", unconfirmed)"
	case sure:
		return ""
	}
	return unconfirmed
}

// put says what was assumed of the run, in brackets.
func (e exhaust) put() string {
	if e.assumed == "" {
		return ""
	}
	return " (" + e.assumed + " assumed)"
}

func (e exhaust) allowance() float64 {
	if e.blower.Generic {
		return shareAllowance
	}
	return ownAllowance
}

// ratioLimit is the least share of the air with the duct on: what the run as
// described keeps when clean, less an allowance. The catalogue's flat figure
// holds where the run has no model. The note says what the tech should know of
// the limit.
func (j *job) ratioLimit() (bounds, string) {
	b := j.boundsNamed("ratio", flowRatio)
	if j.unit.Exhaust == nil {
		return b, ""
	}
	e, err := exhaustOf(j.unit, j.sheet)
	if err != nil {
		return b, "The limit is the usual one: " + err.Error() + "."
	}
	note := ""
	if b.limit != nil && b.limit.Low != nil && e.share < *b.limit.Low {
		note = "Even clean, a run like this keeps less than " + whole(*b.limit.Low) + ": it is long or narrow for a dryer."
	}
	low := math.Round(100*(e.share-e.allowance())) / 100
	origin := originComputed + ": clean, this run keeps " + whole(e.share) + " with " + e.with + e.put()
	if low < leastShare {
		low, origin = leastShare, origin+"; never below "+whole(leastShare)
	} else {
		origin += ", less " + trimNumber(100*e.allowance(), 0) + " points allowed"
	}
	b.limit = &Limit{Low: &low, Unit: "1", Mark: catalogue.Computed, Origin: origin, Confirmed: true, rule: j.unit.Rule}
	return b, note
}

// whole is a share in whole per cent, as the limit beside it is shown.
func whole(share float64) string {
	return measure.Format(math.Round(100*share)/100, "%", measure.Ratio, 0)
}

// judgeAirSpeed holds the speed of the air against its limit and says what
// flow that is.
func judgeAirSpeed(j *job) (result, error) {
	r, err := judgeRange(j)
	if err != nil || r.measured == nil || r.quantity != measure.Speed {
		return r, err
	}
	r.note = joined(j.flowNote(r), r.note)
	return r, nil
}

// ductTolerance is the half width in m of the inside diameter of a duct known
// by its nominal size. Common practice, no source.
const ductTolerance = 0.0015

// flowOf is the flow in m³/s of a mean speed in the duct, with its standard
// uncertainty. The speed is that of the duct: the hood's area is another.
func flowOf(u Unit, speed, uSpeed float64) (flow, uFlow float64) {
	d, _ := u.Exhaust.Width()
	return airflow.Flow(speed, d, uSpeed, measure.Rectangular(ductTolerance))
}

// flowNote is the flow behind a speed, and the one expected of the run.
func (j *job) flowNote(r result) string {
	d, known := j.unit.Exhaust.Width()
	q, u := flowOf(j.unit, *r.measured, r.uncertainty)
	unit := flowUnit(r.unit)
	note := "In a " + measure.Format(d, "[in_i]", measure.Length, 0) + " duct"
	if !known {
		note += " (assumed)"
	}
	note += " that is " + measure.Format(q, unit, measure.Flow, 0) + " (" + plusMinus(number{si: q, u: u, unit: unit, quantity: measure.Flow}) + ")"
	e, err := exhaustOf(j.unit, j.sheet)
	if err != nil {
		return note + "."
	}
	return note + "; clean, this run passes about " + span(e.least.Flow, e.point.Flow, unit, measure.Flow) + " with " + e.with + e.put() + "."
}

// span is what lies between two figures, or the one they both are.
func span(low, high float64, unit string, q measure.Quantity) string {
	a, b := measure.Format(low, unit, q, 0), measure.Format(high, unit, q, 0)
	if a == b {
		return b
	}
	return strings.TrimSuffix(a, " "+measure.Symbol(unit, q)) + " to " + b
}

// flowUnit is the unit of flow for a tech who enters speeds in a unit.
func flowUnit(speed string) string {
	if speed == "m/s" {
		return "L/s"
	}
	return "[cft_i]/min"
}

// pitotNote tells static from velocity pressure: one instrument shows both.
const pitotNote = "Use the static opening of the pitot tube alone: between its two openings it shows the velocity pressure, which is another quantity."

// judgeCollar holds the static pressure at the collar against its limit and
// says what the run as described would show when clean.
func judgeCollar(j *job) (result, error) {
	r, err := judgeRange(j)
	if err != nil || r.measured == nil || r.limit == nil {
		return r, err
	}
	if in := j.reading.Instrument; in != nil && in.Method == "pitot" {
		r.note = joined(r.note, pitotNote)
	}
	e, err := exhaustOf(j.unit, j.sheet)
	if err != nil {
		return r, nil
	}
	note := "Clean, this run shows about " + span(e.least.Collar, e.point.Collar, displayUnit(r.unit, r.limit.Unit, r.quantity), r.quantity) +
		" with " + e.with + e.put() + "."
	r.note = joined(joined(note, e.meaning(r)), r.note)
	return r, nil
}

// meaning is what a pressure at the collar says beside the expected one. Far
// below it is far only when the reading is surely there.
func (e exhaust) meaning(r result) string {
	x, surely := *r.measured, 2*r.uncertainty
	switch {
	case r.finding == "high" && x <= e.point.Collar:
		return "So the run itself takes that much: it is long or narrow, and cleaning alone will not bring it down."
	case r.finding == "high":
		return "What is above that is a blockage on the way out: transition piece, run or hood."
	case r.finding == "conforms" && x+surely < weakCollar*e.least.Collar:
		return "This is far below it: if the air outside is weak too, look at blower, seals and inlet, not at the duct."
	}
	return ""
}
