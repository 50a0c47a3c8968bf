package diagnosis_test

import (
	"math/rand/v2"

	"drumline/diagnosis"
	"drumline/diagnosis/sensors"
)

// The simulated bench: dryers that run too hot, drawn with their faults, whose
// readings come from physics and not from the catalogue's weights. Every
// figure here is marked: [CP] common practice, no source; [C] own arithmetic;
// [inv] invented for the bench, to stand for what nobody has counted.

// simCause is a cause, its part and its share.
type simCause struct {
	fault, group string
	share        float64
}

// simShares is how often a fault is the first cause of "runs too hot", per
// cent. The sums of the groups are [CP]: run, transition and hood 42; lint and
// screen film 11; cycling thermostat 9; seals 7; blower wheel 6; thermistor 6;
// grounded coil 6; overdry 4; relay or contact 3; bias heater 2; wrong part 1;
// nothing 3. How a group divides is [inv].
var simShares = []simCause{
	{"run_restricted", "exhaust_run", 20}, {"transition_crushed", "transition_duct", 12}, {"hood_blocked", "hood", 10},
	{"lint_in_heater_box", "heater_box", 4}, {"screen_film", "lint_screen", 4}, {"lint_on_blower", "blower", 3},
	{"cycling_thermostat_late", "cycling_thermostat", 5}, {"cycling_thermostat_never", "cycling_thermostat", 4},
	{"drum_seal_leaks", "drum_seals", 5}, {"blower_seal_leaks", "blower_seal", 2}, {"blower_slips", "blower", 6},
	{"thermistor_high", "thermistor", 2.5}, {"thermistor_connection", "thermistor", 2},
	{"thermistor_out_of_place", "thermistor", 1}, {"thermistor_open", "thermistor", 0.5},
	{"coil_grounded", "heating_coil", 6}, {"bars_film", "moisture_bars", 2}, {"overdry_habit", "use", 2},
	{"relay_welded", "heat_relay", 2.5}, {"selector_stuck", "selector", 0.5},
	{"bias_heater_open", "bias_heater", 1.5}, {"bias_heater_high", "bias_heater", 0.5},
	{"cycling_thermostat_wrong", "cycling_thermostat", 0.6}, {"coil_wrong", "heating_coil", 0.4},
	{"belt_broken", "drum_drive", 0.5}, {"no_fault", "use", 2.5},
}

// simSide is what is wrong beside the causes, per cent of machines: high limit
// late or welded 3 to 5, found bypassed 1 to 2 [CP]; the rest [inv].
var simSides = []struct {
	fault string
	share float64
}{
	{"high_limit_late", 2}, {"high_limit_never", 2}, {"high_limit_bypassed", 1}, {"cut_off_bypassed", 0.5}, {"high_limit_wrong", 1},
	{"screen_torn", 3}, {"transition_plastic", 4}, {"hood_indoors", 2}, {"supply_lug", 2}, {"ground_poor", 2}, {"contact_pitted", 1},
}

// simPairs is the chance that two causes are there together: 15 to 20 % [CP].
const simPairs = 0.17

// simMachine is one dryer as it stands.
type simMachine struct {
	index  uint64
	has    map[string]bool
	first  string          // the cause drawn first
	faults map[string]bool // every cause that is there
	side   map[string]bool
	curve  *sensors.Table
	sheet  diagnosis.Sheet
	watts  float64 // by the nameplate
	rated  float64 // V, by the nameplate
	plated bool    // the nameplate was read

	room  float64 // K
	mains float64 // V, without load
	drop  float64 // share lost under load
	air   simAir
	heat  simHeat
	kit   simKit
	runs  map[string]*simRun
	taken map[string]int // readings of a check and position so far
}

func (m *simMachine) is(fault string) bool { return m.faults[fault] }

// between draws evenly from low to high.
func between(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

// oneOf draws an item by its weight.
func oneOf[T any](r *rand.Rand, items []T, weight func(T) float64) T {
	total := 0.0
	for _, x := range items {
		total += weight(x)
	}
	at := r.Float64() * total
	for _, x := range items {
		if at -= weight(x); at < 0 {
			return x
		}
	}
	return items[len(items)-1]
}

// simNeeds is the feature a fault needs, simBars the one that rules it out.
var (
	simNeeds = map[string]string{"thermistor_high": "thermistor", "thermistor_connection": "thermistor", "thermistor_out_of_place": "thermistor",
		"thermistor_open": "thermistor", "bars_film": "moisture_bars", "selector_stuck": "low_setting",
		"bias_heater_open": "bias_heater", "bias_heater_high": "bias_heater"}
	simBars = map[string]string{"cycling_thermostat_late": "thermistor", "cycling_thermostat_never": "thermistor",
		"cycling_thermostat_wrong": "thermistor", "bias_heater_open": "thermistor", "bias_heater_high": "thermistor"}
)

// drawSim draws machine number index of a seed. With only given, that is its
// single cause.
func drawSim(seed, index uint64, curve *sensors.Table, only string) *simMachine {
	r := rand.New(rand.NewPCG(seed, index))
	for {
		m := &simMachine{index: index, curve: curve, faults: map[string]bool{}, side: map[string]bool{}, taken: map[string]int{}}
		m.drawFaults(r, only)
		if !m.drawFeatures(r) {
			continue
		}
		// The severities are drawn until the machine gives cause to complain: an
		// unnoticed fault is no call.
		for range 60 {
			m.drawSound(r)
			if !m.sound() {
				continue
			}
			m.drawSeverity(r)
			m.runs = map[string]*simRun{}
			if m.complained() {
				m.drawSheet(r)
				m.drawKit(r)
				return m
			}
		}
	}
}

func (m *simMachine) drawFaults(r *rand.Rand, only string) {
	share := func(x simCause) float64 { return x.share }
	one := oneOf(r, simShares, share)
	for only != "" && one.fault != only {
		one = oneOf(r, simShares, share)
	}
	m.first, m.faults[one.fault] = one.fault, true
	if only == "" && one.group != "use" && r.Float64() < simPairs {
		two := one
		for two.group == one.group || two.fault == "no_fault" {
			two = oneOf(r, simShares, share)
		}
		m.faults[two.fault] = true
	}
	for _, s := range simSides {
		if only == "" && r.Float64() < s.share/100 {
			m.side[s.fault] = true
		}
	}
}

// drawFeatures draws what the machine has, false when its faults cannot meet in
// one machine. Shares [inv]: electronic control 40 %, LOW setting 85 %, bias
// heater in a third of the others, two coils 10 %, moisture bars in 80 % of the
// electronic ones and 25 % of the others.
func (m *simMachine) drawFeatures(r *rand.Rand) bool {
	electronic := r.Float64() < 0.4
	for f := range m.faults {
		if simNeeds[f] == "thermistor" {
			electronic = true
		}
	}
	bars := 0.25
	if electronic {
		bars = 0.8
	}
	m.has = map[string]bool{"thermistor": electronic, "low_setting": r.Float64() < 0.85, "dual_coil": r.Float64() < 0.1,
		"bias_heater":   !electronic && r.Float64() < 0.35,
		"moisture_bars": r.Float64() < bars, "change_over_thermostat": !electronic && r.Float64() < 0.2}
	for f := range m.faults {
		if need := simNeeds[f]; need != "" {
			m.has[need] = true
		}
	}
	if m.has["bias_heater"] {
		m.has["low_setting"] = true
	}
	if m.is("coil_wrong") {
		m.has["dual_coil"] = false
	}
	for f := range m.faults {
		if no := simBars[f]; no != "" && m.has[no] {
			return false
		}
	}
	return true
}

// drawSheet writes the data sheet; some of it is not to be found. Shares
// missing [inv].
func (m *simMachine) drawSheet(r *rand.Rand) {
	m.sheet = diagnosis.Sheet{}
	put := func(missing float64, id string, v diagnosis.SheetValue) {
		v.Origin, v.Confirmed = "tech sheet", r.Float64() < 0.5
		if r.Float64() >= missing {
			m.sheet[id] = v
		}
	}
	h := &m.heat
	if !m.has["thermistor"] {
		put(0.15, "cycling_thermostat_rating", diagnosis.SheetValue{Value: num(degF(h.rating)), Unit: "[degF]"})
	}
	put(0.25, "high_limit_rating", diagnosis.SheetValue{Value: num(degF(h.limitRating)), Unit: "[degF]"})
	put(0.5, "outlet_off_high", diagnosis.SheetValue{Low: num(degF(h.rating - 12)), High: num(degF(h.rating + 12)), Unit: "[degF]"})
	put(0.4, "back_pressure_max", diagnosis.SheetValue{High: num(0.6 * inchWater), Unit: "[in_i'H2O]"})
	if m.has["bias_heater"] {
		put(0.25, "bias_heater_resistance", diagnosis.SheetValue{Low: num(0.8 * h.biasRated), High: num(1.2 * h.biasRated), Unit: "Ohm"})
	}
	if m.has["thermistor"] {
		put(0.2, "thermistor_curve", diagnosis.SheetValue{Curve: m.points(), Unit: "Ohm"})
	}
	cold := m.rated * m.rated / m.watts * simColdShare
	band := func(x float64) diagnosis.SheetValue {
		return diagnosis.SheetValue{Low: num(0.92 * x), High: num(1.08 * x), Unit: "Ohm"}
	}
	if m.has["dual_coil"] {
		put(0.4, "coil_1_resistance", band(2*cold))
		put(0.4, "coil_2_resistance", band(2*cold))
		put(0.4, "coil_section_resistance", band(4*cold))
	} else {
		put(0.5, "coil_resistance", band(cold))
	}
}

// points is the curve as a sheet prints it, every 5 K.
func (m *simMachine) points() []diagnosis.Point {
	var ps []diagnosis.Point
	for k := 263.15; k < 375; k += 5 {
		ps = append(ps, diagnosis.Point{Kelvin: k, Ohm: m.curve.Ohm(k)})
	}
	return ps
}

// unit is what the engine is told of the machine.
func (m *simMachine) unit() diagnosis.Unit {
	u := diagnosis.Unit{Kind: "electric_dryer", Has: m.has}
	if m.plated {
		u.Watts, u.Volts = num(m.watts), num(m.rated)
	}
	return u
}
