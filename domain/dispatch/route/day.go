package route

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"drumline/domain"
)

// MostStops is the longest day that is planned.
const MostStops = 40

// Day is the working day of one tech. Its times are kept to whole seconds:
// earliest times and durations round up, latest times and the ends of the day
// down.
type Day struct {
	Start  Place  // where the tech is when work starts
	End    *Place // where the tech must be when work ends; nil: anywhere
	Opens  time.Time
	Closes time.Time // by then the last service is done and the End reached
	Breaks []Break
	Stops  []Stop
}

// Break is time in which the tech neither drives nor serves. Driving goes on
// after it; a service is done wholly before or wholly after.
type Break struct{ From, To time.Time }

// Stop is one visit to be fitted in.
type Stop struct {
	ID      string // tells the stops of a day apart, and settles ties
	Name    string // what sentences call it; the ID when empty
	Place   Place
	Service time.Duration // 0 to 24 h

	// The service begins in Earliest to Latest, both included; whoever comes
	// early waits. A zero time is no bound.
	Earliest, Latest time.Time

	// Fixed: the service begins at Earliest exactly, whatever Latest says. Among
	// equally small sets of windows to give up, the one with fewest fixed stops
	// is named.
	Fixed bool
}

// Matrix is travel between the places of a day: row from, column to. Place 0
// is the start, 1 to n the stops as the day lists them, n+1 the end; without an
// end its column is not read.
type Matrix [][]time.Duration

// Matrix estimates the travel between all places of the day.
func (r Roads) Matrix(d Day) Matrix {
	r = r.usual()
	places := d.places()
	m := make(Matrix, len(places))
	for i, a := range places {
		m[i] = make([]time.Duration, len(places))
		for k, b := range places {
			if i != k {
				m[i][k], _ = r.Travel(a, b)
			}
		}
	}
	return m
}

func (d Day) places() []Place {
	ps := make([]Place, 0, len(d.Stops)+2)
	ps = append(ps, d.Start)
	for _, s := range d.Stops {
		ps = append(ps, s.Place)
	}
	if d.End == nil {
		return append(ps, Place{})
	}
	return append(ps, *d.End)
}

// Check says what of the day cannot be planned, as one Invalid error that
// points at every fault.
func (d Day) Check() error {
	var ps domain.Problems
	if d.Opens.IsZero() || !d.Closes.After(d.Opens) || d.Closes.Sub(d.Opens) > 48*time.Hour {
		ps.Add("/closes", "order", "A day of work ends after it starts, within 48 hours.")
	}
	if len(d.Stops) > MostStops {
		ps.Add("/stops", "too_many", "A day holds at most %d stops.", MostStops)
	}
	d.Start.Check(&ps, "/start")
	if d.End != nil {
		d.End.Check(&ps, "/end")
	}
	for i, b := range d.Breaks {
		if !b.To.After(b.From) {
			ps.Add("/breaks/"+strconv.Itoa(i), "order", "A break ends after it begins.")
		}
	}
	seen := make(map[string]bool, len(d.Stops))
	for i, s := range d.Stops {
		at := "/stops/" + strconv.Itoa(i)
		if s.check(&ps, at); seen[s.ID] {
			ps.Add(at+"/id", "twice", "Two stops of a day have the same id.")
		}
		seen[s.ID] = true
	}
	return ps.Err()
}

func (s Stop) check(ps *domain.Problems, at string) {
	s.Place.Check(ps, at+"/place")
	if s.Service < 0 || s.Service > 24*time.Hour {
		ps.Add(at+"/service", "range", "A service takes 0 to 24 hours.")
	}
	switch {
	case s.Fixed && s.Earliest.IsZero():
		ps.Add(at+"/earliest", "required", "A fixed stop says when it begins.")
	case !s.Fixed && !s.Earliest.IsZero() && !s.Latest.IsZero() && s.Latest.Before(s.Earliest):
		ps.Add(at+"/latest", "order", "A window ends no earlier than it begins.")
	}
}

func (s Stop) called() string { return cmp.Or(s.Name, s.ID) }

// byID is the order in which stops are worked on: how the caller lists them
// must not matter.
func (d Day) byID() []int {
	order := make([]int, len(d.Stops))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(d.Stops[a].ID, d.Stops[b].ID) })
	return order
}
