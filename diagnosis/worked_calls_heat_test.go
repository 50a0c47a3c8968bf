package diagnosis_test

// heatCalls is the coil, the relay and how the machine is used, each alone.
func heatCalls() []call {
	return append(coilCalls(), useCalls()...)
}

func coilCalls() []call {
	spot := ohm("coil_to_case", "terminal_1", "grounded", 4.6)
	spot.values["other_terminal"], spot.values["end_to_end"] = value(7.1, "Ohm"), value(9.9, "Ohm")
	spot = contact(spot)
	return []call{
		{name: "grounded_coil", unit: rated(5600, 240), top: "coil_grounded", carries: "coil_to_case", stop: true,
			triage: map[string]string{"warm_when_off": "yes", "heat_on_air_only": "yes"},
			why:    "Heat on air-only and a few ohms to the case with the wires off: the coil has to go before the machine runs again.",
			steps:  []any{look("hood_look", "full_flow"), warmCold("heats", 70, 121), spot}},
		{name: "grounded_second_coil", unit: rated(5600, 240, "dual_coil"), top: "coil_grounded", carries: "coil_to_case", stop: true,
			triage: map[string]string{"onset": "suddenly", "warm_when_off": "no"},
			why:    "The leg that feeds no motor carries sixteen ampere on air-only, and even the far end of the sound coil shows 27 Ω to the case, through the terminal both share.",
			steps:  []any{look("hood_look", "full_flow"), clamped(warmCold("unequal_legs", 70, 92, 5.1, 16.2)), contact(ohm("coil_to_case", "terminal_1", "grounded", 27.4))}},
		{name: "wrong_coil", unit: rated(5600, 240), top: "coil_wrong", carries: "heater_current", flip: "heater_current",
			triage: map[string]string{"worked_on": "part_fitted", "dry_time": "shorter", "onset": "suddenly"},
			why:    "A coil was fitted lately, the air is good, and it takes a third more current than the nameplate allows: made for a lower voltage.",
			steps: []any{look("hood_look", "full_flow"), look("lint_screen", "clean"), warmCold("no_heat", 72, 75, 5.1, 0.1),
				highRun("cycles_high_limit", []float64{129, 130, 129}, []float64{113, 114, 113}, 112, 58, 55),
				heaterLoad("high", 31.4, 242)}},
		{name: "welded_relay", unit: dryer("thermistor"), top: "relay_welded", carries: "heat_relay", stop: true,
			triage: map[string]string{"heat_on_air_only": "yes", "onset": "suddenly"},
			why:    "Heat on air-only with a coil clear of the case, and the heat contact closed at rest: the contact is welded.",
			steps: []any{look("hood_look", "full_flow"), warmCold("heats", 69, 132), openCircuit("coil_to_case", "terminal_1", "conforms"),
				openCircuit("coil_to_case", "terminal_2", "conforms"), contact(ohm("heat_relay", "", "closed_at_rest", 0.35))}},
	}
}

func useCalls() []call {
	right := func() done {
		return highRun("normal", []float64{149, 150, 149}, []float64{130, 129, 130}, 285, 178, 172)
	}
	return []call{
		{name: "bars_to_look_at", unit: dryer("thermistor", "moisture_bars"), top: "bars_film", carries: "as_found_run", flip: "hood_look", next: "moisture_bars",
			triage: map[string]string{"stops_by_itself": "runs_on", "scorch": "no", "dry_time": "grown"},
			why:    "Strong air, a right run and a sensor cycle that does not end: the bars cost three minutes with the machine whole.",
			steps:  []any{look("hood_look", "full_flow"), look("lint_screen", "clean"), warmCold("no_heat", 70, 73), right()}},
		{name: "overdrying_habit", unit: dryer(), top: "overdry_habit", carries: "as_found_run", flip: "hood_look", next: "drum_seals",
			triage: map[string]string{"stops_by_itself": "runs_on", "setting": "high_only", "scorch": "no", "dry_time": "same"},
			why:    "All that can be told with the covers on is right: one look at the seals before the customer is told that it is the setting.",
			steps:  []any{look("hood_look", "full_flow"), look("lint_screen", "clean"), warmCold("no_heat", 70, 73, 5.0, 0.1), right(), collar(0.31, "conforms")}},
		{name: "nothing_wrong", unit: dryer(), top: "no_fault", carries: "as_found_run", flip: "air_only_run", next: "drum_seals",
			triage: map[string]string{"scorch": "no", "stops_by_itself": "yes"},
			why:    "Strong air, no heat on air-only, right off temperatures: one look at the seals is left before it is called sound.",
			steps:  []any{look("hood_look", "full_flow"), hood(1720, "conforms"), look("lint_screen", "clean"), warmCold("no_heat", 73, 76, 4.8, 0.1), right()}},
	}
}
