package isolate

import (
	"fmt"
	"math"
	"slices"
)

// Repair is one thing that can be done about faults: it removes each of Faults
// (by index into Model.Faults) and no other. Cost is what doing it costs, above
// 0, in any unit as long as all costs share it. Panel names what has to be
// opened first; empty for nothing.
type Repair struct {
	ID     string
	Cost   float64
	Panel  string
	Faults []int
}

// Panel is something that is opened once for all that lies behind it, at a
// Cost from 0; nothing more is paid when it is Open.
type Panel struct {
	ID   string
	Cost float64
	Open bool
}

// MaxOrdered is the greatest number of repairs whose best order is searched
// among all orders; the work doubles with each. MaxRepairs is the greatest
// number a Planner takes.
const (
	MaxOrdered = 12
	MaxRepairs = 64
)

// Planner puts repairs in order and says whether a test pays before them. It
// is not changed by planning and may be shared.
type Planner struct {
	repairs []Repair
	panels  []Panel
	panelOf []int // of each repair, -1 for none
}

// NewPlanner checks repairs and panels. The error names what is wrong: a cost
// that is not finite or not in its range, a panel nobody declared, a fault
// that two repairs remove (replace the part once, list all its modes).
func NewPlanner(repairs []Repair, panels []Panel) (*Planner, error) {
	if len(repairs) > MaxRepairs {
		return nil, fmt.Errorf("isolate: %d repairs are more than %d; plan the likeliest", len(repairs), MaxRepairs)
	}
	p := &Planner{repairs: slices.Clone(repairs), panels: slices.Clone(panels)}
	for i, x := range panels {
		if !costs(x.Cost) || x.ID == "" || p.panel(x.ID) != i {
			return nil, fmt.Errorf("isolate: panel %q needs a name of its own and a cost from 0", x.ID)
		}
	}
	removed := map[int]bool{}
	for _, r := range repairs {
		at := p.panel(r.Panel)
		if at < 0 && r.Panel != "" {
			return nil, fmt.Errorf("isolate: repair %s is behind panel %q, which is not listed", r.ID, r.Panel)
		}
		if !costs(r.Cost) || r.Cost == 0 {
			return nil, fmt.Errorf("isolate: cost of repair %s is not above 0", r.ID)
		}
		for _, f := range r.Faults {
			if removed[f] {
				return nil, fmt.Errorf("isolate: repair %s removes a fault that is removed already", r.ID)
			}
			removed[f] = true
		}
		p.panelOf = append(p.panelOf, at)
	}
	return p, nil
}

// Repairs lists what the planner was made of; an order is of indices into it.
func (p *Planner) Repairs() []Repair { return slices.Clone(p.repairs) }

// Only is a planner of some of the repairs, in the order given, with the same
// panels. An index that is not one, or is there twice, is left out.
func (p *Planner) Only(which []int) *Planner {
	out := &Planner{panels: p.panels}
	var taken uint64
	for _, i := range which {
		if i < 0 || i >= len(p.repairs) || taken>>i&1 == 1 {
			continue
		}
		taken |= 1 << i
		out.repairs = append(out.repairs, p.repairs[i])
		out.panelOf = append(out.panelOf, p.panelOf[i])
	}
	return out
}

func (p *Planner) panel(id string) int {
	return slices.IndexFunc(p.panels, func(x Panel) bool { return x.ID == id })
}

// opened is the set of panels that are open from the start, by bit; panels
// beyond the 64th are not counted on.
func (p *Planner) opened() []bool {
	out := make([]bool, len(p.panels))
	for i, x := range p.panels {
		out[i] = x.Open
	}
	return out
}

// costs says whether x can be a cost: finite, from 0, and small enough that
// sums stay finite.
func costs(x float64) bool { return x >= 0 && x <= maxCost }

const maxCost = 1e100

// Plan is an order of repairs: indices into Planner.Repairs, the first first,
// as far as anything can be left to repair. Cost is its expected cost, openings
// included; the machine is tried after each repair and work stops when it is
// well. Best says that no other order costs less.
type Plan struct {
	Order []int
	Cost  float64
	Best  bool
}

// ExpectedCost is the expected cost of doing the repairs in the order given:
//
//	Σ cost_k · P(still broken | those before k are done)
//
// with the opening of a panel added to the first repair behind it. broken gives
// that probability for the repairs done so far; its error ends the sum. The
// order must name repairs of the planner, each once at most.
func (p *Planner) ExpectedCost(order []int, broken func(done []int) (float64, error)) (float64, error) {
	open := p.opened()
	sum := 0.0
	var seen uint64
	for k, i := range order {
		if i < 0 || i >= len(p.repairs) || seen>>i&1 == 1 {
			return 0, fmt.Errorf("isolate: the order names repair %d, which is unknown or there twice", i)
		}
		seen |= 1 << i
		left, err := broken(order[:k:k])
		if err != nil {
			return 0, err
		}
		if math.IsNaN(left) || left < 0 || left > 1+1e-9 {
			return 0, fmt.Errorf("isolate: the chance of being still broken is %v, not from 0 to 1", left)
		}
		cost := p.repairs[i].Cost
		if at := p.panelOf[i]; at >= 0 && !open[at] {
			open[at] = true
			cost += p.panels[at].Cost
		}
		sum += cost * left
	}
	return sum, nil
}
