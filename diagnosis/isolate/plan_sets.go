package isolate

import (
	"math"
	"math/bits"
	"slices"
)

// prices are the costs of the live repairs, openings included, for one state
// of the shared panels; of a length that needs no check of bounds.
type prices [16]float64

// overSets is the least expected cost by dynamic programming, times the sum of
// weights: left[S] is the weight of the cases that the repairs S do not settle,
// rest[S] what is still to be paid after S.
func (o *ordering) overSets(weights []float64) float64 {
	full := 1<<len(o.live) - 1
	o.settle(weights)
	o.rest = slices.Grow(o.rest[:0], full+1)[:full+1]
	o.rest[full] = 0
	o.price()
	for s := full - 1; s >= 0; s-- {
		o.rest[s] = afterSet(o.left[s], uint32(s), uint32(full), o.rest, &o.table[o.closed(uint64(s))])
	}
	return o.rest[0]
}

// afterSet is what is still to be paid after the repairs s, by the best next one.
func afterSet(left float64, s, full uint32, rest []float64, price *prices) float64 {
	least := math.Inf(1)
	for r := full &^ s; r != 0; r &= r - 1 {
		k := bits.TrailingZeros32(r)
		if v := left*price[k&15] + rest[s|r&-r]; v < least {
			least = v
		}
	}
	return least
}

// closed is the state of the shared panels after the repairs s: a bit for each
// that is closed.
func (o *ordering) closed(s uint64) int {
	at := 0
	for g, members := range o.panels {
		if s&members == 0 {
			at |= 1 << g
		}
	}
	return at
}

// price lays out the costs for every state of the shared panels.
func (o *ordering) price() {
	o.table = slices.Grow(o.table[:0], 1<<len(o.panels))[:1<<len(o.panels)]
	for at := range o.table {
		for k, c := range o.folded {
			for g, members := range o.panels {
				if at>>g&1 == 1 && members>>k&1 == 1 {
					c += o.opens[k]
				}
			}
			o.table[at][k] = c
		}
	}
}

// settle sums the weights over subsets, and takes them from the whole.
func (o *ordering) settle(weights []float64) {
	n := len(o.live)
	o.left = append(o.left[:0], make([]float64, 1<<n)...)
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
		price := &o.table[o.closed(s)]
		for r := full &^ s; r != 0; r &= r - 1 {
			k := bits.TrailingZeros64(r)
			if v := o.left[s]*price[k] + o.rest[s|1<<k]; pick < 0 || v < least-tie {
				pick, least = k, v
			}
		}
		o.order = append(o.order, pick)
		s |= 1 << pick
	}
	return o.order
}
