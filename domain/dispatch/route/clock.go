package route

import (
	"slices"
	"sort"
	"time"
)

// never is later than any time of a day.
const never = 1 << 29

// task is one stop in seconds after the start of work.
type task struct {
	service, early, late int32
	fixed                bool
}

// problem is a day in seconds after the start of work. Node 0 is the start,
// node i+1 task i, the last node the end; without an end the ways to it are 0.
type problem struct {
	tasks  []task
	leg    []int32 // size × size, row from
	size   int
	closes int32
	breaks []span
}

type span struct{ from, to int32 }

// problem puts the day into seconds, its stops in the order given.
func (d Day) problem(order []int) problem {
	p := problem{tasks: make([]task, len(order)), size: len(order) + 2, closes: floor(d.Closes.Sub(d.Opens)), breaks: d.spans()}
	for i, k := range order {
		p.tasks[i] = d.task(d.Stops[k])
	}
	p.leg = make([]int32, p.size*p.size)
	return p
}

func (d Day) task(s Stop) task {
	t := task{service: ceil(s.Service), late: never, fixed: s.Fixed}
	if !s.Earliest.IsZero() {
		t.early = ceil(s.Earliest.Sub(d.Opens))
	}
	switch {
	case s.Fixed:
		t.late = t.early
	case !s.Latest.IsZero():
		t.late = floor(s.Latest.Sub(d.Opens))
	}
	return t
}

// spans are the breaks in order, those that meet joined.
func (d Day) spans() []span {
	var out []span
	bs := slices.Clone(d.Breaks)
	slices.SortFunc(bs, func(a, b Break) int { return a.From.Compare(b.From) })
	for _, b := range bs {
		s := span{floor(b.From.Sub(d.Opens)), ceil(b.To.Sub(d.Opens))}
		if n := len(out); n > 0 && s.from <= out[n-1].to {
			out[n-1].to = max(out[n-1].to, s.to)
			continue
		}
		out = append(out, s)
	}
	return out
}

// drive is the arrival after d seconds on the road from t: breaks pause it.
// Who leaves later never arrives earlier; all of the search rests on that.
func (p *problem) drive(t, d int32) int32 {
	for _, b := range p.breaks {
		if t+d <= b.from {
			break
		}
		if t < b.to {
			d -= max(b.from-t, 0)
			t = b.to
		}
	}
	return t + d
}

// free is the first moment from t on with s seconds before the next break.
func (p *problem) free(t, s int32) int32 {
	for _, b := range p.breaks {
		if t+s <= b.from {
			break
		}
		t = max(t, b.to)
	}
	return t
}

// serve is when the service of a task begins for who arrives at t, and whether
// its window is met.
func (p *problem) serve(i int, t int32) (int32, bool) {
	k := &p.tasks[i]
	t = p.free(max(t, k.early), k.service)
	return t, t <= k.late
}

func (p *problem) way(from, to int) int32 { return p.leg[from*p.size+to] }

func (p *problem) home() int { return p.size - 1 }

// floor and ceil give whole seconds, bounded so that sums stay in the type.
func floor(d time.Duration) int32 {
	s := d / time.Second
	if d%time.Second < 0 {
		s--
	}
	return int32(min(max(s, -never), never))
}

func ceil(d time.Duration) int32 { return -floor(-d) }

// visit is when a task is reached, begun and done, and the latest it may be
// reached.
type visit struct{ arrive, start, end, latest int32 }

// timed runs the tasks in an order: when each is reached, the seconds on the
// road, and when the end is reached. False when a window or the end of work is
// missed; the times hold all the same, without waiting where a window is past.
func (p *problem) timed(order []int, out []visit) (driving int64, finish int32, ok bool) {
	at, now, ok := 0, int32(0), true
	for i, k := range order {
		way := p.way(at, k+1)
		v := visit{arrive: p.drive(now, way)}
		met := false
		v.start, met = p.serve(k, v.arrive)
		v.end = v.start + p.tasks[k].service
		driving, ok, at, now = driving+int64(way), ok && met, k+1, v.end
		out[i] = v
	}
	way := p.way(at, p.home())
	finish = p.drive(now, way)
	return driving + int64(way), finish, ok && finish <= p.closes
}

// latest fills in, for an order that meets everything, the latest arrival at
// each task with which it and all after it still do.
func (p *problem) latest(order []int, vs []visit) {
	limit, next := p.closes, p.home()
	for i := len(order) - 1; i >= 0; i-- {
		k := order[i]
		vs[i].latest = p.back(k, next, limit, vs[i].arrive)
		limit, next = vs[i].latest, k+1
	}
}

// back is the latest arrival at task k, from the one that is known to do, that
// reaches next by limit.
func (p *problem) back(k, next int, limit, does int32) int32 {
	t := &p.tasks[k]
	if len(p.breaks) == 0 {
		return min(t.late, limit-p.way(k+1, next)-t.service)
	}
	later := sort.Search(int(max(min(t.late, limit)-does, 0)), func(n int) bool {
		start, ok := p.serve(k, does+int32(n)+1)
		return !ok || p.drive(start+t.service, p.way(k+1, next)) > limit
	})
	return does + int32(later)
}
