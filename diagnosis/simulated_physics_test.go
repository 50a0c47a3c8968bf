package diagnosis_test

import (
	"math"
	"math/rand/v2"

	"drumline/diagnosis/airflow"
)

// Units and air of the bench.
const (
	simFoot      = 0.3048
	simInch      = 0.0254
	inchWater    = 249.08891
	simCFM       = 0.0004719474432
	simDegree    = 5.0 / 9
	simCp        = 0.24 * 4186.8 // J/(kg·K)
	simColdShare = 0.96          // of an element's resistance, cold against hot [CP]
	simDuct      = 4 * simInch
)

// simAir is the way of the air.
type simAir struct {
	blower               airflow.Blower // all that the machine itself takes is off it
	run                  airflow.Run
	flow, free           float64 // m³/s, duct on and off
	collar               float64 // Pa
	drumLeak, blowerLeak float64 // shares of the air that come in after the heater, and after the drum
	bias                 float64 // how much more than its share of the leak the sensor feels
	nearby               bool    // the restriction of the run shows from the machine
	transition, wall     airflow.Piece
	exit, inside         float64
	hotSpot, uneven      float64 // hottest over mean rise of the box with right air, and what it gains as the air goes
	speed, press         float64 // of the blower wheel, 1 is right; its pressure against the generic one
}

// orifice is the loss coefficient of a passage of which share is blocked:
// Borda-Carnot behind a contraction of 0.62.
func orifice(share float64) float64 {
	x := 1/(0.62*(1-share)) - 1
	return x * x
}

// drawSound draws the machine without its faults: lengths and bends of usual
// runs, tolerances of parts [inv]; ratings, motor and element [CP]. The blower
// has the generic curve's flow but about two thirds of its pressure [inv]: with
// all of it no run that passes 1,500 feet a minute would pass 0.6 inches of
// water at the collar, and both are what a sound machine does [CP].
func (m *simMachine) drawSound(r *rand.Rand) {
	m.room = degF(min(max(72+6*r.NormFloat64(), 55), 92))
	m.rated, m.mains, m.drop = 240, 240+4*r.NormFloat64(), between(r, 0.005, 0.03)
	m.watts = []float64{5400, 5400, 5600, 5200}[r.IntN(4)]
	if r.Float64() < 0.05 { // a flat on two legs of three phases
		m.mains, m.watts, m.rated = 208+3*r.NormFloat64(), m.watts*0.751, 208
	}
	m.plated = r.Float64() < 0.8
	m.air = simAir{speed: between(r, 0.96, 1.04), press: between(r, 0.55, 0.75), exit: airflow.HoodExit + orifice(between(r, 0, 0.15)), bias: between(r, 0, 0.3),
		transition: airflow.Piece{Diameter: simDuct, Length: between(r, 3, 7) * simFoot, Roughness: 0.003 * simFoot, Bends: between(r, 0.2, 0.8)},
		wall:       airflow.Piece{Diameter: simDuct, Length: between(r, 4, 24) * simFoot, Roughness: 0.0005 * simFoot, Bends: between(r, 0.3, 1.6)},
		inside:     orifice(between(r, 0, 0.15)), hotSpot: between(r, 1.05, 1.2), uneven: between(r, 0.1, 0.5)}
	m.heat = drawHeat(r, m)
	m.settle()
}

// settle finds where blower and run meet.
func (m *simMachine) settle() {
	a := &m.air
	generic := airflow.GenericBlower()
	a.blower = airflow.Blower{}
	air := airflow.Standard()
	for i := range 24 {
		q := float64(i) / 23 * generic.Free() * a.speed
		p := a.press*a.speed*a.speed*blowerAt(generic, q/a.speed) - a.inside*air.VelocityPressure(q/airflow.Area(simDuct))
		a.blower.Flow, a.blower.Pressure = append(a.blower.Flow, q), append(a.blower.Pressure, p)
	}
	a.run = airflow.Run{Pieces: []airflow.Piece{a.transition, a.wall}, Exit: a.exit}
	p, err := airflow.Operate(a.blower, a.run, air)
	if err != nil {
		panic(err)
	}
	a.flow, a.collar, a.free = p.Flow, p.Collar, a.blower.Free()
}

func blowerAt(b airflow.Blower, q float64) float64 {
	for i := 1; ; i++ {
		if i == len(b.Flow)-1 || q <= b.Flow[i] {
			t := (q - b.Flow[i-1]) / (b.Flow[i] - b.Flow[i-1])
			return b.Pressure[i-1] + t*(b.Pressure[i]-b.Pressure[i-1])
		}
	}
}

// sound says whether the machine would give no cause to complain as drawn.
func (m *simMachine) sound() bool {
	return m.air.flow > 118*simCFM && m.air.collar < 0.58*inchWater && m.boxHot() < degF(m.heat.limitRating-15)
}

// drawSeverity puts the faults in. How far each goes is [inv], wide on purpose:
// what nobody would notice is drawn again.
func (m *simMachine) drawSeverity(r *rand.Rand) {
	a, h := &m.air, &m.heat
	for _, s := range simShares { // in a fixed order, so that a seed is a machine
		if !m.is(s.fault) {
			continue
		}
		switch s.fault {
		case "run_restricted":
			a.wall.Bends += orifice(between(r, 0.5, 0.9))
			a.nearby = r.Float64() < 0.4
		case "transition_crushed":
			a.transition.Bends += orifice(between(r, 0.5, 0.9))
		case "hood_blocked":
			a.exit += orifice(between(r, 0.5, 0.92))
		case "lint_in_heater_box":
			a.inside += orifice(between(r, 0.3, 0.8))
			a.hotSpot += between(r, 0, 0.3)
		case "screen_film":
			a.inside += orifice(between(r, 0.5, 0.85))
		case "lint_on_blower":
			a.inside += orifice(between(r, 0.2, 0.6))
			a.speed *= between(r, 0.5, 0.9)
		case "blower_slips":
			a.speed *= between(r, 0.35, 0.85)
		case "drum_seal_leaks":
			a.drumLeak = between(r, 0.15, 0.6)
		case "blower_seal_leaks":
			a.blowerLeak = between(r, 0.15, 0.6)
		default:
			h.break_(r, m, s.fault)
		}
	}
	m.settle()
}

// flows is the air in kg/s: in all, through the drum, through the heater.
func (m *simMachine) flows(ductOff bool) (all, drum, heater float64) {
	q := m.air.flow
	if ductOff {
		q = m.air.free
	}
	all = math.Max(q, 2*simCFM) * airflow.Standard().Density
	drum = all * (1 - m.air.blowerLeak)
	return all, drum, drum * (1 - m.air.drumLeak)
}

// boxHot is the hottest air of the heater box with the element always on.
func (m *simMachine) boxHot() float64 {
	_, _, heater := m.flows(false)
	return m.room + m.spot(heater)*m.power()/(heater*simCp)
}

// spot: little air goes unevenly over the coil, so the limit feels more than
// the mean: it opens earlier than the balance says [CP].
func (m *simMachine) spot(heater float64) float64 {
	full := 150 * simCFM * airflow.Standard().Density
	return m.air.hotSpot * (1 + m.air.uneven*math.Max(0, 1-heater/full))
}

// power is the heat of the element at the volts there are.
func (m *simMachine) power() float64 {
	v := m.volts()
	return v * v / m.heat.ohm
}

// volts is the supply under load.
func (m *simMachine) volts() float64 { return m.mains * (1 - m.drop) }
