package survival

import "math"

// IncidenceStep is the state of all causes from Day on: S is the share that
// nothing has struck, CIF[k-1] the share cause k has struck. They add up to 1.
type IncidenceStep struct {
	Day, AtRisk int
	S           float64
	CIF         []float64
}

// Incidence is the share struck by one cause by a day. SE is the infinitesimal
// jackknife's, by unit when units have several rows; limits are log-log.
// AtRisk counts those at risk on that day, before its events.
type Incidence struct {
	Status   Status
	Day      int
	Cause    int
	AtRisk   int
	F, SE    Number
	Interval Interval
}

// Competing is an Aalen-Johansen estimate: what share of the repairs each cause
// strikes first. It answers "what share of our fixes comes back with the same
// fault"; one minus a Kaplan-Meier curve per cause is larger, and those add up to
// more than 1.
type Competing struct {
	Status    Status
	N         int
	Units     int
	Events    []int // by cause
	Clustered bool
	Steps     []IncidenceStep

	rows  []Row
	level float64
}

// maxCauses bounds the causes: they are counted on from 1 without gaps.
const maxCauses = 100

// CumulativeIncidence estimates the shares of all causes (Aalen and Johansen
// 1978). Causes are numbered 1 to the largest seen, 100 at most.
func CumulativeIncidence(rows []Row, level float64) Competing {
	c := Competing{Status: Undefined, N: len(rows), level: level}
	if len(rows) == 0 || !valid(rows) || !validLevel(level) {
		return c
	}
	causes := 0
	for i := range rows {
		causes = max(causes, rows[i].Cause)
	}
	if causes > maxCauses {
		return c
	}
	c.Status, c.rows, c.Units = OK, rows, units(rows)
	c.Clustered = c.Units < c.N
	c.Events = make([]int, causes)
	c.steps(causes)
	return c
}

// eventsByDay counts the events of each cause on each day; a day without any is
// empty.
func eventsByDay(rows []Row, causes int) [][]int32 {
	by := make([][]int32, lastDay(rows)+1)
	for i := range rows {
		if r := &rows[i]; r.Cause > 0 {
			if by[r.Exit] == nil {
				by[r.Exit] = make([]int32, causes)
			}
			by[r.Exit][r.Cause-1]++
		}
	}
	return by
}

func (c *Competing) steps(causes int) {
	by := eventsByDay(c.rows, causes)
	s, cif := 1.0, make([]float64, causes)
	for _, d := range countDays(c.rows, AnyCause) {
		n := float64(d.risk)
		for k, count := range by[d.day] {
			cif[k] += s * float64(count) / n
			c.Events[k] += int(count)
		}
		s *= float64(d.risk-d.events) / n
		c.Steps = append(c.Steps, IncidenceStep{Day: d.day, AtRisk: d.risk, S: s, CIF: append([]float64(nil), cif...)})
	}
}

// At is the share struck by the cause by the day, with its error; not_reached
// past the longest follow-up unless nothing is left to follow.
func (c *Competing) At(cause, day int) Incidence {
	res := Incidence{Status: Undefined, Day: day, Cause: cause, F: none(Undefined), SE: none(Undefined), Interval: noInterval(Undefined)}
	if c.Status != OK || cause < 1 || day <= 0 {
		return res
	}
	final := c.Steps[len(c.Steps)-1]
	if day > final.Day && final.S > 0 {
		res.Status, res.F, res.SE, res.Interval = NotReached, none(NotReached), none(NotReached), noInterval(NotReached)
		return res
	}
	for i := range c.rows {
		if r := &c.rows[i]; r.Entry < day && day <= r.Exit {
			res.AtRisk++
		}
	}
	f := 0.0
	for _, s := range c.Steps {
		if s.Day <= day && cause <= len(s.CIF) {
			f = s.CIF[cause-1]
		}
	}
	res.Status, res.F = OK, number(f)
	c.limits(&res)
	return res
}

// limits of none seen are those of none in the number at risk, as for a repeat
// rate.
func (c *Competing) limits(res *Incidence) {
	f := res.F.Value
	if f == 0 {
		res.Interval = ClopperPearson(0, float64(res.AtRisk), c.level)
		return
	}
	se := math.Sqrt(c.variance(res.Cause, res.Day))
	res.SE = number(se)
	if f < 1 && se > 0 {
		s := survivalLimits(1-f, se, zFor(c.level), LogLog)
		res.Interval = interval(1-s.Hi.Value, 1-s.Lo.Value)
	}
}

// influence holds, by day, the running sums from which a row's influence on the
// share of one cause by a horizon follows. With h = d/n, G the share of the
// cause, S the survival before the day, left = n - d:
//
//	own  = sum S h_k / n        cost of being at risk for the cause
//	gone = sum h / left         cost of being at risk for anything
//	lost = sum h G / left       ... with what the cause had taken by then
type influence struct {
	own, gone, lost       []float64
	surv, perRisk, perEnd []float64 // on the day: S, 1/n, 1/left
	share                 []float64 // G
}

func (c *Competing) influence(cause, horizon int) influence {
	size := min(horizon, lastDay(c.rows)) + 1
	grid := func() []float64 { return make([]float64, size) }
	v := influence{grid(), grid(), grid(), grid(), grid(), grid(), grid()}
	by := eventsByDay(c.rows, len(c.Events))
	next, s := 0, 1.0
	for day := 1; day < size; day++ {
		v.own[day], v.gone[day], v.lost[day], v.share[day] = v.own[day-1], v.gone[day-1], v.lost[day-1], v.share[day-1]
		if next >= len(c.Steps) || c.Steps[next].Day != day {
			continue
		}
		step := c.Steps[next]
		next++
		n := float64(step.AtRisk)
		ended, mine := 0.0, 0.0
		for k, count := range by[day] {
			ended += float64(count)
			if k == cause-1 {
				mine = float64(count)
			}
		}
		left := n - ended
		v.surv[day], v.perRisk[day] = s, 1/n
		v.own[day] += s * mine / (n * n)
		v.share[day] += s * mine / n
		if left > 0 {
			v.perEnd[day] = 1 / left
			v.gone[day] += ended / (n * left)
			v.lost[day] += ended / (n * left) * v.share[day]
		}
		s = step.S
	}
	return v
}

// variance is the sum over units of their squared influence.
func (c *Competing) variance(cause, horizon int) float64 {
	v := c.influence(cause, horizon)
	end := len(v.own) - 1
	total := v.share[end]
	moves := make([]move, len(c.rows))
	for i := range c.rows {
		r := &c.rows[i]
		a, b := min(r.Entry, end), min(r.Exit, end)
		u := -(v.own[b] - v.own[a]) + total*(v.gone[b]-v.gone[a]) - (v.lost[b] - v.lost[a])
		if r.Cause > 0 && r.Exit <= end {
			if r.Cause == cause {
				u += v.surv[r.Exit] * v.perRisk[r.Exit]
			}
			u -= v.perEnd[r.Exit] * (total - v.share[r.Exit])
		}
		moves[i] = move{r.Unit, u}
	}
	return sumSquares(moves)
}

// Means are the days, up to a horizon, that a repair spends on the average
// untouched (S) and after each cause has struck. They add up to the horizon.
type Means struct {
	Status Status
	S      float64
	Causes []float64
}

// RestrictedMeans integrates the curves from 0 to the horizon in days; not
// reached past the longest follow-up.
func (c *Competing) RestrictedMeans(horizon int) Means {
	if c.Status != OK || horizon <= 0 {
		return Means{Status: Undefined}
	}
	if horizon > c.Steps[len(c.Steps)-1].Day {
		return Means{Status: NotReached}
	}
	m := Means{Status: OK, Causes: make([]float64, len(c.Events))}
	day, now := 0, IncidenceStep{S: 1, CIF: make([]float64, len(c.Events))}
	add := func(until int) {
		width := float64(until - day)
		m.S += now.S * width
		for k, f := range now.CIF {
			m.Causes[k] += f * width
		}
	}
	for _, s := range c.Steps {
		if s.Day > horizon {
			break
		}
		add(s.Day)
		day, now = s.Day, s
	}
	add(horizon)
	return m
}
