package diagnosis_test

import (
	"fmt"
	"sort"
	"strings"
	"testing"
)

// simTally counts things and tells the most frequent.
type simTally map[string]float64

func (c simTally) tell(t testing.TB, title string, most int) {
	keys := make([]string, 0, len(c))
	for k := range c {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool {
		if c[keys[i]] != c[keys[j]] {
			return c[keys[i]] > c[keys[j]]
		}
		return keys[i] < keys[j]
	})
	t.Log(title)
	for _, k := range keys[:min(most, len(keys))] {
		t.Logf("   %8.1f  %s", c[k], k)
	}
}

// simMistakes tells which faults are taken for which, how often each fault is
// found, and where the minutes go.
func simMistakes(t testing.TB, es []simEnd) {
	wrong, of, found, minutes, spent, done, again := simTally{}, simTally{}, simTally{}, simTally{}, simTally{}, simTally{}, simTally{}
	n := float64(len(es))
	for i := range es {
		e := &es[i]
		of[e.first]++
		minutes[e.first] += e.minutes
		if e.right() {
			found[e.first]++
		} else {
			wrong[fmt.Sprintf("%s taken for %s (enough %v, at 0.9 %v)", simNames(e), e.ranking[0].Fault, e.enough, e.shown)]++
		}
		seen := map[string]bool{}
		for _, d := range e.done {
			spent[d.check] += d.minutes / n
			done[d.check] += 100 / n
			if k := d.check + "/" + d.position; seen[k] {
				again[d.check+" "+d.finding] += d.minutes / n
			} else {
				seen[k] = true
			}
		}
	}
	for f := range of {
		t.Logf("   %-26s %5.0f drawn first, %.3f right, %.1f minutes", f, of[f], found[f]/of[f], minutes[f]/of[f])
	}
	wrong.tell(t, "mistakes:", 40)
	spent.tell(t, "minutes a call by check:", 30)
	done.tell(t, "checks in a hundred calls:", 30)
	again.tell(t, "minutes a call spent on repeats:", 12)
}

// simNames is what is wrong with a machine.
func simNames(e *simEnd) string {
	var fs []string
	for f := range e.faults {
		fs = append(fs, f)
	}
	sort.Strings(fs)
	return strings.Join(fs, "+")
}
