package isolate

import "math"

// sweep carries the frontier forward and the rest of the evidence back, and
// sets the posteriors. False when nothing explains the evidence.
func (w *Workspace) sweep(m *Model) bool {
	scale := w.scale
	w.known = true
	for g := range m.groups {
		if len(w.open) == 0 || w.mask[g] == 0 {
			scale.times(w.finish(m, g))
		}
	}
	if len(w.open) > 0 {
		w.forward(m, &scale)
		w.backward(m)
	}
	w.p.LogEvidence = scale.value()
	return w.known && !math.IsInf(w.p.LogEvidence, -1)
}

// finish sets the posteriors of a group no open finding touches, and gives the
// mass that its evidence leaves.
func (w *Workspace) finish(m *Model, g int) float64 {
	faults := m.groups[g].faults
	w.part = resized(w.part, len(faults))
	for k, f := range faults {
		w.part[k] = w.keep[f]
	}
	return w.divide(faults, w.none[g])
}

// divide sets the posteriors of the modes of a group from the mass of each and
// that of none, and gives the sum.
func (w *Workspace) divide(faults []int, none float64) float64 {
	total := none
	for _, x := range w.part {
		total += x
	}
	if !(total > 0) {
		w.known, total = false, 1
	}
	for k, f := range faults {
		absent := none
		for o, x := range w.part {
			if o != k {
				absent += x
			}
		}
		w.p.Fault[f], w.p.Absent[f] = w.part[k]/total, absent/total
	}
	return total
}

// forward carries the frontier from the first group to the last.
func (w *Workspace) forward(m *Model, scale *product) {
	w.arena[0] = 1
	for i := range w.steps {
		s := &w.steps[i]
		g := w.arena[s.from : s.from+1<<s.width]
		out := w.arena[s.from+1<<s.width:][:1<<(s.middle+s.opens)]
		at := w.into(out, g, s, int(s.acts), w.none[s.group], true)
		for _, f := range m.groups[s.group].faults {
			at = w.into(out, g, s, at, w.keep[f], false)
		}
		if s.vanishes(i) {
			scale.times(rescale(out))
		}
	}
	scale.times(w.arena[len(w.arena)-1])
}

// into lets one branch act on the frontier and adds what comes of it, times
// the chance of the branch. It gives where the next branch begins.
func (w *Workspace) into(out, g []float64, s *step, at int, chance float64, first bool) int {
	h := g
	for ; w.acts[at].kind == closing; at++ {
		w.h = resized(w.h, len(g)/2)
		h = closed(w.h, h, &w.acts[at])
	}
	if w.acts[at].kind == moving && s.width == s.middle {
		w.h = resized(w.h, len(g))
		h = w.h
		copy(h, g)
	}
	for ; w.acts[at].kind == moving; at++ {
		move(h, &w.acts[at])
	}
	at = w.states(chance, at)
	for k, c := range w.coef {
		to := out[k*len(h):][:len(h)]
		if first {
			for i, x := range h {
				to[i] = c * x
			}
			continue
		}
		for i, x := range h {
			to[i] += c * x
		}
	}
	return at + 1
}

// states makes the chances of the states of the findings a branch opens, times
// that of the branch, and gives where its acts end.
func (w *Workspace) states(chance float64, at int) int {
	w.coef = append(w.coef[:0], chance)
	for ; w.acts[at].kind == opening; at++ {
		a, n := &w.acts[at], len(w.coef)
		w.coef = append(w.coef, w.coef...)
		for k := range n {
			w.coef[k+n] *= a.hi
			w.coef[k] *= a.lo
		}
	}
	return at
}

// closed takes a bit out of g into to, weighing what was found there. The two
// may begin at the same place.
func closed(to, g []float64, a *act) []float64 {
	size, n := 1<<a.bit, len(g)/2
	to = to[:n]
	for base := 0; base < n; base += size {
		lo, hi := g[2*base:2*base+size], g[2*base+size:2*base+2*size]
		dst := to[base : base+size]
		for i, x := range lo {
			dst[i] = a.lo*x + a.hi*hi[i]
		}
	}
	return to
}

// move sets a bit with the chance of its link where it is not set.
func move(h []float64, a *act) {
	size, stay, weight := 1<<a.bit, a.lo, a.hi
	for base := 0; base < len(h); base += 2 * size {
		lo, hi := h[base:base+size], h[base+size:base+2*size]
		for i, x := range lo {
			hi[i] += weight * x
			lo[i] = stay * x
		}
	}
}

// vanishes says whether a step may make the frontier so small that it must be
// looked at: findings that close do, and in the long run parts that are all
// but certain to be faulty.
func (s *step) vanishes(i int) bool { return s.middle < s.width || i%8 == 7 }

// rescale keeps a vector from vanishing and gives what it divided out.
func rescale(g []float64) float64 {
	most := 0.0
	for _, x := range g {
		most = max(most, x)
	}
	if most > 1e-120 || most == 0 {
		return 1
	}
	for i := range g {
		g[i] /= most
	}
	return most
}

// backward carries the rest of the evidence from the last group to the first;
// where it meets the frontier, the mass of each mode is read off.
func (w *Workspace) backward(m *Model) {
	w.b = append(w.b[:0], 1)
	for i := len(w.steps) - 1; i >= 0; i-- {
		s := &w.steps[i]
		faults := m.groups[s.group].faults
		g := w.arena[s.from : s.from+1<<s.width]
		w.sum = resized(w.sum, len(g))
		w.part = resized(w.part, len(faults))
		none, at := w.back(g, s, int(s.acts), w.none[s.group], true)
		for k, f := range faults {
			w.part[k], at = w.back(g, s, at, w.keep[f], false)
		}
		w.divide(faults, none)
		w.b, w.sum = w.sum, w.b
		if s.vanishes(i) {
			rescale(w.b)
		}
	}
}

// back is the transpose of into: it adds to the sum, and gives the mass of the
// branch and where the next one begins.
func (w *Workspace) back(g []float64, s *step, at int, chance float64, first bool) (float64, int) {
	from := at
	for w.acts[at].kind != opening && w.acts[at].kind != branchEnd {
		at++
	}
	end := w.states(chance, at) + 1
	w.h = resized(w.h, len(g))
	h := w.h[:1<<s.middle]
	for k, c := range w.coef {
		b := w.b[k*len(h):][:len(h)]
		if k == 0 {
			for i, x := range b {
				h[i] = c * x
			}
			continue
		}
		for i, x := range b {
			h[i] += c * x
		}
	}
	for at--; at >= from && w.acts[at].kind == moving; at-- {
		moveBack(h, &w.acts[at])
	}
	for ; at >= from; at-- {
		h = reopened(w.h, h, &w.acts[at])
	}
	return meet(w.sum, g, h, first), end
}

// meet adds h to the sum and gives its product with the frontier.
func meet(sum, g, h []float64, first bool) float64 {
	mass := 0.0
	sum, g = sum[:len(h)], g[:len(h)]
	if first {
		for i, x := range h {
			sum[i] = x
			mass += x * g[i]
		}
		return mass
	}
	for i, x := range h {
		sum[i] += x
		mass += x * g[i]
	}
	return mass
}

// moveBack is the transpose of move.
func moveBack(h []float64, a *act) {
	size, stay, weight := 1<<a.bit, a.lo, a.hi
	for base := 0; base < len(h); base += 2 * size {
		lo, hi := h[base:base+size], h[base+size:base+2*size]
		for i, x := range lo {
			lo[i] = stay*x + weight*hi[i]
		}
	}
}

// reopened is the transpose of closed. It works from the end, as to and b
// begin at the same place.
func reopened(to, b []float64, a *act) []float64 {
	size, n := 1<<a.bit, len(b)
	to = to[:2*n]
	for base := n - size; base >= 0; base -= size {
		for i := base + size - 1; i >= base; i-- {
			x := b[i]
			to[base+i+size] = a.hi * x
			to[base+i] = a.lo * x
		}
	}
	return to
}
