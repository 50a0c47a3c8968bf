package route

import (
	"math"
	"math/bits"
)

// ExactStops is how many stops are put in order exactly: by dynamic programming
// over the sets of stops served and the last of them (after Bellman, and Held
// and Karp, 1962), with labels where less driving and less time disagree.
const ExactStops = 12

// dear is the cost of giving up a fixed stop or the end of work, beyond any
// driving: a set without one is named first.
const dear = 1 << 40

// label is one way to serve a set of tasks: no other way to the same set and
// last task costs no more, ends no later and gives up no more.
type label struct {
	cost       int64
	end        int32
	prev, next int32 // the label before it; the next of its list; -1 none
	task, gave uint8
	given      bool
}

type search struct {
	*problem
	most    int   // windows that may be given up
	bound   int64 // what an order that is known costs; dearer ways are dropped
	labels  []label
	heads   []int32   // by set and last task
	toGo    []int32   // by set and last task: the least driving to serve the others, windows aside
	lastEnd [][]int32 // see lastCalls
}

// solution is an order of the tasks and what of it had to be given up.
type solution struct {
	order []int
	given []bool // by task
	end   bool   // the end of work is given up
}

// exact is the order with the fewest windows given up, and of those with the
// fewest fixed ones, then the least driving, then the earliest finish.
func (p *problem) exact() solution {
	n := len(p.tasks)
	if n == 0 {
		return solution{end: p.drive(0, p.way(0, 1)) > p.closes}
	}
	s := search{problem: p, labels: make([]label, 0, 1<<n), heads: make([]int32, n<<n), toGo: p.toGo()}
	s.most, s.bound = p.fewest()
	if known := p.judge(p.heuristic().order); known.missed == s.most {
		s.bound = min(s.bound, known.cost)
	}
	s.lastEnd = p.lastCalls(s.most)
	for i := range s.heads {
		s.heads[i] = -1
	}
	for i := range n {
		s.extend(label{prev: -1}, -1, 0, i, 0)
	}
	for set := 1; set < 1<<n-1; set++ {
		for rest := set; rest != 0; rest &= rest - 1 {
			last := bits.TrailingZeros(uint(rest))
			for at := s.heads[set*n+last]; at >= 0; at = s.labels[at].next {
				s.fan(at, set, last)
			}
		}
	}
	return s.best()
}

func (s *search) fan(at int32, set, last int) {
	from := s.labels[at]
	for rest := (1<<len(s.tasks) - 1) &^ set; rest != 0; rest &= rest - 1 {
		s.extend(from, at, last+1, bits.TrailingZeros(uint(rest)), set)
	}
}

// extend serves task i after the label from, in its window and, while windows
// may be given up, without it.
func (s *search) extend(from label, at int32, node, i, set int) {
	way := s.way(node, i+1)
	t := s.drive(from.end, way)
	l := label{cost: from.cost + int64(way), prev: at, task: uint8(i), gave: from.gave}
	set |= 1 << i
	if start, ok := s.serve(i, t); ok {
		l.end = start + s.tasks[i].service
		s.keep(l, set)
	}
	if int(l.gave) == s.most {
		return
	}
	l.gave, l.given, l.end = l.gave+1, true, s.free(t, s.tasks[i].service)+s.tasks[i].service
	if s.tasks[i].fixed {
		l.cost += dear
	}
	s.keep(l, set)
}

// hopeless says that a label cannot become the best: it costs more than what is
// known, or ends too late for the others.
func (s *search) hopeless(l label, list int) bool {
	return l.cost+int64(s.toGo[list]) > s.bound || l.end > s.lastEnd[s.most-int(l.gave)][list]
}

// lastCalls is, for each number of windows that may still be given up, by set
// and last task the latest end from which the others can be done were there no
// breaks: later than the truth, never earlier.
func (p *problem) lastCalls(most int) [][]int32 {
	n := len(p.tasks)
	out := make([][]int32, most+1)
	for k := range out {
		out[k] = make([]int32, n<<n)
		for set := 1<<n - 1; set > 0; set-- {
			for in := set; in != 0; in &= in - 1 {
				last := bits.TrailingZeros(uint(in))
				out[k][set*n+last] = p.lastCall(out[:k+1], set, last)
			}
		}
	}
	return out
}

func (p *problem) lastCall(tables [][]int32, set, last int) int32 {
	n, k := len(p.tasks), len(tables)-1
	all := 1<<n - 1
	switch {
	case set == all && k == 0:
		return p.closes - p.way(last+1, p.home())
	case set == all:
		return never // the end of work may be given up
	}
	best := int32(-never)
	for rest := all &^ set; rest != 0; rest &= rest - 1 {
		i := bits.TrailingZeros(uint(rest))
		t, at, way := &p.tasks[i], (set|1<<i)*n+i, p.way(last+1, i+1)
		if start := tables[k][at] - t.service; start >= t.early {
			best = max(best, min(start, t.late)-way)
		}
		if k > 0 {
			best = max(best, tables[k-1][at]-t.service-way)
		}
	}
	return best
}

// toGo fills the table from the whole set down.
func (p *problem) toGo() []int32 {
	n := len(p.tasks)
	out := make([]int32, n<<n)
	all := 1<<n - 1
	for set := all; set > 0; set-- {
		for in := set; in != 0; in &= in - 1 {
			last := bits.TrailingZeros(uint(in))
			best := int32(math.MaxInt32)
			if set == all {
				best = p.way(last+1, p.home())
			}
			for rest := all &^ set; rest != 0; rest &= rest - 1 {
				k := bits.TrailingZeros(uint(rest))
				best = min(best, p.way(last+1, k+1)+out[(set|1<<k)*n+k])
			}
			out[set*n+last] = best
		}
	}
	return out
}

// keep adds a label to the list of its set and last task unless it is hopeless
// or one there is as good, and drops those it betters.
func (s *search) keep(l label, set int) {
	list := set*len(s.tasks) + int(l.task)
	if s.hopeless(l, list) {
		return
	}
	link := &s.heads[list]
	for *link >= 0 {
		o := &s.labels[*link]
		switch {
		case o.cost <= l.cost && o.end <= l.end && o.gave <= l.gave:
			return
		case l.cost <= o.cost && l.end <= o.end && l.gave <= o.gave:
			*link = o.next
		default:
			link = &o.next
		}
	}
	*link = int32(len(s.labels))
	l.next = -1
	s.labels = append(s.labels, l)
}

func (s *search) best() solution {
	n := len(s.tasks)
	found, cost, finish, late := int32(-1), int64(0), int32(0), false
	for last := range n {
		for at := s.heads[(1<<n-1)*n+last]; at >= 0; at = s.labels[at].next {
			l := &s.labels[at]
			way := s.way(last+1, s.home())
			c, f := l.cost+int64(way), s.drive(l.end, way)
			over := f > s.closes
			if over {
				c += dear
			}
			if over && int(l.gave) == s.most {
				continue
			}
			if found < 0 || c < cost || c == cost && f < finish {
				found, cost, finish, late = at, c, f, over
			}
		}
	}
	return s.trace(found, late)
}

func (s *search) trace(at int32, late bool) solution {
	out := solution{order: make([]int, len(s.tasks)), given: make([]bool, len(s.tasks)), end: late}
	for i := len(s.tasks) - 1; i >= 0; i-- {
		l := s.labels[at]
		out.order[i], out.given[l.task] = int(l.task), l.given
		at = l.prev
	}
	return out
}
