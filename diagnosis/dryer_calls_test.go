package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// The worked calls of the electric dryer's complaints beside running too hot.
// The way there is common practice, no source; the machines are invented.

// thermistorAt is the thermistor at its own plug, 77 °F.
func thermistorAt(finding string, v diagnosis.Value) done {
	return fresh("thermistor", "at_part", finding, goodMeter(), values{"resistance": {v}, "temperature": fahrenheits(77)})
}

// closed is a contact that reads 0.1 Ω.
func closed(check string) done { return contact(ohm(check, "", "conforms", 0.1)) }

func supplyVolts(finding string, x, idle float64) done {
	return fresh("supply_loaded", "", finding, &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.1},
		values{"line_to_line": value(x, "V"), "line_to_line_no_load": value(idle, "V")})
}

func TestDryerNoHeatCalls(t *testing.T) {
	set, firm := look("setting_look", "heat_called"), look("breaker_look", "firm")
	legs := legsRead("conforms", 239, 119, 120)
	coil := contact(ohm("coil_whole", "coil", "conforms", 10))
	fuse, limit, cycling := closed("cut_off"), closed("high_limit"), closed("cycling_thermostat_closed")
	s := dryerSheet(t)
	ntc := []string{"thermistor"}
	requireCalls(t, builtIn(t), "no_heat", []kindCall{
		{name: "cut-off", steps: []done{set, legs, openCircuit("cut_off", "", "open")}, top: "cut_off_blown"},
		{name: "coil", steps: []done{set, legs, fuse, openCircuit("coil_whole", "coil", "open")}, top: "coil_open"},
		{name: "leg at the breaker", steps: []done{set, look("breaker_look", "half")}, top: "leg_lost"},
		{name: "leg back-fed", steps: []done{set, firm, legsRead("back_fed", 0.4, 120, 119.6)}, top: "leg_lost"},
		{name: "limit", steps: []done{set, legs, fuse, coil, openCircuit("high_limit", "", "open")}, top: "high_limit_open"},
		{name: "thermostat", steps: []done{set, legs, fuse, coil, limit, openCircuit("cycling_thermostat_closed", "", "open")}, top: "cycling_thermostat_open"},
		{name: "relay", steps: []done{set, legs, fuse, coil, limit, cycling, clipped("relay_running", "high", 119)}, top: "relay_open"},
		{name: "motor switch", steps: []done{set, legs, fuse, coil, limit, cycling, clipped("centrifugal_running", "high", 119)}, top: "centrifugal_heat"},
		{name: "thermistor open", has: ntc, sheet: s, steps: []done{set, legs, fuse, coil, thermistorAt("open", diagnosis.Value{Over: true, Unit: "kOhm"})}, top: "thermistor_open"},
		{name: "thermistor short", has: ntc, sheet: s, steps: []done{set, legs, fuse, coil, thermistorAt("short", diagnosis.Value{SI: 3, Unit: "Ohm"})}, top: "thermistor_short"},
		{name: "air-only", steps: []done{look("setting_look", "air_only"), legs, fuse, coil}, top: "air_only_set"},
	})
}

func TestDryerTakesTooLongCalls(t *testing.T) {
	full, weak := look("hood_look", "full_flow"), look("hood_look", "weak_flow")
	fair, dry, screen := look("load_look", "right"), spun("conforms", 5, 3.2), look("lint_screen", "clean")
	low := collar(0.2, "conforms")
	early := highRun("off_low", []float64{122, 123, 122}, []float64{104, 105, 104}, 300, 185, 180)
	coil := contact(ohm("coil_whole", "coil", "conforms", 10))
	s := dryerSheet(t)
	s["coil_1_resistance"] = diagnosis.SheetValue{Low: num(18), High: num(22), Unit: "Ohm", Origin: "tech sheet", Confirmed: true}
	s["coil_2_resistance"] = s["coil_1_resistance"]
	requireCalls(t, builtIn(t), "takes_too_long", []kindCall{
		{name: "run", steps: []done{weak, limitRun(), collar(1.1, "high"), look("duct_and_box", "elbow_or_run_full")}, top: "run_restricted"},
		{name: "transition", steps: []done{weak, limitRun(), collar(1.1, "high"), look("duct_and_box", "transition_crushed")}, top: "transition_crushed"},
		{name: "hood", steps: []done{look("hood_look", "blocked"), limitRun()}, top: "hood_blocked"},
		{name: "overload", steps: []done{full, look("load_look", "overloaded"), goodRun(), dry}, top: "overload"},
		{name: "washer", steps: []done{full, fair, spun("high", 7, 3.2), goodRun()}, top: "washer_leaves_water"},
		{name: "lint on blower", steps: []done{weak, screen, low, look("blower_wheel", "lint_on_wheel")}, top: "lint_on_blower"},
		{name: "blower slips", steps: []done{weak, low, look("blower_wheel", "slips")}, top: "blower_slips"},
		{name: "screen film", steps: []done{weak, look("lint_screen", "film"), limitRun(), low}, top: "screen_film"},
		{name: "lint inside", steps: []done{weak, screen, limitRun(), low, look("duct_and_box", "lint_in_box")}, top: "lint_in_heater_box"},
		{name: "drum seal", steps: []done{full, low, limitRun(), look("drum_seals", "gap"), look("duct_and_box", "clear"), look("blower_wheel", "sound")}, top: "drum_seal_leaks"},
		{name: "blower gasket", steps: []done{full, limitRun(), look("blower_wheel", "gasket_leaks")}, top: "blower_seal_leaks"},
		{name: "half of two coils", has: []string{"dual_coil"}, sheet: s, steps: []done{full, openCircuit("coil_whole", "coil_1", "open")}, top: "coil_open"},
		{name: "coil weak", steps: []done{full, fair, dry, contact(ohm("coil_whole", "coil", "high", 19))}, top: "coil_high"},
		{name: "bars", has: []string{"moisture_bars"}, steps: []done{full, fair, dry, goodRun(), look("moisture_bars", "film")}, top: "bars_film"},
		{name: "thermostat early", sheet: s, steps: []done{full, early}, top: "cycling_thermostat_early"},
		{name: "thermistor low", has: []string{"thermistor"}, sheet: s, steps: []done{full, early, thermistorAt("low", diagnosis.Value{SI: 6000, Unit: "kOhm"})}, top: "thermistor_low"},
		{name: "bias low", has: []string{"bias_heater", "low_setting"}, sheet: s, steps: []done{full, fair, dry, goodRun(), coil, ohm("bias_heater", "", "low", 3000)}, top: "bias_heater_low"},
		{name: "limit early", sheet: s, steps: []done{full, fair, dry, screen, low, limitRun(), look("blower_wheel", "sound"), look("drum_seals", "grip"), look("duct_and_box", "clear"),
			fresh("high_limit_warm_up", "", "early", goodBead(), values{"last_closed": fahrenheits(180), "first_open": fahrenheits(182), "minutes": seconds(600)})}, top: "high_limit_early"},
		{name: "thermostat pitted", steps: []done{full, fair, dry, goodRun(), coil, contact(ohm("cycling_thermostat_closed", "", "high", 4))}, top: "cycling_thermostat_contact"},
		{name: "volts low", steps: []done{full, fair, dry, goodRun(), supplyVolts("low", 200, 205)}, top: "supply_low"},
		{name: "volts drop", steps: []done{full, fair, dry, goodRun(), supplyVolts("drop", 220, 243)}, top: "supply_low"},
		{name: "nothing", steps: []done{full, fair, dry, screen, goodRun(), low, coil, supplyVolts("conforms", 236, 240), look("duct_and_box", "clear"), look("blower_wheel", "sound")}, top: "no_fault"},
	})
}

func TestDryerTripsBreakerCalls(t *testing.T) {
	cord, coil := look("cord_look", "sound"), openCircuit("coil_to_case", "terminal_1", "conforms")
	motor, harness := openCircuit("motor_to_case", "", "conforms"), openCircuit("harness_to_case", "", "conforms")
	turns := look("drum_by_hand", "drags")
	winding := contact(ohm("motor_windings", "main", "conforms", 2.4))
	requireCalls(t, builtIn(t), "trips_breaker", []kindCall{
		{name: "coil", triage: map[string]string{"when": "heat"}, steps: []done{cord, ohm("coil_to_case", "terminal_1", "grounded", 6)}, top: "coil_grounded"},
		{name: "cord seen", triage: map[string]string{"when": "plug_in"}, steps: []done{look("cord_look", "shorted")}, top: "cord_shorted"},
		{name: "cord measured", triage: map[string]string{"when": "plug_in"}, steps: []done{cord, coil, ohm("cord_to_case", "line_1", "grounded", 12)}, top: "cord_shorted"},
		{name: "breaker", triage: map[string]string{"when": "minutes"}, steps: []done{cord, coil, motor, look("trip_run", "trips_low")}, top: "breaker_weak"},
		{name: "motor to case", triage: map[string]string{"when": "start"}, steps: []done{cord, turns, ohm("motor_to_case", "", "grounded", 300)}, top: "motor_grounded"},
		{name: "motor seized", triage: map[string]string{"when": "start"}, steps: []done{cord, look("drum_by_hand", "stuck"), look("motor_shaft", "seized")}, top: "motor_seized"},
		{name: "motor shorted", triage: map[string]string{"when": "start"}, steps: []done{cord, turns, coil, motor, contact(ohm("motor_windings", "main", "low", 0.7))}, top: "motor_shorted"},
		{name: "strap", triage: map[string]string{"when": "plug_in", "gfci": "yes"}, steps: []done{look("cord_look", "strap_on"), coil}, top: "strap_left_on"},
		{name: "harness", triage: map[string]string{"wet": "yes"}, steps: []done{cord, coil, motor, winding, ohm("harness_to_case", "", "grounded", 500)}, top: "harness_grounded"},
		{name: "harness dry", steps: []done{cord, coil, motor, harness, winding, look("trip_run", "trips_low")}, top: "breaker_weak"},
	})
}

func TestDryerDoesNotStartCalls(t *testing.T) {
	start := func(finding string) done { return look("start_look", finding) }
	free, drags, drop := look("setting_look", "heat_called"), look("drum_by_hand", "drags"), look("breaker_look", "firm")
	fuse, door, belt, button := closed("motor_fuse"), closed("door_switch"), closed("belt_switch"), closed("start_switch")
	main := contact(ohm("motor_windings", "main", "conforms", 2.4))
	second := contact(ohm("motor_windings", "start", "conforms", 3.5))
	requireCalls(t, builtIn(t), "does_not_start", []kindCall{
		{name: "fuse", steps: []done{start("silent"), free, drags, openCircuit("motor_fuse", "", "open")}, top: "motor_fuse_blown"},
		{name: "fuse contact", steps: []done{start("silent"), free, drags, door, contact(ohm("motor_fuse", "", "high", 30))}, top: "motor_fuse_contact"},
		{name: "start winding", steps: []done{start("hum"), drags, openCircuit("motor_windings", "start", "open")}, top: "motor_winding_open"},
		{name: "main winding", steps: []done{start("silent"), free, drags, fuse, openCircuit("motor_windings", "main", "open")}, top: "motor_winding_open"},
		{name: "seized", steps: []done{start("hum"), look("drum_by_hand", "stuck")}, top: "motor_seized"},
		{name: "belt", steps: []done{start("silent"), look("drum_by_hand", "free")}, top: "belt_broken"},
		{name: "belt switch", steps: []done{start("silent"), free, drags, fuse, door, openCircuit("belt_switch", "", "open")}, top: "belt_switch_open"},
		{name: "door switch", steps: []done{start("silent"), free, drags, fuse, openCircuit("door_switch", "", "open")}, top: "door_switch_open"},
		{name: "door switch worn", triage: map[string]string{"door": "yes"}, steps: []done{start("silent"), free, drags, fuse, contact(ohm("door_switch", "", "high", 40))}, top: "door_switch_open"},
		{name: "breaker off", steps: []done{start("dark"), look("breaker_look", "tripped")}, top: "supply_dead"},
		{name: "cord burnt", steps: []done{start("dark"), drop, look("cord_look", "burnt")}, top: "cord_open"},
		{name: "start switch", steps: []done{start("silent"), free, drags, fuse, door, openCircuit("start_switch", "", "open")}, top: "start_switch_open"},
		{name: "control", steps: []done{start("silent"), free, drags, fuse, door, belt, button, main, second, clipped("control_output", "low", 2)}, top: "control_dead"},
		{name: "lock", steps: []done{start("silent"), look("setting_look", "locked")}, top: "lock_on"},
		{name: "start contact", steps: []done{start("hum"), drags, main, second, look("motor_shaft", "start_contact_burnt")}, top: "centrifugal_start"},
	})
}

// A burnt lug, a shorted cord and a winding or wire on the case stop the
// machine; the strap of a four-wire cord does not.
func TestDryerPowerFaultsStop(t *testing.T) {
	k := builtIn(t)
	for _, d := range []done{look("cord_look", "burnt"), look("cord_look", "shorted"), ohm("cord_to_case", "line_1", "grounded", 12),
		ohm("motor_to_case", "", "grounded", 300), ohm("harness_to_case", "", "grounded", 500), ohm("coil_to_case", "terminal_1", "grounded", 6)} {
		a := assessKind(t, k, "trips_breaker", kindCall{steps: []done{d}})
		require.Contains(t, a.Stop, "Do not run the machine", d.check)
		for _, n := range a.Next {
			c, _ := k.Check(n.Check)
			require.NotContains(t, []catalogue.CircuitState{catalogue.RunningClosed, catalogue.LiveOpen}, c.State, n.Check)
		}
	}
	require.Empty(t, assessKind(t, k, "trips_breaker", kindCall{steps: []done{look("cord_look", "strap_on")}}).Stop)
}
