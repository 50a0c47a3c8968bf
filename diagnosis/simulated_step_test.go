package diagnosis_test

import "math"

// simState is a run under way. The model is lumped: the air of the heater box,
// the drum with its metal, a sensor in the blower housing behind the air by its
// lag, the high limit in the hot spot of the box behind it by its own, a bead in
// the outlet.
type simState struct {
	m                   *simMachine
	setting             string
	all, drumAir, boxed float64 // W/K carried by the air
	spot                float64 // rise of the hottest air of the box over the mean one
	box, drum           float64 // K
	sensor, limit, bead float64 // K
	closed, limitClosed bool
	heating             bool
	touched             bool
	second              int
	out                 *simRun
}

func newSimState(m *simMachine, setting string, ductOff bool) *simState {
	all, drum, heater := m.flows(ductOff)
	return &simState{m: m, setting: setting, all: all * simCp, drumAir: drum * simCp, boxed: heater * simCp, spot: m.spot(heater),
		box: m.room, drum: m.room, sensor: m.room, limit: m.room, bead: m.room, closed: true, limitClosed: true, out: &simRun{}}
}

// step goes on by a second.
func (s *simState) step() {
	m, h := s.m, &s.m.heat
	was := s.heating
	s.control()
	watts, legs := s.electric()
	s.box += (watts - s.boxed*(s.box-m.room)) / h.box
	hot := m.room + s.spot*(s.box-m.room)
	into := m.room + (s.box-m.room)*(1-m.air.drumLeak)
	s.drum += (s.drumAir*(1-h.past)*(into-s.drum) - h.loss*(s.drum-m.room)) / h.drum
	behind := s.drum + h.past*(into-s.drum)
	outlet := m.room + (behind-m.room)*(1-m.air.blowerLeak) + h.motor*(1-math.Exp(-float64(s.second)/500))/s.all
	felt := m.room + (outlet-m.room)*h.feel*(1-m.air.bias*m.air.blowerLeak)
	s.sensor += (felt - s.sensor) / h.tau
	s.limit += (hot - s.limit) / h.limitTau
	s.bead += (outlet - s.bead) / 4
	s.note(was, watts, hot, legs)
}

// control sets the thermostat or the electronic control, and the limit.
func (s *simState) control() {
	m, h := s.m, &s.m.heat
	feels, open, shut := s.sensor, h.open, h.close
	if m.has["thermistor"] {
		feels = s.reported()
	}
	if s.setting == "low" && !m.is("selector_stuck") {
		step := h.lowStep
		if m.has["bias_heater"] {
			// The bias heater warms the disc by the power it takes.
			step *= h.biasRated / h.biasOhm
		}
		feels += step
	}
	switch {
	case feels >= open:
		s.closed = false
	case feels <= shut:
		s.closed = true
	}
	if m.side["high_limit_never"] || m.side["high_limit_bypassed"] {
		return
	}
	switch {
	case s.limitClosed && s.limit >= h.limitOpen:
		s.limitClosed = false
		s.out.limit++
	case s.limit <= h.limitShut:
		s.limitClosed = true
	}
}

// reported is the temperature the control takes from its thermistor.
func (s *simState) reported() float64 {
	h := &s.m.heat
	if math.IsInf(h.series, 1) {
		return 0
	}
	return s.m.curve.Kelvin(s.m.curve.Ohm(s.sensor)*h.factor + h.series)
}

// electric is the heat of the coil and the currents of the legs. A timer's
// welded contact leaves the thermostat in the circuit; a board's welded relay is
// itself what the thermistor works, and leaves the limit alone.
func (s *simState) electric() (watts float64, legs [2]float64) {
	m, h := s.m, &s.m.heat
	closed := s.closed && s.setting != "air"
	if m.is("relay_welded") {
		closed = s.closed || m.has["thermistor"]
	}
	s.heating = closed && s.limitClosed
	s.touched = m.is("coil_grounded") && (!h.hotOnly || s.touched || s.box > degF(170))
	legs[0] = h.motorAmps
	leg := m.volts() / 2
	a, b := h.touch*h.ohm, (1-h.touch)*h.ohm
	switch {
	case s.heating && s.touched:
		spot := (leg/a - leg/b) / (1/a + 1/b + 1/h.contact) // V, where it touches
		near, far := (leg-spot)/a, (leg+spot)/b
		watts = near*near*a + far*far*b
		legs[s.touchedLeg()] += near
		legs[1-s.touchedLeg()] += far
	case s.touched:
		near := leg / (a + h.contact)
		watts = near * near * a
		legs[s.touchedLeg()] += near
	case s.heating:
		watts = m.power()
		legs[0], legs[1] = legs[0]+m.volts()/h.ohm, m.volts()/h.ohm
	}
	return watts, legs
}

// touchedLeg is the leg that feeds the touching end; the first feeds the motor.
func (s *simState) touchedLeg() int {
	if s.m.heat.motorLeg {
		return 0
	}
	return 1
}

func (s *simState) note(was bool, watts, hot float64, legs [2]float64) {
	o := s.out
	o.bead = append(o.bead, s.bead)
	o.peak, o.boxPeak = math.Max(o.peak, s.bead), math.Max(o.boxPeak, hot)
	o.coil += watts
	o.legs = legs
	switch {
	case was && !s.heating:
		o.offs = append(o.offs, s.second)
	case !was && s.heating && s.second > 0:
		o.ons = append(o.ons, s.second)
	}
	s.second++
}
