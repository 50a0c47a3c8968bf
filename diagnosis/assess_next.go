package diagnosis

import (
	"fmt"
	"math"
	"sort"
	"time"

	"drumline/diagnosis/catalogue"
)

// What a check costs beside its own minutes. Common practice, no source.
const (
	isolateMinutes    = 4.0 // isolate and prove dead; a hot heater box needs ten more to cool, told in the reason
	reassembleMinutes = 5.0 // covers back on and power restored before a powered run
	minGain           = 0.02
	maxNext           = 5
)

// candidate is a check at a position that could be done now.
type candidate struct {
	check    *catalogue.Check
	position *catalogue.Position
	minutes  float64
	gain     float64 // bits
	saves    float64 // minutes it lowers the expected cost of repair by, once a repair is in view; else 0
	confirms bool    // it can show the fault that is likely enough to conclude, and that nothing has shown
	order    int     // place in the catalogue
}

func (c candidate) pays() float64 { return c.gain / c.minutes }

// next ranks what could be checked now by the expected fall of the entropy of
// the ranking per minute. The second result is the data-sheet parameters that
// are missing for readings already taken or for checks that could be done.
func (m *model) next() ([]Next, []string, error) {
	missing := map[string]bool{}
	for _, e := range m.found {
		for _, v := range e.judged.Verdicts {
			if v.Missing != "" && !m.sheetHas(v.Missing) {
				missing[v.Missing] = true
			}
		}
	}
	cs, err := m.candidates(missing)
	if err != nil {
		return nil, nil, err
	}
	out := make([]Next, 0, maxNext)
	h := m.posterior.Entropy()
	for _, c := range m.ordered(cs) {
		n := Next{Check: c.check.ID, Minutes: c.minutes, Gain: c.gain, Reason: m.why(c, h)}
		if c.position != nil {
			n.Position = c.position.ID
		}
		out = append(out, n)
	}
	return out, sortedKeys(missing), nil
}

func (m *model) sheetHas(parameter string) bool {
	_, ok := m.c.Sheet[parameter]
	return ok
}

func (m *model) candidates(missing map[string]bool) ([]candidate, error) {
	if len(m.causes) == 0 {
		return nil, nil
	}
	cs := m.doable()
	n := m.net.copy()
	os := make([]outcomes, len(cs))
	for i := range cs {
		os[i] = m.outcomesOf(n, cs[i].check)
	}
	if _, err := n.begin(); err != nil {
		return nil, fmt.Errorf("assess: %w", err)
	}
	suspect, out := m.suspect(), cs[:0]
	for i, c := range cs {
		ps := m.prospects(n, os[i])
		m.mayTurn = math.Max(m.mayTurn, m.turns(ps))
		c.gain, c.confirms = m.gain(ps), suspect != "" && shows(c.check, suspect)
		if c.gain < minGain {
			continue
		}
		if p := m.lacks(c.check, c.position); p != "" {
			missing[p] = true
			continue
		}
		out = append(out, c)
	}
	return out, m.weighCost(out)
}

// weighCost notes what each check saves once a repair is in view.
func (m *model) weighCost(cs []candidate) error {
	saves, err := m.saves(cs)
	for i := range saves {
		cs[i].saves = saves[i]
	}
	return err
}

// doable lists the checks that could be done now, at the first open position.
func (m *model) doable() []candidate {
	gone := m.destroyed()
	var out []candidate
	for i := range m.kind.Checks {
		ch := &m.kind.Checks[i]
		if !m.offered(ch, gone) {
			continue
		}
		if pos, open := m.openPosition(ch); open {
			out = append(out, candidate{check: ch, position: pos, minutes: m.minutes(ch), order: i})
		}
	}
	return out
}

// offered holds the hard filters. Nothing makes up for one of them: a check
// that is not possible now, or whose answers are there already.
func (m *model) offered(ch *catalogue.Check, gone map[string]bool) bool {
	return m.possible(ch, gone) && !m.answered(ch)
}

// possible leaves out a check the machine has no part for, that the person may
// not do, that is not for this complaint, that runs a machine which must not
// run, or whose evidence is gone.
// Once something has been mended it is the mended machine that is looked at,
// and no as-found state is needed.
func (m *model) possible(ch *catalogue.Check, gone map[string]bool) bool {
	if !m.suits(ch) {
		return false
	}
	if ch.Competence != "" && !m.c.Competences[ch.Competence] {
		return false
	}
	if m.stop != "" && (ch.State == catalogue.RunningClosed || ch.State == catalogue.LiveOpen) {
		return false
	}
	if len(ch.For) > 0 && !contains(ch.For, m.complaint.ID) {
		return false
	}
	for _, n := range ch.Needs {
		if gone[n] && m.worked == 0 {
			return false
		}
	}
	return ch.After == "" || m.read(ch.After)
}

// read says whether a check has been done.
func (m *model) read(check string) bool {
	for i := range m.all {
		if m.all[i].check.ID == check {
			return true
		}
	}
	return false
}

// suits says whether the check can be done on this unit at all.
func (m *model) suits(ch *catalogue.Check) bool {
	return fitted(m.c.Unit, ch.Has, ch.Lacks) && (!ch.Gas || m.c.Unit.Gas) && (!ch.Electric || !m.c.Unit.Gas)
}

// goneNow is, by cause, what a reading taken now would say nothing of; nil for
// none.
func (m *model) goneNow() []bool {
	if m.worked == 0 {
		return nil
	}
	e := evidence{judged: &Judged{Reading: Reading{Phase: AfterAction, At: endOfTime}}}
	m.workedOn(&e)
	return e.gone
}

// endOfTime is later than anything recorded.
var endOfTime = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// destroyed is the as-found states that actions and checks have ended.
func (m *model) destroyed() map[string]bool {
	gone := map[string]bool{}
	for _, d := range m.dones {
		for _, s := range d.action.Destroys {
			gone[s] = true
		}
	}
	for i := range m.c.Readings {
		r := &m.c.Readings[i].Reading
		if ch, ok := m.kind.Check(r.Check); ok && r.NotDone == "" {
			for _, s := range ch.Destroys {
				gone[s] = true
			}
		}
	}
	return gone
}

// openPosition is the first position of the check that still has to be done.
// A check without positions gives nil and whether it has to be done.
func (m *model) openPosition(ch *catalogue.Check) (*catalogue.Position, bool) {
	if len(ch.Positions) == 0 {
		return nil, m.open(ch.ID, "")
	}
	for i := range ch.Positions {
		p := &ch.Positions[i]
		if fitted(m.c.Unit, p.Has, p.Lacks) && m.open(ch.ID, p.ID) {
			return p, true
		}
	}
	return nil, false
}

// maxTries is how often a check is asked for at one position in one state of
// the machine: once, and once more when that told nothing.
const maxTries = 2

// open says whether a check is worth doing, or doing again: not when it was
// conclusive or came to a finding that weighs (a repeat would only replace it),
// nor when it could not be done, nor when it has told nothing twice, nor when
// only a data-sheet value is missing.
func (m *model) open(check, position string) bool {
	for i := range m.c.Readings {
		r := &m.c.Readings[i].Reading
		if r.Check == check && r.Position == position && r.NotDone != "" {
			return false
		}
	}
	now, tries := m.goneNow(), 0
	for i := range m.all {
		e := &m.all[i]
		if e.check.ID != check || e.judged.Reading.Position != position || e.state != m.stateOf(e.check, now) {
			continue
		}
		tries++
		if e.conclusive || len(e.finding.Weights) > 0 || e.judged.Verdicts[0].Missing != "" || tries == maxTries {
			return false
		}
	}
	return true
}

// lacks names the indispensable data-sheet parameter without which the check
// cannot be judged, empty when it can.
func (m *model) lacks(ch *catalogue.Check, pos *catalogue.Position) string {
	for i := range ch.Limits {
		l := &ch.Limits[i]
		if pos != nil && pos.Limit != "" && pos.Limit != l.ID {
			continue
		}
		if l.Indispensable && !m.sheetHas(l.Parameter) {
			return l.Parameter
		}
	}
	return ""
}

// minutes is the check's own time and that of getting at it.
func (m *model) minutes(ch *catalogue.Check) float64 {
	t := math.Max(ch.Minutes, 0.5)
	powered := ch.State == catalogue.RunningClosed || ch.State == catalogue.LiveOpen
	switch {
	case ch.State == catalogue.Isolated && !m.c.Isolated:
		t += isolateMinutes
	case powered && m.c.Isolated:
		t += reassembleMinutes
	}
	return t
}

// ordered gives the first of the checks, by gain per minute, and puts behind
// what must wait: a check that destroys a state another one still needs; live
// work where an isolated check answers the same; opening the machine where a
// run with the covers on does.
func (m *model) ordered(cs []candidate) []candidate {
	sort.SliceStable(cs, func(i, j int) bool { return better(cs[i], cs[j]) })
	out := make([]candidate, 0, maxNext)
	for len(cs) > 0 && len(out) < maxNext {
		pick := firstOf(cs)
		out = append(out, cs[pick])
		cs = append(cs[:pick:pick], cs[pick+1:]...)
	}
	return out
}

// firstOf is what has to be done for the best check to be done: itself, or the
// best of those it waits for, and so on. What the best one does not wait for
// does not push in front of it.
func firstOf(cs []candidate) int {
	pick := 0
	for seen := map[int]bool{}; !seen[pick]; {
		seen[pick] = true
		for i := range cs {
			if !seen[i] && waitsFor(cs[pick], cs[i]) {
				pick = i
				break
			}
		}
	}
	return pick
}

// suspect is the fault that is likely enough to conclude though no reading has
// shown it; empty when there is none. A part is not replaced on likelihood
// alone while a check could show it.
func (m *model) suspect() string {
	for i := range m.ranked {
		if c := &m.causes[i]; !c.mended && c.posterior >= enoughProbability && !m.shownDirectly(c.fault.ID) {
			return c.fault.ID
		}
	}
	return ""
}

// shows says whether the check has a finding that accuses the fault itself.
func shows(ch *catalogue.Check, fault string) bool {
	for i := range ch.Findings {
		for _, s := range ch.Findings[i].Verdicts {
			if s.Fault == fault && s.Outcome == string(DoesNotConform) {
				return true
			}
		}
	}
	return false
}

// better puts what confirms a suspect first, then gain per minute; it breaks
// ties by safety, then minutes, then place in the catalogue.
func better(a, b candidate) bool {
	if a.confirms != b.confirms {
		return a.confirms
	}
	if x, y := math.Max(a.saves, 0), math.Max(b.saves, 0); math.Abs(x-y) > 1e-9 {
		return x > y
	}
	if d := a.pays() - b.pays(); math.Abs(d) > 1e-12 {
		return d > 0
	}
	if x, y := danger(a.check.State), danger(b.check.State); x != y {
		return x < y
	}
	if a.minutes != b.minutes {
		return a.minutes < b.minutes
	}
	return a.order < b.order
}

func danger(s catalogue.CircuitState) int {
	switch s {
	case catalogue.Phone, catalogue.Off:
		return 0
	case catalogue.Isolated:
		return 1
	case catalogue.RunningClosed:
		return 2
	}
	return 3
}

// worthFirst is what a check must tell a minute, as a share of what the one that
// would destroy its evidence tells, to be done before it. Judgement, no source.
const worthFirst = 0.25

// waitsFor says whether o has to go before c.
func waitsFor(c, o candidate) bool {
	switch {
	case o.check == c.check:
		return false
	case share(c.check.Destroys, o.check.Needs) && !share(o.check.Destroys, c.check.Needs) && o.pays() >= worthFirst*c.pays():
		return true
	}
	return safer(o.check.State, c.check.State) && share(c.check.Answers, o.check.Answers)
}

// safer says whether a check in state a goes before one in state b that
// answers the same: nothing live is touched, and no cover comes off for what a
// run tells.
func safer(a, b catalogue.CircuitState) bool {
	return b == catalogue.LiveOpen && a == catalogue.Isolated || b == catalogue.Isolated && a == catalogue.RunningClosed
}

func share(a, b []string) bool {
	for _, x := range a {
		for _, y := range b {
			if x == y {
				return true
			}
		}
	}
	return false
}

func sortedKeys(set map[string]bool) []string {
	out := make([]string, 0, len(set))
	for k := range set {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}
