package isolate

import (
	"fmt"
	"math"
)

// Test is something that can be looked at before anything is repaired. Cost is
// from 0, in the unit of the repairs; what is behind Panel is opened first, and
// stays open. Outcomes are the ways it can come out: for each the likelihood in
// each case of the belief (Belief.Outcomes, or by repair for a single fault).
// In each case the likelihoods add up to one.
type Test struct {
	ID       string
	Cost     float64
	Panel    string
	Outcomes [][]float64
}

// Look is what one test is expected to cost and to save.
type Look struct {
	Cost  float64 // of the test, with what has to be opened for it
	After float64 // expected cost of repair once its outcome is known
	Saves float64 // expected cost of repair now less Cost and After; the test pays when above 0
}

// Advice compares repairing now with each test. Best is the index of the test
// that saves most; it is -1 when no test lowers the cost: enough is known.
type Advice struct {
	Now   Plan
	Looks []Look // in the order of the tests
	Best  int
}

// Enough says that no test lowers the expected cost: repair in the order of Now.
func (a Advice) Enough() bool { return a.Best < 0 }

// LookAhead compares the expected cost of repair now with that after each test,
//
//	cost + Σ P(outcome) · cost of repair given the outcome
//
// each by the order Best would choose (one-step look-ahead: Heckerman, Breese &
// Rommelse 1995). It does not see that two tests may pay only together; own
// measurement on 20 random problems: 0.5 to 0.6 % above the best policy on
// average, 2.3 % at most. Of tests that save the same to 12 digits the first is
// best: list them as they should be preferred.
func (p *Planner) LookAhead(b *Belief, tests []Test) (Advice, error) {
	o := newOrdering(p, b)
	a := Advice{Now: p.Best(b), Looks: make([]Look, len(tests)), Best: -1}
	least := a.Now.Cost * 1e-12
	weights := make([]float64, len(b.chance))
	for i, t := range tests {
		at, err := p.fitsTest(t, weights)
		if err != nil {
			return Advice{}, err
		}
		open, cost := p.opened(), t.Cost
		if at >= 0 && !open[at] {
			open[at] = true
			cost += p.panels[at].Cost
		}
		o.open(open)
		after := o.after(b, t, weights)
		a.Looks[i] = Look{Cost: cost, After: after, Saves: a.Now.Cost - cost - after}
		if s := a.Looks[i].Saves; s > least {
			a.Best, least = i, s+a.Now.Cost*1e-12
		}
	}
	return a, nil
}

// after is the expected cost of repair once the outcome of a test is known.
// Unnormalised weights carry the probability of each outcome.
func (o *ordering) after(b *Belief, t Test, weights []float64) float64 {
	sum := 0.0
	for _, likelihood := range t.Outcomes {
		for k, l := range likelihood {
			weights[k] = b.chance[k] * l
		}
		sum += o.least(weights)
	}
	return sum
}

// fitsTest checks a test and finds its panel, -1 for none. sums is working space
// of one number for each case.
func (p *Planner) fitsTest(t Test, sums []float64) (panel int, err error) {
	panel = p.panel(t.Panel)
	if panel < 0 && t.Panel != "" {
		return 0, fmt.Errorf("isolate: test %s is behind panel %q, which is not listed", t.ID, t.Panel)
	}
	if !costs(t.Cost) {
		return 0, fmt.Errorf("isolate: cost of test %s is not a number from 0", t.ID)
	}
	clear(sums)
	for _, likelihood := range t.Outcomes {
		if len(likelihood) != len(sums) {
			return 0, fmt.Errorf("isolate: test %s has %d likelihoods for %d cases", t.ID, len(likelihood), len(sums))
		}
		for k, l := range likelihood {
			if !(l >= 0) {
				return 0, fmt.Errorf("isolate: test %s has a likelihood that is not a number from 0", t.ID)
			}
			sums[k] += l
		}
	}
	for _, s := range sums {
		if math.Abs(s-1) > 1e-9 {
			return 0, fmt.Errorf("isolate: the outcomes of test %s do not add up to one", t.ID)
		}
	}
	return panel, nil
}
