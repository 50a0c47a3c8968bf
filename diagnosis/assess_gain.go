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
	top     int // cause that would come first of those not mended
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
	l := m.ladder(ch, m.goneNow())
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
		out = append(out, prospect{m.first(p.Fault), math.Exp(p.LogEvidence + o.constant[y] - m.posterior.LogEvidence), p.Entropy()})
	}
	return out, nil
}

// first is the likeliest first cause that has not been mended, -1 when all have.
func (m *model) first(fault []float64) int {
	best := -1
	for i := range m.ranked {
		if !m.causes[i].mended && (best < 0 || fault[i] > fault[best]+1e-12) {
			best = i
		}
	}
	return best
}

// turns is the chance that a check would put a fault first that nothing has
// shown: what is left to be learned about what to mend.
func (m *model) turns(ps []prospect) float64 {
	sum := 0.0
	for _, p := range ps {
		if p.top >= 0 && !m.settled(p.top) {
			sum += p.chance
		}
	}
	return sum
}

// settled says whether a cause, or another mode of its part that takes the same
// mending, has been shown by a reading; the use of the machine, which is no
// part, can only be concluded by exclusion.
func (m *model) settled(cause int) bool {
	c := &m.causes[cause]
	if c.part.Role == catalogue.Use {
		return true
	}
	for i := range m.ranked {
		if o := &m.causes[i]; o.part == c.part && o.fault.Fix == c.fault.Fix && m.shownDirectly(o.fault.ID) {
			return true
		}
	}
	return false
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
