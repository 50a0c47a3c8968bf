package route

import (
	"time"

	"drumline/domain"
)

// Sequence is a day in a settled order, ready for questions about one more
// stop. It may be asked by several goroutines at once.
type Sequence struct {
	day    Day
	roads  Roads
	p      problem
	times  []visit
	places []Place
	full   bool // work ends late already: nothing more fits
}

// Insertion is where one more stop fits.
type Insertion struct {
	Before      int           // index of the stop it comes before; the number of stops: last
	Added       time.Duration // driving more than without it; under unknown places it may be below 0
	TravelKnown bool          // both ways to and from it are between known places
	Arrives     time.Time
	Starts      time.Time
	Ends        time.Time
	Slack       time.Duration // how much later it may start with all others still met
}

// Sequence readies the day in the order its stops are listed. A window that
// this order misses already is held at the time it has now: no insertion makes
// it later.
func (d Day) Sequence(r Roads) (*Sequence, error) {
	var ps domain.Problems
	if r.Check(&ps, "/roads"); ps.Err() != nil {
		return nil, ps.Err()
	}
	if err := d.Check(); err != nil {
		return nil, err
	}
	order := make([]int, len(d.Stops))
	for i := range order {
		order[i] = i
	}
	q := &Sequence{day: d, roads: r.usual(), p: d.problem(order), times: make([]visit, len(order)), places: d.places()}
	q.ways()
	_, finish, _ := q.p.timed(order, q.times)
	q.full = finish > q.p.closes
	for i := range q.times {
		q.p.tasks[i].late = max(q.p.tasks[i].late, q.times[i].start)
	}
	if !q.full {
		q.p.latest(order, q.times)
	}
	return q, nil
}

// ways fills in the legs that an order uses, and no others.
func (q *Sequence) ways() {
	for i := 1; i < len(q.places); i++ {
		if i == q.p.home() && q.day.End == nil {
			continue
		}
		q.p.leg[(i-1)*q.p.size+i], _ = q.roads.seconds(q.places[i-1], q.places[i])
	}
}

// Insert finds where the stop fits with the least driving added, ties by the
// earliest place. False: nowhere without missing a window or the end of work,
// or the stop itself breaks a rule. Takes time in proportion to the stops.
func (q *Sequence) Insert(s Stop) (Insertion, bool) {
	var ps domain.Problems
	if s.check(&ps, ""); ps.Err() != nil || q.full || len(q.times) == MostStops {
		return Insertion{}, false
	}
	t := q.day.task(s)
	to, known := q.roads.seconds(q.places[0], s.Place)
	var best Insertion
	least, found := int32(0), false
	for at, now := 0, int32(0); at <= len(q.times) && now <= t.late; at++ {
		back, wayKnown := q.onward(s.Place, at+1)
		if added := to + back - q.p.way(at, at+1); !found || added < least {
			if in, fits := q.fit(t, at, now, to, back); fits {
				in.Added, in.TravelKnown = seconds(added), known && wayKnown
				best, least, found = in, added, true
			}
		}
		to, known = back, wayKnown
		if at < len(q.times) {
			now = q.times[at].end
		}
	}
	return best, found
}

func (q *Sequence) onward(from Place, node int) (int32, bool) {
	if node == q.p.home() && q.day.End == nil {
		return 0, true
	}
	return q.roads.seconds(from, q.places[node])
}

// fit tries the stop before stop at, leaving the one before at now.
func (q *Sequence) fit(t task, at int, now, to, back int32) (Insertion, bool) {
	arrive := q.p.drive(now, to)
	start := q.p.free(max(arrive, t.early), t.service)
	limit := q.p.closes
	if at < len(q.times) {
		limit = q.times[at].latest
	}
	if start > t.late || q.p.drive(start+t.service, back) > limit {
		return Insertion{}, false
	}
	one := problem{tasks: []task{t}, size: 3, leg: []int32{0, to, 0, 0, 0, back, 0, 0, 0}, closes: limit, breaks: q.p.breaks}
	last, _ := one.serve(0, one.back(0, 2, limit, arrive))
	return Insertion{Before: at, Arrives: q.day.clock(arrive), Starts: q.day.clock(start), Ends: q.day.clock(start + t.service),
		Slack: seconds(last - start)}, true
}
