package airflow

import (
	"math"
	"slices"
)

// Make is how a bend is made.
type Make string

// The makes. Gored bends are welded or turned of straight rings; the usual
// adjustable elbow is one of three. Unmade is a bend nobody described.
const (
	Unmade   Make = ""
	Stamped  Make = "stamped"
	Pleated  Make = "pleated"
	Gored3   Make = "gored_3"
	Gored5   Make = "gored_5"
	Gored7   Make = "gored_7"
	smoothBy      = 1.5 // radius over diameter from which an undescribed bend counts as stamped
)

// Coefficient is the loss coefficient C0 of all the bends at a diameter in m:
// 2009 ASHRAE Handbook Fundamentals (SI), fittings CD3-1 to CD3-12,
// interpolated between the published points and level beyond them. Stamped and
// pleated bends have points at 45 and 90 degrees; between, the angle counts in
// proportion, as it does below, above and for the gored makes. A bend that
// nobody described counts as stamped from a radius of one and a half diameters,
// else as one of three rings, which a mitred one is too.
func (b Bend) Coefficient(diameter float64) float64 {
	at45, at90 := b.points(diameter)
	c := at45 * b.Degrees / 45
	switch {
	case b.Degrees > 90:
		c = at90 * b.Degrees / 90
	case b.Degrees > 45:
		c = at45 + (at90-at45)*(b.Degrees-45)/45
	}
	return c * float64(b.Count)
}

// points is C0 at 45 and at 90 degrees.
func (b Bend) points(diameter float64) (at45, at90 float64) {
	switch b.made(diameter) {
	case Stamped:
		return interpolate(stamped45, diameter), interpolate(stamped90, diameter)
	case Pleated:
		return interpolate(pleated45, diameter), interpolate(pleated90, diameter)
	case Gored5:
		at90 = interpolate(gored5, diameter)
	case Gored7:
		at90 = interpolate(gored7, diameter)
	default:
		at90 = interpolate(gored3, b.Radius/diameter)
	}
	return at90 / 2, at90
}

// made is the make, read from the radius where nobody said.
func (b Bend) made(diameter float64) Make {
	switch {
	case b.Make != Unmade:
		return b.Make
	case b.Radius >= smoothBy*diameter-1e-9:
		return Stamped
	}
	return Gored3
}

// point of a coefficient table: what it goes by, C0.
type point struct{ x, c float64 }

// The tables go by the diameter in m, that of three rings by the radius over
// the diameter.
var (
	stamped90 = []point{{0.075, 0.3}, {0.1, 0.21}, {0.15, 0.14}, {0.18, 0.12}, {0.23, 0.11}, {0.25, 0.11}} // CD3-1, r/D 1.5
	stamped45 = []point{{0.1, 0.13}, {0.125, 0.1}, {0.18, 0.07}, {0.2, 0.07}, {0.25, 0.07}}                // CD3-3, r/D 1.5
	pleated90 = []point{{0.1, 0.57}, {0.2, 0.34}, {0.25, 0.28}, {0.35, 0.25}, {0.4, 0.25}}                 // CD3-5, r/D 1.5
	pleated45 = []point{{0.15, 0.26}, {0.2, 0.21}, {0.3, 0.16}, {0.35, 0.15}}                              // CD3-7, r/D 1.5
	gored5    = []point{{0.075, 0.51}, {0.15, 0.28}, {0.3, 0.18}, {0.38, 0.16}}                            // CD3-9, r/D 1.5
	gored7    = []point{{0.075, 0.16}, {0.15, 0.12}, {0.3, 0.08}}                                          // CD3-10, r/D 2.5
	gored3    = []point{{0.75, 0.54}, {1.5, 0.34}, {2, 0.33}}                                              // CD3-12
)

// interpolate is linear between the points and level beyond them.
func interpolate(ps []point, x float64) float64 {
	i, _ := slices.BinarySearchFunc(ps, x, func(p point, x float64) int {
		if p.x < x {
			return -1
		}
		return 1
	})
	switch {
	case math.IsNaN(x) || i == 0:
		return ps[0].c
	case i == len(ps):
		return ps[i-1].c
	}
	t := (x - ps[i-1].x) / (ps[i].x - ps[i-1].x)
	return ps[i-1].c + t*(ps[i].c-ps[i-1].c)
}
