package diagnosis_test

// controlCalls is every cause that lets the heat go on too long, alone.
func controlCalls() []call {
	return append(thermostatCalls(), thermistorCalls()...)
}

func thermostatCalls() []call {
	return []call{
		{name: "late_thermostat", unit: dryer(), top: "cycling_thermostat_late", carries: "cycling_thermostat_warm_up", flip: "cycling_thermostat_stamp",
			triage: map[string]string{"dry_time": "shorter", "scorch": "no"},
			why:    "Good air, no heat on air-only, off 30 °F too hot at each cycle, right stamp, and late on the bench too.",
			steps: []any{look("hood_look", "full_flow"), look("lint_screen", "clean"), warmCold("no_heat", 70, 74),
				highRun("off_high", []float64{181, 180, 182}, []float64{158, 157, 159}, 450, 215, 210),
				stamp(150, "matches"), bench("late", 178, 181, 12)}},
		{name: "welded_thermostat", unit: dryer(), top: "cycling_thermostat_never", carries: "cycling_thermostat_warm_up",
			triage: map[string]string{"onset": "suddenly", "dry_time": "shorter"},
			why:    "The outlet climbs with the current on, coil and relay are sound, and the contact is still closed far above its rating.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 72, 75, 5.2, 0.1), runaway(208, 23.4),
				stamp(150, "matches"), openCircuit("coil_to_case", "terminal_1", "conforms"), openCircuit("heat_relay", "", "open_at_rest"), bench("never", 236, 0, 10)}},
		{name: "wrong_thermostat", unit: dryer(), top: "cycling_thermostat_wrong", carries: "cycling_thermostat_stamp", flip: "cycling_thermostat_stamp",
			triage: map[string]string{"worked_on": "part_fitted", "dry_time": "shorter", "onset": "suddenly"},
			why:    "It began when a part was fitted, it goes off at what its stamp says, and the stamp is not the sheet's.",
			steps: []any{look("hood_look", "full_flow"), look("lint_screen", "clean"), warmCold("no_heat", 69, 72),
				highRun("off_high", []float64{191, 192, 191}, []float64{170, 171, 170}, 510, 240, 235), stamp(190, "differs")}},
		{name: "bias_heater_open", unit: dryer("bias_heater", "low_setting"), top: "bias_heater_open", carries: "bias_heater", flip: "bias_heater",
			triage: map[string]string{"setting": "low_only"},
			why:    "Only LOW is too hot and goes off like HIGH, and the small heater that should trip it sooner is open.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 70, 73, 5.0, 0.1), highRun("normal", []float64{151, 150, 152}, []float64{131, 130, 132}, 280, 175, 170),
				lowAndHigh("same", 149, 151), openCircuit("bias_heater", "", "open")}},
		{name: "bias_heater_high", unit: dryer("bias_heater", "low_setting"), top: "bias_heater_high", carries: "bias_heater", flip: "bias_heater",
			triage: map[string]string{"setting": "low_only"},
			why:    "LOW is only a little below HIGH, and the bias heater has half as many ohms again as the sheet allows.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 68, 71), highRun("normal", []float64{148, 149, 148}, []float64{127, 128, 128}, 270, 170, 165),
				lowAndHigh("same", 140, 148), ohm("bias_heater", "", "high", 14200)}},
		{name: "selector_stuck", unit: dryer("bias_heater", "low_setting"), top: "selector_stuck", carries: "bias_heater", flip: "air_only_run",
			triage: map[string]string{"setting": "low_only", "dry_time": "same"},
			why:    "LOW goes off like HIGH though the bias heater is sound, and nothing heats that should not: that leaves the selector.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 71, 74, 5.3, 0.1), highRun("normal", []float64{152, 152, 151}, []float64{133, 132, 132}, 275, 180, 175),
				lowAndHigh("same", 150, 152), ohm("bias_heater", "", "conforms", 7650)}},
	}
}

func thermistorCalls() []call {
	hot := func() done {
		return highRun("off_high", []float64{182, 184, 183}, []float64{166, 167, 166}, 460, 220, 212)
	}
	return []call{
		{name: "thermistor_high", unit: dryer("thermistor"), top: "thermistor_high", carries: "thermistor", flip: "thermistor_seat",
			triage: map[string]string{"dry_time": "shorter"},
			why:    "In its clip, and half as many ohms again as its curve at its own plug: the sensor itself.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 71, 74), hot(), look("thermistor_seat", "in_place"),
				ntc("at_part", "high", 17900, 70)}},
		{name: "thermistor_plug", unit: dryer("thermistor"), top: "thermistor_connection", carries: "thermistor_seat", flip: "thermistor_seat",
			triage: map[string]string{"worked_on": "part_fitted", "dry_time": "shorter"},
			why:    "Right at the sensor, too high at the board, green in the plug: the connection, not the sensor.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 70, 73), hot(), look("thermistor_seat", "plug_corroded"),
				ntc("at_part", "conforms", 11850, 70), ntc("at_board_plug", "high", 17300, 70)}},
		{name: "thermistor_loose", unit: dryer("thermistor"), top: "thermistor_out_of_place", carries: "thermistor_seat", flip: "thermistor_seat",
			triage: map[string]string{"worked_on": "part_fitted"},
			why:    "Its ohms are perfect and it hangs beside the air stream: the control is told of the cabinet, not of the air.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 66, 69), hot(), look("thermistor_seat", "out_of_place"),
				ntc("at_part", "conforms", 12050, 70)}},
		{name: "thermistor_open", unit: dryer("thermistor"), top: "thermistor_open", carries: "thermistor", flip: "air_only_run",
			triage: map[string]string{"onset": "suddenly"},
			why:    "The heat stays on though neither leg heats on air-only, and the sensor is open at its own plug.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 70, 74, 5.4, 0.1), runaway(194, 22.8), look("thermistor_seat", "in_place"),
				ntcOpen("at_part")}},
	}
}
