package survival

import "math"

// Observation is one entry of a CUSUM: events in an exposure (1 for a plain
// sequence; for a Bernoulli CUSUM one repair with Events 0 or 1). Whether a
// repair came back within N days is known only N days later: feed the chart by
// maturity.
type Observation struct{ Events, Exposure float64 }

// ChartPoint is the chart after one observation.
type ChartPoint struct {
	C     float64
	Alarm bool // C >= h
}

// Cusum watches for worsening: C = max(0, C + events - k exposure), alarm when
// C >= H (Lucas; other software alarms on C > h).
type Cusum struct {
	K, H  float64
	Start float64 // head start, often H/2; 0 is none
	Reset bool    // start over after an alarm; else C goes on
}

// Run draws the chart. It is nil when a figure makes no sense.
func (c Cusum) Run(xs []Observation) []ChartPoint {
	if !(c.K > 0 && c.H > 0 && c.Start >= 0 && c.Start < c.H) || math.IsInf(c.K+c.H, 0) {
		return nil
	}
	points := make([]ChartPoint, 0, len(xs))
	at := c.Start
	for _, x := range xs {
		if !(x.Events >= 0 && x.Exposure >= 0) || math.IsInf(x.Events+x.Exposure*c.K, 0) {
			return nil
		}
		at = max(0, at+x.Events-c.K*x.Exposure)
		// The sums of decimal fractions miss H by rounding.
		alarm := at >= c.H*(1-1e-12)
		points = append(points, ChartPoint{at, alarm})
		if alarm && c.Reset {
			at = c.Start
		}
	}
	return points
}

// PoissonK is the reference value between a good rate and a bad one, per unit of
// exposure: (bad - good)/ln(bad/good).
func PoissonK(good, bad float64) Number {
	if !(good > 0 && bad > good) {
		return none(Undefined)
	}
	return number((bad - good) / math.Log(bad/good))
}

// BernoulliK is the reference value between a good share of repeats and a bad
// one: the exact one, and the nearest 1/m with which the chart moves on a grid.
type BernoulliK struct {
	Exact float64
	M     int // K = 1/M
}

// K is the reference value used.
func (b BernoulliK) K() float64 { return 1 / float64(b.M) }

// BernoulliReference is k = ln((1-p0)/(1-p1)) / ln(p1 (1-p0)/(p0 (1-p1))).
func BernoulliReference(p0, p1 float64) (BernoulliK, bool) {
	if !(p0 > 0 && p1 > p0 && p1 < 1) {
		return BernoulliK{}, false
	}
	k := math.Log((1-p0)/(1-p1)) / math.Log(p1*(1-p0)/(p0*(1-p1)))
	m := math.Round(1 / k)
	if !(k > 0 && m >= 1 && m <= maxStates) {
		return BernoulliK{}, false
	}
	return BernoulliK{Exact: k, M: int(m)}, true
}

// Choice is a chart that raises false alarms as seldom as wanted.
type Choice struct {
	Status Status
	K, H   float64
	M      int    // both are multiples of 1/M
	ARL0   Number // observations to a false alarm
	ARL1   Number // observations to an alarm when things are bad
}

// Alarms is how many false alarms one can live with: over all charts, in the
// time in which each chart gets so many observations. 50 charts of run length 700
// ring falsely once in 14 observations of each.
type Alarms struct {
	Charts       int
	Observations float64 // of each chart
	FalseAlarms  float64 // in all
}

// target is the run length each chart needs.
func (a Alarms) target() (float64, bool) {
	t := float64(a.Charts) * a.Observations / a.FalseAlarms
	return t, a.Charts > 0 && t >= 1 && t < 1e12
}

func noChoice(why Status) Choice {
	return Choice{Status: why, ARL0: none(why), ARL1: none(why)}
}

// ChooseBernoulli finds the smallest h for watching a share of repeats that is
// p0 when good and p1 when bad.
func ChooseBernoulli(p0, p1 float64, a Alarms) Choice {
	ref, ok := BernoulliReference(p0, p1)
	if !ok {
		return noChoice(Undefined)
	}
	return choose(a, ref.K(), ref.M, func(h int, bad bool) Number {
		p := p0
		if bad {
			p = p1
		}
		return bernoulliARL(ref.M, h, 0, p)
	})
}

// ChoosePoisson finds the smallest h for watching a count per period that is
// good or bad on the average; k and h are multiples of 1/m (4, say).
func ChoosePoisson(good, bad float64, m int, a Alarms) Choice {
	exact := PoissonK(good, bad)
	if !exact.OK() || m < 1 || !(exact.Value*float64(m) < maxStates) {
		return noChoice(Undefined)
	}
	k := max(1, int(math.Round(exact.Value*float64(m))))
	return choose(a, float64(k)/float64(m), m, func(h int, isBad bool) Number {
		mean := good
		if isBad {
			mean = bad
		}
		return poissonARL(k, h, m, 0, mean)
	})
}

// choose doubles h, in steps of 1/m, until the run length is long enough, then
// halves the interval. Run lengths grow with h.
func choose(a Alarms, k float64, m int, arl func(h int, bad bool) Number) Choice {
	c := noChoice(Undefined)
	c.K, c.M = k, m
	want, ok := a.target()
	if !ok {
		return c
	}
	enough := func(h int) bool { n := arl(h, false); return n.OK() && n.Value >= want }
	hi := 1
	for !enough(hi) {
		if hi *= 2; hi > maxStates {
			return noChoice(NotReached)
		}
	}
	lo := hi / 2
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	c.Status, c.H = OK, float64(hi)/float64(m)
	c.ARL0, c.ARL1 = arl(hi, false), arl(hi, true)
	return c
}
