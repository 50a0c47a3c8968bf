package diagnosis

import (
	"math"
	"strings"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// rules are the judging rules by the name a check gives. A rule answers with
// the id of one of its findings, which the check must list:
//
//	choice       the id chosen at input result
//	range        conforms low high open between_low between_high no_limit wires_on drop
//	coil         conforms low high open between_low between_high no_limit wires_on
//	supply       conforms low high drop back_fed between_low between_high
//	insulation   conforms grounded between wires_on
//	relay        open_at_rest closed_at_rest wires_on
//	stamp        matches differs no_limit
//	air_only     no_heat heats unequal_legs between
//	duct_ratio   duct_restricted duct_clear between
//	air_speed    as range
//	collar       as range
//	low_setting  lower same between
//	thermistor   conforms high low open short between no_limit
//	opening      conforms early late never open_cold too_fast no_limit between
//	run          normal cycles_high_limit off_high off_low no_cycling reads_low too_short wet_load between
//	rtd          conforms high low open short between
//	oven_cycles  conforms low high too_short between_low between_high
//	cold_contact closed_cold open_warm open_cold closed_warm between wires_on
//	compressor   conforms low high unequal open grounded between wires_on
//	heater_current  conforms low high half no_current drop between_low between_high no_limit
//	windings     conforms unequal low high open grounded between between_low between_high wires_on charged
//	capacitor    conforms low high open short between_low between_high charged
//	wet_load     conforms high between_high
var rules = map[string]func(*job) (result, error){
	"choice":      judgeChoice,
	"range":       judgeRange,
	"coil":        judgeCoil,
	"supply":      judgeSupply,
	"insulation":  judgeInsulation,
	"relay":       judgeRelay,
	"stamp":       judgeStamp,
	"air_only":    judgeAirOnly,
	"duct_ratio":  judgeDuctRatio,
	"air_speed":   judgeAirSpeed,
	"collar":      judgeCollar,
	"low_setting": judgeLowSetting,
	"thermistor":  judgeThermistor,
	"opening":     judgeOpening,
	"run":         judgeRun,

	"rtd":         judgeRTD,
	"oven_cycles": judgeOvenCycles,

	"cold_contact": judgeColdContact,
	"compressor":   judgeCompressor,

	"heater_current": judgeHeaterCurrent,

	"windings":  judgeWindings,
	"capacitor": judgeCapacitor,
	"wet_load":  judgeWetLoad,
}

// RuleNames lists the judging rules a check may name, in alphabetical order.
func RuleNames() []string {
	set := map[string]bool{}
	for name := range rules {
		set[name] = true
	}
	return sortedKeys(set)
}

// undecided is the probability of a verdict nothing was measured for.
const undecided = 0.5

const wiresOff = "Take the wires off and measure again: with them on, a path beside the part is measured with it."

// from starts a result with one measured number.
func from(n number) result {
	r := result{quantity: n.quantity, unit: n.unit, uncertainty: n.u, probability: undecided}
	if n.over {
		r.text, r.unit = "over range", "" // the limit is told in its own unit
		return r
	}
	v := n.si
	r.measured = &v
	return r
}

// with names the finding.
func (r result) with(finding string) result {
	r.finding = finding
	return r
}

// sure sets the probability of the limit being met.
func (r result) sure(p float64) result {
	r.probability = p
	return r
}

// advise sets what to do first.
func (r result) advise(do string) result {
	r.do = joined(do, r.do)
	return r
}

func required(j *job, input string) error {
	name := input
	if in, ok := j.check.Input(input); ok && in.Name != "" {
		name = in.Name
	}
	return refuse("values."+input, "required", "%s is needed to judge this check.", name)
}

// lists says whether the check has the finding.
func (j *job) lists(finding string) bool {
	_, ok := j.check.Finding(finding)
	return ok
}

// firstOf is the first of the findings the check lists, else the first.
func (j *job) firstOf(findings ...string) string {
	for _, f := range findings {
		if j.lists(f) {
			return f
		}
	}
	return findings[0]
}

// limitHere is the limit that holds at the reading's position: the one the
// position names, else the check's first.
func (j *job) limitHere() *catalogue.Limit {
	if j.position != nil && j.position.Limit != "" {
		if l, ok := j.check.Limit(j.position.Limit); ok {
			return l
		}
	}
	if len(j.check.Limits) == 0 {
		return nil
	}
	return &j.check.Limits[0]
}

// boundsNamed resolves a limit by id, or the fallback when the check has none.
func (j *job) boundsNamed(id string, fallback catalogue.Limit) bounds {
	if l, ok := j.check.Limit(id); ok {
		return j.bounds(l)
	}
	return j.bounds(&fallback)
}

// unknownLimit is the result when the data sheet would be needed.
func (j *job) unknownLimit(r result, parameter, finding string) result {
	r.missing = parameter
	name, where := parameter, ""
	if p, ok := j.kind.Parameter(parameter); ok {
		name = lower(p.Name)
		if p.Where != "" {
			where = " Where it stands: " + strings.TrimSuffix(lower(p.Where), ".") + "."
		}
	}
	return r.with(finding).sure(undecided).advise("Enter from the data sheet: " + name + "." + where + " The reading is then judged again.")
}

// judgeChoice: what was seen is the finding. A look has no uncertainty of
// measurement, so the probability is that of the outcome: one, zero or a half.
func judgeChoice(j *job) (result, error) {
	c := j.choice("result")
	if c == "" {
		return result{}, required(j, "result")
	}
	r := result{finding: c, text: j.choiceName("result", c)}
	return r.sure(1), nil
}

func (j *job) choiceName(input, id string) string {
	if in, ok := j.check.Input(input); ok {
		for _, c := range in.Choices {
			if c.ID == id && c.Name != "" {
				return lower(c.Name)
			}
		}
	}
	return id
}

// judgeRange holds one number against one limit.
func judgeRange(j *job) (result, error) {
	l := j.limitHere()
	if l == nil {
		return result{finding: "no_limit", probability: undecided}, nil
	}
	n, ok := j.number(l.Input)
	if !ok {
		return result{}, required(j, l.Input)
	}
	return j.held(n, l, j.bounds(l)), nil
}

// held is what comes of a number held against the limit made of l.
func (j *job) held(n number, l *catalogue.Limit, b bounds) result {
	r := from(n)
	r.limit = b.limit
	switch {
	case n.over:
		return r.with("open").sure(0)
	case b.limit == nil:
		return j.unknownLimit(r, b.missing, "no_limit")
	}
	c := compare(n.si, n.u, b.limit)
	r = r.with(side(c.Outcome, n.si, b.limit)).sure(c.Probability)
	if j.wiresOn() && r.finding != "high" {
		// A path beside the part only lowers the reading: too high stays true.
		return r.with(j.firstOf("wires_on", "between_low", "between_high")).sure(undecided).advise(wiresOff)
	}
	if c.Outcome == measure.Inconclusive {
		r.why = j.tooClose(n)
	}
	r.note = j.accuracyNote(n, c.Outcome)
	if c.Outcome == measure.Conforms {
		return j.afterwards(r, n, l)
	}
	return r
}

// afterwards looks at the further limits of a value that conforms: "drop", the
// share a loaded supply may lose against the unloaded one, and "good", above
// which the value is not merely allowed.
func (j *job) afterwards(r result, n number, first *catalogue.Limit) result {
	if l, ok := j.check.Limit("drop"); ok {
		if idle, given := j.number(l.Input); given && idle.si > 0 {
			return j.judgeDrop(r, n, idle, j.bounds(l))
		}
	}
	if l, ok := j.check.Limit("good"); ok && l.Input == first.Input {
		good := j.bounds(l)
		if good.limit != nil && compare(n.si, n.u, good.limit).Outcome == measure.DoesNotConform {
			g := r
			g.limit = good.limit
			r.note = joined("Allowed but marginal: good is "+limitText(g)+".", r.note)
		}
	}
	return r
}

// judgeDrop holds the loss under load against its limit. Both voltages are
// read with one meter: the scale error cancels, so half its doubt is kept.
func (j *job) judgeDrop(r result, loaded, idle number, b bounds) result {
	if b.limit == nil {
		return r
	}
	d := from(number{si: 1 - loaded.si/idle.si, u: math.Max(loaded.u, idle.u) / idle.si / 2, unit: "%", quantity: measure.Ratio})
	d.limit = b.limit
	c := compare(*d.measured, d.uncertainty, b.limit)
	switch c.Outcome {
	case measure.Conforms:
		if *d.measured > 0 {
			r.note = joined(r.note, "Under load the supply loses "+percent(*d.measured)+" of its volts; allowed is "+limitText(d)+".")
		}
		return r
	case measure.DoesNotConform:
		return d.with("drop").sure(c.Probability)
	}
	return d.with("between_low").sure(undecided).advise("Under load the supply loses about as much as it may: look at the lugs, then read both voltages again.")
}

// side names the finding of a comparison.
func side(o measure.Outcome, x float64, l *Limit) string {
	end := "low"
	if nearHigh(x, l) {
		end = "high"
	}
	switch o {
	case measure.Conforms:
		return "conforms"
	case measure.DoesNotConform:
		return end
	}
	return "between_" + end
}

// tooClose says why a value too near its limit settles nothing.
func (j *job) tooClose(n number) string {
	if !stated(j.instrumentFor(n.quantity)) {
		return "Too near the limit for an instrument that is not known: name it."
	}
	return "Too near the limit for this instrument (" + plusMinus(n) + ")."
}

// accuracyNote states the accuracy a decided verdict used, and whether it was
// the instrument's own.
func (j *job) accuracyNote(n number, o measure.Outcome) string {
	if o == measure.Inconclusive || n.u == 0 {
		return ""
	}
	from := "as the instrument is stated"
	if !stated(j.instrumentFor(n.quantity)) {
		from = "assumed, the instrument is not known"
	}
	return "Accuracy used: " + plusMinus(n) + " (" + from + ")."
}

// plusMinus is the limit of error of a number, ±√3·u, as a tech says it.
func plusMinus(n number) string {
	a := n.u * math.Sqrt(3)
	q := n.quantity
	if q == measure.Temperature {
		q = measure.TemperatureDifference
	}
	unit := displayUnit(n.unit, "", q)
	v, err := measure.FromSI(a, unit, q)
	if err != nil {
		return "unknown"
	}
	return "±" + significant(v) + " " + measure.Symbol(unit, q)
}

// significant writes v with two significant digits.
func significant(v float64) string {
	if v == 0 {
		return "0"
	}
	d := 1 - int(math.Floor(math.Log10(math.Abs(v))))
	if d < 0 {
		p := math.Pow(10, float64(-d))
		return trimNumber(math.Round(v/p)*p, 0)
	}
	return trimNumber(v, d)
}
