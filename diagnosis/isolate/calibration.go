package isolate

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// UsualBins is the usual number of bins of a reliability table.
const UsualBins = 10

// LogFloor is the least chance the log score counts with: a sure forecast that
// fails costs ln 10⁶ = 13.8, not infinitely much (judgement, no source).
const LogFloor = 1e-6

// Forecast is a probability that was given, from 0 to 1, and what came of it.
type Forecast struct {
	P    float64
	True bool
}

// Bin is a row of the reliability table: the forecasts from Low to below High
// (the last bin holds 1 as well). Predicted and Observed are 0 when Count is.
type Bin struct {
	Low, High float64
	Count     int
	Predicted float64 // mean forecast
	Observed  float64 // share that came true
}

// Calibration is how good probabilities were. Lower is better for all but
// Resolution. All are 0 without forecasts: look at Count first.
type Calibration struct {
	Count int
	Brier float64 // mean of (p − outcome)², 0 to 1
	Log   float64 // mean of −ln of the chance given to what came, with LogFloor

	// Brier = Reliability − Resolution + Uncertainty + Within (Murphy 1973; the
	// last after Stephenson, Coelho & Jolliffe 2008, both from memory). Within is
	// what binning hides: the variance of the forecasts within the bins less
	// twice their covariance with the outcomes; 0 with one forecast value a bin.
	Reliability, Resolution, Uncertainty, Within float64

	Gap  float64 // mean of |Predicted − Observed| over the forecasts
	Bins []Bin
}

// Calibrate scores forecasts in bins of equal width, from 1 to 1000 of them. It
// is an error when a probability is not from 0 to 1. Too few forecasts to judge
// by are for the caller to tell, by the counts.
func Calibrate(forecasts []Forecast, bins int) (Calibration, error) {
	if bins < 1 || bins > 1000 {
		return Calibration{}, fmt.Errorf("isolate: %d bins, not from 1 to 1000", bins)
	}
	c := Calibration{Count: len(forecasts), Bins: make([]Bin, bins)}
	for i := range c.Bins {
		c.Bins[i].Low, c.Bins[i].High = float64(i)/float64(bins), float64(i+1)/float64(bins)
	}
	for _, f := range forecasts {
		if !(f.P >= 0 && f.P <= 1) {
			return Calibration{}, errors.New("isolate: a forecast is not from 0 to 1")
		}
		c.take(f)
	}
	if c.Count == 0 {
		return c, nil
	}
	c.finish(forecasts)
	return c, nil
}

// take adds a forecast to the sums.
func (c *Calibration) take(f Forecast) {
	b := &c.Bins[c.bin(f.P)]
	b.Count++
	b.Predicted += f.P
	b.Observed += f.outcome()
	c.Brier += square(f.P - f.outcome())
	given := f.P
	if !f.True {
		given = 1 - f.P
	}
	c.Log -= math.Log(max(given, LogFloor))
}

// bin is the place of a forecast, by the bounds as the table shows them.
func (c *Calibration) bin(p float64) int {
	at := min(int(p*float64(len(c.Bins))), len(c.Bins)-1)
	if p < c.Bins[at].Low {
		return at - 1
	}
	if at+1 < len(c.Bins) && p >= c.Bins[at].High {
		return at + 1
	}
	return at
}

// finish makes means of sums, and takes the Brier score apart.
func (c *Calibration) finish(forecasts []Forecast) {
	n := float64(c.Count)
	c.Brier /= n
	c.Log /= n
	base := 0.0
	for i := range c.Bins {
		base += c.Bins[i].Observed / n
		if k := float64(c.Bins[i].Count); k > 0 {
			c.Bins[i].Predicted /= k
			c.Bins[i].Observed /= k
		}
	}
	c.Uncertainty = base * (1 - base)
	for _, b := range c.Bins {
		share := float64(b.Count) / n
		c.Reliability += share * square(b.Predicted-b.Observed)
		c.Resolution += share * square(b.Observed-base)
		c.Gap += share * math.Abs(b.Predicted-b.Observed)
	}
	for _, f := range forecasts {
		b := c.Bins[c.bin(f.P)]
		off := f.P - b.Predicted
		c.Within += (square(off) - 2*off*(f.outcome()-b.Observed)) / n
	}
}

func (f Forecast) outcome() float64 {
	if f.True {
		return 1
	}
	return 0
}

func square(x float64) float64 { return x * x }

// Ended is a call at its end: the probability of each fault, and the faults
// that were found. A fault found that is not among Faults had probability 0.
type Ended struct {
	Faults        []string
	Probabilities []float64
	Found         []string
}

// CallCalibration is how good the final probabilities of calls were.
type CallCalibration struct {
	Count int
	// Brier is the mean over calls of the sum over faults of (p − found)², those
	// found but not listed included. With one fault found and probabilities that
	// add up to one it is from 0 to 2.
	Brier    float64
	TopFound int         // calls in which the likeliest fault was found
	Unlisted int         // calls in which a fault was found that was not listed
	Top      Calibration // of the likeliest fault of each call, the first of equals
	Every    Calibration // of every fault of every call
}

// CalibrateCalls scores the final probabilities of calls, in bins as Calibrate.
// Calls must be those in which something was verified; of the others nobody
// knows the outcome. Errors: a probability that is not from 0 to 1, other
// numbers of faults and probabilities, a fault listed twice, no fault, nothing
// found.
func CalibrateCalls(calls []Ended, bins int) (CallCalibration, error) {
	out := CallCalibration{Count: len(calls)}
	var top, every []Forecast
	for _, e := range calls {
		if err := e.check(); err != nil {
			return CallCalibration{}, err
		}
		fs := e.forecasts()
		for _, f := range fs {
			out.Brier += square(f.P-f.outcome()) / float64(len(calls))
		}
		likeliest := fs[Likeliest(e.Probabilities, 1)[0]]
		if likeliest.True {
			out.TopFound++
		}
		if len(fs) > len(e.Faults) {
			out.Unlisted++
		}
		top, every = append(top, likeliest), append(every, fs...)
	}
	var err error
	if out.Top, err = Calibrate(top, bins); err != nil {
		return CallCalibration{}, err
	}
	out.Every, err = Calibrate(every, bins)
	return out, err
}

func (e Ended) check() error {
	if len(e.Faults) != len(e.Probabilities) || len(e.Faults) == 0 || len(e.Found) == 0 {
		return fmt.Errorf("isolate: a call has %d faults, %d probabilities and %d found", len(e.Faults), len(e.Probabilities), len(e.Found))
	}
	for i, f := range e.Faults {
		if slices.Contains(e.Faults[:i], f) {
			return fmt.Errorf("isolate: a call lists fault %s twice", f)
		}
	}
	for _, p := range e.Probabilities {
		if !(p >= 0 && p <= 1) {
			return errors.New("isolate: a probability is not from 0 to 1")
		}
	}
	return nil
}

// forecasts lists the faults in order, then those found but not listed.
func (e Ended) forecasts() []Forecast {
	out := make([]Forecast, 0, len(e.Faults)+1)
	for i, f := range e.Faults {
		out = append(out, Forecast{e.Probabilities[i], slices.Contains(e.Found, f)})
	}
	for i, f := range e.Found {
		if !slices.Contains(e.Faults, f) && !slices.Contains(e.Found[:i], f) {
			out = append(out, Forecast{0, true})
		}
	}
	return out
}
