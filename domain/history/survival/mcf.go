package survival

import (
	"math"
	"slices"
)

// History is one unit's failures while the shop watched it: at risk on the days
// From < t <= To, failing on the days Events (each inside, in any order, several
// on a day count each). When the watch was opened by a failure, From is the day
// of that visit and the failure is not among the events: units enter a shop by
// failing, and counting that failure nearly trebles the rate.
type History struct {
	From, To int
	Events   []int
}

// smallMCF is the number at risk under which a mean cumulative function is to
// be greyed out.
const smallMCF = 10

// MCFStep is the mean number of failures per unit up to Day.
type MCFStep struct {
	Day, AtRisk, Events int
	MCF, SE             float64
	Interval            Interval // MCF exp(±z SE/MCF)
	Small               bool     // fewer than 10 units at risk: grey it out
}

// MCF is a mean cumulative function with Lawless and Nadeau's robust variance.
type MCF struct {
	Status   Status
	Units    int
	Events   int
	Exposure int    // unit-days
	Variance string // its name
	Steps    []MCFStep
	// YearlySlope is the failures per unit and 365 days over the last third of
	// the follow-up: too_few when no two steps show it.
	YearlySlope Number
}

// RobustVariance names the variance of an MCF.
const RobustVariance = "Lawless-Nadeau robust"

// MeanCumulative estimates the mean number of failures per unit by each day. The
// variance is the robust one (Lawless and Nadeau 1995): units may differ and one
// failure may bring the next. Poisson-type and "no covariance" variances cover
// some 81 % in place of 95 % when units differ. A unit's failures on one day are
// taken together, so their order does not matter.
func MeanCumulative(units []History, level float64) MCF {
	m := MCF{Status: Undefined, Units: len(units), Variance: RobustVariance, YearlySlope: none(Undefined)}
	if len(units) == 0 || !validLevel(level) || !validHistories(units) {
		return m
	}
	m.Status, m.YearlySlope = OK, none(TooFew)
	for i := range units {
		m.Exposure += units[i].To - units[i].From
		m.Events += len(units[i].Events)
	}
	m.steps(units, zFor(level))
	m.slope()
	return m
}

func validHistories(units []History) bool {
	for i := range units {
		u := &units[i]
		if u.From < 0 || u.To <= u.From || u.To > MaxDay {
			return false
		}
		for _, e := range u.Events {
			if e <= u.From || e > u.To {
				return false
			}
		}
	}
	return true
}

// happening is what changes on a day: who enters after it, who leaves after it,
// who fails on it.
type happening struct{ enter, leave, fail []int }

func happenings(units []History) map[int]*happening {
	by := map[int]*happening{}
	at := func(day int) *happening {
		if by[day] == nil {
			by[day] = &happening{}
		}
		return by[day]
	}
	for i := range units {
		at(units[i].From).enter = append(at(units[i].From).enter, i)
		at(units[i].To).leave = append(at(units[i].To).leave, i)
		for _, e := range units[i].Events {
			at(e).fail = append(at(e).fail, i)
		}
	}
	return by
}

// mcfRun carries the influences of the units. A unit's is the sum of 1/n over
// its failures less what being at risk costs, cost - start: only the units that
// fail are touched on a day.
type mcfRun struct {
	risk   int
	mcf    float64
	cost   float64   // sum of d/n² so far
	own    []float64 // sum of 1/n over the unit's failures
	start  []float64 // cost when the unit entered
	inside []bool
	end    []float64 // influence after leaving
}

func (r *mcfRun) influence(i int) float64 {
	if r.inside[i] {
		return r.own[i] - (r.cost - r.start[i])
	}
	return r.end[i]
}

// variance is the sum of squared influences.
func (r *mcfRun) variance() float64 {
	sum := 0.0
	for i := range r.own {
		u := r.influence(i)
		sum += u * u
	}
	return sum
}

func (m *MCF) steps(units []History, z float64) {
	n := len(units)
	run := mcfRun{own: make([]float64, n), start: make([]float64, n), inside: make([]bool, n), end: make([]float64, n)}
	by := happenings(units)
	for _, day := range sortedKeys(by) {
		h := by[day]
		if d := len(h.fail); d > 0 {
			at := float64(run.risk)
			run.mcf += float64(d) / at
			run.cost += float64(d) / (at * at)
			for _, i := range h.fail {
				run.own[i] += 1 / at
			}
			m.Steps = append(m.Steps, run.step(day, d, z))
		}
		run.move(h)
	}
}

// move lets units leave and enter after the day.
func (r *mcfRun) move(h *happening) {
	for _, i := range h.leave {
		r.end[i] = r.influence(i)
		r.inside[i] = false
	}
	for _, i := range h.enter {
		r.start[i], r.inside[i] = r.cost, true
	}
	r.risk += len(h.enter) - len(h.leave)
}

func (r *mcfRun) step(day, failures int, z float64) MCFStep {
	se := math.Sqrt(r.variance())
	w := math.Exp(z * se / r.mcf)
	return MCFStep{Day: day, AtRisk: r.risk, Events: failures, MCF: r.mcf, SE: se,
		Interval: interval(r.mcf/w, r.mcf*w), Small: r.risk < smallMCF}
}

// slope looks at the last third of the days up to the last step.
func (m *MCF) slope() {
	if len(m.Steps) < 2 {
		return
	}
	last := m.Steps[len(m.Steps)-1]
	start := float64(last.Day) * 2 / 3
	i := slices.IndexFunc(m.Steps, func(s MCFStep) bool { return float64(s.Day) > start })
	if i == 0 || i == len(m.Steps)-1 {
		return
	}
	m.YearlySlope = number((last.MCF - m.Steps[i-1].MCF) / (float64(last.Day) - start) * 365)
}
