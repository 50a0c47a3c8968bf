package isolate

import (
	"math"
	"math/bits"
)

// frontier carries the states of the open findings from part to part. A state
// is a set of findings that are accounted for already. Every number is from 0,
// and none is subtracted from another.
type frontier struct {
	order  []int32 // groups with open findings, in the order they are taken
	steps  []step
	acts   []act
	left   [maxOpen]int32   // groups an open finding still waits for
	weight [maxOpen]float64 // of the links of one branch to the open findings
	bit    [maxOpen]int8    // of a bit: the open finding
	arena  []float64        // frontiers before each group and at the end, one after the other
	h      []float64        // one branch
	b, sum []float64        // the way back
	coef   []float64        // chances of the states of the findings a group opens
	part   []float64        // by mode of one group
	known  bool             // something explains the evidence
}

// step is one group on its way through the frontier.
type step struct {
	group         int32
	width, middle int8  // bits before it, and when it has closed its own
	opens         int8  // bits it adds
	from          int   // of its frontier in the arena
	acts          int32 // of its first branch, which has no mode
}

// act is what one branch of a step does to one finding.
type act struct {
	bit  int8
	kind actKind
	// lo and hi weigh the two states of a finding that closes, are the chances
	// of the two of one that opens, and those that one not yet accounted for
	// stays so and does not.
	lo, hi float64
}

type actKind int8

const (
	closing actKind = iota
	moving
	opening
	branchEnd
)

// maxArena is the greatest number of states kept for the way back: 64 MB.
const maxArena = 1 << 23

// lay finds the order of the groups and what each does to the frontier.
func (w *Workspace) lay(m *Model) error {
	w.order, w.steps, w.acts = w.order[:0], w.steps[:0], w.acts[:0]
	w.p.Frontier = 0
	if len(w.open) == 0 {
		return nil
	}
	if len(w.open) > maxOpen {
		return ErrWide
	}
	w.touch(m)
	frontier, last := uint64(0), w.lastOf(1<<len(w.open)-1, 0)
	width, size := 0, 0
	for i := range w.order {
		g := w.next(i, frontier, last)
		mask := w.mask[g]
		s := step{group: g, width: int8(width), from: size, acts: int32(len(w.acts))}
		size += 1 << width
		ends := mask & last
		s.middle = s.width - int8(bits.OnesCount64(ends))
		s.opens = int8(bits.OnesCount64(mask &^ frontier))
		if width = int(s.middle + s.opens); width > MaxFrontier || size > maxArena {
			return ErrWide
		}
		w.branches(m, &s, ends, mask&^frontier)
		w.renumber(&s, ends, mask&^frontier)
		frontier = (frontier | mask) &^ ends
		for rest := mask; rest != 0; rest &= rest - 1 {
			w.left[bits.TrailingZeros64(rest)]--
		}
		last = w.lastOf(mask, last)
		w.p.Frontier = max(w.p.Frontier, int(s.width), width)
		w.steps = append(w.steps, s)
	}
	w.arena = resized(w.arena, size+1)
	return nil
}

// lastOf brings up to date which of some findings wait for one group only.
func (w *Workspace) lastOf(some, last uint64) uint64 {
	for last &^= some; some != 0; some &= some - 1 {
		if j := bits.TrailingZeros64(some); w.left[j] == 1 {
			last |= 1 << j
		}
	}
	return last
}

// touch finds which groups each open finding links to. Faults that are ruled
// out do not count.
func (w *Workspace) touch(m *Model) {
	w.mask = resized(w.mask, len(m.groups))
	clear(w.mask)
	for j := range w.open {
		bit := uint64(1) << j
		w.left[j] = 0
		for _, l := range m.Findings[w.open[j].finding].Links {
			if g := m.groupO[l.Fault]; w.mask[g]&bit == 0 && !w.gone[l.Fault] {
				w.mask[g] |= bit
				w.left[j]++
			}
		}
	}
	for g, mask := range w.mask {
		if mask != 0 {
			w.order = append(w.order, int32(g))
		}
	}
}

// next takes the group that makes the frontier grow least, and of these the
// one that opens least.
func (w *Workspace) next(from int, frontier, last uint64) int32 {
	best, least := from, math.MaxInt
	for i := from; i < len(w.order); i++ {
		mask := w.mask[w.order[i]]
		opens, closes := bits.OnesCount64(mask&^frontier), bits.OnesCount64(mask&last)
		if cost := (opens-closes)<<8 + opens; cost < least {
			best, least = i, cost
		}
	}
	g := w.order[best]
	w.order[best] = w.order[from]
	w.order[from] = g
	return g
}

// branches writes what each branch of a group does: none of its modes, then
// each of them. Bits are closed from the highest, so that the lower ones keep
// their numbers.
func (w *Workspace) branches(m *Model, s *step, ends, opens uint64) {
	w.branch(nil, s, ends, opens)
	for _, f := range m.groups[s.group].faults {
		w.branch(m.links[f], s, ends, opens)
	}
}

func (w *Workspace) branch(links []flink, s *step, ends, opens uint64) {
	weight, linked := &w.weight, uint64(0)
	for _, l := range links {
		if j := w.slot[l.Finding]; j != 0 {
			weight[j-1] = l.Weight
			linked |= 1 << (j - 1)
		}
	}
	closed := uint64(0) // by bit of the frontier
	for b := int(s.width) - 1; b >= 0; b-- {
		j := w.bit[b]
		if ends>>j&1 == 1 {
			o, x := &w.open[j], weight[j]
			w.acts = append(w.acts, act{int8(b), closing, o.normal*(1-x) + o.abnormal*x, o.abnormal})
			closed |= 1 << b
		}
	}
	for b := range int(s.width) {
		if j := w.bit[b]; linked>>j&1 == 1 && ends>>j&1 == 0 {
			moved := b - bits.OnesCount64(closed&(1<<b-1))
			w.acts = append(w.acts, act{int8(moved), moving, 1 - weight[j], weight[j]})
		}
	}
	for rest := opens; rest != 0; rest &= rest - 1 {
		j := bits.TrailingZeros64(rest)
		leak, x := w.open[j].leak, weight[j]
		w.acts = append(w.acts, act{0, opening, (1 - leak) * (1 - x), leak + x*(1-leak)})
	}
	w.acts = append(w.acts, act{kind: branchEnd})
	for ; linked != 0; linked &= linked - 1 {
		weight[bits.TrailingZeros64(linked)] = 0
	}
}

// renumber takes the closed findings out of the bits and appends the opened.
func (w *Workspace) renumber(s *step, ends, opens uint64) {
	to := 0
	for _, j := range w.bit[:s.width] {
		if ends>>j&1 == 0 {
			w.bit[to] = j
			to++
		}
	}
	for ; opens != 0; opens &= opens - 1 {
		w.bit[to] = int8(bits.TrailingZeros64(opens))
		to++
	}
}
