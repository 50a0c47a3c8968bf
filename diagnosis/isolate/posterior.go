package isolate

import (
	"errors"
	"math"
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

// Gain is what one finding not yet looked at is expected to tell.
type Gain struct {
	Finding  int
	Abnormal float64 // chance that it is abnormal
	Bits     float64 // expected fall of Entropy
}

// Gain computes what looking at a finding is expected to tell, exactly.
func (m *Model) Gain(es []Evidence, finding int) (Gain, error) {
	var w Workspace
	now, err := w.Weigh(m, es)
	if err != nil {
		return Gain{}, err
	}
	before, logEvidence := now.Entropy(), now.LogEvidence
	after := 0.0
	g := Gain{Finding: finding}
	es = append(append(make([]Evidence, 0, len(es)+1), es...), Evidence{})
	for _, e := range []Evidence{{finding, 1, 0}, {finding, 0, 1}} {
		es[len(es)-1] = e
		p, err := w.Weigh(m, es)
		if errors.Is(err, ErrImpossible) {
			continue
		}
		if err != nil {
			return Gain{}, err
		}
		chance := math.Exp(p.LogEvidence - logEvidence)
		after += chance * p.Entropy()
		if e.Abnormal == 1 {
			g.Abnormal = chance
		}
	}
	g.Bits = before - after
	return g, nil
}
