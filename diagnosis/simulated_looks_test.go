package diagnosis_test

import (
	"math"

	"drumline/diagnosis/airflow"
)

// simSight is what a look can show: the answer, whether it is there, the chance to
// see it then, and the chance to take it for there when it is not. All of them
// [inv]: nobody has counted.
type simSight struct {
	result      string
	there       bool
	sensitivity float64
	falsely     float64
}

// look goes through what could show, the most telling first.
func (a *simAnswer) look(nothing string, things ...simSight) {
	for _, s := range things {
		p := s.falsely
		if s.there {
			p = s.sensitivity
		}
		if a.chance(p) {
			a.choose("result", s.result)
			return
		}
	}
	a.choose("result", nothing)
}

// simLooks answers the checks done by eye and hand.
var simLooks = map[string]func(*simAnswer){
	"hood_look": (*simAnswer).hoodLook,
	"lint_screen": func(a *simAnswer) {
		a.look("clean", simSight{"torn", a.m.side["screen_torn"], 0.95, 0.01}, simSight{"wrong_or_missing", false, 0, 0.005},
			simSight{"film", a.m.is("screen_film"), 0.92, 0.05})
	},
	"moisture_bars": func(a *simAnswer) { a.look("clean", simSight{"film", a.m.is("bars_film"), 0.9, 0.12}) },
	"duct_and_box": func(a *simAnswer) {
		// Lint deep in the wall does not show from the machine; a little lies in
		// every old cabinet.
		a.look("clear", simSight{"transition_crushed", a.m.is("transition_crushed"), 0.9, 0.03},
			simSight{"elbow_or_run_full", a.m.is("run_restricted"), a.nearby(), 0.04},
			simSight{"lint_in_box", a.m.is("lint_in_heater_box"), 0.93, 0.06},
			simSight{"plastic_duct", a.m.side["transition_plastic"], 0.95, 0.003},
			simSight{"scorched", a.m.is("coil_grounded"), 0.25, 0.03})
	},
	"blower_wheel": func(a *simAnswer) {
		// A hub that slips only warm holds when tried cold.
		a.look("sound", simSight{"slips", a.m.is("blower_slips"), 0.8, 0.01}, simSight{"lint_on_wheel", a.m.is("lint_on_blower"), 0.95, 0.05},
			simSight{"gasket_leaks", a.m.is("blower_seal_leaks"), 0.85, 0.02})
	},
	"drum_seals": func(a *simAnswer) {
		a.look("grip", simSight{"belt_off", a.m.is("belt_broken"), 0.98, 0.003}, simSight{"gap", a.m.is("drum_seal_leaks"), 0.9, 0.06})
	},
	"thermistor_seat": func(a *simAnswer) {
		a.look("in_place", simSight{"out_of_place", a.m.is("thermistor_out_of_place"), 0.93, 0.02},
			simSight{"plug_corroded", a.m.is("thermistor_connection"), 0.75, 0.03})
	},
	"safety_devices": func(a *simAnswer) {
		a.look("in_place", simSight{"high_limit_bypassed", a.m.side["high_limit_bypassed"], 0.97, 0.003},
			simSight{"cut_off_bypassed", a.m.side["cut_off_bypassed"], 0.97, 0.003})
	},
}

// nearby is the chance to see lint in the elbow or further along.
func (a *simAnswer) nearby() float64 {
	if a.m.air.nearby {
		return 0.92
	}
	return 0.2
}

// hoodLook judges the force of the air by hand: half of the techs call 1,150
// feet a minute weak, give or take 120 [inv].
func (a *simAnswer) hoodLook() {
	fpm := a.m.air.flow / airflow.Area(simDuct) / (simFoot / 60)
	a.look("full_flow", simSight{"not_outdoors", a.m.side["hood_indoors"], 0.97, 0.003},
		simSight{"blocked", a.m.is("hood_blocked"), 0.9, 0.015},
		simSight{"weak_flow", fpm+120*a.r.NormFloat64() < 1150, 1, 0})
}

// triage is what the customer says on the telephone. How often and how rightly
// is [inv]: three in four know an answer, and four in five of those are right.
func (m *simMachine) triage() map[string]string {
	a := &simAnswer{m: m, r: m.simSource("triage", "", 0)}
	out := map[string]string{}
	say := func(id, unknown string, known, right float64, truth string, others ...string) {
		switch {
		case !a.chance(known):
			if unknown != "" {
				out[id] = unknown
			}
		case len(others) == 0 || a.chance(right):
			out[id] = truth
		default:
			out[id] = others[a.r.IntN(len(others))]
		}
	}
	say("setting", "unknown", 0.8, 0.8, a.settingSaid(), "every", "high_only", "low_only")
	say("scorch", "", 0.95, 0.9, a.scorch(), "no", "yes")
	say("stops_by_itself", "unknown", 0.8, 0.85, yesOr(!m.is("bars_film"), "runs_on"), "yes", "runs_on")
	say("heat_on_air_only", "not_tried", 0.35, 0.9, yesOr(m.airOnlyHeat(), "no"), "yes", "no")
	say("warm_when_off", "unknown", 0.8, 0.96, yesOr(m.is("coil_grounded") && m.heat.afterStop && !m.heat.hotOnly, "no"), "no", "yes")
	say("dry_time", "unknown", 0.8, 0.75, a.dryTime(), "same", "grown", "shorter")
	say("onset", "unknown", 0.7, 0.75, a.onset(), "slowly", "suddenly")
	say("last_cleaned", "unknown", 0.7, 0.85, a.cleaned(), "within_year", "longer")
	say("worked_on", "unknown", 0.85, 0.9, a.workedOn(), "nobody", "moved", "part_fitted")
	say("fuse_before", "unknown", 0.6, 0.95, yesOr(a.chance(a.fuse()), "no"), "no", "yes")
	say("drum_turns", "unknown", 0.9, 0.97, yesOr(!m.is("belt_broken"), "no"), "yes")
	return out
}

func yesOr(yes bool, other string) string {
	if yes {
		return "yes"
	}
	return other
}

// settingSaid: too hot on LOW alone, where HIGH is as it should be.
func (a *simAnswer) settingSaid() string {
	m := a.m
	hot := m.high().peak > degF(m.heat.rating+12) || m.high().limit > 0
	switch {
	case m.has["low_setting"] && !hot && m.low().peak > degF(m.heat.rating-12):
		return "low_only"
	case !m.has["low_setting"] || a.chance(0.35): // many never use another
		return "high_only"
	}
	return "every"
}

// scorch: cloth browns as the air into the drum nears 270 °F [inv].
func (a *simAnswer) scorch() string {
	if a.m.is("belt_broken") && a.chance(0.6) {
		return "yes"
	}
	p := 1 / (1 + math.Exp((degF(275)-a.m.high().boxPeak)/12))
	switch {
	case a.chance(0.6 * p):
		return "yes"
	case a.chance(0.02):
		return "smoke"
	}
	return "no"
}

// dryTime by the mean heat of a wet load: the limit shuts off what the air
// cannot carry.
func (a *simAnswer) dryTime() string {
	m := a.m
	share := math.Min(1, (m.heat.limitOpen-m.room)/math.Max(m.boxHot()-m.room, 1)) * m.power() / (m.rated * m.rated / m.heat.ohm)
	switch {
	case share < 0.8:
		return "grown"
	case m.high().peak > degF(m.heat.rating+20) || share > 1.2:
		return "shorter"
	}
	return "same"
}

// onset: what silts up comes slowly, what breaks comes suddenly, three times in
// four [inv].
func (a *simAnswer) onset() string {
	slow := 0.25
	for _, f := range []string{"run_restricted", "screen_film", "lint_on_blower", "lint_in_heater_box", "drum_seal_leaks", "bars_film", "cycling_thermostat_late"} {
		if a.m.is(f) {
			slow = 0.75
		}
	}
	if a.m.is("no_fault") || a.m.is("overdry_habit") {
		slow = 0.6
	}
	if a.chance(slow) {
		return "slowly"
	}
	return "suddenly"
}

func (a *simAnswer) cleaned() string {
	within := 0.35
	for _, f := range []string{"run_restricted", "hood_blocked", "lint_on_blower", "lint_in_heater_box"} {
		if a.m.is(f) {
			within = 0.15
		}
	}
	if a.chance(within) {
		return "within_year"
	}
	return "longer"
}

func (a *simAnswer) workedOn() string {
	part, moved := 0.08, 0.12
	switch {
	case a.m.is("cycling_thermostat_wrong") || a.m.is("coil_wrong"):
		part = 0.8
	case a.m.is("thermistor_out_of_place") || a.m.is("thermistor_connection") || a.m.is("blower_seal_leaks"):
		part = 0.3
	case a.m.is("transition_crushed"):
		moved = 0.45
	}
	switch x := a.r.Float64(); {
	case x < part:
		return "part_fitted"
	case x < part+moved:
		return "moved"
	}
	return "nobody"
}

// fuse: one in ten had it replaced [CP], more where the box runs hot [inv].
func (a *simAnswer) fuse() float64 {
	if a.m.boxHot() > degF(a.m.heat.limitRating) {
		return 0.14
	}
	return 0.06
}
