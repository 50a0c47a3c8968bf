package diagnosis

import (
	"cmp"
	"errors"
	"math"
	"slices"
	"sync"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
	"drumline/diagnosis/measure"
)

// causesPerCall is the mean number of causes of the catalogue present when
// none is known of, as a Poisson rate. It makes about one complaint in six
// have two causes at once (two faults together in 15 to 20 % of calls, common
// practice, no source).
const causesPerCall = 0.35

// network is the case laid out for exact weighing: its causes as independent
// faults, at most one mode of a part at a time; the complaint, the telephone
// answers and the readings as leaky noisy-OR findings of them.
type network struct {
	model       *isolate.Model // of faults and findings; see laid
	work        *isolate.Workspace
	faults      []isolate.Fault
	findings    []isolate.Finding
	evidence    []isolate.Evidence
	constant    float64 // logarithm of the factors that no cause changes
	approximate bool
	said        []portion // by telephone answer of model.answers
	of          []portion // by reading of model.found
}

// portion is what one reading brings to the network: evidence from and to, and
// the logarithm of its constant factors.
type portion struct {
	from, to int
	constant float64
}

// weighs says whether the reading moves anything.
func (s portion) weighs() bool { return s.to > s.from }

// item is one finding of the network as it was found.
type item struct {
	finding          isolate.Finding
	abnormal, normal float64
}

// workspaces keeps the memory of weighings between calls.
var workspaces = sync.Pool{New: func() any { return &isolate.Workspace{} }}

// done gives the memory back; nothing may be weighed after it.
func (n *network) done() {
	if n != nil && n.work != nil {
		workspaces.Put(n.work)
		n.work = nil
	}
}

func newNetwork(m *model) *network {
	n := &network{work: workspaces.Get().(*isolate.Workspace), faults: make([]isolate.Fault, len(m.causes)), of: make([]portion, len(m.found))}
	complaint := isolate.Finding{ID: "complaint", Links: make([]isolate.Link, m.ranked)}
	for i := range m.causes {
		c := &m.causes[i]
		n.faults[i] = isolate.Fault{ID: c.fault.ID, Prior: m.present(i), Group: c.part.ID}
		if i < m.ranked {
			complaint.Links[i] = isolate.Link{Fault: i, Weight: 1}
		}
	}
	n.add(item{complaint, 1, 0})
	for _, a := range m.answers {
		n.said = append(n.said, n.take(m.said(a.given)))
	}
	for i := range m.found {
		e := &m.found[i]
		if !e.quiet {
			n.of[i] = n.take(m.shows(e))
		}
	}
	return n
}

// take adds the items and gives the portion they make.
func (n *network) take(items []item) portion {
	p := portion{from: len(n.evidence), constant: n.constant}
	n.add(items...)
	p.to, p.constant = len(n.evidence), n.constant-p.constant
	return p
}

// present is the chance that a cause is there before anything is known: of a
// first cause from its share of the complaints, of any other fault the
// catalogue's own.
func (m *model) present(i int) float64 {
	if i >= m.ranked {
		return math.Min(math.Max(m.causes[i].prior, leastPresent), mostPresent)
	}
	return -math.Expm1(-causesPerCall * m.causes[i].prior)
}

// Bounds of the chance of a fault that explains something else, whatever a
// shop's counts say: a prior of 0 or 1 could never be moved.
const (
	leastPresent = 1e-6
	mostPresent  = 0.3
)

// add takes items in. One without links is a constant.
func (n *network) add(items ...item) {
	for _, x := range items {
		if len(x.finding.Links) == 0 {
			n.constant += math.Log(x.abnormal*x.finding.Leak + x.normal*(1-x.finding.Leak))
			continue
		}
		n.evidence = append(n.evidence, isolate.Evidence{Finding: len(n.findings), Abnormal: x.abnormal, Normal: x.normal})
		n.findings = append(n.findings, x.finding)
	}
}

// said is a telephone answer as soft evidence. Its ratios are how much
// likelier the answer is with that fault alone than with none that it names:
// below one it speaks against the fault, above one for it.
func (m *model) said(a *catalogue.Answer) []item {
	most := 1.0
	for _, r := range a.Weights {
		most = math.Max(most, r)
	}
	against := isolate.Finding{ID: "against " + a.ID}
	favour := isolate.Finding{ID: "for " + a.ID}
	for i := range m.causes {
		r, ok := a.Weights[m.causes[i].fault.ID]
		switch r = math.Max(r, catalogue.LeastChance); {
		case !ok || r == 1:
		case r < 1:
			against.Links = append(against.Links, isolate.Link{Fault: i, Weight: 1 - r})
		default:
			favour.Links = append(favour.Links, isolate.Link{Fault: i, Weight: (r - 1) / (most - 1)})
		}
	}
	return []item{{against, 0, 1}, {favour, most, 1}}
}

// ladder is a check's ladder among the causes of the model.
type ladder struct {
	*catalogue.Ladder
	causes []int // causes some rung tells from the others, in order
	stay   [][]float64
}

// ladder lays a check out, without the causes that are gone.
func (m *model) ladder(ch *catalogue.Check, gone []bool) ladder {
	l := ladder{Ladder: ch.Ladder()}
	l.causes, l.stay = make([]int, 0, len(l.Faults)), make([][]float64, 0, len(l.Faults))
	for _, f := range l.Faults {
		if i, ok := m.index[f]; ok && (gone == nil || !gone[i]) {
			l.causes, l.stay = append(l.causes, i), append(l.stay, l.Stay[f])
		}
	}
	return l
}

// at is the evidence of having found rung y: nothing above it, and something
// that leads to it. The likelihoods are those of the reading if rung y is
// true, and if what is below it is.
func (l ladder) at(y int, abnormal, normal float64) []item {
	above := l.notAbove(y)
	here := isolate.Finding{ID: l.Rungs[y].ID}
	if y > 0 {
		here.Leak, here.Links = 1-l.Base[y-1]/l.Base[y], make([]isolate.Link, 0, len(l.causes))
	}
	for k, c := range l.causes {
		if y > 0 {
			here.Links = link(here.Links, c, 1-l.stay[k][y-1]/l.stay[k][y])
		}
	}
	if y == 0 {
		return []item{{above, 0, 1}}
	}
	return []item{{above, 0, 1}, {here, abnormal, normal}}
}

// notAbove is the finding that something lies above rung y.
func (l ladder) notAbove(y int) isolate.Finding {
	f := isolate.Finding{ID: "not above", Leak: 1 - l.Base[y], Links: make([]isolate.Link, 0, len(l.causes))}
	for k, c := range l.causes {
		f.Links = link(f.Links, c, 1-l.stay[k][y])
	}
	return f
}

// or is the evidence of a reading that is either on the lowest rung or on rung
// y and no other.
func (l ladder) or(y int, abnormal, normal float64) []item {
	only := func(s []float64) (low, both float64) { return s[0], s[0] + s[y] - s[y-1] }
	low, both := only(l.Base)
	other := isolate.Finding{ID: "no other", Leak: 1 - both}
	here := isolate.Finding{ID: l.Rungs[y].ID, Leak: 1 - low/both}
	for k, c := range l.causes {
		own := make([]float64, len(l.Base))
		for i := range own {
			own[i] = l.Base[i] * l.stay[k][i]
		}
		lo, bo := only(own)
		keep := math.Min(1, bo/both)
		other.Links = link(other.Links, c, 1-keep)
		here.Links = link(here.Links, c, 1-math.Min(1, lo/low/keep))
	}
	return []item{{other, 0, 1}, {here, abnormal, normal}}
}

// leastWeight is the weight below which a link is nothing but rounding.
const leastWeight = 1e-12

func link(ls []isolate.Link, cause int, weight float64) []isolate.Link {
	if weight < leastWeight {
		return ls
	}
	return append(ls, isolate.Link{Fault: cause, Weight: math.Min(weight, 1)})
}

// A reading whose odds lie further out than this is as good as certain of its
// side: other errors than the meter's are more frequent (see catalogue.LeastChance).
const certainOdds = 200

// shows is a reading as evidence: the rung it found, or, where the number lies
// near a limit, the two rungs on either side with the likelihood of each.
func (m *model) shows(e *evidence) []item {
	l := m.ladder(e.check, e.gone)
	if near, ok := e.near(); ok {
		in, out := l.Rung(near.Inside), l.Rung(near.Beyond)
		odds := e.judged.Verdicts[0].oddsBeyond(near.Side)
		switch {
		case in != 0 || out < 0:
		case odds >= 1 && e.finding.ID == near.Inside, odds < 1 && e.finding.ID == near.Beyond:
			// Something else than the number decided (how the heat cycles).
		case odds >= 1 && odds < certainOdds:
			return l.at(out, 1, 1/odds)
		case odds < 1 && odds > 1.0/certainOdds:
			return l.or(out, odds, 1)
		}
	}
	if y := l.Rung(e.finding.ID); y >= 0 {
		return l.at(y, 1, 0)
	}
	return nil
}

// near gives the limit the reading's number lies closest to. False when the
// verdict rests on no number, or the check does not say what lies on either
// side.
func (e *evidence) near() (catalogue.Near, bool) {
	v := &e.judged.Verdicts[0]
	if v.Measured == nil || v.Limit == nil {
		return catalogue.Near{}, false
	}
	side := v.nearer()
	for i := range e.check.Findings {
		f := &e.check.Findings[i]
		for _, n := range f.Near {
			if n.Side == side && (f.ID == e.finding.ID || n.Inside == e.finding.ID || n.Beyond == e.finding.ID) {
				return n, true
			}
		}
	}
	return catalogue.Near{}, false
}

// nearer is the side of the limit the number is closer to.
func (v *Verdict) nearer() catalogue.Side {
	l := v.Limit
	if l.Low == nil || (l.High != nil && math.Abs(*v.Measured-*l.High) < math.Abs(*v.Measured-*l.Low)) {
		return catalogue.SideHigh
	}
	return catalogue.SideLow
}

// driftSpan is how many times its limit a drifted part may read; outlier is
// the chance that a number has nothing to do with the part. Judgement, no
// source.
const (
	driftSpan = 10.0
	outlier   = catalogue.LeastChance
)

// oddsBeyond is how much likelier the number is if what was measured lies
// beyond the limit on that side than if it lies inside. A quantity with a true
// zero is weighed as a part that is anywhere within its tolerance against one
// that has drifted (measure.ReadingModel); a temperature, which has none, by
// the conformance probability, as if either side were as likely near the limit.
func (v *Verdict) oddsBeyond(side catalogue.Side) float64 {
	if odds, ok := v.driftOdds(side); ok {
		return odds
	}
	within := 0.5
	switch l := v.Limit; {
	case side == catalogue.SideHigh && l.High != nil:
		within = measure.Upper(*v.Measured, v.Uncertainty, *l.High, measure.Rule{}).Probability
	case side == catalogue.SideLow && l.Low != nil:
		within = measure.Lower(*v.Measured, v.Uncertainty, *l.Low, measure.Rule{}).Probability
	}
	return (1 - within) / math.Max(within, 1e-300)
}

// driftOdds is oddsBeyond of a quantity with a true zero; false of any other.
func (v *Verdict) driftOdds(side catalogue.Side) (float64, bool) {
	if odds, ok := v.farOff(side); ok {
		return odds, true
	}
	if slices.Contains(measure.Units(measure.Temperature), v.Limit.Unit) || !(*v.Measured > 0) {
		return 0, false
	}
	h := measure.Hypotheses{Tolerance: measure.Interval{Low: math.Inf(-1), High: math.Inf(1)}, Spread: 1, Outlier: outlier}
	least, most := math.Inf(1), 0.0
	if l := v.Limit.Low; l != nil {
		h.Tolerance.Low, least, most = *l, *l, *l
	}
	if u := v.Limit.High; u != nil {
		h.Tolerance.High, least, most = *u, math.Min(least, *u), *u
	}
	h.Range = measure.Interval{Low: least / driftSpan, High: math.Max(most, *v.Measured) * driftSpan}
	model, err := measure.NewReadingModel(h)
	if err != nil {
		return 0, false
	}
	beyond := measure.DriftedHigh
	if side == catalogue.SideLow {
		beyond = measure.DriftedLow
	}
	return math.Pow(10, model.Decibans(beyond, measure.Good, measure.Observed{X: *v.Measured, U: v.Uncertainty})/10), true
}

// farUncertainties is how many standard uncertainties a number lies from its
// limit when the meter leaves no doubt about the side.
const farUncertainties = 8.0

// farOff answers for a number that is nowhere near the limit on that side.
func (v *Verdict) farOff(side catalogue.Side) (float64, bool) {
	limit := v.Limit.High
	if side == catalogue.SideLow {
		limit = v.Limit.Low
	}
	if limit == nil {
		return 0, false
	}
	off := *v.Measured - *limit
	if side == catalogue.SideLow {
		off = -off
	}
	switch {
	case math.Abs(off) <= farUncertainties*v.Uncertainty:
		return 0, false
	case off > 0:
		return 2 * certainOdds, true
	}
	return 0.5 / certainOdds, true
}

// without leaves the evidence of some readings out.
func (n *network) without(out func(reading int) bool) []isolate.Evidence {
	es := append([]isolate.Evidence{}, n.evidence...)
	for i := len(n.of) - 1; i >= 0; i-- {
		if out(i) {
			es = append(es[:n.of[i].from], es[n.of[i].to:]...)
		}
	}
	return es
}

// laid checks the network and makes it ready to be weighed.
func (n *network) laid() error {
	var err error
	n.model, err = isolate.New(n.faults, n.findings)
	return err
}

// weigh computes the posterior of every cause.
func (n *network) weigh(es []isolate.Evidence) (isolate.Posterior, error) {
	p, err := n.glance(es)
	p.Fault, p.Absent = slices.Clone(p.Fault), slices.Clone(p.Absent)
	return p, err
}

// glance is weigh without memory of its own: what it gives holds until the
// network is weighed again.
// Where too many findings hang together for that, it is what the sets of few
// faults give, and the network is marked approximate.
func (n *network) glance(es []isolate.Evidence) (isolate.Posterior, error) {
	p, err := n.work.Weigh(n.model, es)
	if !errors.Is(err, isolate.ErrWide) {
		return p, err
	}
	s, err := n.work.Sets(n.model, es, isolate.Search{})
	n.approximate = true
	return s.Posterior, err
}

// begin lays the network and weighs its evidence, so that outcomes can be asked
// about.
func (n *network) begin() (isolate.Posterior, error) {
	if err := n.laid(); err != nil {
		return isolate.Posterior{}, err
	}
	return n.work.Begin(n.model, n.evidence)
}

// copy is a network that can be added to without touching n.
func (n *network) copy() *network {
	c := *n
	c.findings = n.findings[:len(n.findings):len(n.findings)]
	c.evidence = n.evidence[:len(n.evidence):len(n.evidence)]
	return &c
}

// byProbability orders causes likeliest first; equal ones by prior, then id.
func (m *model) byProbability(x, y int) int {
	a, b := &m.causes[x], &m.causes[y]
	if d := a.posterior - b.posterior; math.Abs(d) > 1e-12 {
		return cmp.Compare(b.posterior, a.posterior)
	}
	return cmp.Or(cmp.Compare(b.prior, a.prior), cmp.Compare(a.fault.ID, b.fault.ID))
}
