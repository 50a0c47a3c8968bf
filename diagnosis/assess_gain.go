package diagnosis

import (
	"errors"
	"fmt"
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
)

// prospect is one way a check can come out.
type prospect struct {
	chance    float64
	posterior []float64 // probability of each cause then
	entropy   float64   // bits, of the ranking then
}

// prospects weighs every way the check can come out, exactly. The chances add
// up to one. A finding without weights does not happen, as far as this goes.
func (m *model) prospects(ch *catalogue.Check) ([]prospect, error) {
	l := m.ladder(ch)
	if len(l.causes) == 0 {
		return nil, nil
	}
	out := make([]prospect, 0, len(l.Rungs))
	for y := range l.Rungs {
		n := *m.net
		n.findings = n.findings[:len(n.findings):len(n.findings)]
		n.evidence = n.evidence[:len(n.evidence):len(n.evidence)]
		n.add(l.at(y, 1, 0)...)
		p, err := n.weigh(n.evidence)
		if errors.Is(err, isolate.ErrImpossible) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("assess: check %s: %w", ch.ID, err)
		}
		chance := math.Exp(p.LogEvidence + n.constant - m.posterior.LogEvidence - m.net.constant)
		out = append(out, prospect{chance, p.Fault, p.Entropy()})
	}
	return out, nil
}

// gain is the expected fall of the entropy of the ranking by doing the check
// once, in bits.
func (m *model) gain(ps []prospect) float64 {
	if len(ps) == 0 {
		return 0
	}
	left := 0.0
	for _, p := range ps {
		left += p.chance * p.entropy
	}
	return math.Max(0, m.posterior.Entropy()-left)
}
