package airflow

import "math"

// laminar is the Reynolds number up to which the flow in a pipe is taken as
// laminar.
const laminar = 2300

// Friction is the Darcy friction factor of a round duct of relative roughness
// e/D: 64/Re for laminar flow, else Colebrook's equation
//
//	1/√f = −2 log10(e/(3.7 D) + 2.51/(Re √f))
//
// solved to the last digit from the explicit form of Swamee and Jain. Zero for
// a Reynolds number that is not positive.
func Friction(re, roughness float64) float64 {
	switch {
	case !(re > 0) || math.IsInf(re, 0):
		return 0
	case re < laminar:
		return 64 / re
	}
	roughness = math.Max(roughness, 0)
	x := 1 / math.Sqrt(swameeJain(re, roughness)) // 1/√f
	for range 50 {
		next := -2 * math.Log10(roughness/3.7+2.51*x/re)
		if math.Abs(next-x) <= 1e-15*math.Abs(next) {
			break
		}
		x = next
	}
	return 1 / (x * x)
}

// swameeJain is the explicit approximation of Colebrook's equation (1976).
func swameeJain(re, roughness float64) float64 {
	l := math.Log10(roughness/3.7 + 5.74/math.Pow(re, 0.9))
	return 0.25 / (l * l)
}

// Roughness of duct walls in m. Galvanised sheet: ASHRAE, 0.0003 ft. The
// others are common practice, no source.
const (
	RigidMetal     = 0.0003 * 0.3048
	SemiRigidMetal = 0.0015
	FoilFlexible   = 0.004
)
