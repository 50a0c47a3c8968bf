package customers

import (
	"fmt"
	"math"
	"slices"

	"drumline/diagnosis/measure"
	"drumline/domain"
)

// Measure is a figure as somebody wrote it, with its value in SI.
type Measure struct {
	Text string  `json:"text"` // the number as written
	Unit string  `json:"unit"` // UCUM code
	SI   float64 `json:"si"`
}

// NewMeasure converts a written figure; the error is for the person who wrote
// it, at the JSON pointer given.
func NewMeasure(text string, value float64, unit string, q measure.Quantity, pointer string) (Measure, error) {
	si, err := measure.ToSI(value, unit, q)
	if err != nil {
		return Measure{}, domain.Field(pointer+"/unit", "unit", "%s", err.Error())
	}
	if err := measure.CheckPhysical(si, q); err != nil {
		return Measure{}, domain.Field(pointer+"/value", "range", "%s", err.Error())
	}
	return Measure{Text: text, Unit: unit, SI: si}, nil
}

// Exhaust is the run that takes a dryer's air outside. The transition piece
// (visible, movable) and the concealed run are kept apart: different rules
// hold for them.
type Exhaust struct {
	Transition  *Duct  `json:"transition,omitempty"`
	Concealed   *Duct  `json:"concealed,omitempty"`
	Termination string `json:"termination"`
	Screen      *bool  `json:"screen,omitempty"` // a screen at the hood catches lint
	Booster     string `json:"booster"`          // none, listed, unlisted, unknown
	SharedRiser *bool  `json:"shared_riser,omitempty"`
}

// Duct is one piece of the run.
type Duct struct {
	Material string   `json:"material"`
	Length   *Measure `json:"length,omitempty"`
	Diameter *Measure `json:"diameter,omitempty"`
	Bends    []Bend   `json:"bends"`
}

// Bend is one or more equal bends. Radius zero is a mitred bend.
type Bend struct {
	Degrees float64 `json:"degrees"`
	Radius  Measure `json:"radius"`
	Count   int     `json:"count"`
}

// The words of an exhaust run. Other values are refused.
var (
	Terminations = []string{"wall", "roof", "soffit", "attic", "crawl_space", "garage", "indoors", "unknown"}
	Materials    = []string{"rigid_metal", "semi_rigid_metal", "foil_flexible", "plastic", "unknown"}
	Boosters     = []string{"none", "listed", "unlisted", "unknown"}
)

func (e *Exhaust) check(ps *domain.Problems) {
	if e == nil {
		return
	}
	if !slices.Contains(Terminations, e.Termination) {
		ps.Add("/exhaust/termination", "unknown", "Say where the run ends: wall, roof, soffit, attic, crawl_space, garage, indoors or unknown.")
	}
	if !slices.Contains(Boosters, e.Booster) {
		ps.Add("/exhaust/booster", "unknown", "A booster fan is none, listed, unlisted or unknown.")
	}
	e.Transition.check(ps, "/exhaust/transition")
	e.Concealed.check(ps, "/exhaust/concealed")
}

func (d *Duct) check(ps *domain.Problems, at string) {
	if d == nil {
		return
	}
	if !slices.Contains(Materials, d.Material) {
		ps.Add(at+"/material", "unknown", "A duct is rigid_metal, semi_rigid_metal, foil_flexible, plastic or unknown.")
	}
	if d.Length != nil && !(d.Length.SI > 0 && d.Length.SI <= 100) {
		ps.Add(at+"/length", "range", "A piece of duct is up to 100 m (328 ft) long.")
	}
	if d.Diameter != nil && !(d.Diameter.SI >= 0.05 && d.Diameter.SI <= 0.5) {
		ps.Add(at+"/diameter", "range", "A duct is 50 to 500 mm (2 to 20 in) wide.")
	}
	if len(d.Bends) > 40 {
		ps.Add(at+"/bends", "too_many", "At most 40 bends.")
		return
	}
	for i, b := range d.Bends {
		if math.IsNaN(b.Degrees) || b.Degrees <= 0 || b.Degrees > 180 || b.Count < 1 || b.Count > 40 || !(b.Radius.SI >= 0 && b.Radius.SI <= 2) {
			ps.Add(fmt.Sprintf("%s/bends/%d", at, i), "range", "A bend turns up to 180 degrees, on a radius up to 2 m, 1 to 40 times.")
		}
	}
}
