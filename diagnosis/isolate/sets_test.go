package isolate_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/isolate"
)

// everySet is a search that leaves no set out.
var everySet = isolate.Search{Most: 1 << 14, Depth: 14}

// TestNetworkSets: the likeliest sets by brute force, and what all sets
// together say: how many faults there are, and the entropy of the sets.
func TestNetworkSets(t *testing.T) {
	eachNetwork(t, func(t *testing.T, n network) {
		m, es, _ := n.model(t)
		s, err := new(isolate.Workspace).Sets(m, es, everySet)
		require.NoError(t, err)
		require.InDelta(t, 1, s.Coverage, 1e-12)
		for k, want := range n.Expected.TopSets {
			var ids []string
			for _, f := range s.Named[k].Faults {
				ids = append(ids, n.Faults[f].ID)
			}
			require.ElementsMatch(t, want.Set, ids)
			require.InEpsilon(t, want.P, s.Named[k].P, 1e-11)
		}
		count, bits := make([]float64, len(n.Faults)+1), 0.0
		for _, x := range s.Named {
			count[len(x.Faults)] += x.P
			bits -= x.P * math.Log2(x.P)
		}
		require.InDelta(t, n.Expected.JointEntropy, bits, 1e-9)
		for k, want := range n.Expected.Cardinality {
			require.InDelta(t, want, count[k], 1e-11*math.Max(want, 1e-4))
		}
	})
}

// TestNetworkInformation: the mutual information of each finding and the sets.
func TestNetworkInformation(t *testing.T) {
	eachNetwork(t, func(t *testing.T, n network) {
		m, es, tests := n.model(t)
		s, err := new(isolate.Workspace).Sets(m, es, everySet)
		require.NoError(t, err)
		for _, row := range n.Expected.NextTest {
			given, abnormal := 0.0, 0.0
			for _, x := range s.Named {
				p := m.Findings[tests[row.Test]].Leak
				for _, l := range m.Findings[tests[row.Test]].Links {
					if slices.Contains(x.Faults, l.Fault) {
						p += l.Weight * (1 - p)
					}
				}
				abnormal += x.P * p
				given += x.P * bitsOf(p)
			}
			information := bitsOf(abnormal) - given
			require.InDelta(t, row.Information, information, 1e-9, row.Test)
			require.InDelta(t, row.Joint, n.Expected.JointEntropy-information, 1e-9, row.Test)
			require.InDelta(t, row.PPos, abnormal, 1e-9, row.Test)
		}
	})
}

// bitsOf is the entropy of a chance.
func bitsOf(p float64) float64 {
	if p <= 0 || p >= 1 {
		return 0
	}
	return -p*math.Log2(p) - (1-p)*math.Log2(1-p)
}

// TestSetsAddUp: the coverage is the share of the exact probability, at every
// depth, and the sets of all depths together give the posterior.
func TestSetsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := draw(t)
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		var w isolate.Workspace
		all, err := w.Sets(m, d.es, everySet)
		require.NoError(t, err)
		fault := make([]float64, len(d.faults))
		for _, s := range all.Named {
			for _, f := range s.Faults {
				fault[f] += s.P
			}
		}
		for f, p := range all.Posterior.Fault {
			require.InDelta(t, p, fault[f], 1e-12)
		}
		k := rapid.IntRange(1, 4).Draw(t, "depth")
		some, err := w.Sets(m, d.es, isolate.Search{Most: 1 << 14, Depth: k, Deepest: k})
		require.NoError(t, err)
		sum := 0.0
		for _, s := range all.Named {
			if len(s.Faults) <= k {
				sum += s.P
			}
		}
		require.InDelta(t, sum, some.Coverage, 1e-12)
		require.False(t, some.Approximate)
		require.Equal(t, some.Visited, len(some.Named), "no set of these networks is impossible")
	})
}

// wide is a network of faults and findings that all hang together, all found
// abnormal: too wide for the frontier.
func wide(t *rapid.T, faults, findings int) drawn {
	var d drawn
	for range faults {
		d.faults = append(d.faults, isolate.Fault{Prior: rapid.Float64Range(0.001, 0.2).Draw(t, "prior")})
	}
	for i := range findings {
		f := isolate.Finding{Leak: rapid.Float64Range(0.001, 0.1).Draw(t, "leak")}
		for j := range faults {
			f.Links = append(f.Links, isolate.Link{Fault: j, Weight: rapid.Float64Range(0.05, 0.9).Draw(t, "weight")})
		}
		d.findings = append(d.findings, f)
		d.es = append(d.es, isolate.Evidence{Finding: i, Abnormal: 1, Normal: rapid.SampledFrom([]float64{0, 0, 0.3, 2}).Draw(t, "normal")})
	}
	return d
}

// TestWideIsAnswered: above the cap the sets answer, and say truly how far they
// can be off.
func TestWideIsAnswered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := wide(t, 8, isolate.MaxFrontier+1+rapid.IntRange(0, 4).Draw(t, "more"))
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		var w isolate.Workspace
		_, err = w.Weigh(m, d.es)
		require.ErrorIs(t, err, isolate.ErrWide)
		k := rapid.IntRange(1, 4).Draw(t, "depth")
		s, err := w.Sets(m, d.es, isolate.Search{Depth: k, Deepest: k})
		require.NoError(t, err)
		require.True(t, s.Approximate)
		want, total := brute(d.faults, d.findings, d.es)
		truly := math.Exp(s.Posterior.LogEvidence - math.Log(total))
		require.LessOrEqual(t, s.Coverage, truly+1e-9)
		require.LessOrEqual(t, truly, 1+1e-9)
		for f := range want {
			require.InDelta(t, want[f], s.Posterior.Fault[f], 1-s.Coverage+1e-9)
			require.InDelta(t, 1, s.Posterior.Fault[f]+s.Posterior.Absent[f], 1e-12)
		}
	})
}

// TestTheBoundTightens: with every set visited nothing is left, and the answer
// is the exact one though the frontier is too wide.
func TestTheBoundTightens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := wide(t, 8, isolate.MaxFrontier+3)
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		last := 0.0
		for k := 1; k <= 8; k++ {
			s, err := new(isolate.Workspace).Sets(m, d.es, isolate.Search{Depth: k, Deepest: k})
			require.NoError(t, err)
			require.GreaterOrEqual(t, s.Coverage, last-1e-12)
			last = s.Coverage
			if k == 8 {
				require.InDelta(t, 1, s.Coverage, 1e-6)
				want, _ := brute(d.faults, d.findings, d.es)
				for f := range want {
					require.InDelta(t, want[f], s.Posterior.Fault[f], 1e-12)
				}
			}
		}
	})
}

func TestSetsGoDeeperWhereTheCoverageIsSmall(t *testing.T) {
	var faults []isolate.Fault
	var findings []isolate.Finding
	var es []isolate.Evidence
	for i := range 6 {
		faults = append(faults, isolate.Fault{Prior: 0.05})
		findings = append(findings, isolate.Finding{Leak: 1e-4, Links: []isolate.Link{{Fault: i, Weight: 0.9}}})
		if i < 4 { // four faults that nothing else explains
			es = append(es, isolate.Evidence{Finding: i, Abnormal: 1})
		}
	}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	s, err := new(isolate.Workspace).Sets(m, es, isolate.Search{})
	require.NoError(t, err)
	require.Equal(t, 4, s.Depth)
	require.Equal(t, []int{0, 1, 2, 3}, s.Named[0].Faults)
	require.Equal(t, 1+6+15+20+15, s.Visited)
	require.Len(t, s.Named, 6)
	few, err := new(isolate.Workspace).Sets(m, es, isolate.Search{Budget: 30})
	require.NoError(t, err)
	require.Equal(t, 2, few.Depth)
	require.Less(t, few.Coverage, 0.01)
	one, err := new(isolate.Workspace).Sets(m, es[:1], isolate.Search{})
	require.NoError(t, err)
	require.Equal(t, 3, one.Depth)
	require.Equal(t, []int{0}, one.Named[0].Faults)
	require.Greater(t, one.Coverage, 0.95)
}

// TestSureFaultsAreNeverLeftOut: a finding that nothing but one part explains
// leaves no set without it, however small the sets are to be.
func TestSureFaultsAreNeverLeftOut(t *testing.T) {
	faults := []isolate.Fault{{Prior: 0.1}, {Prior: 0.1, Group: "g"}, {Prior: 0.2, Group: "g"}, {Prior: 0.1}}
	findings := []isolate.Finding{
		{Links: []isolate.Link{{Fault: 0, Weight: 0.5}}},
		{Links: []isolate.Link{{Fault: 1, Weight: 0.5}, {Fault: 2, Weight: 0.5}}},
		{Leak: 0.1, Links: []isolate.Link{{Fault: 3, Weight: 0.5}}},
	}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	s, err := new(isolate.Workspace).Sets(m, []isolate.Evidence{{Finding: 0, Abnormal: 1}, {Finding: 1, Abnormal: 1}}, isolate.Search{Depth: 1, Deepest: 1})
	require.NoError(t, err)
	require.Equal(t, 2, s.Depth)
	require.Equal(t, 2, s.Visited)
	require.Equal(t, []int{0, 2}, s.Named[0].Faults)
	require.InEpsilon(t, 0.9*2/3, s.Named[0].P, 1e-12)
	require.InEpsilon(t, 0.9, s.Coverage, 1e-12)
	_, err = new(isolate.Workspace).Sets(m, []isolate.Evidence{{Finding: 0, Abnormal: 1}, {Finding: 5, Abnormal: 1}}, isolate.Search{})
	require.Error(t, err)
}

// TestImpossibleSets: nothing is named where nothing explains the evidence,
// wide or not.
func TestImpossibleSets(t *testing.T) {
	faults := []isolate.Fault{{Prior: 0.1}, {Prior: 0.1}}
	links := []isolate.Link{{Fault: 0, Weight: 1}, {Fault: 1, Weight: 1}}
	findings := []isolate.Finding{{Links: links}, {Links: links}}
	es := []isolate.Evidence{{Finding: 0, Abnormal: 1}, {Finding: 1, Normal: 1}}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	_, err = new(isolate.Workspace).Sets(m, es, isolate.Search{})
	require.ErrorIs(t, err, isolate.ErrImpossible)
}

// TestManyNeededAtOnce: where even the deepest sets explain nothing, that is
// what the coverage says.
func TestManyNeededAtOnce(t *testing.T) {
	var faults []isolate.Fault
	var findings []isolate.Finding
	var es []isolate.Evidence
	for range 12 {
		faults = append(faults, isolate.Fault{Prior: 0.1})
	}
	for k := range 6 { // six findings of a pair each, which nothing else explains
		findings = append(findings, isolate.Finding{Links: []isolate.Link{{Fault: 2 * k, Weight: 0.5}, {Fault: 2*k + 1, Weight: 0.5}}})
	}
	for range isolate.MaxFrontier + 1 {
		f := isolate.Finding{Leak: 0.1}
		for j := range faults {
			f.Links = append(f.Links, isolate.Link{Fault: j, Weight: 0.5})
		}
		findings = append(findings, f)
	}
	for i := range findings {
		es = append(es, isolate.Evidence{Finding: i, Abnormal: 1})
	}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	exact, err := new(isolate.Workspace).Sets(m, es[:6], isolate.Search{})
	require.NoError(t, err)
	require.Zero(t, exact.Coverage)
	require.Empty(t, exact.Named)
	require.False(t, exact.Approximate)
	s, err := new(isolate.Workspace).Sets(m, es, isolate.Search{})
	require.NoError(t, err)
	require.True(t, s.Approximate)
	require.Zero(t, s.Coverage)
	for f, p := range s.Posterior.Fault {
		require.InDelta(t, 1, p+s.Posterior.Absent[f], 1e-12)
		require.Greater(t, p, 0.1)
	}
	all, err := new(isolate.Workspace).Sets(m, es, isolate.Search{Depth: 12})
	require.NoError(t, err)
	require.Positive(t, all.Coverage)
	require.GreaterOrEqual(t, len(all.Named[0].Faults), 6)
}
