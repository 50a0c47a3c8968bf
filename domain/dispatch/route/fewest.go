package route

import "math/bits"

// rows is the earliest end of service by set and last task, one table for each
// number of windows given up.
type rows struct {
	*problem
	tables [][]int32
}

// fewest is the smallest number of windows, the end of work counted as one,
// that must be given up for the rest to be met by some order, and what such an
// order costs.
func (p *problem) fewest() (int, int64) {
	r := rows{problem: p}
	for k := 0; ; k++ {
		r.fill()
		if last, ok := r.done(k, p.closes); ok {
			return k, r.cost(k, last)
		}
		if k == 0 {
			continue
		}
		if last, ok := r.done(k-1, never); ok {
			return k, r.cost(k-1, last) + dear
		}
	}
}

// fill adds the next table.
func (r *rows) fill() {
	n := len(r.tasks)
	r.tables = append(r.tables, make([]int32, n<<n))
	k := len(r.tables) - 1
	for set := 1; set < 1<<n; set++ {
		for in := set; in != 0; in &= in - 1 {
			last := bits.TrailingZeros(uint(in))
			r.tables[k][set*n+last] = r.earliest(k, set&^(1<<last), last)
		}
	}
}

// earliest is the earliest end of task i after the tasks of a set with k
// windows given up: its own met, or among them.
func (r *rows) earliest(k, set, i int) int32 {
	if set == 0 {
		return r.after(k, 0, 0, 0, i)
	}
	best, n := int32(never), len(r.tasks)
	var before []int32
	if k > 0 {
		before = r.tables[k-1]
	}
	for in := set; in != 0; in &= in - 1 {
		from := bits.TrailingZeros(uint(in))
		t, given := r.tables[k][set*n+from], int32(never)
		if before != nil {
			given = before[set*n+from]
		}
		if min(t, given)+r.way(from+1, i+1)+r.tasks[i].service < best { // else it cannot end earlier
			best = min(best, r.after(k, t, given, from+1, i))
		}
	}
	return best
}

// after is the earliest end of task i from a node left at t, its window met,
// or at given, its window given up.
func (r *rows) after(k int, t, given int32, node, i int) int32 {
	way, best := r.way(node, i+1), int32(never)
	if t < never {
		if start, ok := r.serve(i, r.drive(t, way)); ok {
			best = start + r.tasks[i].service
		}
	}
	if k > 0 && given < never {
		best = min(best, r.free(r.drive(given, way), r.tasks[i].service)+r.tasks[i].service)
	}
	return best
}

// done names the last task of an order of all that reaches the end by closes.
func (r *rows) done(k int, closes int32) (int, bool) {
	n := len(r.tasks)
	for i := range n {
		if t := r.tables[k][(1<<n-1)*n+i]; t < never && r.drive(t, r.way(i+1, r.home())) <= closes {
			return i, true
		}
	}
	return 0, false
}

// cost follows an order back through the tables.
func (r *rows) cost(k, last int) int64 {
	n := len(r.tasks)
	sum := int64(r.way(last+1, r.home()))
	for set := 1<<n - 1; ; {
		from, given := r.before(k, set, last)
		if given && r.tasks[last].fixed {
			sum += dear
		}
		if given {
			k--
		}
		sum += int64(r.way(from, last+1))
		if from == 0 {
			return sum
		}
		set, last = set&^(1<<last), from-1
	}
}

// before is the node an entry of the tables came from, and whether by giving up
// the window of its task.
func (r *rows) before(k, set, last int) (int, bool) {
	n, end, rest := len(r.tasks), r.tables[k][set*len(r.tasks)+last], set&^(1<<last)
	if rest == 0 {
		return 0, r.after(0, 0, never, 0, last) != end
	}
	for in := rest; in != 0; in &= in - 1 {
		from := bits.TrailingZeros(uint(in))
		if r.after(k, r.tables[k][rest*n+from], never, from+1, last) == end {
			return from + 1, false
		}
		if k > 0 && r.after(k, never, r.tables[k-1][rest*n+from], from+1, last) == end {
			return from + 1, true
		}
	}
	panic("route: an entry came from nowhere")
}
