package diagnosis_test

import (
	"math"
	"math/rand/v2"
	"slices"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// How far the world of the bench lies from the catalogue. Judgement, no source.
const (
	genSpread = 0.4  // standard deviation of the logarithm of a chance of a finding or an answer
	genShares = 0.3  // the same of how often a fault comes
	genStray  = 0.03 // a finding that has nothing to do with the machine
	genSlip   = 0.02 // a reading that comes out as the finding next to the true one
	genVague  = 0.03 // a reading that tells nothing, where the check has such a finding
	genAsked  = 0.8  // a telephone question that is answered
	genRate   = 0.35 // mean number of first causes, before the complaint is known
)

// genWorld is where the machines of one complaint come from: the catalogue's
// own chances, each off by its own factor, the same for every machine. What the
// engine believes is never quite so: faults come in other shares, checks show
// them more or less often, second barriers fail without the engine weighing
// them, telephone answers add up to one where the engine takes each ratio as it
// stands, and a few readings in a hundred are simply wrong. The combination of
// several faults is the engine's: independent, the highest finding shows.
type genWorld struct {
	kind      *catalogue.Kind
	complaint *catalogue.Complaint
	prior     map[string]float64            // by fault
	ladder    map[string]*catalogue.Ladder  // by check
	said      map[string]map[string]float64 // by question and answer: how often, with no fault it names
}

const genSeed = 20310607

func newGenWorld(k *catalogue.Kind, complaint string) *genWorld {
	cp, _ := k.Complaint(complaint)
	w := &genWorld{kind: k, complaint: cp, prior: map[string]float64{}, ladder: map[string]*catalogue.Ladder{}, said: map[string]map[string]float64{}}
	off := func(what string) *rand.Rand { return simChance(genSeed, k.ID+" "+complaint+" "+what, 0) }
	for _, c := range cp.Causes {
		w.prior[c.Fault] = c.Prior * genOff(off("cause "+c.Fault), genShares)
	}
	for i := range k.Checks {
		w.ladder[k.Checks[i].ID] = genLadder(off("check "+k.Checks[i].ID), &k.Checks[i])
	}
	for i := range cp.Triage {
		q := &cp.Triage[i]
		chances := w.usual(q)
		genPerturb(off("question "+q.ID), chances)
		w.said[q.ID] = map[string]float64{}
		for i, a := range q.Answers {
			w.said[q.ID][a.ID] = chances[i]
		}
	}
	return w
}

// usual is how often each answer is given with no fault that it names. The
// catalogue states only how many times likelier a fault makes it. Given any
// fault the answers must add up to one, and these are the chances, as even as
// may be, with which they nearly do: an answer that some fault makes eight times
// likelier is seldom given without it.
func (w *genWorld) usual(q *catalogue.Question) []float64 {
	const steps, rate = 1000, 0.01
	b := make([]float64, len(q.Answers))
	for i := range b {
		b[i] = 1 / float64(len(b))
	}
	for range steps {
		slope := make([]float64, len(b))
		for _, c := range w.complaint.Causes {
			ratios, sum := make([]float64, len(b)), 0.0
			for i, a := range q.Answers {
				ratios[i] = 1
				if x, ok := a.Weights[c.Fault]; ok {
					ratios[i] = x
				}
				sum += b[i] * ratios[i]
			}
			for i := range slope {
				slope[i] += c.Prior * (sum - 1) * ratios[i]
			}
		}
		total := 0.0
		for i := range b {
			b[i] *= math.Exp(-rate * slope[i])
			total += b[i]
		}
		for i := range b {
			b[i] /= total
		}
	}
	return b
}

// genOff is a factor around one.
func genOff(r *rand.Rand, spread float64) float64 { return math.Exp(spread * r.NormFloat64()) }

// genPerturb takes chances off their values and back to a sum of one.
func genPerturb(r *rand.Rand, ps []float64) {
	sum := 0.0
	for i := range ps {
		ps[i] *= genOff(r, genSpread)
		sum += ps[i]
	}
	for i := range ps {
		ps[i] /= sum
	}
}

// genLadder is the check's ladder with other chances.
func genLadder(r *rand.Rand, ch *catalogue.Check) *catalogue.Ladder {
	other := catalogue.Check{ID: ch.ID}
	for _, f := range ch.Ladder().Rungs {
		other.Findings = append(other.Findings, catalogue.Finding{ID: f.ID, Weights: map[string]float64{}})
	}
	chances := make([]float64, len(other.Findings))
	perturbed := func(of func(f *catalogue.Finding) float64) {
		for y, f := range ch.Ladder().Rungs {
			chances[y] = math.Max(of(f), catalogue.LeastChance)
		}
		genPerturb(r, chances)
	}
	perturbed(func(f *catalogue.Finding) float64 { return f.Otherwise })
	for y := range chances {
		other.Findings[y].Otherwise = chances[y]
	}
	for _, fault := range ch.Ladder().Faults {
		perturbed(func(f *catalogue.Finding) float64 {
			if w, ok := f.Weights[fault]; ok {
				return w
			}
			return f.Otherwise
		})
		for y := range chances {
			other.Findings[y].Weights[fault] = chances[y]
		}
	}
	return other.Ladder()
}

// genMachine is one machine of the complaint, with what is wrong with it.
type genMachine struct {
	world  *genWorld
	index  uint64
	unit   diagnosis.Unit
	faults map[string]bool // all that is wrong
	first  []string        // of these, first causes of the complaint
}

// draw makes a machine with half of the features its kind may have, and faults
// that explain the complaint.
func (w *genWorld) draw(index uint64) *genMachine {
	r := simChance(index, "machine "+w.kind.ID+" "+w.complaint.ID, 0)
	m := &genMachine{world: w, index: index, unit: diagnosis.Unit{Kind: w.kind.ID, Has: map[string]bool{}}}
	for _, f := range w.kind.Features {
		m.unit.Has[f.ID] = r.Float64() < 0.5
	}
	for i := range w.kind.Checks {
		m.unit.Gas = m.unit.Gas || w.kind.Checks[i].Gas
	}
	chances := m.chances()
	for !m.break_(r, chances) {
	}
	return m
}

// chances is how likely each cause of the complaint is there by itself: as the
// engine has it, see causesPerCall.
func (m *genMachine) chances() []float64 {
	out, total := make([]float64, len(m.world.complaint.Causes)), 0.0
	for i, c := range m.world.complaint.Causes {
		f, _ := m.world.kind.Fault(c.Fault)
		p, _ := m.world.kind.Part(f.Part)
		if m.fits(p.Has, p.Lacks) {
			out[i] = m.world.prior[c.Fault]
		}
		if c.Explains == catalogue.ExplainsYes {
			total += out[i]
		}
	}
	for i, c := range m.world.complaint.Causes {
		if c.Explains == catalogue.ExplainsYes {
			out[i] = -math.Expm1(-genRate * out[i] / total)
		}
	}
	return out
}

// break_ draws faults; false when they do not explain the complaint or cannot
// be there together: two modes of one part, no fault at all beside another.
func (m *genMachine) break_(r *rand.Rand, chances []float64) bool {
	m.faults, m.first = map[string]bool{}, nil
	parts, none := map[string]bool{}, false
	for i, c := range m.world.complaint.Causes {
		if r.Float64() >= chances[i] {
			continue
		}
		f, _ := m.world.kind.Fault(c.Fault)
		if parts[f.Part] {
			return false
		}
		parts[f.Part], m.faults[f.ID] = true, true
		none = none || f.Mode == "none"
		if c.Explains == catalogue.ExplainsYes {
			m.first = append(m.first, f.ID)
		}
	}
	return len(m.first) == 1 || len(m.first) > 1 && !none
}

func (m *genMachine) fits(has, lacks string) bool {
	return (has == "" || m.unit.Has[has]) && (lacks == "" || !m.unit.Has[lacks])
}

// triage answers the questions of the telephone.
func (m *genMachine) triage() map[string]string {
	out := map[string]string{}
	for _, q := range m.world.complaint.Triage {
		r := simChance(m.index, "question "+q.ID, 0)
		if r.Float64() >= genAsked {
			continue
		}
		chances := make([]float64, len(q.Answers))
		for i, a := range q.Answers {
			chances[i] = m.world.said[q.ID][a.ID] * m.said(a.Weights)
		}
		out[q.ID] = q.Answers[genPick(r, chances)].ID
	}
	return out
}

// said is how much likelier these faults make an answer: what speaks against
// it multiplies, of what speaks for it each leads to it by itself.
func (m *genMachine) said(ratios map[string]float64) float64 {
	most, against, not := 1.0, 1.0, 1.0
	for _, x := range ratios {
		most = math.Max(most, x)
	}
	for _, f := range genSorted(m.faults) {
		switch x, ok := ratios[f]; {
		case ok && x < 1:
			against *= math.Max(x, catalogue.LeastChance)
		case ok && x > 1:
			not *= 1 - (x-1)/(most-1)
		}
	}
	return against * (not + most*(1-not))
}

func genSorted(set map[string]bool) []string {
	out := make([]string, 0, len(set))
	for f := range set {
		out = append(out, f)
	}
	slices.Sort(out)
	return out
}

// genPick draws one of several in proportion to their chances.
func genPick(r *rand.Rand, chances []float64) int {
	sum := 0.0
	for _, p := range chances {
		sum += p
	}
	u := r.Float64() * sum
	for i, p := range chances {
		if u -= p; u < 0 {
			return i
		}
	}
	return len(chances) - 1
}
