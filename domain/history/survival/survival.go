// Package survival holds the statistics of repeat failures: how often a repair
// comes back, how often a unit fails, whether it gets worse, who or what stands
// out. Pure numerics: no SQL, HTTP, clock or logger; the same rows give the
// same figures, in whatever order they come.
//
// Time since a repair is counted in whole days, so that ties are what they look
// like. Every figure that may not exist is a Number with a Status: it is never
// NaN, infinite, or a value made up in place of one.
package survival

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Status says whether a figure may be shown.
type Status string

// The statuses. The empty Status is none of them.
const (
	OK         Status = "ok"          // the figure stands
	TooFew     Status = "too_few"     // too few events or units for the method
	NotReached Status = "not_reached" // follow-up does not reach so far
	Undefined  Status = "undefined"   // it does not exist, or the input makes no sense
)

// Number is a figure or the reason why there is none; Value is 0 unless the
// Status is OK, and always finite.
type Number struct {
	Value  float64
	Status Status
}

// OK tells whether the figure stands.
func (n Number) OK() bool { return n.Status == OK }

// Interval is a two-sided confidence interval; either end may be missing.
type Interval struct{ Lo, Hi Number }

// number wraps x; what is not finite is undefined.
func number(x float64) Number {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return Number{Status: Undefined}
	}
	return Number{Value: x, Status: OK}
}

// none is a figure that does not exist, for the given reason.
func none(why Status) Number { return Number{Status: why} }

// interval wraps both ends.
func interval(lo, hi float64) Interval { return Interval{Lo: number(lo), Hi: number(hi)} }

// noInterval is an interval that does not exist, for the given reason.
func noInterval(why Status) Interval { return Interval{Lo: none(why), Hi: none(why)} }

// validLevel tells whether level can be a confidence level. Levels so near 1
// that the quantile functions lose their digits are refused.
func validLevel(level float64) bool { return level > 0 && level <= 1-2e-6 }

// zFor is the standard normal quantile of a two-sided level.
func zFor(level float64) float64 { return distuv.UnitNormal.Quantile((1 + level) / 2) }

// twoSided is the chance of a standard normal as far from 0 as z. Written with
// Erfc: one minus the distribution loses all digits beyond 8.
func twoSided(z float64) float64 { return math.Erfc(math.Abs(z) / math.Sqrt2) }

// clamp01 keeps rounding from leaving the unit interval.
func clamp01(x float64) float64 { return min(1, max(0, x)) }
