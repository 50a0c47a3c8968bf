package diagnosis

import "drumline/diagnosis/airflow"

// Air is what the physics of the exhaust run and the heater box says of a
// call, from the run as described and from readings that no later action has
// ended. SI inside. What cannot be said is nil.
type Air struct {
	Expected   *ExpectedAir
	Why        string         // why nothing is expected, in plain words; empty when something is
	CodeLength *float64       // m, what the code's table counts of the concealed run
	Flow       *MeasuredAir   // with the duct on
	Blockage   *Blockage      // the collar against the run at the flow measured
	Box        *HeaterBox     //
	Balance    *HeatBalance   //
	Notes      []airflow.Note // what code or maker may have against the run as described
	Sentence   string         // for the tech; empty when there are only notes
}

// ExpectedAir is what the run as described lets through when clean.
type ExpectedAir struct {
	Share  float64       // of the air with the duct off, 0..1
	Flow   float64       // m³/s
	Collar float64       // Pa, static, at the collar
	Least  airflow.Point // flow and collar with a weaker blower of the same flow; the same where the sheet gives its pressure
	Blower string        // what it was computed with, e.g. "a generic blower"
	Put    string        // what was put in for what nobody said; may be empty
}

// MeasuredAir is a flow with its standard uncertainty, m³/s, of a reading.
type MeasuredAir struct {
	Reading string
	Flow, U float64
}

// Blockage compares the static pressure at the collar with what the run takes
// when clean at the flow that was measured: no blower enters. Pa.
type Blockage struct {
	Reading       string // of the collar
	Collar, Clean float64
	Blocked       bool // surely more than the run takes
}

// HeaterBox is the mean temperature of the air in the heater box, all the air
// through the heater, empty or with a dry load, element on: own arithmetic
// from flow and heat at standard air. The high limit sits there; hot spots and
// leaking seals make it act earlier than the mean says. The outlet temperature
// does not enter.
type HeaterBox struct {
	Watts  float64 // heat of the element
	Origin string  // of Watts, in words
	Room   float64 // K
	Rise   float64 // K
	Mean   float64 // K
	U      float64 // K, standard uncertainty of Mean
	Rating *float64
	Margin *float64 // K, Rating less Mean; negative: the high limit must switch
}

// HeatBalance holds the heat that is made against the heat the air carries
// out: power times duty, flow, rise of the outlet over the room. It holds for
// an empty drum or a dry load only.
type HeatBalance struct {
	Reading string  // of the run
	Skipped string  // why there is none, in plain words; the rest is zero then
	Duty    float64 // 0..1
	Rise    float64 // K, mean
	airflow.Outcome
}

// air is the section of an assessment, nil when nothing is known.
func (m *model) air() *Air {
	a := &Air{Notes: m.c.Unit.Exhaust.Notes()}
	e, err := exhaustOf(m.c.Unit, m.c.Sheet)
	switch {
	case err == nil:
		a.Expected = &ExpectedAir{Share: e.share, Flow: e.point.Flow, Collar: e.point.Collar, Least: e.least, Blower: e.with, Put: e.assumed}
	case m.c.Unit.Exhaust != nil:
		a.Why = err.Error()
	}
	if length, ok := m.c.Unit.Exhaust.CodeLength(); ok {
		a.CodeLength = &length
	}
	a.Flow = m.measuredFlow()
	if a.Expected == nil && a.Why == "" && a.Flow == nil && len(a.Notes) == 0 {
		return nil
	}
	if a.Expected != nil && a.Flow != nil {
		a.Blockage = m.blockage(e, *a.Flow)
	}
	if a.Flow != nil {
		m.heat(a)
	}
	a.Sentence = a.sentence()
	return a
}

// standingOf is the latest reading judged by a rule that no later action has
// ended, as a job; nil when there is none.
func (m *model) standingOf(rule string) *job {
	for i := len(m.all) - 1; i >= 0; i-- {
		e := &m.all[i]
		if e.check.Rule == rule && !m.endedFor(*e) {
			return &job{kind: m.kind, complaint: m.complaint, check: e.check, reading: e.judged.Reading, sheet: m.c.Sheet, unit: m.c.Unit}
		}
	}
	return nil
}

// endedFor says whether an action after the reading touched any of its parts.
func (m *model) endedFor(e evidence) bool {
	for _, p := range e.check.Parts {
		if m.endedAfter(e, p) {
			return true
		}
	}
	return false
}

// measuredFlow is the flow by the latest of the checks that tell it.
func (m *model) measuredFlow() *MeasuredAir {
	var best *MeasuredAir
	var last *job
	for _, from := range []struct{ rule, speed, flow string }{{"air_speed", "velocity", ""}, {"duct_ratio", "velocity_on", "flow_on"}} {
		j := m.standingOf(from.rule)
		if j == nil || last != nil && j.reading.At.Before(last.reading.At) {
			continue
		}
		out := MeasuredAir{Reading: j.reading.ID}
		if n, ok := j.number(from.speed); ok {
			out.Flow, out.U = flowOf(j.unit, n.si, n.u)
		} else if n, ok := j.number(from.flow); ok {
			out.Flow, out.U = n.si, n.u
		}
		if out.Flow > 0 {
			best, last = &out, j
		}
	}
	return best
}

// pressureSlack is how many times the pressure of the clean run the collar may
// show: friction is known to ten per cent, the flow enters squared, and no
// duct stays quite clean. Judgement, no source.
const pressureSlack = 1.5

func (m *model) blockage(e exhaust, q MeasuredAir) *Blockage {
	j := m.standingOf("collar")
	if j == nil {
		return nil
	}
	n, ok := j.number("pressure")
	if !ok {
		return nil
	}
	air := airflow.Standard()
	most := pressureSlack * e.run.CollarPressure(q.Flow+2*q.U, air)
	return &Blockage{Reading: j.reading.ID, Collar: n.si, Clean: e.run.CollarPressure(q.Flow, air), Blocked: n.si-2*n.u > most}
}
