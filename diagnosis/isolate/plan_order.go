package isolate

import (
	"cmp"
	"math/bits"
	"slices"
)

// settled is the chance of being still broken below which nothing is left to
// repair; it is what rounding leaves of zero.
const settled = 1e-14

// ByRatio orders repairs by how likely each is needed per cost, the greatest
// first, and gives what that order costs. Of a single fault with independent
// costs it is the best order (Kadane & Simon 1977; Kalagnanam & Henrion 1990);
// panels and several faults at once can break that.
func (p *Planner) ByRatio(b *Belief) Plan {
	o := newOrdering(p, b)
	return o.named(o.ratios(b.chance, o.plain), b.chance, o.sole && len(o.panels) == 0)
}

// Best is the order of repairs that costs least: of a single fault by ratio,
// behind shared panels by dynamic programming over how far each panel's own
// order is done; of several faults by dynamic programming over the sets of
// repairs that are done, time n·2^n. Where that is too much (more than MaxOrdered
// repairs for several faults) it is the order by ratio, and Plan.Best is false.
func (p *Planner) Best(b *Belief) Plan {
	o := newOrdering(p, b)
	order, best := o.best(b.chance)
	return o.named(order, b.chance, best)
}

// PlanAll is the order of all repairs after the evidence, for a model of any
// size that can be weighed: the MaxOrdered likeliest in the order that costs
// least given that no other fault is there, then the others by ratio. Cost is
// exact for that order, over all faults of the model. Best is true only when
// nothing was left to the ratio and no fault of the model is out of reach.
// Errors: those of Weigh and of Weighed.
func (p *Planner) PlanAll(m *Model, es []Evidence) (Plan, error) {
	if err := p.fits(m); err != nil {
		return Plan{}, err
	}
	now, err := m.Weigh(es)
	if err != nil {
		return Plan{}, err
	}
	needed := p.needed(now)
	first := Likeliest(needed, MaxOrdered)
	for countCases(p.Only(first).modes(m)) > MaxCases {
		first = first[:len(first)-1]
	}
	b, err := p.Only(first).Weighed(m, es)
	if err != nil {
		return Plan{}, err
	}
	plan := p.Only(first).Best(b)
	for k, i := range plan.Order {
		plan.Order[k] = first[i]
	}
	whole := len(first) == len(p.repairs) && len(p.removes(first)) == len(m.Faults)
	plan.Best = plan.Best && whole
	if !whole && b.Missed > settled {
		plan.Order = append(plan.Order, p.others(plan.Order, needed)...)
	}
	broken, err := StillBroken(m, es)
	if err != nil {
		return Plan{}, err
	}
	plan.Cost, err = p.ExpectedCost(plan.Order, func(done []int) (float64, error) { return broken(p.removes(done)) })
	return plan, err
}

// others lists the repairs not in an order, by how likely each is needed per
// cost.
func (p *Planner) others(order []int, needed []float64) []int {
	out := slices.DeleteFunc(p.all(), func(i int) bool { return slices.Contains(order, i) })
	slices.SortStableFunc(out, func(x, y int) int {
		return cmp.Compare(needed[y]/p.repairs[y].Cost, needed[x]/p.repairs[x].Cost)
	})
	return out
}

// needed is the probability that each repair is needed: the sum over its
// faults, exact for modes of one part and at most 1 in any case.
func (p *Planner) needed(now Posterior) []float64 {
	out := make([]float64, len(p.repairs))
	for i, r := range p.repairs {
		for _, f := range r.Faults {
			out[i] += now.Fault[f]
		}
		out[i] = min(out[i], 1)
	}
	return out
}

// Likeliest lists the indices of the greatest of xs, at most `most` of them,
// the greatest first; equal ones in order.
func Likeliest(xs []float64, most int) []int {
	at := make([]int, len(xs))
	for i := range at {
		at[i] = i
	}
	slices.SortStableFunc(at, func(a, b int) int { return cmp.Compare(xs[b], xs[a]) })
	return at[:max(0, min(most, len(at)))]
}

// ordering is a belief laid out for ordering: only the repairs that can be
// needed, numbered from 0, and working space. One goroutine at a time.
type ordering struct {
	p      *Planner
	live   []int     // repairs that can be needed
	plain  []float64 // their costs
	folded []float64 // their costs, with the opening of a panel behind which nothing else is live
	opens  []float64 // what opening costs before each; 0 where folded
	panels []uint64  // closed ones with several live repairs behind them, those by bit
	needs  []uint64  // by case
	sole   bool      // no case needs two repairs

	left, rest, needed, ends []float64
	order, rank              []int
	chains                   []chain
	prices                   []price
}

func newOrdering(p *Planner, b *Belief) *ordering {
	var live uint64
	o := &ordering{p: p, sole: true, needs: make([]uint64, len(b.needs))}
	for k, needs := range b.needs {
		if b.chance[k] > 0 {
			live |= needs
			o.sole = o.sole && needs&(needs-1) == 0
		}
	}
	for s := live; s != 0; s &= s - 1 {
		o.live = append(o.live, bits.TrailingZeros64(s))
	}
	for k, needs := range b.needs {
		o.needs[k] = o.compact(needs, live)
	}
	for _, i := range o.live {
		o.plain = append(o.plain, p.repairs[i].Cost)
	}
	o.open(p.opened())
	return o
}

// compact numbers the live ones of the needs from 0.
func (o *ordering) compact(needs, live uint64) uint64 {
	if live&(live+1) == 0 { // as they are numbered already
		return needs & live
	}
	out := uint64(0)
	for k, i := range o.live {
		out |= uint64(needs>>i&1) << k
	}
	return out
}

// open lays out the costs with some panels open. A panel with one live repair
// behind it is part of the cost of that repair.
func (o *ordering) open(open []bool) {
	o.folded = append(o.folded[:0], o.plain...)
	o.opens = append(o.opens[:0], make([]float64, len(o.live))...)
	o.panels = o.panels[:0]
	for at, x := range o.p.panels {
		members := o.behind(at)
		switch {
		case open[at] || x.Cost == 0 || members == 0:
		case members&(members-1) == 0:
			o.folded[bits.TrailingZeros64(members)] += x.Cost
		default:
			o.panels = append(o.panels, members)
			for s := members; s != 0; s &= s - 1 {
				o.opens[bits.TrailingZeros64(s)] = x.Cost
			}
		}
	}
	if !o.sole {
		o.price()
	}
}

// behind is the live repairs behind a panel, by bit.
func (o *ordering) behind(panel int) uint64 {
	out := uint64(0)
	for k, i := range o.live {
		if o.p.panelOf[i] == panel {
			out |= 1 << k
		}
	}
	return out
}

// planMethod is how an ordering finds its order.
type planMethod uint8

const (
	planByRatio planMethod = iota
	planByChains
	planBySets
)

// method picks the one that is exact, and says whether there is one.
func (o *ordering) method() (m planMethod, exact bool) {
	switch {
	case o.sole && len(o.panels) == 0:
		return planByRatio, true
	case o.sole:
		return planByChains, o.states() <= maxStates
	}
	return planBySets, len(o.live) <= MaxOrdered
}

// best is the order that costs least of the live repairs, and whether no other
// costs less.
func (o *ordering) best(weights []float64) ([]int, bool) {
	m, exact := o.method()
	switch {
	case m == planByRatio || !exact:
		return o.ratios(weights, o.folded), exact
	case m == planByChains:
		return o.chained(weights), true
	}
	return o.searched(weights), true
}

// least is the expected cost of the order best gives, times the sum of weights.
func (o *ordering) least(weights []float64) float64 {
	m, exact := o.method()
	switch {
	case m == planByRatio || !exact:
		return o.cost(o.ratios(weights, o.folded), weights)
	case m == planByChains:
		return o.alongChains(weights)
	}
	return o.overSets(weights)
}

// weight sums, for each live repair, the weights of the cases that need it.
func (o *ordering) weight(weights []float64) []float64 {
	o.needed = append(o.needed[:0], make([]float64, len(o.live))...)
	for c, needs := range o.needs {
		for s := needs; s != 0; s &= s - 1 {
			o.needed[bits.TrailingZeros64(s)] += weights[c]
		}
	}
	return o.needed
}

// ratios orders the live repairs by their weight per cost, equal ones in order.
func (o *ordering) ratios(weights, costs []float64) []int {
	needed := o.weight(weights)
	o.order = o.order[:0]
	for k, w := range needed {
		at := k
		o.order = append(o.order, k)
		for ; at > 0 && needed[o.order[at-1]]*costs[k] < w*costs[o.order[at-1]]; at-- {
			o.order[at] = o.order[at-1]
		}
		o.order[at] = k
	}
	return o.order
}

// cost is the expected cost of an order, times the sum of weights: each case
// pays for all repairs up to the last it needs. It leaves in o.ends the weight
// that ends at each place of the order.
func (o *ordering) cost(order []int, weights []float64) float64 {
	o.rank = slices.Grow(o.rank[:0], len(order))[:len(order)]
	for at, k := range order {
		o.rank[k] = at
	}
	o.ends = append(o.ends[:0], make([]float64, len(order)+1)...)
	for c, needs := range o.needs {
		last := 0
		for s := needs; s != 0; s &= s - 1 {
			last = max(last, 1+o.rank[bits.TrailingZeros64(s)])
		}
		o.ends[last] += weights[c]
	}
	paid, sum := 0.0, 0.0
	done := uint64(0)
	for at, k := range order {
		paid += o.folded[k]
		if o.opens[k] > 0 && done&o.mates(k) == 0 {
			paid += o.opens[k]
		}
		done |= 1 << k
		sum += o.ends[at+1] * paid
	}
	return sum
}

// named is the plan of an order of live repairs, up to where nothing is left.
func (o *ordering) named(order []int, weights []float64, best bool) Plan {
	plan := Plan{Cost: o.cost(order, weights), Best: best}
	left := 0.0
	for at := len(order) - 1; at >= 0; at-- {
		left += o.ends[at+1]
		if left > settled {
			plan.Order = append(plan.Order, o.live[order[at]])
		}
	}
	slices.Reverse(plan.Order)
	return plan
}
