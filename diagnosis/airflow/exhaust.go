package airflow

import (
	"errors"
	"math"
)

// Exhaust is the run of a machine as somebody described it. The transition
// piece (visible, movable) and the concealed run are kept apart: different
// rules hold for them.
type Exhaust struct {
	Transition  *Duct
	Concealed   *Duct
	Termination string // wall, roof, soffit, attic, crawl_space, garage, indoors, unknown
	Screen      bool   // over the end
	Booster     string // none, listed, unlisted, unknown
	SharedRiser bool
}

// Duct is one piece of the run. Zero for Length or Diameter: nobody said. m.
type Duct struct {
	Material string // rigid_metal, semi_rigid_metal, foil_flexible, plastic, unknown
	Length   float64
	Diameter float64
	Bends    []Bend
}

// usualTransition stands for a transition piece nobody described: six feet of
// semi-rigid metal. Common practice, no source.
var usualTransition = Duct{Material: "semi_rigid_metal", Length: 6 * 0.3048}

// Why a described run has no model.
var (
	errNoRun    = errors.New("the exhaust run is not described")
	errNoLength = errors.New("the exhaust run is described without its length")
	errRiser    = errors.New("the run ends in a shared riser, where the pressure depends on the other machines")
	errBooster  = errors.New("a booster fan helps the run along, so its flow cannot be told from its length")
)

// Run is the model of the run when clean. assumed lists, in plain words, what
// was put in for what nobody said. The error says in plain words why there is
// no model.
func (e *Exhaust) Run() (r Run, assumed []string, err error) {
	switch {
	case e == nil || e.Transition == nil && e.Concealed == nil:
		return Run{}, nil, errNoRun
	case e.SharedRiser:
		return Run{}, nil, errRiser
	case e.Booster == "listed" || e.Booster == "unlisted":
		return Run{}, nil, errBooster
	case e.Concealed == nil && e.Termination != "wall":
		return Run{}, nil, errNoLength // it must go through more than a wall
	}
	first := e.Transition
	if first == nil {
		first, assumed = &usualTransition, append(assumed, "6 ft of semi-rigid transition duct")
	}
	narrow := false
	for _, d := range []*Duct{first, e.Concealed} {
		if d == nil {
			continue
		}
		if !(d.Length > 0) {
			return Run{}, nil, errNoLength
		}
		r.Pieces = append(r.Pieces, d.piece(d == first))
		narrow = narrow || d != &usualTransition && d.Diameter == 0
	}
	if narrow {
		assumed = append(assumed, "4 in duct")
	}
	r.Exit = e.exit()
	return r, assumed, r.Check()
}

// exit is the loss at the end: a hood with its flap, or an open end where the
// run ends inside of the building.
func (e *Exhaust) exit() float64 {
	if e.Inside() {
		return 1
	}
	return HoodExit
}

// Inside says whether the run ends inside of the building.
func (e *Exhaust) Inside() bool {
	switch e.Termination {
	case "attic", "crawl_space", "garage", "indoors":
		return true
	}
	return false
}

// Width is the diameter in m of the duct the air leaves by, and whether it was
// described; else it is the nominal one.
func (e *Exhaust) Width() (float64, bool) {
	if e == nil {
		return CodeDiameter, false
	}
	for _, d := range []*Duct{e.Concealed, e.Transition} {
		if d != nil {
			return d.width(), d.Diameter > 0
		}
	}
	return CodeDiameter, false
}

func (d *Duct) width() float64 {
	if d.Diameter > 0 {
		return d.Diameter
	}
	return CodeDiameter
}

// piece is the model of the duct. Flexible duct bends like a pleated elbow. A
// material nobody named counts as the usual one of its place.
func (d *Duct) piece(transition bool) Piece {
	p := Piece{Diameter: d.width(), Length: d.Length, Roughness: RigidMetal}
	switch {
	case d.Material == "foil_flexible" || d.Material == "plastic":
		p.Roughness = FoilFlexible
	case d.Material == "semi_rigid_metal" || transition && d.Material != "rigid_metal":
		p.Roughness = SemiRigidMetal
	}
	for _, b := range d.Bends {
		if p.Roughness > RigidMetal && b.Make == Unmade {
			b.Make = Pleated
		}
		p.Bends += b.Coefficient(p.Diameter)
	}
	return p
}

// CodeLength is what the code counts of the run, in m: the concealed run from
// the transition piece to the end, its bends at what the code charges. ok is
// false when its length is not known.
func (e *Exhaust) CodeLength() (length float64, ok bool) {
	if e == nil || e.Concealed == nil || !(e.Concealed.Length > 0) {
		return 0, false
	}
	length = Length(e.Concealed.Length, e.Concealed.Bends)
	return length, !math.IsInf(length, 0) && !math.IsNaN(length)
}
