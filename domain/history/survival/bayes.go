package survival

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// Group is who or what is ranked: events over an exposure (rates) or out of so
// many repairs (shares). Count only repairs followed to the horizon, or the
// events and effective number of a RepeatRate; a young repair is not a good one.
type Group struct {
	Name   string
	Events float64
	Size   float64 // exposure, or repairs
}

// Ranked is what is known of one group's true rate.
type Ranked struct {
	Name         string
	Events, Size float64
	Raw          Number // Events/Size: on small groups mostly luck
	Mean         float64
	Shrink       float64  // weight of the prior in Mean
	Interval     Interval // ignores that the prior is estimated: a little narrow
	// PWorse is the chance that the true rate is above the shop's pooled rate;
	// groups are ranked by it. Undefined when all groups share the pooled rate.
	PWorse Number
}

// Ranking is all groups, the likeliest to be worse than the shop first.
type Ranking struct {
	Status Status
	Prior  PriorFit
	Groups []Ranked
}

// RankRates ranks groups by rate per exposure with a gamma prior fitted to them
// all (marginal maximum likelihood). A group without exposure is undefined: leave
// it out. Ties are in order of name.
func RankRates(groups []Group, level float64) Ranking {
	return rank(gammaPoisson{}, groups, level, gammaPosterior)
}

// RankShares ranks groups by the share of repairs, with a beta prior.
func RankShares(groups []Group, level float64) Ranking {
	for _, g := range groups {
		if !(g.Events <= g.Size) {
			return noRanking()
		}
	}
	return rank(betaBinomial{}, groups, level, betaPosterior)
}

func noRanking() Ranking {
	return Ranking{Status: Undefined, Prior: PriorFit{LogLik: none(Undefined)}}
}

type posterior func(p PriorFit, g Group, level float64) Ranked

func rank(f family, groups []Group, level float64, post posterior) Ranking {
	if len(groups) == 0 || !validLevel(level) {
		return noRanking()
	}
	var counts []groupCount
	for _, g := range groups {
		if !(g.Events >= 0 && g.Size > 0 && g.Events < 1e12 && g.Size < 1e15 && g.Size > 1e-9) {
			return noRanking()
		}
		counts = append(counts, groupCount{g.Events, g.Size})
	}
	// In one order whatever the order given, so that sums are the same.
	slices.SortFunc(counts, func(a, b groupCount) int { return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.size, b.size)) })
	r := Ranking{Status: OK, Prior: fitPrior(f, counts)}
	if r.Prior.Rate >= 1 && f == (betaBinomial{}) {
		r.Prior.Kind, r.Prior.A, r.Prior.B = Pooled, 0, 0
	}
	for _, g := range groups {
		one := post(r.Prior, g, level)
		one.Name, one.Events, one.Size, one.Raw = g.Name, g.Events, g.Size, number(g.Events/g.Size)
		r.Groups = append(r.Groups, one)
	}
	slices.SortStableFunc(r.Groups, func(a, b Ranked) int {
		return cmp.Or(cmp.Compare(b.PWorse.Value, a.PWorse.Value), cmp.Compare(b.Mean, a.Mean), cmp.Compare(a.Name, b.Name))
	})
	return r
}

// pooledPosterior is that of a group that shares the pooled rate.
func pooledPosterior(p PriorFit) Ranked {
	return Ranked{Mean: p.Rate, Shrink: 1, Interval: noInterval(Undefined), PWorse: none(Undefined)}
}

func gammaPosterior(p PriorFit, g Group, level float64) Ranked {
	if p.A == 0 {
		return pooledPosterior(p)
	}
	a, b := p.A+g.Events, p.B+g.Size
	return Ranked{
		Mean: a / b, Shrink: p.B / b,
		Interval: interval(gammaQuantile(a, b, (1-level)/2), gammaQuantile(a, b, (1+level)/2)),
		PWorse:   number(mathext.GammaIncRegComp(a, b*p.Rate)),
	}
}

func betaPosterior(p PriorFit, g Group, level float64) Ranked {
	if p.A == 0 {
		return pooledPosterior(p)
	}
	a, b := p.A+g.Events, p.B+g.Size-g.Events
	return Ranked{
		Mean: a / (a + b), Shrink: (p.A + p.B) / (a + b),
		Interval: interval(betaQuantile(a, b, (1-level)/2), betaQuantile(a, b, (1+level)/2)),
		PWorse:   number(mathext.RegIncBeta(b, a, 1-p.Rate)),
	}
}

// Adjusted is a p-value and its Benjamini-Hochberg q: the share of false alarms
// among all groups with a q this small.
type Adjusted struct{ P, Q float64 }

// BenjaminiHochberg adjusts p-values for their number, in the order given.
// Values outside 0..1 count as 1.
func BenjaminiHochberg(ps []float64) []Adjusted {
	order := make([]int, len(ps))
	out := make([]Adjusted, len(ps))
	for i, p := range ps {
		if !(p >= 0 && p <= 1) {
			p = 1
		}
		order[i], out[i].P = i, p
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(out[a].P, out[b].P) })
	least := 1.0
	for k := len(order) - 1; k >= 0; k-- {
		i := order[k]
		least = math.Min(least, out[i].P*float64(len(ps))/float64(k+1))
		out[i].Q = least
	}
	return out
}
