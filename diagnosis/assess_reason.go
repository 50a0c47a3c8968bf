package diagnosis

import (
	"fmt"
	"math"
	"sort"
)

// maxReasons is how many readings a fault's ranking names.
const maxReasons = 4

// minDecibel is the smallest change of the odds worth telling: 1 dB is a
// quarter up or down.
const minDecibel = 1.0

// moved is how far one reading moves one fault.
type moved struct {
	db float64 // 10·log10 of the odds with the reading over the odds without it (Good's weight of evidence)
	at int     // index of the evidence
}

// reasons says for each cause which readings moved it, strongest first. Each
// is measured by leaving that one reading out, so the order of entry does not
// matter.
func (m *model) reasons() [][]string {
	without := make([]float64, len(m.found)) // mass of all causes with this reading left out
	for j, e := range m.found {
		for i := range m.causes {
			without[j] += m.causes[i].posterior / e.chance[i]
		}
	}
	out := make([][]string, len(m.causes))
	ms := make([]moved, 0, len(m.found))
	for i, c := range m.causes {
		ms = ms[:0]
		for j, e := range m.found {
			p := c.posterior / e.chance[i] / without[j]
			if db := 10 * math.Log10(oddsRatio(c.posterior, p)); math.Abs(db) >= minDecibel {
				ms = append(ms, moved{db, j})
			}
		}
		out[i] = m.tell(ms, c.part.ID)
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

func (m *model) tell(ms []moved, part string) []string {
	sort.SliceStable(ms, func(a, b int) bool {
		return math.Abs(ms[a].db) > math.Abs(ms[b].db)+1e-9
	})
	if len(ms) > maxReasons {
		ms = ms[:maxReasons]
	}
	out := make([]string, 0, len(ms))
	for _, x := range ms {
		out = append(out, direction(x.db)+m.found[x.at].check.Name+": "+m.found[x.at].sentence(part))
	}
	return out
}

func direction(db float64) string {
	switch {
	case db >= 10:
		return "Speaks strongly for it. "
	case db > 0:
		return "Speaks for it. "
	case db <= -10:
		return "Speaks strongly against it. "
	}
	return "Speaks against it. "
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
		a.Sentence = "The likeliest first cause is " + share + ". The machine has been worked on since: prove it with verification readings."
	case a.Enough && len(a.Missing) > 0:
		a.Sentence = "The likeliest first cause is " + share + ". No check left pays before the missing data-sheet values are found."
	case a.Enough:
		a.Sentence = "The likeliest first cause is " + share + ". No check left pays: conclude, or repeat what was inconclusive."
	default:
		a.Sentence = "The likeliest first cause is " + share + ", and the next check pays."
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
