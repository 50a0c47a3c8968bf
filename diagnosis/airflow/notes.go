package airflow

import "strconv"

// Note is something the code, or the maker, is likely to have against a
// described run. Clause names the section with its edition.
type Note struct {
	ID     string
	Text   string
	Clause string
}

// The sections, as in the 2021 edition of the International Residential Code.
// Those of booster fans are from memory.
const (
	clauseEnd        = "IRC 2021, M1502.3; check local code"
	clauseDuct       = "IRC 2021, M1502.4.1; check local code"
	clauseTransition = "IRC 2021, M1502.4.3; check local code"
	clauseBooster    = "IRC 2021, M1502.4.4; check local code"
	clauseLength     = "IRC 2021, M1502.4.6.1; check local code, and the maker's figure wins"
)

// Notes lists what stands against the run as described, in the order the air
// goes. It speaks of what was said only: an unknown material gives no note.
func (e *Exhaust) Notes() []Note {
	if e == nil {
		return nil
	}
	var out []Note
	add := func(when bool, id, clause, text string) {
		if when {
			out = append(out, Note{ID: id, Text: text, Clause: clause})
		}
	}
	if t := e.Transition; t != nil {
		add(t.Material == "plastic", "transition_plastic", clauseTransition, "The transition piece is of plastic, which burns: change it for metal before the dryer runs again.")
		add(t.Material == "foil_flexible", "transition_foil", clauseTransition,
			"The transition piece is of foil: allowed only as one listed piece (UL 2158A), and many makers forbid it. Metal is better.")
		add(t.Length > CodeTransition+slack, "transition_long", clauseTransition,
			"The transition piece is "+feet(t.Length)+" long; at most "+feet(CodeTransition)+", in one piece, is allowed. Shorten it.")
		add(t.narrow(), "transition_narrow", clauseDuct, "The transition piece is "+inches(t.Diameter)+" wide; 4 in is needed. Change it.")
	}
	if c := e.Concealed; c != nil {
		add(c.Material == "plastic", "run_plastic", clauseDuct, "The run in the building is of plastic, which burns: lay it anew in smooth metal before the dryer runs again.")
		add(c.Material == "foil_flexible" || c.Material == "semi_rigid_metal", "run_flexible", clauseTransition,
			"Flexible duct is concealed in the building: a transition piece may not be. Lay that stretch in smooth rigid metal.")
		add(c.narrow(), "run_narrow", clauseDuct, "The run in the building is "+inches(c.Diameter)+" wide; 4 in is needed. Lay it anew.")
	}
	if length, ok := e.CodeLength(); ok {
		add(length > CodeLength+slack, "run_long", clauseLength, "By the code's table the run counts "+feet(length)+" with its bends; "+feet(CodeLength)+
			" is the most unless the maker allows more. Shorten it, take bends out, or find the maker's figure.")
	}
	add(e.Booster == "unlisted", "booster_unlisted", clauseBooster, "The booster fan is not listed for dryers (UL 705): take it out or change it for a listed one.")
	add(e.Screen, "screen", clauseEnd, "A screen at the hood catches lint: take it off.")
	add(e.Inside(), "ends_inside", clauseEnd, "The run ends inside of the building: lead it outdoors, and record it as a hazard.")
	return out
}

// slack keeps a length entered as the limit itself from being above it.
const slack = 0.001

// narrow says whether the duct is described as less than nominal, by more
// than its wall.
func (d *Duct) narrow() bool { return d.Diameter > 0 && d.Diameter < CodeDiameter-0.004 }

func feet(m float64) string   { return decimal(m/0.3048) + " ft" }
func inches(m float64) string { return decimal(m/0.0254) + " in" }

// decimal writes x with at most one decimal.
func decimal(x float64) string {
	s := strconv.FormatFloat(x, 'f', 1, 64)
	if n := len(s) - 2; s[n:] == ".0" {
		return s[:n]
	}
	return s
}
