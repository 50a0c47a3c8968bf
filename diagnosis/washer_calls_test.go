package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

const inchMetre, psiPascal = 0.0254, 6894.757293168

// number is one value of one input, with nothing known of the instrument.
func number(check, input, finding string, si float64, unit string) done {
	return done{check: check, finding: finding, values: values{input: value(si, unit)}}
}

func lift(finding string, inches float64) done {
	return number("standpipe_lift", "height", finding, inches*inchMetre, "[in_i]")
}

func pressure(finding string, psi float64) done {
	return number("water_pressure", "pressure", finding, psi*psiPascal, "[psi]")
}

// The figures of the washer are common practice, no source: lift 30 to 96 in,
// pump 5 to 25 Ω, lock 0.5 to 1.5 kΩ (PTC) or 50 to 150 Ω (solenoid), inlet
// coil 0.5 to 1.5 kΩ, at least 20 psi.
func TestWasherFigures(t *testing.T) {
	k := kindNamed(t, "washer")
	for _, d := range []done{
		lift("low", 24), lift("conforms", 42), lift("high", 102), lift("between_low", 30), lift("between_high", 96),
		off(ohm("pump_coil", "", "conforms", 14)), off(ohm("pump_coil", "", "low", 3)), off(ohm("pump_coil", "", "high", 40)), openCircuit("pump_coil", "", "open"),
		off(ohm("lock_coil", "solenoid", "conforms", 80)), off(ohm("lock_coil", "solenoid", "low", 30)), off(ohm("lock_coil", "solenoid", "high", 400)),
		off(ohm("inlet_coil", "hot", "conforms", 900)), off(ohm("inlet_coil", "cold", "low", 200)), off(ohm("inlet_coil", "cold", "high", 3000)), openCircuit("inlet_coil", "cold", "open"),
		pressure("low", 12), pressure("conforms", 45), pressure("between_low", 20.1),
	} {
		v := judgeKind(t, k, "does_not_drain", d, nil, "door_lock")[0]
		require.Equal(t, d.finding, v.Finding, "%s: %s", d.check, v.Sentence)
	}
	for _, d := range []done{off(ohm("lock_coil", "ptc", "conforms", 900)), off(ohm("lock_coil", "ptc", "low", 80)), off(ohm("lock_coil", "ptc", "high", 5000))} {
		v := judgeKind(t, k, "does_not_spin", d, nil, "door_lock", "ptc_lock")[0]
		require.Equal(t, d.finding, v.Finding, v.Sentence)
	}
	sheet := diagnosis.Sheet{"pump_resistance": {Low: num(28), High: num(34), Unit: "Ohm", Origin: "tech sheet", Confirmed: true}}
	require.Equal(t, "conforms", judgeKind(t, k, "does_not_drain", off(ohm("pump_coil", "", "", 31)), sheet)[0].Finding, "the sheet wins")
}

// The bus of a motor control is measured after the wait; below 30 V it is safe
// (common practice, no source). A wait of less than 5 minutes is refused.
func TestBusAfterTheWait(t *testing.T) {
	bus := func(finding string, volts, minutes float64) done {
		return done{check: "dc_bus", finding: finding, values: values{"voltage": value(volts, "V"), "minutes": value(minutes*60, "min")}}
	}
	for _, kind := range []string{"washer", "dishwasher"} {
		k := kindNamed(t, kind)
		for _, d := range []done{bus("conforms", 4, 10), bus("high", 310, 10), bus("between_high", 30, 10)} {
			require.Equal(t, d.finding, judgeKind(t, k, k.Complaints[0].ID, d, nil, "inverter")[0].Finding)
		}
		for _, d := range []done{bus("", 4, 2), bus("", -310, 10)} {
			_, err := diagnosis.Judge(k, k.Complaints[0].ID, d.with(nil), nil, diagnosis.Unit{Kind: kind, Has: map[string]bool{"inverter": true}})
			require.ErrorAs(t, err, new(*diagnosis.InputError))
		}
		a := assessKind(t, k, k.Complaints[0].ID, kindCall{has: []string{"inverter"}, steps: []done{bus("high", 310, 10)}})
		require.Contains(t, a.Stop, "Do not run the machine")
	}
}

func TestWasherDoesNotDrainCalls(t *testing.T) {
	run := func(finding string) done { return look("drain_run", finding) }
	clean, hose := look("trap", "clean"), look("drain_hose", "clear")
	sound := off(ohm("pump_coil", "", "conforms", 14))
	lid, lock := []string{"belt"}, []string{"door_lock"}
	requireCalls(t, kindNamed(t, "washer"), "does_not_drain", []kindCall{
		{name: "coins", steps: []done{run("hums"), look("trap", "full")}, top: "trap_blocked"},
		{name: "sock", steps: []done{run("weak"), hose, clean, look("sump_hose", "object")}, top: "sock_in_hose"},
		{name: "pump seized", steps: []done{run("hums"), clean, look("pump_impeller", "jammed")}, top: "pump_seized"},
		{name: "impeller loose", steps: []done{run("hums"), clean, look("pump_impeller", "loose")}, top: "pump_impeller"},
		{name: "pump open", steps: []done{run("silent"), openCircuit("pump_coil", "", "open")}, top: "pump_open"},
		{name: "pump low", steps: []done{run("hums"), clean, off(ohm("pump_coil", "", "low", 2.5))}, top: "pump_shorted"},
		{name: "pump high", steps: []done{run("weak"), hose, clean, off(ohm("pump_coil", "", "high", 60))}, top: "pump_weak"},
		{name: "hose kinked", steps: []done{run("weak"), look("drain_hose", "kinked")}, top: "drain_hose_kinked"},
		{name: "house drain", steps: []done{run("backs_up"), look("drain_hose", "standing_water")}, top: "house_drain_blocked"},
		{name: "standpipe too high", steps: []done{run("weak"), hose, lift("high", 110)}, top: "standpipe_high"},
		{name: "control", has: lid, steps: []done{run("silent"), sound, look("level_switch", "changes"), off(ohm("lid_switch", "", "conforms", 0.1)), look("strike", "whole"), look("pump_current", "none")}, top: "control_no_drain"},
		{name: "level switch", has: lid, steps: []done{run("silent"), sound, look("level_switch", "stuck")}, top: "level_switch_stuck"},
		{name: "lid switch", has: lid, steps: []done{run("silent"), sound, look("strike", "whole"), openCircuit("lid_switch", "", "open")}, top: "lid_switch_open"},
		{name: "strike", has: lid, steps: []done{run("silent"), sound, look("strike", "broken")}, top: "strike_broken"},
		{name: "lock open", has: lock, steps: []done{run("silent"), look("lock_run", "no_click"), openCircuit("lock_coil", "solenoid", "open")}, top: "lock_open"},
		{name: "lock jams", has: lock, steps: []done{run("silent"), sound, look("lock_run", "not_held"), look("strike", "whole"), off(ohm("lock_coil", "solenoid", "conforms", 80))}, top: "lock_jams"},
	})
}

func TestWasherDoesNotSpinCalls(t *testing.T) {
	run := func(finding string) done { return look("spin_run", finding) }
	firm := look("feet", "firm")
	free := look("motor_turns", "free")
	fair := look("load_look", "fair")
	lock, belt := []string{"door_lock", "belt"}, []string{"belt"}
	motor := []string{"belt", "run_capacitor"}
	electronic := []string{"door_lock", "belt", "inverter", "speed_sensor"}
	locks := look("lock_run", "locks")
	main := func(finding string, x float64) done { return contact(ohm("motor_ends", "main", finding, x)) }
	requireCalls(t, kindNamed(t, "washer"), "does_not_spin", []kindCall{
		{name: "lid switch", has: belt, steps: []done{run("silent"), openCircuit("lid_switch", "", "open"), look("strike", "whole")}, top: "lid_switch_open"},
		{name: "lid contact", has: belt, steps: []done{run("silent"), off(ohm("lid_switch", "", "high", 40))}, top: "lid_switch_contact"},
		{name: "lock open", has: lock, steps: []done{run("silent"), openCircuit("lock_coil", "solenoid", "open")}, top: "lock_open"},
		{name: "lock low", has: lock, steps: []done{run("silent"), off(ohm("lock_coil", "solenoid", "low", 12))}, top: "lock_shorted"},
		{name: "lock high", has: lock, steps: []done{look("lock_run", "not_held"), off(ohm("lock_coil", "solenoid", "high", 900))}, top: "lock_weak"},
		{name: "lock jams", has: lock, steps: []done{run("silent"), look("lock_run", "not_held"), look("strike", "whole")}, top: "lock_jams"},
		{name: "strike", has: lock, steps: []done{run("silent"), look("strike", "broken")}, top: "strike_broken"},
		{name: "one heavy piece", has: belt, steps: []done{look("load_look", "one_piece"), run("spins")}, top: "load_unbalanced"},
		{name: "packed full", has: belt, steps: []done{look("load_look", "too_big"), run("spins")}, top: "load_too_big"},
		{name: "suds", has: belt, steps: []done{look("load_look", "suds"), run("spins")}, top: "suds_lock"},
		{name: "rocks", has: belt, steps: []done{run("bangs"), look("feet", "rocks"), look("suspension", "settles")}, top: "not_level"},
		{name: "damper", has: belt, steps: []done{run("bangs"), firm, look("suspension", "swings")}, top: "suspension_worn"},
		{name: "belt", has: belt, steps: []done{run("motor_only"), look("drive_look", "belt_off")}, top: "belt_off"},
		{name: "coupling", has: []string{"coupling", "clutch"}, steps: []done{run("motor_only"), look("drive_look", "coupling_broken")}, top: "coupling_broken"},
		{name: "clutch", has: []string{"coupling", "clutch"}, steps: []done{run("slow"), look("drive_look", "clutch_worn")}, top: "clutch_slips"},
		{name: "winding open", has: belt, steps: []done{run("hums"), free, openCircuit("motor_ends", "main", "open")}, top: "motor_open"},
		{name: "winding low", has: belt, steps: []done{run("hums"), free, main("low", 0.6)}, top: "motor_shorted"},
		{name: "grounded", has: belt, steps: []done{run("silent"), ohm("motor_to_case", "", "grounded", 300)}, top: "motor_grounded"},
		{name: "seized", has: belt, steps: []done{run("hums"), look("motor_turns", "seized")}, top: "motor_seized"},
		{name: "capacitor weak", has: motor, steps: []done{run("hums"), free, capacity("run", "low", 30, 45, 0, 2)}, top: "capacitor_low"},
		{name: "capacitor open", has: motor, steps: []done{run("hums"), free, capacity("run", "open", 0.4, 45, 0, 2)}, top: "capacitor_open"},
		{name: "capacitor short", has: motor, steps: []done{run("hums"), free, capacity("run", "short", -1, 45, 0, 2)}, top: "capacitor_short"},
		{name: "capacitor of another size", has: motor, steps: []done{run("hums"), free, capacity("run", "high", 60, 45, 0, 2)}, top: "capacitor_wrong"},
		{name: "control", has: belt, steps: []done{run("silent"), off(ohm("lid_switch", "", "conforms", 0.1)), look("strike", "whole"), main("conforms", 2.4), look("drain_run", "drains"), look("motor_current", "none")}, top: "control_no_spin"},
		{name: "motor control", has: electronic, steps: []done{run("silent"), locks, threePhase("conforms", 9, 9, 9, 1e8, 3), look("motor_current", "none"), look("control_look", "motor_control_burnt")}, top: "motor_control_dead"},
		{name: "motor control fed and dead", has: electronic, steps: []done{run("silent"), locks, look("motor_current", "none"), look("motor_control_feed", "dead")}, top: "motor_control_dead"},
		{name: "motor control not fed", has: electronic, steps: []done{run("silent"), locks, off(ohm("lock_coil", "solenoid", "conforms", 80)), look("motor_current", "none"), look("motor_control_feed", "not_fed")}, top: "control_no_spin"},
		{name: "no count", has: electronic, steps: []done{run("starts_stops"), look("speed_sensor", "no_count")}, top: "speed_sensor_silent"},
		{name: "count drops out", has: electronic, steps: []done{run("starts_stops"), look("speed_sensor", "jumps")}, top: "speed_sensor_plug"},
		{name: "water still in", has: belt, steps: []done{run("silent"), look("water_look", "stands")}, top: "water_left"},
		{name: "nothing wrong", has: belt, steps: []done{run("spins"), look("water_look", "gone"), fair, firm, look("suspension", "settles"), off(ohm("lid_switch", "", "conforms", 0.1)), look("drive_look", "sound"), look("drain_run", "drains")}, top: "no_fault"},
	})
}

func TestWasherFillsSlowlyCalls(t *testing.T) {
	run := func(finding string) done { return look("fill_run", finding) }
	open, clean, strong := look("taps_and_hoses", "open"), look("inlet_screens", "clean"), pressure("conforms", 50)
	requireCalls(t, kindNamed(t, "washer"), "fills_slowly", []kindCall{
		{name: "screens", steps: []done{run("slow_one"), open, look("inlet_screens", "silted")}, top: "inlet_screens_blocked"},
		{name: "pressure", steps: []done{run("slow_both"), open, pressure("low", 11)}, top: "supply_pressure_low"},
		{name: "tap", steps: []done{run("slow_one"), look("taps_and_hoses", "half_shut")}, top: "tap_shut"},
		{name: "hose", steps: []done{run("slow_one"), look("taps_and_hoses", "hose_kinked")}, top: "inlet_hose_kinked"},
		{name: "valve sticks", steps: []done{run("slow_both"), open, strong, clean, look("valve_stream", "thin")}, top: "inlet_valve_weak"},
		{name: "coil open", steps: []done{run("silent"), openCircuit("inlet_coil", "cold", "open")}, top: "inlet_coil_open"},
		{name: "coil low", steps: []done{run("silent"), off(ohm("inlet_coil", "cold", "low", 150))}, top: "inlet_coil_low"},
		{name: "coil high", steps: []done{run("hums"), open, clean, off(ohm("inlet_coil", "cold", "high", 4000))}, top: "inlet_coil_high"},
		{name: "level switch", steps: []done{run("stops_early"), look("level_switch", "stuck")}, top: "level_switch_stuck"},
		{name: "air tube", steps: []done{run("stops_early"), look("level_switch", "tube_blocked")}, top: "air_tube_blocked"},
		{name: "siphon", steps: []done{run("runs_away"), lift("low", 20)}, top: "standpipe_low"},
		{name: "control", steps: []done{run("silent"), off(ohm("inlet_coil", "cold", "conforms", 900)), off(ohm("inlet_coil", "hot", "conforms", 900)), number("valve_feed", "voltage", "low", 3, "V")}, top: "control_no_fill"},
	})
}
