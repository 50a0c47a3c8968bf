package sensors

import (
	"math"
	"slices"
)

const (
	// A swing must exceed the noise and a wobble of the air, but no more than
	// the smallest differential of a thermostat leaves.
	leastSwing, mostSwing = 2.0, 4.0 // K
	// Slower than this, short cycles look like noise.
	slowLog = 15.0 // s between samples
)

// turn is a turning point of a trace: its extreme, and the last sample that
// noise could have made it, where the trace leaves a flat top or bottom.
type turn struct {
	i, leaves int
	peak      bool
}

// fromSeries takes a logged run apart at its turning points.
func fromSeries(t, kelvin []float64) cycles {
	t, k := clean(t, kelvin)
	if len(t) < 3 {
		return cycles{}
	}
	c := cycles{seconds: t[len(t)-1] - t[0], step: medianStep(t)}
	despike(t, k)
	sigma, swing := 0.0, mostSwing
	if c.step <= slowLog {
		k, sigma = smooth(t, k, noise(k), c.step)
		swing = math.Max(leastSwing, math.Min(7*sigma, mostSwing))
	}
	c.peak = highest(k)
	c.rise = c.peak - k[0]
	c.slope = endSlope(t, k)
	turns := turning(k, swing)
	leave(turns, k, 2*sigma)
	turns = withoutCoolDown(turns, k)
	gap := math.Max(30, 5*c.step)
	c.collect(t, k, turns, gap)
	if last := len(turns) - 1; last < 0 || !turns[last].peak {
		from := 0
		if last >= 0 {
			from = turns[last].i
		}
		c.climb = highest(k[from:])
	}
	return c
}

// leave finds where the trace leaves each turning point, before the next.
func leave(turns []turn, k []float64, slack float64) {
	for n := range turns {
		p := &turns[n]
		end := len(k)
		if n+1 < len(turns) {
			end = turns[n+1].i
		}
		for i := p.i; i < end; i++ {
			if math.Abs(k[i]-k[p.i]) <= slack {
				p.leaves = i
			}
		}
	}
}

// withoutCoolDown leaves out a last peak after which the trace fell well below
// every earlier valley and never came back: the programme or the tech ended it,
// not the thermostat.
func withoutCoolDown(turns []turn, k []float64) []turn {
	last := len(turns) - 1
	if last < 3 || !turns[last].peak {
		return turns
	}
	low := math.Inf(1)
	for _, p := range turns[1:last] {
		if !p.peak {
			low = math.Min(low, k[p.i])
		}
	}
	if k[len(k)-1] < low-2*margin {
		return turns[:last]
	}
	return turns
}

// collect fills in the cycles between turning points. The first of them is
// only where the trace set out from. Turning points beside a gap and stretches
// across one are left out of the figures.
func (c *cycles) collect(t, k []float64, turns []turn, gap float64) {
	for n := 1; n < len(turns); n++ {
		p, from := turns[n], turns[n-1].leaves
		if p.peak {
			c.cycles++
		} else if c.cycles > 0 {
			c.again = true
		}
		if unbroken(t, p.i-1, min(p.i+1, len(t)-1), gap) {
			c.note(p.peak, k[p.i])
		}
		if unbroken(t, from, p.leaves, gap) {
			c.time(p.peak, n == 1, t[p.leaves]-t[from])
		}
	}
}

// note adds the temperature of a turning point.
func (c *cycles) note(peak bool, kelvin float64) {
	if peak {
		c.off = append(c.off, kelvin)
	} else {
		c.on = append(c.on, kelvin)
	}
}

// time adds the duration of a stretch that ends at a turning point. A rest
// that began before the log did is not a whole one.
func (c *cycles) time(peak, first bool, seconds float64) {
	switch {
	case peak:
		c.fromCold = c.fromCold || first
		c.heat = append(c.heat, seconds)
	case !first:
		c.rest = append(c.rest, seconds)
	}
}

func unbroken(t []float64, from, to int, gap float64) bool {
	for i := from + 1; i <= to; i++ {
		if t[i]-t[i-1] > gap {
			return false
		}
	}
	return true
}

// clean copies the usable samples: finite, in order, an outlet temperature.
func clean(t, kelvin []float64) (ts, ks []float64) {
	n := min(len(t), len(kelvin))
	ts, ks = make([]float64, 0, n), make([]float64, 0, n)
	for i := range n {
		usable := math.Abs(t[i]) < longest && outletTemperature(kelvin[i])
		if usable && (len(ts) == 0 || t[i] > ts[len(ts)-1]) {
			ts, ks = append(ts, t[i]), append(ks, kelvin[i])
		}
	}
	return ts, ks
}

func medianStep(t []float64) float64 {
	d := make([]float64, len(t)-1)
	for i := range d {
		d[i] = t[i+1] - t[i]
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// despike takes out single samples that stand out from two neighbours close in
// time by more than an outlet can do.
func despike(t, k []float64) {
	const apart, near = 6, 10 // K, s
	for i := 1; i+1 < len(k); i++ {
		up, down := k[i]-k[i-1], k[i]-k[i+1]
		if t[i+1]-t[i-1] <= 2*near && up*down > 0 && math.Min(math.Abs(up), math.Abs(down)) > apart {
			k[i] = (k[i-1] + k[i+1]) / 2
		}
	}
}

// noise is the standard deviation of the noise, from the second differences:
// a robust figure that turning points do not move.
func noise(k []float64) float64 {
	d := make([]float64, 0, len(k))
	for i := 1; i+1 < len(k); i++ {
		d = append(d, math.Abs(k[i-1]-2*k[i]+k[i+1]))
	}
	slices.Sort(d)
	// 0.6745 is the quartile of the normal distribution; a second difference
	// has √6 times the deviation of one sample.
	return d[len(d)/2] / 0.6745 / math.Sqrt(6)
}

// smooth takes a moving mean over as many samples as bring the noise below a
// fifth of a kelvin, a tenth of the least swing (thousands of samples of a fast
// log must not make one), over 10 s to either side at most, and gives the noise
// left.
func smooth(t, k []float64, sigma, step float64) ([]float64, float64) {
	const wanted, reach = 0.2, 10.0
	half := int(math.Min(math.Ceil(sigma*sigma/wanted/wanted)/2, math.Min(reach/step+0.01, 200)))
	if half < 1 {
		return k, sigma
	}
	out := make([]float64, len(k))
	for i := range k {
		from, to := max(i-half, 0), min(i+half, len(k)-1)
		for t[i]-t[from] > 1.01*reach {
			from++
		}
		for t[to]-t[i] > 1.01*reach {
			to--
		}
		out[i] = mean(k[from : to+1])
	}
	return out, sigma / math.Sqrt(float64(2*half+1))
}

// turning finds the points from which the trace turns back by more than h. The
// last, unconfirmed extreme is not among them.
func turning(k []float64, h float64) []turn {
	var turns []turn
	lo, hi := 0, 0
	rising, known := false, false
	for i, v := range k {
		if v > k[hi] {
			hi = i
		}
		if v < k[lo] {
			lo = i
		}
		switch {
		case (rising || !known) && v < k[hi]-h:
			turns = append(turns, turn{hi, hi, true})
			rising, known, lo = false, true, i
		case (!rising || !known) && v > k[lo]+h:
			turns = append(turns, turn{lo, lo, false})
			rising, known, hi = true, true, i
		}
	}
	return turns
}

// endSlope is the slope over the last three minutes, K/s.
func endSlope(t, k []float64) float64 {
	from := len(t) - 2
	for from > 0 && t[len(t)-1]-t[from-1] <= 180 {
		from--
	}
	return slope(t[from:], k[from:])
}
