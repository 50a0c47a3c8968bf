package diagnosis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"drumline/diagnosis/catalogue"
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

// When no check has this chance of putting first what nothing has shown, more
// checks change nothing about what to mend. Judgement, no source.
const turnChance = 0.05

// stillThere is the probability from which a fault that has not been mended is
// looked into beside one that has. Judgement, no source.
const stillThere = 0.3

// question is the cause everything turns on: the likeliest, or, when that has
// been mended, the likeliest that has not and may well be there.
func (m *model) question(a *Assessment) int {
	top := m.index[a.Ranking[0].Fault]
	if !m.causes[top].mended {
		return top
	}
	if rest := m.first(m.posterior.Fault); rest >= 0 && m.causes[rest].posterior >= stillThere {
		return rest
	}
	return top
}

// soundUse is the probability that nothing but the use of the machine is to
// blame: at most one of these causes is there at a time.
func (m *model) soundUse() float64 {
	p := 0.0
	for i := range m.ranked {
		if m.causes[i].part.Role == catalogue.Use {
			p += m.causes[i].posterior
		}
	}
	return p
}

// decided says whether a cause can be concluded: its part has been shown to be
// at fault, and it is as good as certain, or likely with no check left that
// could put another first. Modes of one part that take the same mending need
// not be told apart. The use of the machine is concluded by exclusion.
func (m *model) decided(cause int) bool {
	c := &m.causes[cause]
	p := 0.0
	for i := range m.ranked {
		if o := &m.causes[i]; o.part == c.part && o.fault.Fix == c.fault.Fix {
			p += o.posterior
		}
	}
	return m.settled(cause) && (p >= enoughProbability || p >= 0.5 && m.mayTurn < turnChance && !m.contested(cause))
}

// contested says whether a reading found the part of a cause good.
func (m *model) contested(cause int) bool {
	for i := range m.found {
		e := &m.found[i]
		if v := e.verdict(m.causes[cause].part.ID); v != nil && v.Outcome == Conforms && !e.isGone(cause) {
			return true
		}
	}
	return false
}

// conclude says whether to stop, in one sentence.
func (m *model) conclude(a *Assessment) {
	if len(a.Ranking) == 0 {
		a.Exhausted = true
		a.Sentence = "This machine has none of the faults listed for the complaint."
		return
	}
	top := m.question(a)
	decided := m.decided(top)
	a.Enough, a.Exhausted = decided, !decided && len(a.Next) == 0
	a.Sentence = m.summary(a, top, decided)
	if a.Doubt != nil {
		a.Enough = a.Enough && a.Doubt.Lost
		a.Sentence = a.Doubt.Sentence + " " + a.Sentence
	}
}

// summary is where the call stands, in one sentence.
func (m *model) summary(a *Assessment, top int, decided bool) string {
	c := &m.causes[top]
	share := fmt.Sprintf("%s (%s)", lower(c.fault.Name), percent(c.posterior))
	tested := "; " + covered(a.Coverage)
	use := c.part.Role == catalogue.Use
	switch {
	case decided && use:
		return fmt.Sprintf("Nothing is found wrong with the machine: what is left is its use, or no fault (%s together)%s. Conclude, and explain the setting.", percent(m.soundUse()), tested)
	case decided && c.mended:
		return "The fault was " + share + ". It has been mended: prove it with verification readings."
	case decided:
		return "The fault is shown: " + share + tested + "."
	case c.mended && a.Exhausted:
		return "The likeliest cause was " + share + ". The machine has been worked on since: prove it with verification readings."
	case a.Exhausted && m.worked > 0:
		return "The likeliest cause is " + share + tested + ". The machine has been worked on since: prove it with verification readings."
	case m.worked > 0:
		return "After the work " + share + " is still open, and the next check pays."
	case a.Exhausted && len(a.Missing) > 0:
		return "The likeliest cause is " + share + tested + ". No check left pays before the missing data-sheet values are found."
	case a.Exhausted:
		return "The likeliest cause is " + share + tested + ". No check left pays, and nothing is settled: repeat what was inconclusive, ask for a second opinion, or conclude with your reason."
	case use:
		return "So far nothing is found wrong; " + covered(a.Coverage) + ", and the next check pays."
	}
	return "The likeliest cause is " + share + tested + ", and the next check pays."
}

// covered keeps "likely, and nothing tested" from looking like a measurement.
func covered(share float64) string {
	switch {
	case share == 0:
		return "nothing has been tested yet"
	case share < 0.01:
		return "hardly anything else has been tested"
	}
	return percent(share) + " of what could be wrong has been tested"
}

// shownDirectly says whether a reading of the machine as found names the
// fault itself as not conforming.
func (m *model) shownDirectly(fault string) bool {
	at := m.index[fault]
	for i := range m.found {
		e := &m.found[i]
		if e.isGone(at) {
			continue // it speaks of the part that replaced it
		}
		for _, v := range e.judged.Verdicts {
			if v.Outcome == DoesNotConform && v.Fault == fault {
				return true
			}
		}
	}
	return false
}
