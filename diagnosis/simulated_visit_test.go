package diagnosis_test

import (
	"flag"
	"fmt"
	"slices"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// simMost is where a visit is given up.
const simMost = 40

// simPatience is what a tech does when a check tells nothing: 0 goes on as long
// as the engine asks for it again; from 1 on it is entered as not done once it
// has told nothing so many times.
var simPatience = flag.Int("sim.patience", 0, "times a tech repeats what tells nothing; 0: as often as asked")

// simVisit is one way through a call.
type simVisit struct {
	kind    *catalogue.Kind
	m       *simMachine
	c       diagnosis.Case
	last    diagnosis.Assessment
	minutes float64
	done    []simDone
	gone    map[string]bool // as-found states ended
}

// simDone is a check as it came out.
type simDone struct {
	check, position, finding string
	minutes                  float64
}

func newSimVisit(k *catalogue.Kind, m *simMachine) *simVisit {
	m.taken = map[string]int{}
	return &simVisit{kind: k, m: m, gone: map[string]bool{},
		c: diagnosis.Case{Complaint: "runs_too_hot", Unit: m.unit(), Sheet: m.sheet, Triage: m.triage()}}
}

func (v *simVisit) assess() error {
	a, err := diagnosis.Assess(v.kind, v.c)
	v.last = a
	return err
}

// follow does what the engine says until it says enough.
func (v *simVisit) follow() error {
	for range simMost {
		if err := v.assess(); err != nil {
			return err
		}
		if v.last.Enough || len(v.last.Next) == 0 {
			return nil
		}
		n := v.last.Next[0]
		if own := v.cost(n.Check); own != n.Minutes {
			return fmt.Errorf("%s: the engine says %g minutes, the bench %g", n.Check, n.Minutes, own)
		}
		if v.fedUp(n.Check, n.Position) {
			v.giveUp(n.Check, n.Position)
			continue
		}
		if err := v.do(n.Check, n.Position); err != nil {
			return err
		}
	}
	return v.assess()
}

// fedUp says whether the check told nothing often enough.
func (v *simVisit) fedUp(check, position string) bool {
	nothing := 0
	for _, j := range v.c.Readings {
		if j.Reading.Check != check || j.Reading.Position != position || len(j.Verdicts) == 0 {
			continue
		}
		ch, _ := v.kind.Check(check)
		if f, ok := ch.Finding(j.Verdicts[0].Finding); ok && len(f.Weights) == 0 {
			nothing++
		}
	}
	return *simPatience > 0 && nothing >= *simPatience
}

// giveUp enters the check as not done, which takes no time.
func (v *simVisit) giveUp(check, position string) {
	r := diagnosis.Reading{ID: fmt.Sprintf("%02d", len(v.c.Readings)), Check: check, Position: position, Phase: diagnosis.AsFound,
		At: at(10 * len(v.c.Readings)), NotDone: "tried, cannot tell"}
	v.c.Readings = append(v.c.Readings, diagnosis.Judged{Reading: r})
}

// simFixed is the order of the trade's table for this complaint [CP]: cheap and
// as found first, then isolated, the bench last.
var simFixed = []string{"hood_look", "hood", "lint_screen", "moisture_bars", "air_only_run", "as_found_run", "collar_pressure", "duct_off_run",
	"low_setting_cycle", "duct_and_box", "blower_wheel", "drum_seals", "coil_to_case", "coil_ends", "heat_relay", "cycling_thermostat_stamp",
	"cycling_thermostat_closed", "bias_heater", "thermistor_seat", "thermistor", "high_limit_stamp", "safety_devices", "high_limit", "cut_off",
	"cycling_thermostat_warm_up", "high_limit_warm_up", "heater_current"}

// inOrder does the checks of the table in their order until the engine, asked
// after each, says that a fault is shown; all of them otherwise.
func (v *simVisit) inOrder() error {
	if err := v.assess(); err != nil {
		return err
	}
	for _, id := range simFixed {
		ch, _ := v.kind.Check(id)
		for _, p := range v.places(ch) {
			if v.last.Enough {
				return nil
			}
			if !v.can(ch) {
				continue
			}
			if err := v.do(id, p); err != nil {
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
func (v *simVisit) places(ch *catalogue.Check) []string {
	if len(ch.Positions) == 0 {
		return []string{""}
	}
	var out []string
	for _, p := range ch.Positions {
		if v.fits(p.Has, p.Lacks) {
			out = append(out, p.ID)
		}
	}
	return out
}

func (v *simVisit) fits(has, lacks string) bool {
	return (has == "" || v.m.has[has]) && (lacks == "" || !v.m.has[lacks])
}

// can says whether the check can still be done: on this machine, as it stands,
// and by the data sheet there is.
func (v *simVisit) can(ch *catalogue.Check) bool {
	if !v.fits(ch.Has, ch.Lacks) || (v.last.Stop != "" && powered(ch)) {
		return false
	}
	for _, l := range ch.Limits {
		if _, ok := v.m.sheet[l.Parameter]; l.Indispensable && !ok && len(ch.Positions) == 0 {
			return false
		}
	}
	return !slices.ContainsFunc(ch.Needs, func(s string) bool { return v.gone[s] })
}

func powered(ch *catalogue.Check) bool {
	return ch.State == catalogue.RunningClosed || ch.State == catalogue.LiveOpen
}

// cost is the check's own minutes, four to isolate, five to put the covers back
// [CP], as the engine counts them.
func (v *simVisit) cost(check string) float64 {
	ch, _ := v.kind.Check(check)
	return simCost(ch, v.c.Isolated)
}

func simCost(ch *catalogue.Check, isolated bool) float64 {
	switch {
	case ch.State == catalogue.Isolated && !isolated:
		return ch.Minutes + 4
	case powered(ch) && isolated:
		return ch.Minutes + 5
	}
	return ch.Minutes
}

// do takes a reading, has it judged and puts it to the call.
func (v *simVisit) do(check, position string) error {
	ch, ok := v.kind.Check(check)
	if !ok {
		return fmt.Errorf("no check %s", check)
	}
	cost := v.cost(check)
	v.minutes += cost
	switch {
	case ch.State == catalogue.Isolated:
		v.c.Isolated = true
	case powered(ch):
		v.c.Isolated = false
	}
	for _, s := range ch.Destroys {
		v.gone[s] = true
	}
	j, err := v.m.take(v.kind, ch, position, v.c.Sheet, v.c.Unit)
	if err != nil {
		return err
	}
	j.Reading.ID = fmt.Sprintf("%02d", len(v.c.Readings))
	j.Reading.At = at(10 * len(v.c.Readings))
	v.c.Readings = append(v.c.Readings, j)
	v.done = append(v.done, simDone{check, position, j.Verdicts[0].Finding, cost})
	return nil
}

// take is one reading of the machine with its verdicts. Now and then it is
// grossly wrong, unless the figure is refused: then it is read again.
func (m *simMachine) take(k *catalogue.Kind, ch *catalogue.Check, position string, s diagnosis.Sheet, u diagnosis.Unit) (diagnosis.Judged, error) {
	nth := m.taken[ch.ID+"/"+position]
	m.taken[ch.ID+"/"+position]++
	for _, slips := range []bool{true, false} {
		a := &simAnswer{m: m, r: m.simSource(ch.ID, position, nth), position: position, values: values{}}
		answer := simNumbers[ch.ID]
		if answer == nil {
			answer = simLooks[ch.ID]
		}
		if answer == nil {
			return diagnosis.Judged{}, fmt.Errorf("the bench has no answer to %s", ch.ID)
		}
		answer(a)
		if slips && a.chance(gross) {
			a.slip(func(input string) []string { return choicesOf(ch, input) })
		}
		r := diagnosis.Reading{Check: ch.ID, Position: position, Phase: diagnosis.AsFound, Values: a.values,
			Series: a.series, Instrument: a.instrument(), Lead: a.lead}
		vs, err := diagnosis.Judge(k, "runs_too_hot", r, s, u)
		if err == nil {
			return diagnosis.Judged{Reading: r, Verdicts: vs}, nil
		}
		if !slips {
			return diagnosis.Judged{}, fmt.Errorf("%s %s: %w", ch.ID, position, err)
		}
	}
	return diagnosis.Judged{}, nil
}

func choicesOf(ch *catalogue.Check, input string) []string {
	in, ok := ch.Input(input)
	if !ok {
		return nil
	}
	var ids []string
	for _, c := range in.Choices {
		ids = append(ids, c.ID)
	}
	return ids
}
