package catalogue

import (
	"maps"
	"math"
	"regexp"
	"slices"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

func (v *validator) check(path string, c *Check) {
	v.text(join(path, "name"), c.Name)
	v.text(join(path, "why"), c.Why)
	v.text(join(path, "place"), c.Place)
	v.texts(join(path, "instructions"), c.Instructions)
	v.texts(join(path, "cautions"), c.Cautions)
	v.positive(join(path, "minutes"), c.Minutes)
	v.feature(path, c.Has, c.Lacks)
	v.asFound(join(path, "needs"), c.Needs)
	v.asFound(join(path, "destroys"), c.Destroys)
	for i, id := range c.For {
		refer(v, at(join(path, "for"), i), "complaint", id, v.kind.Complaint)
	}
	v.speaksOf(path, c)
	v.state(path, c)
	v.inputs(path, c)
	v.positions(path, c)
	v.limits(path, c)
	v.rule(path, c)
	v.findings(path, c)
}

// speaksOf checks the parts a check is about and what it answers.
func (v *validator) speaksOf(path string, c *Check) {
	if len(c.Parts) == 0 {
		v.fail(join(path, "parts"), "must not be empty")
	}
	for i, p := range c.Parts {
		refer(v, at(join(path, "parts"), i), "part", p, v.kind.Part)
	}
	if len(c.Answers) == 0 {
		v.fail(join(path, "answers"), "must not be empty")
	}
	for i, a := range c.Answers {
		v.id(at(join(path, "answers"), i), a)
	}
}

// state checks the circuit state and what it asks for: instructions always,
// cautions with power on, a competence for live or gas work.
func (v *validator) state(path string, c *Check) {
	oneOf(v, join(path, "state"), c.State, Phone, Off, Isolated, RunningClosed, LiveOpen)
	if len(c.Instructions) == 0 {
		v.fail(path, "needs an instruction")
	}
	if powered := c.State == RunningClosed || c.State == LiveOpen; powered && len(c.Cautions) == 0 {
		v.fail(path, "is done with power on and needs a caution")
	}
	if c.Competence != "" {
		oneOf(v, join(path, "competence"), c.Competence, "live", "gas", "refrigerant")
	}
	if c.State == LiveOpen && c.Competence != "live" {
		v.fail(path, "is done live and open and needs competence \"live\"")
	}
	if c.Gas && c.Competence != "gas" {
		v.fail(path, "is gas work and needs competence \"gas\"")
	}
	if c.Gas && c.Electric {
		v.fail(path, "is both gas work and for electric machines only")
	}
}

func (v *validator) inputs(path string, c *Check) {
	if len(c.Inputs) == 0 {
		v.fail(join(path, "inputs"), "must not be empty")
	}
	unique(v, join(path, "inputs"), c.Inputs, inputID)
	for i := range c.Inputs {
		v.input(at(join(path, "inputs"), i), &c.Inputs[i])
	}
	if c.Series != nil {
		v.units(join(path, "series"), c.Series.Quantity, c.Series.Units)
	}
}

func (v *validator) input(path string, in *Input) {
	v.text(join(path, "name"), in.Name)
	if len(in.Choices) == 0 {
		v.units(path, in.Quantity, in.Units)
		v.order(path, in.Low, in.High)
		return
	}
	if in.Quantity != "" || len(in.Units) > 0 || in.OverRange || in.Many {
		v.fail(path, "a choice has no quantity, units, over_range or many")
	}
	unique(v, join(path, "choices"), in.Choices, func(c *Choice) string { return c.ID })
	for i := range in.Choices {
		v.text(join(at(join(path, "choices"), i), "name"), in.Choices[i].Name)
	}
}

// order checks that both ends are finite and low is not above high.
func (v *validator) order(path string, low, high *float64) {
	v.finite(join(path, "low"), low)
	v.finite(join(path, "high"), high)
	if low != nil && high != nil && *low >= *high {
		v.fail(join(path, "low"), "%g is not below high, %g", *low, *high)
	}
}

func (v *validator) finite(path string, x *float64) {
	if x != nil && (math.IsNaN(*x) || math.IsInf(*x, 0)) {
		v.fail(path, "must be a finite number")
	}
}

func (v *validator) positions(path string, c *Check) {
	unique(v, join(path, "positions"), c.Positions, positionID)
	for i := range c.Positions {
		p, here := &c.Positions[i], at(join(path, "positions"), i)
		v.text(join(here, "name"), p.Name)
		v.feature(here, p.Has, p.Lacks)
		refer(v, join(here, "limit"), "limit", p.Limit, c.Limit)
	}
}

func (v *validator) limits(path string, c *Check) {
	unique(v, join(path, "limits"), c.Limits, limitID)
	for i := range c.Limits {
		v.limit(at(join(path, "limits"), i), c, &c.Limits[i])
	}
}

func (v *validator) limit(path string, c *Check, l *Limit) {
	v.mark(join(path, "mark"), l.Mark, l.Source)
	v.order(path, l.Low, l.High)
	refer(v, join(path, "parameter"), "parameter", l.Parameter, v.kind.Parameter)
	refer(v, join(path, "tolerance_parameter"), "parameter", l.ToleranceParameter, v.kind.Parameter)
	if l.Parameter == "" && (l.Indispensable || l.Mark == Sheet) {
		v.fail(path, "comes from the data sheet but names no parameter")
	}
	if l.Parameter == "" && l.Low == nil && l.High == nil {
		v.fail(path, "has neither a parameter nor low nor high")
	}
	if !l.Indispensable && l.Low == nil && l.High == nil {
		v.fail(path, "has no figure to fall back on: make the parameter indispensable")
	}
	if l.Tolerance != nil {
		v.positive(join(path, "tolerance"), *l.Tolerance)
	}
	if l.RelativeTolerance != nil {
		v.positive(join(path, "relative_tolerance"), *l.RelativeTolerance)
	}
	in, ok := c.Input(l.Input)
	if !ok {
		v.fail(join(path, "input"), "there is no input %q", l.Input)
		return
	}
	v.limitUnit(path, l, in)
}

// limitUnit checks that the limit's unit, and the parameter in its place, are
// of the limit's quantity.
func (v *validator) limitUnit(path string, l *Limit, in *Input) {
	quantity := l.Quantity
	if quantity == "" {
		quantity = in.Quantity
	}
	v.unit(join(path, "unit"), quantity, l.Unit)
	if p, ok := v.kind.Parameter(l.Parameter); ok && p.Quantity != quantity {
		v.fail(join(path, "parameter"), "%s is of %s, the limit of %s", p.ID, p.Quantity, quantity)
	}
}

func (v *validator) findings(path string, c *Check) {
	if len(c.Findings) == 0 {
		v.fail(join(path, "findings"), "must not be empty")
	}
	unique(v, join(path, "findings"), c.Findings, findingID)
	for i := range c.Findings {
		v.finding(at(join(path, "findings"), i), c, &c.Findings[i])
	}
	v.chances(join(path, "findings"), c)
	if c.After != "" {
		if o, ok := v.kind.Check(c.After); !ok || o.ID == c.ID {
			v.fail(join(path, "after"), "there is no other check %q", c.After)
		}
	}
	v.ladder(join(path, "findings"), c)
}

func (v *validator) finding(path string, c *Check, f *Finding) {
	v.sentence(join(path, "sentence"), f.Sentence)
	if len(f.Verdicts) == 0 {
		v.fail(join(path, "verdicts"), "must not be empty")
	}
	unsettled := false
	for i := range f.Verdicts {
		v.says(at(join(path, "verdicts"), i), c, &f.Verdicts[i])
		unsettled = unsettled || f.Verdicts[i].Outcome == "inconclusive"
	}
	if unsettled {
		v.text(join(path, "do"), f.Do)
	}
	v.weights(path, f)
}

var placeholder = regexp.MustCompile(`\{[^}]*\}`)

func (v *validator) sentence(path, s string) {
	v.text(path, s)
	for _, p := range placeholder.FindAllString(s, -1) {
		oneOf(v, path, p, "{value}", "{limit}", "{origin}", "{position}")
	}
}

// says checks one verdict: of a part of the check, and naming one of its
// faults exactly when it does not conform. A part without faults of its own
// (air as a whole) names none.
func (v *validator) says(path string, c *Check, s *Says) {
	oneOf(v, join(path, "outcome"), s.Outcome, "conforms", "does_not_conform", "inconclusive")
	if !slices.Contains(c.Parts, s.Part) {
		v.fail(join(path, "part"), "%q is not a part of check %s", s.Part, c.ID)
	}
	if s.Outcome != "does_not_conform" {
		if s.Fault != "" {
			v.fail(join(path, "fault"), "only a part that does not conform has a fault")
		}
		return
	}
	f, ok := v.kind.Fault(s.Fault)
	switch {
	case s.Fault == "" && v.hasFaults(s.Part):
		v.fail(path, "must name the fault of %s", s.Part)
	case s.Fault != "" && !ok:
		v.fail(join(path, "fault"), "there is no fault %q", s.Fault)
	case ok && f.Part != s.Part:
		v.fail(join(path, "fault"), "%s is a fault of %s, not of %s", f.ID, f.Part, s.Part)
	}
}

func (v *validator) hasFaults(part string) bool {
	return slices.ContainsFunc(v.kind.Faults, func(f Fault) bool { return f.Part == part })
}

func (v *validator) weights(path string, f *Finding) {
	if len(f.Weights) == 0 {
		if f.Otherwise != 0 {
			v.fail(join(path, "otherwise"), "goes with weights only")
		}
		return
	}
	v.chance(join(path, "otherwise"), f.Otherwise)
	v.mark(join(path, "mark"), f.Mark, "")
	for _, fault := range sortedKeys(f.Weights) {
		p := join(join(path, "weights"), fault)
		refer(v, p, "fault", fault, v.kind.Fault)
		v.chance(p, f.Weights[fault])
	}
}

// ladder checks that findings stand mildest first: the first that carries
// weights accuses no part. What lies on either side of a limit must be that
// first finding and another one with weights.
func (v *validator) ladder(path string, c *Check) {
	var rungs []*Finding
	for i := range c.Findings {
		if len(c.Findings[i].Weights) > 0 {
			rungs = append(rungs, &c.Findings[i])
		}
	}
	if len(rungs) == 0 {
		return
	}
	for _, s := range rungs[0].Verdicts {
		if s.Fault != "" {
			v.fail(path, "the first finding with weights, %s, must accuse no part: findings stand mildest first", rungs[0].ID)
		}
	}
	for i := range c.Findings {
		for _, n := range c.Findings[i].Near {
			p := join(path, c.Findings[i].ID)
			oneOf(v, join(p, "side"), string(n.Side), string(SideLow), string(SideHigh))
			if n.Inside != rungs[0].ID {
				v.fail(join(p, "inside"), "%q must be the first finding with weights, %s", n.Inside, rungs[0].ID)
			}
			if n.Beyond == n.Inside || !slices.ContainsFunc(rungs, func(f *Finding) bool { return f.ID == n.Beyond }) {
				v.fail(join(p, "beyond"), "%q is no other finding with weights", n.Beyond)
			}
		}
	}
}

// sumSlack is how far chances that should add up to 1 may be off.
const sumSlack = 0.01

// chances checks that, given any one fault or none, the findings that carry
// weights add up to 1: the check must come out some way.
func (v *validator) chances(path string, c *Check) {
	faults, none := map[string]bool{}, 0.0
	for i := range c.Findings {
		none += c.Findings[i].Otherwise
		for f := range c.Findings[i].Weights {
			faults[f] = true
		}
	}
	if len(faults) == 0 {
		v.fail(path, "none carries weights, so the check tells nothing apart")
		return
	}
	if math.Abs(none-1) > sumSlack {
		v.fail(path, "otherwise adds up to %.3f, not 1", none)
	}
	for _, f := range sortedKeys(faults) {
		if sum := chanceSum(c, f); math.Abs(sum-1) > sumSlack {
			v.fail(path, "chances given %s add up to %.3f, not 1", f, sum)
		}
	}
}

func chanceSum(c *Check, fault string) float64 {
	sum := 0.0
	for i := range c.Findings {
		if w, ok := c.Findings[i].Weights[fault]; ok {
			sum += w
		} else {
			sum += c.Findings[i].Otherwise
		}
	}
	return sum
}
