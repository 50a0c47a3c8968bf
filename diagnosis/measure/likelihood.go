package measure

import (
	"errors"
	"fmt"
	"math"
)

// Condition is what may be true of a part while it is measured.
type Condition string

// The conditions.
const (
	Good         Condition = "good"
	DriftedHigh  Condition = "drifted_high"
	DriftedLow   Condition = "drifted_low"
	OpenCircuit  Condition = "open_circuit"
	ShortCircuit Condition = "short_circuit"
)

// MinDecibans is how far a reading must speak for one condition against
// another to tell them apart: 5 dB, a ratio of about three to one. Judgement,
// no source.
const MinDecibans = 5.0

// Tells says whether evidence of so many decibans tells two conditions apart.
// What is no number does not.
func Tells(decibans float64) bool { return math.Abs(decibans) >= MinDecibans }

// Observed is one reading: X with the standard uncertainty U of the meter, both
// SI, or Over when the meter showed over range.
type Observed struct {
	X, U float64
	Over bool
}

// Hypotheses describes what a part can read in each condition, in SI, for a
// quantity that has a true zero (ohm, ampere, volt, farad; not a temperature).
//
// A good part lies anywhere within Tolerance alike. An end that is infinite is
// no limit: the good part then reaches down to zero, or up to the top of Range.
// A drifted part lies beyond a limit, within Range, alike in the logarithm: from
// once to twice the limit is as likely as from twice to four times. An open part
// reads over range. A shorted one lies a half-normal Spread above Lead. To each
// the meter adds its normal error.
//
// Outlier is the probability of a reading that has nothing to do with the part
// (a slipped probe, a wrong terminal): it shows over range, or anything from
// zero to the top of Range alike. It keeps every likelihood above zero and so
// bounds what one reading can say.
type Hypotheses struct {
	Tolerance Interval // Low < High, overlapping Range
	Range     Interval // what a drifted part can read and the meter can show; 0 < Low < High
	Lead      float64  // what is read with the leads shorted, at least 0
	Spread    float64  // of a short, above 0
	Outlier   float64  // between 0 and 1
	GoodOver  float64  // share of good parts that read over range: of one with a lower limit only; at least 0, below 1
}

// ErrHypotheses is matched by what NewReadingModel refuses.
var ErrHypotheses = errors.New("no reading model")

// ReadingModel gives the likelihood of a reading in each condition. Make it
// with NewReadingModel.
type ReadingModel struct {
	h     Hypotheses
	good  Interval // the tolerance with finite ends
	floor float64  // density of an outlier
}

// Figures beyond these are no readings of a part, and would run into the ends
// of float64.
const (
	leastSI = 1e-15
	mostSI  = 1e18
)

// NewReadingModel takes hypotheses that make sense, and says what is wrong
// with others.
func NewReadingModel(h Hypotheses) (*ReadingModel, error) {
	r, t := h.Range, h.Tolerance
	m := &ReadingModel{h: h, good: Interval{Low: t.Low, High: t.High}, floor: h.Outlier / r.High}
	if math.IsInf(t.Low, -1) {
		m.good.Low = 0
	}
	if math.IsInf(t.High, 1) {
		m.good.High = r.High
	}
	refuse := func(what string) (*ReadingModel, error) { return nil, fmt.Errorf("%w: %s", ErrHypotheses, what) }
	switch {
	case !(r.Low >= leastSI && r.Low < r.High && r.High <= mostSI):
		return refuse("the range must begin above zero and end above its beginning")
	case !(m.good.High-m.good.Low >= leastSI && m.good.Low >= -mostSI && m.good.High <= mostSI):
		return refuse("the tolerance must have a width")
	case !(m.good.Low < r.High && m.good.High > r.Low):
		return refuse("the tolerance must overlap the range")
	case !(h.Lead >= 0 && h.Lead <= mostSI && h.Spread >= leastSI && h.Spread <= mostSI):
		return refuse("a short needs a lead resistance of at least zero and a spread above it")
	case !(h.Outlier >= leastSI && h.Outlier < 1):
		return refuse("the probability of an outlier lies between 0 and 1")
	case !(h.GoodOver >= 0 && h.GoodOver < 1):
		return refuse("the share of good parts that read over range lies from 0 to below 1")
	}
	return m, nil
}

// Density is the likelihood of the reading in a condition without the outlier
// floor: per SI unit of X for a number, a probability for over range. It is
// never negative and never NaN; zero for a condition the part cannot be in, and
// for what is no reading (not finite, U below zero).
func (m *ReadingModel) Density(c Condition, o Observed) float64 {
	if o.Over {
		return m.over(c)
	}
	if !usable(o.X, o.U) {
		return 0
	}
	x, u := o.X, o.U
	switch c {
	case Good:
		return (1 - m.h.GoodOver) * uniformDensity(x, u, m.good)
	case DriftedHigh:
		return m.drifted(x, u, Interval{Low: math.Max(m.good.High, m.h.Range.Low), High: m.h.Range.High})
	case DriftedLow:
		return m.drifted(x, u, Interval{Low: m.h.Range.Low, High: math.Min(m.good.Low, m.h.Range.High)})
	case ShortCircuit:
		return halfNormalDensity(x-m.h.Lead, u, m.h.Spread)
	}
	return 0
}

// over is the probability of over range in a condition.
func (m *ReadingModel) over(c Condition) float64 {
	switch c {
	case OpenCircuit:
		return 1
	case Good:
		return m.h.GoodOver
	}
	return 0
}

// Likelihood is Density with the floor of an outlier, always above zero: of
// the likelihoods of one reading only the ratios mean anything. They are
// evidence about the part and nothing else: multiply prior odds by them, never
// put one in the place of a probability.
func (m *ReadingModel) Likelihood(c Condition, o Observed) float64 {
	if o.Over {
		return m.Density(c, o) + m.h.Outlier
	}
	return m.Density(c, o) + m.floor
}

// Decibans is how far the reading speaks for a against b: 10·log10 of the ratio
// of their likelihoods. 10 dB is ten to one, 3 dB two to one; see Tells.
func (m *ReadingModel) Decibans(a, b Condition, o Observed) float64 {
	return 10 * (math.Log10(m.Likelihood(a, o)) - math.Log10(m.Likelihood(b, o)))
}

// drifted is the density of a part that drifted into an interval. Without an
// interval there is no such drift.
func (m *ReadingModel) drifted(x, u float64, into Interval) float64 {
	if !(into.Low < into.High) {
		return 0
	}
	return logUniformDensity(x, u, into)
}

// uniformDensity is that of a uniform value in an interval, read with a normal
// error u.
func uniformDensity(x, u float64, in Interval) float64 {
	width := in.High - in.Low
	if width < narrow*u {
		return normalDensity(x-(in.Low+width/2), u)
	}
	return inside(x, u, in.Low, in.High) / width
}

// narrow is the width, in u, below which an interval is as good as its middle:
// the density then errs by less than narrow²/24 of itself, where the difference
// of two probabilities would lose its digits.
const narrow = 1e-5

// normalDensity of a deviation d, for u above zero.
func normalDensity(d, u float64) float64 {
	z := d / u
	return math.Exp(-z*z/2) / (u * math.Sqrt(2*math.Pi))
}

// halfNormalDensity is that of d = |N(0, spread²)| read with a normal error u:
// in closed form a skew-normal density.
func halfNormalDensity(d, u, spread float64) float64 {
	if u <= point*spread {
		if d < 0 {
			return 0
		}
		return 2 * normalDensity(d, spread)
	}
	both := math.Hypot(u, spread)
	return 2 * normalDensity(d, both) * phi(spread/u*(d/both))
}
