package main

import (
	"cmp"
	"slices"
	"strings"

	"drumline/api"
)

// stands says where the call stands: what must stop the work before all else.
func (v *visiting) stands() {
	v.say("")
	if v.now.Stop != "" {
		v.say("STOP. %s", v.now.Stop)
	}
	if d := v.now.Doubt; d != nil {
		v.say("DOUBT. %s", d.Sentence)
	}
	v.say("%s", v.now.Sentence)
	if v.now.Enough {
		v.say("Enough is known: record the conclusion.")
	}
	if v.now.Exhausted {
		v.say("No check left pays: repeat what was inconclusive, ask for a second opinion, or conclude with a reason.")
	}
	for i, n := range v.next() {
		v.say("  %d  %s (%.0f min). %s", i+1, titled(n.Name, n.PositionName), n.Minutes, n.Reason)
	}
}

func titled(name, position string) string {
	if position == "" {
		return name
	}
	return name + ", " + position
}

// stateWords says how the machine must stand. A state added later is shown by
// its own word.
var stateWords = map[string]string{
	"phone": "asked on the telephone", "off": "switched off, not opened", "isolated": "isolated and proven dead",
	"running_closed": "powered, every cover on", "live_open": "POWERED WITH LIVE PARTS OPEN",
}

// describe shows a check before it is done: cautions stand first.
func (v *visiting) describe(ch api.CatalogueCheck) {
	v.say("\n== %s ==", ch.Name)
	for _, c := range ch.Cautions {
		v.say("  ! %s", c)
	}
	v.say("  Machine: %s.", cmp.Or(stateWords[ch.State], ch.State))
	if ch.Gas {
		v.say("  This is work on gas.")
	}
	if ch.Competence != "" {
		v.say("  Only for a person with the competence: %s.", ch.Competence)
	}
	if ch.ElectricOnly {
		v.say("  Never on a gas machine.")
	}
	if ch.Place != "" {
		v.say("  Where: %s. %s", strings.TrimSuffix(ch.Place, "."), ch.Why)
	}
	for i, s := range ch.Instructions {
		v.say("  %d. %s", i+1, s)
	}
}

// means shows what a reading came to.
func (v *visiting) means(got api.RecordedReading) {
	v.say("")
	for _, w := range got.Warnings {
		v.say("  ! %s", w)
	}
	if got.Reading.NotDone != "" {
		v.say("-> Recorded as not done.")
	}
	for _, d := range got.Reading.Verdicts {
		v.say("-> %s (%s)", d.Sentence, strings.ReplaceAll(d.Outcome, "_", " "))
		if d.Do != "" {
			v.say("   Do: %s", d.Do)
		}
		if i := slices.IndexFunc(v.kind.Parameters, func(p api.CatalogueParameter) bool { return p.ID == d.Missing }); i >= 0 {
			v.say("   The data sheet would settle it: %s (%s).", v.kind.Parameters[i].Name, v.kind.Parameters[i].Where)
		}
	}
	v.now = got.Assessment
}
