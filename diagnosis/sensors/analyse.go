package sensors

import (
	"math"
	"slices"
)

// Figures of the trade the patterns are told apart with: common practice, no
// source.
const (
	surelyShort = 60.0  // s: from the second cycle on no thermostat heats less
	short       = 90.0  // s: high-limit heats last 30 to 90 s
	long        = 240.0 // s: a thermostat in good air is done earlier
	settled     = 600.0 // s without a cycle before a low outlet means anything
	ahead       = 300.0 // s the present rise is carried on to see whether it gets there
	little      = 15.0 * 5 / 9
	barelyWarm  = 110.0       // °F
	margin      = 5.0 * 5 / 9 // K above the limit that no good run passes
	coarse      = 3           // samples a heat must span to be timed
)

// band is the usual range of the off temperature of a setting, °F.
var band = map[Setting][2]float64{
	High:   {145, 165},
	Medium: {130, 155},
	Low:    {115, 145},
}

// slowly is the note of a log that cannot show short heats.
const slowly = "Logged too slowly to time the heats: log every 10 s or less, or time two cycles by hand."

// runaway is the outlet temperature no setting reaches, °F.
const runaway = 170.0

// cycles is a run taken apart, whichever way it was given.
type cycles struct {
	off, on    []float64 // K
	heat, rest []float64 // s
	fromCold   bool      // heat[0] began at the start of the run
	peak       float64   // K
	seconds    float64   // length of the run, 0 when it was not logged
	step       float64   // s between samples, 0 when it was not logged
	cycles     int       // times it turned, including those a gap hides
	again      bool      // it came back on at least once
	climb      float64   // K reached by a rise still going on at the end, else 0
	rise       float64   // K above the start
	slope      float64   // K/s over the end of the run
}

// AnalyseRun says what the outlet temperature of a working dryer did: the
// temperatures and times of its cycles and the pattern behind them. The outlet
// being hot or cool by itself says little: with too little air the high limit
// does the switching and the outlet stays normal or low. It does not judge the
// off temperature against a limit; that is the caller's work.
//
// A log may be noisy, have gaps, and be sampled every 0.2 to 60 s; samples that
// are not finite, out of order or no outlet temperature are left out. Figures
// that cannot be had are 0. Every figure is finite whatever goes in.
func AnalyseRun(in RunInput) Run {
	var c cycles
	if len(in.T) > 0 || len(in.Kelvin) > 0 {
		c = fromSeries(in.T, in.Kelvin)
	} else {
		c = fromNotes(in)
	}
	run := c.figures()
	run.Pattern, run.Note = c.pattern(run, in)
	return run
}

// fromNotes takes a run noted by hand. What is not a temperature or a time is
// left out.
func fromNotes(in RunInput) cycles {
	c := cycles{
		off:  keep(in.Off, outletTemperature),
		on:   keep(in.On, outletTemperature),
		heat: keep(in.Heat, duration),
		rest: keep(in.Rest, duration),
	}
	c.cycles = len(c.off)
	// One temperature alone may as well be the highest of a heat that never
	// went off.
	c.again = len(c.off) > 1 || len(c.on) > 0
	if outletTemperature(in.Reached) {
		c.climb = in.Reached
	}
	if duration(in.Seconds) {
		c.seconds = in.Seconds
	}
	c.peak = highest(append([]float64{c.climb}, c.off...))
	c.rise = math.Inf(1) // not known, so never too small
	if len(c.heat) > 1 {
		c.fromCold = c.heat[0] > 1.5*median(c.heat[1:])
	}
	return c
}

func keep(x []float64, ok func(float64) bool) []float64 {
	var kept []float64
	for _, v := range x {
		if ok(v) {
			kept = append(kept, v)
		}
	}
	return kept
}

// outletTemperature keeps slips out: no dryer's outlet is below −73 or above
// 527 °C.
func outletTemperature(kelvin float64) bool { return kelvin > 200 && kelvin < 800 }

func duration(s float64) bool { return s > 0 && s < longest }

// figures computes the numbers of a run.
func (c cycles) figures() Run {
	heat := c.heats()
	r := Run{
		Cycles: c.cycles, Off: mean(c.off), On: mean(c.on),
		Heat: mean(heat), Rest: mean(c.rest),
		Peak: c.peak, Seconds: c.seconds, Drift: drift(c.off),
	}
	if len(c.off) > 0 {
		r.OffMax = highest(c.off)
		r.OffSpread = r.OffMax - slices.Min(c.off)
		r.OffU = scatter(c.off)
	}
	if r.Off > 0 && r.On > 0 {
		r.Differential = r.Off - r.On
	}
	if r.Heat > 0 && r.Rest > 0 {
		r.Duty = r.Heat / (r.Heat + r.Rest)
	}
	return r
}

// heats are the heating times without the one from cold, as far as there are
// others.
func (c cycles) heats() []float64 {
	if c.fromCold && len(c.heat) > 1 {
		return c.heat[1:]
	}
	return c.heat
}

// limits are the off temperatures judged against and the one no good run
// passes, kelvin.
func limits(in RunInput) (low, high, over float64) {
	b, ok := band[in.Setting]
	if !ok {
		b = band[High]
	}
	low, high, over = fahrenheit(b[0]), fahrenheit(b[1]), fahrenheit(runaway)
	if in.LimitLow != nil && outletTemperature(*in.LimitLow) {
		low = *in.LimitLow
	}
	if in.LimitHigh != nil && outletTemperature(*in.LimitHigh) {
		high = *in.LimitHigh
		over = high + margin
	}
	return low, high, over
}

func fahrenheit(f float64) float64 { return (f + 459.67) * 5 / 9 }

// pattern names what did the switching.
func (c cycles) pattern(r Run, in RunInput) (Pattern, string) {
	low, high, over := limits(in)
	switch {
	case in.Load == Wet && r.Peak > over:
		return WetLoad, "The outlet went past what any setting allows even with a wet load, which cools it: repeat empty."
	case in.Load == Wet:
		return WetLoad, "A wet load cools the outlet: repeat empty or with a dry load."
	case c.climb > over && (len(c.off) == 0 || c.climb > r.Off+2*margin):
		return NoCycling, "The outlet climbs on with the heat on: nothing switches it off."
	case c.cycles == 0 || c.cycles == 1 && !c.again:
		return c.withoutCycle(low, over)
	case r.Off > over:
		return OperatingThermostat, "The heat goes off, but late."
	case c.cycles < 2:
		return TooShort, "One cycle is not enough: let it run through two more."
	}
	return c.cycling(r, low, high)
}

// withoutCycle judges a run in which the heat never came back by itself.
func (c cycles) withoutCycle(low, over float64) (Pattern, string) {
	switch {
	case c.peak > over:
		return NoCycling, "The outlet climbs past what any setting allows and nothing was seen to bring it back."
	case c.seconds < settled || c.cycles > 0:
		return TooShort, "No full cycle was seen: let it run for 15 minutes or three cycles."
	case c.peak+math.Max(0, c.slope)*ahead >= low:
		return TooShort, "It is near the point of switching: let it run on."
	case coarse*c.step > short:
		return TooShort, slowly
	case c.rise < little && c.peak < fahrenheit(barelyWarm):
		return ReadsLow, "The outlet hardly warms: no heat, or the thermometer is not in the air stream."
	}
	return ReadsLow, "The outlet stays low and does not swing: room air mixed in at a seal, or too little heat. A clamp on one leg must show the heat on all the time."
}

// cycling judges a run of two cycles or more whose off temperature is not over
// the top.
func (c cycles) cycling(r Run, low, high float64) (Pattern, string) {
	heat := median(c.heats())
	switch {
	case heat == 0 && r.Off < low:
		return TooShort, "The outlet is low, but the heating times are missing: time the heat of two cycles."
	case heat == 0:
		return OperatingThermostat, "The heating times are missing: short heats cannot be ruled out."
	case c.step > 0 && heat < coarse*c.step && heat < 2*short && r.Off <= high:
		return TooShort, slowly
	case heat < surelyShort && r.Off <= high, heat <= short && r.Off < low:
		return HighLimit, "Short heats with a normal or low outlet: the high limit is cycling for want of air. Compare with the air flow."
	case heat >= long && r.Off < low:
		return ReadsLow, "Long heats with a low outlet and no short cycling: room air mixed in at a seal, or too little heat."
	case heat <= short:
		return OperatingThermostat, "The heats are short for a thermostat: compare with the air flow."
	case r.Off < low:
		return OperatingThermostat, "The heat goes off early."
	}
	return OperatingThermostat, ""
}

func mean(x []float64) float64 {
	var m float64
	for i, v := range x {
		m += (v - m) / float64(i+1)
	}
	return m
}

// scatter is the standard uncertainty of the mean, s/√n, 0 for fewer than two.
func scatter(x []float64) float64 {
	if len(x) < 2 {
		return 0
	}
	m, sum := mean(x), 0.0
	for _, v := range x {
		sum += (v - m) * (v - m)
	}
	n := float64(len(x))
	return math.Sqrt(sum / (n - 1) / n)
}

// drift is the least-squares change from one to the next.
func drift(x []float64) float64 {
	at := make([]float64, len(x))
	for i := range at {
		at[i] = float64(i)
	}
	return slope(at, x)
}

// median is 0 for nothing.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	return s[(n-1)/2]/2 + s[n/2]/2
}
