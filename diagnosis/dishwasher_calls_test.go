package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// sinkWater is the hot water at the sink, °F, by a good bead.
func sinkWater(finding string, f float64) done {
	return done{check: "water_temperature", finding: finding, instrument: goodBead(), values: values{"temperature": fahrenheits(f)}}
}

// tubSensor is the sensor of the tub at 77 °F; ohm below 0 is open.
func tubSensor(finding string, ohm float64) done {
	r := value(ohm, "Ohm")
	if ohm < 0 {
		r = []diagnosis.Value{{Over: true, Unit: "Ohm"}}
	}
	return done{check: "thermistor", finding: finding, instrument: tenths(), values: values{"resistance": r, "temperature": fahrenheits(77)}}
}

func tubSheet(t testing.TB) diagnosis.Sheet {
	return diagnosis.Sheet{
		"thermistor_curve":      {Curve: curve3977(t), Unit: "Ohm", Origin: "tech sheet, page 2", Confirmed: true},
		"wash_motor_resistance": {Low: num(6), High: num(9), Unit: "Ohm", Origin: "tech sheet, page 2", Confirmed: true},
	}
}

// Own arithmetic at 120 V: 1 kW is 14.4 Ω, 0.8 kW is 18 Ω.
func TestDishwasherHeaterIsComputed(t *testing.T) {
	require.InDelta(t, 14.4, 120.0*120/1000, 1e-9)
	require.InDelta(t, 18, 120.0*120/800, 1e-9)
}

// Heater 10 to 30 Ω and above 1 MΩ to the case when dry, pump 10 to 40 Ω, valve
// 0.5 to 1.5 kΩ, water of 120 °F at the sink, at least 20 psi (common practice,
// no source).
func TestDishwasherFigures(t *testing.T) {
	k := kindNamed(t, "dishwasher")
	for _, d := range []done{
		off(ohm("heater", "", "conforms", 14.4)), off(ohm("heater", "", "conforms", 18)), off(ohm("heater", "", "low", 6)), off(ohm("heater", "", "high", 45)), openCircuit("heater", "", "open"),
		ohm("heater_to_case", "terminal_1", "conforms", 2e7), ohm("heater_to_case", "terminal_2", "between", 3e5), ohm("heater_to_case", "terminal_1", "grounded", 500),
		off(ohm("drain_pump", "", "conforms", 25)), off(ohm("drain_pump", "", "low", 6)), off(ohm("drain_pump", "", "high", 60)), openCircuit("drain_pump", "", "open"),
		off(ohm("inlet_coil", "", "conforms", 900)), off(ohm("inlet_coil", "", "low", 200)), off(ohm("inlet_coil", "", "high", 3000)),
		sinkWater("low", 104), sinkWater("conforms", 128), sinkWater("between_low", 120), pressure("low", 12), pressure("conforms", 45),
		tubSensor("conforms", 10_000), tubSensor("low", 6_000), tubSensor("high", 16_000), tubSensor("open", -1), tubSensor("short", 2),
	} {
		v := judgeKind(t, k, "dirty_dishes", d, tubSheet(t), "thermistor")[0]
		require.Equal(t, d.finding, v.Finding, "%s: %s", d.check, v.Sentence)
	}
	v := judgeKind(t, k, "dirty_dishes", tubSensor("", 10_000), nil, "thermistor")[0]
	require.Equal(t, "no_limit", v.Finding, "no curve stands in for the sheet's")
	require.Equal(t, "thermistor_curve", v.Missing)
	v = judgeKind(t, k, "dirty_dishes", ohm("heater_to_case", "terminal_1", "between", 3e5), nil)[0]
	require.Contains(t, v.Do, "Dry it", "a damp sheathed heater recovers")
}

func TestDirtyDishesCalls(t *testing.T) {
	s := tubSheet(t)
	has := []string{"thermistor", "heater_thermostat"}
	run, cold := func(finding string) done { return look("wash_run", finding) }, look("heat_run", "no_heat")
	clean, turns, hot := look("filter", "clean"), look("spray_arms", "clear"), sinkWater("conforms", 130)
	sound := off(ohm("heater", "", "conforms", 14.4))
	closed := off(ohm("heater_thermostat", "", "conforms", 0.1))
	low := look("fill_look", "low")
	requireCalls(t, kindNamed(t, "dishwasher"), "dirty_dishes", []kindCall{
		{name: "filter clogged", sheet: s, steps: []done{look("filter", "clogged")}, top: "filter_clogged"},
		{name: "filter torn", sheet: s, steps: []done{look("filter", "torn")}, top: "filter_open"},
		{name: "arms clogged", sheet: s, steps: []done{clean, look("spray_arms", "clogged")}, top: "arms_clogged"},
		{name: "arm broken", sheet: s, steps: []done{clean, look("spray_arms", "broken")}, top: "arm_broken"},
		{name: "cool water", sheet: s, steps: []done{clean, turns, sinkWater("low", 102)}, top: "water_cool"},
		{name: "pressure", sheet: s, steps: []done{hot, low, pressure("low", 12)}, top: "supply_pressure_low"},
		{name: "screen", sheet: s, steps: []done{hot, low, pressure("conforms", 50), look("inlet_screen", "silted")}, top: "inlet_screen_blocked"},
		{name: "valve open", sheet: s, steps: []done{look("fill_look", "none"), openCircuit("inlet_coil", "", "open")}, top: "inlet_coil_open"},
		{name: "valve off its value", sheet: s, steps: []done{low, off(ohm("inlet_coil", "", "low", 150))}, top: "inlet_coil_off"},
		{name: "wash pump", sheet: s, steps: []done{clean, run("hums"), look("wash_pump", "worn")}, top: "wash_pump_worn"},
		{name: "motor open", sheet: s, steps: []done{run("silent"), look("fill_look", "right"), openCircuit("wash_motor", "", "open")}, top: "wash_motor_open"},
		{name: "motor low", sheet: s, steps: []done{run("hums"), look("wash_pump", "sound"), off(ohm("wash_motor", "", "low", 2))}, top: "wash_motor_shorted"},
		{name: "three-phase motor", sheet: s, has: []string{"inverter"}, steps: []done{run("hums"), look("wash_pump", "sound"), threePhase("unequal", 8, 8, 4, -1, 2)}, top: "wash_motor_shorted"},
		{name: "motor grounded", sheet: s, steps: []done{run("silent"), ohm("wash_motor_to_case", "", "grounded", 400)}, top: "wash_motor_grounded"},
		{name: "heater open", sheet: s, has: has, steps: []done{hot, cold, openCircuit("heater", "", "open")}, top: "heater_open"},
		{name: "heater high", sheet: s, has: has, steps: []done{hot, cold, off(ohm("heater", "", "high", 48))}, top: "heater_high"},
		{name: "thermostat open", sheet: s, has: has, steps: []done{hot, cold, sound, openCircuit("heater_thermostat", "", "open")}, top: "heater_thermostat_open"},
		{name: "thermostat burnt", sheet: s, has: has, steps: []done{hot, cold, sound, off(ohm("heater_thermostat", "", "high", 60))}, top: "heater_thermostat_contact"},
		{name: "sensor low", sheet: s, has: has, steps: []done{hot, cold, sound, closed, tubSensor("low", 5_000)}, top: "thermistor_low"},
		{name: "sensor short", sheet: s, has: has, steps: []done{hot, cold, sound, tubSensor("short", 2)}, top: "thermistor_short"},
		{name: "control", sheet: s, has: has, steps: []done{hot, cold, pressure("conforms", 50), sound, closed, tubSensor("conforms", 10_000), number("heater_feed", "voltage", "low", 2, "V")}, top: "control_no_heat"},
		{name: "dispenser", sheet: s, steps: []done{look("dispenser", "stuck")}, top: "dispenser_stuck"},
		{name: "old detergent", sheet: s, steps: []done{clean, turns, hot, look("detergent", "wrong")}, top: "detergent_wrong"},
		{name: "packed", sheet: s, steps: []done{clean, look("spray_arms", "stopped_by_load"), look("detergent", "packed")}, top: "loaded_wrong"},
		{name: "nothing wrong", sheet: s, has: has, steps: []done{clean, turns, hot, look("detergent", "right"), look("dispenser", "opens"), run("strong"), look("fill_look", "right"), look("heat_run", "heats"), look("wash_pump", "sound"), look("inlet_screen", "clean"), pressure("conforms", 50), sound, closed, tubSensor("conforms", 10_000), off(ohm("inlet_coil", "", "conforms", 900))}, top: "no_fault"},
	})
}

func TestDishwasherDoesNotDrainCalls(t *testing.T) {
	has := []string{"air_gap", "disposer"}
	run := func(finding string) done { return look("drain_run", finding) }
	clean, empty, gap := look("filter", "clean"), look("sump", "clear"), look("air_gap", "clear")
	requireCalls(t, kindNamed(t, "dishwasher"), "does_not_drain", []kindCall{
		{name: "filter", has: has, steps: []done{run("weak"), look("filter", "clogged")}, top: "filter_clogged"},
		{name: "air gap", has: has, steps: []done{run("air_gap_spills"), look("air_gap", "clogged")}, top: "air_gap_clogged"},
		{name: "plug", has: has, steps: []done{run("weak"), gap, look("disposer_inlet", "plug")}, top: "knock_out_in"},
		{name: "sump", has: has, steps: []done{run("weak"), clean, look("sump", "blocked")}, top: "sump_blocked"},
		{name: "pump jammed", has: has, steps: []done{run("hums"), empty, look("drain_impeller", "jammed")}, top: "drain_pump_jammed"},
		{name: "pump open", has: has, steps: []done{run("silent"), openCircuit("drain_pump", "", "open")}, top: "drain_pump_open"},
		{name: "pump off its value", has: has, steps: []done{run("hums"), empty, off(ohm("drain_pump", "", "low", 5))}, top: "drain_pump_off"},
		{name: "hose", has: has, steps: []done{run("weak"), clean, look("drain_hose", "kinked")}, top: "drain_hose_kinked"},
		{name: "no loop", has: has, steps: []done{run("runs_back"), look("drain_hose", "no_loop")}, top: "high_loop_missing"},
		{name: "door seal", has: has, steps: []done{run("drains"), look("base_look", "front")}, top: "door_seal_leaks"},
		{name: "pump seal", has: has, steps: []done{run("drains"), look("base_look", "below_pump")}, top: "pump_seal_leaks"},
		{name: "float", has: has, steps: []done{run("drains"), look("base_look", "dry"), look("float", "stuck")}, top: "float_stuck"},
		{name: "control", has: has, steps: []done{run("silent"), off(ohm("drain_pump", "", "conforms", 25)), look("drain_pump_current", "none")}, top: "control_no_drain"},
		{name: "nothing wrong", has: has, steps: []done{run("drains"), clean, gap, empty, look("drain_hose", "right"), look("base_look", "dry"), look("float", "free"), look("disposer_inlet", "open"), look("drain_impeller", "free")}, top: "no_fault"},
	})
}

// What the wet kinds have in common: no power on a wet floor, nothing goes back
// before it has been looked at for drips and ground, a device found bypassed
// stops the machine.
func TestWetKindsAreSafe(t *testing.T) {
	for _, id := range []string{"washer", "dishwasher"} {
		k := kindNamed(t, id)
		for i := range k.Complaints {
			by := map[string]bool{}
			for _, c := range k.Complaints[i].Closing {
				for _, check := range c.AnyOf {
					by[check] = true
				}
			}
			for _, check := range []string{"drip_check", "frame_ground", "safety_devices"} {
				require.True(t, by[check], "%s %s closes with %s", id, k.Complaints[i].ID, check)
			}
			a := assessKind(t, k, k.Complaints[i].ID, kindCall{steps: []done{look("safety_devices", "bypassed")}})
			require.Contains(t, a.Stop, "Do not run the machine")
		}
		for i := range k.Checks {
			if k.Checks[i].State == catalogue.LiveOpen {
				require.Contains(t, k.Checks[i].Cautions, "Never alone, never on a wet floor.", k.Checks[i].ID)
			}
		}
	}
}
