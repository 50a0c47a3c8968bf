package measure

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Interval is a range of values; its ends may be infinite.
type Interval struct{ Low, High float64 }

// Risk is what a way of accepting items does over a whole population: Consumer
// is the share of all items that is accepted and bad, Producer the share that
// is refused and good.
type Risk struct{ Consumer, Producer float64 }

// GlobalRisk is the risk of accepting within accept what must lie within
// tolerance, for true values with the given density and a normal
// measuring error with standard uncertainty um above zero (JCGM 106:2012,
// clause 9). over must be finite and hold all but a negligible share.
func GlobalRisk(density func(float64) float64, over, tolerance, accept Interval, um float64) Risk {
	accepted := func(x float64) float64 {
		return density(x) * (phi((accept.High-x)/um) - phi((accept.Low-x)/um))
	}
	refused := func(x float64) float64 {
		return density(x) * (phi((x-accept.High)/um) + phi((accept.Low-x)/um))
	}
	low := math.Min(math.Max(tolerance.Low, over.Low), over.High)
	high := math.Min(math.Max(tolerance.High, low), over.High)
	return Risk{
		Consumer: integral(accepted, over.Low, low) + integral(accepted, high, over.High),
		Producer: integral(refused, low, high),
	}
}

// integral is a fixed Gauss-Legendre sum, ample for smooth densities.
func integral(f func(float64) float64, a, b float64) float64 {
	if a >= b {
		return 0
	}
	return quad.Fixed(f, a, b, 400, nil, 0)
}
