package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/diagnosis/sensors"
)

// Figures of the thermistor and thermostat rules. Common practice, no source.
const (
	thermistorTolerance = 0.05          // of R at 25 °C, when neither sheet nor catalogue states one
	thermistorB         = 0.0075        // of the B value
	beadStep            = 1.5           // K between the bead on the part and the sensor inside it
	partThermometer     = 1.5           // K, half width of a bead at rest on a part at room temperature
	beyondTable         = 5.0           // K a sheet's table is carried on beyond its ends
	shortShare          = 0.02          // of the expected resistance: below, the part is short
	shortOhm            = 10.0          // ohm: short whatever the sheet says
	cold                = 311.0         // K (100 °F): open below this is open when cold
	assumedRate         = 10 / 1.8 / 60 // K/s, of a warm-up nobody timed: 10 °F/min
)

// judgeThermistor compares a resistance with the sheet's curve at the part's
// temperature. What the temperature may be off enters through the slope of
// the curve.
func judgeThermistor(j *job) (result, error) {
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
	l := j.limitHere()
	curve, sv := j.curve(l)
	if curve == nil {
		if n.si+2*n.u < shortOhm {
			return r.with("short").sure(0), nil
		}
		parameter := "thermistor_curve"
		if l != nil && l.Parameter != "" {
			parameter = l.Parameter
		}
		return j.unknownLimit(r, parameter, "no_limit"), nil
	}
	if low, high := curve.Range(); t.si < low-beyondTable || t.si > high+beyondTable {
		return r.with("between").advise("The sheet's curve does not reach " + measure.Format(t.si, t.unit, t.quantity, 0) + ": measure at room temperature."), nil
	}
	return j.againstCurve(r, n, t, l, curve, sv), nil
}

// curve is the sheet's table, nil when there is none that can be used.
func (j *job) curve(l *catalogue.Limit) (*sensors.Table, SheetValue) {
	if l == nil {
		return nil, SheetValue{}
	}
	sv := j.sheet[l.Parameter]
	ps := make([]sensors.Point, 0, len(sv.Curve))
	for _, p := range sv.Curve {
		ps = append(ps, sensors.Point(p))
	}
	t, err := sensors.NewTable(ps)
	if err != nil {
		return nil, sv
	}
	return t, sv
}

// againstCurve decides in kelvin: how far what the sensor reports is off the
// temperature it has, against what R25 and B may be off plus the step between
// bead and sensor. The limit is shown in ohm, at the temperature read.
func (j *job) againstCurve(r result, n, t number, l *catalogue.Limit, curve *sensors.Table, sv SheetValue) result {
	expected := curve.Ohm(t.si)
	tol := sensors.Tolerance{R25: j.relative(l), B: thermistorB * localB(curve, t.si)}
	half := tol.Allowed(curve, t.si) + beadStep
	low, high := curve.Ohm(t.si+half), curve.Ohm(t.si-half)
	r.limit = &Limit{Low: &low, High: &high, Unit: sv.Unit, Mark: catalogue.Sheet, Origin: j.curveOrigin(l, sv), Confirmed: sv.Confirmed}
	uT := j.restingU(t)
	r.uncertainty = measure.Combine(n.u, expected*sensors.Slope(curve, t.si)*uT)
	if n.si+2*n.u < math.Max(shortOhm, shortShare*expected) {
		return r.with("short").sure(0)
	}
	off, u, err := sensors.Deviation(curve, n.si, t.si, n.u, uT, sensors.Tolerance{})
	if err != nil {
		return r.with("between").advise("This resistance is no point of the sheet's curve: measure both again.")
	}
	c := measure.Between(off, u, -half, half, j.unit.Rule)
	r = r.sure(c.Probability)
	show := func(k float64) string { return measure.Format(k, t.unit, t.quantity, 0) }
	r.note = "The curve gives " + measure.Format(expected, displayUnit(n.unit, sv.Unit, n.quantity), n.quantity, 0) + " at " + show(t.si) +
		"; the sensor reports " + show(t.si+off) + "."
	switch {
	case c.Outcome == measure.Conforms:
		return r.with("conforms")
	case c.Outcome == measure.DoesNotConform && off < 0:
		return r.with("high")
	case c.Outcome == measure.DoesNotConform:
		return r.with("low")
	}
	return r.with("between").advise(j.surerThermistor(u, half, number{u: uT, unit: t.unit, quantity: measure.Temperature}))
}

// localB is the B value of the curve at a temperature, kelvin.
func localB(c sensors.Curve, kelvin float64) float64 {
	return math.Abs(sensors.Slope(c, kelvin)) * kelvin * kelvin
}

// restingU is the standard uncertainty of the part's temperature. A bead
// nobody described does better on a part at rest than in a stream of hot air.
func (j *job) restingU(t number) float64 {
	if in := j.instrumentFor(t.quantity); in == nil || (!stated(in) && in.Method != infrared) {
		return measure.Rectangular(partThermometer)
	}
	return t.u
}

// surerThermistor says what would settle a thermistor near its tolerance. When
// the thermometer's doubt alone is too much, no reading could ever pass.
func (j *job) surerThermistor(u, half float64, t number) string {
	if !j.unit.Rule.CanAccept(u, -half, half) {
		return "The temperature is not known well enough (" + plusMinus(t) +
			") to pass or fail this tolerance: measure with a finer thermometer and enter it as the instrument."
	}
	return "Let the part rest 20 minutes, put the bead on it and measure both again."
}

// relative is the part's tolerance at 25 °C as a share of its resistance.
func (j *job) relative(l *catalogue.Limit) float64 {
	if x, ok := j.sheetTolerance(l); ok {
		return x
	}
	if l.RelativeTolerance != nil {
		return math.Abs(*l.RelativeTolerance)
	}
	return thermistorTolerance
}

func (j *job) sheetTolerance(l *catalogue.Limit) (float64, bool) {
	sv, ok := j.sheet[l.ToleranceParameter]
	if !ok || sv.Value == nil || !within(*sv.Value, 1) {
		return 0, false
	}
	return *sv.Value, true
}

func (j *job) curveOrigin(l *catalogue.Limit, sv SheetValue) string {
	if _, ok := j.sheetTolerance(l); ok {
		return sheetOrigin(sv)
	}
	return sheetOrigin(sv) + toleranceIsPractice
}

func sheetOrigin(sv SheetValue) string {
	o := sv.Origin
	if o == "" {
		o = "data sheet"
	}
	if !sv.Confirmed {
		o += unconfirmed
	}
	return o
}

// judgeOpening judges the warm-up of a bimetal contact. Physics first: a disc
// trails the air that heats it, so a warm-up that is too fast for its
// tolerance says nothing, whatever was read.
func judgeOpening(j *job) (result, error) {
	o, unit, err := j.opening()
	if err != nil {
		return result{}, err
	}
	l := j.limitHere()
	var b bounds
	if l != nil {
		b = j.bounds(l)
	}
	r := result{quantity: measure.Temperature, unit: unit, limit: b.limit, probability: undecided}
	if o.State == sensors.OpenCold {
		return j.openCold(r, o), nil
	}
	if b.limit == nil || b.limit.Low == nil || b.limit.High == nil {
		r = from(j.seen(o, unit))
		return j.unknownLimit(r, b.missing, "no_limit"), nil
	}
	if o.State == sensors.NeverOpened {
		return j.never(r, o), nil
	}
	return j.opened(r, o), nil
}

// opening reads the warm-up from the series or the short form. A pair that is
// open when cold is read the other way round: its closing is its opening.
func (j *job) opening() (sensors.Opening, string, error) {
	if s := j.reading.Series; s != nil {
		closed := s.Closed
		if j.openWhenCold() {
			closed = inverted(closed)
		}
		o, err := sensors.OpeningFromSeries(s.T, s.Value, closed)
		if err != nil {
			return o, "", refuse("series", "range", "%s.", err)
		}
		return o, j.seriesUnit(), nil
	}
	w, unit := sensors.WarmUp{}, ""
	if n, ok := j.number("last_closed"); ok {
		w.LastClosed, unit = &n.si, n.unit
	}
	if n, ok := j.number("first_open"); ok {
		w.FirstOpen, unit = &n.si, n.unit
	}
	if w.LastClosed != nil && w.FirstOpen != nil && *w.FirstOpen < *w.LastClosed {
		return sensors.Opening{}, "", refuse("values.first_open", "order", "The contact was open at a lower temperature than it was last closed at: were the two exchanged?")
	}
	if n, ok := j.number("minutes"); ok {
		w.Seconds = n.si
	}
	o, err := sensors.OpeningShort(w)
	if err != nil {
		return o, "", refuse("values.last_closed", "required", "%s.", err)
	}
	if o.State == sensors.NeverOpened && w.Seconds > 0 {
		o.Rate = twentyF / w.Seconds
	}
	return o, unit, nil
}

// twentyF is the stretch the minutes are taken over: 20 °F in kelvin.
const twentyF = 20 / 1.8

func (j *job) openWhenCold() bool {
	return j.position != nil && j.position.ClosedCold != nil && !*j.position.ClosedCold
}

func inverted(b []bool) []bool {
	out := make([]bool, len(b))
	for i := range b {
		out[i] = !b[i]
	}
	return out
}

// seen is the middle of what was read, before any lag.
func (j *job) seen(o sensors.Opening, unit string) number {
	k, _ := o.Estimate(sensors.Response{}, 0)
	return number{si: k, u: j.uncertainty(k, measure.Temperature), unit: unit, quantity: measure.Temperature}
}

func (j *job) openCold(r result, o sensors.Opening) result {
	n := j.seen(o, r.unit)
	limit := r.limit
	r = from(n)
	r.limit = limit
	top := cold
	if limit != nil && limit.Low != nil {
		top = math.Max(top, *limit.Low)
	}
	switch {
	case n.si > top:
		return r.with("between").advise("It was hot already when it was first looked at: let it cool and start again from room temperature.")
	case j.openWhenCold():
		return r.with("between").advise("This pair is open when cold and was found closed: make sure of the terminals, then repeat.")
	}
	return r.with("open_cold").sure(0)
}

// never judges a contact that stayed closed: it failed when the disc itself,
// lag taken off, was surely above the limit.
func (j *job) never(r result, o sensors.Opening) result {
	if o.Rate == 0 {
		o.Rate = assumedRate
	}
	n := j.disc(o, r.unit)
	limit := r.limit
	r = from(n)
	r.limit = limit
	c := measure.Upper(n.si, n.u, *limit.High, j.unit.Rule)
	if c.Outcome == measure.DoesNotConform {
		return r.with("never").sure(c.Probability)
	}
	to := *limit.High + 3*n.u + o.Rate*sensors.DefaultResponse().Disc
	return r.with("between").advise("It was not heated far enough to tell: go on to " + measure.Format(to, n.unit, n.quantity, 0) + ".")
}

// disc is the temperature of the disc itself: what was read less the lag.
func (j *job) disc(o sensors.Opening, unit string) number {
	opened := o
	opened.State = sensors.Opened // a contact that stayed closed lags as well
	u := j.uncertainty(o.High, measure.Temperature)
	k, uk := opened.Estimate(sensors.DefaultResponse(), u)
	return number{si: k, u: uk, unit: unit, quantity: measure.Temperature}
}

func (j *job) opened(r result, o sensors.Opening) result {
	limit := r.limit
	tol := (*limit.High - *limit.Low) / 2
	n := j.disc(o, r.unit)
	tooFast, repeatAt := o.TooFast(tol, sensors.DefaultResponse())
	if tooFast {
		r = from(j.seen(o, r.unit))
		r.limit = limit
		return r.with("too_fast").advise(slowDown(o, repeatAt, n.unit))
	}
	r = from(n)
	r.limit = limit
	r.note = warmUpNote(o, n)
	c := compare(n.si, n.u, limit)
	r = r.sure(c.Probability)
	switch {
	case c.Outcome == measure.Inconclusive:
		return r.with("between").advise("Repeat at no more than " + rateText(repeatAt/2, n.unit) + " over the last 20 °F.")
	case c.Outcome == measure.DoesNotConform && n.si < *limit.Low:
		return r.with("early")
	case c.Outcome == measure.DoesNotConform:
		return r.with("late")
	case j.choice("recloses") == "no":
		return r.with("between").sure(undecided).advise("It opened in time but did not close again: let it cool by another 30 °F, and replace it if it stays open.")
	}
	return r.with("conforms")
}

func slowDown(o sensors.Opening, repeatAt float64, unit string) string {
	if o.Rate == 0 {
		return "How fast it was warmed is not known: repeat at no more than " + rateText(repeatAt, unit) + " and note the minutes over the last 20 °F."
	}
	return "Warmed at " + rateText(o.Rate, unit) + ", faster than the disc can follow: repeat at no more than " + rateText(repeatAt, unit) + "."
}

func warmUpNote(o sensors.Opening, n number) string {
	return "Read " + measure.Format(o.Low, n.unit, n.quantity, 0) + " closed and " + measure.Format(o.High, n.unit, n.quantity, 0) +
		" open at " + rateText(o.Rate, n.unit) + "; the disc's lag is taken off."
}

// rateText writes a rate in the degrees the tech uses, rounded down so that
// following it is always slow enough.
func rateText(rate float64, unit string) string {
	per := rate * 60
	symbol := "°C/min"
	if unit == "[degF]" {
		per, symbol = per*1.8, "°F/min"
	}
	return trimNumber(math.Floor(per*10+1e-6)/10, 1) + " " + symbol
}
