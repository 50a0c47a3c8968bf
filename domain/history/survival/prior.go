package survival

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Prior says where the prior of an empirical-Bayes fit comes from.
type Prior string

// The priors. With fewer than 5 groups there is nothing to fit: a weak prior at
// the shop's mean, worth one event, stands in. When the groups differ no more
// than chance, the fit runs off to infinity: every group then has the pooled
// rate.
const (
	FitPrior Prior = "fitted"
	Weak     Prior = "weak prior at the shop's mean"
	Pooled   Prior = "pooled: no more spread than chance"
	NoEvents Prior = "pooled: no events"
)

// minGroups is how few groups a prior is not fitted below.
const minGroups = 5

// flatGain is the gain in twice the log-likelihood over the pooled rate below
// which the spread between groups is not established: the 5 % point of the
// mixture of nothing and chi-square on one degree that a limit at the edge has.
const flatGain = 2.705543454095404

// groupCount is what a group saw: x events in an exposure or of n.
type groupCount struct{ x, size float64 }

// family is a conjugate pair: its marginal likelihood and derivatives in the two
// parameters of the prior.
type family interface {
	logLik(gs []groupCount, a, b float64) float64
	pooledLogLik(gs []groupCount, rate float64) float64
	// derivatives of logLik: gradient and Hessian.
	derivatives(gs []groupCount, a, b float64) (ga, gb, haa, hab, hbb float64)
	// overSpread is positive when the likelihood rises from the pooled rate.
	overSpread(gs []groupCount, rate float64) float64
	// start is a prior with that mean and strength (in exposure).
	start(rate, strength float64) (a, b float64)
}

// PriorFit is the spread of the true rates over the groups.
type PriorFit struct {
	Kind   Prior
	A, B   float64 // 0 when Kind is pooled
	Rate   float64 // pooled: all events over all exposure
	LogLik Number
	Flat   bool // the spread between groups is not established
}

// fitPrior fits a and b by Newton's method in their logarithms.
func fitPrior(f family, gs []groupCount) PriorFit {
	x, size := 0.0, 0.0
	for _, g := range gs {
		x, size = x+g.x, size+g.size
	}
	p := PriorFit{Rate: x / size, LogLik: none(Undefined), Flat: true}
	switch {
	case x == 0:
		p.Kind = NoEvents
		return p
	case len(gs) < minGroups:
		p.Kind = Weak
		p.A, p.B = f.start(p.Rate, 1/p.Rate)
		return p
	}
	pooled := f.pooledLogLik(gs, p.Rate)
	a, b, ok := 0.0, 0.0, false
	if f.overSpread(gs, p.Rate) > 0 {
		a, b, ok = newtonPrior(f, gs, p.Rate, size/float64(len(gs)))
	}
	if !ok {
		p.Kind, p.LogLik = Pooled, number(pooled)
		return p
	}
	best := f.logLik(gs, a, b)
	p.Kind, p.A, p.B, p.LogLik = FitPrior, a, b, number(best)
	p.Flat = 2*(best-pooled) < flatGain
	return p
}

// newtonPrior climbs from the best of a few strengths; ok is false when it runs
// off towards a prior without spread.
func newtonPrior(f family, gs []groupCount, rate, size float64) (a, b float64, ok bool) {
	top := math.Inf(-1)
	for _, strength := range []float64{0.01, 0.1, 1, 10, 100} {
		ta, tb := f.start(rate, size*strength)
		if l := f.logLik(gs, ta, tb); l > top {
			top, a, b = l, ta, tb
		}
	}
	for range 500 {
		da, db, done := newtonStep(f, gs, a, b)
		na, nb, l, ok := uphill(f, gs, a, b, da, db, top)
		if !ok { // as high as the digits allow
			return a, b, true
		}
		a, b, top = na, nb, l
		if !(a > 1e-8 && b > 1e-12 && a < 1e7 && b < 1e12) {
			return 0, 0, false
		}
		if done {
			return a, b, true
		}
	}
	return 0, 0, false
}

// uphill takes the step, or the first of its halves that does not go down.
func uphill(f family, gs []groupCount, a, b, da, db, top float64) (na, nb, l float64, ok bool) {
	for range 40 {
		na, nb = a*math.Exp(da), b*math.Exp(db)
		if l = f.logLik(gs, na, nb); l >= top-1e-13*math.Abs(top) {
			return na, nb, l, true
		}
		da, db = da/2, db/2
	}
	return a, b, top, false
}

// newtonStep is the step in (ln a, ln b), uphill even where the surface is not
// concave; done when it no longer matters.
func newtonStep(f family, gs []groupCount, a, b float64) (da, db float64, done bool) {
	ga, gb, haa, hab, hbb := f.derivatives(gs, a, b)
	ua, ub := a*ga, b*gb
	va, vb, vab := a*a*haa+ua, b*b*hbb+ub, a*b*hab
	// Move the Hessian down until it is negative definite.
	shift := 0.0
	if top := (va+vb)/2 + math.Hypot((va-vb)/2, vab); top > -1e-12 {
		shift = top + 1e-3*(math.Abs(va)+math.Abs(vb)) + 1e-9
	}
	va, vb = va-shift, vb-shift
	det := va*vb - vab*vab
	da, db = -(vb*ua-vab*ub)/det, -(va*ub-vab*ua)/det
	if size := math.Hypot(da, db); size > 2 {
		da, db = 2*da/size, 2*db/size
	}
	return da, db, math.Hypot(da, db) < 1e-11 || math.IsNaN(da+db)
}

// rising is digamma(a + x) - digamma(a), summed for whole x: the difference of
// two large values would lose its digits.
func rising(a, x float64) float64 {
	if x != math.Trunc(x) || x > 1000 {
		return mathext.Digamma(a+x) - mathext.Digamma(a)
	}
	sum := 0.0
	for k := range int(x) {
		sum += 1 / (a + float64(k))
	}
	return sum
}

// risingSlope is the derivative of rising by a.
func risingSlope(a, x float64) float64 {
	if x != math.Trunc(x) || x > 1000 {
		return mathext.Zeta(2, a+x) - mathext.Zeta(2, a)
	}
	sum := 0.0
	for k := range int(x) {
		sum -= 1 / ((a + float64(k)) * (a + float64(k)))
	}
	return sum
}

// logRising is ln Gamma(a + x) - ln Gamma(a).
func logRising(a, x float64) float64 {
	if x != math.Trunc(x) || x > 1000 {
		hi, _ := math.Lgamma(a + x)
		lo, _ := math.Lgamma(a)
		return hi - lo
	}
	sum := 0.0
	for k := range int(x) {
		sum += math.Log(a + float64(k))
	}
	return sum
}

func logFactorial(x float64) float64 {
	l, _ := math.Lgamma(x + 1)
	return l
}

// gammaPoisson: x is Poisson of rate times size, rate is Gamma(a, rate b).
type gammaPoisson struct{}

func (gammaPoisson) logLik(gs []groupCount, a, b float64) float64 {
	sum := 0.0
	for _, g := range gs {
		sum += logRising(a, g.x) - logFactorial(g.x) - a*math.Log1p(g.size/b)
		if g.x > 0 {
			sum += g.x * math.Log(g.size/(b+g.size))
		}
	}
	return sum
}

func (gammaPoisson) pooledLogLik(gs []groupCount, rate float64) float64 {
	sum := 0.0
	for _, g := range gs {
		sum += g.x*math.Log(rate*g.size) - rate*g.size - logFactorial(g.x)
	}
	return sum
}

func (gammaPoisson) derivatives(gs []groupCount, a, b float64) (ga, gb, haa, hab, hbb float64) {
	for _, g := range gs {
		ga += rising(a, g.x) - math.Log1p(g.size/b)
		gb += (a*g.size - b*g.x) / (b * (b + g.size))
		haa += risingSlope(a, g.x)
		hab += g.size / (b * (b + g.size))
		hbb += -a/(b*b) + (a+g.x)/((b+g.size)*(b+g.size))
	}
	return ga, gb, haa, hab, hbb
}

func (gammaPoisson) overSpread(gs []groupCount, rate float64) float64 {
	sum := 0.0
	for _, g := range gs {
		d := g.x - rate*g.size
		sum += d*d - g.x
	}
	return sum
}

func (gammaPoisson) start(rate, strength float64) (a, b float64) { return rate * strength, strength }

// betaBinomial: x of size is binomial with a share that is Beta(a, b).
type betaBinomial struct{}

func (betaBinomial) logLik(gs []groupCount, a, b float64) float64 {
	sum := 0.0
	for _, g := range gs {
		sum += logRising(a, g.x) + logRising(b, g.size-g.x) - logRising(a+b, g.size) + logChoose(g)
	}
	return sum
}

func logChoose(g groupCount) float64 {
	return logFactorial(g.size) - logFactorial(g.x) - logFactorial(g.size-g.x)
}

func (betaBinomial) pooledLogLik(gs []groupCount, rate float64) float64 {
	sum := 0.0
	for _, g := range gs {
		sum += logChoose(g)
		if g.x > 0 {
			sum += g.x * math.Log(rate)
		}
		if g.x < g.size {
			sum += (g.size - g.x) * math.Log1p(-rate)
		}
	}
	return sum
}

func (betaBinomial) derivatives(gs []groupCount, a, b float64) (ga, gb, haa, hab, hbb float64) {
	for _, g := range gs {
		both, slope := rising(a+b, g.size), risingSlope(a+b, g.size)
		ga += rising(a, g.x) - both
		gb += rising(b, g.size-g.x) - both
		haa += risingSlope(a, g.x) - slope
		hbb += risingSlope(b, g.size-g.x) - slope
		hab -= slope
	}
	return ga, gb, haa, hab, hbb
}

func (betaBinomial) overSpread(gs []groupCount, rate float64) float64 {
	if rate >= 1 {
		return -1
	}
	sum := 0.0
	for _, g := range gs {
		d := g.x - rate*g.size
		sum += d*d/(rate*(1-rate)) - d*(1-2*rate)/(rate*(1-rate)) - g.size
	}
	return sum
}

func (betaBinomial) start(rate, strength float64) (a, b float64) {
	strength = max(strength, 1e-3)
	return max(rate*strength, 1e-6), max((1-rate)*strength, 1e-6)
}

// gammaQuantile is that of shape a and rate b.
func gammaQuantile(a, b, p float64) float64 { return distuv.Gamma{Alpha: a, Beta: b}.Quantile(p) }
