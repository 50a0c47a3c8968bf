package history

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"drumline/domain"
)

// inMemory is a large shop's rows: 600,000 calls and 450,000 repairs of 200,000
// units over eight years.
func inMemory() *asking {
	r := rand.New(rand.NewPCG(1, 1))
	a := &asking{cut: domain.Date{Year: 2027, Month: 6, Day: 29}, names: map[domain.ID]string{}, reasons: map[domain.ID]string{}}
	id := func(kind byte, n int) (id domain.ID) {
		id[0] = kind
		binary.BigEndian.PutUint32(id[12:], uint32(n)) //nolint:gosec // small
		return id
	}
	on := func(n int) domain.Date { return domain.DateOf(time.Date(2019, 7, 1+n, 0, 0, 0, 0, time.UTC)) }
	for i := range 600_000 {
		from := r.IntN(2900)
		c := CallRow{CallID: id(1, i), UnitID: id(2, r.IntN(200_000)), ClosedOn: on(from), Visits: 1 + r.IntN(2)}
		if r.IntN(3) == 0 {
			c.EndedOn, c.Cause = on(from+r.IntN(600)), 1+r.IntN(2)
		}
		a.calls = append(a.calls, c)
	}
	for i := range 450_000 {
		from := r.IntN(2900)
		x := RepairRow{ConclusionID: id(3, i), CallID: id(1, i), UnitID: id(2, r.IntN(200_000)), Kind: []string{"electric_dryer", "washer", "dishwasher"}[i%3],
			Model: fmt.Sprint("M", i%300), Part: fmt.Sprint("part_", i%12), Fault: fmt.Sprint("fault_", i%23), PartNumber: fmt.Sprint("N-", i%40), PartSource: "used",
			Lot: fmt.Sprint(i % 9), TechID: id(4, i%20), FixedOn: on(from)}
		if r.IntN(4) == 0 {
			x.EndedOn, x.Cause = on(from+r.IntN(600)), 1+r.IntN(2)
		}
		a.repairs = append(a.repairs, x)
	}
	a.repairs = byDay(a.repairs)
	return a
}

// BenchmarkAnswers works out each answer of a large shop from rows that are
// there.
func BenchmarkAnswers(b *testing.B) {
	for _, q := range []struct {
		name   string
		answer func(a *asking)
	}{
		{"summary", func(a *asking) { a.summary() }}, {"come-backs", func(a *asking) { a.comeBacks() }}, {"curve", func(a *asking) { a.timeToComeBack("part") }},
		{"repeats", func(a *asking) { a.repeats() }}, {"part-life", func(a *asking) { a.partLife("part_source") }}, {"trend", func(a *asking) { a.trend() }},
		{"ranking", func(a *asking) { a.ranking("model") }}, {"pareto", func(a *asking) { a.pareto("fault", "day") }},
	} {
		b.Run(q.name, func(b *testing.B) {
			a := inMemory()
			b.ResetTimer()
			for b.Loop() {
				q.answer(a)
			}
		})
	}
}
