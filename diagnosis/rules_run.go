package diagnosis

import (
	"math"
	"strings"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/diagnosis/sensors"
)

// Limits used when a check does not list its own. Common practice, no source:
// the temperature at which the heat goes off by setting, the outlet
// temperature no setting reaches, and the shortest heat of a thermostat.
var (
	offBySetting = map[string]catalogue.Limit{
		"high":   {ID: "off", Input: "off_temperature", Low: ptr(145), High: ptr(165), Unit: "[degF]", Mark: catalogue.CommonPractice},
		"medium": {ID: "off_medium", Input: "off_temperature", Low: ptr(130), High: ptr(155), Unit: "[degF]", Mark: catalogue.CommonPractice},
		"low":    {ID: "off_low", Input: "off_temperature", Low: ptr(115), High: ptr(145), Unit: "[degF]", Mark: catalogue.CommonPractice},
	}
	runClimb  = catalogue.Limit{ID: "climb", Input: "off_temperature", High: ptr(170), Unit: "[degF]", Mark: catalogue.CommonPractice}
	briefHeat = catalogue.Limit{ID: "brief_heat", Input: "heating_time", Low: ptr(60), Unit: "s", Mark: catalogue.CommonPractice}
	shortHeat = catalogue.Limit{ID: "short_heat", Input: "heating_time", Low: ptr(90), Unit: "s", Mark: catalogue.CommonPractice}
)

// steadyHeat is how long, in seconds, the heat must have stayed on before a
// low outlet means that it never gets there. Common practice, no source.
const steadyHeat = 600

// judgeRun judges the outlet of a working dryer over its cycles. The outlet
// being hot or cool says little by itself: with too little air the high limit
// does the switching and the outlet stays normal or low.
func judgeRun(j *job) (result, error) {
	in, unit := j.run()
	off := j.offLimit(in.Setting)
	if off.limit != nil {
		in.LimitLow, in.LimitHigh = off.limit.Low, off.limit.High
	}
	run := sensors.AnalyseRun(in)
	if p, ok := j.steady(in, off); ok && in.Load != sensors.Wet {
		run.Pattern, run.Note = p, ""
	}
	if run.Pattern == sensors.NoCycling && j.heaterOff() {
		run.Pattern, run.Note = sensors.OperatingThermostat, ""
	}
	k := run.Off
	if k == 0 {
		k = run.Peak
	}
	r := result{quantity: measure.Temperature, unit: unit, limit: off.limit, probability: undecided, text: "no cycle"}
	if k > 0 {
		r = from(number{si: k, u: measure.Combine(j.uncertainty(k, measure.Temperature), run.OffU), unit: unit, quantity: measure.Temperature})
		r.limit = off.limit
	}
	r.note = runNote(run, unit)
	return j.byPattern(r, run, off), nil
}

// run gathers the series or the short form.
func (j *job) run() (sensors.RunInput, string) {
	in := sensors.RunInput{Setting: sensors.Setting(j.choice("setting")), Load: sensors.Load(j.choice("load"))}
	if s := j.reading.Series; s != nil {
		in.T, in.Kelvin = s.T, s.Value
		return in, j.seriesUnit()
	}
	unit := ""
	offs := j.numbers("off_temperature")
	if len(offs) > 0 {
		unit = offs[0].unit
	}
	in.Off, in.On = siOf(offs), siOf(j.numbers("on_temperature"))
	in.Heat, in.Rest = siOf(j.numbers("heating_time")), siOf(j.numbers("rest_time"))
	return in, unit
}

func siOf(ns []number) []float64 {
	out := make([]float64, 0, len(ns))
	for _, n := range ns {
		out = append(out, n.si)
	}
	return out
}

// offLimit is the limit of the off temperature for the setting: on HIGH what
// the sheet states for the outlet, else what follows from the thermostat's
// rating on it, else common practice; on another setting the check's own.
func (j *job) offLimit(s sensors.Setting) bounds {
	setting := string(s)
	if setting == "" {
		setting = "high"
	}
	if setting == "high" {
		if l, ok := j.check.Limit("off_by_rating"); ok && !j.states(j.check, "off") && j.states(j.check, l.ID) && j.thermostatRules() {
			return j.bounds(l)
		}
		return j.boundsNamed("off", offBySetting["high"])
	}
	return j.boundsNamed("off_"+setting, offBySetting[setting])
}

// states says whether the sheet has a value for the named limit.
func (j *job) states(check *catalogue.Check, limit string) bool {
	l, ok := check.Limit(limit)
	if !ok || l.Parameter == "" {
		return false
	}
	sv, ok := j.sheet[l.Parameter]
	return ok && j.sheetLimit(l, sv, j.quantityOf(l)) != nil
}

// thermostatRules says whether a cycling thermostat holds the temperature: on
// a machine with a thermistor the control does.
func (j *job) thermostatRules() bool {
	p, ok := j.kind.Part("cycling_thermostat")
	return ok && fitted(j.unit, p.Has, p.Lacks)
}

// steady reads a run noted by hand with one temperature and no return of the
// heat: it climbed on past every setting, or stayed low with the heat on. The
// clamp on one leg, or a look at the burner, tells whether the heat was on.
func (j *job) steady(in sensors.RunInput, off bounds) (sensors.Pattern, bool) {
	if len(in.T) > 0 || len(in.Off) != 1 || len(in.On) > 0 || len(in.Rest) > 0 {
		return "", false
	}
	climb := j.boundsNamed("climb", runClimb)
	a, clamped := j.number("current")
	heating := clamped && compare(a.si, a.u, j.motor()).Outcome == measure.DoesNotConform || j.choice("burner") == "lit"
	low := off.limit != nil && off.limit.Low != nil && in.Off[0] < *off.limit.Low
	switch {
	case climb.limit != nil && in.Off[0] > *climb.limit.High && heating:
		return sensors.NoCycling, true
	case low && len(in.Heat) == 1 && in.Heat[0] >= steadyHeat:
		return sensors.ReadsLow, true
	}
	return "", false
}

// heaterOff says whether the clamp showed the motor's current only, or the
// burner was seen out: the heat had gone off, however late.
func (j *job) heaterOff() bool {
	a, ok := j.number("current")
	return ok && compare(a.si, a.u, j.motor()).Outcome == measure.Conforms || j.choice("burner") == "out"
}

// motor is the most the motor takes, by the sheet, the check's own limit or
// common practice.
func (j *job) motor() *Limit {
	l := motorCurrent
	l.Parameter = "motor_current"
	return j.boundsNamed(l.ID, l).limit
}

func (j *job) byPattern(r result, run sensors.Run, off bounds) result {
	switch run.Pattern {
	case sensors.WetLoad:
		return r.with("wet_load").advise(run.Note)
	case sensors.TooShort:
		return r.with("too_short").advise(run.Note)
	case sensors.NoCycling:
		return j.noCycling(r, run)
	case sensors.ReadsLow:
		return j.readsLow(r, off)
	case sensors.HighLimit:
		return j.highLimitCycles(r, run)
	}
	return j.againstOff(r, run, off)
}

// againstOff judges a run in which a thermostat did the switching.
func (j *job) againstOff(r result, run sensors.Run, off bounds) result {
	if off.limit == nil {
		return j.unknownLimit(r, off.missing, "between")
	}
	c := compare(*r.measured, r.uncertainty, off.limit)
	r = r.sure(c.Probability)
	short := j.boundsNamed("brief_heat", briefHeat)
	briefly := run.Heat > 0 && short.limit != nil && short.limit.Low != nil && run.Heat < *short.limit.Low
	switch {
	case c.Outcome == measure.Conforms && briefly:
		return r.with("between").sure(undecided).advise("The heats are short for a thermostat: compare the air flow, then run two cycles more.")
	case c.Outcome == measure.Conforms:
		if odd := j.unsteady(r, run); odd != "" {
			return r.with("between").sure(undecided).advise(odd)
		}
		return r.with("normal")
	case c.Outcome == measure.DoesNotConform && *r.measured > mid(off.limit):
		return r.with("off_high")
	case c.Outcome == measure.DoesNotConform:
		return r.with("off_low")
	}
	return r.with("between").advise("Too near the limit for this thermometer: put the bead in mid-stream and run two cycles more.")
}

// unsteady names what is odd about a run that goes off at the right
// temperature: its off temperatures scatter, or the heat comes back too soon
// or too late. The differences are read with one thermometer, so one standard
// uncertainty is kept.
func (j *job) unsteady(r result, run sensors.Run) string {
	for _, d := range []struct {
		limit, words string
		si           float64
		known        bool
	}{
		{"spread", "The temperatures at which the heat goes off differ by ", run.OffSpread, run.Cycles > 1},
		{"differential", "Between off and on lie ", run.Differential, run.On > 0},
	} {
		l, ok := j.check.Limit(d.limit)
		if !ok || !d.known {
			continue
		}
		n := number{si: d.si, u: j.uncertainty(run.Off, measure.Temperature), unit: r.unit, quantity: measure.TemperatureDifference}
		b := j.bounds(l)
		if b.limit == nil || compare(n.si, n.u, b.limit).Outcome != measure.DoesNotConform {
			continue
		}
		x := from(n)
		x.limit = b.limit
		return d.words + valueText(x) + "; right is " + limitText(x) + " (" + originText(x) + "). Run three cycles more."
	}
	return ""
}

// mid is a point between the ends of a limit, or its only end.
func mid(l *Limit) float64 {
	switch {
	case l.Low == nil:
		return *l.High
	case l.High == nil:
		return *l.Low
	}
	return (*l.Low + *l.High) / 2
}

func (j *job) noCycling(r result, run sensors.Run) result {
	b := j.boundsNamed("climb", runClimb)
	peak := math.Max(run.Peak, run.OffMax)
	if b.limit == nil || peak == 0 {
		return r.with("between").advise(run.Note)
	}
	r.measured, r.text, r.limit = &peak, "", b.limit
	r.uncertainty = j.uncertainty(peak, measure.Temperature)
	c := compare(peak, r.uncertainty, b.limit)
	r = r.sure(c.Probability)
	if c.Outcome != measure.DoesNotConform {
		return r.with("between").advise("Let it run on, with an eye on it, until it switches off or passes the limit for certain.")
	}
	return r.with("no_cycling")
}

func (j *job) readsLow(r result, off bounds) result {
	if off.limit == nil || off.limit.Low == nil || r.measured == nil {
		return r.with("between")
	}
	c := measure.Lower(*r.measured, r.uncertainty, *off.limit.Low, j.unit.Rule)
	r = r.sure(c.Probability)
	if c.Outcome != measure.DoesNotConform {
		return r.with("between").advise("Let it run on until it switches off.")
	}
	return r.with("reads_low")
}

// highLimitCycles: heats too short for a thermostat are the evidence, so the
// probability is theirs.
func (j *job) highLimitCycles(r result, run sensors.Run) result {
	b := j.boundsNamed("short_heat", shortHeat)
	if b.limit == nil {
		return r.with("between")
	}
	c := compare(run.Heat, j.uncertainty(run.Heat, measure.Time), b.limit)
	r = r.sure(c.Probability)
	if c.Outcome != measure.DoesNotConform {
		return r.with("between").advise("Time the heats of two cycles more, to the second.")
	}
	return r.with("cycles_high_limit")
}

// runNote gives the figures a tech writes down.
func runNote(run sensors.Run, unit string) string {
	var parts []string
	show := func(name string, k float64) {
		if k > 0 {
			parts = append(parts, name+" "+measure.Format(k, unit, measure.Temperature, 0))
		}
	}
	show("off", run.Off)
	show("on", run.On)
	if run.Heat > 0 {
		parts = append(parts, "heating "+trimNumber(run.Heat, 0)+" s")
	}
	if run.Rest > 0 {
		parts = append(parts, "resting "+trimNumber(run.Rest, 0)+" s")
	}
	switch {
	case len(parts) < 2:
		return "" // the sentence has the one figure there is
	case run.Cycles < 2:
		return "Noted: " + strings.Join(parts, ", ") + "."
	}
	return "Mean of the cycles: " + strings.Join(parts, ", ") + "."
}
