package isolate

import (
	"cmp"
	"errors"
	"math"
	"slices"
)

// Search bounds the search for sets of faults. A field of 0 stands for its
// usual value.
type Search struct {
	Most    int     // sets named; usually 6
	Depth   int     // faults in a set at first; usually 3
	Deepest int     // faults in a set where the coverage stays too small; usually 4
	Enough  float64 // coverage that is enough; usually 0.95
	Budget  int     // sets looked at in one pass; usually 300,000. It comes before Depth and Deepest
}

func (s Search) usual() Search {
	return Search{cmp.Or(s.Most, 6), cmp.Or(s.Depth, 3), cmp.Or(s.Deepest, max(4, s.Depth)), cmp.Or(s.Enough, 0.95), cmp.Or(s.Budget, 300_000)}
}

// FaultSet is a set of faults that are there together, and no others.
type FaultSet struct {
	Faults []int   // in the order of the model; empty when nothing is wrong
	P      float64 // probability
}

// Sets are the likeliest sets of faults.
type Sets struct {
	Named    []FaultSet // likeliest first
	Depth    int        // most faults in a set that was looked at
	Visited  int        // sets that were looked at
	Coverage float64    // their share of the probability
	// Approximate: too many findings hang together for an exact answer. Coverage
	// is then a lower bound; P of a set is given that one of those looked at is
	// the case, and Posterior rests on these alone: no probability of it is off
	// by more than 1-Coverage, and its LogEvidence is a lower bound.
	Approximate bool
	Posterior   Posterior
}

// Sets goes through the sets of few faults, at most one of a group, and names
// the likeliest. Where Weigh would give ErrWide the sets themselves are the
// answer, marked Approximate. Errors: ErrImpossible, evidence that does not fit
// the model.
func (w *Workspace) Sets(m *Model, es []Evidence, s Search) (Sets, error) {
	if err := w.enter(m, es, -1); err != nil {
		return Sets{}, err
	}
	s = s.usual()
	e := enumeration{w: w, m: m, most: s.Most, kept: len(w.open)}
	if err := e.weigh(); err != nil {
		return Sets{}, err
	}
	e.begin()
	out := Sets{Approximate: e.wide}
	for k := max(s.Depth, e.required); ; k++ {
		k = e.within(k, s.Budget)
		e.search(k)
		out.Coverage, out.Depth, out.Visited = e.coverage(), k, e.visited
		if out.Coverage >= s.Enough || k >= s.Deepest || e.within(k+1, s.Budget) <= k {
			break
		}
	}
	out.Named, out.Posterior = e.answer(), w.p.clone()
	if e.wide {
		out.Posterior = e.posterior()
	}
	return out, nil
}

// weigh finds the probability of the evidence, or a bound of it.
func (e *enumeration) weigh() error {
	err := e.w.lay(e.m)
	var left []opened
	if e.wide = errors.Is(err, ErrWide); e.wide {
		left, err = e.relax()
	}
	if err != nil {
		return err
	}
	if !e.w.sweep(e.m) {
		return ErrImpossible
	}
	e.exact = e.w.p.LogEvidence
	if e.wide {
		e.kept = len(e.w.open)
		e.w.reopen(append(e.w.open[:e.kept:e.kept], left...))
	}
	return nil
}

// enumeration goes depth first through the sets of faults.
type enumeration struct {
	w    *Workspace
	m    *Model
	most int
	// wide findings are left out of exact, which is then an upper bound.
	wide  bool
	kept  int     // of the open findings: those that exact rests on come first
	exact float64 // logarithm of the probability of the evidence

	choices  []choice
	required int     // of choices, the first: parts that are sure to be faulty
	base     float64 // logarithm of what all sets have in common

	depth, visited int
	path           []int
	chance         [][]likelihoods // by depth and open finding
	all, relaxed   mass            // of the sets visited; with the kept findings only
	fault, absent  []mass          // when wide
	best           []candidate
}

// choice is a group: its modes, each with its chance over that of none.
type choice struct {
	faults []int
	odds   []float64
}

// likelihoods are the chances that a finding is abnormal, and normal.
type likelihoods struct{ abnormal, normal float64 }

// candidate is a set that may be named.
type candidate struct {
	mass   mass
	faults []int
}

// mass is x·2^(-600·down): numbers too small for a float64 are still compared
// and added.
type mass struct {
	x    float64
	down int
}

const (
	downStep = 0x1p-600
	lnDown   = -600 * math.Ln2
)

func (a mass) times(x float64) mass {
	if a.x *= x; a.x < downStep && a.x > 0 {
		a.x, a.down = a.x/downStep, a.down+1
	}
	return a
}

// explained is a times the likelihoods of some findings.
func (a mass) explained(open []opened, chance []likelihoods) mass {
	x := a.x
	for j := range open {
		o, c := &open[j], &chance[j]
		if x *= o.abnormal*c.abnormal + o.normal*c.normal; x < downStep {
			a.x = x
			a = a.times(1)
			x = a.x
		}
	}
	a.x = x
	return a
}

func (a *mass) add(b mass) {
	if a.down == b.down {
		a.x += b.x
		return
	}
	switch {
	case b.x == 0 || b.down > a.down+1 && a.x > 0:
	case a.x == 0 || b.down < a.down-1:
		*a = b
	case b.down < a.down:
		a.x, a.down = b.x+a.x*downStep, b.down
	default:
		a.x += b.x * downStep
	}
}

func (a mass) less(b mass) bool {
	switch {
	case a.x == 0 || b.x == 0:
		return a.x < b.x
	case a.down != b.down:
		return a.down > b.down
	}
	return a.x < b.x
}

func (a mass) log() float64 { return math.Log(a.x) + float64(a.down)*lnDown }

// over is a/b.
func (a mass) over(b mass) float64 {
	if a.x == 0 {
		return 0
	}
	return a.x / b.x * math.Pow(downStep, float64(a.down-b.down))
}

// begin lists the groups with modes that may be there.
func (e *enumeration) begin() {
	w := e.w
	base := w.scale
	e.choices = e.choices[:0]
	for pass := range 2 {
		for g := range e.m.groups {
			if sure := w.none[g] == 0; sure != (pass == 0) {
				continue
			}
			c := choice{}
			none := w.none[g]
			if none == 0 {
				none = 1
				e.required++
			}
			base.times(none)
			for _, f := range e.m.groups[g].faults {
				if w.keep[f] > 0 {
					c.faults, c.odds = append(c.faults, f), append(c.odds, w.keep[f]/none)
				}
			}
			e.choices = append(e.choices, c)
		}
	}
	e.base = base.value()
	e.fault, e.absent = make([]mass, len(e.m.Faults)), make([]mass, len(e.m.Faults))
}

// within is the greatest number of faults up to k whose sets are no more than
// the budget, but no less than must be.
func (e *enumeration) within(k, budget int) int {
	count := make([]float64, k+1) // sets by number of faults
	count[0] = 1
	for i, c := range e.choices {
		for n := k; n >= 0; n-- {
			if i < e.required {
				count[n] = 0
			}
			if n > 0 {
				count[n] += count[n-1] * float64(len(c.faults))
			}
		}
	}
	sum := 0.0
	for n, x := range count {
		if sum += x; sum > float64(budget) && n > e.required {
			return max(n-1, e.required)
		}
	}
	return k
}

// search visits all sets of up to k faults.
func (e *enumeration) search(k int) {
	e.depth, e.visited, e.all, e.relaxed = k, 0, mass{}, mass{}
	e.best, e.path = e.best[:0], e.path[:0]
	clear(e.fault)
	clear(e.absent)
	for len(e.chance) <= k {
		e.chance = append(e.chance, make([]likelihoods, len(e.w.open)))
	}
	for j := range e.w.open {
		leak := e.w.open[j].leak
		e.chance[0][j] = likelihoods{leak, 1 - leak}
	}
	if e.required == 0 {
		e.visit(mass{x: 1}, e.chance[0])
	}
	e.deepen(0, mass{x: 1})
}

// deepen adds one fault more to the set on the path, from the groups that come
// after its last one. A group that must have a mode is not passed over.
func (e *enumeration) deepen(from int, odds mass) {
	n := len(e.path)
	if n == e.depth {
		return
	}
	end := len(e.choices)
	if from < e.required {
		end = from + 1
	}
	for g := from; g < end; g++ {
		c := &e.choices[g]
		for k, f := range c.faults {
			next := e.chance[n+1]
			copy(next, e.chance[n])
			for _, l := range e.m.links[f] {
				if j := e.w.slot[l.Finding]; j != 0 {
					x := &next[j-1]
					x.abnormal += l.Weight * x.normal
					x.normal *= 1 - l.Weight
				}
			}
			e.path = append(e.path, f)
			with := odds.times(c.odds[k])
			if g+1 >= e.required {
				e.visit(with, next)
			}
			e.deepen(g+1, with)
			e.path = e.path[:n]
		}
	}
}

// visit weighs the set on the path.
func (e *enumeration) visit(odds mass, chance []likelihoods) {
	e.visited++
	relaxed := odds.explained(e.w.open[:e.kept], chance)
	odds = relaxed.explained(e.w.open[e.kept:], chance[e.kept:])
	e.all.add(odds)
	if e.wide {
		e.relaxed.add(relaxed)
	}
	if odds.x == 0 {
		return
	}
	if e.wide {
		e.share(odds)
	}
	if len(e.best) < e.most || e.best[len(e.best)-1].mass.less(odds) {
		e.enlist(odds)
	}
}

// share adds the mass of the set on the path to its faults, and to the absence
// of the others.
func (e *enumeration) share(odds mass) {
	for f := range e.absent {
		if slices.Contains(e.path, f) {
			e.fault[f].add(odds)
		} else {
			e.absent[f].add(odds)
		}
	}
}

// enlist puts the set on the path among the best. Sets of equal mass keep the
// order they are visited in.
func (e *enumeration) enlist(odds mass) {
	c := candidate{mass: odds}
	if len(e.best) == e.most {
		c.faults = e.best[e.most-1].faults
		e.best = e.best[:e.most-1]
	}
	c.faults = append(c.faults[:0], e.path...)
	at, _ := slices.BinarySearchFunc(e.best, odds, func(b candidate, m mass) int {
		if b.mass.less(m) {
			return 1
		}
		return -1
	})
	e.best = slices.Insert(e.best, at, c)
}

// coverage is the share of the probability that the visited sets hold. Where
// findings were left out, what the others say about the sets not visited is an
// upper bound of what all say.
func (e *enumeration) coverage() float64 {
	switch {
	case e.all.x == 0:
		return 0
	case !e.wide:
		return min(1, math.Exp(e.all.log()+e.base-e.exact))
	}
	const rounding = 1e-12
	visited := math.Exp(e.all.log() + e.base - e.exact)
	rest := max(0, -math.Expm1(e.relaxed.log()+e.base-e.exact)) + rounding
	return visited / (visited + rest)
}

func (e *enumeration) answer() []FaultSet {
	out := make([]FaultSet, 0, len(e.best))
	for _, b := range e.best {
		s := FaultSet{Faults: append([]int{}, b.faults...)}
		slices.Sort(s.Faults)
		if s.P = b.mass.over(e.all); !e.wide {
			s.P = min(1, math.Exp(b.mass.log()+e.base-e.exact))
		}
		out = append(out, s)
	}
	return out
}

// posterior is that of the sets visited. When none of them explains the
// evidence it is what the findings say that the bound rests on.
func (e *enumeration) posterior() Posterior {
	p := e.w.p.clone()
	p.Frontier = 0
	if e.all.x == 0 {
		p.LogEvidence = math.Inf(-1)
		return p
	}
	p.LogEvidence = e.all.log() + e.base
	for f := range p.Fault {
		p.Fault[f], p.Absent[f] = e.fault[f].over(e.all), e.absent[f].over(e.all)
	}
	return p
}

// relaxedFrontier bounds the frontier of the findings that an upper bound of
// the evidence rests on.
const relaxedFrontier = 12

// relax lays the frontier for as many of the open findings as are quickly
// weighed, those that are hardest to explain first. No finding weighs more than
// one, so leaving some out only makes the evidence likelier.
func (e *enumeration) relax() (left []opened, err error) {
	w := e.w
	hard := make(map[int32]float64, len(w.open))
	for j := range w.open {
		hard[w.open[j].finding] = w.alone(e.m, &w.open[j])
	}
	open := slices.Clone(w.open)
	slices.SortFunc(open, func(a, b opened) int {
		return cmp.Or(cmp.Compare(hard[a.finding], hard[b.finding]), cmp.Compare(a.finding, b.finding))
	})
	var kept []opened
	for _, o := range open {
		w.reopen(append(kept, o))
		if len(w.open) <= maxOpen && w.lay(e.m) == nil && w.p.Frontier <= relaxedFrontier {
			kept = append(kept, o)
		} else {
			left = append(left, o)
		}
	}
	w.reopen(kept)
	return left, w.lay(e.m)
}

// reopen sets the open findings.
func (w *Workspace) reopen(open []opened) {
	w.open = append(w.open[:0], open...)
	clear(w.slot)
	for j := range w.open {
		w.slot[w.open[j].finding] = int32(j + 1)
	}
}

// alone is the chance of what was found if it were the only open finding.
func (w *Workspace) alone(m *Model, o *opened) float64 {
	normal := 1 - o.leak
	stay := map[int]float64{}
	for _, l := range m.Findings[o.finding].Links {
		g := m.groupO[l.Fault]
		if _, ok := stay[g]; !ok {
			stay[g] = 1
		}
		sum := w.none[g]
		for _, f := range m.groups[g].faults {
			sum += w.keep[f]
		}
		stay[g] -= l.Weight * w.keep[l.Fault] / sum
	}
	for _, l := range m.Findings[o.finding].Links {
		g := m.groupO[l.Fault]
		normal *= max(0, stay[g])
		stay[g] = 1
	}
	return o.abnormal*(1-normal) + o.normal*normal
}
