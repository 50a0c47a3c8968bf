package diagnosis_test

import (
	"math"
	"math/rand/v2"
)

// simHeat is heater, sensors and control. Temperatures in °F are figures of the
// trade; what the model steps is kelvin.
type simHeat struct {
	ohm                  float64 // of the element, hot
	box, drum            float64 // J/K
	loss                 float64 // W/K of the cabinet
	past                 float64 // share of the air that goes through the drum untouched
	motor                float64 // W into the air
	motorAmps            float64
	rating, limitRating  float64 // °F, by the sheet
	stamp, limitStamp    float64 // °F, on the part
	open, close          float64 // K, thermostat or control
	limitOpen, limitShut float64 // K
	tau, limitTau        float64 // s
	lowStep              float64 // K that LOW goes off below HIGH when all is well
	biasRated, biasOhm   float64 // Ω
	factor, series       float64 // of the thermistor: its ohms, and Ω in its plug
	feel                 float64 // share of the air's warmth the sensor feels
	touch, contact       float64 // grounded coil: share of the coil to the live end, Ω
	hotOnly              bool    // touches when hot only
	afterStop            bool    // the touching end is not switched by the motor
	motorLeg             bool    // the touching end is on the motor's leg
	sometimes            bool    // the relay welds now and then
}

// drawHeat draws the parts of a sound machine. Ratings, differentials and lags
// [CP]: cycling 155 °F mostly, ±5 °F; limit 250 °F, ±10 °F, 40 to 70 °F. Heat
// capacities, losses, lags and the disc's differential [inv], such that a sound
// machine first heats 2 to 5 minutes and comes on 10 to 30 °F lower, a stuck
// thermostat gives 165 to 190 °F at the outlet and short air 110 to 160 [CP].
func drawHeat(r *rand.Rand, m *simMachine) simHeat {
	h := simHeat{ohm: m.rated * m.rated / m.watts * between(r, 0.96, 1.04),
		box: between(r, 1500, 2800), drum: between(r, 10000, 16000), loss: between(r, 8, 15), past: between(r, 0.1, 0.25),
		motor: between(r, 100, 220), motorAmps: between(r, 4, 6),
		rating: []float64{155, 155, 155, 150, 160}[r.IntN(5)], limitRating: []float64{250, 250, 240, 260}[r.IntN(4)],
		tau: between(r, 8, 20), limitTau: between(r, 8, 20), lowStep: between(r, 22, 34) * simDegree,
		biasRated: []float64{7000, 5600, 8200}[r.IntN(3)], factor: between(r, 0.97, 1.03), feel: 1}
	h.biasOhm = h.biasRated * between(r, 0.88, 1.12)
	h.stamp, h.limitStamp = h.rating, h.limitRating
	h.open = degF(h.rating + between(r, -5, 5))
	h.close = h.open - between(r, 12, 20)*simDegree
	h.limitOpen = degF(h.limitRating + between(r, -10, 10))
	h.limitShut = h.limitOpen - between(r, 40, 70)*simDegree
	h.sides(r, m)
	return h
}

// sides puts in what is wrong beside the causes. Severities [inv].
func (h *simHeat) sides(r *rand.Rand, m *simMachine) {
	if m.side["high_limit_late"] {
		h.limitOpen += between(r, 20, 70) * simDegree
		h.limitShut += 20 * simDegree
	}
	if m.side["high_limit_wrong"] {
		h.limitStamp = h.limitRating + 40
		h.limitOpen, h.limitShut = h.limitOpen+40*simDegree, h.limitShut+40*simDegree
	}
	if m.side["supply_lug"] {
		m.drop += between(r, 0.04, 0.12)
	}
}

// break_ puts a fault of heater, sensor or control in. How far it goes is
// [inv]; a 208 V element and that a lasting touch lies at 0.3 or more are [C].
func (h *simHeat) break_(r *rand.Rand, m *simMachine, fault string) {
	switch fault {
	case "cycling_thermostat_late":
		h.open += between(r, 10, 60) * simDegree
		h.close += between(r, 5, 40) * simDegree
		h.close = math.Min(h.close, h.open-10*simDegree)
	case "cycling_thermostat_never":
		h.open, h.close = math.Inf(1), math.Inf(1)
	case "cycling_thermostat_wrong":
		up := []float64{20, 25, 40}[r.IntN(3)]
		h.stamp += up
		h.open, h.close = h.open+up*simDegree, h.close+up*simDegree
	case "thermistor_high":
		h.factor *= between(r, 1.15, 2.6)
	case "thermistor_connection":
		h.series = math.Exp(between(r, math.Log(300), math.Log(5000)))
	case "thermistor_open":
		h.series = math.Inf(1)
	case "thermistor_out_of_place":
		h.feel = between(r, 0.55, 0.9)
		h.tau += between(r, 20, 90)
	case "coil_grounded":
		h.touch, h.contact = between(r, 0.3, 0.95), math.Exp(between(r, math.Log(0.1), math.Log(8)))
		h.hotOnly, h.afterStop, h.motorLeg = r.Float64() < 0.2, r.Float64() < 0.25, r.Float64() < 0.5
	case "coil_wrong":
		h.ohm *= 208.0 * 208 / (240 * 240)
	case "relay_welded":
		h.sometimes = r.Float64() < 0.25
	case "bias_heater_open":
		h.biasOhm = math.Inf(1)
	case "bias_heater_high":
		h.biasOhm *= between(r, 1.5, 5)
	}
}

// simRun is what a run of the machine does, second by second.
type simRun struct {
	bead      []float64 // K, outlet
	offs, ons []int     // second at which the heat went off, came on
	peak      float64   // K, outlet
	boxPeak   float64   // K, hottest air in the box
	limit     int       // times the high limit opened
	coil      float64   // W, element, mean over the run
	legs      [2]float64
}

// run steps the machine from cold for some seconds.
func (m *simMachine) run(setting string, ductOff bool, length int) *simRun {
	key := setting
	if ductOff {
		key += " off"
	}
	if out, ok := m.runs[key]; ok {
		return out
	}
	s := newSimState(m, setting, ductOff)
	for range length {
		s.step()
	}
	s.out.coil /= float64(length)
	m.runs[key] = s.out
	return s.out
}

// Lengths of the runs, s.
const (
	simHigh = 15 * 60
	simLow  = 8 * 60
	simCold = 5 * 60
)

func (m *simMachine) high() *simRun    { return m.run("high", false, simHigh) }
func (m *simMachine) low() *simRun     { return m.run("low", false, simLow) }
func (m *simMachine) airOnly() *simRun { return m.run("air", false, simCold) }
func (m *simMachine) ductOff() *simRun { return m.run("high", true, simHigh/2) }

// complained says whether the customer has cause to: the box gets well past
// its limit once a wet load keeps the heat on, the outlet goes well past its
// rating, LOW is no cooler than HIGH, or there is heat on air-only. What is
// overdried, badly used or not wrong at all needs no cause; a machine whose
// cut-off would have blown has another complaint. A coil that touches heats when
// nothing should, sooner or later.
func (m *simMachine) complained() bool {
	const cutOff = 330 // °F, at the heater box, 300 to 350 [CP]
	high := m.high()
	if high.boxPeak > degF(cutOff) && !m.side["cut_off_bypassed"] {
		return false
	}
	for _, quiet := range []string{"belt_broken", "coil_grounded", "bars_film", "overdry_habit", "no_fault"} {
		if m.is(quiet) {
			return true
		}
	}
	warm := degF(m.heat.rating + 12)
	low := m.has["low_setting"] && m.low().peak > degF(m.heat.rating-12) && m.low().limit == 0
	return m.boxHot() > degF(m.heat.limitRating+10) || high.peak > warm || low || m.airOnly().coil > 800
}

// airOnlyHeat says whether the element heats with no heat asked for.
func (m *simMachine) airOnlyHeat() bool { return m.airOnly().coil > 300 }
