package diagnosis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"drumline/diagnosis/catalogue"
)

// A reading is in doubt when the others leave it a chance of less than
// unlikely and no cause that is likely makes for it. Judgement, no source.
const (
	unlikely  = 0.05
	explained = 0.5 // probability of some cause that makes for a finding
	makesFor  = 3.0 // times likelier with the cause than without
)

// How often a meter is wrong before anything speaks for it, and how often a
// reading of a wrong one comes out as it did. Judgement, no source.
const (
	wrongMeter  = 0.01
	wrongChance = 0.5
	doubtful    = 0.5 // probability above which a meter is doubted
)

// wrong is the probability that a meter is wrong, from how many readings rest
// on it, and how likely these readings are together if it is right.
func wrong(readings int, fits float64) float64 {
	bad := wrongMeter * math.Pow(wrongChance, float64(readings))
	return bad / (bad + (1-wrongMeter)*fits)
}

// fits is the chance of what the readings left out of a posterior showed,
// given all the others.
func (m *model) fits(without float64, constant float64) float64 {
	return math.Min(1, math.Exp(m.posterior.LogEvidence+constant-without))
}

// madeFor is the probability that some cause is there that makes for the
// finding.
func (m *model) madeFor(f *catalogue.Finding) float64 {
	none := 1.0
	for i := range m.causes {
		if likelihood(f, m.causes[i].fault.ID) > makesFor*rest(f) {
			none *= 1 - m.causes[i].posterior
		}
	}
	return 1 - none
}

// doubt finds what does not fit: a meter that is more likely wrong than right,
// or else the reading that fits least. A reading that was repeated and came
// out the same is not doubted by itself.
func (m *model) doubt() (*Doubt, error) {
	d, err := m.doubtedMeter()
	if err != nil || d != nil {
		return d, err
	}
	for j := range m.leftOut {
		if m.leftOut[j].Fault == nil || m.repeatedAlike(&m.found[j]) || m.madeFor(m.found[j].finding) >= explained {
			continue
		}
		f := m.fits(m.leftOut[j].LogEvidence, m.net.of[j].constant)
		if f < unlikely && (d == nil || f < d.Fits) {
			d = m.doubted(j, f)
		}
	}
	return d, nil
}

func (m *model) doubted(j int, fits float64) *Doubt {
	e := &m.found[j]
	d := &Doubt{Reading: e.judged.Reading.ID, Check: e.check.ID, Position: e.judged.Reading.Position, Fits: fits}
	d.Sentence = fmt.Sprintf("%s does not fit the other readings: it would come out so in %s of such cases. %s before any part is blamed.",
		e.check.Name, percent(fits), again(e.check))
	return d
}

// again says how a check is done again: a look is looked at again, a meter has
// leads and a set-up.
func again(ch *catalogue.Check) string {
	if ch.Rule == "choice" {
		return "Look again"
	}
	return "Check leads and set-up and repeat it"
}

// doubtedMeter weighs each meter with two readings or more: right, against
// wrong, when its readings say nothing.
func (m *model) doubtedMeter() (*Doubt, error) {
	var worst *Doubt
	for _, id := range m.meters() {
		mine := func(j int) bool { return m.net.of[j].weighs() && m.found[j].meter() == id }
		p, err := m.net.weigh(m.net.without(mine))
		if err != nil {
			return nil, fmt.Errorf("assess: %w", err)
		}
		n, constant, least := 0, 0.0, -1
		for j := range m.found {
			if mine(j) {
				n, constant = n+1, constant+m.net.of[j].constant
				if least < 0 || m.leftOut[j].LogEvidence-m.net.of[j].constant > m.leftOut[least].LogEvidence-m.net.of[least].constant {
					least = j
				}
			}
		}
		bad := wrong(n, m.fits(p.LogEvidence, constant))
		if bad <= doubtful || (worst != nil && bad <= worst.Probability) {
			continue
		}
		worst = m.doubted(least, m.fits(m.leftOut[least].LogEvidence, m.net.of[least].constant))
		worst.Meter, worst.Probability = id, bad
		worst.Sentence = fmt.Sprintf("The %d readings of one instrument do not fit the others: it is more likely wrong than right (%s). Check its leads and battery, or take another one, and repeat %s before any part is blamed.",
			n, percent(bad), lower(m.found[least].check.Name))
	}
	return worst, nil
}

// repeat puts the reading in doubt among the checks when it can still be
// repeated and would tell something (work may have ended all it speaks of): before all others when a whole meter is in doubt or a part is about
// to be blamed, else where its gain puts it.
func (m *model) repeat(a *Assessment) error {
	if a.Doubt == nil {
		return nil
	}
	ch, ok := m.kind.Check(a.Doubt.Check)
	if !ok || !m.repeatable(ch, a.Doubt) {
		a.Doubt.lose()
		return nil
	}
	n := Next{Check: ch.ID, Position: a.Doubt.Position, Minutes: m.minutes(ch), Reason: "Does not fit the other readings. " + again(ch) + "."}
	then := *m
	then.net = m.net.copy()
	then.net.evidence = m.net.without(func(j int) bool { return m.found[j].judged.Reading.ID == a.Doubt.Reading })
	os := m.outcomesOf(then.net, ch)
	var err error
	if then.posterior, err = then.net.begin(); err != nil {
		return fmt.Errorf("assess: %w", err)
	}
	if n.Gain = then.gain(then.prospects(then.net, os)); n.Gain <= 0 {
		a.Doubt.lose()
		return nil
	}
	at := 0
	for a.Doubt.Meter == "" && at < len(a.Next) && a.Next[at].Gain/a.Next[at].Minutes > n.Gain/n.Minutes && !m.decided(m.index[a.Ranking[0].Fault]) {
		at++
	}
	a.Next = slices.Insert(slices.Clone(a.Next), at, n)
	a.Next = a.Next[:min(len(a.Next), maxNext)]
	return nil
}

// lose notes that the reading cannot be repeated any more.
func (d *Doubt) lose() {
	d.Lost = true
	d.Sentence += " It cannot be repeated as found any more: weigh the rest without it."
}

// repeatable says whether the doubted check may be done again. A machine that
// must not run because of that very reading may be run once more under watch
// when every part it speaks of has been found good since, made dead.
func (m *model) repeatable(ch *catalogue.Check, d *Doubt) bool {
	gone := m.destroyed()
	if m.possible(ch, gone) || m.stop == "" {
		return m.possible(ch, gone)
	}
	for _, part := range ch.Parts {
		good := false
		for _, e := range m.standingNow(part) {
			v := e.verdict(part)
			if e.judged.Reading.ID == d.Reading {
				continue
			}
			if e.finding.Stop {
				return false
			}
			good = good || v.Outcome == Conforms && e.check.State == catalogue.Isolated
		}
		if !good {
			return false
		}
	}
	stop := m.stop
	m.stop = ""
	defer func() { m.stop = stop }()
	return m.possible(ch, gone)
}

// meters lists the instruments with two readings or more that weigh.
func (m *model) meters() []string {
	count := map[string]int{}
	for j := range m.found {
		if id := m.found[j].meter(); id != "" && m.net.of[j].weighs() {
			count[id]++
		}
	}
	var out []string
	for id, n := range count {
		if n > 1 {
			out = append(out, id)
		}
	}
	slices.SortFunc(out, strings.Compare)
	return out
}

func (e *evidence) meter() string {
	if i := e.judged.Reading.Instrument; i != nil {
		return i.ID
	}
	return ""
}

// repeatedAlike says whether the same check at the same position came out the
// same before.
func (m *model) repeatedAlike(e *evidence) bool {
	for i := range m.all {
		o := &m.all[i]
		if o.judged != e.judged && o.check == e.check && o.judged.Reading.Position == e.judged.Reading.Position && o.finding.ID == e.finding.ID {
			return true
		}
	}
	return false
}
