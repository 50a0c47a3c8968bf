package diagnosis

import (
	"math"
	"strconv"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/diagnosis/sensors"
)

// Figures of the oven rules.
const (
	platinumIce = 1000.0 // ohm at 0 °C of an oven sensor: IEC 60751 gives the curve, the trade the size
	fewCycles   = 4      // of an oven's average; common practice, no source
)

// Limits used when a check does not list its own. Common practice, no source:
// a sensor within 10 °F of its curve, an oven's average within 25 °F of what
// was set.
var (
	sensorDeviation = catalogue.Limit{ID: "deviation", Input: "temperature", Quantity: "temperature_difference", High: ptr(10), Unit: "[degF]", Mark: catalogue.CommonPractice}
	ovenDeviation   = catalogue.Limit{ID: "deviation", Input: "set_temperature", Quantity: "temperature_difference", High: ptr(25), Unit: "[degF]", Mark: catalogue.CommonPractice}
)

// judgeRTD holds a platinum sensor against IEC 60751 at the temperature it
// has. Limit "deviation" is how many kelvin it may be off either way; limit
// "ice", if the check has one, is its resistance at 0 °C.
func judgeRTD(j *job) (result, error) {
	n, ok := j.number("resistance")
	if !ok {
		return result{}, required(j, "resistance")
	}
	t, ok := j.number("temperature")
	if !ok {
		return result{}, required(j, "temperature")
	}
	r := from(n)
	if n.over {
		return r.with("open").sure(0), nil
	}
	r0 := j.platinumIce()
	expected, err := sensors.RTDOhm(r0, t.si)
	b := j.boundsNamed("deviation", sensorDeviation)
	if err != nil || b.limit == nil || b.limit.High == nil {
		return r.with("between").advise("Measure the sensor at room temperature, with a bead on it."), nil
	}
	return j.againstPlatinum(r, n, t, r0, expected, b.limit), nil
}

// platinumIce is the sensor's resistance at 0 °C, ohm.
func (j *job) platinumIce() float64 {
	l, ok := j.check.Limit("ice")
	if !ok {
		return platinumIce
	}
	if e := middle(nonNil(j.bounds(l).limit)); e.ohm > 0 {
		return e.ohm
	}
	return platinumIce
}

func nonNil(l *Limit) *Limit {
	if l == nil {
		return &Limit{}
	}
	return l
}

// againstPlatinum decides in kelvin: what the sensor reports less what it has.
// The limit is shown in ohm, at the temperature read.
func (j *job) againstPlatinum(r result, n, t number, r0, expected float64, allowed *Limit) result {
	half, uT := *allowed.High, j.restingU(t)
	r.limit = j.platinumLimit(r0, t.si, half, allowed)
	reports, err := sensors.RTDKelvin(r0, n.si)
	if n.si+2*n.u < math.Max(shortOhm, shortShare*expected) {
		return r.with("short").sure(0)
	}
	if err != nil {
		return r.with(higher(n.si > expected)).sure(0)
	}
	slope := platinumSlope(r0, t.si)
	r.uncertainty = measure.Combine(n.u, slope*uT)
	off, u := reports-t.si, measure.Combine(n.u/slope, uT)
	c := measure.Between(off, u, -half, half, j.unit.Rule)
	r = r.sure(c.Probability)
	show := func(k float64) string { return measure.Format(k, t.unit, t.quantity, 0) }
	r.note = "IEC 60751 gives " + measure.Format(expected, displayUnit(n.unit, "Ohm", n.quantity), n.quantity, 0) + " at " + show(t.si) +
		"; the sensor reports " + show(reports) + "."
	switch c.Outcome {
	case measure.Conforms:
		return r.with("conforms")
	case measure.DoesNotConform:
		return r.with(higher(off > 0))
	}
	if !j.unit.Rule.CanAccept(u, -half, half) {
		return r.with("between").advise("Meter and thermometer together are too coarse for this tolerance: enter the accuracy of the meter, or use a finer one.")
	}
	return r.with("between").advise("Let the sensor rest 20 minutes, put the bead on it and measure both again.")
}

// platinumLimit is what the sensor may read at a temperature, ohm.
func (j *job) platinumLimit(r0, kelvin, half float64, allowed *Limit) *Limit {
	l := &Limit{Unit: "Ohm", Mark: catalogue.Computed, Confirmed: allowed.Confirmed, rule: j.unit.Rule,
		Origin: "IEC 60751, " + ohms(r0) + " at 0 °C; tolerance ±" + measure.Format(half, allowed.Unit, measure.TemperatureDifference, 0) + " " + allowed.Origin}
	if low, err := sensors.RTDOhm(r0, kelvin-half); err == nil {
		l.Low = &low
	}
	if high, err := sensors.RTDOhm(r0, kelvin+half); err == nil {
		l.High = &high
	}
	return l
}

// platinumSlope is ohm per kelvin at a temperature, over half a kelvin either
// way; it keeps its value beyond the ends of the scale.
func platinumSlope(r0, kelvin float64) float64 {
	low, errLow := sensors.RTDOhm(r0, kelvin-0.5)
	high, errHigh := sensors.RTDOhm(r0, kelvin+0.5)
	if errLow != nil || errHigh != nil {
		return r0 * platinumMean
	}
	return high - low
}

// platinumMean is the mean change of R/R0 from 0 to 100 °C, per kelvin
// (IEC 60751).
const platinumMean = 0.00385

func higher(yes bool) string {
	if yes {
		return "high"
	}
	return "low"
}

// judgeOvenCycles holds the average of an oven over its cycles against what was
// set: an oven swings, and one peak says nothing.
func judgeOvenCycles(j *job) (result, error) {
	set, ok := j.number("set_temperature")
	if !ok {
		return result{}, required(j, "set_temperature")
	}
	offs, ons := j.numbers("off_temperature"), j.numbers("on_temperature")
	mids, err := middles(offs, ons)
	if err != nil {
		return result{}, err
	}
	m, ok := mean(mids)
	if !ok {
		return result{}, required(j, "off_temperature")
	}
	r := from(m)
	b := j.boundsNamed("deviation", ovenDeviation)
	if b.limit == nil || b.limit.High == nil {
		return r.with("too_short"), nil
	}
	r.limit = j.aroundSet(set, *b.limit.High, b.limit)
	if len(mids) < fewCycles {
		return r.with("too_short").advise("Only " + strconv.Itoa(len(mids)) + " full cycles were read: an average takes at least " + strconv.Itoa(fewCycles) + ". Leave out the first, which overshoots."), nil
	}
	c := compare(m.si, m.u, r.limit)
	r.note = swing(offs, ons, m)
	if c.Outcome == measure.Inconclusive {
		r.why = j.tooClose(m)
	}
	return r.with(side(c.Outcome, m.si, r.limit)).sure(c.Probability), nil
}

// middles is the middle of each full cycle.
func middles(offs, ons []number) ([]number, error) {
	var out []number
	for i := range min(len(offs), len(ons)) {
		if ons[i].si >= offs[i].si {
			return nil, refuse("values.on_temperature["+strconv.Itoa(i)+"]", "order", "The heat comes on at a lower temperature than it goes off at: were the two exchanged?")
		}
		m := offs[i]
		m.si, m.u = offs[i].si/2+ons[i].si/2, math.Max(offs[i].u, ons[i].u)
		out = append(out, m)
	}
	return out, nil
}

// aroundSet is the limit of the average, kelvin.
func (j *job) aroundSet(set number, half float64, allowed *Limit) *Limit {
	low, high := set.si-half, set.si+half
	return &Limit{Low: &low, High: &high, Unit: set.unit, Mark: allowed.Mark, Confirmed: allowed.Confirmed, rule: j.unit.Rule,
		Origin: "set " + measure.Format(set.si, set.unit, measure.Temperature, 0) + "; tolerance " + allowed.Origin}
}

// swing says how far the oven swings from off to on.
func swing(offs, ons []number, m number) string {
	off, _ := mean(offs)
	on, _ := mean(ons)
	unit := displayUnit(m.unit, "", measure.TemperatureDifference)
	return "It swings by " + measure.Format(off.si-on.si, unit, measure.TemperatureDifference, 0) + " from off to on."
}
