package diagnosis_test

import "drumline/diagnosis"

// pairCalls is machines with two things wrong: two faults together in 15 to
// 20 of 100 (common practice, no source).
func pairCalls() []call {
	return append(coilPairs(), otherPairs()...)
}

func coilPairs() []call {
	return []call{
		{name: "grounded_coil_and_blocked_run", unit: dryer(), top: "coil_grounded", carries: "coil_to_case", flip: "air_only_run", pair: []string{"coil_grounded", "run_restricted"}, stop: true,
			triage: map[string]string{"dry_time": "grown", "heat_on_air_only": "yes"},
			why:    "Heat on air-only and ohms to the case are the coil; the weak air before it is not, and lint fills the elbow: both are mended, the coil first.",
			steps: []any{look("hood_look", "weak_flow"), collar(1.02, "high"), look("lint_screen", "clean"), warmCold("heats", 71, 116),
				ohm("coil_to_case", "terminal_1", "grounded", 5), look("duct_and_box", "elbow_or_run_full")}},
		{name: "grounded_coil_and_slipping_blower", unit: rated(5600, 240), top: "coil_grounded", carries: "coil_to_case", flip: "air_only_run", pair: []string{"coil_grounded", "blower_slips"}, stop: true,
			triage: map[string]string{"dry_time": "grown", "heat_on_air_only": "yes"},
			why:    "A coil sags where the air that cools it fails: it touches the case, and the wheel before it turns on its shaft.",
			steps: []any{look("hood_look", "weak_flow"), collar(0.12, "conforms"), look("lint_screen", "clean"), warmCold("heats", 68, 119),
				contact(ohm("coil_to_case", "terminal_1", "grounded", 3.8)), look("blower_wheel", "slips")}},
		{name: "welded_relay_and_blocked_hood", unit: dryer("thermistor"), top: "relay_welded", carries: "heat_relay", flip: "air_only_run", pair: []string{"relay_welded", "hood_blocked"}, stop: true,
			triage: map[string]string{"heat_on_air_only": "yes", "dry_time": "grown"},
			why:    "The nest in the hood is seen and makes the pressure, but it cannot make heat on air-only: that is the welded contact.",
			steps: []any{look("hood_look", "blocked"), look("lint_screen", "clean"), collar(1.31, "high"), warmCold("heats", 70, 128),
				openCircuit("coil_to_case", "terminal_1", "conforms"), contact(ohm("heat_relay", "", "closed_at_rest", 0.4))}},
		{name: "wrong_coil_and_crushed_duct", unit: rated(5600, 240), top: "coil_wrong", carries: "heater_current", flip: "coil_ends", pair: []string{"coil_wrong", "transition_crushed"},
			triage: map[string]string{"worked_on": "part_fitted", "dry_time": "grown"},
			why:    "Whoever fitted the coil pushed the machine back onto its duct: the coil takes a third too much, and the crushed piece is seen.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 70, 73), starvedRun(), collar(1.08, "high"),
				ductOff("normal_now", "duct_restricted"), diagnosis.Done{Action: "move_out"}, look("duct_and_box", "transition_crushed"),
				contact(ohm("coil_ends", "coil", "low", 7.5)), heaterLoad("high", 30.6, 239)}},
	}
}

// starvedRun is a run on the high limit.
func starvedRun() done {
	return highRun("cycles_high_limit", []float64{122, 123, 122}, []float64{108, 109, 108}, 110, 50, 47)
}

func otherPairs() []call {
	return []call{
		{name: "thermistor_plug_and_blocked_run", unit: dryer("thermistor"), top: "run_restricted", carries: "duct_and_box", pair: []string{"run_restricted", "thermistor_connection"},
			triage: map[string]string{"worked_on": "part_fitted", "dry_time": "grown"},
			why:    "The blocked run makes it cycle on the high limit and hides the sensor; green in the plug and too many ohms at the board alone are seen all the same.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 70, 73), starvedRun(), collar(0.97, "high"),
				ratio("duct_restricted", 700, 1480), diagnosis.Done{Action: "move_out"}, look("duct_and_box", "elbow_or_run_full"),
				look("thermistor_seat", "plug_corroded"), ntc("at_part", "conforms", 11900, 70), ntc("at_board_plug", "high", 17100, 70)}},
		{name: "wrong_coil_and_slipping_blower", unit: rated(5600, 240), top: "coil_wrong", carries: "heater_current", flip: "air_only_run", pair: []string{"coil_wrong", "blower_slips"},
			triage: map[string]string{"worked_on": "part_fitted", "dry_time": "grown"},
			why:    "The last coil burnt out for want of air and the new one is made for fewer volts: it takes a third too much, and the wheel slips as before.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 67, 70), starvedRun(), collar(0.13, "conforms"),
				ductOff("same", "duct_clear"), look("blower_wheel", "slips"), contact(ohm("coil_ends", "coil", "low", 7.4)), heaterLoad("high", 31.2, 240)}},
	}
}
