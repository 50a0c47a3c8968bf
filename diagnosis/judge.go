package diagnosis

import (
	"cmp"
	"fmt"
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// InputError is a reading that cannot be judged as it was entered. Message
// tells the person who entered it what to put right.
type InputError struct {
	Field   string // e.g. "check", "values.off_temperature[2]", "series.t"
	Rule    string // unknown, required, forbidden, unit, choice, finite, range, order, shape
	Message string
}

// Error gives the field and the message.
func (e *InputError) Error() string { return e.Field + ": " + e.Message }

func refuse(field, rule, format string, args ...any) *InputError {
	return &InputError{Field: field, Rule: rule, Message: fmt.Sprintf(format, args...)}
}

// Judge says what a reading means for each part its check speaks about, for
// the given complaint, data sheet and unit. Values are SI. It gives one
// verdict for every part of the unit the finding names, none for a reading that was not
// done, and *InputError for one that does not fit its check.
//
// The data sheet wins over the catalogue's own limit. The instrument's limit
// of error enters as a rectangular distribution (JCGM 100:2008, 4.3.7); a
// value conforms when it lies inside the limit with a probability of at least
// u.Rule.Accept, fails at u.Rule.Reject or less, and is inconclusive between
// (JCGM 106:2012). A unit without a rule has measure.DefaultRule.
//
// Any other error is a fault of the catalogue: an unknown rule, or a finding
// of the rule the check does not list.
func Judge(k *catalogue.Kind, complaint string, r Reading, s Sheet, u Unit) ([]Verdict, error) {
	j := &job{kind: k, reading: r, sheet: s, unit: u}
	c, ok := k.Complaint(complaint)
	if !ok {
		return nil, refuse("complaint", "unknown", "%q is not a complaint of %s.", complaint, k.ID)
	}
	j.complaint = c
	if bad := j.validate(); bad != nil {
		return nil, bad
	}
	if r.NotDone != "" {
		return nil, nil
	}
	rule, ok := rules[j.check.Rule]
	if !ok {
		return nil, fmt.Errorf("judge: check %s names the unknown rule %q", j.check.ID, j.check.Rule)
	}
	res, err := rule(j)
	if err != nil {
		return nil, err
	}
	return j.verdicts(res)
}

// job is one reading on its way to its verdicts.
type job struct {
	kind      *catalogue.Kind
	complaint *catalogue.Complaint
	check     *catalogue.Check
	position  *catalogue.Position
	reading   Reading
	sheet     Sheet
	unit      Unit
}

// result is what a rule came to.
type result struct {
	finding     string
	measured    *float64 // SI
	quantity    measure.Quantity
	unit        string // UCUM code the sentence speaks in
	text        string // stands for {value} when there is no single number
	uncertainty float64
	probability float64 // that the limit is met
	limit       *Limit
	missing     string // data-sheet parameter
	why         string // goes before what is to be done
	do          string // stands instead of what the finding says to do
	note        string // goes after the sentence
	said        string // stands instead of the finding\'s sentence, where that speaks of a number and there is none
}

const notFitted = "By its entry the machine does not have what this check is about: correct the unit's features if it has."

// fitting is what the finding says of parts this unit has: a machine with a
// thermistor has no cycling thermostat to accuse. Nothing to say of any part
// still gives one verdict, without a part, so that the reading has its
// sentence.
func (j *job) fitting(f *catalogue.Finding) []catalogue.Says {
	says := make([]catalogue.Says, 0, len(f.Verdicts))
	for _, s := range f.Verdicts {
		if p, ok := j.kind.Part(s.Part); ok && !fitted(j.unit, p.Has, p.Lacks) {
			continue
		}
		says = append(says, s)
	}
	if len(says) == 0 {
		says = append(says, catalogue.Says{Outcome: string(Inconclusive)})
	}
	return says
}

// verdicts gives one verdict for each part of the unit the finding speaks of.
func (j *job) verdicts(r result) ([]Verdict, error) {
	f, ok := j.check.Finding(r.finding)
	if !ok {
		return nil, fmt.Errorf("judge: rule %s of check %s came to %q, which the check does not list", j.check.Rule, j.check.ID, r.finding)
	}
	if !finite(r.probability) || !finite(r.uncertainty) || (r.measured != nil && !finite(*r.measured)) {
		return nil, fmt.Errorf("judge: rule %s of check %s came to no number", j.check.Rule, j.check.ID)
	}
	says := j.fitting(f)
	sentence := j.sentence(f, r)
	out := make([]Verdict, 0, len(says))
	if len(f.Verdicts) > 0 && says[0].Part == "" {
		r = r.advise(notFitted)
	}
	for _, s := range says {
		v := Verdict{Part: s.Part, Outcome: Outcome(s.Outcome), Fault: s.Fault, Finding: f.ID,
			Probability: probability(Outcome(s.Outcome), r.probability, j.unit.Rule),
			Measured:    r.measured, Uncertainty: r.uncertainty, Limit: r.limit, Sentence: sentence}
		v.Explains, v.Do = j.explains(s), j.toDo(f, r, s)
		if v.Outcome == Inconclusive {
			v.Missing = r.missing
		}
		out = append(out, v)
	}
	return out, nil
}

// toDo is what to do next: what the rule found needful, else what the finding
// says, else the usual fix of a fault.
func (j *job) toDo(f *catalogue.Finding, r result, s catalogue.Says) string {
	if do := cmp.Or(r.do, f.Do); do != "" {
		return joined(r.why, do)
	}
	if fault, ok := j.kind.Fault(s.Fault); ok {
		if fix, ok := j.kind.Action(fault.Fix); ok {
			return joined(r.why, fix.Name+".")
		}
	}
	return r.why
}

// probability is that the part conforms. A run that is too hot can say that
// the thermostat fails and, by the same token, that the air is good: for each
// outcome the probability lies on its own side.
func probability(o Outcome, p float64, rule measure.Rule) float64 {
	switch o {
	case Conforms:
		return math.Max(p, 1-p)
	case DoesNotConform:
		return math.Min(p, 1-p)
	}
	if rule.Decides(p) {
		// The test was decisive, but about another part.
		return undecided
	}
	return p
}

// explains says whether the fault accounts for the complaint; a fault the
// complaint does not list does not.
func (j *job) explains(s catalogue.Says) catalogue.Explains {
	if s.Fault == "" {
		return ""
	}
	if c, ok := j.complaint.Cause(s.Fault); ok && c.Explains != "" {
		return c.Explains
	}
	if p, ok := j.kind.Part(s.Part); ok && p.Role == catalogue.SecondBarrier {
		return catalogue.ExplainsBarrier
	}
	return catalogue.ExplainsNo
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
