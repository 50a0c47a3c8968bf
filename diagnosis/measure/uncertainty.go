package measure

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Accuracy is the limit of error of an instrument as makers print it:
// ±(Percent of reading + Counts of the last digit). Resolution is the value of
// one count in SI.
type Accuracy struct {
	Percent    float64
	Counts     float64
	Resolution float64
}

// Limit is the half width a of the limit of error at the reading, SI.
func (a Accuracy) Limit(reading float64) float64 {
	return a.Percent/100*math.Abs(reading) + a.Counts*a.Resolution
}

// Standard is the standard uncertainty at the reading: the limit of error read
// as the half width of a rectangular distribution, a/√3 (JCGM 100:2008, 4.3.7).
// For a temperature use StandardOf: a percentage is of the number shown, not
// of the kelvin behind it.
func (a Accuracy) Standard(reading float64) float64 {
	return Rectangular(a.Limit(reading))
}

// StandardOf is Standard for a reading of q in SI. The percentage of a
// temperature is taken of the figure the display shows, in Celsius or
// Fahrenheit, whichever is the worse: 1 % at 340 K is not 3.4 K.
func (a Accuracy) StandardOf(si float64, q Quantity) float64 {
	if q == Temperature {
		cel := math.Abs(si - zeroCel)
		fahr := math.Abs(si - zeroF*degreeF)
		return a.Standard(math.Max(cel, fahr))
	}
	return a.Standard(si)
}

// Rectangular is the standard uncertainty of a value known to lie within ±a,
// a/√3 (JCGM 100:2008, 4.3.7).
func Rectangular(a float64) float64 { return math.Abs(a) / math.Sqrt(3) }

// Resolution is the standard uncertainty left by a display with steps of d,
// d/√12 (JCGM 100:2008, F.2.2.1).
func Resolution(d float64) float64 { return math.Abs(d) / math.Sqrt(12) }

// Combine is the root sum of squares of uncorrelated standard uncertainties
// (JCGM 100:2008, 5.1.2). It does not overflow for large components.
func Combine(u ...float64) float64 {
	var sum float64
	for _, x := range u {
		sum = math.Hypot(sum, x)
	}
	return sum
}

// EffectiveDOF is the Welch-Satterthwaite effective number of degrees of
// freedom of the combination of u with degrees of freedom nu (JCGM 100:2008,
// G.4.1), not truncated. Missing, infinite or non-positive entries of nu count
// as infinite (a type B estimate). It is +Inf when nothing limits it.
func EffectiveDOF(u, nu []float64) float64 {
	uc := Combine(u...)
	if uc == 0 {
		return math.Inf(1)
	}
	var sum float64
	for i, x := range u {
		if i < len(nu) && nu[i] > 0 {
			sum += math.Pow(x/uc, 4) / nu[i]
		}
	}
	return 1 / sum
}

// T95 is the two-sided 95 % quantile of Student's t (JCGM 100:2008, Table G.2).
// nu is truncated to a whole number first; +Inf gives 1.960, below one +Inf.
func T95(nu float64) float64 { return T(0.95, nu) }

// T is the two-sided quantile of Student's t that covers p. nu is truncated to
// a whole number first (JCGM 100:2008, G.4.1). Below one degree of freedom
// nothing can be said and it is +Inf.
func T(p, nu float64) float64 {
	switch n := math.Floor(nu); {
	case math.IsNaN(n) || n < 1 || !(p > 0 && p < 1):
		return math.Inf(1)
	case n > 1e6:
		return Quantile((1 + p) / 2)
	default:
		return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n}.Quantile((1 + p) / 2)
	}
}

// Quantile is the standard normal quantile of p.
func Quantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// phi is the standard normal distribution function.
func phi(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
