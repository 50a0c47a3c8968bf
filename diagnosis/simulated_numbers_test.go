package diagnosis_test

import (
	"math"

	"drumline/diagnosis"
	"drumline/diagnosis/airflow"
)

// simNumbers answers the checks that give figures, from the physics of the
// machine.
var simNumbers = map[string]func(*simAnswer){
	"hood": (*simAnswer).hood, "air_only_run": (*simAnswer).airOnly, "as_found_run": (*simAnswer).asFound,
	"collar_pressure": (*simAnswer).collar, "duct_off_run": (*simAnswer).ductOff, "low_setting_cycle": (*simAnswer).lowSetting,
	"coil_to_case": (*simAnswer).coilToCase, "coil_ends": (*simAnswer).coilEnds, "heat_relay": (*simAnswer).relay,
	"cycling_thermostat_stamp": (*simAnswer).stamp, "high_limit_stamp": (*simAnswer).limitStamp,
	"cycling_thermostat_closed": (*simAnswer).contact, "high_limit": (*simAnswer).contact, "cut_off": (*simAnswer).contact,
	"bias_heater": (*simAnswer).bias, "thermistor": (*simAnswer).thermistor,
	"cycling_thermostat_warm_up": (*simAnswer).warmUp, "high_limit_warm_up": (*simAnswer).limitWarmUp,
	"supply_loaded": (*simAnswer).supply, "heater_current": (*simAnswer).heater, "frame_ground": (*simAnswer).ground,
}

// speed is the air speed in the duct as the vane gives it: a traverse of few
// points is off by some 4 % beside the vane itself [inv].
func (a *simAnswer) speed(flow float64) float64 {
	v := flow / airflow.Area(simDuct) * (1 + 0.04*a.r.NormFloat64())
	a.tool = &a.m.kit.vane
	return math.Max(0, a.m.kit.vane.read(a.r, v, 0.1))
}

func (a *simAnswer) hood() { a.put("velocity", a.speed(a.m.air.flow), "[ft_i]/min") }

// collar: a tap in a rough duct is off by some 5 % and 4 Pa [inv].
func (a *simAnswer) collar() {
	p := a.m.air.collar*(1+0.05*a.r.NormFloat64()) + 4*a.r.NormFloat64()
	a.tool = &a.m.kit.gauge
	a.put("pressure", a.m.kit.gauge.read(a.r, p, 1), "[in_i'H2O]")
}

// ductOff: both speeds in 70 of 100 visits, how it cycles in 60, one of the two
// at least [inv].
func (a *simAnswer) ductOff() {
	on, off := a.m.high(), a.m.ductOff()
	seen := a.chance(0.6)
	if !seen || a.chance(0.7) {
		a.put("velocity_on", a.speed(a.m.air.flow), "[ft_i]/min")
		a.put("velocity_off", a.speed(a.m.air.free), "[ft_i]/min")
	}
	if !seen {
		return
	}
	if on.limit > 0 && off.limit == 0 {
		a.choose("cycling", "normal_now")
		return
	}
	a.choose("cycling", "same")
}

// airOnly: the legs are clamped in 60 of 100 visits [inv].
func (a *simAnswer) airOnly() {
	run := a.m.airOnly()
	a.kelvin("start_temperature", a.m.room)
	a.kelvin("end_temperature", run.bead[len(run.bead)-1])
	a.put("minutes", simCold, "min")
	a.choose("already_warm", "no")
	if a.chance(0.6) {
		a.amps("leg_1_current", run.legs[0])
		a.amps("leg_2_current", run.legs[1])
	}
}

func (a *simAnswer) amps(id string, x float64) {
	a.put(id, math.Max(0, a.m.kit.clamp.read(a.r, x, 0.1)), "A")
}

// asFound: one run in four is logged every 5 s with 0.2 K of noise, the others
// are noted by hand over three cycles at most [inv].
func (a *simAnswer) asFound() {
	run := a.m.high()
	a.choose("setting", "high")
	a.choose("load", "empty")
	a.tool, a.digit = &a.m.kit.bead, 0.1
	if a.chance(0.25) {
		s := &diagnosis.Series{}
		for i := 0; i < len(run.bead); i += 5 {
			s.T = append(s.T, float64(i))
			s.Value = append(s.Value, a.m.kit.bead.read(a.r, run.bead[i]+0.2*a.r.NormFloat64(), 0.1))
		}
		a.series = s
		return
	}
	a.noted(run)
}

// noted is a run as a tech writes it down.
func (a *simAnswer) noted(run *simRun) {
	if len(run.offs) == 0 {
		a.kelvin("off_temperature", run.peak)
		a.put("heating_time", float64(len(run.bead)), "s")
		a.amps("current", math.Max(run.legs[0], run.legs[1]))
		return
	}
	from := 0
	for i, off := range run.offs {
		if i == 3 {
			return
		}
		end := len(run.bead)
		if i < len(run.ons) {
			end = run.ons[i]
		}
		a.kelvin("off_temperature", extreme(run.bead[off:end], math.Max))
		a.put("heating_time", math.Max(1, math.Round(float64(off-from)+2*a.r.NormFloat64())), "s")
		if i >= len(run.ons) {
			if i == 0 {
				a.amps("current", math.Max(run.legs[0], run.legs[1]))
			}
			return
		}
		from = run.ons[i]
		next := len(run.bead)
		if i+1 < len(run.offs) {
			next = run.offs[i+1]
		}
		a.kelvin("on_temperature", extreme(run.bead[from:next], math.Min))
		a.put("rest_time", math.Max(1, math.Round(float64(from-off)+2*a.r.NormFloat64())), "s")
	}
}

func extreme(xs []float64, pick func(a, b float64) float64) float64 {
	x := xs[0]
	for _, y := range xs {
		x = pick(x, y)
	}
	return x
}

// lowSetting: the last two offs on each setting, the highest temperature where
// the heat never goes off.
func (a *simAnswer) lowSetting() {
	for _, x := range []struct {
		id  string
		run *simRun
	}{{"off_temperature_high", a.m.high()}, {"off_temperature_low", a.m.low()}} {
		offs := a.offs(x.run)
		for _, k := range offs[max(0, len(offs)-2):] {
			a.kelvin(x.id, k)
		}
	}
}

func (a *simAnswer) offs(run *simRun) []float64 {
	var out []float64
	for i, off := range run.offs {
		end := len(run.bead)
		if i < len(run.ons) {
			end = run.ons[i]
		}
		out = append(out, extreme(run.bead[off:end], math.Max))
	}
	if len(out) == 0 {
		out = append(out, run.peak)
	}
	return out
}

// coilToCase: a sound coil is over range, a damp one in thirty 0.2 to 2 MΩ
// [inv]. With a wire on, the motor and the neutral strap are read, 2 to 20 Ω
// [CP].
func (a *simAnswer) coilToCase() {
	h := &a.m.heat
	x := math.Inf(1)
	if a.m.simSource("damp", "", 0).Float64() < 1.0/30 {
		x = between(a.r, 0.2e6, 2e6)
	}
	if a.m.is("coil_grounded") && !h.hotOnly {
		x = h.touch*h.ohm*simColdShare + h.contact
		if a.position == "terminal_2" {
			x = (1-h.touch)*h.ohm*simColdShare + h.contact
		}
	}
	if !a.wires() {
		x = between(a.r, 2, 20)
	}
	a.ohm("resistance", x)
}

func (a *simAnswer) coilEnds() {
	x := a.m.heat.ohm * simColdShare
	switch a.position {
	case "coil_1", "coil_2":
		x *= 2
	case "section_to_section":
		x *= 4
	}
	if !a.wires() {
		x = 1 / (1/x + 1/between(a.r, 20, 200))
	}
	a.ohm("resistance", x)
}

func (a *simAnswer) relay() {
	x := math.Inf(1)
	if a.m.is("relay_welded") && !a.m.heat.sometimes {
		x = between(a.r, 0.02, 0.5)
	}
	if !a.wires() {
		x = between(a.r, 8, 40)
	}
	a.ohm("resistance", x)
}

// misread is the chance that a stamp is read wrong [inv].
const misread = 0.01

func (a *simAnswer) stamp()      { a.rating(a.m.heat.stamp) }
func (a *simAnswer) limitStamp() { a.rating(a.m.heat.limitStamp) }

func (a *simAnswer) rating(f float64) {
	if a.chance(misread) {
		f += 10
	}
	a.put("rating", degF(f), "[degF]")
}

// contact is a closed contact: 0.02 to 0.15 Ω [CP], a pitted one 0.6 to 10.
func (a *simAnswer) contact() {
	x := between(a.r, 0.02, 0.15)
	if a.m.side["contact_pitted"] {
		x = between(a.r, 0.6, 10)
	}
	a.wires()
	a.ohm("resistance", x)
}

func (a *simAnswer) bias() {
	x := a.m.heat.biasOhm
	if !a.wires() {
		x = 1 / (1/x + 1.0/3000)
	}
	a.ohm("resistance", x)
}

// thermistor at rest, up to 10 °F above the room; bead and sensor differ by
// 1 K at most [inv]. The plug's own ohms show at the board only.
func (a *simAnswer) thermistor() {
	h := &a.m.heat
	k := a.m.room + between(a.r, 0, 10)*simDegree
	x := a.m.curve.Ohm(k) * h.factor
	if a.position == "at_board_plug" || a.m.is("thermistor_open") {
		x += h.series
	}
	a.put("temperature", a.m.kit.bead.read(a.r, k+between(a.r, -1, 1), 0.1), "[degF]")
	a.ohm("resistance", x)
}

func (a *simAnswer) warmUp() {
	h := &a.m.heat
	open := h.open
	if a.position == "timer_pair" && math.IsInf(open, 1) {
		open = degF(h.rating) // the other contact of the disc still moves
	}
	a.opening(open, degF(h.rating))
}

func (a *simAnswer) limitWarmUp() {
	h := &a.m.heat
	open := h.limitOpen
	if a.m.side["high_limit_never"] {
		open = math.Inf(1)
	}
	a.opening(open, degF(h.limitRating))
}

// opening is a warm-up on the bench: 2 to 5 °F a minute as told, noted every 2 °F, a
// disc that trails by 40 to 80 s, given up 70 °F past the stamp [inv].
func (a *simAnswer) opening(open, rating float64) {
	rate := between(a.r, 2, 5) * simDegree / 60
	seen := open + rate*between(a.r, 40, 80)
	step := 2 * simDegree
	a.put("minutes", 20*simDegree/rate, "min")
	if seen > rating+70*simDegree {
		a.kelvin("last_closed", rating+70*simDegree)
		return
	}
	at := seen - a.r.Float64()*step
	a.kelvin("last_closed", at)
	a.put("first_open", a.values["last_closed"][0].SI+step, "[degF]")
	a.choose("recloses", "yes")
}

func (a *simAnswer) supply() {
	a.put("line_to_line", a.m.kit.meter.read(a.r, a.m.volts(), 0.1), "V")
	a.put("line_to_line_no_load", a.m.kit.meter.read(a.r, a.m.mains, 0.1), "V")
}

func (a *simAnswer) heater() {
	v := a.m.volts()
	x := v / a.m.heat.ohm
	if a.m.is("coil_grounded") { // one end's share of it, whichever wire the jaw holds
		x = v / 2 / (a.m.heat.touch*a.m.heat.ohm + a.m.heat.contact)
	}
	a.tool = &a.m.kit.clamp
	a.amps("current", x)
	a.put("volts", a.m.kit.meter.read(a.r, v, 0.1), "V")
	a.put("volts_no_load", a.m.kit.meter.read(a.r, a.m.mains, 0.1), "V")
}

func (a *simAnswer) ground() {
	x := between(a.r, 0.02, 0.12)
	if a.m.side["ground_poor"] {
		x = between(a.r, 0.3, 20)
	}
	a.ohm("resistance", x)
}
