package diagnosis_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

const waterInch = 249.08891 // Pa

// glow is the time from the first glow to the opening of the sensor.
func glow(finding string, s float64) done {
	return fresh("sensor_time", "", finding, nil, values{"glow": seconds(s)})
}

// manifold is the manifold pressure on natural gas or LP, in w.g.
func manifold(position, finding string, inches float64) done {
	return fresh("manifold_pressure", position, finding, &diagnosis.Instrument{Method: "manometer", Percent: 1, Counts: 1, Resolution: 2.5},
		values{"pressure": value(inches*waterInch, "[in_i'H2O]")})
}

func monoxide(finding string, ppm float64) done {
	return fresh("co_reading", "", finding, nil, values{"co": value(ppm*1e-6, "[ppm]")})
}

// coilPins is a coil of the valve, by a meter good to a few tenths of an ohm.
func coilPins(position, finding string, x float64) done {
	d := ohm("valve_coils", position, finding, x)
	d.instrument = &diagnosis.Instrument{Method: "meter", Percent: 0.2, Counts: 2, Resolution: 1}
	return d
}

// atBurner is a run noted by hand with one temperature and a look at the
// burner.
func atBurner(finding string, f, heating float64, burner string) done {
	v := values{"off_temperature": fahrenheits(f), "burner": chosen(burner)}
	if heating > 0 {
		v["heating_time"] = seconds(heating)
	}
	return runOf(finding, "empty", v)
}

// Igniter 50 to 400 Ω cold; radiant sensor closed below 0.5 Ω, open after 15 to
// 90 s of glow; coils 1,365 ± 25, 560 ± 25 and 1,220 ± 50 Ω; manifold 3.5 in
// w.g. on natural gas and 10 to 11 on LP (common practice, no source).
func TestGasDryerFigures(t *testing.T) {
	k := kindNamed(t, "gas_dryer")
	for _, d := range []done{
		ohm("igniter", "", "conforms", 60), ohm("igniter", "", "conforms", 380), ohm("igniter", "", "low", 20), ohm("igniter", "", "high", 900),
		openCircuit("igniter", "", "open"), wired("igniter", "", 120),
		contact(ohm("radiant_sensor", "", "conforms", 0.15)), contact(ohm("radiant_sensor", "", "high", 4)), openCircuit("radiant_sensor", "", "open"),
		glow("conforms", 40), glow("low", 6), glow("high", 120), glow("between_low", 15), glow("between_high", 90),
		coilPins("pins_1_2", "conforms", 1365), coilPins("pins_1_2", "low", 1200), coilPins("pins_1_2", "high", 1500), coilPins("pins_1_2", "between_low", 1340),
		coilPins("pins_1_3", "conforms", 560), coilPins("pins_1_3", "low", 500), coilPins("pins_1_3", "high", 620),
		coilPins("pins_4_5", "conforms", 1220), coilPins("pins_4_5", "low", 1100), coilPins("pins_4_5", "high", 1330), openCircuit("valve_coils", "pins_4_5", "open"),
		manifold("natural", "conforms", 3.5), manifold("natural", "low", 2.4), manifold("natural", "high", 5), manifold("natural", "between_high", 3.8),
		monoxide("conforms", 2), monoxide("high", 40), monoxide("between_high", 9),
	} {
		v := judgeKind(t, k, "no_heat", d, nil)[0]
		require.Equal(t, d.finding, v.Finding, "%s %s: %s", d.check, d.position, v.Sentence)
	}
	for _, d := range []done{manifold("lp", "conforms", 10.5), manifold("lp", "low", 8), manifold("lp", "high", 13)} {
		require.Equal(t, d.finding, judgeKind(t, k, "no_heat", d, nil, "lp_gas")[0].Finding)
	}
	sheet := diagnosis.Sheet{
		"valve_coil_1_2_resistance": {Low: num(1200), High: num(1260), Unit: "Ohm", Origin: "tech sheet", Confirmed: true},
		"manifold_pressure":         {Low: num(4.8 * waterInch), High: num(5.2 * waterInch), Unit: "[in_i'H2O]", Origin: "nameplate", Confirmed: true},
	}
	require.Equal(t, "conforms", judgeKind(t, k, "no_heat", coilPins("pins_1_2", "", 1230), sheet)[0].Finding, "the sheet wins")
	require.Equal(t, "conforms", judgeKind(t, k, "no_heat", manifold("natural", "", 5), sheet)[0].Finding, "the nameplate wins")
}

// On a gas machine no current tells whether the heat is on: the look at the
// burner does.
func TestGasRunIsJudgedByTheBurner(t *testing.T) {
	k := kindNamed(t, "gas_dryer")
	late := lateRun()
	late.values["burner"] = chosen("out")
	for _, d := range []done{atBurner("no_cycling", 205, 0, "lit"), atBurner("off_high", 205, 0, "out"), atBurner("reads_low", 120, 780, "lit"), late} {
		v := judgeKind(t, k, "runs_too_hot", d, nil)[0]
		require.Equal(t, d.finding, v.Finding, v.Sentence)
	}
	c, _ := k.Check("as_found_run")
	_, ok := c.Input("current")
	require.False(t, ok)
}

func TestGasNoHeatCalls(t *testing.T) {
	watch := func(finding string) done { return look("burner_watch", finding) }
	open := look("gas_cock", "open")
	igniter := ohm("igniter", "", "conforms", 120)
	sensor := contact(ohm("radiant_sensor", "", "conforms", 0.1))
	fuse, limit := contact(ohm("cut_off", "", "conforms", 0.1)), contact(ohm("high_limit", "", "conforms", 0.1))
	coils := []done{coilPins("pins_1_2", "conforms", 1365), coilPins("pins_1_3", "conforms", 560), coilPins("pins_4_5", "conforms", 1220)}
	set := look("setting_look", "heat_called")
	dark := []done{set, watch("no_glow"), igniter, sensor, fuse, limit, contact(ohm("cycling_thermostat_closed", "", "conforms", 0.1))}
	then := func(before []done, after ...done) []done { return append(append([]done{}, before...), after...) }
	ntc, s := []string{"thermistor"}, diagnosis.Sheet{"thermistor_curve": {Curve: curve3977(t), Unit: "Ohm", Origin: "tech sheet, page 3", Confirmed: true}}
	warm := func(finding string, v diagnosis.Value) done {
		return fresh("thermistor", "at_part", finding, goodMeter(), values{"resistance": {v}, "temperature": fahrenheits(77)})
	}
	requireCalls(t, kindNamed(t, "gas_dryer"), "no_heat", []kindCall{
		{name: "igniter open", steps: []done{watch("no_glow"), openCircuit("igniter", "", "open")}, top: "igniter_open"},
		{name: "igniter weak", steps: []done{watch("stays_glowing"), ohm("igniter", "", "high", 900)}, top: "igniter_weak"},
		{name: "igniter low", steps: then(coils, watch("glow_no_flame"), open, ohm("igniter", "", "low", 15)), top: "igniter_low"},
		{name: "coil fails warm", steps: []done{watch("out_after_minutes")}, top: "valve_coil_weak"},
		{name: "coil open", steps: []done{watch("glow_no_flame"), openCircuit("valve_coils", "pins_1_3", "open")}, top: "valve_coil_open"},
		{name: "coil shorted", steps: []done{watch("glow_no_flame"), coilPins("pins_1_2", "low", 700)}, top: "valve_coil_shorted"},
		{name: "valve stuck shut", steps: then(coils, watch("glow_no_flame"), open, igniter, glow("conforms", 45), look("valve_opens", "no_flow")), top: "valve_stuck_shut"},
		{name: "cut-off blown", steps: []done{watch("no_glow"), openCircuit("cut_off", "", "open")}, top: "cut_off_blown"},
		{name: "limit open", steps: []done{watch("no_glow"), igniter, fuse, openCircuit("high_limit", "", "open")}, top: "high_limit_open"},
		{name: "thermostat open", steps: []done{watch("no_glow"), igniter, fuse, limit, openCircuit("cycling_thermostat_closed", "", "open")}, top: "cycling_thermostat_open"},
		{name: "sensor closed", steps: []done{watch("stays_glowing"), igniter}, top: "radiant_sensor_closed"},
		{name: "sensor open", steps: []done{watch("no_glow"), igniter, openCircuit("radiant_sensor", "", "open")}, top: "radiant_sensor_open"},
		{name: "sensor early", steps: []done{watch("glow_no_flame"), open, glow("low", 5)}, top: "radiant_sensor_early"},
		{name: "cock shut", steps: []done{watch("glow_no_flame"), look("gas_cock", "shut")}, top: "cock_shut"},
		{name: "tank empty", steps: []done{watch("glow_no_flame"), look("gas_cock", "no_gas")}, top: "gas_pressure_low"},
		{name: "relay", steps: then(dark, clipped("relay_running", "high", 119)), top: "relay_open"},
		{name: "motor switch", steps: then(dark, clipped("centrifugal_running", "high", 119)), top: "centrifugal_heat"},
		{name: "thermistor open", has: ntc, sheet: s, steps: []done{set, watch("no_glow"), igniter, fuse, warm("open", diagnosis.Value{Over: true, Unit: "kOhm"})}, top: "thermistor_open"},
		{name: "thermistor short", has: ntc, sheet: s, steps: []done{set, watch("no_glow"), igniter, fuse, warm("short", diagnosis.Value{SI: 3, Unit: "Ohm"})}, top: "thermistor_short"},
		{name: "air-only set", steps: []done{look("setting_look", "air_only"), watch("no_glow"), igniter, fuse}, top: "air_only_set"},
		{name: "run restricted", steps: []done{watch("out_early"), look("hood_look", "weak_flow"), collar(1.1, "high"), look("duct_and_box", "elbow_or_run_full")}, top: "run_restricted"},
		{name: "hood blocked", steps: []done{watch("out_early"), look("hood_look", "blocked")}, top: "hood_blocked"},
		{name: "duct crushed", steps: []done{watch("out_early"), look("hood_look", "weak_flow"), look("duct_and_box", "transition_crushed")}, top: "transition_crushed"},
	})
}

func TestGasTooHotCalls(t *testing.T) {
	out, blue := look("flame_out", "goes_out"), look("flame_look", "blue")
	full := look("hood_look", "full_flow")
	weak := look("hood_look", "weak_flow")
	clear := look("duct_and_box", "clear")
	sound := look("blower_wheel", "sound")
	screen := look("lint_screen", "clean")
	grip := look("drum_seals", "grip")
	ntc, s := []string{"thermistor"}, dryerSheet(t)
	biased := []string{"bias_heater", "low_setting"}
	bars := []string{"moisture_bars"}
	warm := func(finding string, v diagnosis.Value) done {
		return fresh("thermistor", "at_part", finding, goodMeter(), values{"resistance": {v}, "temperature": fahrenheits(77)})
	}
	stamp := func(finding string, f float64) done {
		return fresh("cycling_thermostat_stamp", "", finding, nil, values{"rating": fahrenheits(f)})
	}
	climbs := atBurner("no_cycling", 205, 0, "lit")
	low := collar(0.2, "conforms")
	requireCalls(t, kindNamed(t, "gas_dryer"), "runs_too_hot", []kindCall{
		{name: "run", steps: []done{weak, limitRun(), collar(1.1, "high"), look("duct_and_box", "elbow_or_run_full")}, top: "run_restricted"},
		{name: "transition", steps: []done{weak, limitRun(), collar(1.1, "high"), look("duct_and_box", "transition_crushed")}, top: "transition_crushed"},
		{name: "hood", steps: []done{look("hood_look", "blocked"), limitRun()}, top: "hood_blocked"},
		{name: "lint inside", steps: []done{weak, screen, limitRun(), low, look("duct_and_box", "lint_in_box")}, top: "lint_in_heater_box"},
		{name: "screen film", steps: []done{weak, look("lint_screen", "film"), limitRun(), low}, top: "screen_film"},
		{name: "lint on blower", steps: []done{weak, screen, limitRun(), low, look("blower_wheel", "lint_on_wheel")}, top: "lint_on_blower"},
		{name: "thermostat late", sheet: s, steps: []done{full, lateRun(), out, stamp("matches", 155)}, top: "cycling_thermostat_late"},
		{name: "thermostat never", sheet: s, steps: []done{full, climbs, out, stamp("matches", 155), openNever()}, top: "cycling_thermostat_never"},
		{name: "thermostat wrong", sheet: s, steps: []done{full, lateRun(), stamp("differs", 180)}, top: "cycling_thermostat_wrong"},
		{name: "drum seal", steps: []done{full, limitRun(), low, clear, sound, look("drum_seals", "gap")}, top: "drum_seal_leaks"},
		{name: "blower gasket", steps: []done{full, limitRun(), look("blower_wheel", "gasket_leaks")}, top: "blower_seal_leaks"},
		{name: "blower slips", steps: []done{weak, limitRun(), low, look("blower_wheel", "slips")}, top: "blower_slips"},
		{name: "thermistor high", has: ntc, sheet: s, steps: []done{full, lateRun(), warm("high", diagnosis.Value{SI: 16000, Unit: "kOhm"}), look("thermistor_seat", "in_place")}, top: "thermistor_high"},
		{name: "thermistor plug", has: ntc, sheet: s, steps: []done{full, lateRun(), look("thermistor_seat", "plug_corroded")}, top: "thermistor_connection"},
		{name: "thermistor out of place", has: ntc, sheet: s, steps: []done{full, lateRun(), look("thermistor_seat", "out_of_place")}, top: "thermistor_out_of_place"},
		{name: "thermistor open", has: ntc, sheet: s, steps: []done{full, climbs, warm("open", diagnosis.Value{Over: true, Unit: "kOhm"}), look("thermistor_seat", "in_place")}, top: "thermistor_open"},
		{name: "valve does not shut", steps: []done{climbs, look("flame_out", "burns_when_stopped")}, top: "valve_stuck_open"},
		{name: "orifice", steps: []done{full, limitRun(), look("flame_look", "roaring"), look("burner_orifice", "large")}, top: "orifice_large"},
		{name: "pressure", steps: []done{full, limitRun(), look("flame_look", "roaring"), manifold("natural", "high", 6)}, top: "manifold_high"},
		{name: "relay welded", steps: []done{climbs, look("flame_out", "burns_on_air_only"), ohm("heat_relay", "", "closed_at_rest", 0.5)}, top: "relay_welded"},
		{name: "selector", has: biased, sheet: s, steps: []done{full, goodRun(), lowCycle("same", 154), ohm("bias_heater", "", "conforms", 7000), out, grip, sound, stamp("matches", 155), clear}, top: "selector_stuck"},
		{name: "bias open", has: biased, sheet: s, steps: []done{full, goodRun(), lowCycle("same", 154), openCircuit("bias_heater", "", "open")}, top: "bias_heater_open"},
		{name: "bias high", has: biased, sheet: s, steps: []done{full, goodRun(), lowCycle("same", 154), ohm("bias_heater", "", "high", 12000)}, top: "bias_heater_high"},
		{name: "bars", has: bars, steps: []done{full, goodRun(), look("moisture_bars", "film")}, top: "bars_film"},
		{name: "belt off", steps: []done{full, goodRun(), look("drum_seals", "belt_off")}, top: "belt_broken"},
		{name: "habit", triage: map[string]string{"dry_early": "yes"}, steps: []done{full, screen, goodRun(), out, blue, grip, clear, sound, look("burner_orifice", "right")}, top: "overdry_habit"},
		{name: "nothing", triage: map[string]string{"dry_early": "no"}, steps: []done{full, screen, goodRun(), out, blue, grip, clear, sound, look("burner_orifice", "right")}, top: "no_fault"},
	})
}

// openNever is a thermostat that has not opened far above its rating.
func openNever() done {
	return fresh("cycling_thermostat_warm_up", "heat_pair", "never", goodBead(), values{"last_closed": fahrenheits(240), "minutes": seconds(600)})
}

func TestGasTakesTooLongCalls(t *testing.T) {
	full, weak := look("hood_look", "full_flow"), look("hood_look", "weak_flow")
	fair, dry := look("load_look", "right"), spun("conforms", 5, 3.2)
	burns, blue, screen := look("burner_watch", "burns"), look("flame_look", "blue"), look("lint_screen", "clean")
	lowOutlet := atBurner("reads_low", 120, 780, "lit")
	early := highRun("off_low", []float64{122, 123, 122}, []float64{104, 105, 104}, 300, 185, 180)
	low := collar(0.2, "conforms")
	ntc, s := []string{"thermistor"}, dryerSheet(t)
	requireCalls(t, kindNamed(t, "gas_dryer"), "takes_too_long", []kindCall{
		{name: "run", steps: []done{weak, limitRun(), collar(1.1, "high"), look("duct_and_box", "elbow_or_run_full")}, top: "run_restricted"},
		{name: "transition", steps: []done{weak, limitRun(), collar(1.1, "high"), look("duct_and_box", "transition_crushed")}, top: "transition_crushed"},
		{name: "hood", steps: []done{look("hood_look", "blocked"), limitRun()}, top: "hood_blocked"},
		{name: "overload", steps: []done{full, look("load_look", "overloaded"), goodRun(), dry}, top: "overload"},
		{name: "washer", steps: []done{full, fair, spun("high", 7, 3.2), goodRun()}, top: "washer_leaves_water"},
		{name: "lint on blower", steps: []done{weak, screen, low, look("blower_wheel", "lint_on_wheel")}, top: "lint_on_blower"},
		{name: "blower slips", steps: []done{weak, low, look("blower_wheel", "slips")}, top: "blower_slips"},
		{name: "screen film", steps: []done{weak, look("lint_screen", "film"), limitRun(), low}, top: "screen_film"},
		{name: "lint inside", steps: []done{weak, screen, limitRun(), low, look("duct_and_box", "lint_in_box")}, top: "lint_in_heater_box"},
		{name: "drum seal", steps: []done{full, low, burns, lowOutlet, blue, look("drum_seals", "gap"), look("duct_and_box", "clear")}, top: "drum_seal_leaks"},
		{name: "blower gasket", steps: []done{full, burns, lowOutlet, blue, look("blower_wheel", "gasket_leaks")}, top: "blower_seal_leaks"},
		{name: "coil fails warm", steps: []done{full, look("burner_watch", "out_after_minutes")}, top: "valve_coil_weak"},
		{name: "igniter weak", steps: []done{full, look("burner_watch", "stays_glowing"), ohm("igniter", "", "high", 800)}, top: "igniter_weak"},
		{name: "gas low", steps: []done{full, lowOutlet, look("flame_look", "small"), manifold("natural", "low", 2)}, top: "gas_pressure_low"},
		{name: "orifice small", steps: []done{full, lowOutlet, look("flame_look", "small"), manifold("natural", "conforms", 3.5), look("burner_orifice", "small")}, top: "orifice_small"},
		{name: "bars", has: []string{"moisture_bars"}, steps: []done{full, fair, dry, goodRun(), burns, look("moisture_bars", "film")}, top: "bars_film"},
		{name: "thermostat early", sheet: s, steps: []done{full, early}, top: "cycling_thermostat_early"},
		{name: "thermistor low", has: ntc, sheet: s, steps: []done{full, early, fresh("thermistor", "at_part", "low", goodMeter(), values{"resistance": value(6000, "kOhm"), "temperature": fahrenheits(77)})}, top: "thermistor_low"},
		{name: "bias low", has: []string{"bias_heater", "low_setting"}, sheet: s, steps: []done{full, fair, dry, goodRun(), burns, ohm("bias_heater", "", "low", 3000)}, top: "bias_heater_low"},
		{name: "limit early", sheet: s, steps: []done{full, fair, dry, screen, low, limitRun(), blue, look("blower_wheel", "sound"), look("drum_seals", "grip"), look("duct_and_box", "clear"),
			fresh("high_limit_warm_up", "", "early", goodBead(), values{"last_closed": fahrenheits(180), "first_open": fahrenheits(182), "minutes": seconds(600)})}, top: "high_limit_early"},
		{name: "thermostat pitted", steps: []done{full, fair, dry, goodRun(), contact(ohm("cycling_thermostat_closed", "", "high", 4))}, top: "cycling_thermostat_contact"},
		{name: "nothing", steps: []done{full, fair, dry, screen, goodRun(), burns, blue, low}, top: "no_fault"},
	})
}

// What makes gas work safe: the fitter's competence and caution on every check
// of a gas part, no run with the duct off, stop when gas or carbon monoxide
// goes where it must not, leak and carbon monoxide on record at closing.
func TestGasIsSafe(t *testing.T) {
	k := kindNamed(t, "gas_dryer")
	gas := map[string]bool{"igniter": true, "radiant_sensor": true, "valve_coils": true, "gas_valve": true, "gas_supply": true, "gas_line": true, "burner": true}
	for i := range k.Checks {
		c := &k.Checks[i]
		require.NotEqual(t, "duct_ratio", c.Rule, "no run with the duct off")
		onGas := false
		for _, p := range c.Parts {
			onGas = onGas || gas[p]
		}
		require.Equal(t, onGas, c.Gas, c.ID)
		if !onGas {
			continue
		}
		require.Equal(t, "gas", c.Competence, c.ID)
		require.Contains(t, c.Cautions, "Licensed fitter; the local code comes first.", c.ID)
		if c.State == catalogue.Isolated {
			require.Contains(t, strings.Join(c.Cautions, " "), "gas cock shut", c.ID)
		}
	}
	for i := range k.Complaints {
		cp := &k.Complaints[i]
		by := map[string]bool{}
		for _, cl := range cp.Closing {
			for _, check := range cl.AnyOf {
				by[check] = true
			}
		}
		for _, check := range []string{"leak_test", "co_reading", "safety_devices", "frame_ground", "as_found_run"} {
			require.True(t, by[check], "%s closes with %s", cp.ID, check)
		}
		for _, q := range []string{"gas_smell", "ill"} {
			x, ok := cp.Question(q)
			require.True(t, ok, "%s asks %s", cp.ID, q)
			yes, ok := x.Answer("yes")
			require.True(t, ok)
			require.Contains(t, yes.Advice, "Everyone out")
			require.Contains(t, yes.Advice, "from outside")
		}
	}
	for _, d := range []done{look("flame_out", "burns_when_stopped"), look("flame_look", "yellow"), look("flame_look", "roaring"), look("leak_test", "bubbles"),
		monoxide("high", 60), look("burner_orifice", "large"), manifold("natural", "high", 6), look("hood_look", "not_outdoors"), look("safety_devices", "cut_off_bypassed")} {
		a := assessKind(t, k, "runs_too_hot", kindCall{steps: []done{d}})
		require.Contains(t, a.Stop, "Do not run the machine", "%s %s", d.check, d.finding)
	}
}

// Chances of the first cause of no heat, in 100 (common practice, no source).
func TestGasPriorsByGroup(t *testing.T) {
	cp, _ := kindNamed(t, "gas_dryer").Complaint("no_heat")
	for _, group := range []struct {
		want   float64
		faults []string
	}{
		{30, []string{"igniter_open", "igniter_weak", "igniter_low"}},
		{30, []string{"valve_coil_weak", "valve_coil_open", "valve_coil_shorted", "valve_stuck_shut"}},
		{15, []string{"cut_off_blown", "high_limit_open", "cycling_thermostat_open"}},
		{8, []string{"radiant_sensor_closed", "radiant_sensor_open", "radiant_sensor_early"}},
		{5, []string{"cock_shut", "gas_pressure_low"}},
		{8, []string{"relay_open", "centrifugal_heat", "thermistor_open", "thermistor_short", "air_only_set"}},
		{4, []string{"run_restricted", "hood_blocked", "transition_crushed"}},
	} {
		sum := 0.0
		for _, f := range group.faults {
			cause, ok := cp.Cause(f)
			require.True(t, ok, f)
			sum += cause.Prior
		}
		require.InDelta(t, group.want, 100*sum, 1e-9, "%v", group.faults)
	}
}

// Where a finding leaves a part open it says what to do, and every fault
// belongs to a complaint.
func TestGasFindingsLeadOn(t *testing.T) {
	k := kindNamed(t, "gas_dryer")
	for i := range k.Checks {
		for _, f := range k.Checks[i].Findings {
			for _, v := range f.Verdicts {
				require.False(t, v.Outcome == "inconclusive" && f.Do == "", "%s %s", k.Checks[i].ID, f.ID)
			}
		}
	}
	for i := range k.Faults {
		tied := false
		for n := range k.Complaints {
			_, ok := k.Complaints[n].Cause(k.Faults[i].ID)
			tied = tied || ok
		}
		require.True(t, tied, k.Faults[i].ID)
	}
}

// A tech without the fitter's competence is offered no check of the gas side.
func TestGasChecksNeedTheCompetence(t *testing.T) {
	k := kindNamed(t, "gas_dryer")
	for _, may := range []bool{false, true} {
		a, err := diagnosis.Assess(k, diagnosis.Case{Complaint: "no_heat", Unit: diagnosis.Unit{Kind: k.ID, Gas: true}, Competences: map[string]bool{"gas": may}})
		require.NoError(t, err)
		require.NotEmpty(t, a.Next)
		offered := false
		for _, n := range a.Next {
			c, _ := k.Check(n.Check)
			offered = offered || c.Gas
		}
		require.Equal(t, may, offered)
	}
}
