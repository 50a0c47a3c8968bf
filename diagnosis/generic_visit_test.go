package diagnosis_test

import (
	"fmt"
	"slices"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// finding is what the check comes to the nth time it is done: what the machine
// shows stays, how well it is read does not.
func (m *genMachine) finding(ch *catalogue.Check, position string, nth int) string {
	l := m.world.ladder[ch.ID]
	r := simChance(m.index, ch.ID+"/"+position, 0)
	y := m.rung(l, r.Float64())
	if r.Float64() < genStray {
		y = r.IntN(len(l.Rungs))
	}
	r = simChance(m.index, "read "+ch.ID+"/"+position, nth)
	switch u := r.Float64(); {
	case u < genSlip && y > 0 && (y == len(l.Rungs)-1 || r.IntN(2) == 0):
		y--
	case u < genSlip && y < len(l.Rungs)-1:
		y++
	case u < genSlip+genVague:
		if f := genVagueFinding(ch); f != "" {
			return f
		}
	}
	return l.Rungs[y].ID
}

// rung is where the machine's faults leave the check, by a number from 0 to 1.
func (m *genMachine) rung(l *catalogue.Ladder, u float64) int {
	for y := range l.Rungs {
		p := l.Base[y]
		for _, f := range l.Faults {
			if m.faults[f] {
				p *= l.Stay[f][y]
			}
		}
		if u < p {
			return y
		}
	}
	return len(l.Rungs) - 1
}

// genVagueFinding is a finding of the check that tells nothing, if it has one.
func genVagueFinding(ch *catalogue.Check) string {
	for i := range ch.Findings {
		if len(ch.Findings[i].Weights) == 0 {
			return ch.Findings[i].ID
		}
	}
	return ""
}

// genVisit is one way through a call. The tech may do everything and has the
// whole data sheet.
type genVisit struct {
	m       *genMachine
	c       diagnosis.Case
	last    diagnosis.Assessment
	minutes float64
	done    []simDone
	gone    map[string]bool // as-found states ended
}

func newGenVisit(m *genMachine) *genVisit {
	v := &genVisit{m: m, gone: map[string]bool{}, c: diagnosis.Case{Complaint: m.world.complaint.ID, Unit: m.unit, Triage: m.triage(),
		Sheet: diagnosis.Sheet{}, Competences: map[string]bool{"live": true, "gas": true, "refrigerant": true}}}
	for _, p := range m.world.kind.Parameters {
		v.c.Sheet[p.ID] = diagnosis.SheetValue{Origin: "tech sheet", Confirmed: true}
	}
	return v
}

func (v *genVisit) assess() error {
	a, err := diagnosis.Assess(v.m.world.kind, v.c)
	v.last = a
	return err
}

// follow does what the engine says until it says enough.
func (v *genVisit) follow() error {
	for range simMost {
		if err := v.assess(); err != nil {
			return err
		}
		if v.last.Enough || len(v.last.Next) == 0 {
			return nil
		}
		n := v.last.Next[0]
		ch, ok := v.m.world.kind.Check(n.Check)
		if !ok || simCost(ch, v.c.Isolated) != n.Minutes {
			return fmt.Errorf("%s: the engine says %g minutes", n.Check, n.Minutes)
		}
		if err := v.do(ch, n.Position); err != nil {
			return err
		}
	}
	return v.assess()
}

// inOrder does the checks in the order the catalogue lists them, as the trade
// goes about it, until the engine, asked after each, says that a fault is shown.
// What tells nothing about the complaint is left out, and so is what answers
// what has been answered.
func (v *genVisit) inOrder() error {
	if err := v.assess(); err != nil {
		return err
	}
	for i := range v.m.world.kind.Checks {
		ch := &v.m.world.kind.Checks[i]
		for _, p := range v.places(ch) {
			if v.last.Enough {
				return nil
			}
			if !v.can(ch) {
				continue
			}
			if err := v.do(ch, p); err != nil {
				return err
			}
			if err := v.assess(); err != nil {
				return err
			}
		}
	}
	return nil
}

// places is the positions of a check on this machine; one without a name when
// it has none.
func (v *genVisit) places(ch *catalogue.Check) []string {
	if len(ch.Positions) == 0 {
		return []string{""}
	}
	var out []string
	for _, p := range ch.Positions {
		if v.m.fits(p.Has, p.Lacks) {
			out = append(out, p.ID)
		}
	}
	return out
}

// can says whether the check is one of the complaint and can still be done: on
// this machine, as it stands.
func (v *genVisit) can(ch *catalogue.Check) bool {
	switch {
	case !v.m.fits(ch.Has, ch.Lacks), ch.Gas && !v.m.unit.Gas, ch.Electric && v.m.unit.Gas:
		return false
	case len(ch.For) > 0 && !slices.Contains(ch.For, v.c.Complaint), !v.m.world.speaks(ch):
		return false
	case v.last.Stop != "" && powered(ch), slices.ContainsFunc(ch.Needs, func(s string) bool { return v.gone[s] }):
		return false
	}
	after := ch.After == ""
	for _, d := range v.done {
		after = after || d.check == ch.After
		if o, _ := v.m.world.kind.Check(d.check); o != ch && genSame(o.Answers, ch.Answers) {
			return false
		}
	}
	return after
}

func genSame(a, b []string) bool {
	a, b = slices.Sorted(slices.Values(a)), slices.Sorted(slices.Values(b))
	return slices.Equal(a, b)
}

// speaks says whether the check tells a first cause of the complaint from the
// others.
func (w *genWorld) speaks(ch *catalogue.Check) bool {
	for _, c := range w.complaint.Causes {
		for i := range ch.Findings {
			x, ok := ch.Findings[i].Weights[c.Fault]
			if ok && x != ch.Findings[i].Otherwise && c.Explains == catalogue.ExplainsYes {
				return true
			}
		}
	}
	return false
}

// do takes a reading and puts it to the call.
func (v *genVisit) do(ch *catalogue.Check, position string) error {
	cost, nth := simCost(ch, v.c.Isolated), 0
	v.minutes += cost
	if powered(ch) || ch.State == catalogue.Isolated {
		v.c.Isolated = ch.State == catalogue.Isolated
	}
	for _, s := range ch.Destroys {
		v.gone[s] = true
	}
	for _, d := range v.done {
		if d.check == ch.ID && d.position == position {
			nth++
		}
	}
	finding := v.m.finding(ch, position, nth)
	r := diagnosis.Reading{ID: fmt.Sprintf("%02d", len(v.c.Readings)), Check: ch.ID, Position: position, Phase: diagnosis.AsFound, At: at(10 * len(v.c.Readings))}
	vs, err := diagnosis.Found(v.m.world.kind, v.c.Complaint, r, finding, v.m.unit)
	if err != nil {
		return err
	}
	v.c.Readings = append(v.c.Readings, diagnosis.Judged{Reading: r, Verdicts: vs})
	v.done = append(v.done, simDone{ch.ID, position, finding, cost})
	return nil
}
