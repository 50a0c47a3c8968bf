package measure

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// deep is how many e-folds below its peak an integrand is left out: 1e-17 of
// it, and as much again for the tail beyond.
const deep = 45.0

// lost is how many uncertainties away a normal density is below what float64
// can hold.
const lost = 40.0

// point is the uncertainty, relative to what is read, below which a reading is
// as good as exact: no meter is so fine, and the rounding of the readings would
// take the place of their error.
const point = 1e-7

// nodes and weights of a ten-point Gauss-Legendre rule on [-1, 1].
var nodes, weights = gauss(10)

func gauss(n int) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, -1, 1)
	return x, w
}

// logUniformDensity is the density at x of a value that is log-uniform in an
// interval above zero, read with a normal error u:
//
//	∫ φ((x−t)/u)/u · 1/(t·ln(b/a)) dt   from a to b
//
// The integral has no closed form. The integrand is summed only where it is not
// negligible, in panels over which neither factor changes by much, so that the
// rule is exact to about 1e-13 of the result also far outside the interval.
func logUniformDensity(x, u float64, in Interval) float64 {
	a, b := in.Low, in.High
	span := math.Log(b) - math.Log(a)
	near := math.Min(math.Max(x, a), b) // of all values, the one that explains x best
	if u <= point*near {
		if x < a || x > b {
			return 0
		}
		return 1 / (x * span)
	}
	d := math.Abs(x - near)
	if d > lost*u {
		return 0
	}
	reach := u * math.Sqrt(d/u*(d/u)+2*(deep+span)) // 1/t can make up for at most a factor b/a
	if math.IsInf(reach, 0) {
		return 0
	}
	from, to := math.Max(a, x-reach), math.Min(b, x+reach)
	sum := 0.0
	for t := from; t < to; {
		end := math.Min(to, t+panel(t, x, u))
		sum += legendre(t, end, func(v float64) float64 { return normalDensity(x-v, u) / v })
		t = end
	}
	return sum / span
}

// panel is how far from t neither 1/t nor the normal density changes beyond
// what the rule follows: an octave of the one, a few e-folds of the other.
func panel(t, x, u float64) float64 {
	z := math.Abs(x-t) / u
	return math.Min(t, 2*u/math.Max(1, z/2))
}

// legendre integrates f from a to b.
func legendre(a, b float64, f func(float64) float64) float64 {
	half, mid := (b-a)/2, a+(b-a)/2
	sum := 0.0
	for i, x := range nodes {
		sum += weights[i] * f(mid+half*x)
	}
	return sum * half
}
