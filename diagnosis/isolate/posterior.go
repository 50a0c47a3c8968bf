package isolate

import (
	"errors"
	"math"
)

// Posterior is what the evidence makes of each fault.
type Posterior struct {
	Fault       []float64 // probability of each fault, in the order of the model
	LogEvidence float64   // natural logarithm of the probability of the evidence
	Frontier    int       // bits: how many findings had to be held together
}

// Weigh computes the posterior exactly, by dynamic programming over the sets of
// open findings that are already accounted for. Plain negatives are absorbed
// into the priors first; their cost is linear. The order of es never matters.
// Errors: ErrImpossible, ErrWide, and evidence that does not fit the model.
func (m *Model) Weigh(es []Evidence) (Posterior, error) {
	if err := m.check(es); err != nil {
		return Posterior{}, err
	}
	w := newWeighing(m, es)
	if err := w.forward(); err != nil {
		return Posterior{}, err
	}
	if !(w.scale > math.Inf(-1)) {
		return Posterior{}, ErrImpossible
	}
	return w.backward(), nil
}

// step is one group on its way through the frontier.
type step struct {
	group  int
	opened []int     // findings introduced before it, by place in weighing.open
	closed []int     // bits forgotten after it, in the order they are forgotten
	ended  []int     // the findings of closed
	before []float64 // the frontier before the group branches
	links  [][]bit   // by mode of the group: its links to open findings
	none   float64   // chance that no mode is there, negatives absorbed
	mode   []float64 // chance of each mode, negatives absorbed
}

// bit is a link to an open finding by its place in the frontier.
type bit struct {
	at     int
	weight float64
}

// weighing is one run.
type weighing struct {
	m     *Model
	open  []Evidence  // positive and soft
	touch [][]int     // groups of each open finding
	byMod [][]indexed // links of each fault to open findings
	steps []step
	scale float64 // logarithm of what has been divided out
	width int
}

// indexed is a link to an open finding.
type indexed struct {
	open   int
	weight float64
}

func newWeighing(m *Model, es []Evidence) *weighing {
	w := &weighing{m: m, byMod: make([][]indexed, len(m.Faults))}
	keep := make([]float64, len(m.Faults)) // product of 1−w over the negatives
	for i := range keep {
		keep[i] = 1
	}
	for _, e := range es {
		f := m.Findings[e.Finding]
		switch {
		case e.Abnormal == e.Normal: // it tells nothing
			w.scale += math.Log(e.Normal)
		case e.Abnormal == 0:
			w.scale += math.Log(e.Normal) + math.Log1p(-f.Leak)
			for _, l := range f.Links {
				keep[l.Fault] *= 1 - l.Weight
			}
		case len(f.Links) == 0:
			w.scale += math.Log(e.Abnormal*f.Leak + e.Normal*(1-f.Leak))
		default:
			w.opens(e, f)
		}
	}
	w.order(keep)
	return w
}

func (w *weighing) opens(e Evidence, f Finding) {
	at := len(w.open)
	w.open = append(w.open, e)
	var groups []int
	seen := map[int]bool{}
	for _, l := range f.Links {
		w.byMod[l.Fault] = append(w.byMod[l.Fault], indexed{at, l.Weight})
		if g := w.m.groupO[l.Fault]; !seen[g] {
			seen[g] = true
			groups = append(groups, g)
		}
	}
	w.touch = append(w.touch, groups)
}

// order lays the groups out so that few findings are held at a time: next
// comes the group that opens fewest more than it closes.
func (w *weighing) order(keep []float64) {
	left := make([]int, len(w.open)) // groups still to come of each finding
	of := make([][]int, len(w.m.groups))
	for f, groups := range w.touch {
		left[f] = len(groups)
		for _, g := range groups {
			of[g] = append(of[g], f)
		}
	}
	placed := make([]bool, len(w.m.groups))
	var slots []int // the frontier: open findings by bit
	for range w.m.groups {
		g := w.cheapest(of, left, placed, slots)
		placed[g] = true
		s := step{group: g}
		for _, f := range of[g] {
			if indexOf(slots, f) < 0 {
				s.opened = append(s.opened, f)
				slots = append(slots, f)
			}
			left[f]--
		}
		w.width = max(w.width, len(slots))
		w.branch(&s, slots, keep)
		for _, f := range of[g] {
			if left[f] == 0 {
				b := indexOf(slots, f)
				s.closed, s.ended = append(s.closed, b), append(s.ended, f)
				slots = append(slots[:b:b], slots[b+1:]...)
			}
		}
		w.steps = append(w.steps, s)
	}
}

func (w *weighing) cheapest(of [][]int, left []int, placed []bool, slots []int) int {
	best, cost := -1, 0
	for g := range of {
		if placed[g] {
			continue
		}
		c := 0
		for _, f := range of[g] {
			if indexOf(slots, f) < 0 {
				c++
			}
			if left[f] == 1 {
				c--
			}
		}
		if best < 0 || c < cost {
			best, cost = g, c
		}
	}
	return best
}

// branch fills in the chances of a group's modes, negatives absorbed, and
// their links by bit.
func (w *weighing) branch(s *step, slots []int, keep []float64) {
	modes := w.m.groups[s.group].faults
	s.none = 1
	total := 0.0
	for _, f := range modes {
		s.none -= w.m.Faults[f].Prior
		p := w.m.Faults[f].Prior * keep[f]
		s.mode = append(s.mode, p)
		total += p
		var bits []bit
		for _, l := range w.byMod[f] {
			bits = append(bits, bit{indexOf(slots, l.open), l.weight})
		}
		s.links = append(s.links, bits)
	}
	total += s.none
	w.scale += math.Log(total)
	s.none /= total
	for i := range s.mode {
		s.mode[i] /= total
	}
}

func indexOf(xs []int, x int) int {
	for i, v := range xs {
		if v == x {
			return i
		}
	}
	return -1
}

// forward carries the frontier from the first group to the last.
func (w *weighing) forward() error {
	if w.width > MaxFrontier {
		return ErrWide
	}
	g := []float64{1}
	for i := range w.steps {
		s := &w.steps[i]
		for _, f := range s.opened {
			g = introduce(g, w.m.Findings[w.open[f].Finding].Leak)
		}
		s.before = g
		g = s.through(g)
		for k, b := range s.closed {
			e := w.open[s.ended[k]]
			g = forget(g, b, e.Abnormal, e.Normal)
		}
		w.scale += rescale(g)
	}
	w.scale += math.Log(g[0])
	return nil
}

// introduce adds a finding as the highest bit: accounted for by its leak, or
// not yet.
func introduce(g []float64, leak float64) []float64 {
	out := make([]float64, 2*len(g))
	for s, v := range g {
		out[s] = v * (1 - leak)
		out[s+len(g)] = v * leak
	}
	return out
}

// through mixes the branches of a group: no mode, or one of its modes, each of
// which accounts for its findings with its weights.
func (s *step) through(g []float64) []float64 {
	out := make([]float64, len(g))
	for i, v := range g {
		out[i] = s.none * v
	}
	h := make([]float64, len(g))
	for m, p := range s.mode {
		copy(h, g)
		for _, l := range s.links[m] {
			b := 1 << l.at
			for i := range h {
				if i&b == 0 {
					h[i|b] += l.weight * h[i]
					h[i] *= 1 - l.weight
				}
			}
		}
		for i, v := range h {
			out[i] += p * v
		}
	}
	return out
}

// forget closes a finding: its evidence weighs in and its bit goes.
func forget(g []float64, bit int, abnormal, normal float64) []float64 {
	out := make([]float64, len(g)/2)
	low := 1<<bit - 1
	for i := range out {
		at := i&low | (i&^low)<<1
		out[i] = normal*g[at] + abnormal*g[at|1<<bit]
	}
	return out
}

// rescale divides a vector by its greatest value when that is very small, and
// gives the logarithm of what was divided out; −Inf for a vector of zeros.
func rescale(g []float64) float64 {
	most := 0.0
	for _, v := range g {
		most = max(most, v)
	}
	if most == 0 {
		return math.Inf(-1)
	}
	if most > 1e-120 {
		return 0
	}
	for i := range g {
		g[i] /= most
	}
	return math.Log(most)
}

// backward carries the weight of what is still to come from the last group to
// the first; where it meets the stored frontier, each mode's share is read off.
func (w *weighing) backward() Posterior {
	post := Posterior{Fault: make([]float64, len(w.m.Faults)), LogEvidence: w.scale, Frontier: w.width}
	b := []float64{1}
	for i := len(w.steps) - 1; i >= 0; i-- {
		s := &w.steps[i]
		for k := len(s.closed) - 1; k >= 0; k-- {
			e := w.open[s.ended[k]]
			b = unforget(b, s.closed[k], e.Abnormal, e.Normal)
		}
		b = s.share(b, w.m.groups[s.group].faults, post.Fault)
		for k := len(s.opened) - 1; k >= 0; k-- {
			b = unintroduce(b, w.m.Findings[w.open[s.opened[k]].Finding].Leak)
		}
		rescale(b)
	}
	return post
}

func unforget(b []float64, bit int, abnormal, normal float64) []float64 {
	out := make([]float64, 2*len(b))
	low := 1<<bit - 1
	for i, v := range b {
		at := i&low | (i&^low)<<1
		out[at] = normal * v
		out[at|1<<bit] = abnormal * v
	}
	return out
}

// share writes the posterior of each mode of the group and gives the weight
// before it branched.
func (s *step) share(b []float64, faults []int, posterior []float64) []float64 {
	out := make([]float64, len(b))
	total := 0.0
	for i, v := range b {
		out[i] = s.none * v
		total += s.before[i] * out[i]
	}
	h := make([]float64, len(b))
	for m, p := range s.mode {
		copy(h, b)
		for _, l := range s.links[m] {
			bit := 1 << l.at
			for i := range h {
				if i&bit == 0 {
					h[i] = (1-l.weight)*h[i] + l.weight*h[i|bit]
				}
			}
		}
		part := 0.0
		for i, v := range h {
			out[i] += p * v
			part += p * s.before[i] * v
		}
		posterior[faults[m]] = part
		total += part
	}
	for _, f := range faults {
		posterior[f] /= total
	}
	return out
}

func unintroduce(b []float64, leak float64) []float64 {
	out := make([]float64, len(b)/2)
	for i := range out {
		out[i] = (1-leak)*b[i] + leak*b[i+len(out)]
	}
	return out
}

// Entropy is the sum of the entropies of the faults, in bits.
func (p Posterior) Entropy() float64 {
	h := 0.0
	for _, x := range p.Fault {
		h += entropy(x) + entropy(1-x)
	}
	return h
}

func entropy(x float64) float64 {
	if x <= 0 {
		return 0
	}
	return -x * math.Log2(x)
}

// Gain is what one finding not yet looked at is expected to tell.
type Gain struct {
	Finding  int
	Abnormal float64 // chance that it is abnormal
	Bits     float64 // expected fall of Entropy
}

// Gain computes what looking at a finding is expected to tell, exactly.
func (m *Model) Gain(es []Evidence, finding int) (Gain, error) {
	now, err := m.Weigh(es)
	if err != nil {
		return Gain{}, err
	}
	after := 0.0
	g := Gain{Finding: finding}
	for _, e := range []Evidence{{finding, 1, 0}, {finding, 0, 1}} {
		p, err := m.Weigh(append(append([]Evidence{}, es...), e))
		if errors.Is(err, ErrImpossible) {
			continue
		}
		if err != nil {
			return Gain{}, err
		}
		chance := math.Exp(p.LogEvidence - now.LogEvidence)
		after += chance * p.Entropy()
		if e.Abnormal == 1 {
			g.Abnormal = chance
		}
	}
	g.Bits = now.Entropy() - after
	return g, nil
}
