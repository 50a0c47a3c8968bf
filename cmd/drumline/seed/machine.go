package seed

import (
	"math/rand/v2"
	"slices"

	"drumline/domain/repair"
)

// machine is a dryer as it really is: what the tech does not know. Its
// readings follow from its model and its faults, with the noise of the meter.
type machine struct {
	m       *model
	fault   string // the first cause of the complaint, "" when sound
	barrier string // a failed second barrier beside it, or ""
	share   float64
	r       *rand.Rand
}

// air is how much of its proper air a machine with a fault still moves.
var air = map[string]float64{
	"run_restricted": 0.42, "transition_crushed": 0.45, "hood_blocked": 0.38, "lint_in_heater_box": 0.62, "screen_film": 0.6,
	"lint_on_blower": 0.55, "blower_slips": 0.48, "blower_seal_leaks": 0.7, "drum_seal_leaks": 0.88,
}

var (
	ductFaults   = []string{"run_restricted", "transition_crushed", "hood_blocked"}
	shortOfAir   = []string{"run_restricted", "transition_crushed", "hood_blocked", "lint_in_heater_box", "screen_film", "lint_on_blower", "blower_slips"}
	letsGoLate   = []string{"cycling_thermostat_late", "cycling_thermostat_wrong", "thermistor_high", "thermistor_connection", "thermistor_out_of_place"}
	neverLetsGo  = []string{"cycling_thermostat_never", "relay_welded", "coil_grounded", "thermistor_open"}
	roomAirMixed = []string{"drum_seal_leaks", "blower_seal_leaks"}
	lowIsHigh    = []string{"bias_heater_open", "bias_heater_high", "selector_stuck"}
)

func newMachine(m *model, fault, barrier string, r *rand.Rand) *machine {
	share, short := air[fault]
	if !short {
		share = 0.97
	}
	return &machine{m: m, fault: fault, barrier: barrier, share: share * (0.96 + 0.08*r.Float64()), r: r}
}

// is says whether the first cause is one of the list.
func (d *machine) is(list ...string) bool { return d.fault != "" && slices.Contains(list, d.fault) }

// noisy is x as a meter shows it that errs by up to a share of x.
func (d *machine) noisy(x, share float64) float64 { return x * (1 + share*(2*d.r.Float64()-1)) }

// about is x with an error of up to span.
func (d *machine) about(x, span float64) float64 { return x + span*(2*d.r.Float64()-1) }

func number(input, unit string, x float64, decimals int) repair.NewValue {
	f := figure(x, decimals)
	return repair.NewValue{Input: input, Unit: unit, Value: &f}
}

func numbers(input, unit string, decimals int, xs ...float64) repair.NewValue {
	v := repair.NewValue{Input: input, Unit: unit}
	for _, x := range xs {
		v.Values = append(v.Values, figure(x, decimals))
	}
	return v
}

// figure is a number as it is read off a display: what is not shown is not
// there.
func figure(x float64, decimals int) repair.Figure {
	text := digits(x, decimals)
	return repair.Figure{Text: text, Value: parse(text)}
}

func chosen(input, choice string) repair.NewValue {
	return repair.NewValue{Input: input, Choice: choice}
}

func overRange(input, unit string) repair.NewValue {
	return repair.NewValue{Input: input, Unit: unit, Over: true}
}

func one(input, choice string) []repair.NewValue { return []repair.NewValue{chosen(input, choice)} }

// observe is what a tech enters for a check at a position. ok is false for a
// check the invented techs never do.
func (d *machine) observe(check, position string) (vs []repair.NewValue, ok bool) {
	see, ok := looks[check]
	if ok {
		return one("result", see(d)), true
	}
	measure, ok := measures[check]
	if !ok {
		return nil, false
	}
	return measure(d, position), true
}

// looks are the checks answered by what is seen.
var looks = map[string]func(*machine) string{
	"hood_look": func(d *machine) string {
		switch {
		case d.is("hood_blocked"):
			return "blocked"
		case d.share < 0.75:
			return "weak_flow"
		}
		return "full_flow"
	},
	"lint_screen": func(d *machine) string { return when(d.is("screen_film"), "film", "clean") },
	"moisture_bars": func(d *machine) string {
		return when(d.is("bars_film"), "film", "clean")
	},
	"duct_and_box": func(d *machine) string {
		switch d.fault {
		case "transition_crushed":
			return "transition_crushed"
		case "run_restricted":
			return "elbow_or_run_full"
		case "lint_in_heater_box":
			return "lint_in_box"
		}
		return "clear"
	},
	"blower_wheel": func(d *machine) string {
		switch d.fault {
		case "blower_slips":
			return "slips"
		case "lint_on_blower":
			return "lint_on_wheel"
		case "blower_seal_leaks":
			return "gasket_leaks"
		}
		return "sound"
	},
	"drum_seals": func(d *machine) string {
		return when(d.is("belt_broken"), "belt_off", when(d.is("drum_seal_leaks"), "gap", "grip"))
	},
	"thermistor_seat": func(d *machine) string {
		return when(d.is("thermistor_out_of_place"), "out_of_place", when(d.is("thermistor_connection"), "plug_corroded", "in_place"))
	},
	"safety_devices": func(d *machine) string {
		if d.barrier == "high_limit_bypassed" || d.barrier == "cut_off_bypassed" {
			return d.barrier
		}
		return "in_place"
	},
}

func when(is bool, then, otherwise string) string {
	if is {
		return then
	}
	return otherwise
}

// measures are the checks answered by figures.
var measures = map[string]func(d *machine, position string) []repair.NewValue{
	"hood": func(d *machine, _ string) []repair.NewValue {
		return []repair.NewValue{number("velocity", "[ft_i]/min", d.noisy(1850*d.share, 0.02), 0)}
	},
	"collar_pressure": func(d *machine, _ string) []repair.NewValue {
		p := 0.32 * d.share * d.share
		if d.is(ductFaults...) {
			p = 1.15
		}
		return []repair.NewValue{number("pressure", "[in_i'H2O]", d.noisy(p, 0.08), 2)}
	},
	"duct_off_run": func(d *machine, _ string) []repair.NewValue {
		ratio := 0.86
		if d.is(ductFaults...) {
			ratio = 0.46
		}
		on := 161 * d.share
		return []repair.NewValue{number("flow_on", "[cft_i]/min", d.noisy(on, 0.015), 0), number("flow_off", "[cft_i]/min", d.noisy(on/ratio, 0.015), 0)}
	},
	"air_only_run":      (*machine).airOnly,
	"as_found_run":      (*machine).run,
	"low_setting_cycle": (*machine).lowSetting,
	"coil_to_case":      (*machine).coilToCase,
	"coil_ends":         (*machine).coilEnds,
	"heat_relay": func(d *machine, _ string) []repair.NewValue {
		if d.is("relay_welded") {
			return withoutWires(number("resistance", "Ohm", d.about(0.4, 0.2), 1))
		}
		return withoutWires(overRange("resistance", "MOhm"))
	},
	"cycling_thermostat_stamp": func(d *machine, _ string) []repair.NewValue {
		stamp := d.m.rating
		if d.is("cycling_thermostat_wrong") {
			stamp += 25
		}
		return []repair.NewValue{number("rating", "[degF]", stamp, 0)}
	},
	"cycling_thermostat_closed": (*machine).closedContact,
	"high_limit":                (*machine).closedContact,
	"cut_off":                   (*machine).closedContact,
	"cycling_thermostat_warm_up": func(d *machine, _ string) []repair.NewValue {
		return d.warmUp(d.m.rating, d.is("cycling_thermostat_late"), d.is("cycling_thermostat_never"))
	},
	"high_limit_warm_up": func(d *machine, _ string) []repair.NewValue {
		return d.warmUp(d.m.highLimit, d.barrier == "high_limit_late", d.barrier == "high_limit_never")
	},
	"heater_current": (*machine).heaterCurrent,
	"bias_heater":    (*machine).biasHeater,
	"thermistor":     (*machine).thermistor,
	"frame_ground": func(d *machine, _ string) []repair.NewValue {
		return []repair.NewValue{number("resistance", "Ohm", d.about(0.07, 0.03), 2)}
	},
}

// withoutWires adds that the wires were off the part.
func withoutWires(v repair.NewValue) []repair.NewValue {
	return []repair.NewValue{v, chosen("wires_off", "yes")}
}

func (d *machine) airOnly(string) []repair.NewValue {
	start := d.about(71, 4)
	end, leg1, leg2 := start+d.about(3, 1.5), d.about(5, 0.4), d.about(0.3, 0.2)
	switch {
	case d.is("coil_grounded"):
		end, leg1, leg2 = start+d.about(48, 8), d.about(16, 1), d.about(0.4, 0.2)
	case d.is("relay_welded"):
		end, leg1, leg2 = start+d.about(66, 6), d.about(26.5, 1), d.about(21.5, 1)
	}
	return []repair.NewValue{number("start_temperature", "[degF]", start, 0), number("end_temperature", "[degF]", end, 0), number("minutes", "min", 5, 0),
		number("leg_1_current", "A", leg1, 1), number("leg_2_current", "A", leg2, 1), chosen("already_warm", "no")}
}

// heaterCurrent follows from the rated watts at 240 V; a coil of too low
// resistance takes more.
func (d *machine) heaterCurrent(string) []repair.NewValue {
	volts := d.about(238, 3)
	amps := d.m.watts / 240 * volts / 240
	if d.is("coil_wrong") {
		amps /= 0.74
	}
	return []repair.NewValue{number("current", "A", d.noisy(amps, 0.012), 1), number("volts", "V", volts, 0), number("volts_no_load", "V", d.about(volts+3, 1), 0)}
}

// run is the run on HIGH: which device does the switching, and where.
func (d *machine) run(string) []repair.NewValue {
	common := []repair.NewValue{chosen("setting", "high"), chosen("load", "empty"), number("current", "A", d.noisy(d.m.watts/240, 0.02), 1)}
	middle := (d.m.offLow + d.m.offHigh) / 2
	switch {
	case d.is(neverLetsGo...):
		return append(common, numbers("off_temperature", "[degF]", 0, d.about(196, 8)))
	case d.is(roomAirMixed...):
		return append(common, numbers("off_temperature", "[degF]", 0, d.about(d.m.offLow-16, 3)), numbers("heating_time", "s", 0, d.about(780, 60)))
	case d.is(shortOfAir...):
		return append(common, d.cycles(d.about(126, 4), 16, 55, 120)...)
	case d.is(letsGoLate...):
		return append(common, d.cycles(d.m.offHigh+d.about(19, 3), 18, 230, 130)...)
	}
	return append(common, d.cycles(d.about(middle, 2.5), 18, 190, 130)...)
}

// cycles are three cycles about an off temperature; the first heat starts cold.
func (d *machine) cycles(off, differential, heat, rest float64) []repair.NewValue {
	var offs, ons, heats, rests []float64
	for i := range 3 {
		offs, ons = append(offs, d.about(off, 1.2)), append(ons, d.about(off-differential, 1.2))
		first := 1.0
		if i == 0 {
			first = 1.6
		}
		heats, rests = append(heats, first*d.noisy(heat, 0.08)), append(rests, d.noisy(rest, 0.08))
	}
	return []repair.NewValue{numbers("off_temperature", "[degF]", 0, offs...), numbers("on_temperature", "[degF]", 0, ons...),
		numbers("heating_time", "s", 0, heats...), numbers("rest_time", "s", 0, rests...)}
}

func (d *machine) lowSetting(string) []repair.NewValue {
	high := d.about((d.m.offLow+d.m.offHigh)/2, 2)
	step := 27.0
	if d.is(lowIsHigh...) {
		step = 2
	}
	return []repair.NewValue{numbers("off_temperature_high", "[degF]", 0, high, d.about(high, 1)),
		numbers("off_temperature_low", "[degF]", 0, d.about(high-step, 1), d.about(high-step, 1))}
}

func (d *machine) coilToCase(string) []repair.NewValue {
	if d.is("coil_grounded") {
		return withoutWires(number("resistance", "Ohm", 20+700*d.r.Float64(), 0))
	}
	if d.r.IntN(3) == 0 {
		return withoutWires(number("resistance", "MOhm", 15+25*d.r.Float64(), 1))
	}
	return withoutWires(overRange("resistance", "MOhm"))
}

func (d *machine) coilEnds(position string) []repair.NewValue {
	r := map[string]float64{"coil": d.m.coil, "coil_1": d.m.coil, "coil_2": d.m.coil2, "section_to_section": d.m.coil + d.m.coil2}[position]
	if d.is("coil_wrong") {
		r *= 0.74
	}
	return withoutWires(number("resistance", "Ohm", d.noisy(r, 0.012), 1))
}

func (d *machine) closedContact(string) []repair.NewValue {
	return withoutWires(number("resistance", "Ohm", d.about(0.1, 0.05), 2))
}

func (d *machine) warmUp(rating float64, late, never bool) []repair.NewValue {
	rate := number("minutes", "min", d.about(5.5, 0.8), 1)
	if never {
		return []repair.NewValue{number("last_closed", "[degF]", rating+d.about(48, 4), 0), rate, chosen("recloses", "not_tried")}
	}
	opens := d.about(rating, 2.5)
	if late {
		opens = rating + d.about(26, 4)
	}
	return []repair.NewValue{number("last_closed", "[degF]", opens-1, 0), number("first_open", "[degF]", opens+1, 0), rate, chosen("recloses", "yes")}
}

func (d *machine) biasHeater(string) []repair.NewValue {
	switch d.fault {
	case "bias_heater_open":
		return withoutWires(overRange("resistance", "kOhm"))
	case "bias_heater_high":
		return withoutWires(number("resistance", "Ohm", d.noisy(d.m.bias*1.55, 0.03), 0))
	}
	return withoutWires(number("resistance", "Ohm", d.noisy(d.m.bias, 0.04), 0))
}

func (d *machine) thermistor(position string) []repair.NewValue {
	at := d.about(73, 5)
	r := d.noisy(d.m.thermistor(at), 0.012)
	switch {
	case d.is("thermistor_open"):
		return []repair.NewValue{overRange("resistance", "MOhm"), number("temperature", "[degF]", at, 0)}
	case d.is("thermistor_high"):
		r *= 1.32
	case d.is("thermistor_connection") && position == "at_board_plug":
		r *= 1.24
	}
	return []repair.NewValue{number("resistance", "kOhm", r/1000, 2), number("temperature", "[degF]", at, 0)}
}
