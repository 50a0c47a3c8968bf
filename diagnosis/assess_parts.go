package diagnosis

import (
	"cmp"
	"slices"
	"strings"
)

// standing is the evidence about a part that no later action has ended.
// Once there is a verification reading of the part, only those stand: they
// judge the machine as it is now.
func (m *model) standing(part string) []evidence {
	var all, verified []evidence
	for i := range m.all {
		e := &m.all[i]
		v := e.verdict(part)
		if v == nil || m.endedAfter(*e, part) {
			continue
		}
		all = append(all, *e)
		if e.judged.Reading.Phase == Verification && v.Outcome != Inconclusive {
			verified = append(verified, *e)
		}
	}
	if len(verified) > 0 {
		return verified
	}
	return all
}

// standingNow is the latest of the standing evidence about a part, worked out
// once: a part's state and each of its barriers ask for it.
func (m *model) standingNow(part string) []evidence {
	es, ok := m.now[part]
	if !ok {
		if m.now == nil {
			m.now = make(map[string][]evidence, len(m.kind.Parts))
		}
		es = latest(m.standing(part))
		m.now[part] = es
	}
	return es
}

// mustNotRun is the sentence for a machine that a standing reading forbids to
// run: a coil that touches the case, heat nobody asked for, a bypassed safety
// device. It is empty when the machine may run.
func (m *model) mustNotRun() string {
	for i := range m.kind.Parts {
		part := m.kind.Parts[i].ID
		for _, e := range m.standingNow(part) {
			if v := e.verdict(part); e.finding.Stop && v != nil && v.Outcome == DoesNotConform {
				return "Do not run the machine: " + lower(firstClause(v.Sentence)) + ". Keep it isolated until that is mended."
			}
		}
	}
	return ""
}

// firstClause is a sentence up to its first colon, semicolon or full stop.
func firstClause(s string) string {
	end := len(s)
	for _, stop := range []string{": ", "; ", ". "} {
		if i := strings.Index(s, stop); i >= 0 {
			end = min(end, i)
		}
	}
	return strings.TrimSuffix(s[:end], ".")
}

func (m *model) endedAfter(e evidence, part string) bool {
	for _, d := range m.dones {
		if after(d.done, e.judged.Reading) && d.touches(part) {
			return true
		}
	}
	return false
}

// verdict is the reading's verdict on a part, nil when it has none. Of two,
// one that does not conform goes first.
func (e *evidence) verdict(part string) *Verdict {
	var out *Verdict
	for i := range e.judged.Verdicts {
		v := &e.judged.Verdicts[i]
		if v.Part == part && (out == nil || v.Outcome == DoesNotConform) {
			out = v
		}
	}
	return out
}

func (e *evidence) sentence(part string) string {
	if v := e.verdict(part); v != nil {
		return v.Sentence
	}
	return e.judged.Verdicts[0].Sentence
}

// partStates is where every part of the unit stands, in catalogue order.
func (m *model) partStates() []PartState {
	out := make([]PartState, 0, len(m.kind.Parts))
	for i := range m.kind.Parts {
		p := &m.kind.Parts[i]
		if fitted(m.c.Unit, p.Has, p.Lacks) {
			out = append(out, m.partState(p.ID))
		}
	}
	return out
}

// partState takes the latest reading of each check. One that does not conform
// outweighs those that do: a part is good only when nothing says otherwise.
func (m *model) partState(part string) PartState {
	st := PartState{Part: part, Outcome: Inconclusive}
	for _, e := range m.standingNow(part) {
		v := e.verdict(part)
		if rankOutcome(v.Outcome) < rankOutcome(st.Outcome) {
			continue
		}
		st = PartState{Part: part, Outcome: v.Outcome, Fault: v.Fault,
			Reading: e.judged.Reading.ID, Phase: e.judged.Reading.Phase}
	}
	return st
}

func rankOutcome(o Outcome) int {
	switch o {
	case DoesNotConform:
		return 2
	case Conforms:
		return 1
	}
	return 0
}

// latest keeps the last reading of each check and position. Its argument is
// sorted by time; so is its result.
func latest(es []evidence) []evidence {
	if len(es) < 2 {
		return es
	}
	out := make([]evidence, 0, len(es))
	for i := range es {
		if !repeated(&es[i], es[i+1:]) {
			out = append(out, es[i])
		}
	}
	return out
}

// repeated says whether the check was done again at the same position. The
// readings of a call are few: looking through them is quicker than a map.
func repeated(e *evidence, later []evidence) bool {
	for i := range later {
		if later[i].check.ID == e.check.ID && later[i].judged.Reading.Position == e.judged.Reading.Position && later[i].state == e.state {
			return true
		}
	}
	return false
}

// sortEvidence orders by time, then id, then check and position, so that the
// order of entry never shows.
func sortEvidence(es []evidence) {
	slices.SortStableFunc(es, func(x, y evidence) int {
		a, b := &x.judged.Reading, &y.judged.Reading
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Check, b.Check), cmp.Compare(a.Position, b.Position))
	})
}
