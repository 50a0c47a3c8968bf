package sensors

import (
	"errors"
	"math"

	"drumline/diagnosis/measure"
)

// lastStretch is the stretch before the opening over which the heating rate is
// taken: 20 °F, in kelvin.
const lastStretch = 100.0 / 9

// State says what a contact did during a warm-up.
type State string

// The states. OpenCold is right for a defrost thermostat and wrong for a
// cycling one: the caller knows the part.
const (
	Opened      State = "opened"
	NeverOpened State = "never_opened"
	OpenCold    State = "open_cold"
)

// WarmUp is a warm-up noted by hand. All temperatures are kelvin.
type WarmUp struct {
	LastClosed *float64 // last temperature seen with the contact closed
	FirstOpen  *float64 // first temperature seen with the contact open; nil: it never opened
	Seconds    float64  // time over the last 11.1 K (20 °F) before the opening; 0: not taken
	Rate       float64  // K/s, when known instead of Seconds; 0: not known
	Recloses   *float64 // temperature at which it was closed again, cooling
}

// Response holds the time constants of the first-order lags of a warm-up.
type Response struct {
	Disc        float64 // s, the disc behind the air or plate that heats it
	Thermometer float64 // s, the bead behind what it touches
}

// DefaultResponse is assumed when nothing is known: 60 s for a disc in its
// housing, 5 s for a bead held on it. Common practice, no source.
func DefaultResponse() Response { return Response{Disc: 60, Thermometer: 5} }

// Slowest is the larger time constant, seconds.
func (r Response) Slowest() float64 { return math.Max(r.Disc, r.Thermometer) }

// Opening is what a warm-up shows of a bimetal contact. Temperatures are as
// read, kelvin, without the lag taken off: see Estimate.
type Opening struct {
	State State
	Low   float64 // last closed; of NeverOpened the highest seen; of OpenCold the same as High
	High  float64 // first open; of NeverOpened the same as Low
	Rate  float64 // K/s before the opening or the highest temperature, 0 when it is not known
	Lag   float64 // K at that rate with the default response; 0 when the rate is not known

	Recloses     *float64 // temperature of the first closing while cooling
	Differential *float64 // High less Recloses
	Chatter      bool     // it closed again while still hot, before it had cooled
}

// OpeningFromSeries reads a logged warm-up: seconds, kelvin, contact closed.
// It is an error when the columns differ in length or are empty, times do not
// rise, or a temperature is not one a disc can have (150 to 2000 K).
func OpeningFromSeries(t, kelvin []float64, closed []bool) (Opening, error) {
	if err := checkSeries(t, kelvin, closed); err != nil {
		return Opening{}, err
	}
	open := 0
	for open < len(closed) && closed[open] {
		open++
	}
	switch open {
	case 0:
		return Opening{State: OpenCold, Low: kelvin[0], High: kelvin[0]}, nil
	case len(closed):
		top := highest(kelvin)
		return heated(NeverOpened, top, top, rateUpTo(t, kelvin, hottest(kelvin, top))), nil
	case 1:
		rate := (kelvin[1] - kelvin[0]) / (t[1] - t[0])
		return heated(Opened, kelvin[0], kelvin[1], rate).reclosing(kelvin[1:], closed[1:]), nil
	}
	rate := rateUpTo(t, kelvin, open-1)
	return heated(Opened, kelvin[open-1], kelvin[open], rate).reclosing(kelvin[open:], closed[open:]), nil
}

// hottest is the last sample within 1 K of the top: a soak there counts, as
// the disc catches up.
func hottest(kelvin []float64, top float64) int {
	last := len(kelvin) - 1
	for kelvin[last] < top-1 {
		last--
	}
	return last
}

// OpeningShort reads a warm-up noted by hand; it says the same as the series
// it abbreviates. A missing FirstOpen means that it never opened, a missing
// LastClosed that it was open from the start. It is an error when both are
// missing, a temperature is not one a disc can have, or it is said to close
// again above its opening.
func OpeningShort(w WarmUp) (Opening, error) {
	if err := w.check(); err != nil {
		return Opening{}, err
	}
	switch {
	case w.FirstOpen == nil:
		return heated(NeverOpened, *w.LastClosed, *w.LastClosed, w.rate()), nil
	case w.LastClosed == nil:
		return Opening{State: OpenCold, Low: *w.FirstOpen, High: *w.FirstOpen}, nil
	}
	o := heated(Opened, *w.LastClosed, *w.FirstOpen, w.rate())
	if w.Recloses != nil {
		o.closeAt(*w.Recloses)
	}
	return o, nil
}

func (w WarmUp) check() error {
	if w.LastClosed == nil && w.FirstOpen == nil {
		return errors.New("warm-up: note the last temperature closed, the first temperature open, or both")
	}
	for _, k := range []*float64{w.LastClosed, w.FirstOpen, w.Recloses} {
		if k != nil && !plausible(*k) {
			return errors.New("warm-up: a temperature is not a temperature a disc can have")
		}
	}
	if !(w.Seconds >= 0) || !(w.Rate >= 0) || !(w.rate() <= fastest) {
		return errors.New("warm-up: time and rate must not be below zero, nor the heating faster than anything heats")
	}
	if w.Recloses != nil && w.FirstOpen != nil && *w.Recloses >= *w.FirstOpen {
		return errors.New("warm-up: a disc closes again below the temperature at which it opened")
	}
	return nil
}

func (w WarmUp) rate() float64 {
	if w.Rate > 0 || w.Seconds == 0 {
		return w.Rate
	}
	return lastStretch / w.Seconds
}

// heated is an opening, or the lack of one, after heating at rate. A rate that
// does not rise says nothing of the lag and counts as not known.
func heated(state State, low, high, rate float64) Opening {
	o := Opening{State: state, Low: math.Min(low, high), High: math.Max(low, high)}
	if rate > 0 && finite(rate) {
		o.Rate = rate
		o.Lag = rate * DefaultResponse().Slowest()
	}
	return o
}

// reclosing looks through what follows the first open sample for the contact
// closing while it cools; closing while still hot is chatter.
func (o Opening) reclosing(kelvin []float64, closed []bool) Opening {
	top := o.High
	for i, k := range kelvin {
		top = math.Max(top, k)
		if !closed[i] {
			continue
		}
		if k < o.Low || k < o.High && k <= top-cooled {
			o.closeAt(k)
			break
		}
		o.Chatter = true
	}
	return o
}

func (o *Opening) closeAt(kelvin float64) {
	d := o.High - kelvin
	o.Recloses, o.Differential = &kelvin, &d
}

// Estimate is the temperature of the disc when it opened and its standard
// uncertainty, kelvin: the middle of the interval in which it opened, less the
// steady lag rate·(disc − thermometer) by which the bead ran ahead of the
// disc. The uncertainty joins the interval and the lags, both rectangular (a
// time constant may be wrong by as much as itself), with that of the
// thermometer, uReading. Of a contact that never opened it is how hot the disc
// got. Of one that was open from the start it is the temperature seen.
func (o Opening) Estimate(r Response, uReading float64) (kelvin, u float64) {
	mid := o.Low + (o.High-o.Low)/2
	interval := measure.Rectangular((o.High - o.Low) / 2)
	lag := measure.Rectangular(o.Rate * math.Hypot(r.Disc, r.Thermometer))
	return mid - o.Rate*(r.Disc-r.Thermometer), measure.Combine(interval, lag, uReading)
}

// TooFast says whether the lag swallows a tolerance of ± tolerance kelvin, that
// is takes up half of it or more, and the greatest rate (K/s) at which the
// warm-up must be repeated. An opening whose rate is not known counts as too
// fast. A contact that was open from the start cannot be too fast, nor can one
// that never opened without a known rate.
func (o Opening) TooFast(tolerance float64, r Response) (tooFast bool, repeatAt float64) {
	repeatAt = MaxRate(tolerance, r)
	// A rate computed from the very limit must not fail on its last bit.
	return o.State == Opened && o.Rate == 0 || o.Rate > repeatAt*(1+1e-9), repeatAt
}

// MaxRate is the greatest heating rate, K/s, at which the lag stays below half
// of a tolerance of ± tolerance kelvin. It is 0 without a time constant to
// reckon with.
func MaxRate(tolerance float64, r Response) float64 {
	if r.Slowest() <= 0 {
		return 0
	}
	return math.Abs(tolerance) / 2 / r.Slowest()
}

// rateUpTo is the least-squares slope over the last stretch up to and with
// sample last, K/s, over two samples at least; 0 for the first sample.
func rateUpTo(t, kelvin []float64, last int) float64 {
	from := last
	for from > 0 && (from == last || kelvin[from-1] >= kelvin[last]-lastStretch*(1+1e-9)) {
		from--
	}
	return slope(t[from:last+1], kelvin[from:last+1])
}

// slope is the least-squares slope of y against x, 0 for one point.
func slope(x, y []float64) float64 {
	var mx, my float64
	for i := range x {
		mx += (x[i] - mx) / float64(i+1)
		my += (y[i] - my) / float64(i+1)
	}
	var sxy, sxx float64
	for i := range x {
		sxy += (x[i] - mx) * (y[i] - my)
		sxx += (x[i] - mx) * (x[i] - mx)
	}
	if sxx == 0 {
		return 0
	}
	return sxy / sxx
}

func checkSeries(t, kelvin []float64, closed []bool) error {
	if len(t) == 0 || len(t) != len(kelvin) || len(t) != len(closed) {
		return errors.New("warm-up: time, temperature and contact must be columns of one length, not empty")
	}
	for i := range t {
		if !finite(t[i]) || math.Abs(t[i]) > longest || i > 0 && t[i] <= t[i-1] {
			return errors.New("warm-up: the times must rise from sample to sample")
		}
		if !plausible(kelvin[i]) {
			return errors.New("warm-up: a temperature is not a temperature a disc can have")
		}
	}
	return nil
}

// cooled is how far below the highest temperature a disc is surely cooling, K.
const cooled = 2.0

// fastest bounds heating rates, K/s.
const fastest = 100

// longest bounds times, seconds: no run lasts ten days.
const longest = 864000

// plausible keeps out slips such as a reading of 0 or an over-range code.
func plausible(kelvin float64) bool { return kelvin > 150 && kelvin < 2000 }

func highest(x []float64) float64 {
	top := x[0]
	for _, v := range x {
		top = math.Max(top, v)
	}
	return top
}
