package diagnosis

import (
	"sort"
	"strings"
)

// standing is the evidence about a part that no later action has ended.
// Once there is a verification reading of the part, only those stand: they
// judge the machine as it is now.
func (m *model) standing(part string) []evidence {
	var all, verified []evidence
	for _, e := range m.all {
		if !e.names(part) || m.endedAfter(e, part) {
			continue
		}
		all = append(all, e)
		if e.judged.Reading.Phase == Verification && e.concludes(part) {
			verified = append(verified, e)
		}
	}
	if len(verified) > 0 {
		return verified
	}
	return all
}

func (m *model) endedAfter(e evidence, part string) bool {
	for _, d := range m.dones {
		if after(d.done, e.judged.Reading) && d.touches(part) {
			return true
		}
	}
	return false
}

func (e evidence) names(part string) bool { return e.verdict(part) != nil }

func (e evidence) concludes(part string) bool {
	v := e.verdict(part)
	return v != nil && v.Outcome != Inconclusive
}

// verdict is the reading's verdict on a part, nil when it has none. Of two,
// one that does not conform goes first.
func (e evidence) verdict(part string) *Verdict {
	var out *Verdict
	for i := range e.judged.Verdicts {
		v := &e.judged.Verdicts[i]
		if v.Part == part && (out == nil || v.Outcome == DoesNotConform) {
			out = v
		}
	}
	return out
}

func (e evidence) sentence(part string) string {
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
	for _, e := range latest(m.standing(part)) {
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
	type key struct{ check, position string }
	last := make(map[key]int, len(es))
	for i, e := range es {
		last[key{e.check.ID, e.judged.Reading.Position}] = i
	}
	out := make([]evidence, 0, len(last))
	for i, e := range es {
		if last[key{e.check.ID, e.judged.Reading.Position}] == i {
			out = append(out, e)
		}
	}
	return out
}

// sortEvidence orders by time, then id, then check and position, so that the
// order of entry never shows.
func sortEvidence(es []evidence) {
	sort.SliceStable(es, func(i, j int) bool {
		a, b := &es[i].judged.Reading, &es[j].judged.Reading
		if !a.At.Equal(b.At) {
			return a.At.Before(b.At)
		}
		if c := strings.Compare(a.ID, b.ID); c != 0 {
			return c < 0
		}
		if a.Check != b.Check {
			return a.Check < b.Check
		}
		return a.Position < b.Position
	})
}
