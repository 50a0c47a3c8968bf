package survival

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// PowerLaw is a fit of the failure intensity Lambda Shape t^(Shape-1) per unit,
// t since the start of each window. Shape above 1 is worsening; what a growth
// chart prints as its slope is 1 - Shape.
type PowerLaw struct {
	Status            Status
	Units             int
	Events            int
	FailureTerminated bool

	Shape, Lambda float64
	Scale         float64  // Lambda^(-1/Shape)
	ShapeLimits   Interval // chi-square limits of Shape
	LogLik        float64
	// The bias-reduced shape, (n-1)/n of Shape, or (n-2)/n when every window is
	// failure-terminated, and the Lambda that goes with it.
	ReducedShape, ReducedLambda float64

	Longest          float64 // the longest window, where the next two hold
	Intensity        Number  // failures per unit of time and unit
	MTBF             Number  // its inverse
	ReducedMTBF      Number  // with the bias-reduced shape
	CumulativeMTBF   Number  // time watched per failure
	CramerVonMises   Number
	CramerVonMisesOf int     // events in the statistic
	FitShape         float64 // the shape the statistic is computed with
}

// FitPowerLaw fits by maximum likelihood; windows may differ in length. Fewer
// than 4 events are too_few. Windows must be all time- or all failure-terminated.
// The Cramér-von Mises statistic compares t/To of all units with the power law
// whose shape is bias-reduced from those ratios; near 0.2 and above the law does
// not fit (5 % point of many events, from memory).
func FitPowerLaw(windows []Window, level float64) PowerLaw {
	p := PowerLaw{Status: Undefined, Units: len(windows), Intensity: none(Undefined), MTBF: none(Undefined),
		ReducedMTBF: none(Undefined), CumulativeMTBF: none(Undefined), CramerVonMises: none(Undefined), ShapeLimits: noInterval(Undefined)}
	if len(windows) == 0 || !validLevel(level) || !validWindows(windows) || mixed(windows) {
		return p
	}
	s := sumWindows(windows)
	p.Events = s.events
	if p.Events < minTrendEvents {
		p.Status = TooFew
		return p
	}
	for _, w := range windows {
		p.Longest = max(p.Longest, w.To-w.From)
	}
	shape, ok := powerShape(windows, s, p.Longest)
	if !ok {
		return p
	}
	p.Status = OK
	p.fill(windows, s, shape, level)
	return p
}

func mixed(windows []Window) bool {
	for _, w := range windows {
		if w.FailureTerminated != windows[0].FailureTerminated {
			return true
		}
	}
	return false
}

// lambda is events per sum of length^b.
func lambda(windows []Window, events int, b float64) float64 {
	sum := 0.0
	for _, w := range windows {
		sum += math.Pow(w.To-w.From, b)
	}
	return float64(events) / sum
}

// powerShape solves n/b + sum ln t - n sum L^b ln L / sum L^b = 0, lengths being
// divided by the longest.
func powerShape(windows []Window, s windowSums, longest float64) (float64, bool) {
	n := float64(s.events)
	logs := s.totalLog - n*math.Log(longest)
	score := func(b float64) (value, slope float64) {
		var zero, one, two float64
		for _, w := range windows {
			x := math.Log((w.To - w.From) / longest)
			e := math.Exp(b * x)
			zero, one, two = zero+e, one+e*x, two+e*x*x
		}
		mean := one / zero
		return n/b + logs - n*mean, -n/(b*b) - n*(two/zero-mean*mean)
	}
	if low, _ := score(maxShape); !(low < 0) {
		return 0, false
	}
	return climb(score, minShape, maxShape, 1)
}

func (p *PowerLaw) fill(windows []Window, s windowSums, shape, level float64) {
	n := float64(p.Events)
	p.FailureTerminated = windows[0].FailureTerminated
	p.Shape, p.Lambda = shape, lambda(windows, p.Events, shape)
	p.Scale = math.Pow(p.Lambda, -1/shape)
	p.LogLik = n*math.Log(p.Lambda) + n*math.Log(shape) + (shape-1)*s.totalLog - n
	lost, df := 1.0, 2*n
	if p.FailureTerminated {
		lost, df = 2, 2*(n-1)
	}
	p.ReducedShape = shape * (n - lost) / n
	p.ReducedLambda = lambda(windows, p.Events, p.ReducedShape)
	chi := distuv.ChiSquared{K: df}
	p.ShapeLimits = interval(shape*chi.Quantile((1-level)/2)/(2*n), shape*chi.Quantile((1+level)/2)/(2*n))
	intensity := p.Lambda * shape * math.Pow(p.Longest, shape-1)
	p.Intensity, p.MTBF = number(intensity), number(1/intensity)
	p.ReducedMTBF = number(1 / (p.ReducedLambda * p.ReducedShape * math.Pow(p.Longest, p.ReducedShape-1)))
	p.CumulativeMTBF = number(s.totalWatched / n)
	p.cramerVonMises(windows, s)
}

// cramerVonMises pools t/L of all units.
func (p *PowerLaw) cramerVonMises(windows []Window, s windowSums) {
	m := float64(s.used)
	if s.used < 2 || !(s.logs > 0) {
		return
	}
	p.CramerVonMisesOf = s.used
	p.FitShape = (m - 1) / s.logs
	var ratios []float64
	for _, w := range windows {
		for _, t := range w.used() {
			ratios = append(ratios, math.Pow(t/(w.To-w.From), p.FitShape))
		}
	}
	slices.Sort(ratios)
	sum := 1 / (12 * m)
	for i, r := range ratios {
		d := r - (2*float64(i)+1)/(2*m)
		sum += d * d
	}
	p.CramerVonMises = number(sum)
}

// MTBFLimits are approximate limits of the bias-reduced MTBF at the end of a
// single time-terminated window (NIST/SEMATECH e-Handbook 8.4.5.2).
func (p *PowerLaw) MTBFLimits(level float64) Interval {
	if p.Status != OK || !p.ReducedMTBF.OK() || !validLevel(level) || p.Units != 1 || p.FailureTerminated {
		return noInterval(Undefined)
	}
	z, r, m := zFor(level), float64(p.Events), p.ReducedMTBF.Value
	lo := r + z*z/4 + math.Sqrt(r*z*z/2+z*z*z*z/16)
	hi := r - z*math.Sqrt(r/2)
	i := interval(m*r*(r-1)/(lo*lo), m*r*(r-1)/(hi*hi))
	if hi <= 0 {
		i.Hi = none(Undefined)
	}
	return i
}
