package diagnosis

import (
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

// outcomes is the ways a check can come out: for each rung but the last, the
// finding of the network that nothing lies above it, -1 where no cause changes
// that, and its chance then.
type outcomes struct {
	below []int
	base  []float64
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
	for y := range len(l.Rungs) - 1 {
		f, at := l.notAbove(y), -1
		if len(f.Links) > 0 {
			at = len(n.findings)
			n.findings = append(n.findings, f)
		}
		o.below, o.base = append(o.below, at), append(o.base, l.Base[y])
	}
	return o
}

// rareOutcome is the chance below which an outcome is left out: what follows
// from it is a difference that has lost its digits.
const rareOutcome = 1e-7

// prospects weighs every way a check can come out, exactly: what follows from a
// rung is what follows from not being above it, less what follows from not
// being above the one before. n has been begun.
func (m *model) prospects(n *network, o outcomes) []prospect {
	if len(o.below) == 0 {
		return nil
	}
	out := make([]prospect, 0, len(o.below)+1)
	k := len(m.causes)
	last, upTo, then := make([]float64, 2*k), make([]float64, 2*k), make([]float64, 2*k)
	reached := 0.0
	for y := range len(o.below) + 1 {
		chance := 1.0
		switch {
		case y == len(o.below):
			spread(upTo, m.posterior, 1)
		case o.below[y] < 0:
			chance = o.base[y]
			spread(upTo, m.posterior, chance)
		default:
			var p isolate.Posterior
			p, chance = n.work.IfNormal(n.model, o.below[y])
			spread(upTo, p, chance)
		}
		if c := chance - reached; c > rareOutcome {
			h := 0.0
			for i := range then {
				then[i] = math.Max(0, (upTo[i]-last[i])/c)
				h += plogp(then[i])
			}
			out = append(out, prospect{m.first(then[:k]), c, h})
		}
		reached = chance
		last, upTo = upTo, last
	}
	return out
}

// spread writes the chances of a posterior times that of what it follows from:
// of each cause being there, then of its not being there.
func spread(to []float64, p isolate.Posterior, chance float64) {
	k := len(to) / 2
	for i := range k {
		to[i], to[i+k] = 0, 0
		if chance > 0 {
			to[i], to[i+k] = chance*p.Fault[i], chance*p.Absent[i]
		}
	}
}

func plogp(p float64) float64 {
	if p <= 0 {
		return 0
	}
	return -p * math.Log2(p)
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
