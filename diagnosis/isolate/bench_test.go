package isolate_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/isolate"
)

// large is 30 faults and 60 findings of two to four faults each, drawn with a
// fixed seed; positive of observed findings as named.
func large(t testing.TB, positive, observed int) (*isolate.Model, []isolate.Evidence) {
	t.Helper()
	r := rand.New(rand.NewPCG(1, 2))
	var faults []isolate.Fault
	for range 30 {
		faults = append(faults, isolate.Fault{Prior: 0.005 + 0.05*r.Float64()})
	}
	var findings []isolate.Finding
	var es []isolate.Evidence
	for i := range 60 {
		f := isolate.Finding{Leak: 0.01 + 0.02*r.Float64()}
		for _, k := range r.Perm(30)[:2+r.IntN(3)] {
			f.Links = append(f.Links, isolate.Link{Fault: k, Weight: 0.3 + 0.65*r.Float64()})
		}
		findings = append(findings, f)
		switch {
		case i < positive:
			es = append(es, isolate.Evidence{Finding: i, Abnormal: 1})
		case i < observed:
			es = append(es, isolate.Evidence{Finding: i, Normal: 1})
		}
	}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	return m, es
}

var sizes = []struct {
	name               string
	positive, observed int
}{{"6 of 20", 6, 20}, {"10 of 30", 10, 30}, {"14 of 60", 14, 60}}

func BenchmarkWeigh(b *testing.B) {
	for _, c := range sizes {
		b.Run(c.name, func(b *testing.B) {
			m, es := large(b, c.positive, c.observed)
			var p isolate.Posterior
			var w isolate.Workspace
			var err error
			b.ReportAllocs()
			for b.Loop() {
				if p, err = w.Weigh(m, es); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(p.Frontier), "bits")
		})
	}
}

// BenchmarkGains scores every finding that was not looked at.
func BenchmarkGains(b *testing.B) {
	for _, c := range sizes[:2] {
		b.Run(c.name, func(b *testing.B) {
			m, es := large(b, c.positive, c.observed)
			var gains []isolate.Gain
			var w isolate.Workspace
			var err error
			b.ReportAllocs()
			for b.Loop() {
				if gains, err = w.Gains(m, es, gains[:0]); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(gains)), "findings")
		})
	}
}

// BenchmarkSets names the likeliest sets of three or four faults.
func BenchmarkSets(b *testing.B) {
	for _, c := range sizes {
		for _, k := range []int{3, 4} {
			b.Run(fmt.Sprintf("%s, %d faults", c.name, k), func(b *testing.B) {
				m, es := large(b, c.positive, c.observed)
				var s isolate.Sets
				var w isolate.Workspace
				var err error
				b.ReportAllocs()
				for b.Loop() {
					if s, err = w.Sets(m, es, isolate.Search{Depth: k, Deepest: k}); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(s.Coverage, "coverage")
			})
		}
	}
}
