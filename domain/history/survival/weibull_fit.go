package survival

import "math"

// likelihood is the Weibull log-likelihood of a set of lives, with times divided
// by the longest follow-up and equal times added up: whole days leave a few
// hundred different ones of a million rows, while a million ages that are all
// different take some seconds a limit. A life counts +1 at its exit and,
// when it was entered late, -1 at its entry.
//
// Log-likelihoods here are of ln t; subtract failureLogs for those of t.
type likelihood struct {
	lnLongest   float64
	logs        []float64 // ln(t/longest), different
	counts      []float64
	failures    float64
	failureSum  float64 // of ln(t/longest) over failures
	failureLogs float64 // of ln t over failures
	truncated   bool
}

// wholeTimes is the largest whole time that is tallied in place.
const wholeTimes = 1 << 16

func newLikelihood(lives []Life, longest float64) *likelihood {
	k := &likelihood{lnLongest: math.Log(longest)}
	tally := make([]float64, wholeTimes)
	failed := make([]float64, wholeTimes)
	for i := range lives {
		l := &lives[i]
		if l.Entry > 0 {
			k.truncated = true
			k.put(tally, l.Entry, -1)
		}
		k.put(tally, l.Exit, 1)
		if !l.Failed {
			continue
		}
		k.failures++
		if t := int(l.Exit); l.Exit < wholeTimes && float64(t) == l.Exit {
			failed[t]++
			continue
		}
		k.fail(l.Exit, 1)
	}
	for t := 1; t < wholeTimes; t++ {
		if failed[t] > 0 {
			k.fail(float64(t), failed[t])
		}
		if tally[t] != 0 {
			k.keep(float64(t), tally[t])
		}
	}
	return k
}

// put tallies whole times and keeps others as they are.
func (k *likelihood) put(tally []float64, t, count float64) {
	if whole := int(t); t < wholeTimes && float64(whole) == t {
		tally[whole] += count
		return
	}
	k.keep(t, count)
}

func (k *likelihood) keep(t, count float64) {
	k.logs = append(k.logs, math.Log(t)-k.lnLongest)
	k.counts = append(k.counts, count)
}

func (k *likelihood) fail(t, count float64) {
	k.failureSum += count * (math.Log(t) - k.lnLongest)
	k.failureLogs += count * math.Log(t)
}

// power holds the sums of t^b, t^b ln t, t^b ln² t (scaled times).
type power struct{ zero, one, two float64 }

func (k *likelihood) power(b float64) power {
	var p power
	for i, x := range k.logs {
		e := k.counts[i] * math.Exp(b*x)
		p.zero += e
		p.one += e * x
		p.two += e * x * x
	}
	return p
}

// point is the best fit for one shape.
type point struct{ location, loglik float64 }

// at maximises over the scale: scale^b = sum t^b / failures.
func (k *likelihood) at(b float64) point {
	p := k.power(b)
	lnScale := math.Log(p.zero/k.failures) / b // of scaled times
	loglik := k.failures*(math.Log(b)-b*lnScale-1) + b*k.failureSum
	return point{location: lnScale + k.lnLongest, loglik: loglik}
}

// score is the slope of the profile log-likelihood in the shape, divided by the
// failures; slope is its derivative.
func (k *likelihood) score(b float64) (value, slope float64) {
	p := k.power(b)
	mean := p.one / p.zero
	return 1/b + k.failureSum/k.failures - mean, -1/(b*b) - (p.two/p.zero - mean*mean)
}

// The shapes a fit looks among: beyond, the data have no shape.
const minShape, maxShape = 1e-3, 1e3

// maximum finds the shape of the highest profile likelihood. Without left
// truncation the score falls all the way and Newton's method from 1 ends in some
// 5 steps; it is kept in a bracket. With truncation there may be several
// summits, so a grid chooses the start.
func (k *likelihood) maximum() (float64, bool) {
	start, lo, hi := 1.0, minShape, maxShape
	if k.truncated {
		start, lo, hi = k.highest()
	}
	if s, _ := k.score(hi); !(s < 0) {
		return 0, false
	}
	if s, _ := k.score(lo); !(s > 0) {
		return 0, false
	}
	return climb(k.score, lo, hi, start)
}

// climb is Newton's method for the zero of a falling slope, kept in a bracket.
func climb(slope func(float64) (value, next float64), lo, hi, b float64) (float64, bool) {
	for range 200 {
		s, next := slope(b)
		step := -s / next
		switch {
		case math.IsNaN(step):
			return 0, false
		case math.Abs(step) <= 1e-9*b: // the next one would be its square
			return b + step, true
		case s > 0:
			lo = b
		default:
			hi = b
		}
		if to := b + step; to > lo && to < hi {
			b = to
		} else if b = math.Sqrt(lo * hi); hi-lo <= 1e-15*hi {
			return b, true
		}
	}
	return b, true
}

// highest is the best shape of a grid and its neighbours.
func (k *likelihood) highest() (best, lo, hi float64) {
	const ratio = 1.2
	top := math.Inf(-1)
	best, lo, hi = 1, minShape, maxShape
	for b := minShape; b < maxShape; b *= ratio {
		if l := k.at(b).loglik; l > top {
			top, best = l, b
			lo, hi = max(minShape, b/ratio), min(maxShape, b*ratio)
		}
	}
	return best, lo, hi
}

// covariance is the inverse observed information of (location, ln spread).
type covariance struct{ mu, lnSigma, both float64 }

func (k *likelihood) covariance(b, location float64) covariance {
	p := k.power(b)
	// With z = b (ln t - location) and e^z = t^b failures / sum t^b:
	shift := location - k.lnLongest
	scale := k.failures / p.zero
	zez := scale * b * (p.one - shift*p.zero)
	zzez := scale * b * b * (p.two - 2*shift*p.one + shift*shift*p.zero)
	sumZ := b * (k.failureSum - shift*k.failures)
	mm := b * b * k.failures
	ms := b * zez
	ss := zez + zzez - sumZ
	det := mm*ss - ms*ms
	return covariance{mu: ss / det, lnSigma: mm / det, both: -ms / det}
}

// shapeLimits are where the profile log-likelihood comes down to the floor.
func (k *likelihood) shapeLimits(best, floor float64) Interval {
	gap := func(lnB float64) float64 {
		if b := math.Exp(lnB); b >= minShape/100 && b <= maxShape*100 {
			return k.at(b).loglik - floor
		}
		return math.NaN()
	}
	return k.between(gap, math.Log(best), 0.1)
}

// between looks for the two ends on the log scale.
func (k *likelihood) between(gap func(float64) float64, ln, step float64) Interval {
	i := noInterval(Undefined)
	if lo, ok := bracket(gap, ln, -step, 40); ok {
		i.Lo = number(math.Exp(lo))
	}
	if hi, ok := bracket(gap, ln, step, 40); ok {
		i.Hi = number(math.Exp(hi))
	}
	return i
}

// quantileLimits are the profile limits of the age with cumulative hazard h, the
// shape being chosen afresh for each age tried.
func (k *likelihood) quantileLimits(ln, lnSE, h, shape, floor float64) Interval {
	near := shape
	gap := func(lnQ float64) float64 {
		b, l, ok := k.bestFor(lnQ-k.lnLongest, h, near)
		if !ok {
			return math.NaN()
		}
		near = b
		return l - floor
	}
	return k.between(gap, ln, lnSE)
}

// bestFor is the shape b and height of the highest log-likelihood when the
// (scaled, ln) age q has the cumulative hazard h: S(t) = exp(-h (t/q)^b).
func (k *likelihood) bestFor(q, h, start float64) (b, l float64, ok bool) {
	slope := func(b float64) (value, next float64) {
		p := k.power(b)
		f := h * math.Exp(-b*q)
		one := p.one - q*p.zero
		two := p.two - 2*q*p.one + q*q*p.zero
		return k.failures/b + k.failureSum - k.failures*q - f*one, -k.failures/(b*b) - f*two
	}
	b, ok = climb(slope, minShape/100, maxShape*100, start)
	if !ok {
		return 0, 0, false
	}
	p := k.power(b)
	l = k.failures*(math.Log(b)+math.Log(h)-b*q) + b*k.failureSum - h*math.Exp(-b*q)*p.zero
	return b, l, !math.IsNaN(l) && !math.IsInf(l, 0)
}
