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
	chance  float64
	entropy float64 // bits, of the ranking then
}

// outcomes is the evidence each way a check can come out would bring.
type outcomes struct {
	evidence [][]isolate.Evidence
	constant []float64
}

// outcomesOf adds the findings of a check to the network. A finding without
// weights does not happen, as far as this goes; a check that tells no causes
// apart has no outcomes.
func (m *model) outcomesOf(n *network, ch *catalogue.Check) outcomes {
	var o outcomes
	l := m.ladder(ch)
	if len(l.causes) == 0 {
		return o
	}
	for y := range l.Rungs {
		es, constant := n.with(l.at(y, 1, 0))
		o.evidence, o.constant = append(o.evidence, es), append(o.constant, constant)
	}
	return o
}

// prospects weighs every way a check can come out, exactly. The chances add up
// to one.
func (m *model) prospects(n *network, o outcomes) ([]prospect, error) {
	out := make([]prospect, 0, len(o.evidence))
	with := append(make([]isolate.Evidence, 0, len(n.evidence)+4), n.evidence...)
	for y, es := range o.evidence {
		p, err := n.glance(append(with, es...))
		if errors.Is(err, isolate.ErrImpossible) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("assess: %w", err)
		}
		out = append(out, prospect{math.Exp(p.LogEvidence + o.constant[y] - m.posterior.LogEvidence), p.Entropy()})
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
