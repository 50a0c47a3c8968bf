package survival

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Life is one part's life in any one unit of time: watched from Entry (0 unless
// it came under observation at that age) to Exit, where it failed or not.
type Life struct {
	Entry, Exit float64
	Failed      bool
}

// minWeibullFailures is how few failures a Weibull fit is refused below.
const minWeibullFailures = 3

// Fitted is a fitted quantity with both kinds of limits. Profile-likelihood
// limits are the better ones with few failures; Wald limits are on the log
// scale. A profile limit that does not exist is missing.
type Fitted struct {
	Value         float64
	SE            float64
	Wald, Profile Interval
}

// Life10 is the age by which a tenth has failed.
type Life10 struct {
	Fitted
	Extrapolated bool // beyond the longest follow-up: say so
}

// Weibull is a fit of S(t) = exp(-(t/Scale)^Shape). Shape below 1 looks like
// early failures, above 1 like wear-out, but only ShapeIsOne decides, and a
// mixture of bad fixes and wear-out looks like a shape below 1 as well.
type Weibull struct {
	Status   Status
	N        int
	Failures int
	Exposure float64 // total time watched
	Longest  float64 // longest follow-up

	Shape, Scale Fitted
	B10          Life10
	B50          Fitted
	LogLik       float64 // on the time scale
	// Location and Spread are the same fit as R prints it: ln Scale and 1/Shape.
	Location, LocationSE float64
	Spread, SpreadSE     float64
	Covariance           float64 // of Location and ln Spread

	// ShapeIsOne is the likelihood-ratio test of an exponential life.
	ShapeIsOne LRTest
	// MeanIfExponential is Exposure/Failures; with no failure it is missing and
	// AtLeastIfExponential, its lower one-sided 95 % bound, stands alone.
	MeanIfExponential, AtLeastIfExponential Number
}

// LRTest is a likelihood-ratio test on one degree of freedom.
type LRTest struct {
	Statistic, P Number
	LogLik       Number // of the simpler model
}

// FitWeibull fits a Weibull life by maximum likelihood with right censoring and
// left truncation. Fewer than 3 failures are too_few; failures all of the same
// age have no shape (undefined). Ages are positive, Entry < Exit.
func FitWeibull(lives []Life, level float64) Weibull {
	w := Weibull{N: len(lives), MeanIfExponential: none(Undefined), AtLeastIfExponential: none(Undefined),
		ShapeIsOne: LRTest{none(Undefined), none(Undefined), none(Undefined)}}
	w.withhold(Undefined)
	if len(lives) == 0 || !validLevel(level) || !validLives(lives) {
		return w
	}
	w.describe(lives)
	if w.Failures < minWeibullFailures {
		w.withhold(TooFew)
		return w
	}
	k := newLikelihood(lives, w.Longest)
	shape, ok := k.maximum()
	if !ok {
		return w
	}
	w.Status = OK
	w.fill(k, shape, level)
	return w
}

// withhold marks the whole fit as missing.
func (w *Weibull) withhold(why Status) {
	none := Fitted{Wald: noInterval(why), Profile: noInterval(why)}
	w.Status, w.Shape, w.Scale, w.B10, w.B50 = why, none, none, Life10{Fitted: none}, none
}

func validLives(lives []Life) bool {
	for i := range lives {
		l := &lives[i]
		if !(l.Entry >= 0 && l.Exit > l.Entry && l.Exit < 1e100 && l.Exit > 1e-100) {
			return false
		}
	}
	return true
}

func (w *Weibull) describe(lives []Life) {
	for i := range lives {
		l := &lives[i]
		w.Exposure += l.Exit - l.Entry
		w.Longest = max(w.Longest, l.Exit)
		if l.Failed {
			w.Failures++
		}
	}
	if w.Failures > 0 {
		w.MeanIfExponential = number(w.Exposure / float64(w.Failures))
	}
	bound := distuv.ChiSquared{K: 2*float64(w.Failures) + 2}.Quantile(0.95) / 2
	w.AtLeastIfExponential = number(w.Exposure / bound)
}

// fill derives everything from the shape of the best fit.
func (w *Weibull) fill(k *likelihood, shape, level float64) {
	f := k.at(shape)
	w.Location, w.Spread = f.location, 1/shape
	v := k.covariance(shape, f.location)
	w.LocationSE, w.SpreadSE, w.Covariance = math.Sqrt(v.mu), w.Spread*math.Sqrt(v.lnSigma), v.both
	w.LogLik = f.loglik - k.failureLogs
	z := zFor(level)
	drop := z * z / 2 // what the log-likelihood may lose

	w.Shape = wald(shape, math.Sqrt(v.lnSigma), z)
	w.Shape.Profile = k.shapeLimits(shape, f.loglik-drop)
	w.Scale = w.quantile(k, shape, v, 1, z, drop)
	tenth := w.quantile(k, shape, v, -math.Log(0.9), z, drop)
	w.B10 = Life10{tenth, tenth.Value > w.Longest}
	w.B50 = w.quantile(k, shape, v, math.Ln2, z, drop)
	w.testShape(f.loglik, k)
}

// wald makes limits on the log scale.
func wald(x, lnSE, z float64) Fitted {
	return Fitted{Value: x, SE: x * lnSE, Wald: interval(x*math.Exp(-z*lnSE), x*math.Exp(z*lnSE))}
}

// quantile is the age at which the cumulative hazard is h.
func (w *Weibull) quantile(k *likelihood, shape float64, v covariance, h, z, drop float64) Fitted {
	lnH := math.Log(h) / shape
	lnSE := math.Sqrt(v.mu + lnH*lnH*v.lnSigma + 2*lnH*v.both)
	q := wald(math.Exp(w.Location+lnH), lnSE, z)
	q.Profile = k.quantileLimits(w.Location+lnH, lnSE, h, shape, k.at(shape).loglik-drop)
	return q
}

func (w *Weibull) testShape(best float64, k *likelihood) {
	one := k.at(1).loglik
	lr := max(0, 2*(best-one))
	w.ShapeIsOne = LRTest{number(lr), number(twoSided(math.Sqrt(lr))), number(one - k.failureLogs)}
}
