package survival

import (
	"math"
	"sort"
)

// FunnelLimit is the exact binomial limit at one tail chance: Count is the
// smallest count whose distribution reaches the chance, Share the interpolated
// limit. A lower limit below 0 cannot be crossed.
type FunnelLimit struct {
	Count int
	Share float64
}

// Funnel holds the limits for one group of n around the pooled share. Expect 5 %
// of honest groups outside the 95 % limits: act on those outside 99.8 %.
type Funnel struct {
	Status         Status
	N              int
	Lo95, Hi95     FunnelLimit
	Lo998, Hi998   FunnelLimit
	ExpectedBeyond float64 // share of honest groups outside 95 %
}

// maxFunnel bounds n; beyond it nothing about a shop is counted.
const maxFunnel = 1_000_000_000

// FunnelLimits are the exact limits for n repairs around the pooled share p0.
// Normal limits leave 0..1 below some 20 repairs and are not offered. Source:
// Spiegelhalter 2005, interpolated limits (formula from memory).
func FunnelLimits(p0 float64, n int) Funnel {
	if !(p0 > 0 && p0 < 1) || n <= 0 || n > maxFunnel {
		return Funnel{Status: Undefined, N: n}
	}
	return Funnel{
		Status: OK, N: n, ExpectedBeyond: 0.05,
		Lo95: funnelLimit(p0, n, 0.025), Hi95: funnelLimit(p0, n, 0.975),
		Lo998: funnelLimit(p0, n, 0.001), Hi998: funnelLimit(p0, n, 0.999),
	}
}

// funnelLimit interpolates: (r - alpha)/n with alpha the part of the step at r
// that lies above the chance.
func funnelLimit(p0 float64, n int, chance float64) FunnelLimit {
	size := float64(n)
	r := sort.Search(n, func(k int) bool { return binomialAtMost(float64(k), size, p0) >= chance })
	at, below := binomialAtMost(float64(r), size, p0), binomialAtMost(float64(r-1), size, p0)
	alpha := 0.0
	if at > below {
		alpha = (at - chance) / (at - below)
	}
	return FunnelLimit{r, (float64(r) - alpha) / size}
}

// Stratum is one kind of work (a model and fault, say): how many repairs a tech
// or part had of it, how many came back, and the shop's share for that work.
type Stratum struct {
	Events, Repairs int
	ShopShare       float64
}

// Standardised is observed over expected: 1 is as good as the shop on the same
// mix of work.
type Standardised struct {
	Status   Status
	Observed int
	Expected float64
	Ratio    Number
	Interval Interval
}

// Standardise compares a tech or part with the shop on the same work (indirect
// standardisation): the hard jobs go to the best techs, so raw rates blame them.
// Limits are Garwood's on the observed count, too wide where shares are large.
func Standardise(strata []Stratum, level float64) Standardised {
	s := Standardised{Status: Undefined, Ratio: none(Undefined), Interval: noInterval(Undefined)}
	if !validLevel(level) {
		return s
	}
	for _, x := range strata {
		if x.Events < 0 || x.Repairs < x.Events || x.Repairs > maxFunnel || !(x.ShopShare >= 0 && x.ShopShare <= 1) {
			return s
		}
		s.Observed += x.Events
		s.Expected += float64(x.Repairs) * x.ShopShare
	}
	if s.Expected < 1e-9 {
		return s
	}
	s.Status = OK
	lo, hi := garwood(float64(s.Observed), level)
	s.Ratio = number(float64(s.Observed) / s.Expected)
	s.Interval = interval(lo/s.Expected, hi/s.Expected)
	return s
}

// GChart are the limits of a chart of good repairs between repeats when each
// repair comes back with chance P. It is a picture only: its lower limits are 0
// for any P above 0.00135, so it cannot show that things get worse. Watch with a
// Bernoulli CUSUM.
type GChart struct {
	Status             Status
	Mean, SD           float64
	ThreeSigmaLo       float64
	ThreeSigmaHi       float64
	ProbabilityLo      int
	ProbabilityHi      int
	CannotShowWorsened bool
}

// GChartLimits are the limits for the chance p; the probability limits have
// 0.00135 beyond each.
func GChartLimits(p float64) GChart {
	if !(p >= 1e-9 && p <= 1) {
		return GChart{Status: Undefined}
	}
	mean := (1 - p) / p
	sd := math.Sqrt(1-p) / p
	g := GChart{Status: OK, Mean: mean, SD: sd, ThreeSigmaLo: max(0, mean-3*sd), ThreeSigmaHi: mean + 3*sd,
		ProbabilityLo: geometricQuantile(p, 0.00135), ProbabilityHi: geometricQuantile(p, 0.99865)}
	g.CannotShowWorsened = g.ProbabilityLo == 0
	return g
}

// geometricQuantile is the smallest k with P(at most k good before a bad) >= q.
func geometricQuantile(p, q float64) int {
	if p >= 1 {
		return 0
	}
	return max(0, int(math.Ceil(math.Log1p(-q)/math.Log1p(-p)-1-1e-12)))
}

// AtMostGood is P(at most k good repairs before the next repeat).
func AtMostGood(k int, p float64) Number {
	if k < 0 || !(p > 0 && p <= 1) {
		return none(Undefined)
	}
	return number(-math.Expm1(float64(k+1) * math.Log1p(-p)))
}
