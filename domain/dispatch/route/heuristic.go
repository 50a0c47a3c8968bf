package route

import (
	"cmp"
	"slices"
)

// score orders the orders of a long day: fewer windows missed, then less
// driving (a fixed stop missed is dear), then the earlier finish.
type score struct {
	missed int
	cost   int64
	finish int32
}

func (a score) less(b score) bool {
	return cmp.Or(cmp.Compare(a.missed, b.missed), cmp.Compare(a.cost, b.cost), cmp.Compare(a.finish, b.finish)) < 0
}

// judge runs an order; a window that is past is missed and the task served at
// once.
func (p *problem) judge(order []int) score {
	var s score
	at, now := 0, int32(0)
	for _, k := range order {
		way := p.way(at, k+1)
		t := p.drive(now, way)
		start, ok := p.serve(k, t)
		if !ok {
			start = p.free(t, p.tasks[k].service)
			s.missed++
			if p.tasks[k].fixed {
				s.cost += dear
			}
		}
		s.cost, at, now = s.cost+int64(way), k+1, start+p.tasks[k].service
	}
	way := p.way(at, p.home())
	s.cost, s.finish = s.cost+int64(way), p.drive(now, way)
	if s.finish > p.closes {
		s.missed, s.cost = s.missed+1, s.cost+dear
	}
	return s
}

// heuristic is a good order of many tasks, without proof: cheapest insertion,
// once by closing and once by opening windows, each bettered by moving runs of
// up to three tasks (either way round) and by turning round any run, until
// nothing helps.
func (p *problem) heuristic() solution {
	var best []int
	for _, by := range []func(a, b task) int{
		func(a, b task) int { return cmp.Or(cmp.Compare(a.late, b.late), cmp.Compare(a.early, b.early)) },
		func(a, b task) int { return cmp.Or(cmp.Compare(a.early, b.early), cmp.Compare(a.late, b.late)) },
	} {
		order := p.better(p.insertAll(by))
		if best == nil || p.judge(order).less(p.judge(best)) {
			best = order
		}
	}
	return p.asSolution(best)
}

func (p *problem) insertAll(by func(a, b task) int) []int {
	todo := make([]int, len(p.tasks))
	for i := range todo {
		todo[i] = i
	}
	slices.SortStableFunc(todo, func(a, b int) int { return by(p.tasks[a], p.tasks[b]) })
	order, try := make([]int, 0, len(todo)), make([]int, 0, len(todo))
	for _, k := range todo {
		place, least := 0, score{missed: len(todo) + 2}
		for i := 0; i <= len(order); i++ {
			try = append(append(append(try[:0], order[:i]...), k), order[i:]...)
			if s := p.judge(try); s.less(least) {
				place, least = i, s
			}
		}
		order = slices.Insert(order, place, k)
	}
	return order
}

// better takes every step that helps until none does; each lowers the score, so
// it ends.
func (p *problem) better(order []int) []int {
	now, try := p.judge(order), make([]int, 0, len(order))
	for again := true; again; {
		again = false
		steps(order, try, func(try []int) {
			if s := p.judge(try); s.less(now) {
				now, again = s, true
				copy(order, try)
			}
		})
	}
	return order
}

// steps shows every neighbour of the order as it stands at that moment.
func steps(order, try []int, show func([]int)) {
	n := len(order)
	for from := range n {
		for to := from + 1; to <= n; to++ {
			try = append(try[:0], order...)
			slices.Reverse(try[from:to])
			show(try)
			for place := 0; to-from <= 3 && place <= n-(to-from); place++ {
				try = moved(try[:0], order, from, to, place)
				show(try)
				slices.Reverse(try[place : place+to-from])
				show(try)
			}
		}
	}
}

// moved is the order with the run from..to taken out and put at a place of what
// remains.
func moved(dst, order []int, from, to, place int) []int {
	dst = append(append(dst, order[:from]...), order[to:]...)
	return slices.Insert(dst, place, order[from:to]...)
}

func (p *problem) asSolution(order []int) solution {
	s := solution{order: order, given: make([]bool, len(order))}
	at, now := 0, int32(0)
	for _, k := range order {
		t := p.drive(now, p.way(at, k+1))
		start, ok := p.serve(k, t)
		if !ok {
			start, s.given[k] = p.free(t, p.tasks[k].service), true
		}
		at, now = k+1, start+p.tasks[k].service
	}
	s.end = p.drive(now, p.way(at, p.home())) > p.closes
	return s
}
