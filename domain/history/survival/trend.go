package survival

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Window is one unit's failures while it was watched, in any one unit of time:
// after From up to To, so From < event <= To. When the watch was opened by a
// failure, From is that visit and the failure is left out. FailureTerminated
// says that the watch ended because of the last failure (To is its time): that
// one then carries no information and is dropped.
//
// Time runs from the start of each unit's own window. Never pool units on
// calendar dates: a growing customer base then looks like units getting worse,
// every time.
type Window struct {
	From, To          float64
	Events            []float64
	FailureTerminated bool
}

// Direction is what a trend test found.
type Direction string

// The directions.
const (
	Worse      Direction = "worse"
	Better     Direction = "better"
	NoEvidence Direction = "no_evidence"
)

// minTrendEvents is how few failures a trend test is refused below.
const minTrendEvents = 4

// Trend tells whether failures come faster or slower as time goes on.
type Trend struct {
	Status  Status
	Windows int
	Events  int // all
	Used    int // without the last ones of failure-terminated windows

	// Laplace's U is above 0 when failures come late in the windows: worse.
	Laplace, LaplaceP Number
	// MILHDBK is the test against a power law: chi-square on 2 Used degrees;
	// small means worse, large better. Units that differ also shift it.
	MILHDBK, MILHDBKP Number
	DF                int
	// LewisRobinson is U over the coefficient of variation of the gaps between
	// failures: clustered failures inflate U, not this (from memory).
	LewisRobinson, LewisRobinsonP Number
	Direction                     Direction
}

// TestTrend looks for a trend. The direction is worse or better only when
// Laplace's test and the Lewis-Robinson guard both reject at 1 - level, two-sided;
// MIL-HDBK is shown beside them and may disagree, since it looks for another
// form of trend. Fewer than 4 used events are too_few.
func TestTrend(windows []Window, level float64) Trend {
	undefined := none(Undefined)
	t := Trend{Status: Undefined, Windows: len(windows), Laplace: undefined, LaplaceP: undefined, MILHDBK: undefined,
		MILHDBKP: undefined, LewisRobinson: undefined, LewisRobinsonP: undefined, Direction: NoEvidence}
	if len(windows) == 0 || !validLevel(level) || !validWindows(windows) {
		return t
	}
	s := sumWindows(windows)
	t.Events, t.Used = s.events, s.used
	if t.Used < minTrendEvents {
		t.Status = TooFew
		return t
	}
	t.Status = OK
	u := s.excess / math.Sqrt(s.spread)
	t.Laplace, t.LaplaceP = number(u), number(twoSided(u))
	t.DF = 2 * t.Used
	t.MILHDBK = number(2 * s.logs)
	t.MILHDBKP = number(bothTails(2*s.logs, t.DF))
	t.guard(u, windows)
	if zc := zFor(level); math.Abs(u) > zc && t.LewisRobinson.OK() && math.Abs(t.LewisRobinson.Value) > zc {
		t.Direction = Better
		if u > 0 {
			t.Direction = Worse
		}
	}
	return t
}

func validWindows(windows []Window) bool {
	for _, w := range windows {
		if !(w.To > w.From) || math.IsInf(w.From, 0) || math.IsInf(w.To, 0) || w.To-w.From < 1e-100 || w.To-w.From > 1e100 {
			return false
		}
		for _, e := range w.Events {
			if !(e > w.From && e <= w.To) {
				return false
			}
		}
	}
	return true
}

// used are the events that carry information, as times since the start.
func (w Window) used() []float64 {
	times := make([]float64, len(w.Events))
	for i, e := range w.Events {
		times[i] = e - w.From
	}
	slices.Sort(times)
	if w.FailureTerminated && len(times) > 0 {
		times = times[:len(times)-1]
	}
	return times
}

type windowSums struct {
	events, used           int
	excess, spread, logs   float64
	totalLog, totalWatched float64
}

func sumWindows(windows []Window) windowSums {
	var s windowSums
	for _, w := range windows {
		length := w.To - w.From
		times := w.used()
		s.events += len(w.Events)
		s.used += len(times)
		s.totalWatched += length
		s.spread += float64(len(times)) * length * length / 12
		for _, t := range times {
			s.excess += t - length/2
			s.logs += math.Log(length / t)
		}
		for _, e := range w.Events {
			s.totalLog += math.Log(e - w.From)
		}
	}
	return s
}

// bothTails is twice the smaller tail of chi-square.
func bothTails(x float64, df int) float64 {
	upper := chiSqTail(x, df)
	lower := chiSqBelow(x, df)
	return min(1, 2*min(upper, lower))
}

// guard divides U by the coefficient of variation of all complete gaps.
func (t *Trend) guard(u float64, windows []Window) {
	var gaps []float64
	for _, w := range windows {
		last := 0.0
		events := slices.Clone(w.Events)
		slices.Sort(events)
		for _, e := range events {
			gaps = append(gaps, e-w.From-last)
			last = e - w.From
		}
	}
	mean, sd := stat.MeanStdDev(gaps, nil)
	if cv := sd / mean; cv > 0 {
		t.LewisRobinson = number(u / cv)
		t.LewisRobinsonP = number(twoSided(u / cv))
	}
}
