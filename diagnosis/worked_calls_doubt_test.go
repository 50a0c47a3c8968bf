package diagnosis_test

// doubtCalls is readings that do not fit the others: they are settled before
// any part is blamed.
func doubtCalls() []call {
	good := func() done {
		return highRun("normal", []float64{151, 152, 151}, []float64{131, 132, 131}, 280, 176, 171)
	}
	return append(wrongHoodCalls(), []call{
		{name: "warm_thermistor", unit: dryer("thermistor"), top: "thermistor_high", carries: "as_found_run", flip: "hood_look", doubt: "thermistor",
			why: "A sensor that reads too few ohms turns the heat off early, and this run was 30 °F late: it was still warm, so let it rest and read it again.",
			steps: []any{look("hood_look", "full_flow"), look("lint_screen", "clean"), warmCold("no_heat", 70, 73),
				highRun("off_high", []float64{183, 184, 183}, []float64{166, 167, 166}, 455, 218, 214), look("thermistor_seat", "in_place"), ntc("at_part", "low", 6300, 70)}},
		{name: "pressure_against_the_air", unit: dryer(), top: "no_fault", carries: "as_found_run", flip: "air_only_run", next: "duct_off_run",
			triage: map[string]string{"dry_time": "same"},
			why:    "Strong air and normal cycles hardly go with so much pressure: the run with the duct off settles which is right.",
			steps: []any{look("hood_look", "full_flow"), hood(1660, "conforms"), look("lint_screen", "clean"), warmCold("no_heat", 70, 74), good(),
				collar(1.15, "high")}},
		{name: "coil_against_the_run", unit: dryer(), top: "coil_grounded", carries: "coil_to_case", flip: "coil_to_case", next: "coil_to_case", stop: true,
			why: "A coil that touches the case should have heated on air-only: keep it off, and measure the other terminal before it is condemned.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 70, 73, 4.9, 0.1), good(), look("drum_seals", "grip"),
				ohm("coil_to_case", "terminal_1", "grounded", 18)}},
		{name: "meter_that_is_wrong", unit: dryer(), top: "coil_grounded", carries: "coil_to_case", flip: "coil_to_case", doubt: "heat_relay", meter: "meter 7", stop: true,
			why: "One meter finds the coil grounded and the contact welded, yet nothing heats on air-only and the run is right: the meter first.",
			steps: []any{look("hood_look", "full_flow"), warmCold("no_heat", 70, 73, 4.9, 0.1), good(),
				ohm("coil_to_case", "terminal_1", "grounded", 3).by("meter 7"), ohm("heat_relay", "", "closed_at_rest", 3).by("meter 7")}},
	}...)
}

// wrongHoodCalls is a visit on which the neighbour's hood was looked at.
func wrongHoodCalls() []call {
	steps := []any{look("hood_look", "blocked"), collar(0.21, "conforms"), look("lint_screen", "clean"), warmCold("no_heat", 69, 72),
		highRun("off_high", []float64{182, 181, 182}, []float64{160, 159, 160}, 440, 212, 208)}
	return []call{
		{name: "wrong_hood", unit: dryer(), top: "cycling_thermostat_late", carries: "as_found_run", flip: "collar_pressure", doubt: "hood_look",
			why:   "No pressure before a blocked hood and no cycling on the high limit: that was another hood, so look again.",
			steps: steps},
		{name: "right_hood", unit: dryer(), top: "cycling_thermostat_late", carries: "cycling_thermostat_warm_up", flip: "cycling_thermostat_stamp",
			why:   "The right hood is free, the heat goes off 30 °F late, and so does the thermostat on the bench.",
			steps: append(steps[:len(steps):len(steps)], look("hood_look", "full_flow"), stamp(150, "matches"), bench("late", 178, 180, 11))},
	}
}

// by is the reading with the instrument named.
func (d done) by(id string) done {
	in := *d.instrument
	in.ID = id
	d.instrument = &in
	return d
}
