package isolate

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
)

// MaxCases is the greatest number of cases a Belief holds.
const MaxCases = 1 << 16

// Belief is what may be wrong: cases that exclude each other, each with its
// probability and the repairs it needs. A machine with two faults needs two
// repairs. A Belief is not changed by planning and may be shared.
type Belief struct {
	// Missed is the probability that a fault is there which no repair of the
	// planner removes. All else is given that there is none.
	Missed float64

	chance []float64 // of each case; they add up to one
	needs  []uint64  // repairs each case needs, by bit
	model  *Model    // nil for a belief in a single fault
	modes  [][]int   // faults of each group that a case may have, in the order of the cases
	seen   []bool    // findings that have told something
}

// Single is the belief that exactly one of the planner's repairs is needed,
// with the chances given, one for each repair in order. They need not add up to
// one; only their ratios matter. Case i is the one that needs repair i.
// Errors: a chance that is negative or not finite, none above 0, a wrong count.
func (p *Planner) Single(chances []float64) (*Belief, error) {
	if len(chances) != len(p.repairs) {
		return nil, fmt.Errorf("isolate: %d chances for %d repairs", len(chances), len(p.repairs))
	}
	b := &Belief{chance: slices.Clone(chances)}
	most := 0.0
	for i, x := range chances {
		if !(x >= 0) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("isolate: chance of %s is not a number from 0", p.repairs[i].ID)
		}
		most = max(most, x)
		b.needs = append(b.needs, 1<<i)
	}
	if most == 0 {
		return nil, ErrImpossible
	}
	for i := range b.chance {
		b.chance[i] /= most // so that the sum is finite
	}
	normalise(b.chance)
	return b, nil
}

// Weighed is the belief after the evidence: every set of the faults that the
// planner's repairs remove, weighed exactly, given that no other fault of the
// model is there (Missed tells how likely one is). At most one mode of a group
// is there. Errors: ErrImpossible, ErrWide for more than MaxCases sets, evidence
// or repairs that do not fit the model.
func (p *Planner) Weighed(m *Model, es []Evidence) (*Belief, error) {
	if err := p.fits(m); err != nil {
		return nil, err
	}
	broken, err := StillBroken(m, es)
	if err != nil {
		return nil, err
	}
	b := &Belief{model: m, seen: make([]bool, len(m.Findings))}
	if b.Missed, err = broken(p.removes(p.all())); err != nil {
		return nil, err
	}
	if b.modes = p.modes(m); countCases(b.modes) > MaxCases {
		return nil, ErrWide
	}
	for _, e := range es {
		b.seen[e.Finding] = b.seen[e.Finding] || e.Abnormal != e.Normal
	}
	b.chance, b.needs = []float64{1}, []uint64{0}
	keep, open := absorbed(m, es)
	for _, modes := range b.modes {
		b.extend(p, modes, keep)
	}
	for _, e := range open {
		if err := b.update(e); err != nil {
			return nil, err
		}
	}
	return b, b.scale()
}

// fits says whether the repairs name faults of the model.
func (p *Planner) fits(m *Model) error {
	for _, r := range p.repairs {
		for _, f := range r.Faults {
			if f < 0 || f >= len(m.Faults) {
				return fmt.Errorf("isolate: repair %s removes fault %d, which the model does not have", r.ID, f)
			}
		}
	}
	return nil
}

func (p *Planner) all() []int {
	out := make([]int, len(p.repairs))
	for i := range out {
		out[i] = i
	}
	return out
}

// removes lists the faults that some repairs remove.
func (p *Planner) removes(repairs []int) []int {
	var out []int
	for _, i := range repairs {
		out = append(out, p.repairs[i].Faults...)
	}
	return out
}

// modes gathers the faults that repairs remove by group of the model.
func (p *Planner) modes(m *Model) [][]int {
	var out [][]int
	at := map[string]int{}
	for _, f := range p.removes(p.all()) {
		g := m.Faults[f].Group
		k, known := at[g]
		if !known || g == "" {
			k = len(out)
			at[g] = k
			out = append(out, nil)
		}
		out[k] = append(out[k], f)
	}
	return out
}

func countCases(groups [][]int) int {
	n := 1
	for _, modes := range groups {
		if n *= 1 + len(modes); n > MaxCases {
			break
		}
	}
	return n
}

// absorbed splits evidence: what plain negatives leave of each prior, and the
// findings that are open still.
func absorbed(m *Model, es []Evidence) (keep []float64, open []Evidence) {
	keep = make([]float64, len(m.Faults))
	for i := range keep {
		keep[i] = 1
	}
	for _, e := range es {
		switch {
		case e.Abnormal == e.Normal: // it tells nothing
		case e.Abnormal == 0:
			for _, l := range m.Findings[e.Finding].Links {
				keep[l.Fault] *= 1 - l.Weight
			}
		default:
			open = append(open, e)
		}
	}
	return keep, open
}

// extend multiplies the cases by those of one group: no mode, or one of modes.
func (b *Belief) extend(p *Planner, modes []int, keep []float64) {
	n := len(b.chance)
	none := 1 - b.model.Faults[modes[0]].Prior
	if g := b.model.Faults[modes[0]].Group; g != "" {
		none = 1
		for _, f := range b.model.Faults {
			if f.Group == g {
				none -= f.Prior
			}
		}
	}
	for _, f := range modes {
		repair := uint64(1) << slices.IndexFunc(p.repairs, func(r Repair) bool { return slices.Contains(r.Faults, f) })
		for k := range n {
			b.chance = append(b.chance, b.chance[k]*b.model.Faults[f].Prior*keep[f])
			b.needs = append(b.needs, b.needs[k]|repair)
		}
	}
	for k := range n {
		b.chance[k] *= none
	}
}

// update weighs one more finding in.
func (b *Belief) update(e Evidence) error {
	most := max(e.Abnormal, e.Normal)
	for k, u := range b.abnormal(e.Finding) {
		b.chance[k] *= e.Abnormal/most*u + e.Normal/most*(1-u)
	}
	return b.scale()
}

func (b *Belief) scale() error {
	if !normalise(b.chance) {
		return ErrImpossible
	}
	return nil
}

// abnormal is the chance of a finding in each case, built from the inside so
// that small leaks keep their digits.
func (b *Belief) abnormal(finding int) []float64 {
	f := b.model.Findings[finding]
	out := make([]float64, 1, len(b.chance))
	out[0] = f.Leak
	for _, modes := range b.modes {
		n := len(out)
		for _, fault := range modes {
			w := weightOf(f, fault)
			for _, u := range out[:n] {
				out = append(out, u+w*(1-u))
			}
		}
	}
	return out
}

func weightOf(f Finding, fault int) float64 {
	for _, l := range f.Links {
		if l.Fault == fault {
			return l.Weight
		}
	}
	return 0
}

// Cases is the number of cases.
func (b *Belief) Cases() int { return len(b.chance) }

// Needed is the probability that each repair of the planner is needed.
func (b *Belief) Needed(p *Planner) []float64 {
	out := make([]float64, len(p.repairs))
	for k, needs := range b.needs {
		for s := needs; s != 0; s &= s - 1 {
			if i := bits.TrailingZeros64(s); i < len(out) {
				out[i] += b.chance[k]
			}
		}
	}
	return out
}

// Likelihood is how likely the evidence is in each case: one outcome of a Test.
// The likelihoods of the evidence count as they are, not only their ratio, for
// the outcomes of a test have to add up to one. The belief must be Weighed, and
// the findings ones that have told nothing yet.
func (b *Belief) Likelihood(es ...Evidence) ([]float64, error) {
	if b.model == nil {
		return nil, errors.New("isolate: a belief in a single fault has no findings; give likelihoods by repair")
	}
	out := make([]float64, len(b.chance))
	for k := range out {
		out[k] = 1
	}
	for _, e := range es {
		if e.Finding < 0 || e.Finding >= len(b.seen) || b.seen[e.Finding] {
			return nil, errors.New("isolate: an outcome names a finding that is unknown, or was looked at before")
		}
		if !costs(e.Abnormal) || !costs(e.Normal) {
			return nil, fmt.Errorf("isolate: likelihoods of finding %s are not numbers from 0", b.model.Findings[e.Finding].ID)
		}
		for k, u := range b.abnormal(e.Finding) {
			out[k] *= e.Abnormal*u + e.Normal*(1-u)
		}
	}
	return out, nil
}

// Outcomes is a plain look at one finding: likelihoods of abnormal and normal.
func (b *Belief) Outcomes(finding int) ([][]float64, error) {
	yes, err := b.Likelihood(Evidence{finding, 1, 0})
	if err != nil {
		return nil, err
	}
	no := make([]float64, len(yes))
	for k, u := range yes {
		no[k] = 1 - u
	}
	return [][]float64{yes, no}, nil
}

// normalise makes xs add up to one; false when all are zero.
func normalise(xs []float64) bool {
	sum := 0.0
	for _, x := range xs {
		sum += x
	}
	if !(sum > 0) {
		return false
	}
	for i := range xs {
		xs[i] /= sum
	}
	return true
}

// StillBroken gives, after the evidence, the exact probability that some fault
// of the model is there beside those listed as repaired. It works for models of
// any size that can be weighed. Errors: those of Weigh.
func StillBroken(m *Model, es []Evidence) (func(repaired []int) (float64, error), error) {
	now, err := m.Weigh(es)
	if err != nil {
		return nil, err
	}
	return func(repaired []int) (float64, error) {
		left := Finding{ID: "a fault is left"}
		for f := range m.Faults {
			if !slices.Contains(repaired, f) {
				left.Links = append(left.Links, Link{Fault: f, Weight: 1})
			}
		}
		n, err := New(m.Faults, append(slices.Clone(m.Findings), left))
		if err != nil {
			return 0, err
		}
		well, err := n.Weigh(append(slices.Clone(es), Evidence{Finding: len(m.Findings), Normal: 1}))
		if errors.Is(err, ErrImpossible) {
			return 1, nil
		}
		if err != nil {
			return 0, err
		}
		return max(0, -math.Expm1(well.LogEvidence-now.LogEvidence)), nil
	}, nil
}
