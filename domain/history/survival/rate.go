package survival

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Rate is events per unit of exposure, in the unit the exposure came in (a
// unit-day, a repair, a visit: name it where it is shown).
type Rate struct {
	Value    Number
	Interval Interval
}

// maxCount bounds the counts of rates: what is larger is a mistake of the caller.
const maxCount = 1_000_000

// PoissonRate is x events over an exposure with Garwood's exact limits (Garwood
// 1936). No exposure, no rate.
func PoissonRate(x int, exposure, level float64) Rate {
	if x < 0 || x > maxCount || !(exposure > 0) || math.IsInf(exposure, 0) || !validLevel(level) {
		return Rate{none(Undefined), noInterval(Undefined)}
	}
	lo, hi := garwood(float64(x), level)
	return Rate{number(float64(x) / exposure), interval(lo/exposure, hi/exposure)}
}

// garwood are the exact limits of a Poisson mean after seeing x.
func garwood(x, level float64) (lo, hi float64) {
	tail := (1 - level) / 2
	if x > 0 {
		lo = distuv.ChiSquared{K: 2 * x}.Quantile(tail) / 2
	}
	return lo, distuv.ChiSquared{K: 2*x + 2}.Quantile(1-tail) / 2
}

// RateRatio is how many times rate one is rate two.
type RateRatio struct {
	Value    Number
	Interval Interval
	P        Number // exact, two-sided, that both rates are the same
}

// ComparePoisson compares two rates exactly, given their total: x1 of x1 + x2 is
// binomial with T1/(T1 + T2) when the rates are the same (as R's poisson.test).
// The upper limit is missing when x2 is 0.
func ComparePoisson(x1 int, t1 float64, x2 int, t2, level float64) RateRatio {
	bad := RateRatio{none(Undefined), noInterval(Undefined), none(Undefined)}
	if x1 < 0 || x2 < 0 || x1 > maxCount || x2 > maxCount || x1+x2 == 0 || !(t1 > 0 && t2 > 0) || math.IsInf(t1+t2, 0) || !validLevel(level) {
		return bad
	}
	share := ClopperPearson(float64(x1), float64(x1+x2), level)
	odds := func(p float64) Number { return number(p / (1 - p) * t2 / t1) }
	return RateRatio{
		Value:    number(float64(x1) / t1 / (float64(x2) / t2)),
		Interval: Interval{odds(share.Lo.Value), odds(share.Hi.Value)},
		P:        number(binomialTest(x1, x1+x2, t1/(t1+t2))),
	}
}

// binomialTest adds the chances of all outcomes no likelier than the one seen.
func binomialTest(x, n int, p float64) float64 {
	mass := distuv.Binomial{N: float64(n), P: p}
	seen := mass.LogProb(float64(x)) + 1e-7
	sum := 0.0
	for k := range n + 1 {
		if lp := mass.LogProb(float64(k)); lp <= seen {
			sum += math.Exp(lp)
		}
	}
	return min(1, sum)
}
