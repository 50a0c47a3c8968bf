package isolate

import (
	"math"
	"math/bits"
	"slices"
)

// maxOpen is how many positive and soft findings one weighing takes.
const maxOpen = 64

// Workspace holds the memory of weighings, so that one after the other costs
// no allocation. Its zero value is ready. It serves one goroutine at a time.
type Workspace struct {
	p      Posterior
	seen   []int32 // by finding: the run that named it last
	slot   []int8  // by finding: its place among the open ones, -1 when it is not
	run    int32
	open   [maxOpen]Evidence
	n      int       // of open
	keep   []float64 // by fault: its prior with the negatives absorbed
	mask   []uint64  // by group: the open findings it touches
	left   [maxOpen]int32
	pos    [maxOpen]int8 // of an open finding: its bit in the frontier
	at     [maxOpen]int8 // of a bit: the open finding
	width  int
	order  []int32 // groups with open findings, in the order they are taken
	steps  []step
	arena  []float64 // frontiers before each group, one after the other
	g, h   []float64
	b, sum []float64
	log    float64
}

// step is one group on its way through the frontier.
type step struct {
	group   int32
	opened  int8                  // findings introduced before it: the top bits
	closed  int8                  // findings forgotten after it
	width   int8                  // of the frontier when the group branches
	from    int                   // of its frontier in the arena
	bit     [maxFrontierBits]int8 // open finding of each bit when the group branches
	out     [maxFrontierBits]int8 // bits forgotten, in the order they are
	outWhat [maxFrontierBits]int8 // the open findings forgotten
}

// maxFrontierBits bounds the arrays of a step: a group may open findings up to
// the cap before others close.
const maxFrontierBits = MaxFrontier + 1

// Weigh is Model.Weigh with the memory of w. The slices of the result are
// overwritten by the next call.
func (w *Workspace) Weigh(m *Model, es []Evidence) (Posterior, error) {
	w.reset(m)
	for i := range es {
		if err := m.fits(&es[i]); err != nil {
			return Posterior{}, err
		}
		if w.seen[es[i].Finding] == w.run {
			return Posterior{}, errTwice
		}
		w.seen[es[i].Finding] = w.run
		if err := w.take(m, &es[i]); err != nil {
			return Posterior{}, err
		}
	}
	slices.SortFunc(w.open[:w.n], func(a, b Evidence) int { return a.Finding - b.Finding })
	for j := range w.n {
		w.slot[w.open[j].Finding] = int8(j)
	}
	w.touch(m)
	if err := w.forward(m); err != nil {
		return Posterior{}, err
	}
	if math.IsInf(w.log, -1) || math.IsNaN(w.log) {
		return Posterior{}, ErrImpossible
	}
	w.backward(m)
	w.p.LogEvidence = w.log
	return w.p, nil
}

func (w *Workspace) reset(m *Model) {
	w.run++
	w.p = Posterior{Fault: resized(w.p.Fault, len(m.Faults)), Absent: resized(w.p.Absent, len(m.Faults))}
	w.keep, w.mask = resized(w.keep, len(m.Faults)), resized(w.mask, len(m.groups))
	if len(w.seen) < len(m.Findings) || w.run == math.MaxInt32 {
		w.seen, w.slot, w.run = make([]int32, len(m.Findings)), make([]int8, len(m.Findings)), 1
	}
	for i := range m.Faults {
		w.keep[i] = m.Faults[i].Prior
	}
	clear(w.mask)
	w.n, w.log, w.width = 0, 0, 0
	w.order, w.steps, w.arena = w.order[:0], w.steps[:0], w.arena[:0]
}

func resized[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}

// take absorbs a plain negative, drops what weighs nothing, and opens the rest.
func (w *Workspace) take(m *Model, e *Evidence) error {
	f := &m.Findings[e.Finding]
	switch {
	case e.Abnormal == e.Normal:
		w.log += math.Log(e.Normal)
		return nil
	case e.Abnormal == 0:
		w.log += math.Log(e.Normal) + math.Log1p(-f.Leak)
		for _, l := range f.Links {
			w.keep[l.Fault] *= 1 - l.Weight
		}
		return nil
	case w.n == maxOpen:
		return ErrWide
	}
	w.open[w.n] = *e
	w.n++
	return nil
}

// touch finds which groups each open finding links to; one that no fault
// touches is a constant.
func (w *Workspace) touch(m *Model) {
	for j := range w.n {
		f := &m.Findings[w.open[j].Finding]
		bit := uint64(1) << j
		w.left[j] = 0
		for _, l := range f.Links {
			if g := m.groupO[l.Fault]; w.mask[g]&bit == 0 {
				w.mask[g] |= bit
				w.left[j]++
			}
		}
		if w.left[j] == 0 {
			w.log += math.Log(w.open[j].Abnormal*f.Leak + w.open[j].Normal*(1-f.Leak))
		}
	}
	for g := range m.groups {
		if w.mask[g] != 0 {
			w.order = append(w.order, int32(g))
		} else {
			w.log += math.Log(w.finish(m, g))
		}
	}
}

// finish sets the posteriors of a group no open finding touches, and gives the
// mass that its negatives leave.
func (w *Workspace) finish(m *Model, g int) float64 {
	grp := &m.groups[g]
	total := grp.none
	for _, f := range grp.faults {
		total += w.keep[f]
	}
	for _, f := range grp.faults {
		w.p.Fault[f] = w.keep[f] / total
		rest := grp.none
		for _, o := range grp.faults {
			if o != f {
				rest += w.keep[o]
			}
		}
		w.p.Absent[f] = rest / total
	}
	return total
}

// next takes the group that makes the frontier grow least.
func (w *Workspace) next(from int, frontier, last uint64) {
	best, least := from, math.MaxInt
	for i := from; i < len(w.order); i++ {
		mk := w.mask[w.order[i]]
		opens, closes := bits.OnesCount64(mk&^frontier), bits.OnesCount64(mk&last)
		if cost := (opens-closes)<<8 + opens; cost < least {
			best, least = i, cost
		}
	}
	w.order[from], w.order[best] = w.order[best], w.order[from]
}

func (w *Workspace) forward(m *Model) error {
	w.g = append(w.g[:0], 1)
	frontier, last := uint64(0), uint64(0)
	for j := range w.n {
		if w.left[j] == 1 {
			last |= 1 << j
		}
	}
	for i := range w.order {
		w.next(i, frontier, last)
		s := step{group: w.order[i]}
		mk := w.mask[s.group]
		for rest := mk &^ frontier; rest != 0; rest &= rest - 1 {
			if w.width == MaxFrontier {
				return ErrWide
			}
			w.introduce(m, bits.TrailingZeros64(rest))
			s.opened++
		}
		frontier |= mk
		w.p.Frontier = max(w.p.Frontier, w.width)
		s.width, s.from = int8(w.width), len(w.arena)
		copy(s.bit[:], w.at[:w.width])
		w.arena = append(w.arena, w.g...)
		w.through(m, int(s.group))
		for rest := mk; rest != 0; rest &= rest - 1 {
			j := bits.TrailingZeros64(rest)
			switch w.left[j]--; w.left[j] {
			case 1:
				last |= 1 << j
			case 0:
				s.out[s.closed], s.outWhat[s.closed] = w.pos[j], int8(j)
				s.closed++
				w.forget(j)
				frontier &^= 1 << j
				last &^= 1 << j
			}
		}
		w.steps = append(w.steps, s)
		w.log += rescale(w.g)
	}
	w.log += math.Log(w.g[0])
	return nil
}

// introduce appends the bit of an open finding: set where its leak alone makes
// it abnormal.
func (w *Workspace) introduce(m *Model, j int) {
	leak := m.Findings[w.open[j].Finding].Leak
	n := len(w.g)
	w.g = append(w.g, w.g...)
	for s := range n {
		w.g[s+n] *= leak
		w.g[s] *= 1 - leak
	}
	w.pos[j], w.at[w.width] = int8(w.width), int8(j)
	w.width++
}

// through lets each mode of a group, and none, act on the frontier.
func (w *Workspace) through(m *Model, g int) {
	grp := &m.groups[g]
	w.sum = resized(w.sum, len(w.g))
	for s, x := range w.g {
		w.sum[s] = grp.none * x
	}
	for _, f := range grp.faults {
		w.h = append(w.h[:0], w.g...)
		for _, l := range m.links[f] {
			if j := w.slot[l.Finding]; w.isOpen(l.Finding, j) {
				act(w.h, int(w.pos[j]), l.Weight)
			}
		}
		p := w.keep[f]
		for s, x := range w.h {
			w.sum[s] += p * x
		}
	}
	w.g, w.sum = w.sum, w.g
}

// isOpen says whether slot j is this run's place of the finding.
func (w *Workspace) isOpen(finding int32, j int8) bool {
	return w.seen[finding] == w.run && int(j) < w.n && w.open[j].Finding == int(finding)
}

// act sets a bit with a chance of weight where it is not set.
func act(h []float64, bit int, weight float64) {
	step, stay := 1<<bit, 1-weight
	for base := 0; base < len(h); base += 2 * step {
		lo, hi := h[base:base+step], h[base+step:base+2*step]
		for s, x := range lo {
			hi[s] += weight * x
			lo[s] = stay * x
		}
	}
}

// forget takes a bit out, weighing what was found there.
func (w *Workspace) forget(j int) {
	bit, e := int(w.pos[j]), &w.open[j]
	step, to := 1<<bit, 0
	for base := 0; base < len(w.g); base += 2 * step {
		for s := base; s < base+step; s++ {
			w.g[to] = e.Normal*w.g[s] + e.Abnormal*w.g[s+step]
			to++
		}
	}
	w.g = w.g[:to]
	copy(w.at[bit:w.width], w.at[bit+1:w.width])
	w.width--
	for k := bit; k < w.width; k++ {
		w.pos[w.at[k]] = int8(k)
	}
}

// rescale keeps the frontier from vanishing and gives the logarithm of what it
// divided out.
func rescale(g []float64) float64 {
	most := 0.0
	for _, x := range g {
		most = max(most, x)
	}
	if most >= 1e-120 && most <= 1e120 || most == 0 {
		return 0
	}
	for s := range g {
		g[s] /= most
	}
	return math.Log(most)
}

// backward carries the rest of the evidence back to each group.
func (w *Workspace) backward(m *Model) {
	w.b = append(w.b[:0], 1)
	for i := len(w.steps) - 1; i >= 0; i-- {
		s := &w.steps[i]
		for k := int(s.closed) - 1; k >= 0; k-- {
			w.unforget(int(s.out[k]), &w.open[s.outWhat[k]])
		}
		for b := range int(s.width) {
			w.pos[s.bit[b]] = int8(b)
		}
		w.share(m, s)
		for k := range int(s.opened) {
			top := int(s.width) - 1 - k
			w.unintroduce(m.Findings[w.open[s.bit[top]].Finding].Leak)
		}
		rescale(w.b)
	}
}

// unforget is the transpose of forget.
func (w *Workspace) unforget(bit int, e *Evidence) {
	n, step := len(w.b), 1<<bit
	w.b = append(w.b, w.b...)
	for from, base := n, 2*n; from > 0; from -= step {
		base -= 2 * step
		for s := step - 1; s >= 0; s-- {
			x := w.b[from-step+s]
			w.b[base+step+s] = e.Abnormal * x
			w.b[base+s] = e.Normal * x
		}
	}
}

// unintroduce is the transpose of introduce, of the top bit.
func (w *Workspace) unintroduce(leak float64) {
	n := len(w.b) / 2
	for s := range n {
		w.b[s] = (1-leak)*w.b[s] + leak*w.b[s+n]
	}
	w.b = w.b[:n]
}

// share sets the posteriors of a group and carries the evidence back through
// it.
func (w *Workspace) share(m *Model, s *step) {
	grp := &m.groups[s.group]
	g := w.arena[s.from : s.from+1<<s.width]
	none := grp.none * dot(g, w.b)
	w.sum = resized(w.sum, len(w.b))
	for k, x := range w.b {
		w.sum[k] = grp.none * x
	}
	total := none
	for _, f := range grp.faults {
		w.h = append(w.h[:0], w.b...)
		links := m.links[f]
		for k := len(links) - 1; k >= 0; k-- {
			if j := w.slot[links[k].Finding]; w.isOpen(links[k].Finding, j) {
				unact(w.h, int(w.pos[j]), links[k].Weight)
			}
		}
		p := w.keep[f]
		for k, x := range w.h {
			w.sum[k] += p * x
		}
		w.p.Fault[f] = p * dot(g, w.h)
		total += w.p.Fault[f]
	}
	for _, f := range grp.faults {
		absent := none
		for _, o := range grp.faults {
			if o != f {
				absent += w.p.Fault[o]
			}
		}
		w.p.Absent[f] = absent / total
	}
	for _, f := range grp.faults {
		w.p.Fault[f] /= total
	}
	w.b, w.sum = w.sum, w.b
}

// unact is the transpose of act.
func unact(h []float64, bit int, weight float64) {
	step, stay := 1<<bit, 1-weight
	for base := 0; base < len(h); base += 2 * step {
		lo, hi := h[base:base+step], h[base+step:base+2*step]
		for s, x := range lo {
			lo[s] = stay*x + weight*hi[s]
		}
	}
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}
