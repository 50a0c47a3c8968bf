package isolate_test

import (
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/isolate"
)

// largeNetwork is a model of n faults and 40 findings of two to four faults
// each, drawn with a fixed seed, 8 of them positive and 12 negative, with a
// repair for each fault, a third behind one panel, a third behind another.
func largeNetwork(t testing.TB, n int) (*isolate.Model, []isolate.Evidence, *isolate.Planner) {
	t.Helper()
	r := rand.New(rand.NewPCG(3, 4))
	var faults []isolate.Fault
	var repairs []isolate.Repair
	for i := range n {
		faults = append(faults, isolate.Fault{ID: strconv.Itoa(i), Prior: 0.02 + 0.1*r.Float64()})
		repairs = append(repairs, isolate.Repair{ID: strconv.Itoa(i), Cost: 10 + 90*r.Float64(), Panel: []string{"", "front", "back"}[i%3], Faults: []int{i}})
	}
	var findings []isolate.Finding
	var es []isolate.Evidence
	for i := range 40 {
		f := isolate.Finding{Leak: 0.01 + 0.02*r.Float64()}
		for _, k := range r.Perm(n)[:2+r.IntN(3)] {
			f.Links = append(f.Links, isolate.Link{Fault: k, Weight: 0.3 + 0.65*r.Float64()})
		}
		findings = append(findings, f)
		switch {
		case i < 8:
			es = append(es, isolate.Evidence{Finding: i, Abnormal: 1})
		case i < 20:
			es = append(es, isolate.Evidence{Finding: i, Normal: 1})
		}
	}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	p, err := isolate.NewPlanner(repairs, []isolate.Panel{{ID: "front", Cost: 8}, {ID: "back", Cost: 12}})
	require.NoError(t, err)
	return m, es, p
}

// BenchmarkBest: the best order of 12 repairs behind panels, several faults.
func BenchmarkBest(b *testing.B) {
	m, es, p := largeNetwork(b, 12)
	belief, err := p.Weighed(m, es)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if !p.Best(belief).Best {
			b.Fatal("not the best order")
		}
	}
}

// BenchmarkWeighed: the cases of 12 faults after 20 findings.
func BenchmarkWeighed(b *testing.B) {
	m, es, p := largeNetwork(b, 12)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Weighed(m, es); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLookAhead: 20 tests; a single fault among 12 with and without panels,
// and all sets of the 8 and of the 12 likeliest faults behind panels.
func BenchmarkLookAhead(b *testing.B) {
	m, es, p := largeNetwork(b, 12)
	sets, err := p.Weighed(m, es)
	require.NoError(b, err)
	few := p.Only(isolate.Likeliest(sets.Needed(p), 8))
	fewer, err := few.Weighed(m, es)
	require.NoError(b, err)
	single, err := p.Single(sets.Needed(p))
	require.NoError(b, err)
	var bare []isolate.Repair
	for _, r := range p.Repairs() {
		r.Panel = ""
		bare = append(bare, r)
	}
	free, err := isolate.NewPlanner(bare, nil)
	require.NoError(b, err)
	whole := looksAt(b, sets)
	for _, c := range []struct {
		name   string
		p      *isolate.Planner
		belief *isolate.Belief
		tests  []isolate.Test
	}{
		{"single of 12", free, single, ofOne(whole, 12)},
		{"single of 12 with panels", p, single, ofOne(whole, 12)},
		{"sets of 8 with panels", few, fewer, looksAt(b, fewer)},
		{"sets of 12 with panels", p, sets, whole},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := c.p.LookAhead(c.belief, c.tests); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// looksAt is a look at each of the 20 findings that are open.
func looksAt(b *testing.B, belief *isolate.Belief) []isolate.Test {
	b.Helper()
	var out []isolate.Test
	for k := 20; k < 40; k++ {
		rows, err := belief.Outcomes(k)
		require.NoError(b, err)
		out = append(out, isolate.Test{Cost: 5, Outcomes: rows})
	}
	return out
}

// ofOne keeps of the likelihoods of all sets those of each fault alone: set
// 1<<i is fault i.
func ofOne(tests []isolate.Test, n int) []isolate.Test {
	var out []isolate.Test
	for _, x := range tests {
		rows := make([][]float64, 2)
		for i := range n {
			rows[0], rows[1] = append(rows[0], x.Outcomes[0][1<<i]), append(rows[1], x.Outcomes[1][1<<i])
		}
		out = append(out, isolate.Test{Cost: x.Cost, Outcomes: rows})
	}
	return out
}
