package airflow

import (
	"errors"
	"math"
	"sort"
)

// Piece is one stretch of round duct with its bends.
type Piece struct {
	Diameter  float64 // m
	Length    float64 // m, straight
	Roughness float64 // m
	Bends     float64 // sum of the loss coefficients C0 of its bends
}

// loss is the total pressure in Pa the piece takes at a flow.
func (p Piece) loss(flow float64, air Air) float64 {
	v := flow / Area(p.Diameter)
	f := Friction(air.Reynolds(p.Diameter, v), p.Roughness/p.Diameter)
	return (f*p.Length/p.Diameter + p.Bends) * air.VelocityPressure(v)
}

func (p Piece) usable() bool {
	return p.Diameter > 0 && p.Length >= 0 && p.Roughness >= 0 && p.Bends >= 0 && !math.IsInf(p.Diameter+p.Length+p.Roughness+p.Bends, 0)
}

// Run is the whole way of the air from the collar to the outside. Exit is the
// loss coefficient of its end: 1 for an open end (all velocity pressure is
// lost), more for a hood with a flap.
type Run struct {
	Pieces []Piece
	Exit   float64
}

// HoodExit is the end of a run at a hood with a light flap. Common practice,
// no source.
const HoodExit = 1.5

// errRun is a run that cannot be computed.
var errRun = errors.New("airflow: the run needs at least one piece of duct, with sizes above zero")

// Check refuses a run that cannot be computed.
func (r Run) Check() error {
	for _, p := range r.Pieces {
		if !p.usable() {
			return errRun
		}
	}
	if len(r.Pieces) == 0 || !(r.Exit >= 0) || math.IsInf(r.Exit, 0) {
		return errRun
	}
	return nil
}

// CollarPressure is the static pressure in Pa at the dryer's collar at a flow
// in m³/s: what friction, bends and the exit take, less the velocity pressure
// the air still has at the collar. It never falls as the flow rises.
func (r Run) CollarPressure(flow float64, air Air) float64 {
	if flow <= 0 || r.Check() != nil {
		return 0
	}
	first, last := r.Pieces[0], r.Pieces[len(r.Pieces)-1]
	total := r.Exit * air.VelocityPressure(flow/Area(last.Diameter))
	for _, p := range r.Pieces {
		total += p.loss(flow, air)
	}
	return math.Max(total-air.VelocityPressure(flow/Area(first.Diameter)), 0)
}

// Blower is the curve of a dryer's blower: static pressure in Pa at the collar
// by flow in m³/s, falling.
type Blower struct {
	Flow     []float64
	Pressure []float64
	Generic  bool // not of this model: a usual one, and to be called so
}

// GenericBlower is a usual domestic dryer's: 190 cfm free, 2 inches of water
// shut off. Common practice, no source.
func GenericBlower() Blower {
	const cfm, inch = 0.0004719474432, 249.08891
	b := Blower{Generic: true}
	for _, p := range [][2]float64{{0, 2}, {60, 1.7}, {100, 1.3}, {130, 0.95}, {160, 0.5}, {190, 0}} {
		b.Flow, b.Pressure = append(b.Flow, p[0]*cfm), append(b.Pressure, p[1]*inch)
	}
	return b
}

// Rated is the generic curve drawn out to a machine's own figures: its flow in
// m³/s with nothing at the collar, and its pressure in Pa when shut off. Zero
// leaves that side generic; with both given the blower is no longer generic.
func Rated(free, shutOff float64) Blower {
	b := GenericBlower()
	kq, kp := 1.0, 1.0
	if free > 0 {
		kq = free / b.Free()
	}
	if shutOff > 0 {
		kp = shutOff / b.Pressure[0]
	}
	for i := range b.Flow {
		b.Flow[i], b.Pressure[i] = b.Flow[i]*kq, b.Pressure[i]*kp
	}
	b.Generic = !(free > 0 && shutOff > 0)
	return b
}

// Check refuses a curve that does not fall from point to point.
func (b Blower) Check() error {
	if len(b.Flow) < 2 || len(b.Flow) != len(b.Pressure) || b.Flow[0] != 0 {
		return errors.New("airflow: a blower curve has two points or more, the first at no flow")
	}
	for i := range b.Flow {
		if math.IsNaN(b.Flow[i]+b.Pressure[i]) || math.IsInf(b.Flow[i]+b.Pressure[i], 0) ||
			i > 0 && (b.Flow[i] <= b.Flow[i-1] || b.Pressure[i] >= b.Pressure[i-1]) {
			return errors.New("airflow: along a blower curve the flow rises and the pressure falls")
		}
	}
	return nil
}

// at interpolates the curve; beyond its end the last stretch goes on.
func (b Blower) at(flow float64) float64 {
	i := sort.SearchFloat64s(b.Flow, flow)
	i = min(max(i, 1), len(b.Flow)-1)
	t := (flow - b.Flow[i-1]) / (b.Flow[i] - b.Flow[i-1])
	return b.Pressure[i-1] + t*(b.Pressure[i]-b.Pressure[i-1])
}

// Point is where a blower and a run meet.
type Point struct {
	Flow   float64 // m³/s
	Collar float64 // Pa, static, at the collar
}

// Operate finds the flow at which the blower gives what the run takes, to a
// millionth of the greatest flow. With the duct off the pressure at the collar
// is nothing: see Free.
func Operate(b Blower, r Run, air Air) (Point, error) {
	if err := errors.Join(b.Check(), r.Check()); err != nil {
		return Point{}, err
	}
	if !air.usable() {
		return Point{}, errors.New("airflow: density and viscosity are above zero")
	}
	low, high := 0.0, b.Free()
	for range 60 {
		mid := (low + high) / 2
		if b.at(mid) > r.CollarPressure(mid, air) {
			low = mid
		} else {
			high = mid
		}
		if high-low <= 1e-6*b.Free() {
			break
		}
	}
	q := (low + high) / 2
	return Point{Flow: q, Collar: r.CollarPressure(q, air)}, nil
}

// Free is the flow in m³/s with nothing at the collar.
func (b Blower) Free() float64 {
	n := len(b.Flow)
	if b.Pressure[n-1] >= 0 {
		slope := (b.Pressure[n-1] - b.Pressure[n-2]) / (b.Flow[n-1] - b.Flow[n-2])
		return b.Flow[n-1] - b.Pressure[n-1]/slope
	}
	for i := 1; i < n; i++ {
		if b.Pressure[i] <= 0 {
			t := b.Pressure[i-1] / (b.Pressure[i-1] - b.Pressure[i])
			return b.Flow[i-1] + t*(b.Flow[i]-b.Flow[i-1])
		}
	}
	return b.Flow[n-1]
}

// Share is the flow with the duct on as a share of the flow with it off, as
// the model expects it: 0 to 1.
func Share(b Blower, r Run, air Air) (float64, error) {
	p, err := Operate(b, r, air)
	if err != nil {
		return 0, err
	}
	return p.Flow / b.Free(), nil
}
