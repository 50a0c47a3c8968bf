package diagnosis

import (
	"fmt"
	"strings"

	"drumline/diagnosis/catalogue"
)

// supportProbability is what a fault nobody has shown directly must reach
// before the evidence alone carries a conclusion. Judgement, no source.
const supportProbability = 0.9

// Gap is one thing that keeps a machine from going back to service.
type Gap struct {
	ID   string // of the closing item, "part:<id>", "fault:<id>" or "conclusion"
	Text string // what is missing and what to do
}

// Supports says whether the evidence carries the conclusion that fault is the
// cause, and why or why not in one sentence. It does when the latest reading
// of a check shows the fault itself, or when the ranking puts a tested fault
// at 0.9 or more. Concluding otherwise needs a stated reason. Verification
// readings and readings set aside do not count: they judge another machine,
// or a reading nobody stands behind.
func Supports(a Assessment, verdicts []Judged, fault string) (bool, string) {
	r := rankedFault(a, fault)
	name := fault
	if r != nil {
		name = lower(r.Name)
	}
	var shown, denied *Verdict
	for _, j := range latestJudged(verdicts) {
		for i := range j.Verdicts {
			v := &j.Verdicts[i]
			switch {
			case v.Outcome == DoesNotConform && v.Fault == fault:
				shown = v
			case v.Outcome == Conforms && r != nil && v.Part == r.Part:
				denied = v
			}
		}
	}
	switch {
	case shown != nil:
		return true, shown.Sentence
	case r == nil:
		return false, fmt.Sprintf("No reading shows %s, and it is not a cause of this complaint.", name)
	case r.Tested && r.Probability >= supportProbability:
		return true, fmt.Sprintf("The readings together put %s at %s.", name, percent(r.Probability))
	case denied != nil:
		return false, fmt.Sprintf("No reading shows %s, and one speaks against it: %s", name, denied.Sentence)
	}
	return false, fmt.Sprintf("No reading shows %s; the evidence puts it at %s and %s.", name, percent(r.Probability), leader(a, fault))
}

func rankedFault(a Assessment, fault string) *Ranked {
	for _, list := range [][]Ranked{a.Ranking, a.Barriers} {
		for i := range list {
			if list[i].Fault == fault {
				return &list[i]
			}
		}
	}
	return nil
}

func leader(a Assessment, fault string) string {
	if len(a.Ranking) == 0 || a.Ranking[0].Fault == fault {
		return "nothing above it"
	}
	return lower(a.Ranking[0].Name) + " at " + percent(a.Ranking[0].Probability)
}

// latestJudged keeps what weighs of the readings of the machine before it was
// verified, the last of each check and position.
func latestJudged(js []Judged) []*Judged {
	var es []evidence
	for i := range js {
		r := &js[i].Reading
		if !r.SetAside && r.NotDone == "" && r.Phase != Verification && len(js[i].Verdicts) > 0 {
			es = append(es, evidence{judged: &js[i], check: &catalogue.Check{ID: r.Check}})
		}
	}
	sortEvidence(es)
	out := make([]*Judged, 0, len(es))
	for _, e := range latest(es) {
		out = append(out, e.judged)
	}
	return out
}

// Open lists what is missing before the machine may go back to service:
// closing items of the complaint without a verification reading that conforms
// or without their statement; parts that do not conform and have not been
// mended, second barriers among them (failed or bypassed); concluded faults
// nothing was done about. Statements are closing statements by id; concluded
// are fault ids. A verification reading counts until an action touches what
// it speaks about. No gap means nothing is missing.
func Open(k *catalogue.Kind, c Case, statements map[string]bool, concluded []string) []Gap {
	m, err := newModel(k, c)
	if err != nil {
		return []Gap{{ID: "assessment", Text: "The call cannot be assessed: " + err.Error() + "."}}
	}
	var gaps []Gap
	for i := range m.complaint.Closing {
		cl := &m.complaint.Closing[i]
		if !m.asked(cl) {
			continue
		}
		if text := m.unmet(cl, statements); text != "" {
			gaps = append(gaps, Gap{ID: cl.ID, Text: text})
		}
	}
	gaps = append(gaps, m.badParts()...)
	return append(gaps, m.unmended(concluded)...)
}

// asked says whether a closing item holds for this unit: it has the feature
// the item needs, and at least one of the checks named can be done on it.
func (m *model) asked(cl *catalogue.Closing) bool {
	if !fitted(m.c.Unit, cl.Has, "") {
		return false
	}
	for _, id := range cl.AnyOf {
		if ch, ok := m.kind.Check(id); ok && m.suits(ch) {
			return true
		}
	}
	return len(cl.AnyOf) == 0
}

// unmet says what is missing for a closing item, empty when nothing is.
func (m *model) unmet(cl *catalogue.Closing, statements map[string]bool) string {
	stated := cl.Statement != "" && statements[cl.Statement]
	if len(cl.AnyOf) == 0 {
		if stated {
			return ""
		}
		return cl.Text + ": not yet confirmed."
	}
	last := m.verified(cl.AnyOf)
	failed := false
	for _, e := range last {
		switch e.outcome() {
		case Conforms:
			return ""
		case DoesNotConform:
			failed = true
		}
	}
	if stated && !failed {
		return ""
	}
	if len(last) == 0 {
		return m.unread(cl)
	}
	v := &last[len(last)-1].judged.Verdicts[0]
	return joined(cl.Text+": "+v.Sentence, v.Do)
}

// unread says which reading a closing item waits for.
func (m *model) unread(cl *catalogue.Closing) string {
	names := make([]string, 0, len(cl.AnyOf))
	for _, id := range cl.AnyOf {
		if ch, ok := m.kind.Check(id); ok && m.suits(ch) {
			names = append(names, lower(ch.Name))
		}
	}
	text := cl.Text + ": no verification reading yet. Do " + strings.Join(names, " or ") + " on the repaired machine."
	if cl.Statement != "" {
		text += " Where it cannot be measured, confirm it."
	}
	return text
}

// verified is the latest verification readings of the checks, those an action
// has ended since left out.
func (m *model) verified(checks []string) []evidence {
	var es []evidence
	for _, e := range m.all {
		if e.judged.Reading.Phase != Verification || !contains(checks, e.check.ID) {
			continue
		}
		if !m.anyEnded(e) {
			es = append(es, e)
		}
	}
	return latest(es)
}

func (m *model) anyEnded(e evidence) bool {
	for _, p := range e.check.Parts {
		if m.endedAfter(e, p) {
			return true
		}
	}
	return false
}

// outcome of a whole reading: it conforms when some part does and none fails.
func (e evidence) outcome() Outcome {
	out := Inconclusive
	for _, v := range e.judged.Verdicts {
		if rankOutcome(v.Outcome) > rankOutcome(out) {
			out = v.Outcome
		}
	}
	return out
}

func (m *model) badParts() []Gap {
	var gaps []Gap
	for _, st := range m.partStates() {
		if st.Outcome != DoesNotConform {
			continue
		}
		p, _ := m.kind.Part(st.Part)
		text := fmt.Sprintf("%s does not conform%s and has not been put right since.", p.Name, m.as(st.Fault))
		if p.Role == catalogue.SecondBarrier {
			text = fmt.Sprintf("%s, a second barrier, does not conform%s. The machine must not go back to service without it.", p.Name, m.as(st.Fault))
		}
		gaps = append(gaps, Gap{ID: "part:" + st.Part, Text: text})
	}
	return gaps
}

func (m *model) as(fault string) string {
	if f, ok := m.kind.Fault(fault); ok {
		return " (" + lower(f.Name) + ")"
	}
	return ""
}

// unmended is the concluded faults nothing has been done about.
func (m *model) unmended(concluded []string) []Gap {
	if len(concluded) == 0 {
		return []Gap{{ID: "conclusion", Text: "No cause has been concluded."}}
	}
	var gaps []Gap
	for _, id := range concluded {
		f, ok := m.kind.Fault(id)
		if !ok {
			gaps = append(gaps, Gap{ID: "fault:" + id, Text: fmt.Sprintf("The concluded fault %q is not in the catalogue.", id)})
			continue
		}
		if f.Fix != "" && !m.acted(f.Part) {
			gaps = append(gaps, Gap{ID: "fault:" + id, Text: fmt.Sprintf("Concluded: %s, but no action on that part is on record.", lower(f.Name))})
		}
	}
	return gaps
}

func (m *model) acted(part string) bool {
	for _, d := range m.dones {
		if d.touches(part) {
			return true
		}
	}
	return false
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}
