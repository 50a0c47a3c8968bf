package isolate_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/isolate"
)

// network is one of 32 random leaky noisy-OR networks with their posteriors by
// brute force in 60 digits, from an independent program (own arithmetic).
type network struct {
	Faults []struct {
		ID    string
		Prior float64
	}
	Tests []struct {
		ID      string
		Leak    float64
		Weights map[string]float64
	}
	Findings []struct {
		Test, Kind string
		L1, L0     float64
	}
	Broken   bool `json:"evidence_given_broken"`
	Expected struct {
		PEvidence float64            `json:"p_evidence"`
		Marginals map[string]float64 `json:"marginals"`
		Entropy   float64            `json:"sum_marginal_entropy_bits"`
		// Of the sets of faults.
		JointEntropy float64   `json:"joint_entropy_bits"`
		Cardinality  []float64 // by number of faults
		TopSets      []struct {
			Set []string
			P   float64
		} `json:"top_sets"`
		ConflictBits float64            `json:"conflict_bits"`
		LeaveOneOut  map[string]float64 `json:"leave_one_out"`
		NextTest     []struct {
			Test     string
			PPos     float64 `json:"p_pos"`
			Expected float64 `json:"expected_sum_marginal_entropy_bits"`
			Gain     float64 `json:"marginal_gain_bits"`
			// Of the sets of faults.
			Joint       float64 `json:"expected_joint_entropy_bits"`
			Information float64 `json:"mutual_information_bits"`
		} `json:"next_test"`
	}
}

func (n network) model(t testing.TB) (*isolate.Model, []isolate.Evidence, map[string]int) {
	t.Helper()
	at := map[string]int{}
	var faults []isolate.Fault
	for i, f := range n.Faults {
		at[f.ID] = i
		faults = append(faults, isolate.Fault{ID: f.ID, Prior: f.Prior})
	}
	tests := map[string]int{}
	var findings []isolate.Finding
	for i, x := range n.Tests {
		tests[x.ID] = i
		f := isolate.Finding{ID: x.ID, Leak: x.Leak}
		for _, id := range n.Faults { // map order would differ from run to run
			if w, ok := x.Weights[id.ID]; ok {
				f.Links = append(f.Links, isolate.Link{Fault: at[id.ID], Weight: w})
			}
		}
		findings = append(findings, f)
	}
	var es []isolate.Evidence
	for _, f := range n.Findings {
		e := isolate.Evidence{Finding: tests[f.Test], Abnormal: f.L1, Normal: f.L0}
		switch f.Kind {
		case "pos":
			e.Abnormal, e.Normal = 1, 0
		case "neg":
			e.Abnormal, e.Normal = 0, 1
		case "inconclusive":
			e.Abnormal, e.Normal = 1, 1
		}
		es = append(es, e)
	}
	if n.Broken { // something is wrong: one more finding, every fault makes it sure
		f := isolate.Finding{ID: "broken"}
		for i := range faults {
			f.Links = append(f.Links, isolate.Link{Fault: i, Weight: 1})
		}
		es = append(es, isolate.Evidence{Finding: len(findings), Abnormal: 1})
		findings = append(findings, f)
	}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	return m, es, tests
}

// TestNetworks: posteriors to 1e-11 relative, entropies and expected gains to
// 1e-9.
func TestNetworks(t *testing.T) {
	eachNetwork(t, func(t *testing.T, n network) {
		m, es, tests := n.model(t)
		p, err := m.Weigh(es)
		require.NoError(t, err)
		for i, f := range n.Faults {
			require.InEpsilon(t, n.Expected.Marginals[f.ID], p.Fault[i], 1e-11, f.ID)
		}
		require.InEpsilon(t, n.Expected.PEvidence, math.Exp(p.LogEvidence), 1e-11)
		require.InDelta(t, n.Expected.Entropy, p.Entropy(), 1e-9)
		require.NotEmpty(t, n.Expected.NextTest)
		gains, err := new(isolate.Workspace).Gains(m, es, nil)
		require.NoError(t, err)
		require.Len(t, gains, len(n.Expected.NextTest))
		at := map[int]isolate.Gain{}
		for _, g := range gains {
			at[g.Finding] = g
		}
		for _, x := range n.Expected.NextTest {
			g, err := m.Gain(es, tests[x.Test])
			require.NoError(t, err)
			require.InDelta(t, x.PPos, g.Abnormal, 1e-9, x.Test)
			require.InDelta(t, x.Gain, g.Bits, 1e-9, x.Test)
			require.Equal(t, g, at[tests[x.Test]])
		}
	})
}

func eachNetwork(t *testing.T, check func(t *testing.T, n network)) {
	files, err := filepath.Glob("../../testdata/inference/noisyor/*_*.json")
	require.NoError(t, err)
	require.Len(t, files, 32)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			var n network
			require.NoError(t, json.Unmarshal(text, &n))
			check(t, n)
		})
	}
}

// brute sums over all sets of faults, at most one of a group.
func brute(faults []isolate.Fault, findings []isolate.Finding, es []isolate.Evidence) ([]float64, float64) {
	post := make([]float64, len(faults))
	total := 0.0
	for set := range 1 << len(faults) {
		p, groups := 1.0, map[string]float64{}
		ok := true
		for i, f := range faults {
			in := set>>i&1 == 1
			if f.Group == "" {
				p *= map[bool]float64{true: f.Prior, false: 1 - f.Prior}[in]
				continue
			}
			if _, seen := groups[f.Group]; !seen {
				groups[f.Group] = 0
			}
			if in {
				ok = ok && groups[f.Group] == 0
				groups[f.Group] = f.Prior
			}
		}
		if !ok {
			continue
		}
		for g, prior := range groups {
			if prior == 0 {
				prior = 1
				for _, f := range faults {
					if f.Group == g {
						prior -= f.Prior
					}
				}
			}
			p *= prior
		}
		for _, e := range es {
			normal := 1 - findings[e.Finding].Leak
			for _, l := range findings[e.Finding].Links {
				if set>>l.Fault&1 == 1 {
					normal *= 1 - l.Weight
				}
			}
			p *= e.Abnormal*(1-normal) + e.Normal*normal
		}
		total += p
		for i := range faults {
			if set>>i&1 == 1 {
				post[i] += p
			}
		}
	}
	for i := range post {
		post[i] /= total
	}
	return post, total
}

type drawn struct {
	faults   []isolate.Fault
	findings []isolate.Finding
	es       []isolate.Evidence
}

func draw(t *rapid.T) drawn {
	var d drawn
	n := rapid.IntRange(1, 14).Draw(t, "faults")
	for range n {
		f := isolate.Fault{Group: rapid.SampledFrom([]string{"", "", "a", "b"}).Draw(t, "group")}
		most := 0.3
		if f.Group != "" {
			most = 0.08 // eleven modes still leave a chance that the part is good
		}
		f.Prior = rapid.Float64Range(0.001, most).Draw(t, "prior")
		d.faults = append(d.faults, f)
	}
	for i := range rapid.IntRange(1, 9).Draw(t, "findings") {
		f := isolate.Finding{Leak: rapid.Float64Range(0.0001, 0.5).Draw(t, "leak")}
		for j := range n {
			if rapid.Bool().Draw(t, "linked") {
				f.Links = append(f.Links, isolate.Link{Fault: j, Weight: rapid.Float64Range(0.01, 1).Draw(t, "weight")})
			}
		}
		d.findings = append(d.findings, f)
		e := isolate.Evidence{Finding: i, Abnormal: rapid.Float64Range(0.01, 1).Draw(t, "l1"), Normal: rapid.Float64Range(0.01, 1).Draw(t, "l0")}
		switch rapid.IntRange(0, 3).Draw(t, "kind") {
		case 0:
			e.Abnormal, e.Normal = 1, 0
		case 1:
			e.Abnormal, e.Normal = 0, 1
		case 2:
			continue // not looked at
		}
		d.es = append(d.es, e)
	}
	return d
}

func TestEqualsBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := draw(t)
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		p, err := m.Weigh(d.es)
		require.NoError(t, err)
		want, total := brute(d.faults, d.findings, d.es)
		require.InDelta(t, math.Log(total), p.LogEvidence, 1e-9)
		for i := range want {
			require.InDelta(t, want[i], p.Fault[i], 1e-10*math.Max(want[i], 1e-3))
		}
	})
}

// TestOrderNeverMatters: the evidence shuffled gives the same posterior, soft
// and plain alike.
func TestOrderNeverMatters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := draw(t)
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		one, err := m.Weigh(d.es)
		require.NoError(t, err)
		two, err := m.Weigh(rapid.Permutation(d.es).Draw(t, "shuffled"))
		require.NoError(t, err)
		for i := range one.Fault {
			require.InDelta(t, one.Fault[i], two.Fault[i], 1e-12)
		}
	})
}

// TestANormalFindingNeverRaisesItsFaults, with independent faults.
func TestANormalFindingNeverRaisesItsFaults(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := draw(t)
		for i := range d.faults {
			d.faults[i].Group = ""
		}
		m, err := isolate.New(d.faults, d.findings)
		require.NoError(t, err)
		before, err := m.Weigh(nil)
		require.NoError(t, err)
		k := rapid.IntRange(0, len(d.findings)-1).Draw(t, "finding")
		after, err := m.Weigh([]isolate.Evidence{{Finding: k, Normal: 1}})
		require.NoError(t, err)
		for _, l := range d.findings[k].Links {
			require.LessOrEqual(t, after.Fault[l.Fault], before.Fault[l.Fault]+1e-15)
		}
	})
}

func TestImpossibleIsTold(t *testing.T) {
	m, err := isolate.New([]isolate.Fault{{ID: "a", Prior: 0.1}}, []isolate.Finding{
		{ID: "sure", Links: []isolate.Link{{Fault: 0, Weight: 1}}}, {ID: "never", Links: []isolate.Link{{Fault: 0, Weight: 1}}}})
	require.NoError(t, err)
	_, err = m.Weigh([]isolate.Evidence{{Finding: 0, Abnormal: 1}, {Finding: 1, Normal: 1}})
	require.ErrorIs(t, err, isolate.ErrImpossible)
}

func TestWideIsTold(t *testing.T) {
	var faults []isolate.Fault
	var findings []isolate.Finding
	var es []isolate.Evidence
	for range 30 {
		faults = append(faults, isolate.Fault{Prior: 0.1})
	}
	for i := range 25 {
		f := isolate.Finding{Leak: 0.01}
		for j := range faults {
			f.Links = append(f.Links, isolate.Link{Fault: j, Weight: 0.5})
		}
		findings = append(findings, f)
		es = append(es, isolate.Evidence{Finding: i, Abnormal: 1})
	}
	m, err := isolate.New(faults, findings)
	require.NoError(t, err)
	_, err = m.Weigh(es)
	require.ErrorIs(t, err, isolate.ErrWide)
}

func TestModelsAreChecked(t *testing.T) {
	ok := isolate.Fault{ID: "a", Prior: 0.1}
	for name, c := range map[string]drawn{
		"prior 0":      {faults: []isolate.Fault{{Prior: 0}}},
		"prior 1":      {faults: []isolate.Fault{{Prior: 1}}},
		"prior NaN":    {faults: []isolate.Fault{{Prior: math.NaN()}}},
		"group full":   {faults: []isolate.Fault{{Prior: 0.6, Group: "a"}, {Prior: 0.4, Group: "a"}}},
		"leak 1":       {faults: []isolate.Fault{ok}, findings: []isolate.Finding{{Leak: 1}}},
		"weight 0":     {faults: []isolate.Fault{ok}, findings: []isolate.Finding{{Links: []isolate.Link{{Fault: 0}}}}},
		"no fault":     {faults: []isolate.Fault{ok}, findings: []isolate.Finding{{Links: []isolate.Link{{Fault: 1, Weight: 1}}}}},
		"linked twice": {faults: []isolate.Fault{ok}, findings: []isolate.Finding{{Links: []isolate.Link{{Fault: 0, Weight: 1}, {Fault: 0, Weight: 1}}}}},
	} {
		_, err := isolate.New(c.faults, c.findings)
		require.Error(t, err, name)
	}
	m, err := isolate.New([]isolate.Fault{ok}, []isolate.Finding{{Leak: 0.1}})
	require.NoError(t, err)
	for name, es := range map[string][]isolate.Evidence{"unknown": {{Finding: 1, Normal: 1}}, "nothing": {{Finding: 0}}, "NaN": {{Finding: 0, Normal: math.NaN()}},
		"negative": {{Finding: 0, Normal: -1}}, "twice": {{Finding: 0, Normal: 1}, {Finding: 0, Normal: 1}}} {
		_, err := m.Weigh(es)
		require.Error(t, err, name)
	}
}
