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
	return o.named(o.byRatio(b.chance, o.plain), b.chance, o.sole && !o.shared)
}

// Best is the order of repairs that costs least: by ratio where that is proven
// best, else among all orders by dynamic programming over the sets of repairs
// that are done, time n·2^n. Above MaxOrdered repairs that can be needed it is
// the order by ratio, and Plan.Best is false.
func (p *Planner) Best(b *Belief) Plan {
	o := newOrdering(p, b)
	switch {
	case o.sole && !o.shared:
		return o.named(o.byRatio(b.chance, o.folded), b.chance, true)
	case len(o.live) > MaxOrdered:
		return o.named(o.byRatio(b.chance, o.folded), b.chance, false)
	}
	return o.named(o.bySets(b.chance), b.chance, true)
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
	rest := slices.DeleteFunc(p.all(), func(i int) bool { return slices.Contains(plan.Order, i) })
	slices.SortStableFunc(rest, func(x, y int) int {
		return cmp.Compare(needed[y]/p.repairs[y].Cost, needed[x]/p.repairs[x].Cost)
	})
	plan.Best = plan.Best && b.Missed <= settled
	if b.Missed > settled {
		plan.Order = append(plan.Order, rest...)
	}
	broken, err := StillBroken(m, es)
	if err != nil {
		return Plan{}, err
	}
	plan.Cost, err = p.ExpectedCost(plan.Order, func(done []int) (float64, error) { return broken(p.removes(done)) })
	return plan, err
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
	behind []uint64  // live repairs behind the same panel, by bit
	needs  []uint64  // by case
	sole   bool      // no case needs two repairs
	shared bool      // a closed panel has two live repairs behind it

	left, best, ratio, upTo []float64
	order, rank             []int
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

// open lays out the costs with some panels open.
func (o *ordering) open(open []bool) {
	n := len(o.live)
	o.folded = slices.Clone(o.plain)
	o.opens, o.behind, o.shared = make([]float64, n), make([]uint64, n), false
	for k, i := range o.live {
		at := o.p.panelOf[i]
		if at < 0 || open[at] || o.p.panels[at].Cost == 0 {
			continue
		}
		alone := true
		for other, j := range o.live {
			if o.p.panelOf[j] == at {
				o.behind[k] |= 1 << other
				alone = alone && other == k
			}
		}
		if alone {
			o.folded[k] += o.p.panels[at].Cost
			continue
		}
		o.opens[k], o.shared = o.p.panels[at].Cost, true
	}
}

// least is the least expected cost of the repairs, times the sum of weights.
// It is exact unless more than MaxOrdered repairs are live.
func (o *ordering) least(weights []float64) float64 {
	if o.sole && !o.shared || len(o.live) > MaxOrdered {
		return o.cost(o.byRatio(weights, o.folded), weights)
	}
	return o.sets(weights)
}

// byRatio orders the live repairs by the weight of the cases that need each
// per cost, equal ones in order.
func (o *ordering) byRatio(weights, costs []float64) []int {
	o.ratio = append(o.ratio[:0], make([]float64, len(o.live))...)
	o.order = o.order[:0]
	for k, needs := range o.needs {
		for s := needs; s != 0; s &= s - 1 {
			o.ratio[bits.TrailingZeros64(s)] += weights[k]
		}
	}
	for k := range o.ratio {
		o.ratio[k] /= costs[k]
		at := k
		o.order = append(o.order, k)
		for ; at > 0 && o.ratio[o.order[at-1]] < o.ratio[k]; at-- {
			o.order[at] = o.order[at-1]
		}
		o.order[at] = k
	}
	return o.order
}

// cost is the expected cost of an order, times the sum of weights: each case
// pays for all repairs up to the last it needs.
func (o *ordering) cost(order []int, weights []float64) float64 {
	paid := 0.0
	done := uint64(0)
	o.rank = slices.Grow(o.rank[:0], len(order))[:len(order)]
	o.upTo = slices.Grow(o.upTo[:0], len(order))[:len(order)]
	for at, k := range order {
		paid += o.folded[k]
		if done&o.behind[k] == 0 {
			paid += o.opens[k]
		}
		done |= 1 << k
		o.rank[k], o.upTo[at] = at, paid
	}
	sum := 0.0
	for c, needs := range o.needs {
		last := -1
		for s := needs; s != 0; s &= s - 1 {
			last = max(last, o.rank[bits.TrailingZeros64(s)])
		}
		if last >= 0 {
			sum += weights[c] * o.upTo[last]
		}
	}
	return sum
}

// sets is the least expected cost by dynamic programming, times the sum of
// weights: left[S] is the weight of the cases that the repairs S do not settle,
// best[S] what is still to be paid after S.
func (o *ordering) sets(weights []float64) float64 {
	n := len(o.live)
	full := 1<<n - 1
	o.settle(weights)
	o.best = slices.Grow(o.best[:0], full+1)[:full+1]
	o.best[full] = 0
	for s := full - 1; s >= 0; s-- {
		o.best[s] = o.step(uint64(s), uint64(full))
	}
	return o.best[0]
}

// step is what is still to be paid after the repairs s, by the best next one.
func (o *ordering) step(s, full uint64) float64 {
	left := o.left[s]
	least := -1.0
	for r := full &^ s; r != 0; r &= r - 1 {
		k := bits.TrailingZeros64(r)
		if v := o.next(s, k, left); v < least || least < 0 {
			least = v
		}
	}
	return least
}

// next is what is still to be paid after s when k comes next.
func (o *ordering) next(s uint64, k int, left float64) float64 {
	c := o.folded[k]
	if s&o.behind[k] == 0 {
		c += o.opens[k]
	}
	return left*c + o.best[s|1<<k]
}

// settle sums the weights over subsets, and takes them from the whole.
func (o *ordering) settle(weights []float64) {
	n := len(o.live)
	o.left = append(o.left[:0], make([]float64, 1<<n)...)
	for c, needs := range o.needs {
		o.left[needs] += weights[c]
	}
	for k := range n {
		half := 1 << k
		for base := 0; base < 1<<n; base += 2 * half {
			lower, upper := o.left[base:base+half], o.left[base+half:base+2*half]
			for i, v := range lower {
				upper[i] += v
			}
		}
	}
	whole := o.left[1<<n-1]
	for s, v := range o.left {
		o.left[s] = max(0, whole-v)
	}
}

// bySets reads the order off the sets, the first repair of equal ones first.
func (o *ordering) bySets(weights []float64) []int {
	scale := o.sets(weights)
	full := uint64(1<<len(o.live) - 1)
	o.order = o.order[:0]
	for s := uint64(0); s != full; {
		pick, least := -1, 0.0
		for r := full &^ s; r != 0; r &= r - 1 {
			k := bits.TrailingZeros64(r)
			if v := o.next(s, k, o.left[s]); pick < 0 || v < least-1e-14*scale {
				pick, least = k, v
			}
		}
		o.order = append(o.order, pick)
		s |= 1 << pick
	}
	return o.order
}

// named is the plan of an order of live repairs, up to where nothing is left.
func (o *ordering) named(order []int, weights []float64, best bool) Plan {
	plan := Plan{Cost: o.cost(order, weights), Best: best}
	done := uint64(0)
	for _, k := range order {
		left := 0.0
		for c, needs := range o.needs {
			if needs&^done != 0 {
				left += weights[c]
			}
		}
		if left <= settled {
			break
		}
		plan.Order = append(plan.Order, o.live[k])
		done |= 1 << k
	}
	return plan
}
