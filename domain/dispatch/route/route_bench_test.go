package route_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"drumline/domain/dispatch/route"
)

// twelve is a day of twelve stops; kind chooses its windows.
func twelve(seed uint64, width int) route.Day {
	r := rand.New(rand.NewPCG(seed, 1))
	d, _ := someDay(r, 12, width)
	d.End = &route.Place{}
	scatter(r, &d)
	return d
}

func BenchmarkPlan12(b *testing.B) {
	for _, c := range []struct {
		name  string
		width int
	}{{"wide windows", 1000}, {"four hours", 240}, {"infeasible", 30}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for i := uint64(0); b.Loop(); i++ {
				if _, err := twelve(i%16, c.width).Plan(route.Roads{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkPlan40(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	d, _ := someDay(r, 40, 240)
	scatter(r, &d)
	for b.Loop() {
		if _, err := d.Plan(route.Roads{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSlots looks for room for one stop in 50 techs' 14 days with 5,000
// visits, the readying of every day included.
func BenchmarkSlots(b *testing.B) {
	r := rand.New(rand.NewPCG(2, 2))
	days := make([]route.Day, 50*14)
	for i := range days {
		days[i] = route.Day{Opens: morning, Closes: after(540), End: &route.Place{}, Breaks: []route.Break{{From: after(240), To: after(270)}}}
	}
	for i := range 5000 {
		d := &days[i%len(days)]
		from := 75 * len(d.Stops)
		d.Stops = append(d.Stops, route.Stop{ID: fmt.Sprint(i), Service: 30 * time.Minute, Earliest: after(from), Latest: after(from + 120)})
	}
	for i := range days {
		scatter(r, &days[i])
	}
	x := route.Stop{ID: "x", Service: 30 * time.Minute, Place: route.At(40.1, -74.9)}
	b.ReportAllocs()
	found := 0
	for b.Loop() {
		found = 0
		for _, d := range days {
			q, err := d.Sequence(route.Roads{})
			if err != nil {
				b.Fatal(err)
			}
			if _, ok := q.Insert(x); ok {
				found++
			}
		}
	}
	b.ReportMetric(float64(found), "days")
}
