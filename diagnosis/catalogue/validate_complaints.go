package catalogue

import (
	"math"
	"slices"
)

// stopping are the failure modes by which a second barrier stops what it
// should let run: no heat, no start. One that fails to protect causes nothing
// by itself.
var stopping = []string{"open", "open_cold", "opens_early", "high_resistance"}

func (v *validator) complaint(path string, c *Complaint) {
	v.text(join(path, "name"), c.Name)
	v.text(join(path, "say"), c.Say)
	unique(v, join(path, "triage"), c.Triage, func(q *Question) string { return q.ID })
	for i := range c.Triage {
		v.question(at(join(path, "triage"), i), c, &c.Triage[i])
	}
	v.causes(path, c)
	unique(v, join(path, "closing"), c.Closing, func(x *Closing) string { return x.ID })
	if len(c.Closing) == 0 {
		v.fail(join(path, "closing"), "must not be empty")
	}
	for i := range c.Closing {
		v.closing(at(join(path, "closing"), i), &c.Closing[i])
	}
}

func (v *validator) question(path string, c *Complaint, q *Question) {
	v.text(join(path, "ask"), q.Ask)
	if len(q.Answers) < 2 {
		v.fail(join(path, "answers"), "a question has at least two answers")
	}
	unique(v, join(path, "answers"), q.Answers, func(a *Answer) string { return a.ID })
	for i := range q.Answers {
		a, here := &q.Answers[i], at(join(path, "answers"), i)
		v.text(join(here, "text"), a.Text)
		for _, f := range sortedKeys(a.Weights) {
			p := join(join(here, "weights"), f)
			v.positive(p, a.Weights[f])
			if _, ok := c.Cause(f); !ok {
				v.fail(p, "%q is not a cause of %s", f, c.ID)
			}
		}
	}
}

// causes checks each cause and that the first causes add up to 1. Second
// barriers and faults that do not explain the complaint stand beside them.
func (v *validator) causes(path string, c *Complaint) {
	sum, seen := 0.0, map[string]bool{}
	for i := range c.Causes {
		x, here := &c.Causes[i], at(join(path, "causes"), i)
		v.cause(here, x)
		if seen[x.Fault] {
			v.fail(join(here, "fault"), "%q is there twice", x.Fault)
		}
		seen[x.Fault] = true
		if x.Explains == ExplainsYes {
			sum += x.Prior
		}
	}
	if !(math.Abs(sum-1) <= sumSlack) {
		v.fail(join(path, "causes"), "priors of the causes that explain the complaint add up to %.3f, not 1", sum)
	}
}

func (v *validator) cause(path string, x *Cause) {
	oneOf(v, join(path, "explains"), x.Explains, ExplainsYes, ExplainsNo, ExplainsBarrier)
	v.chance(join(path, "prior"), x.Prior)
	v.mark(join(path, "mark"), x.Mark, x.Note)
	f, ok := v.kind.Fault(x.Fault)
	if !ok {
		v.fail(join(path, "fault"), "there is no fault %q", x.Fault)
		return
	}
	if !v.reachable(x.Fault) {
		v.fail(join(path, "fault"), "no finding of any check speaks for or against %s", x.Fault)
	}
	part, ok := v.kind.Part(f.Part)
	if ok && x.Explains == ExplainsYes && part.Role == SecondBarrier && !slices.Contains(stopping, f.Mode) {
		v.fail(join(path, "explains"), "%s is a second barrier and never a first cause but by stopping the machine", part.ID)
	}
	if ok && x.Explains == ExplainsBarrier && part.Role != SecondBarrier {
		v.fail(join(path, "explains"), "%s is not a second barrier", part.ID)
	}
}

// reachable says whether some finding makes the fault more or less likely.
func (v *validator) reachable(fault string) bool {
	for i := range v.kind.Checks {
		for k := range v.kind.Checks[i].Findings {
			f := &v.kind.Checks[i].Findings[k]
			if w, ok := f.Weights[fault]; ok && w != f.Otherwise {
				return true
			}
		}
	}
	return false
}

// closing checks one closing item: a statement, checks that can conform, or
// both.
func (v *validator) closing(path string, c *Closing) {
	v.text(join(path, "text"), c.Text)
	v.feature(path, c.Has, "")
	if c.Statement == "" && len(c.AnyOf) == 0 {
		v.fail(path, "names neither a statement nor checks")
	}
	if c.Statement != "" {
		v.id(join(path, "statement"), c.Statement)
	}
	for i, id := range c.AnyOf {
		p := at(join(path, "any_of"), i)
		check, ok := v.kind.Check(id)
		if !ok {
			v.fail(p, "there is no check %q", id)
		} else if !canConform(check) {
			v.fail(p, "check %s has no finding that conforms", id)
		}
	}
}

// canConform says whether some finding has only verdicts that conform.
func canConform(c *Check) bool {
	for i := range c.Findings {
		all := len(c.Findings[i].Verdicts) > 0
		for _, s := range c.Findings[i].Verdicts {
			all = all && s.Outcome == "conforms"
		}
		if all {
			return true
		}
	}
	return false
}
