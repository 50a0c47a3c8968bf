package airflow

import (
	"math"
	"slices"
)

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
// is a mitred bend.
type Bend struct {
	Degrees float64
	Radius  float64
	Count   int
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

// Coefficient is the loss coefficient C0 of a smooth round bend at diameter
// (m): 2009 ASHRAE Handbook Fundamentals (SI), CD3-1 (die-stamped, r/D 1.5),
// CD3-5 (pleated, r/D 1.5) and CD3-12 (three-gore, r/D 0.75, for a mitred
// one), 90 degrees, interpolated in the diameter, in proportion to the angle.
func (b Bend) Coefficient(diameter float64, pleated bool) float64 {
	c := 0.54
	switch {
	case pleated:
		c = interpolate(pleated90, diameter)
	case b.Radius > 0:
		c = interpolate(stamped90, diameter)
	}
	return c * b.Degrees / 90 * float64(b.Count)
}

// point of a coefficient table: diameter in m, C0.
type point struct{ d, c float64 }

var (
	stamped90 = []point{{0.075, 0.3}, {0.1, 0.21}, {0.15, 0.14}, {0.18, 0.12}, {0.23, 0.11}, {0.25, 0.11}}
	pleated90 = []point{{0.1, 0.57}, {0.2, 0.34}, {0.25, 0.28}, {0.35, 0.25}, {0.4, 0.25}}
)

// interpolate is linear between the points and level beyond them.
func interpolate(ps []point, d float64) float64 {
	i, _ := slices.BinarySearchFunc(ps, d, func(p point, d float64) int {
		if p.d < d {
			return -1
		}
		return 1
	})
	switch {
	case math.IsNaN(d) || i == 0:
		return ps[0].c
	case i == len(ps):
		return ps[i-1].c
	}
	t := (d - ps[i-1].d) / (ps[i].d - ps[i-1].d)
	return ps[i-1].c + t*(ps[i].c-ps[i-1].c)
}
