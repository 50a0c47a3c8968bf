// Package sensors reads what the temperature devices of an appliance do: the
// resistance of thermistors and platinum sensors, the opening of a bimetal
// disc during a warm-up, and the temperature of a dryer's outlet over a run.
//
// Temperatures are kelvin, resistances ohm, times second throughout.
package sensors

import (
	"errors"
	"fmt"
	"math"
	"sort"
)

// reference is 25 °C, where R25 is stated.
const reference = 298.15

// Curve ties the resistance of a thermistor to its temperature. Both ways are
// inverse to one another within what the published figures allow. A curve is
// safe for use by several goroutines.
type Curve interface {
	// Ohm is the resistance at a temperature above 0 K.
	Ohm(kelvin float64) float64
	// Kelvin is the temperature at a resistance above 0 Ω.
	Kelvin(ohm float64) float64
}

// Point is one point of a data sheet's table.
type Point struct {
	Kelvin float64
	Ohm    float64
}

// Table is a data sheet's curve, interpolated in ln R against 1/T and carried
// on along its end pieces outside the table.
type Table struct {
	inv []float64 // 1/T, falling: from cold to hot
	ln  []float64 // ln R, falling
}

// NewTable builds a curve from two or more points in either order of
// temperature. It refuses points out of order, resistances that do not fall
// with temperature, and values that are not finite and positive.
func NewTable(points []Point) (*Table, error) {
	if len(points) < 2 {
		return nil, errors.New("a thermistor table needs two points or more")
	}
	step := 1
	if points[0].Kelvin > points[len(points)-1].Kelvin {
		step = -1
	}
	t := &Table{}
	for i := range points {
		p := points[i]
		if step < 0 {
			p = points[len(points)-1-i]
		}
		if err := t.add(p); err != nil {
			return nil, err
		}
	}
	return t, nil
}

func (t *Table) add(p Point) error {
	if !positive(p.Kelvin) || !positive(p.Ohm) || !positive(1/p.Kelvin) {
		return fmt.Errorf("thermistor table: %g K and %g Ω must be above zero", p.Kelvin, p.Ohm)
	}
	inv, ln := 1/p.Kelvin, math.Log(p.Ohm)
	if n := len(t.inv); n > 0 {
		if inv >= t.inv[n-1] {
			return fmt.Errorf("thermistor table: the temperatures are out of order at %g K", p.Kelvin)
		}
		if ln >= t.ln[n-1] {
			return fmt.Errorf("thermistor table: the resistance does not fall towards %g K", p.Kelvin)
		}
	}
	t.inv, t.ln = append(t.inv, inv), append(t.ln, ln)
	return nil
}

// Range is the temperature range of the points, kelvin.
func (t *Table) Range() (low, high float64) {
	return 1 / t.inv[0], 1 / t.inv[len(t.inv)-1]
}

// Ohm interpolates the resistance.
func (t *Table) Ohm(kelvin float64) float64 {
	return math.Exp(line(t.inv, t.ln, 1/kelvin))
}

// Kelvin interpolates the temperature. A resistance so far below the table
// that no temperature belongs to it gives +Inf.
func (t *Table) Kelvin(ohm float64) float64 {
	inv := line(t.ln, t.inv, math.Log(ohm))
	if inv <= 0 {
		return math.Inf(1)
	}
	return 1 / inv
}

// line interpolates y at x; xs falls.
func line(xs, ys []float64, x float64) float64 {
	i := sort.Search(len(xs), func(i int) bool { return xs[i] < x })
	i = min(max(i, 1), len(xs)-1)
	f := (x - xs[i-1]) / (xs[i] - xs[i-1])
	return ys[i-1] + f*(ys[i]-ys[i-1])
}

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// steinhartHart is 1/T = A + B·ln R + C·(ln R)³.
type steinhartHart struct{ a, b, c float64 }

// NewSteinhartHart builds the curve 1/T = a + b·ln R + c·(ln R)³. It refuses
// coefficients whose curve is not that of a thermistor: b must be positive and
// c not negative.
func NewSteinhartHart(a, b, c float64) (Curve, error) {
	if !finite(a) || !positive(b) || !finite(c) || c < 0 {
		return nil, errors.New("Steinhart-Hart coefficients: a must be finite, b above zero, c not below zero")
	}
	return steinhartHart{a, b, c}, nil
}

// FitSteinhartHart puts a Steinhart-Hart curve through three points at
// different temperatures. It refuses points that no thermistor has.
func FitSteinhartHart(p, q, r Point) (Curve, error) {
	for _, x := range []Point{p, q, r} {
		if !positive(x.Kelvin) || !positive(x.Ohm) {
			return nil, fmt.Errorf("thermistor: %g Ω at %g K must be above zero", x.Ohm, x.Kelvin)
		}
	}
	lp, lq, lr := math.Log(p.Ohm), math.Log(q.Ohm), math.Log(r.Ohm)
	gq := (1/q.Kelvin - 1/p.Kelvin) / (lq - lp)
	gr := (1/r.Kelvin - 1/p.Kelvin) / (lr - lp)
	c := (gr - gq) / (lr - lq) / (lp + lq + lr)
	b := gq - c*(lp*lp+lp*lq+lq*lq)
	return NewSteinhartHart(1/p.Kelvin-b*lp-c*lp*lp*lp, b, c)
}

// Kelvin is +Inf where the curve has no temperature.
func (s steinhartHart) Kelvin(ohm float64) float64 {
	l := math.Log(ohm)
	inv := s.a + s.b*l + s.c*l*l*l
	if inv <= 0 {
		return math.Inf(1)
	}
	return 1 / inv
}

// farOut is a ln R beyond any that float64 holds.
const farOut = 1e3

// Ohm solves the cubic by Newton's method. From the root of its linear or of
// its cubic part alone, whichever is nearer, the steps come closer from one
// side only, so it always converges.
func (s steinhartHart) Ohm(kelvin float64) float64 {
	q := s.a - 1/kelvin
	l := math.Abs(q) / s.b
	if s.c > 0 {
		l = math.Min(l, math.Cbrt(math.Abs(q)/s.c))
	}
	if l = math.Copysign(l, -q); math.Abs(l) > farOut {
		return math.Exp(l)
	}
	for range 100 {
		step := (s.c*l*l*l + s.b*l + q) / (3*s.c*l*l + s.b)
		l -= step
		if math.Abs(step) <= 1e-15*math.Abs(l) {
			break
		}
	}
	return math.Exp(l)
}

// FourTerm holds the two polynomials component makers print:
// ln(R/R25) = A + B/T + C/T² + D/T³ and 1/T = a + b·l + c·l² + d·l³ with
// l = ln(R/R25).
type FourTerm struct {
	Forward [4]float64 // A, B, C, D
	Inverse [4]float64 // a, b, c, d
	R25     float64    // ohm
}

// NewFourTerm builds a curve from a maker's two polynomials. It refuses
// coefficients that are not finite and pairs that do not undo one another
// within 0.1 K from 0 to 100 °C: one of the eight was mistyped.
func NewFourTerm(f FourTerm) (Curve, error) {
	if !positive(f.R25) {
		return nil, errors.New("four-term thermistor curve: R25 must be above zero")
	}
	for kelvin := 273.15; kelvin <= 373.15; kelvin += 25 {
		back := f.Kelvin(f.Ohm(kelvin))
		if !(math.Abs(back-kelvin) <= 0.1) {
			return nil, fmt.Errorf("four-term thermistor curve: the two polynomials disagree at %.0f K: check the coefficients", kelvin)
		}
	}
	return f, nil
}

// Ohm is the resistance by the forward polynomial.
func (f FourTerm) Ohm(kelvin float64) float64 {
	return f.R25 * math.Exp(poly(f.Forward[:], 1/kelvin))
}

// Kelvin is the temperature by the inverse polynomial, +Inf where it has none.
func (f FourTerm) Kelvin(ohm float64) float64 {
	inv := poly(f.Inverse[:], math.Log(ohm/f.R25))
	if inv <= 0 {
		return math.Inf(1)
	}
	return 1 / inv
}

// beta is R = R25·exp(B(1/T − 1/298.15)).
type beta struct{ r25, b float64 }

// NewBeta builds the two-figure curve R = R25·exp(B(1/T − 1/298.15)), for use
// when nothing better is known. Against the table of a 3977 K part it is wrong
// by +0.7 K at 0 °C, −0.3 K at 50 to 60 °C, +0.35 K at 100 °C.
func NewBeta(r25, b float64) (Curve, error) {
	if !positive(r25) || !positive(b) {
		return nil, errors.New("thermistor: R25 and B must be above zero")
	}
	return beta{r25, b}, nil
}

func (c beta) Ohm(kelvin float64) float64 {
	return c.r25 * math.Exp(c.b*(1/kelvin-1/reference))
}

func (c beta) Kelvin(ohm float64) float64 {
	inv := 1/reference + math.Log(ohm/c.r25)/c.b
	if inv <= 0 {
		return math.Inf(1)
	}
	return 1 / inv
}

// BetaOf is the B value between two points, ln(R1/R2)/(1/T1 − 1/T2), kelvin
// (the definition of IEC 60539-1).
func BetaOf(p, q Point) float64 {
	return math.Log(p.Ohm/q.Ohm) / (1/p.Kelvin - 1/q.Kelvin)
}

// Tolerance is how far a thermistor may be off its curve.
type Tolerance struct {
	R25 float64 // fraction of R at 25 °C, e.g. 0.05
	B   float64 // kelvin of the B value, e.g. 0.0075·3977
}

// OhmFraction is the fraction of R allowed at a temperature: the tolerance at
// 25 °C plus what the doubt of B adds on the way there.
func (t Tolerance) OhmFraction(kelvin float64) float64 {
	return math.Abs(t.R25) + math.Abs(t.B)*math.Abs(1/kelvin-1/reference)
}

// Allowed is the tolerance of the part at a temperature as kelvin.
func (t Tolerance) Allowed(c Curve, kelvin float64) float64 {
	return t.OhmFraction(kelvin) / math.Abs(Slope(c, kelvin))
}

// Slope is dlnR/dT of the curve, per kelvin, negative for a thermistor.
func Slope(c Curve, kelvin float64) float64 {
	const h = 0.25
	return math.Log(c.Ohm(kelvin+h)/c.Ohm(kelvin-h)) / (2 * h)
}

// Deviation says how many kelvin a sensor of resistance ohm reads wrong when
// it is really at kelvin: what its curve makes of ohm, less kelvin. Negative
// means the control believes it is colder than it is, as HIGH ohms make it,
// and keeps heating. u is the standard uncertainty from that of the resistance
// (uOhm), that of the true temperature (uKelvin), and curve, the limits of
// doubt about the curve itself read as rectangular: zero for a data sheet's
// table whose tolerance is the limit judged against.
//
// It is an error when a value is not finite and positive or an uncertainty
// negative, and when the curve has no temperature for ohm.
func Deviation(c Curve, ohm, kelvin, uOhm, uKelvin float64, curve Tolerance) (dK, u float64, err error) {
	if !positive(ohm) || !positive(kelvin) {
		return 0, 0, fmt.Errorf("thermistor: %g Ω at %g K must be above zero", ohm, kelvin)
	}
	if !(uOhm >= 0) || !(uKelvin >= 0) {
		return 0, 0, errors.New("thermistor: an uncertainty is below zero")
	}
	dK = c.Kelvin(ohm) - kelvin
	doubt := curve.OhmFraction(kelvin) / math.Sqrt(3)
	slope := math.Abs(Slope(c, kelvin+dK))
	u = math.Hypot(math.Hypot(uOhm/ohm, doubt)/slope, uKelvin)
	if !finite(dK) || !finite(u) {
		return 0, 0, fmt.Errorf("thermistor: %g Ω is no resistance of this curve", ohm)
	}
	return dK, u, nil
}

// poly is the polynomial at x, also far out, where x itself is not finite.
func poly(c []float64, x float64) float64 {
	x = math.Min(math.Max(x, -math.MaxFloat64), math.MaxFloat64)
	var y float64
	for i := len(c) - 1; i >= 0; i-- {
		y = y*x + c[i]
	}
	return y
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
