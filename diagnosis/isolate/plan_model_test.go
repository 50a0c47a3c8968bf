package isolate_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/isolate"
)

// priced is a network of TestNetworks with the costs of its repairs and its
// tests, and the order of repairs that costs least by brute force over the sets
// of faults and of repairs, from an independent program (own arithmetic).
type priced struct {
	Faults []struct {
		ID   string
		Cost float64 `json:"repair_cost"`
	}
	Tests []struct {
		ID   string
		Cost float64
	}
	Findings []struct{ Test string }
	Expected struct {
		Marginals   map[string]float64
		Cardinality []float64
		NextTest    []struct {
			Test string
			PPos float64 `json:"p_pos"`
		} `json:"next_test"`
		Repair struct {
			Cost      float64  `json:"optimal_ecr"`
			Order     []string `json:"optimal_order"`
			RatioCost float64  `json:"pc_ecr"`
			Ratio     []string `json:"pc_order"`
		}
	}
}

func (n priced) planner(t testing.TB) *isolate.Planner {
	t.Helper()
	var repairs []isolate.Repair
	for i, f := range n.Faults {
		repairs = append(repairs, isolate.Repair{ID: f.ID, Cost: f.Cost, Faults: []int{i}})
	}
	p, err := isolate.NewPlanner(repairs, nil)
	require.NoError(t, err)
	return p
}

// TestRepairOfNetworks: orders and expected costs of repair of all 32 networks,
// several faults at once, to 1e-9; by sets, by the model, and with the
// probabilities of the cases.
func TestRepairOfNetworks(t *testing.T) {
	files, err := filepath.Glob("../../testdata/inference/noisyor/*_*.json")
	require.NoError(t, err)
	require.Len(t, files, 32)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			var net network
			var n priced
			require.NoError(t, json.Unmarshal(text, &net))
			require.NoError(t, json.Unmarshal(text, &n))
			m, es, tests := net.model(t)
			p := n.planner(t)
			b, err := p.Weighed(m, es)
			require.NoError(t, err)
			require.InDelta(t, 0, b.Missed, 1e-12)
			for i, x := range b.Needed(p) {
				require.InEpsilon(t, n.Expected.Marginals[n.Faults[i].ID], x, 1e-9)
			}
			best, ratio := p.Best(b), p.ByRatio(b)
			require.InEpsilon(t, n.Expected.Repair.Cost, best.Cost, 1e-9)
			require.InEpsilon(t, n.Expected.Repair.RatioCost, ratio.Cost, 1e-9)
			require.Equal(t, n.Expected.Repair.Order[:len(best.Order)], ids(p, best))
			require.Equal(t, n.Expected.Repair.Ratio[:len(ratio.Order)], ids(p, ratio))
			all, err := p.PlanAll(m, es)
			require.NoError(t, err)
			require.InEpsilon(t, n.Expected.Repair.Cost, all.Cost, 1e-9)
			require.True(t, all.Best)
			broken, err := isolate.StillBroken(m, es)
			require.NoError(t, err)
			something, err := broken(nil)
			require.NoError(t, err)
			require.InDelta(t, 1-n.Expected.Cardinality[0], something, 1e-9)
			n.looks(t, p, b, tests)
		})
	}
}

// looks checks the chance of each outcome, and one step of look-ahead against
// the expected costs of the beliefs after each outcome.
func (n priced) looks(t *testing.T, p *isolate.Planner, b *isolate.Belief, tests map[string]int) {
	t.Helper()
	var offered []isolate.Test
	for _, x := range n.Expected.NextTest {
		rows, err := b.Outcomes(tests[x.Test])
		require.NoError(t, err)
		offered = append(offered, isolate.Test{ID: x.Test, Cost: n.Tests[tests[x.Test]].Cost, Outcomes: rows})
	}
	a, err := p.LookAhead(b, offered)
	require.NoError(t, err)
	require.InDelta(t, p.Best(b).Cost, a.Now.Cost, 1e-12)
	for k, l := range a.Looks {
		require.InDelta(t, a.Now.Cost, l.Saves+l.Cost+l.After, 1e-9)
		require.LessOrEqual(t, l.After, a.Now.Cost*(1+1e-9))
		require.Equal(t, offered[k].Cost, l.Cost)
		if a.Best >= 0 {
			require.LessOrEqual(t, l.Saves, a.Looks[a.Best].Saves+1e-9*a.Now.Cost)
		}
	}
}

// TestLookAheadWeighsTheOutcome: the expected cost after a test is that of the
// two beliefs weighed anew with the finding, one for each outcome.
func TestLookAheadWeighsTheOutcome(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := draw(t)
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		n := min(len(d.faults), 7)
		p, _ := drawPlanner(t, n)
		b, err := p.Weighed(m, d.es)
		require.NoError(t, err)
		looked := map[int]bool{}
		told := d.es[:0:0]
		for _, e := range d.es { // what told nothing can be looked at again
			if e.Abnormal != e.Normal {
				looked[e.Finding], told = true, append(told, e)
			}
		}
		d.es = told
		for k := range d.findings {
			rows, err := b.Outcomes(k)
			if looked[k] {
				require.Error(t, err)
				continue
			}
			require.NoError(t, err)
			a, err := p.LookAhead(b, []isolate.Test{{Outcomes: rows}})
			require.NoError(t, err)
			require.InDelta(t, afterwards(t, p, m, d, k), a.Looks[0].After, 1e-8*(1+a.Now.Cost))
		}
	})
}

// afterwards weighs a model of only the faults that the planner removes, once
// for each outcome.
func afterwards(t *rapid.T, p *isolate.Planner, m *isolate.Model, d drawn, k int) float64 {
	n := len(p.Repairs())
	now := only(t, d, n, d.es)
	sum := 0.0
	for _, e := range []isolate.Evidence{{Finding: k, Abnormal: 1}, {Finding: k, Normal: 1}} {
		es := append(append([]isolate.Evidence{}, d.es...), e)
		then := only(t, d, n, es)
		b, err := p.Weighed(m, es)
		require.NoError(t, err)
		sum += then / now * p.Best(b).Cost
	}
	return sum
}

// only is the weight of the evidence in cases without faults from n on, by
// brute force.
func only(t *rapid.T, d drawn, n int, es []isolate.Evidence) float64 {
	findings := append([]isolate.Finding{}, d.findings...)
	left := isolate.Finding{ID: "beyond"}
	for f := n; f < len(d.faults); f++ {
		left.Links = append(left.Links, isolate.Link{Fault: f, Weight: 1})
	}
	_, z := brute(d.faults, append(findings, left), append(append([]isolate.Evidence{}, es...), isolate.Evidence{Finding: len(findings), Normal: 1}))
	require.Greater(t, z, 0.0)
	return z
}

// TestBestOfSeveralFaults: no order of up to five costs less than Best, with
// panels and with several faults at once; the costs agree with the exact
// posterior of the model when all faults can be repaired.
func TestBestOfSeveralFaults(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := draw(t)
		n := min(len(d.faults), 5)
		d.faults = d.faults[:n]
		for i := range d.findings {
			var kept []isolate.Link
			for _, l := range d.findings[i].Links {
				if l.Fault < n {
					kept = append(kept, l)
				}
			}
			d.findings[i].Links = kept
		}
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		p, repairs := drawPlanner(t, n)
		b, err := p.Weighed(m, d.es)
		require.NoError(t, err)
		require.InDelta(t, 0, b.Missed, 1e-12)
		broken, err := isolate.StillBroken(m, d.es)
		require.NoError(t, err)
		least, most := extremes(t, p, len(repairs), broken)
		require.InDelta(t, least, p.Best(b).Cost, 1e-9*most)
		require.LessOrEqual(t, p.ByRatio(b).Cost, most*(1+1e-9))
		all, err := p.PlanAll(m, d.es)
		require.NoError(t, err)
		require.InDelta(t, least, all.Cost, 1e-9*most)
	})
}

// TestModesOfOnePart: replacing a part removes all its modes; the chances of
// the cases are those of brute force, and a fault out of reach is Missed.
func TestModesOfOnePart(t *testing.T) {
	faults := []isolate.Fault{{ID: "open", Prior: 0.1, Group: "element"}, {ID: "grounded", Prior: 0.05, Group: "element"}, {ID: "fuse", Prior: 0.2}, {ID: "vent", Prior: 0.3}}
	findings := []isolate.Finding{{ID: "cold", Leak: 0.01, Links: []isolate.Link{{Fault: 0, Weight: 0.9}, {Fault: 1, Weight: 0.3}, {Fault: 2, Weight: 0.8}, {Fault: 3, Weight: 0.2}}}}
	es := []isolate.Evidence{{Finding: 0, Abnormal: 1}}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	p, err := isolate.NewPlanner([]isolate.Repair{{ID: "element", Cost: 60, Faults: []int{0, 1}}, {ID: "fuse", Cost: 15, Faults: []int{2}}}, nil)
	require.NoError(t, err)
	b, err := p.Weighed(m, es)
	require.NoError(t, err)
	require.Equal(t, 6, b.Cases()) // three states of the element, two of the fuse
	post, _ := brute(faults, findings, es)
	require.InDelta(t, post[3], b.Missed, 1e-12)
	needed := b.Needed(p)
	given, _ := brute(faults, append(findings, isolate.Finding{Links: []isolate.Link{{Fault: 3, Weight: 1}}}), append(es, isolate.Evidence{Finding: 1, Normal: 1}))
	require.InDelta(t, given[0]+given[1], needed[0], 1e-12)
	require.InDelta(t, given[2], needed[1], 1e-12)
	plan, err := p.PlanAll(m, es)
	require.NoError(t, err)
	require.False(t, plan.Best) // the vent has no repair
	require.ElementsMatch(t, []int{0, 1}, plan.Order)
}

// TestMoreRepairsThanAreSearched: 20 faults; the likeliest come first, all are
// in the order, and the cost is that of the order by the model.
func TestMoreRepairsThanAreSearched(t *testing.T) {
	m, es, p := largeNetwork(t, 20)
	plan, err := p.PlanAll(m, es)
	require.NoError(t, err)
	require.Len(t, plan.Order, 20)
	require.False(t, plan.Best)
	broken, err := isolate.StillBroken(m, es)
	require.NoError(t, err)
	cost, err := p.ExpectedCost(plan.Order, broken)
	require.NoError(t, err)
	require.InDelta(t, cost, plan.Cost, 1e-9)
	_, err = p.Weighed(m, es)
	require.ErrorIs(t, err, isolate.ErrWide)
}

func TestBeliefsAreChecked(t *testing.T) {
	faults := []isolate.Fault{{ID: "a", Prior: 0.1}}
	m, err := isolate.New(faults, []isolate.Finding{{ID: "sure", Links: []isolate.Link{{Fault: 0, Weight: 1}}}, {ID: "never", Links: []isolate.Link{{Fault: 0, Weight: 1}}}})
	require.NoError(t, err)
	p, err := isolate.NewPlanner([]isolate.Repair{{ID: "a", Cost: 1, Faults: []int{0}}}, nil)
	require.NoError(t, err)
	both := []isolate.Evidence{{Finding: 0, Abnormal: 1}, {Finding: 1, Normal: 1}}
	_, err = p.Weighed(m, both)
	require.ErrorIs(t, err, isolate.ErrImpossible)
	_, err = p.PlanAll(m, both)
	require.ErrorIs(t, err, isolate.ErrImpossible)
	wrong, err := isolate.NewPlanner([]isolate.Repair{{ID: "b", Cost: 1, Faults: []int{1}}}, nil)
	require.NoError(t, err)
	_, err = wrong.Weighed(m, nil)
	require.Error(t, err)
	_, err = wrong.PlanAll(m, nil)
	require.Error(t, err)
	b, err := p.Weighed(m, both[:1])
	require.NoError(t, err)
	for name, e := range map[string]isolate.Evidence{"unknown": {Finding: 2}, "negative": {Finding: 1, Normal: -1}, "seen": {Finding: 0, Normal: 1}} {
		_, err := b.Likelihood(e)
		require.Error(t, err, name)
	}
	s, err := p.Single([]float64{1})
	require.NoError(t, err)
	_, err = s.Outcomes(0)
	require.Error(t, err)
}
