package diagnosis

import (
	"fmt"
	"slices"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
)

// inView is the probability of the likeliest repair from which minutes of
// repair are weighed against minutes of testing. Judgement, no source.
const inView = 0.5

// What a repair costs beside its own minutes. Common practice, no source: the
// verification run after it, and the part of a replacement in minutes of work.
const (
	verifyMinutes = 10.0
	partMinutes   = 20.0
)

// plannedRepairs is how many repairs are planned: the likeliest.
const plannedRepairs = 8

// mending is one way to put faults right: those of one part that take the same
// action.
type mending struct {
	part    *catalogue.Part
	fix     string
	causes  []int
	chance  float64
	minutes float64 // of the work itself
	beside  float64 // of what goes with it
	inside  bool    // covers have to come off
}

// mendings lists what could be mended, likeliest first. What has been mended is
// left out, and the use of the machine, which is no repair.
func (m *model) mendings() []mending {
	var out []mending
	for i := range m.ranked {
		c := &m.causes[i]
		if c.mended || c.part.Role == catalogue.Use {
			continue
		}
		k := slices.IndexFunc(out, func(x mending) bool { return x.part == c.part && x.fix == c.fault.Fix })
		if k < 0 {
			k = len(out)
			x := mending{part: c.part, fix: c.fault.Fix, beside: verifyMinutes}
			if a, ok := m.kind.Action(x.fix); ok {
				x.inside = slices.Contains(a.Destroys, "not_opened")
				if slices.Contains(a.Touches, "chosen") {
					x.beside += partMinutes
				}
			}
			out = append(out, x)
		}
		out[k].causes = append(out[k].causes, i)
		out[k].chance += c.posterior
		out[k].minutes = max(out[k].minutes, c.fault.Minutes)
	}
	slices.SortStableFunc(out, func(a, b mending) int {
		switch {
		case a.chance > b.chance+1e-12:
			return -1
		case b.chance > a.chance+1e-12:
			return 1
		}
		return 0
	})
	return out[:min(len(out), plannedRepairs)]
}

// covers names what is opened once for all that lies inside the machine.
const covers = "covers"

// saves is, by candidate, by how many minutes a check is expected to lower what
// repairing by the best order costs, its own minutes counted (one-step
// look-ahead over the likeliest repairs, one of them needed). It is nil as long
// as no repair is in view.
func (m *model) saves(cs []candidate) ([]float64, error) {
	ms := m.mendings()
	if len(ms) < 2 || ms[0].chance < inView {
		return nil, nil
	}
	repairs, chances := make([]isolate.Repair, len(ms)), make([]float64, len(ms))
	for i, x := range ms {
		repairs[i], chances[i] = isolate.Repair{ID: x.part.ID + " " + x.fix, Cost: max(x.minutes+x.beside, 1)}, x.chance
		if x.inside {
			repairs[i].Panel = covers
		}
	}
	p, err := isolate.NewPlanner(repairs, []isolate.Panel{{ID: covers, Cost: isolateMinutes, Open: m.c.Isolated}})
	if err != nil {
		return nil, fmt.Errorf("assess: %w", err)
	}
	b, err := p.Single(chances)
	if err != nil {
		return nil, fmt.Errorf("assess: %w", err)
	}
	tests := make([]isolate.Test, len(cs))
	for k, c := range cs {
		tests[k] = isolate.Test{ID: c.check.ID, Cost: c.minutes, Outcomes: m.byMending(c.check, ms)}
		if c.check.State == catalogue.Isolated && !m.c.Isolated {
			tests[k].Panel, tests[k].Cost = covers, c.minutes-isolateMinutes
		}
	}
	a, err := p.LookAhead(b, tests)
	if err != nil {
		return nil, fmt.Errorf("assess: %w", err)
	}
	out := make([]float64, len(cs))
	for k := range cs {
		out[k] = a.Looks[k].Saves
	}
	return out, nil
}

// byMending is the chance of each way a check can come out if one mending alone
// is needed: its causes by how likely each is.
func (m *model) byMending(ch *catalogue.Check, ms []mending) [][]float64 {
	l := ch.Ladder()
	out := make([][]float64, len(l.Rungs))
	for y := range l.Rungs {
		out[y] = make([]float64, len(ms))
	}
	gone := m.goneNow()
	for k, x := range ms {
		for _, c := range x.causes {
			share := 1 / float64(len(x.causes))
			if x.chance > 0 {
				share = m.causes[c].posterior / x.chance
			}
			stay := l.Stay[m.causes[c].fault.ID]
			if gone != nil && gone[c] {
				stay = nil
			}
			below := 0.0
			for y := range l.Rungs {
				upTo := l.Base[y]
				if stay != nil {
					upTo *= stay[y]
				}
				out[y][k] += share * (upTo - below)
				below = upTo
			}
		}
	}
	return out
}
