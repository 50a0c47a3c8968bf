package hours

import (
	"slices"
	"time"
)

// Interval is the time from From, included, to To, not included. It is empty
// when To is not after From.
type Interval struct{ From, To time.Time }

// Empty says whether there is no time in it.
func (i Interval) Empty() bool { return !i.To.After(i.From) }

// Length is its duration, 0 when empty.
func (i Interval) Length() time.Duration { return max(i.To.Sub(i.From), 0) }

// Overlaps says whether the two share any time; meeting is not sharing.
func (i Interval) Overlaps(o Interval) bool {
	return !i.Empty() && !o.Empty() && i.From.Before(o.To) && o.From.Before(i.To)
}

// Merge gives the time in any of the intervals: in order, apart, none empty;
// those that meet become one. The argument stays as it is. Subtract, Intersect
// and Free merge what they are given.
func Merge(in []Interval) []Interval {
	sorted := slices.DeleteFunc(slices.Clone(in), Interval.Empty)
	slices.SortFunc(sorted, func(a, b Interval) int { return a.From.Compare(b.From) })
	out := sorted[:0]
	for _, i := range sorted {
		if n := len(out); n > 0 && !i.From.After(out[n-1].To) {
			out[n-1].To = later(out[n-1].To, i.To)
			continue
		}
		out = append(out, i)
	}
	return out
}

// Subtract gives the time in a and not in b.
func Subtract(a, b []Interval) []Interval {
	var out []Interval
	b = Merge(b)
	for _, i := range Merge(a) {
		for len(b) > 0 && !b[0].To.After(i.From) {
			b = b[1:]
		}
		for k := 0; k < len(b) && b[k].From.Before(i.To); k++ {
			if part := (Interval{i.From, b[k].From}); !part.Empty() {
				out = append(out, part)
			}
			i.From = later(i.From, b[k].To)
		}
		if !i.Empty() {
			out = append(out, i)
		}
	}
	return out
}

// Intersect gives the time in both a and b.
func Intersect(a, b []Interval) []Interval {
	var out []Interval
	a, b = Merge(a), Merge(b)
	for len(a) > 0 && len(b) > 0 {
		part := Interval{later(a[0].From, b[0].From), a[0].To}
		if b[0].To.Before(part.To) {
			part.To = b[0].To
		}
		if !part.Empty() {
			out = append(out, part)
		}
		if a[0].To.Before(b[0].To) {
			a = a[1:]
		} else {
			b = b[1:]
		}
	}
	return out
}

// Free gives the gaps of the working time that busy leaves and that last least
// or longer.
func Free(working, busy []Interval, least time.Duration) []Interval {
	return slices.DeleteFunc(Subtract(working, busy), func(i Interval) bool { return i.Length() < least })
}

// Total is the time in the intervals, what overlaps counted once.
func Total(in []Interval) time.Duration {
	var sum time.Duration
	for _, i := range Merge(in) {
		sum += i.Length()
	}
	return sum
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}
