package isolate

import (
	"math"
	"slices"
)

// Posterior is what the evidence makes of each fault. Fault and Absent are
// computed apart, each from sums of terms above zero, so that either keeps its
// digits when it is small.
type Posterior struct {
	Fault       []float64 // probability of each fault, in the order of the model
	Absent      []float64 // probability that it is not there
	LogEvidence float64   // natural logarithm of the probability of the evidence
	Frontier    int       // bits: how many findings had to be held together
}

// Weigh computes the posterior exactly, by dynamic programming over the sets of
// open findings that are already accounted for. Plain negatives are absorbed
// into the priors first; their cost is linear. The order of es never matters.
// Errors: ErrImpossible, ErrWide, and evidence that does not fit the model.
func (m *Model) Weigh(es []Evidence) (Posterior, error) {
	p, err := new(Workspace).Weigh(m, es)
	return p, err
}

// Entropy is the sum of the entropies of the faults, in bits.
func (p Posterior) Entropy() float64 {
	h := 0.0
	for i, x := range p.Fault {
		h += entropy(x) + entropy(p.Absent[i])
	}
	return h
}

func entropy(x float64) float64 {
	if x <= 0 {
		return 0
	}
	return -x * math.Log2(x)
}

// LogOdds is the natural logarithm of the odds of a fault. It keeps its digits
// where the probability is near one. It is -Inf or +Inf where the fault is ruled
// out or certain.
func (p Posterior) LogOdds(fault int) float64 {
	return math.Log(p.Fault[fault]) - math.Log(p.Absent[fault])
}

// Decibans is the same as ten times the logarithm to base ten (Good's unit: ten
// is ten to one, three is two to one), held between -MaxDecibans and
// MaxDecibans, so that differences of it are always numbers.
func (p Posterior) Decibans(fault int) float64 {
	return min(max(10/math.Ln10*p.LogOdds(fault), -MaxDecibans), MaxDecibans)
}

// MaxDecibans stands for certainty.
const MaxDecibans = 3000.0

// Likeliest is the fault with the greatest probability, the first of several
// that are equal to 1e-12. -1 when there is no fault.
func (p Posterior) Likeliest() int {
	best := -1
	for i, x := range p.Fault {
		if best < 0 || x > p.Fault[best]+1e-12 {
			best = i
		}
	}
	return best
}

// clone is p with slices of its own.
func (p Posterior) clone() Posterior {
	p.Fault, p.Absent = slices.Clone(p.Fault), slices.Clone(p.Absent)
	return p
}
