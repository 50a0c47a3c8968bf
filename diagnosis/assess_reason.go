package diagnosis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// maxReasons is how many readings a fault's ranking names.
const maxReasons = 4

// tellingRatio is the smallest change of the odds worth telling: 1 dB, a
// quarter up or down.
var tellingRatio = math.Pow(10, 0.1)

// moved is how far one reading moves one fault.
type moved struct {
	db float64 // 10·log10 of the odds with the reading over the odds without it (Good's weight of evidence)
	at int     // index of the evidence
	by bool    // only because others moved: the finding does not weigh this fault
}

// reasons says for each cause which readings moved it, strongest first. Each
// is measured by leaving that one reading out, so the order of entry does not
// matter.
func (m *model) reasons() [][]string {
	out := make([][]string, len(m.causes))
	told := make([][6]string, len(m.found))
	ms := make([]moved, 0, len(m.found))
	for i, c := range m.causes {
		ms = ms[:0]
		for j := range m.found {
			if m.leftOut[j].Fault == nil {
				continue
			}
			if r := oddsRatio(c.posterior, m.leftOut[j].Fault[i]); r >= tellingRatio || r*tellingRatio <= 1 {
				_, weighs := m.found[j].finding.Weights[c.fault.ID]
				ms = append(ms, moved{10 * math.Log10(r), j, !weighs})
			}
		}
		out[i] = m.tell(ms, told)
	}
	return out
}

// oddsRatio is odds(a)/odds(b), with probabilities kept off 0 and 1.
func oddsRatio(a, b float64) float64 {
	const edge = 1e-9
	a = math.Min(math.Max(a, edge), 1-edge)
	b = math.Min(math.Max(b, edge), 1-edge)
	return a / (1 - a) * (1 - b) / b
}

// tell words what moved a fault. Most readings move many faults the same way,
// so a text once made is kept in told, by reading and direction.
func (m *model) tell(ms []moved, told [][6]string) []string {
	slices.SortStableFunc(ms, func(a, b moved) int {
		if d := math.Abs(b.db) - math.Abs(a.db); math.Abs(d) > 1e-9 {
			return cmp.Compare(d, 0)
		}
		return 0
	})
	if len(ms) > maxReasons {
		ms = ms[:maxReasons]
	}
	out := make([]string, 0, len(ms))
	for _, x := range ms {
		d, e := x.direction(), &m.found[x.at]
		if told[x.at][d] == "" {
			told[x.at][d] = directions[d] + e.check.Name + ": " + e.judged.Verdicts[0].Sentence
		}
		out = append(out, told[x.at][d])
	}
	return out
}

var directions = [6]string{"Speaks strongly for it. ", "Speaks for it. ", "Speaks against it. ", "Speaks strongly against it. ",
	"Leaves it likelier, as others fall. ", "Leaves it less likely, as others rise. "}

// direction is the place in directions for a change of the odds.
func (x moved) direction() int {
	switch {
	case x.by && x.db > 0:
		return 4
	case x.by:
		return 5
	case x.db >= 10:
		return 0
	case x.db > 0:
		return 1
	case x.db > -10:
		return 2
	}
	return 3
}

// conclude says whether to stop, in one sentence.
func (m *model) conclude(a *Assessment) {
	if len(a.Ranking) == 0 {
		a.Enough = true
		a.Sentence = "This machine has none of the faults listed for the complaint."
		return
	}
	top := a.Ranking[0]
	shown := m.shownDirectly(top.Fault)
	decided := top.Probability >= enoughProbability && shown
	a.Enough = decided || len(a.Next) == 0
	share := fmt.Sprintf("%s (%s); %s", lower(top.Name), percent(top.Probability), covered(a.Coverage))
	switch {
	case decided:
		a.Sentence = "The fault is shown: " + share + "."
	case a.Enough && len(m.dones) > 0:
		a.Sentence = "The likeliest cause is " + share + ". The machine has been worked on since: prove it with verification readings."
	case a.Enough && len(a.Missing) > 0:
		a.Sentence = "The likeliest cause is " + share + ". No check left pays before the missing data-sheet values are found."
	case a.Enough:
		a.Sentence = "The likeliest cause is " + share + ". No check left pays: conclude, or repeat what was inconclusive."
	default:
		a.Sentence = "The likeliest cause is " + share + ", and the next check pays."
	}
	if a.Doubt != nil {
		a.Enough = false
		a.Sentence = a.Doubt.Sentence + " " + a.Sentence
	}
}

// covered keeps "likely, and nothing tested" from looking like a measurement.
func covered(share float64) string {
	if share == 0 {
		return "nothing has been tested yet"
	}
	return percent(share) + " of what could be wrong has been tested"
}

// shownDirectly says whether a reading of the machine as found names the
// fault itself as not conforming.
func (m *model) shownDirectly(fault string) bool {
	for _, e := range m.found {
		for _, v := range e.judged.Verdicts {
			if v.Outcome == DoesNotConform && v.Fault == fault {
				return true
			}
		}
	}
	return false
}
