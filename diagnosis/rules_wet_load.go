package diagnosis

import (
	"math"

	"drumline/diagnosis/measure"
)

// judgeWetLoad holds the water a washer has left in a load against its limit:
// the share of the dry weight, (wet - dry) / dry. Both are weighed on one
// scale, whose error is kept in full for each.
func judgeWetLoad(j *job) (result, error) {
	wet, ok := j.number("wet_weight")
	if !ok {
		return result{}, required(j, "wet_weight")
	}
	dry, ok := j.number("dry_weight")
	if !ok {
		return result{}, required(j, "dry_weight")
	}
	if !(dry.si > 0) || wet.si < dry.si {
		return result{}, refuse("values.wet_weight", "range", "The wet load weighs less than the dry one: weigh both again, dry first.")
	}
	l := j.limitHere()
	share := number{si: wet.si/dry.si - 1, u: math.Hypot(wet.u, dry.u*wet.si/dry.si) / dry.si, unit: "%", quantity: measure.Ratio}
	if !finite(share.si) || !finite(share.u) {
		return result{}, refuse("values.dry_weight", "range", "The dry load weighs next to nothing: weigh a full load of towels.")
	}
	return j.held(share, l, j.bounds(l)), nil
}
