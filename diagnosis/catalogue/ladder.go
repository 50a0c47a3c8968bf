package catalogue

import "math"

// LeastChance is the least chance given to any finding under any fault: about
// one reading in two hundred is simply wrong (wrong terminal, wrong row). It
// caps what a single reading can say. Judgement, no source.
const LeastChance = 0.005

// Ladder is the findings of a check that carry weights, the one that shows
// through last. Of several faults at once each leads by itself to some rung,
// and the highest shows (a noisy maximum). One fault alone gives exactly the
// chances the catalogue states, scaled to one.
type Ladder struct {
	Rungs []*Finding
	Base  []float64 // by rung: chance to stay at or below it without any fault
	// Stay is, by fault and rung, the factor the fault puts on staying at or
	// below the rung: it never falls from rung to rung and ends at one. A fault
	// cannot make a mild finding likelier than no fault does.
	Stay map[string][]float64
	// Faults are those of Stay, in order.
	Faults []string
}

// Ladder gives the check's ladder; it is not to be changed.
func (c *Check) Ladder() *Ladder {
	if c.index.ladder != nil {
		return c.index.ladder
	}
	return newLadder(c)
}

func newLadder(c *Check) *Ladder {
	l := &Ladder{Stay: map[string][]float64{}}
	for i := range c.Findings {
		if f := &c.Findings[i]; len(f.Weights) > 0 {
			l.Rungs = append(l.Rungs, f)
		}
	}
	l.Base = l.cumulate(func(f *Finding) float64 { return f.Otherwise })
	for _, r := range l.Rungs {
		for fault := range r.Weights {
			if l.Stay[fault] == nil {
				l.Stay[fault] = l.stay(fault)
			}
		}
	}
	l.Faults = sortedKeys(l.Stay)
	return l
}

func (l *Ladder) stay(fault string) []float64 {
	out := l.cumulate(func(f *Finding) float64 {
		if w, ok := f.Weights[fault]; ok {
			return w
		}
		return f.Otherwise
	})
	low := 0.0
	for y := range out {
		low = math.Max(low, math.Min(1, out[y]/l.Base[y]))
		out[y] = low
	}
	return out
}

// cumulate sums the chances up to each rung, scaled to end at one.
func (l *Ladder) cumulate(chance func(*Finding) float64) []float64 {
	out := make([]float64, len(l.Rungs))
	sum := 0.0
	for y, f := range l.Rungs {
		sum += math.Max(chance(f), LeastChance)
		out[y] = sum
	}
	for y := range out {
		out[y] /= sum
	}
	return out
}

// Rung gives the place of a finding, -1 for one without weights.
func (l *Ladder) Rung(finding string) int {
	for y, f := range l.Rungs {
		if f.ID == finding {
			return y
		}
	}
	return -1
}
