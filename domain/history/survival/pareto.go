package survival

import (
	"cmp"
	"slices"
)

// ParetoItem is one line of a Pareto table. The order is by count: that is
// volume, not badness. Rate is per unit of the exposure handed in (name it) and
// BayesRate the same drawn towards the rate of all: a single failure in a short
// exposure is no reason to act.
type ParetoItem struct {
	Name            string
	Count           int
	Exposure        float64
	Share, CumShare Number // of all counts; undefined when there are none
	Rate            Rate
	BayesRate       Number
	BayesInterval   Interval
}

// Pareto sorts causes by count.
type Pareto struct {
	Status Status
	Total  int
	Prior  PriorFit
	Items  []ParetoItem
}

// Cause is a name, how often it struck and the exposure it could strike in.
type Cause struct {
	Name     string
	Count    int
	Exposure float64 // 0: not known, there is no rate
}

// ParetoOf sorts causes by count, ties by name. Causes without exposure have no
// rate and do not enter the prior of the others.
func ParetoOf(causes []Cause, level float64) Pareto {
	p := Pareto{Status: Undefined, Prior: noRanking().Prior}
	if len(causes) == 0 || !validLevel(level) {
		return p
	}
	var exposed []Group
	for _, c := range causes {
		if c.Count < 0 || c.Count > 1e12 || !(c.Exposure >= 0 && c.Exposure < 1e15) || (c.Exposure > 0 && c.Exposure < 1e-9) {
			return p
		}
		p.Total += c.Count
		if c.Exposure > 0 {
			exposed = append(exposed, Group{c.Name, float64(c.Count), c.Exposure})
		}
	}
	p.Status = OK
	p.Prior = RankRates(exposed, level).Prior
	for _, c := range causes {
		p.Items = append(p.Items, p.item(c, level))
	}
	slices.SortStableFunc(p.Items, func(a, b ParetoItem) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Exposure, b.Exposure))
	})
	p.shares()
	return p
}

func (p *Pareto) item(c Cause, level float64) ParetoItem {
	item := ParetoItem{Name: c.Name, Count: c.Count, Exposure: c.Exposure, Rate: PoissonRate(c.Count, c.Exposure, level),
		BayesRate: none(Undefined), BayesInterval: noInterval(Undefined)}
	if c.Exposure > 0 {
		g := gammaPosterior(p.Prior, Group{c.Name, float64(c.Count), c.Exposure}, level)
		item.BayesRate, item.BayesInterval = number(g.Mean), g.Interval
	}
	return item
}

func (p *Pareto) shares() {
	sum := 0
	for i := range p.Items {
		item := &p.Items[i]
		item.Share, item.CumShare = none(Undefined), none(Undefined)
		if p.Total > 0 {
			sum += item.Count
			item.Share = number(float64(item.Count) / float64(p.Total))
			item.CumShare = number(float64(sum) / float64(p.Total))
		}
	}
}
