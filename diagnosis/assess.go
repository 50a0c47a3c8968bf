package diagnosis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
)

// enoughProbability is what the first fault must reach, with a reading that
// shows it directly, before the engine says: conclude. Judgement, no source.
const enoughProbability = 0.9

// Assess says where a call stands: how likely each fault is to be there, where each part stands now, what to check next and whether to stop.
//
// Several faults may be there at once: the causes are independent, one mode of
// a part at most, and are weighed exactly (package isolate). Their priors are
// the catalogue's, drawn towards the shop's own verified repairs. The complaint
// itself is a finding that at least one first cause makes for; telephone
// answers and readings are findings too, a number near its limit one of two
// with the likelihood of each. Faults that explain something else have their
// place in the network, so that what they make for is no riddle, but never
// rank. Faults of parts the unit does not have are left out and the other
// priors scaled up. Second barriers that fail to protect never rank: they stand
// in Barriers, each with its own chance of being failed now. One that has opened
// ranks where the complaint is what it stops (no heat, no start).
//
// A reading says nothing of a part that was mended before it was taken: it
// judges the machine as mended, and still speaks of everything else. One tagged
// as found still weighs after work that mends nothing (pulling the machine
// out), as long as the as-found states its check needs stand. Readings set
// aside do not weigh. The same check at the same position in the same state of
// the machine counts once, the latest by time and then id: repeated readings of
// one set-up are not independent. Nor are readings of two checks that give the
// same answers (a look at the hood and the speed of its air): the more
// informative one weighs, the other is only shown.
//
// Parts is the state now: an action ends the evidence of what it touches, and
// what a verification reading says of a part outranks every earlier reading.
//
// The order of c.Readings and c.Done never matters. An error means the case
// does not belong to the catalogue (unknown complaint, check, finding,
// action, triage answer).
func Assess(k *catalogue.Kind, c Case) (Assessment, error) {
	m, err := newModel(k, c)
	if err != nil {
		return Assessment{}, err
	}
	a, err := m.rank()
	defer func() { m.net.done() }()
	if err != nil {
		return Assessment{}, err
	}
	m.stop = m.mustNotRun()
	if a.Doubt, err = m.doubt(); err != nil {
		return Assessment{}, err
	}
	if a.Next, a.Missing, err = m.next(); err != nil {
		return Assessment{}, err
	}
	if err := m.repeat(&a); err != nil {
		return Assessment{}, err
	}
	m.conclude(&a)
	a.Air = m.air()
	if a.Stop = m.stop; a.Stop != "" {
		a.Sentence = a.Stop + " " + a.Sentence
	}
	return a, nil
}

// cause is one fault of the network with its probabilities.
type cause struct {
	fault     *catalogue.Fault
	part      *catalogue.Part
	prior     float64 // of a first cause: its share of them; of any other fault: the chance that it is there
	posterior float64
	tested    bool
	mended    bool // work has been done on its part since the machine was found
}

// evidence is one reading that weighs, with what it came to.
type evidence struct {
	judged     *Judged
	check      *catalogue.Check
	finding    *catalogue.Finding
	conclusive bool
	quiet      bool   // another reading that gives the same answers weighs instead
	gone       []bool // by cause: work before the reading has ended what it could tell of it; nil for none
	work       int    // actions that mend done before it
	state      string // of what the check can speak of, what was gone; see stateOf
}

// model is a case laid out against its catalogue.
type model struct {
	kind      *catalogue.Kind
	complaint *catalogue.Complaint
	c         Case
	answers   []answer // of the telephone
	net       *network
	posterior isolate.Posterior
	leftOut   []isolate.Posterior // by reading of found: the posterior without it; empty for one that does not weigh
	causes    []cause             // the first causes, then the faults that explain something else; see ranked
	ranked    int                 // of causes: first causes
	index     map[string]int      // of causes, by fault
	worked    int                 // actions that mend
	mayTurn   float64             // greatest chance of any check to put first what nothing has shown; see turns
	barriers  []cause
	all       []evidence // every reading with a finding that is not set aside, by time
	found     []evidence // of these, what weighs, once a check, position and state of the machine
	dones     []acted
	now       map[string][]evidence // see standingNow
	stop      string                // why the machine must not run; see mustNotRun
}

// answer is a telephone question with what was answered.
type answer struct {
	question *catalogue.Question
	given    *catalogue.Answer
}

// acted is an action with its catalogue entry.
type acted struct {
	done   Done
	action *catalogue.Action
	mends  bool // it is the usual fix of some fault
}

func newModel(k *catalogue.Kind, c Case) (*model, error) {
	cp, ok := k.Complaint(c.Complaint)
	m := &model{kind: k, c: c, complaint: cp}
	if !ok {
		return nil, fmt.Errorf("assess: complaint %q is not in the catalogue of %s", c.Complaint, k.ID)
	}
	if err := m.takeActions(); err != nil {
		return nil, err
	}
	if err := m.takeCauses(); err != nil {
		return nil, err
	}
	if err := m.takeReadings(); err != nil {
		return nil, err
	}
	return m, m.takeTriage()
}

func (m *model) takeActions() error {
	for _, d := range m.c.Done {
		a, ok := m.kind.Action(d.Action)
		if !ok {
			return fmt.Errorf("assess: action %q is not in the catalogue of %s", d.Action, m.kind.ID)
		}
		m.dones = append(m.dones, acted{d, a, mends(m.kind, a.ID)})
		if mends(m.kind, a.ID) {
			m.worked++
		}
	}
	slices.SortStableFunc(m.dones, func(x, y acted) int {
		a, b := &x.done, &y.done
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Action, b.Action), cmp.Compare(a.Part, b.Part))
	})
	return nil
}

func mends(k *catalogue.Kind, action string) bool {
	for i := range k.Faults {
		if k.Faults[i].Fix == action {
			return true
		}
	}
	return false
}

// takeCauses lists the faults this unit can have: the first causes, with priors
// scaled to one, then those that explain something else. The others never rank;
// they are there so that what they make for is not taken for a slip.
func (m *model) takeCauses() error {
	total := 0.0
	m.causes = make([]cause, 0, len(m.complaint.Causes))
	var others []cause
	for i := range m.complaint.Causes {
		cs := &m.complaint.Causes[i]
		f, ok := m.kind.Fault(cs.Fault)
		if !ok {
			return fmt.Errorf("assess: cause %q of %s is not a fault of %s", cs.Fault, m.complaint.ID, m.kind.ID)
		}
		p, ok := m.kind.Part(f.Part)
		if !ok {
			return fmt.Errorf("assess: part %q of fault %s is not a part of %s", f.Part, f.ID, m.kind.ID)
		}
		if !fitted(m.c.Unit, p.Has, p.Lacks) {
			continue
		}
		prior, err := m.c.Experience.share(cs)
		if err != nil {
			return err
		}
		entry := cause{fault: f, part: p, prior: prior}
		switch {
		case cs.Explains == catalogue.ExplainsBarrier || p.Role == catalogue.SecondBarrier && cs.Explains != catalogue.ExplainsYes:
			m.barriers = append(m.barriers, entry)
		case cs.Explains == catalogue.ExplainsYes && cs.Prior > 0:
			m.causes = append(m.causes, entry)
			total += entry.prior
		case cs.Prior > 0:
			others = append(others, entry)
		}
	}
	m.ranked = len(m.causes)
	m.causes = append(m.causes, others...)
	m.index = make(map[string]int, len(m.causes))
	for i := range m.causes {
		c := &m.causes[i]
		if i < m.ranked {
			c.prior /= total
		}
		c.posterior, c.mended = m.present(i), m.touchedNow(c.part.ID)
		m.index[c.fault.ID] = i
	}
	return nil
}

// touchedNow says whether a part has been mended.
func (m *model) touchedNow(part string) bool {
	for _, d := range m.dones {
		if d.mends && d.touches(part) {
			return true
		}
	}
	return false
}

// takeTriage looks the telephone answers up, in the order of the questions.
func (m *model) takeTriage() error {
	for i := range m.complaint.Triage {
		q := &m.complaint.Triage[i]
		given, asked := m.c.Triage[q.ID]
		if !asked {
			continue
		}
		a, ok := q.Answer(given)
		if !ok {
			return fmt.Errorf("assess: %q is not an answer to triage question %s", given, q.ID)
		}
		m.answers = append(m.answers, answer{q, a})
	}
	if len(m.answers) != len(m.c.Triage) {
		return fmt.Errorf("assess: a triage question is not one of complaint %s", m.complaint.ID)
	}
	return nil
}

// takeReadings sorts the readings by time and keeps what can weigh.
func (m *model) takeReadings() error {
	m.all = make([]evidence, 0, len(m.c.Readings))
	for i := range m.c.Readings {
		j := &m.c.Readings[i]
		if j.Reading.SetAside || j.Reading.NotDone != "" || len(j.Verdicts) == 0 {
			continue
		}
		e, err := m.evidenceOf(j)
		if err != nil {
			return err
		}
		m.all = append(m.all, e)
	}
	sortEvidence(m.all)
	found := make([]evidence, 0, len(m.all))
	for i := range m.all {
		if m.workedOn(&m.all[i]); !m.spoilt(&m.all[i]) {
			found = append(found, m.all[i])
		}
	}
	m.found = latest(found)
	m.quietTwins()
	return nil
}

// chances is the likelihood of a finding under each cause.
func (m *model) chances(f *catalogue.Finding) []float64 {
	out := make([]float64, len(m.causes))
	m.fill(out, f)
	return out
}

// rest is the chance of a finding under a cause it does not name.
func rest(f *catalogue.Finding) float64 {
	if len(f.Weights) == 0 {
		return 1
	}
	return math.Max(f.Otherwise, catalogue.LeastChance)
}

// fill is chances into a slice of one place a cause. A finding names few of
// the causes, so its weights are gone through, not the causes. A finding
// without weights says nothing about any fault.
func (m *model) fill(out []float64, f *catalogue.Finding) {
	r := rest(f)
	for i := range out {
		out[i] = r
	}
	for fault, w := range f.Weights {
		if i, ok := m.index[fault]; ok {
			out[i] = math.Max(w, catalogue.LeastChance)
		}
	}
}

func (m *model) evidenceOf(j *Judged) (evidence, error) {
	ch, ok := m.kind.Check(j.Reading.Check)
	if !ok {
		return evidence{}, fmt.Errorf("assess: check %q of reading %s is not in the catalogue of %s", j.Reading.Check, j.Reading.ID, m.kind.ID)
	}
	f, ok := ch.Finding(j.Verdicts[0].Finding)
	if !ok {
		return evidence{}, fmt.Errorf("assess: check %s has no finding %q (reading %s)", ch.ID, j.Verdicts[0].Finding, j.Reading.ID)
	}
	e := evidence{judged: j, check: ch, finding: f}
	for _, v := range j.Verdicts {
		e.conclusive = e.conclusive || v.Outcome == Conforms || v.Outcome == DoesNotConform
	}
	return e, nil
}

// workedOn notes what work before the reading has ended of what it could tell:
// the machine as mended is another one. Work that mends nothing (pulling the
// machine out) leaves a reading tagged as found alone.
func (m *model) workedOn(e *evidence) {
	asFound := e.judged.Reading.Phase == AsFound
	for _, d := range m.dones {
		if after(d.done, e.judged.Reading) {
			continue
		}
		if d.mends {
			e.work++
		}
		for i := range m.causes {
			if (d.mends || !asFound) && d.touches(m.causes[i].part.ID) {
				if e.gone == nil {
					e.gone = make([]bool, len(m.causes))
				}
				e.gone[i] = true
			}
		}
	}
	if e.check != nil {
		e.state = m.stateOf(e.check, e.gone)
	}
}

// stateOf names, of the causes a check can speak of, those that are gone. Two
// readings of one check in the same state say the same thing twice.
func (m *model) stateOf(ch *catalogue.Check, gone []bool) string {
	if gone == nil {
		return ""
	}
	var b strings.Builder
	for i, g := range gone {
		if _, speaks := ch.Ladder().Stay[m.causes[i].fault.ID]; g && speaks {
			b.WriteString(m.causes[i].fault.ID + " ")
		}
	}
	return b.String()
}

// spoilt says whether a reading tagged as found came after the as-found states
// it needs were gone.
func (m *model) spoilt(e *evidence) bool {
	if e.judged.Reading.Phase != AsFound {
		return false
	}
	for _, d := range m.dones {
		if !after(d.done, e.judged.Reading) && !d.mends && share(d.action.Destroys, e.check.Needs) {
			return true
		}
	}
	return false
}

// after says whether the action came after the reading. At the same instant
// the phase decides: an as-found reading comes first.
func after(d Done, r Reading) bool {
	if d.At.Equal(r.At) {
		return r.Phase == AsFound
	}
	return d.At.After(r.At)
}

func (a acted) touches(part string) bool {
	for _, t := range a.action.Touches {
		if t == "all" || t == part || (t == "chosen" && a.done.Part == part) {
			return true
		}
	}
	return false
}

// likelihood is P(finding | only this fault). A finding without weights says
// nothing about any fault.
func likelihood(f *catalogue.Finding, fault string) float64 {
	if len(f.Weights) == 0 {
		return 1
	}
	w, ok := f.Weights[fault]
	if !ok {
		w = f.Otherwise
	}
	return math.Max(w, catalogue.LeastChance)
}

// speaksOf says whether a conclusive finding is about this fault.
func (e *evidence) speaksOf(c *cause) bool {
	if !e.conclusive {
		return false
	}
	for i := range e.judged.Verdicts {
		v := &e.judged.Verdicts[i]
		if v.Part == c.part.ID && v.Outcome != Inconclusive {
			return true
		}
	}
	w, ok := e.finding.Weights[c.fault.ID]
	return ok && w != e.finding.Otherwise
}

// isGone says whether work had ended what the reading could tell of a cause.
func (e *evidence) isGone(cause int) bool { return e.gone != nil && e.gone[cause] }

// rank computes the posterior, the barriers, the parts and the coverage.
func (m *model) rank() (Assessment, error) {
	var a Assessment
	if len(m.causes) > 0 {
		if err := m.weigh(); err != nil {
			return a, err
		}
	}
	for i := range m.causes {
		for k := range m.found {
			m.causes[i].tested = m.causes[i].tested || !m.found[k].isGone(i) && m.found[k].speaksOf(&m.causes[i])
		}
		if m.causes[i].tested && i < m.ranked {
			a.Coverage += m.causes[i].prior
		}
	}
	a.Coverage = math.Min(a.Coverage, 1)
	a.Ranking = m.ranking(m.reasons())
	a.Approximate = m.net != nil && m.net.approximate
	a.Barriers = m.rankBarriers()
	a.Parts = m.partStates()
	return a, nil
}

// weigh computes the posterior of every cause, exactly, and what it would be
// without each reading.
func (m *model) weigh() error {
	if err := m.posteriors(); err != nil {
		return err
	}
	return m.leaveOut()
}

func (m *model) posteriors() error {
	m.net = newNetwork(m)
	if err := m.net.laid(); err != nil {
		return fmt.Errorf("assess: %w", err)
	}
	p, err := m.net.weigh(m.net.evidence)
	if err != nil {
		return fmt.Errorf("assess: %w", err)
	}
	for i := range m.causes {
		m.causes[i].posterior = p.Fault[i]
	}
	m.posterior = p
	return nil
}

// leaveOut weighs the case once more without each reading.
func (m *model) leaveOut() error {
	m.leftOut = make([]isolate.Posterior, len(m.found))
	for j := range m.found {
		if !m.net.of[j].weighs() {
			continue
		}
		p, err := m.net.weigh(m.net.without(func(i int) bool { return i == j }))
		if err != nil {
			return fmt.Errorf("assess: %w", err)
		}
		m.leftOut[j] = p
	}
	return nil
}

// ranking is the causes, likeliest first; equal ones by prior, then id.
func (m *model) ranking(reasons [][]string) []Ranked {
	order := make([]int, m.ranked)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, m.byProbability)
	out := make([]Ranked, 0, len(order))
	for _, i := range order {
		c := m.causes[i]
		out = append(out, Ranked{Fault: c.fault.ID, Name: c.fault.Name, Part: c.part.ID,
			Probability: c.posterior, Tested: c.tested, Mended: c.mended, Reasons: reasons[i]})
	}
	return out
}

// rankBarriers gives each second barrier its own chance of being failed now,
// from its prior and the readings no action has ended since.
func (m *model) rankBarriers() []Ranked {
	out := make([]Ranked, 0, len(m.barriers))
	for _, b := range m.barriers {
		p := math.Min(math.Max(b.prior, 1e-6), 1-1e-6)
		failed, sound := p, 1-p
		var reasons []string
		for _, e := range m.standingNow(b.part.ID) {
			if !e.speaksOf(&b) {
				continue
			}
			b.tested = true
			failed *= likelihood(e.finding, b.fault.ID)
			sound *= math.Max(e.finding.Otherwise, catalogue.LeastChance)
			reasons = append(reasons, e.sentence(b.part.ID))
		}
		out = append(out, Ranked{Fault: b.fault.ID, Name: b.fault.Name, Part: b.part.ID,
			Probability: failed / (failed + sound), Tested: b.tested, Reasons: reasons})
	}
	slices.SortFunc(out, func(a, b Ranked) int {
		return cmp.Or(cmp.Compare(b.Probability, a.Probability), cmp.Compare(a.Fault, b.Fault))
	})
	return out
}

// fitted says whether the unit has the feature something needs and lacks the
// one that takes its place; an empty name asks for nothing.
func fitted(u Unit, has, lacks string) bool {
	return (has == "" || u.Has[has]) && (lacks == "" || !u.Has[lacks])
}
