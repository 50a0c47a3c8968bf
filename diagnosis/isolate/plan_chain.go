package isolate

import (
	"math/bits"
	"slices"
)

// maxStates is the greatest number of states of chains that are gone through.
const maxStates = 1 << 13

// chain is the repairs behind one shared panel, or those behind none, in their
// own order. Of a single fault that order is by ratio: any two of them that
// stand the other way round can be exchanged, or what stands between them
// moved, without a loss, the opening staying where it is.
type chain struct {
	repairs []int
	opens   float64
	left    []float64 // weight of those from each place on
	stride  int       // of the place in the number of a state
	at      int       // place in the state being looked at
}

// alongChains is the least expected cost of a single fault, times the sum of
// weights: a state is how far each chain is done.
func (o *ordering) alongChains(weights []float64) float64 {
	o.chain(weights)
	for i := range o.chains {
		o.chains[i].at = len(o.chains[i].repairs)
	}
	n := o.states()
	o.rest = slices.Grow(o.rest[:0], n)[:n]
	o.rest[n-1] = 0
	for s := n - 2; s >= 0; s-- {
		for i := range o.chains { // count down
			c := &o.chains[i]
			if c.at--; c.at >= 0 {
				break
			}
			c.at = len(c.repairs)
		}
		o.rest[s] = o.along(s)
	}
	return o.rest[0]
}

// along is what is still to be paid in a state, by the best next repair.
func (o *ordering) along(s int) float64 {
	left, least := o.remaining(), -1.0
	for i := range o.chains {
		c := &o.chains[i]
		if c.at == len(c.repairs) {
			continue
		}
		if v := left*o.toll(c) + o.rest[s+c.stride]; v < least || least < 0 {
			least = v
		}
	}
	return least
}

// remaining is the weight of the repairs not done.
func (o *ordering) remaining() float64 {
	left := 0.0
	for i := range o.chains {
		left += o.chains[i].left[o.chains[i].at]
	}
	return left
}

// toll is the cost of the next repair of a chain.
func (o *ordering) toll(c *chain) float64 {
	if c.at == 0 {
		return o.folded[c.repairs[0]] + c.opens
	}
	return o.folded[c.repairs[c.at]]
}

// states is the number of states, maxStates+1 where there are more.
func (o *ordering) states() int {
	n, free := 1, len(o.live)
	for _, members := range o.panels {
		size := bits.OnesCount64(members)
		free -= size
		n = min(n*(1+size), maxStates+1)
	}
	return min(n*(1+free), maxStates+1)
}

// chain lays out the chains: one for each shared panel, the last for the rest.
func (o *ordering) chain(weights []float64) {
	o.chains = slices.Grow(o.chains[:0], len(o.panels)+1)[:len(o.panels)+1]
	for i := range o.chains {
		c := &o.chains[i]
		c.repairs, c.opens = c.repairs[:0], 0
	}
	weight := o.weight(weights)
	for _, k := range o.ratios(weights, o.folded) {
		at := slices.IndexFunc(o.panels, func(members uint64) bool { return members>>k&1 == 1 })
		if at < 0 {
			at = len(o.panels)
		}
		c := &o.chains[at]
		c.repairs, c.opens = append(c.repairs, k), o.opens[k]
	}
	stride := 1
	for i := range o.chains {
		c := &o.chains[i]
		c.stride, stride = stride, stride*(1+len(c.repairs))
		c.left = append(c.left[:0], make([]float64, len(c.repairs)+1)...)
		for at := len(c.repairs) - 1; at >= 0; at-- {
			c.left[at] = c.left[at+1] + weight[c.repairs[at]]
		}
	}
}

// chained reads the order off the chains, the first repair of equal ones first.
func (o *ordering) chained(weights []float64) []int {
	tie := 1e-14 * o.alongChains(weights)
	o.order = o.order[:0]
	for i := range o.chains {
		o.chains[i].at = 0
	}
	for s := 0; len(o.order) < len(o.live); {
		var pick *chain
		least, left := 0.0, o.remaining()
		for i := range o.chains {
			c := &o.chains[i]
			if c.at == len(c.repairs) {
				continue
			}
			v := left*o.toll(c) + o.rest[s+c.stride]
			if pick == nil || v < least-tie || v <= least+tie && c.repairs[c.at] < pick.repairs[pick.at] {
				pick, least = c, v
			}
		}
		o.order = append(o.order, pick.repairs[pick.at])
		pick.at++
		s += pick.stride
	}
	return o.order
}
