package isolate

import "math"

// maxOpen is how many findings that tie several parts together one exact
// weighing takes.
const maxOpen = 64

// Workspace holds the memory of weighings, so that one after the other costs
// no allocation. Its zero value is ready. It serves one goroutine at a time.
type Workspace struct {
	p     Posterior
	at    []int32   // by finding: one more than its place in the evidence
	slot  []int32   // by finding: one more than its place among the open ones
	open  []opened  // findings that tie several parts together
	keep  []float64 // by fault: its prior with the negatives and its own findings weighed in
	gone  []bool    // by fault: the negatives rule it out
	none  []float64 // by group: the chance that it has no mode, its own findings weighed in
	mask  []uint64  // by group: the open findings it touches
	scale product   // what all branches have in common

	frontier
	now    now        // see Gains
	others []Evidence // the evidence with one more, one less, or one turned round
}

// opened is a finding that is not settled by one part alone; its likelihoods
// are scaled so that the greater is one.
type opened struct {
	finding          int32
	leak             float64
	abnormal, normal float64
}

// product multiplies without ever leaving the range of a float64.
type product struct{ log, x float64 }

func (p *product) times(x float64) {
	if x < 1e-100 || x > 1e100 {
		p.log += math.Log(x)
		return
	}
	if p.x *= x; p.x < 1e-150 || p.x > 1e150 {
		p.log, p.x = p.log+math.Log(p.x), 1
	}
}

func (p *product) value() float64 { return p.log + math.Log(p.x) }

// Weigh is Model.Weigh with the memory of w. The slices of the result are
// overwritten by the next call.
func (w *Workspace) Weigh(m *Model, es []Evidence) (Posterior, error) {
	return w.weigh(m, es, -1)
}

// weigh weighs with one fault ruled out; -1 stands for none. The logarithm of
// the evidence is then that of the evidence and the fault's absence together.
func (w *Workspace) weigh(m *Model, es []Evidence, out int) (Posterior, error) {
	if err := w.enter(m, es, out); err != nil {
		return Posterior{}, err
	}
	if err := w.lay(m); err != nil {
		return Posterior{}, err
	}
	return w.posterior(m)
}

// posterior sweeps the frontier as laid.
func (w *Workspace) posterior(m *Model) (Posterior, error) {
	if !w.sweep(m) {
		return Posterior{}, ErrImpossible
	}
	return w.p, nil
}

// enter takes the evidence in, in the order of the findings, so that the order
// it is given in changes nothing, not even the last digit.
func (w *Workspace) enter(m *Model, es []Evidence, out int) error {
	w.reset(m)
	for i := range es {
		if err := m.fits(&es[i]); err != nil {
			return err
		}
		if w.at[es[i].Finding] != 0 {
			return errTwice
		}
		w.at[es[i].Finding] = int32(i + 1)
	}
	if out >= 0 {
		w.keep[out] = 0
	}
	for f, i := range w.at {
		if i != 0 && es[i-1].Abnormal == 0 {
			w.scale.times(es[i-1].Normal)
			w.absorb(m, &m.Findings[f])
		}
	}
	for f := range w.gone {
		w.gone[f] = w.keep[f] == 0
	}
	for f, i := range w.at {
		if i != 0 && es[i-1].Abnormal != 0 {
			w.take(m, f, &es[i-1])
		}
	}
	return nil
}

func (w *Workspace) reset(m *Model) {
	w.p.Fault, w.p.Absent = resized(w.p.Fault, len(m.Faults)), resized(w.p.Absent, len(m.Faults))
	w.keep, w.gone = resized(w.keep, len(m.Faults)), resized(w.gone, len(m.Faults))
	w.none = resized(w.none, len(m.groups))
	w.at, w.slot = resized(w.at, len(m.Findings)), resized(w.slot, len(m.Findings))
	clear(w.at)
	clear(w.slot)
	copy(w.keep, m.priors)
	for g := range m.groups {
		w.none[g] = m.groups[g].none
	}
	w.open, w.scale = w.open[:0], product{0, 1}
}

func resized[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/2)
	}
	return s[:n]
}

// take drops what weighs nothing, settles a finding of one part within that
// part, and opens the rest.
func (w *Workspace) take(m *Model, finding int, e *Evidence) {
	f := &m.Findings[finding]
	most := max(e.Abnormal, e.Normal)
	w.scale.times(most)
	if e.Abnormal == e.Normal {
		return
	}
	o := opened{int32(finding), f.Leak, e.Abnormal / most, e.Normal / most}
	switch g := w.only(m, f); g {
	case noGroup:
		w.scale.times(o.weighs(0))
	case someGroups:
		w.open = append(w.open, o)
		w.slot[finding] = int32(len(w.open))
	default:
		w.settle(m, f, g, &o)
	}
}

// absorb weighs a plain negative into the chances of its faults.
func (w *Workspace) absorb(m *Model, f *Finding) {
	w.scale.times(1 - f.Leak)
	for _, l := range f.Links {
		w.keep[l.Fault] *= 1 - l.Weight
	}
}

// What only says of a finding besides the one group it touches.
const (
	noGroup    = -1
	someGroups = -2
)

// only is the group whose faults alone the finding speaks about; faults that
// are ruled out do not count.
func (w *Workspace) only(m *Model, f *Finding) int {
	group := noGroup
	for _, l := range f.Links {
		switch g := m.groupO[l.Fault]; {
		case w.gone[l.Fault] || g == group:
		case group == noGroup:
			group = g
		default:
			return someGroups
		}
	}
	return group
}

// settle weighs a finding of one group into its branches.
func (w *Workspace) settle(m *Model, f *Finding, g int, o *opened) {
	quiet := o.weighs(0)
	w.none[g] *= quiet
	for _, k := range m.groups[g].faults {
		weight := 0.0
		for _, l := range f.Links {
			if l.Fault == k {
				weight = l.Weight
			}
		}
		w.keep[k] *= o.weighs(weight)
	}
	w.lift(m, g)
}

// lift makes the likeliest branch of a group one.
func (w *Workspace) lift(m *Model, g int) {
	most := w.none[g]
	for _, k := range m.groups[g].faults {
		most = max(most, w.keep[k])
	}
	if most == 0 {
		return
	}
	w.scale.times(most)
	w.none[g] /= most
	for _, k := range m.groups[g].faults {
		w.keep[k] /= most
	}
}

// weighs is the likelihood of what was found where a fault of that weight is
// all there is beside the leak.
func (o *opened) weighs(weight float64) float64 {
	stay := (1 - o.leak) * (1 - weight)
	return o.abnormal*(o.leak+weight*(1-o.leak)) + o.normal*stay
}
