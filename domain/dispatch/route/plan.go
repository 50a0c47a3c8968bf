package route

import (
	"fmt"
	"strings"
	"time"

	"drumline/domain"
)

// Visit is one stop of a planned day.
type Visit struct {
	Stop        int // index in Day.Stops
	ID          string
	Travel      time.Duration // on the road from the place before
	TravelKnown bool          // false: a place is unknown, Travel is the default
	Arrives     time.Time
	Wait        time.Duration // from arriving to starting: for the window or a break
	Starts      time.Time
	Ends        time.Time
	Slack       time.Duration // how much later it may start with all that is met still met
	Unmet       bool          // its window is one of Plan.Unmet; served when reached
}

// Plan is an order of the day.
type Plan struct {
	Visits  []Visit
	Driving time.Duration
	Finish  time.Time // the end reached; without one, the last service done
	Exact   bool      // nothing drives less; false above ExactStops

	// Feasible: every window and the end of work are met. Else Unmet (indexes of
	// Day.Stops in the order of their ids) and EndUnmet are a smallest set to give
	// up: with any fewer, of any stops, no order meets the others. The end of work
	// counts as one window. Among equally small sets: fewest fixed stops and the
	// end kept, then least driving, then earliest finish. The visits show the day
	// with just those given up. Above ExactStops the set is a small one, unproven.
	Feasible bool
	Unmet    []int
	EndUnmet bool
	Sentence string // what is to be given up, for the dispatcher; empty when feasible
}

// Plan orders the day on estimated roads: every window met with the least
// driving, ties by the earliest finish, then by the ids of the stops.
func (d Day) Plan(r Roads) (Plan, error) {
	var ps domain.Problems
	if r.Check(&ps, "/roads"); ps.Err() != nil {
		return Plan{}, ps.Err()
	}
	if err := d.Check(); err != nil {
		return Plan{}, err
	}
	plan, err := d.PlanOn(r.Matrix(d))
	last := d.Start
	for i := range plan.Visits {
		here := d.Stops[plan.Visits[i].Stop].Place
		plan.Visits[i].TravelKnown = last.Known && here.Known
		last = here
	}
	return plan, err
}

// PlanOn is Plan on given travel times; every visit's travel counts as known.
func (d Day) PlanOn(m Matrix) (Plan, error) {
	p, order, err := d.prepare(m)
	if err != nil {
		return Plan{}, err
	}
	exact := len(order) <= ExactStops
	s := solution{}
	if exact {
		s = p.exact()
	} else {
		s = p.heuristic()
	}
	return d.report(p, s, order, exact), nil
}

func (d Day) prepare(m Matrix) (problem, []int, error) {
	if err := d.Check(); err != nil {
		return problem{}, nil, err
	}
	order := d.byID()
	p := d.problem(order)
	nodes := make([]int, 0, p.size)
	nodes = append(nodes, 0)
	for _, k := range order {
		nodes = append(nodes, k+1)
	}
	nodes = append(nodes, len(order)+1)
	if len(m) != p.size {
		return problem{}, nil, badMatrix()
	}
	for i, a := range nodes {
		if len(m[a]) != p.size {
			return problem{}, nil, badMatrix()
		}
		for k, b := range nodes {
			if d.End == nil && k == p.home() {
				continue
			}
			if m[a][b] < 0 || m[a][b] > longest*time.Second {
				return problem{}, nil, badMatrix()
			}
			p.leg[i*p.size+k] = ceil(m[a][b])
		}
	}
	return p, order, nil
}

func badMatrix() error {
	return domain.Field("/matrix", "range", "Travel is a square of one row and column for the start, each stop and the end, none negative or above 48 days.")
}

// relaxed is the problem without what is given up.
func (p problem) relaxed(s solution) problem {
	p.tasks = append([]task(nil), p.tasks...)
	for i, given := range s.given {
		if given {
			p.tasks[i].early, p.tasks[i].late = -never, never
		}
	}
	if s.end {
		p.closes = never
	}
	return p
}

func (d Day) report(p problem, s solution, order []int, exact bool) Plan {
	p = p.relaxed(s)
	times := make([]visit, len(s.order))
	driving, finish, _ := p.timed(s.order, times)
	p.latest(s.order, times)
	out := Plan{Visits: make([]Visit, len(s.order)), Driving: seconds(int32(driving)), Finish: d.clock(finish), Exact: exact, EndUnmet: s.end}
	at := 0
	for i, k := range s.order {
		t := times[i]
		last, _ := p.serve(k, t.latest)
		out.Visits[i] = Visit{Stop: order[k], ID: d.Stops[order[k]].ID, Travel: seconds(p.way(at, k+1)), TravelKnown: true,
			Arrives: d.clock(t.arrive), Wait: seconds(t.start - t.arrive), Starts: d.clock(t.start), Ends: d.clock(t.end),
			Slack: seconds(last - t.start), Unmet: s.given[k]}
		at = k + 1
	}
	for k, given := range s.given {
		if given {
			out.Unmet = append(out.Unmet, order[k])
		}
	}
	out.Feasible = len(out.Unmet) == 0 && !s.end
	out.Sentence = d.sentence(out)
	return out
}

func seconds(s int32) time.Duration { return time.Duration(s) * time.Second }

func (d Day) clock(s int32) time.Time { return d.Opens.Add(seconds(s)) }

// sentence says in the zone of the day's start what cannot be met.
func (d Day) sentence(p Plan) string {
	var what []string
	for _, k := range p.Unmet {
		what = append(what, d.Stops[k].called()+" ("+d.window(d.Stops[k])+")")
	}
	if p.EndUnmet {
		what = append(what, "the end of work ("+d.hour(d.Closes)+")")
	}
	how := "No order of the stops meets every window; at least"
	if !p.Exact {
		how = "No order was found that meets every window; with the best found"
	}
	switch len(what) {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("%s one must move: %s.", how, what[0])
	}
	return fmt.Sprintf("%s %d must move: %s.", how, len(what), strings.Join(what[:len(what)-1], ", ")+" and "+what[len(what)-1])
}

func (d Day) window(s Stop) string {
	switch {
	case s.Fixed:
		return "fixed at " + d.hour(s.Earliest)
	case s.Latest.IsZero():
		return "not before " + d.hour(s.Earliest)
	case s.Earliest.IsZero():
		return "not after " + d.hour(s.Latest)
	}
	return d.hour(s.Earliest) + " to " + d.hour(s.Latest)
}

func (d Day) hour(t time.Time) string { return t.In(d.Opens.Location()).Format("15:04") }
