package diagnosis_test

import (
	"flag"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/sensors"
)

// simWeights asks for the table of P(finding | only that fault) by check, from
// so many single-fault machines a fault, beside the catalogue's own weights:
//
//	go test ./diagnosis -run TestSimulatedWeights -v -args -sim.weights 2000
var simWeights = flag.Int("sim.weights", 0, "machines a fault for the table of measured weights; 0: a few, not printed")

// simTable counts findings by check, finding and fault.
type simTable map[string]map[string]map[string]float64

// simAsked says whether the check is one of the complaint the bench plays.
func simAsked(ch *catalogue.Check) bool {
	return len(ch.For) == 0 || slices.Contains(ch.For, "runs_too_hot")
}

// measure does every check, at each of its positions, on single-fault
// machines as they were found.
func (c simTable) measure(k *catalogue.Kind, curve *sensors.Table, fault string, n int) error {
	for i := range n {
		m := drawSim(simSeed+1, uint64(i), curve, fault)
		v := newSimVisit(k, m)
		for j := range k.Checks {
			ch := &k.Checks[j]
			if !v.fits(ch.Has, ch.Lacks) || !simAsked(ch) {
				continue
			}
			for _, p := range v.places(ch) {
				got, err := m.take(k, ch, p, m.sheet, m.unit())
				if err != nil {
					return err
				}
				c.count(strings.TrimSuffix(ch.ID+" "+p, " "), got.Verdicts[0].Finding, fault)
			}
		}
	}
	return nil
}

func (c simTable) count(check, finding, fault string) {
	if c[check] == nil {
		c[check] = map[string]map[string]float64{}
	}
	if c[check][finding] == nil {
		c[check][finding] = map[string]float64{}
	}
	c[check][finding][fault]++
}

func (c simTable) add(other simTable) {
	for check, fs := range other {
		for finding, by := range fs {
			for fault, n := range by {
				for range int(n) {
					c.count(check, finding, fault)
				}
			}
		}
	}
}

// total is how often a check was done with a fault.
func (c simTable) total(check, fault string) float64 {
	n := 0.0
	for _, by := range c[check] {
		n += by[fault]
	}
	return n
}

// The bench can answer every check of the complaint, with a finding it lists, for
// every cause of the complaint.
func TestSimulatedWeights(t *testing.T) {
	k, curve := builtIn(t), simCurve(t)
	n := max(*simWeights, 6)
	tables := make([]simTable, len(simShares))
	require.NoError(t, simSpread(len(simShares), func(i int) error {
		tables[i] = simTable{}
		return tables[i].measure(k, curve, simShares[i].fault, n)
	}))
	all := simTable{}
	for _, c := range tables {
		all.add(c)
	}
	for i := range k.Checks {
		ch := &k.Checks[i]
		if !simAsked(ch) {
			continue
		}
		require.NotEmpty(t, all.of(ch), ch.ID)
		for _, key := range all.of(ch) {
			for finding := range all[key] {
				_, ok := ch.Finding(finding)
				require.True(t, ok, "%s %s", key, finding)
			}
		}
	}
	if *simWeights > 0 {
		for i := range k.Checks {
			all.tell(t, &k.Checks[i])
		}
	}
}

// tell prints a check: for each finding the chance of every fault that differs
// from that of a machine without any, measured/catalogue; ! where they differ
// by more than 0.1.
func (c simTable) tell(t testing.TB, ch *catalogue.Check) {
	for _, key := range c.of(ch) {
		t.Logf("%s", key)
		for i := range ch.Findings {
			c.row(t, key, &ch.Findings[i])
		}
	}
}

// of is the keys of a check: itself, or one a position.
func (c simTable) of(ch *catalogue.Check) []string {
	keys := slices.Sorted(maps.Keys(c))
	return slices.DeleteFunc(keys, func(k string) bool { return k != ch.ID && !strings.HasPrefix(k, ch.ID+" ") })
}

func (c simTable) row(t testing.TB, key string, f *catalogue.Finding) {
	rest := c[key][f.ID]["no_fault"] / math.Max(c.total(key, "no_fault"), 1)
	var out []string
	for _, s := range simShares {
		n := c.total(key, s.fault)
		if n == 0 {
			continue
		}
		p := c[key][f.ID][s.fault] / n
		w, named := f.Weights[s.fault]
		if !named {
			w = f.Otherwise
		}
		if named || math.Abs(p-rest) > 0.05 {
			out = append(out, simCell(s.fault, p, w, len(f.Weights) > 0))
		}
	}
	t.Logf("  %-20s none %.3f/%.3f  %s", f.ID, rest, f.Otherwise, strings.Join(out, " "))
}

func simCell(fault string, p, w float64, weighs bool) string {
	text := fault + " " + simThree(p)
	if !weighs {
		return text
	}
	text += "/" + simThree(w)
	if math.Abs(p-w) > 0.1 {
		text += "!"
	}
	return text
}

func simThree(x float64) string { return strconv.FormatFloat(x, 'f', 3, 64) }
