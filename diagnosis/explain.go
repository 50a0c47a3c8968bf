package diagnosis

import (
	"errors"
	"fmt"
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
)

// Explanation says how one fault came to its probability.
type Explanation struct {
	Fault       string
	Name        string
	Start       float64    // probability from the complaint alone
	Probability float64    // now
	Steps       []Step     // telephone answers, then readings by time
	Flip        *Flip      // the first reading whose other result would put another fault first; nil when none would
	Sets        []FaultSet // the likeliest sets of faults that are there together, likeliest first
	Covered     float64    // share of the probability the sets looked at hold
	Approximate bool       // too many findings hang together to be weighed exactly
	Away        string     // which fault explains what would else speak for another; empty when none does
	Coverage    float64    // share of what could be wrong that a conclusive finding has touched
	Conflict    float64    // bits by which the readings agree less than if each stood alone; above 0 they pull apart
}

// FaultSet is faults that are there together, and no others.
type FaultSet struct {
	Faults      []string
	Probability float64
}

// Step is what one answer or reading did.
type Step struct {
	Question string // id of a telephone question; empty for a reading
	Reading  string // id
	Name     string
	Result   string
	// Decibans is 10·log10 of the odds with it over the odds before it, in the
	// order of entry: these add up to the whole way from Start to Probability.
	// Ten is ten times, three is double.
	Decibans float64
	// Alone is the same against leaving only this one out. It does not add up
	// where readings explain each other.
	Alone       float64
	Probability float64 // after it
}

// Flip is a reading that, had it come out otherwise, would put another fault
// first.
type Flip struct {
	Reading  string
	Name     string
	Finding  string // the other result
	Fault    string // first then
	Sentence string
}

// Explain says how fault came to its probability; an empty fault stands for
// the likeliest. Errors: those of Assess, and a fault that is no cause of the
// complaint on this machine, which is ErrNoCause.
func Explain(k *catalogue.Kind, c Case, fault string) (Explanation, error) {
	m, err := newModel(k, c)
	if err != nil {
		return Explanation{}, err
	}
	a, err := m.rank()
	defer func() { m.net.done() }()
	if err != nil {
		return Explanation{}, err
	}
	if fault == "" && len(a.Ranking) > 0 {
		fault = a.Ranking[0].Fault
	}
	i, ok := m.index[fault]
	if !ok {
		return Explanation{}, ErrNoCause
	}
	e := Explanation{Fault: fault, Name: m.causes[i].fault.Name, Probability: m.causes[i].posterior, Coverage: a.Coverage}
	if e.Start, e.Steps, err = m.steps(i); err != nil {
		return Explanation{}, err
	}
	if err := m.nameSets(&e); err != nil {
		return Explanation{}, err
	}
	if e.Conflict, err = m.conflict(); err != nil {
		return Explanation{}, err
	}
	if e.Flip, err = m.flip(a.Ranking[0].Fault); err != nil {
		return Explanation{}, err
	}
	e.Away, err = m.explainedAway(m.index[a.Ranking[0].Fault])
	return e, err
}

// ErrNoCause says that a fault is no cause of the complaint on this machine.
var ErrNoCause = errors.New("diagnosis: no cause of the complaint on this machine")

// nameSets names the likeliest sets of faults.
func (m *model) nameSets(e *Explanation) error {
	s, err := m.net.work.Sets(m.net.model, m.net.evidence, isolate.Search{Most: 5})
	if err != nil {
		return fmt.Errorf("assess: %w", err)
	}
	e.Covered, e.Approximate = s.Coverage, s.Approximate
	for _, set := range s.Named {
		f := FaultSet{Probability: set.P, Faults: []string{}}
		for _, i := range set.Faults {
			f.Faults = append(f.Faults, m.causes[i].fault.ID)
		}
		e.Sets = append(e.Sets, f)
	}
	return nil
}

// steps enters the evidence of the case one by one.
func (m *model) steps(cause int) (float64, []Step, error) {
	start, err := m.net.weigh(m.net.evidence[:1]) // the complaint
	if err != nil {
		return 0, nil, err
	}
	out := make([]Step, 0, len(m.net.said)+len(m.net.of))
	last := start
	enter := func(s Step, p portion) error {
		whole, err := m.net.weigh(m.net.evidence[:p.to])
		if err != nil {
			return err
		}
		s.Decibans, s.Probability, last = decibans(whole, last, cause), whole.Fault[cause], whole
		rest, err := m.net.weigh(append(m.net.evidence[:p.from:p.from], m.net.evidence[p.to:]...))
		s.Alone = decibans(m.posterior, rest, cause)
		out = append(out, s)
		return err
	}
	for j, p := range m.net.said {
		if p.weighs() {
			a := m.answers[j]
			if err := enter(Step{Question: a.question.ID, Name: a.question.Ask, Result: a.given.Text}, p); err != nil {
				return 0, nil, err
			}
		}
	}
	for j, p := range m.net.of {
		if p.weighs() {
			r := &m.found[j]
			s := Step{Reading: r.judged.Reading.ID, Name: r.check.Name, Result: r.judged.Verdicts[0].Sentence}
			if err := enter(s, p); err != nil {
				return 0, nil, err
			}
		}
	}
	return start.Fault[cause], out, nil
}

// decibans is how far the odds of a cause moved from b to a: a difference of
// two levels, so that steps add up exactly.
func decibans(a, b isolate.Posterior, cause int) float64 {
	return level(a.Fault[cause]) - level(b.Fault[cause])
}

// level is the odds of p in decibans, kept between -90 and 90.
func level(p float64) float64 {
	const edge = 1e-9
	p = math.Min(math.Max(p, edge), 1-edge)
	return 10 * math.Log10(p/(1-p))
}

// conflict is Jensen's measure over the readings: the logarithm to base two of
// the product of their chances, each alone beside the complaint, over their
// chance together.
func (m *model) conflict() (float64, error) {
	complaint, err := m.net.weigh(m.net.evidence[:1])
	if err != nil {
		return 0, err
	}
	alone, from := 0.0, len(m.net.evidence)
	for _, p := range m.net.of {
		if !p.weighs() {
			continue
		}
		from = min(from, p.from)
		one, err := m.net.weigh(append(m.net.evidence[:1:1], m.net.evidence[p.from:p.to]...))
		if err != nil {
			return 0, err
		}
		alone += one.LogEvidence - complaint.LogEvidence
	}
	all, err := m.net.weigh(append(m.net.evidence[:1:1], m.net.evidence[from:]...))
	if err != nil {
		return 0, err
	}
	return (alone - (all.LogEvidence - complaint.LogEvidence)) / math.Ln2, nil
}

// flip goes through the readings by time and turns each round: one that found
// something into one that found nothing, and one that found nothing into what
// the others make likeliest.
func (m *model) flip(first string) (*Flip, error) {
	for j, p := range m.net.of {
		if !p.weighs() {
			continue
		}
		e := &m.found[j]
		l := m.ladder(e.check, e.gone)
		y, err := m.turned(l, j)
		if err != nil {
			return nil, err
		}
		then, err := m.instead(j, l.Rungs[y].ID)
		if err != nil {
			return nil, err
		}
		top := m.likeliest(then)
		if f := m.causes[top].fault; f.ID != first {
			return &Flip{Reading: e.judged.Reading.ID, Name: e.check.Name, Finding: l.Rungs[y].ID, Fault: f.ID,
				Sentence: fmt.Sprintf("Had the check \"%s\" come out the other way, %s would come first (%s).", lower(e.check.Name), lower(f.Name), percent(then.Fault[top]))}, nil
		}
	}
	return nil, nil
}

// turned is the rung a reading would have come to the other way round.
func (m *model) turned(l ladder, j int) (int, error) {
	if l.Rung(m.found[j].finding.ID) > 0 {
		return 0, nil
	}
	best, most := 1, math.Inf(-1)
	for y := 1; y < len(l.Rungs); y++ {
		p, err := m.instead(j, l.Rungs[y].ID)
		if err != nil {
			return 0, err
		}
		if p.LogEvidence > most {
			best, most = y, p.LogEvidence
		}
	}
	return best, nil
}

// instead weighs the case anew with another result of one reading; constant
// factors go into the chance of the evidence.
func (m *model) instead(j int, finding string) (isolate.Posterior, error) {
	c := m.c
	c.Readings = append([]Judged{}, c.Readings...)
	for i := range c.Readings {
		if &m.c.Readings[i] == m.found[j].judged {
			vs := append([]Verdict{}, c.Readings[i].Verdicts...)
			vs[0].Finding, vs[0].Measured = finding, nil
			c.Readings[i].Verdicts = vs
		}
	}
	then, err := newModel(m.kind, c)
	if err != nil {
		return isolate.Posterior{}, err
	}
	n := newNetwork(then)
	if err := n.laid(); err != nil {
		return isolate.Posterior{}, err
	}
	p, err := n.weigh(n.evidence)
	n.done()
	p.LogEvidence += n.constant
	return p, err
}

func (m *model) likeliest(p isolate.Posterior) int {
	best := 0
	for i := range m.ranked {
		if p.Fault[i] > p.Fault[best]+1e-12 {
			best = i
		}
	}
	return best
}

// What is worth telling of a fault that another one explains away.
const (
	awayLeast = 0.2 // probability it would have without the other
	awayTimes = 3   // that many times less it has now
)

// explainedAway looks for the fault that would rank highest if the likeliest
// were known not to be there, and says what the likeliest explains.
func (m *model) explainedAway(top int) (string, error) {
	n := m.net.copy()
	n.add(item{isolate.Finding{ID: "ruled out", Links: []isolate.Link{{Fault: top, Weight: 1}}}, 0, 1})
	if err := n.laid(); err != nil {
		return "", err
	}
	p, err := n.weigh(n.evidence)
	if errors.Is(err, isolate.ErrImpossible) {
		return "", nil // nothing but the likeliest explains the case
	}
	if err != nil {
		return "", err
	}
	other := m.likeliest(p)
	then, now := p.Fault[other], m.causes[other].posterior
	if other == top || then < awayLeast || then < awayTimes*now {
		return "", nil
	}
	by := ""
	for j := range m.found {
		f := m.found[j].finding
		if m.net.of[j].weighs() && likelihood(f, m.causes[top].fault.ID) > makesFor*rest(f) && likelihood(f, m.causes[other].fault.ID) > makesFor*rest(f) {
			by = " what the check \"" + lower(m.found[j].check.Name) + "\" found"
			break
		}
	}
	if by == "" {
		by = " the complaint"
	}
	return fmt.Sprintf("%s explains%s; without it %s would stand at %s instead of %s.", m.causes[top].fault.Name, by,
		lower(m.causes[other].fault.Name), percent(then), percent(now)), nil
}
