package survival

import (
	"maps"
	"slices"
)

// MaxDay bounds every day count; what is longer is a mistake of the caller.
const MaxDay = 1 << 20

// AnyCause asks for events of every cause.
const AnyCause = 0

// Row is one repair of one fault, followed from the day after the fix. It is at
// risk on day t when Entry < t <= Exit.
//
// Entry is 0 unless the row came under observation later (left truncation: time
// is the age of the unit and the shop met it at Entry). Exit is the day of the
// first of: the same fault again, another fault, part replaced or unit retired,
// data cut. A return on the very day of the fix is day 1: an empty interval
// (Exit <= Entry) has no likelihood and makes the whole answer undefined.
//
// Cause says what ended the row: 0 nothing did (still followed at Exit), else
// 1, 2, ... The visit that starts the clock is not an event. Unit is whose row
// it is: rows of one unit are not independent.
type Row struct {
	Entry, Exit int
	Cause       int
	Unit        int
}

// event tells whether the row ended by the cause asked for.
func (r Row) event(cause int) bool {
	return r.Cause > 0 && (cause == AnyCause || r.Cause == cause)
}

// valid tells whether every row can be used.
func valid(rows []Row) bool {
	for i := range rows {
		r := &rows[i]
		if r.Entry < 0 || r.Exit <= r.Entry || r.Exit > MaxDay || r.Cause < 0 {
			return false
		}
	}
	return true
}

// lastDay is the longest follow-up.
func lastDay(rows []Row) int {
	last := 0
	for i := range rows {
		last = max(last, rows[i].Exit)
	}
	return last
}

// dayCount is what happened on one day on which a row ended.
type dayCount struct{ day, risk, events, censored int }

// countDays tallies rows per day of an ending, in order. A row that ends
// without event on a day is still at risk for the events of that day. Rows
// ended by another cause count as censored.
func countDays(rows []Row, cause int) []dayCount {
	last := lastDay(rows)
	flow := make([]struct{ in, events, censored int32 }, last+1)
	for i := range rows {
		r := &rows[i]
		flow[r.Entry].in++
		if r.event(cause) {
			flow[r.Exit].events++
		} else {
			flow[r.Exit].censored++
		}
	}
	var days []dayCount
	risk := 0
	for day := range flow {
		f := &flow[day]
		if f.events+f.censored > 0 {
			days = append(days, dayCount{day, risk, int(f.events), int(f.censored)})
			risk -= int(f.events + f.censored)
		}
		risk += int(f.in)
	}
	return days
}

// units counts the different units.
func units(rows []Row) int {
	seen := make([]int, len(rows))
	for i := range rows {
		seen[i] = rows[i].Unit
	}
	slices.Sort(seen)
	return len(slices.Compact(seen))
}

// sortedKeys are the keys of a map in order.
func sortedKeys[V any](m map[int]V) []int {
	return slices.Sorted(maps.Keys(m))
}
