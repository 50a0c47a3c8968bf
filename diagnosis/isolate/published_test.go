package isolate_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/isolate"
)

// TestConflictOfNetworks: Jensen's measure and the chance of each finding given
// the others, from the probabilities of the evidence, of all 32 networks.
func TestConflictOfNetworks(t *testing.T) {
	var w isolate.Workspace
	eachNetwork(t, func(t *testing.T, n network) {
		m, es, _ := n.model(t)
		chance := func(es []isolate.Evidence) float64 {
			p, err := w.Weigh(m, es)
			require.NoError(t, err)
			return p.LogEvidence
		}
		broken := es[len(n.Findings):]
		all, alone := chance(es), 0.0
		for i, f := range n.Findings {
			if f.Kind == "inconclusive" {
				continue
			}
			alone += chance(append([]isolate.Evidence{es[i]}, broken...))
			rest := chance(append(slices.Clone(es[:i]), es[i+1:]...))
			require.InEpsilon(t, n.Expected.LeaveOneOut[f.Test], math.Exp(all-rest), 1e-9, f.Test)
		}
		require.InDelta(t, n.Expected.ConflictBits, (alone-all)/math.Ln2, 6e-9, "the files give eight decimals")
	})
}

// sure is a finding that a fault alone makes, and always: found it says that
// the fault is there, else that it is not.
func sure(fault int) isolate.Finding {
	return isolate.Finding{Links: []isolate.Link{{Fault: fault, Weight: 1}}}
}

// TestNoisyOrTable: the fever table of Russell and Norvig, single findings, and
// decibans (Good).
func TestNoisyOrTable(t *testing.T) {
	for _, row := range checkRows(t, "noisy_or_and_weight.csv") {
		want := number(t, row["computed"])
		switch row["check"] {
		case "fever_cpt":
			var faults []isolate.Fault
			fever := isolate.Finding{}
			var es []isolate.Evidence
			findings := []isolate.Finding{}
			for i, q := range []float64{0.6, 0.2, 0.1} {
				faults = append(faults, isolate.Fault{Prior: 0.3})
				fever.Links = append(fever.Links, isolate.Link{Fault: i, Weight: 1 - q})
				findings = append(findings, sure(i))
				es = append(es, isolate.Evidence{Finding: i, Normal: 1})
				if strings.HasSuffix(strings.Fields(row["input"])[i], "=1") {
					es[i] = isolate.Evidence{Finding: i, Abnormal: 1}
				}
			}
			m, err := isolate.New(faults, append(findings, fever))
			require.NoError(t, err)
			g, err := m.Gain(es, 3)
			require.NoError(t, err)
			require.InDelta(t, want, g.Abnormal, 1e-11, "%v", row)
		case "single_finding":
			f, e := sure(0), isolate.Evidence{Abnormal: 20, Normal: 1}
			if strings.HasPrefix(row["input"], "hit97") {
				f.Leak, e = 0.05, isolate.Evidence{Abnormal: 1}
				f.Links[0].Weight = 1 - 0.03/0.95
			}
			m, err := isolate.New([]isolate.Fault{{Prior: 0.01}}, []isolate.Finding{f})
			require.NoError(t, err)
			p, err := m.Weigh([]isolate.Evidence{e})
			require.NoError(t, err)
			require.InEpsilon(t, want, p.Fault[0], 1e-11, "%v", row)
		case "weight_of_evidence_dB":
			m, err := isolate.New([]isolate.Fault{{Prior: 0.2}}, []isolate.Finding{sure(0)})
			require.NoError(t, err)
			p, err := m.Weigh([]isolate.Evidence{{Abnormal: number(t, strings.TrimPrefix(row["input"], "LR=")), Normal: 1}})
			require.NoError(t, err)
			require.InDelta(t, want, p.Decibans(0)-10*math.Log10(0.2/0.8), 1e-9, "%v", row)
		default:
			require.Fail(t, "a row nobody checks", "%v", row)
		}
	}
}

// TestFaultTree: mains and (generator or relay), a tree with two findings that
// both have to be abnormal.
func TestFaultTree(t *testing.T) {
	const mains, gen, relay = 0.03, 0.02, 0.05
	m, err := isolate.New([]isolate.Fault{{ID: "Mains", Prior: mains}, {ID: "Gen", Prior: gen}, {ID: "Relay", Prior: relay}},
		[]isolate.Finding{sure(0), {Links: []isolate.Link{{Fault: 1, Weight: 1}, {Fault: 2, Weight: 1}}}})
	require.NoError(t, err)
	p, err := m.Weigh([]isolate.Evidence{{Finding: 0, Abnormal: 1}, {Finding: 1, Abnormal: 1}})
	require.NoError(t, err)
	got := map[string]float64{"top_exact Mains and (Gen or Relay)": math.Exp(p.LogEvidence), "cut_set Mains Gen": mains * gen, "cut_set Mains Relay": mains * relay,
		"rare_event_sum ": mains*gen + mains*relay, "posterior_given_top Relay bad": p.Fault[2], "posterior_given_top Gen bad": p.Fault[1]}
	for _, row := range checkRows(t, "fault_tree.csv") {
		x, ok := got[row["check"]+" "+row["item"]]
		require.True(t, ok, "%v", row)
		require.InEpsilon(t, number(t, row["computed"]), x, 1e-11, "%v", row)
	}
}

// polybox is de Kleer's circuit: its two conflict sets as findings that one of
// their parts makes for sure.
func polybox(t *testing.T) *isolate.Model {
	t.Helper()
	var faults []isolate.Fault
	for _, id := range []string{"M1", "M2", "M3", "A1", "A2"} {
		faults = append(faults, isolate.Fault{ID: id, Prior: 0.01})
	}
	either := func(parts ...int) (f isolate.Finding) {
		for _, p := range parts {
			f.Links = append(f.Links, isolate.Link{Fault: p, Weight: 1})
		}
		return f
	}
	m, err := isolate.New(faults, []isolate.Finding{either(3, 0, 1), either(3, 4, 0, 2)})
	require.NoError(t, err)
	return m
}

// predicts gives what a set of faults of the circuit says of a probe, from the
// parts that work, the inputs and the outputs (F = 10, G = 12); 0 for nothing.
func predicts(bad uint, probe string) int {
	ok := func(part int) bool { return bad>>part&1 == 0 }
	x, y, z := 0, 0, 0
	if ok(0) {
		x = 6
	}
	if ok(1) {
		y = 6
	}
	if ok(2) {
		z = 6
	}
	for range 3 {
		if ok(3) { // F = X + Y
			x, y = other(x, y, 10)
		}
		if ok(4) { // G = Y + Z
			y, z = other(y, z, 12)
		}
	}
	return map[string]int{"X": x, "Y": y, "Z": z}[probe]
}

// other fills in the second of two numbers that add up to sum.
func other(a, b, sum int) (int, int) {
	switch {
	case a == 0 && b != 0:
		return sum - b, b
	case b == 0 && a != 0:
		return a, sum - a
	}
	return a, b
}

// TestGeneralDiagnosis: the circuit of de Kleer and Williams (1987).
func TestGeneralDiagnosis(t *testing.T) {
	m := polybox(t)
	es := []isolate.Evidence{{Finding: 0, Abnormal: 1}, {Finding: 1, Abnormal: 1}}
	var w isolate.Workspace
	p, err := m.Weigh(es)
	require.NoError(t, err)
	sets, err := w.Sets(m, es, isolate.Search{Most: 32, Depth: 5, Deepest: 5})
	require.NoError(t, err)
	require.InDelta(t, 1, sets.Coverage, 1e-12)
	chance := map[uint]float64{}
	for _, s := range sets.Named {
		set := uint(0)
		for _, f := range s.Faults {
			set |= 1 << f
		}
		chance[set] = s.P
	}
	of := func(ids string) (set uint) {
		for _, id := range strings.Fields(ids) {
			set |= 1 << slices.IndexFunc(m.Faults, func(f isolate.Fault) bool { return f.ID == id })
		}
		return set
	}
	probe := func(name string) map[string]float64 {
		out := map[string]float64{}
		for set, c := range chance {
			if v := predicts(set, name); v != 0 {
				out[strconv.Itoa(v)] += c
			} else {
				out["None"] += c
			}
		}
		return out
	}
	for _, row := range checkRows(t, "gde.csv") {
		switch row["check"] {
		case "minimal_diagnosis":
			require.InEpsilon(t, number(t, row["computed"]), chance[of(row["item"])], 1e-11, "%v", row)
		case "conflict_set":
			for set := range chance {
				require.NotZero(t, set&of(row["item"]), "%v", row)
			}
		case "n_consistent_candidates":
			require.Len(t, chance, 27)
		case "marginal_bad":
			require.InEpsilon(t, number(t, row["computed"]), p.Fault[slices.IndexFunc(m.Faults, func(f isolate.Fault) bool { return f.ID == row["item"] })], 1e-11)
		case "probe_outcomes":
			var want map[string]float64
			require.NoError(t, json.Unmarshal([]byte(row["computed"]), &want))
			got := probe(row["item"])
			require.Len(t, got, len(want), "%v %v", row, got)
			for v, c := range want {
				require.InDelta(t, c, got[v], 1e-9, "%v", row)
			}
		case "probe_predicted_outcome_entropy_bits":
			h := 0.0
			for v, c := range probe(row["item"]) {
				if v != "None" {
					h -= c * math.Log2(c)
				}
			}
			require.InDelta(t, number(t, row["computed"]), h, 1e-9, "%v", row)
		case "four_inverters_prior":
			four, err := isolate.New(slices.Repeat([]isolate.Fault{{Prior: 0.01}}, 4), nil)
			require.NoError(t, err)
			s, err := w.Sets(four, nil, isolate.Search{Most: 2})
			require.NoError(t, err)
			at := 1
			if strings.HasSuffix(row["item"], "all ok") {
				at = 0
			}
			require.InEpsilon(t, number(t, row["computed"]), s.Named[at].P, 1e-11, "%v", row)
		default:
			require.Fail(t, "a row nobody checks", "%v", row)
		}
	}
}

// bayes is a small Bayesian network, summed over all its states: an oracle that
// knows nothing of noisy-OR.
type bayes struct {
	nodes   []string
	parents map[string][]string
	on      map[string]map[string]float64 // by node, by the values of its parents
}

func (b *bayes) chance(given map[string]bool) float64 {
	sum := 0.0
	for state := range 1 << len(b.nodes) {
		at := func(node string) bool { return state>>slices.Index(b.nodes, node)&1 == 1 }
		p := 1.0
		for node, v := range given {
			if at(node) != v {
				p = 0
			}
		}
		for _, node := range b.nodes {
			var key []string
			for _, parent := range b.parents[node] {
				key = append(key, map[bool]string{true: "1", false: "0"}[at(parent)])
			}
			q := b.on[node][strings.Join(key, " ")]
			if !at(node) {
				q = 1 - q
			}
			p *= q
		}
		sum += p
	}
	return sum
}

func states(s string) map[string]bool {
	out := map[string]bool{}
	for _, f := range strings.FieldsFunc(s, func(r rune) bool { return r == ';' }) {
		node, v, _ := strings.Cut(f, "=")
		out[node] = v == "1"
	}
	return out
}

// TestBayesianNetworks: alarm (Russell and Norvig), chest clinic (Lauritzen and
// Spiegelhalter 1988), sprinkler. Most are no noisy-OR: they hold the oracle
// against published values. Of the chest clinic the picture alone is one, and is
// weighed by both: lung cancer and tuberculosis are independent in it.
func TestBayesianNetworks(t *testing.T) {
	nets := map[string]*bayes{}
	for _, row := range checkRows(t, "bn_cpts.csv") {
		b := nets[row["network"]]
		if b == nil {
			b = &bayes{parents: map[string][]string{}, on: map[string]map[string]float64{}}
			nets[row["network"]] = b
		}
		if b.on[row["node"]] == nil {
			b.nodes, b.on[row["node"]] = append(b.nodes, row["node"]), map[string]float64{}
			b.parents[row["node"]] = strings.Fields(row["parents"])
		}
		b.on[row["node"]][row["parent_values"]] = number(t, row["p_true"])
	}
	for _, row := range checkRows(t, "bn_posteriors.csv") {
		b := nets[row["network"]]
		evidence, both := states(row["evidence"]), states(row["evidence"])
		for node, v := range states(row["query"]) {
			both[node] = v
		}
		require.InEpsilon(t, number(t, row["computed"]), b.chance(both)/b.chance(evidence), 1e-11, "%v", row)
	}
	asia := nets["asia"]
	// Either disease is a finding that each makes for sure; the picture is the
	// likelihood of what it shows with and without.
	m, err := isolate.New([]isolate.Fault{{Prior: asia.chance(states("lung=1"))}, {Prior: asia.chance(states("tub=1"))}},
		[]isolate.Finding{{Links: []isolate.Link{{Fault: 0, Weight: 1}, {Fault: 1, Weight: 1}}}})
	require.NoError(t, err)
	p, err := m.Weigh([]isolate.Evidence{{Abnormal: asia.on["xray"]["1"], Normal: asia.on["xray"]["0"]}})
	require.NoError(t, err)
	require.InEpsilon(t, asia.chance(states("lung=1;xray=1"))/asia.chance(states("xray=1")), p.Fault[0], 1e-11)
}

// quickscore is Heckerman's sum over the subsets of the positive findings
// (1989), with signs: it loses digits, and is an oracle for small cases only.
func quickscore(faults []isolate.Fault, findings []isolate.Finding, es []isolate.Evidence) float64 {
	var open []isolate.Evidence
	base, keep := 1.0, make([]float64, len(faults))
	for i := range keep {
		keep[i] = 1
	}
	for _, e := range es {
		if e.Abnormal > 0 {
			open = append(open, e)
			continue
		}
		base *= 1 - findings[e.Finding].Leak
		for _, l := range findings[e.Finding].Links {
			keep[l.Fault] *= 1 - l.Weight
		}
	}
	sum := 0.0
	for s := range 1 << len(open) {
		sign, stay := base, slices.Clone(keep)
		for k, e := range open {
			if s>>k&1 == 0 {
				sign *= e.Abnormal
				continue
			}
			sign *= (e.Normal - e.Abnormal) * (1 - findings[e.Finding].Leak)
			for _, l := range findings[e.Finding].Links {
				stay[l.Fault] *= 1 - l.Weight
			}
		}
		for i, f := range faults {
			sign *= 1 - f.Prior + f.Prior*stay[i]
		}
		sum += sign
	}
	return sum
}

// TestAgainstQuickscore holds the probability of the evidence against the other
// algorithm, on random networks without groups.
func TestAgainstQuickscore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		var faults []isolate.Fault
		for range 1 + r.IntN(12) {
			faults = append(faults, isolate.Fault{Prior: 0.01 + 0.4*r.Float64()})
		}
		var findings []isolate.Finding
		var es []isolate.Evidence
		for i := range 1 + r.IntN(8) {
			f := isolate.Finding{Leak: 0.02 + 0.2*r.Float64()}
			for _, k := range r.Perm(len(faults))[:1+r.IntN(len(faults))] {
				f.Links = append(f.Links, isolate.Link{Fault: k, Weight: 0.1 + 0.8*r.Float64()})
			}
			findings = append(findings, f)
			es = append(es, []isolate.Evidence{{i, 1, 0}, {i, 0, 1}, {i, 0.2 + r.Float64(), 0.2 + r.Float64()}}[r.IntN(3)])
		}
		m, err := isolate.New(faults, findings)
		require.NoError(t, err)
		p, err := m.Weigh(es)
		require.NoError(t, err)
		require.InEpsilon(t, quickscore(faults, findings, es), math.Exp(p.LogEvidence), 1e-7)
	})
}
