package survival

import (
	"cmp"
	"math"
	"slices"
)

// How the limits of a repeat rate were made.
const (
	ByLogLog         = "kaplan-meier, log-log limits"
	ByLogLogClusters = "kaplan-meier, log-log limits, variance by unit"
	ByAtRisk         = "no repeat seen: clopper-pearson upper limit of the number at risk"
	ByAllBack        = "all came back: no limits"
)

// RepeatRate is the chance that the fault has come back by day N.
type RepeatRate struct {
	Status Status
	Within int // N, days
	Level  float64
	Method string

	Repairs  int // rows
	Units    int
	Events   int // by day N
	AtRisk   int // on day N, before its events
	Exposure int // row-days up to day N
	Last     int // longest follow-up, days

	F, SE     Number
	Interval  Interval
	Clustered bool // a unit has several rows: SE is by unit

	EffectiveN Number   // F(1-F)/Var: as many followed repairs as this is worth
	Wilson     Interval // with the effective number

	// Naive is events over all rows. It counts young repairs as good and is
	// shown only beside F, labelled.
	Naive         Number
	NaiveInterval Interval
	// Followed are rows known at day N, NaiveFollowed the events among them: it
	// keeps the bad young repairs and drops the good ones.
	Followed      int
	NaiveFollowed Number
}

// RepeatWithin estimates the chance that the cause strikes within n days of the
// fix. Rows ended by other causes are censored ("net": how good the fix is by
// itself; CumulativeIncidence tells what share of the fixes comes back). When
// a unit has several rows, the variance is by unit (infinitesimal jackknife).
//
// With no event by day n the standard error of the curve is 0 and says nothing:
// the upper limit is then Clopper and Pearson's of none in the number at risk
// on day n (near 3/n), the lower one 0. Past the longest follow-up the rate is
// not_reached: nothing is extrapolated, unless the curve is at 0 already.
func RepeatWithin(rows []Row, cause, n int, level float64) RepeatRate {
	r := RepeatRate{Within: n, Level: level, Repairs: len(rows), Status: Undefined,
		F: none(Undefined), SE: none(Undefined), Interval: noInterval(Undefined), EffectiveN: none(Undefined),
		Wilson: noInterval(Undefined), Naive: none(Undefined), NaiveInterval: noInterval(Undefined), NaiveFollowed: none(Undefined)}
	if len(rows) == 0 || !valid(rows) || cause < 0 || n <= 0 || !validLevel(level) {
		return r
	}
	r.count(rows, cause)
	r.naive(level)
	days := countDays(rows, cause)
	run := running{s: 1}
	for _, d := range days {
		if d.day <= n {
			run.add(d)
		}
	}
	if n > r.Last && run.s > 0 {
		r.Status, r.F, r.SE, r.Interval = NotReached, none(NotReached), none(NotReached), noInterval(NotReached)
		return r
	}
	r.Status, r.F = OK, number(1-run.s)
	r.limits(rows, cause, days, run)
	return r
}

func (r *RepeatRate) count(rows []Row, cause int) {
	r.Last, r.Units = lastDay(rows), units(rows)
	r.Clustered = r.Units < r.Repairs
	for i := range rows {
		row := &rows[i]
		back := row.event(cause) && row.Exit <= r.Within
		switch {
		case back:
			r.Events++
			r.Followed++
		case row.Exit >= r.Within:
			r.Followed++
		}
		if row.Entry < r.Within && row.Exit >= r.Within {
			r.AtRisk++
		}
		r.Exposure += max(0, min(row.Exit, r.Within)-row.Entry)
	}
}

func (r *RepeatRate) naive(level float64) {
	x := float64(r.Events)
	r.Naive = number(x / float64(r.Repairs))
	r.NaiveInterval = Wilson(x, float64(r.Repairs), level)
	if r.Followed > 0 {
		r.NaiveFollowed = number(x / float64(r.Followed))
	}
}

func (r *RepeatRate) limits(rows []Row, cause int, days []dayCount, run running) {
	switch {
	case r.Events == 0:
		r.Method = ByAtRisk
		r.Interval = ClopperPearson(0, float64(r.AtRisk), r.Level)
		return
	case run.s <= 0:
		r.Method = ByAllBack
		return
	}
	se := run.s * math.Sqrt(run.green)
	r.Method = ByLogLog
	if r.Clustered {
		se = math.Sqrt(survivalVarByUnit(rows, cause, days, r.Within, run.s))
		r.Method = ByLogLogClusters
	}
	r.SE = number(se)
	if !(se > 0) {
		return
	}
	s := survivalLimits(run.s, se, zFor(r.Level), LogLog)
	r.Interval = interval(1-s.Hi.Value, 1-s.Lo.Value)
	f := 1 - run.s
	r.EffectiveN = number(f * run.s / (se * se))
	r.Wilson = Wilson(f*r.EffectiveN.Value, r.EffectiveN.Value, r.Level)
}

// survivalVarByUnit is the infinitesimal jackknife of S(n): the squares of the
// units' influences, a unit's being the sum of its rows'.
func survivalVarByUnit(rows []Row, cause int, days []dayCount, n int, s float64) float64 {
	last := lastDay(rows)
	gone := make([]float64, last+1) // sum of d/(n(n-d)) up to a day
	back := make([]float64, last+1) // 1/(n-d) on a day
	sum, next := 0.0, 0
	for day := range gone {
		if next < len(days) && days[next].day == day {
			d := days[next]
			if left := float64(d.risk - d.events); d.events > 0 && left > 0 {
				sum += float64(d.events) / (float64(d.risk) * left)
				back[day] = 1 / left
			}
			next++
		}
		gone[day] = sum
	}
	moves := make([]move, len(rows))
	for i := range rows {
		r := &rows[i]
		u := gone[min(r.Entry, n)] - gone[min(r.Exit, n)]
		if r.event(cause) && r.Exit <= n {
			u += back[r.Exit]
		}
		moves[i] = move{r.Unit, u}
	}
	return s * s * sumSquares(moves)
}

// move is a row's influence on an estimate.
type move struct {
	unit int
	by   float64
}

// byUnit puts moves in the order of their units, and of their size within one.
// Units are usually numbered without large gaps: then they are dealt out by
// number, which takes no comparing.
func byUnit(moves []move) []move {
	inOrder := func(a, b move) int { return cmp.Or(cmp.Compare(a.unit, b.unit), cmp.Compare(a.by, b.by)) }
	least, most := 0, 0
	for _, m := range moves {
		least, most = min(least, m.unit), max(most, m.unit)
	}
	if least < 0 || most > 4*len(moves)+1024 {
		slices.SortFunc(moves, inOrder)
		return moves
	}
	ends := make([]int32, most+2)
	for _, m := range moves {
		ends[m.unit+1]++
	}
	for u := range most + 1 {
		ends[u+1] += ends[u]
	}
	out := make([]move, len(moves))
	for _, m := range moves {
		out[ends[m.unit]] = m
		ends[m.unit]++
	}
	begin := int32(0)
	for _, end := range ends[:most+1] { // now the end of each unit
		if end-begin > 1 {
			slices.SortFunc(out[begin:end], inOrder)
		}
		begin = end
	}
	return out
}

// sumSquares adds up the squares of the units' influences. Sorting also by size
// keeps the last digit the same in whatever order the rows come.
func sumSquares(moves []move) float64 {
	moves = byUnit(moves)
	sum, unit := 0.0, 0.0
	for i, m := range moves {
		unit += m.by
		if i == len(moves)-1 || moves[i+1].unit != m.unit {
			sum += unit * unit
			unit = 0
		}
	}
	return sum
}
