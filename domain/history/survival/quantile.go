package survival

import "math"

// sameHeight is how near two heights of a curve count as one (as R does).
const sameHeight = 1.4901161193847656e-08

// Quantile is the time by which a share of the repairs has come back, in days.
type Quantile struct {
	Time     Number
	Interval Interval
}

// Median is the day by which half has come back.
func (c *Curve) Median() Quantile { return c.Quantile(0.5) }

// Quantile is the first day on which the share p (0 < p < 1) has come back; if
// the curve runs flat exactly at 1 - p, the middle of the flat stretch (R's
// convention: four events on days 1 to 4 have the median 2.5, not 2). Limits are
// where the band of the curve crosses 1 - p, so the upper one is often missing.
// What the curve does not reach is not_reached.
func (c *Curve) Quantile(p float64) Quantile {
	if c.Status != OK || !(p > 0 && p < 1) {
		return Quantile{none(Undefined), noInterval(Undefined)}
	}
	survival := func(s *Step) Number { return number(s.S) }
	lower := func(s *Step) Number { return s.Interval.Lo }
	upper := func(s *Step) Number { return s.Interval.Hi }
	return Quantile{
		Time:     c.crossing(survival, 1-p),
		Interval: Interval{Lo: c.crossing(lower, 1-p), Hi: c.crossing(upper, 1-p)},
	}
}

// crossing is where the height of the steps first comes down to the level.
func (c *Curve) crossing(height func(*Step) Number, level float64) Number {
	first, flat := -1, false
	for i := range c.Steps {
		h := height(&c.Steps[i])
		if !h.OK() || h.Value > level+sameHeight {
			continue
		}
		if first < 0 {
			first, flat = i, math.Abs(h.Value-level) < sameHeight
		}
		if flat && h.Value < level-sameHeight {
			return number(float64(c.Steps[first].Day+c.Steps[i].Day) / 2)
		}
		if !flat {
			break
		}
	}
	switch {
	case first < 0:
		return none(NotReached)
	case flat:
		return number(float64(c.Steps[first].Day+c.Steps[len(c.Steps)-1].Day) / 2)
	}
	return number(float64(c.Steps[first].Day))
}
