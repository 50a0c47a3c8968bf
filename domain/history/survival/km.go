package survival

import "math"

// Limits is how the limits of a survival curve are made.
type Limits int

// The kinds of limits. Log-log stays within 0 and 1 and is the one to show;
// plain and log are cut at 0 and 1. R draws log unless told otherwise.
const (
	LogLog Limits = iota
	Log
	Plain
)

// Step is the survival curve from Day on. SE is Greenwood's. SE and limits do
// not exist where S is 0; log-log limits do not exist where S is 1 either.
// CumHazard is Nelson and Aalen's, with its Poisson-type standard error.
type Step struct {
	Day, AtRisk, Events, Censored int
	S                             float64
	SE                            Number
	Interval                      Interval
	CumHazard, CumHazardSE        float64
}

// Curve is a Kaplan-Meier curve: one step for each day on which a row ended.
type Curve struct {
	Status Status
	N      int // rows
	Events int
	Steps  []Step
}

// KaplanMeier estimates the chance that the cause has not struck by each day;
// rows ended by other causes count as censored on that day ("net" of them: that
// reading needs independence; see CumulativeIncidence). Level is the two-sided
// confidence level of each step, such as 0.95. Rows are taken as independent:
// the limits of RepeatRate are not.
//
// With left truncation the first risk sets may be tiny: a curve that starts
// with 1 at risk can fall to 0 and stay there. Leave out rows that ended before
// a start day with some 5 at risk and set their entry to it (From).
func KaplanMeier(rows []Row, cause int, level float64, kind Limits) Curve {
	if len(rows) == 0 || !valid(rows) || cause < 0 || !validLevel(level) {
		return Curve{Status: Undefined, N: len(rows)}
	}
	days := countDays(rows, cause)
	c := Curve{Status: OK, N: len(rows), Steps: make([]Step, 0, len(days))}
	z := zFor(level)
	run := running{s: 1}
	for _, d := range days {
		run.add(d)
		c.Events += d.events
		c.Steps = append(c.Steps, run.step(d, z, kind))
	}
	return c
}

// From conditions rows on being still at risk after the start day: rows that
// ended by then are dropped, the others enter no earlier than it.
func From(rows []Row, start int) []Row {
	var kept []Row
	for _, r := range rows {
		if r.Exit <= start {
			continue
		}
		r.Entry = max(r.Entry, start)
		kept = append(kept, r)
	}
	return kept
}

// running is the state of the product over the days.
type running struct {
	s         float64 // survival
	green     float64 // Greenwood's sum
	hazard    float64 // Nelson-Aalen
	hazardVar float64
}

func (r *running) add(d dayCount) {
	if d.events == 0 {
		return
	}
	e, n := float64(d.events), float64(d.risk)
	r.s *= (n - e) / n
	r.green += e / (n * (n - e))
	r.hazard += e / n
	r.hazardVar += e / (n * n)
}

func (r *running) step(d dayCount, z float64, kind Limits) Step {
	s := Step{Day: d.day, AtRisk: d.risk, Events: d.events, Censored: d.censored, S: r.s,
		SE: number(r.s * math.Sqrt(r.green)), Interval: noInterval(Undefined),
		CumHazard: r.hazard, CumHazardSE: math.Sqrt(r.hazardVar)}
	if r.s > 0 {
		s.Interval = survivalLimits(r.s, s.SE.Value, z, kind)
	}
	return s
}

// survivalLimits are the limits of a survival chance s > 0 with standard error
// se.
func survivalLimits(s, se, z float64, kind Limits) Interval {
	switch kind {
	case Plain:
		return interval(clamp01(s-z*se), clamp01(s+z*se))
	case Log:
		return interval(s*math.Exp(-z*se/s), min(1, s*math.Exp(z*se/s)))
	}
	if s >= 1 {
		return noInterval(Undefined)
	}
	w := math.Exp(z * se / (s * math.Abs(math.Log(s))))
	return interval(math.Pow(s, w), math.Pow(s, 1/w))
}

// at is the last step on or before the day; ok is false before the first.
func (c *Curve) at(day int) (Step, bool) {
	lo, hi := 0, len(c.Steps)
	for lo < hi {
		mid := (lo + hi) / 2
		if c.Steps[mid].Day <= day {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo == 0 {
		return Step{S: 1}, false
	}
	return c.Steps[lo-1], true
}
