package survival

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// validShare tells whether x of n is a share at all. Shares may be fractional:
// an effective sample size seldom is whole.
func validShare(x, n float64) bool {
	return n > 0 && x >= 0 && x <= n && !math.IsInf(n, 0)
}

// Wilson is the score interval of a share x/n, the one to show. Source: Wilson
// 1927; Newcombe 1998, method 3.
func Wilson(x, n, level float64) Interval {
	if !validShare(x, n) || !validLevel(level) {
		return noInterval(Undefined)
	}
	z := zFor(level)
	p, zz := x/n, z*z
	centre := (p + zz/(2*n)) / (1 + zz/n)
	half := z / (1 + zz/n) * math.Sqrt(p*(1-p)/n+zz/(4*n*n))
	lo, hi := clamp01(centre-half), clamp01(centre+half)
	if x == 0 {
		lo = 0
	}
	if x == n {
		hi = 1
	}
	return interval(min(lo, p), max(hi, p))
}

// ClopperPearson is the exact interval of a share x/n: it never covers less
// than the level, so it is the one to make a claim with.
func ClopperPearson(x, n, level float64) Interval {
	if !validShare(x, n) || !validLevel(level) {
		return noInterval(Undefined)
	}
	tail := (1 - level) / 2
	lo, hi := 0.0, 1.0
	if x > 0 {
		lo = betaQuantile(x, n-x+1, tail)
	}
	if x < n {
		hi = betaQuantile(x+1, n-x, 1-tail)
	}
	return interval(lo, hi)
}

// Jeffreys is the equal-tailed interval of the posterior with the prior
// Beta(1/2, 1/2), with 0 and 1 at the ends when x is 0 or n (Brown, Cai and
// DasGupta 2001).
func Jeffreys(x, n, level float64) Interval {
	if !validShare(x, n) || !validLevel(level) {
		return noInterval(Undefined)
	}
	tail := (1 - level) / 2
	lo, hi := 0.0, 1.0
	if x > 0 {
		lo = betaQuantile(x+0.5, n-x+0.5, tail)
	}
	if x < n {
		hi = betaQuantile(x+0.5, n-x+0.5, 1-tail)
	}
	return interval(lo, hi)
}

// betaQuantile is the p-quantile of Beta(a, b). Far tails lose their digits in
// the library for p near 1, so the upper half is read from the other side.
func betaQuantile(a, b, p float64) float64 {
	if p > 0.5 {
		return 1 - distuv.Beta{Alpha: b, Beta: a}.Quantile(1-p)
	}
	return distuv.Beta{Alpha: a, Beta: b}.Quantile(p)
}

// Difference is how much larger the share x1/n1 is than x2/n2.
type Difference struct {
	Value    Number
	Interval Interval
}

// Newcombe compares two independent shares by squaring and adding the distances
// to their Wilson limits. Source: Newcombe 1998b, method 10.
func Newcombe(x1, n1, x2, n2, level float64) Difference {
	one, two := Wilson(x1, n1, level), Wilson(x2, n2, level)
	if !one.Lo.OK() || !two.Lo.OK() {
		return Difference{none(Undefined), noInterval(Undefined)}
	}
	p1, p2 := x1/n1, x2/n2
	lo := p1 - p2 - math.Hypot(p1-one.Lo.Value, two.Hi.Value-p2)
	hi := p1 - p2 + math.Hypot(one.Hi.Value-p1, p2-two.Lo.Value)
	return Difference{number(p1 - p2), interval(max(-1, lo), min(1, hi))}
}

// binomialAtMost is P(X <= x) of n trials with chance p, from the incomplete
// beta function.
func binomialAtMost(x, n, p float64) float64 {
	switch {
	case x < 0:
		return 0
	case x >= n:
		return 1
	}
	return mathext.RegIncBeta(n-x, x+1, 1-p)
}

// binomialAtLeast is P(X >= x), not one minus anything.
func binomialAtLeast(x, n, p float64) float64 {
	switch {
	case x <= 0:
		return 1
	case x > n:
		return 0
	}
	return mathext.RegIncBeta(x, n-x+1, p)
}

// AtLeast is the chance of x or more of n when each has the chance p: the exact
// one-sided p-value of "worse than p".
func AtLeast(x, n int, p float64) Number {
	if n <= 0 || x < 0 || x > n || !(p >= 0 && p <= 1) {
		return none(Undefined)
	}
	return number(binomialAtLeast(float64(x), float64(n), p))
}
