package isolate

import (
	"math"
	"math/bits"
	"slices"
)

// price is what a live repair costs by what is done already among the repairs
// of lower number: closed when its panel is closed as far as the others go,
// open when it is open for sure. Two tables spare a question for each set.
type price struct {
	closed, open []float64
	members      uint64 // the live repairs behind its panel; none when it is open or its own
}

// overSets is the least expected cost by dynamic programming, times the sum of
// weights: left[S] is the weight of the cases that the repairs S do not settle,
// rest[S] what is still to be paid after S.
func (o *ordering) overSets(weights []float64) float64 {
	n := len(o.live)
	o.settle(weights)
	o.rest = slices.Grow(o.rest[:0], 1<<n)[:1<<n]
	for s := range o.rest {
		o.rest[s] = math.Inf(1)
	}
	o.rest[1<<n-1] = 0
	if n > 0 {
		o.block(0, n)
	}
	return o.rest[0]
}

// block finishes rest for the 2^k sets from base on, which differ in the k
// lowest repairs. What the higher repairs offer is in rest already. The half
// with repair k−1 done comes first: it is what the other half leads to.
func (o *ordering) block(base, k int) {
	k--
	half := 1 << k
	if k > 0 {
		o.block(base+half, k)
	}
	p := &o.prices[k]
	cost := p.open
	if p.members != 0 && uint64(base)&p.members == 0 {
		cost = p.closed
	}
	rest, after, left := o.rest[base:base+half], o.rest[base+half:base+2*half], o.left[base:base+half]
	for s, c := range cost[:len(rest)] {
		rest[s] = min(rest[s], left[s]*c+after[s])
	}
	if k > 0 {
		o.block(base, k)
	}
}

// price lays out the costs for the panels that are closed.
func (o *ordering) price() {
	if len(o.live) > MaxOrdered {
		return
	}
	o.prices = slices.Grow(o.prices[:0], len(o.live))[:len(o.live)]
	for k, c := range o.folded {
		p := &o.prices[k]
		p.members = o.mates(k)
		p.open, p.closed = p.open[:0], p.closed[:0]
		for s := range uint64(1) << k {
			p.open = append(p.open, c)
			if s&p.members == 0 {
				p.closed = append(p.closed, c+o.opens[k])
			} else {
				p.closed = append(p.closed, c)
			}
		}
	}
}

// mates is the live repairs behind the shared panel of k, none without one.
func (o *ordering) mates(k int) uint64 {
	for _, members := range o.panels {
		if members>>k&1 == 1 {
			return members
		}
	}
	return 0
}

// toPay is what is still to be paid after the repairs s when k comes next.
func (o *ordering) toPay(s uint64, k int) float64 {
	c := o.folded[k]
	if s&o.mates(k) == 0 {
		c += o.opens[k]
	}
	return o.left[s]*c + o.rest[s|1<<k]
}

// settle sums the weights over subsets, and takes them from the whole.
func (o *ordering) settle(weights []float64) {
	n := len(o.live)
	o.left = slices.Grow(o.left[:0], 1<<n)[:1<<n]
	clear(o.left)
	for c, needs := range o.needs {
		o.left[needs] += weights[c]
	}
	for half := 1; half < 1<<n; half *= 2 {
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

// searched reads the order off the sets, the first repair of equal ones first.
func (o *ordering) searched(weights []float64) []int {
	tie := 1e-14 * o.overSets(weights)
	full := uint64(1<<len(o.live) - 1)
	o.order = o.order[:0]
	for s := uint64(0); s != full; {
		pick, least := -1, 0.0
		for r := full &^ s; r != 0; r &= r - 1 {
			k := bits.TrailingZeros64(r)
			if v := o.toPay(s, k); pick < 0 || v < least-tie {
				pick, least = k, v
			}
		}
		o.order = append(o.order, pick)
		s |= 1 << pick
	}
	return o.order
}
