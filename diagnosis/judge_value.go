package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

const (
	overdueFactor  = 2.0 // an instrument past its calibration date may err twice as much; judgement
	leadsUnknown   = 0.2 // ohm, half width of what leads that were not shorted leave; common practice, no source
	unknownPercent = 2.0 // of a quantity without a usual instrument; common practice, no source
)

// readsWith lists what an instrument of a method can have read.
var readsWith = map[string][]measure.Quantity{
	"bead":            {measure.Temperature},
	"bead_on_surface": {measure.Temperature},
	infrared:          {measure.Temperature},
	"clamp":           {measure.Current},
	"meter":           {measure.Resistance, measure.Voltage, measure.Capacitance},
	"manometer":       {measure.Pressure},
	"vane":            {measure.Speed, measure.Flow},
	"pitot":           {measure.Speed, measure.Flow, measure.Pressure},
}

const infrared = "infrared"

// instrumentFor is the reading's instrument if it can have read q, else nil:
// a check may take two quantities, and the other one is read with something
// nothing is known of. Without a method it read the check's main quantity.
func (j *job) instrumentFor(q measure.Quantity) *Instrument {
	in := j.reading.Instrument
	if in == nil {
		return nil
	}
	qs, ok := readsWith[in.Method]
	if !ok {
		qs = []measure.Quantity{j.mainQuantity()}
	}
	for _, x := range qs {
		if x == q {
			return in
		}
	}
	return nil
}

// mainQuantity is that of the first limit's input, or of the first input with
// a quantity.
func (j *job) mainQuantity() measure.Quantity {
	for i := range j.check.Limits {
		if in, ok := j.check.Input(j.check.Limits[i].Input); ok && in.Quantity != "" {
			return measure.Quantity(in.Quantity)
		}
	}
	for i := range j.check.Inputs {
		if q := j.check.Inputs[i].Quantity; q != "" {
			return measure.Quantity(q)
		}
	}
	return ""
}

// uncertainty is the standard uncertainty of x read in quantity q, SI. An
// instrument that states no accuracy counts as the usual one for its method.
func (j *job) uncertainty(x float64, q measure.Quantity) float64 {
	in := j.instrumentFor(q)
	if in == nil {
		in = &Instrument{}
	}
	usual := usualInstrument(in.Method, q, x)
	a := usual.Accuracy
	if stated(in) {
		a = measure.Accuracy{Percent: in.Percent, Counts: in.Counts, Resolution: in.Resolution}
	}
	u := a.StandardOf(x, q)
	if in.Overdue {
		u *= overdueFactor
	}
	if q == measure.Resistance && j.reading.Lead == 0 {
		u = measure.Combine(u, measure.Rectangular(leadsUnknown))
	}
	// What the method itself misreads (infrared on bright metal) widens the
	// doubt; the figure stays the one the tech saw.
	return measure.Combine(u, usual.Bias, usual.BiasU)
}

// usualInstrument is the cautious default for a method, else for the quantity.
func usualInstrument(method string, q measure.Quantity, x float64) measure.Default {
	if d, ok := measure.DefaultFor(method, q, x, true); ok {
		return d
	}
	if d, ok := measure.DefaultFor("", q, x, true); ok {
		return d
	}
	if q == measure.Time {
		return measure.Default{Accuracy: measure.Accuracy{Counts: 1, Resolution: 1}}
	}
	return measure.Default{Accuracy: measure.Accuracy{Percent: unknownPercent}}
}

func stated(in *Instrument) bool {
	return in != nil && (in.Percent > 0 || in.Counts*in.Resolution > 0)
}

// number is one value made ready to judge: leads taken off, SI.
type number struct {
	si       float64
	u        float64 // standard uncertainty
	over     bool
	unit     string // UCUM code to show it in
	quantity measure.Quantity
}

// number is the first value of an input, false when it was not entered.
func (j *job) number(input string) (number, bool) {
	ns := j.numbers(input)
	if len(ns) == 0 {
		return number{}, false
	}
	return ns[0], true
}

// numbers is every value of an input, in the order entered.
func (j *job) numbers(input string) []number {
	in, ok := j.check.Input(input)
	if !ok || in.Quantity == "" {
		return nil
	}
	vs := j.reading.Values[input]
	out := make([]number, 0, len(vs))
	for _, v := range vs {
		out = append(out, j.ready(in, v))
	}
	return out
}

func (j *job) ready(in *catalogue.Input, v Value) number {
	n := number{quantity: measure.Quantity(in.Quantity), over: v.Over, unit: v.Unit}
	if n.unit == "" && len(in.Units) > 0 {
		n.unit = in.Units[0]
	}
	if v.Over {
		return n
	}
	n.si = v.SI
	n.u = j.uncertainty(n.si, n.quantity)
	if n.quantity == measure.Resistance {
		n.si = math.Max(0, n.si-j.reading.Lead)
	}
	return n
}

// mean of several values with one instrument. Its error is common to all, so
// the mean is no surer than the worst of them, plus the scatter.
func mean(ns []number) (number, bool) {
	if len(ns) == 0 {
		return number{}, false
	}
	out := ns[0]
	sum := 0.0
	for _, n := range ns {
		sum += n.si
		out.u = math.Max(out.u, n.u)
	}
	out.si = sum / float64(len(ns))
	if len(ns) > 1 {
		var ss float64
		for _, n := range ns {
			ss += (n.si - out.si) * (n.si - out.si)
		}
		k := float64(len(ns))
		out.u = measure.Combine(out.u, math.Sqrt(ss/(k*(k-1))))
	}
	return out, true
}

// choice is what was chosen at a choice input, empty when it was not entered.
func (j *job) choice(input string) string {
	if vs := j.reading.Values[input]; len(vs) > 0 {
		return vs[0].Choice
	}
	return ""
}

func (j *job) wiresOn() bool { return j.choice("wires_off") == "no" }

// series values of the reading have the quantity and first unit of the form.
func (j *job) seriesUnit() string {
	if j.check.Series != nil && len(j.check.Series.Units) > 0 {
		return j.check.Series.Units[0]
	}
	return ""
}
