package airflow

// Figures of the International Residential Code, section M1502 (2021 edition;
// section numbers move between editions, and local law decides): metres.
const (
	CodeEdition    = "IRC 2021, M1502; check local code"
	CodeLength     = 35 * 0.3048     // greatest developed length by the table
	CodeDiameter   = 4 * 0.0254      // nominal
	CodeMetal      = 0.0157 * 0.0254 // least thickness of the wall
	CodeTransition = 8 * 0.3048      // greatest single length of a transition duct, which may not be concealed
	CodeClearance  = 3 * 0.3048      // of the termination from openings
)

// Bend is one or more equal bends. Radius is that of the centre line in m; 0
// is a mitred bend. Without a Make the radius tells; see Coefficient.
type Bend struct {
	Degrees float64
	Radius  float64
	Count   int
	Make    Make
}

// codeBend is one row of IRC Table M1502.4.6.1: equivalent length of a bend of
// 45 and of 90 degrees. The 45-degree column and the mitred row were read, the
// 90-degree figures of the smooth bends are from memory.
type codeBend struct{ radius, at45, at90 float64 }

var codeBends = []codeBend{
	{0, 2.5, 5},
	{6 * 0.0254, 1, 1.75},
	{8 * 0.0254, 1, 1.58},
	{10 * 0.0254, 0.75, 1.5},
}

// EquivalentLength is what the code charges for a bend, in m: the row of the
// greatest radius not above the bend's, in proportion to its angle between 45
// and 90 degrees and beyond.
func (b Bend) EquivalentLength() float64 {
	row := codeBends[0]
	for _, r := range codeBends {
		if b.Radius >= r.radius-1e-9 {
			row = r
		}
	}
	feet := row.at45 * b.Degrees / 45
	if b.Degrees > 45 {
		feet = row.at45 + (row.at90-row.at45)*(b.Degrees-45)/45
	}
	return feet * 0.3048 * float64(b.Count)
}

// Length is what the code counts of a run: its straight length and what it
// charges for its bends, in m, the transition duct left out.
func Length(straight float64, bends []Bend) float64 {
	for _, b := range bends {
		straight += b.EquivalentLength()
	}
	return straight
}
