package isolate

import (
	"fmt"
	"math"
)

// What the strength is when it is not given. All are judgement, no source but
// that 5 to 20 are usual.
const (
	UsualStrength = 10 // where the jobs are too few to tell

	fewGroups, fewJobs   = 5, 30 // fewer groups with two jobs or more, or fewer jobs in them: too few
	manyGroups           = 20    // fewer: the strength stays among the usual ones
	usualLow, usualHigh  = 5, 20
	widestLow, widestTop = 1, 1000
)

// Basis says where a strength comes from.
type Basis uint8

// The bases. Given is the zero value.
const (
	Given   Basis = iota // by the caller
	Usual                // UsualStrength: too few jobs to tell
	Fitted               // likeliest for the groups
	Bounded              // a bound: the likeliest lies beyond it
)

// String names the basis.
func (b Basis) String() string {
	if b > Bounded {
		return "unknown"
	}
	return [...]string{"given", "usual", "fitted", "bounded"}[b]
}

// Strength is how many jobs the level above counts for, with the groups and
// jobs it rests on and the logarithm of their marginal likelihood at K (up to a
// constant that depends on the counts only).
type Strength struct {
	K             float64
	Basis         Basis
	Groups, Jobs  int
	LogLikelihood float64
}

// FitStrength finds the strength K at which the groups' counts are likeliest if
// each group's own shares are drawn from a Dirichlet distribution about the
// shares above (beta-binomial for one fault, Dirichlet-multinomial for several):
//
//	Π_groups Γ(K)/Γ(n+K) · Π_faults Γ(count+K·share)/Γ(K·share)
//
// Jobs whose cause is none of the faults count as one more fault with the share
// that is left to one. Groups alike give a great K, groups unlike a small one.
// With fewer than 5 groups of two jobs or more, or fewer than 30 jobs in them,
// it is UsualStrength; with fewer than 20 groups it stays from 5 to 20, else
// from 1 to 1000. Errors: shares that are not above 0 and finite, tallies that
// do not fit them.
func FitStrength(shares []float64, groups []Tally) (Strength, error) {
	d, err := newDispersion(shares, groups)
	if err != nil {
		return Strength{}, err
	}
	out := Strength{K: UsualStrength, Basis: Usual, Groups: len(d.groups), Jobs: d.jobs}
	low, high := float64(usualLow), float64(usualHigh)
	switch {
	case len(d.groups) < fewGroups || d.jobs < fewJobs:
		out.LogLikelihood = d.at(out.K)
		return out, nil
	case len(d.groups) >= manyGroups:
		low, high = widestLow, widestTop
	}
	out.K, out.Basis = d.fit(low, high)
	out.LogLikelihood = d.at(out.K)
	return out, nil
}

// dispersion is the marginal likelihood of groups about shares.
type dispersion struct {
	shares []float64 // they add up to one; the last is that of no listed fault, if any
	groups [][]int   // counts in the same order, groups with two or more only
	jobs   int
}

func newDispersion(shares []float64, groups []Tally) (*dispersion, error) {
	d := &dispersion{}
	sum := 0.0
	for _, p := range shares {
		if !(p > 0 && p <= maxCost) {
			return nil, fmt.Errorf("isolate: a share is not above 0 and finite")
		}
		sum += p
	}
	whole := math.Max(sum, 1)
	for _, p := range shares {
		d.shares = append(d.shares, p/whole)
	}
	rest := 1 - sum
	if rest > 1e-9 {
		d.shares = append(d.shares, rest)
	}
	for _, g := range groups {
		if err := g.check(len(shares)); err != nil {
			return nil, fmt.Errorf("isolate: a group has %w", err)
		}
		d.take(g, rest > 1e-9)
	}
	return d, nil
}

// take adds a group, with the jobs of no listed fault where they can be told.
// A group of one job says nothing of how much groups differ.
func (d *dispersion) take(g Tally, others bool) {
	counts := append([]int{}, g.Counts...)
	named := 0
	for _, c := range counts {
		named += c
	}
	if others {
		other := max(0, g.Jobs-named)
		counts, named = append(counts, other), named+other
	}
	if named >= 2 {
		d.groups = append(d.groups, counts)
		d.jobs += g.Jobs
	}
}

// at is the logarithm of the marginal likelihood.
func (d *dispersion) at(k float64) float64 {
	return d.sum(func(share float64, n int) float64 { return rising(k*share, n) })
}

// slope is the derivative of at.
func (d *dispersion) slope(k float64) float64 {
	return d.sum(func(share float64, n int) float64 { return share * harmonic(k*share, n) })
}

func (d *dispersion) sum(term func(share float64, n int) float64) float64 {
	sum := 0.0
	for _, counts := range d.groups {
		n := 0
		for f, c := range counts {
			sum += term(d.shares[f], c)
			n += c
		}
		sum -= term(1, n)
	}
	return sum
}

// fewTerms is how many terms are summed one by one: that loses no digits.
const fewTerms = 100

// rising is ln Γ(a+n)/Γ(a) = Σ ln(a+j), j below n.
func rising(a float64, n int) float64 {
	if n > fewTerms {
		upper, _ := math.Lgamma(a + float64(n))
		lower, _ := math.Lgamma(a + fewTerms)
		return rising(a, fewTerms) + upper - lower
	}
	sum := 0.0
	for j := range n {
		sum += math.Log(a + float64(j))
	}
	return sum
}

// harmonic is the derivative of rising by a: Σ 1/(a+j), j below n.
func harmonic(a float64, n int) float64 {
	if n > fewTerms {
		return harmonic(a, fewTerms) + digamma(a+float64(n)) - digamma(a+fewTerms)
	}
	sum := 0.0
	for j := range n {
		sum += 1 / (a + float64(j))
	}
	return sum
}

// digamma is good to 1e-16 from fewTerms on: ln x − 1/2x − 1/12x² + 1/120x⁴ − …
func digamma(x float64) float64 {
	y := 1 / (x * x)
	return math.Log(x) - 1/(2*x) - y*(1.0/12-y*(1.0/120-y/252))
}

// fit finds the likeliest strength from low to high: the best of steps of a
// ratio, then where the slope about it crosses zero.
func (d *dispersion) fit(low, high float64) (float64, Basis) {
	const steps = 60
	best, most := 0, math.Inf(-1)
	grid := func(i int) float64 { return low * math.Pow(high/low, float64(i)/steps) }
	for i := range steps + 1 {
		if l := d.at(grid(i)); l > most {
			best, most = i, l
		}
	}
	a, b := grid(max(best-1, 0)), grid(min(best+1, steps))
	switch {
	case best == 0 && d.slope(a) <= 0:
		return low, Bounded
	case best == steps && d.slope(b) >= 0:
		return high, Bounded
	}
	for range 100 {
		middle := (a + b) / 2
		if d.slope(middle) > 0 {
			a = middle
		} else {
			b = middle
		}
	}
	return (a + b) / 2, Fitted
}
