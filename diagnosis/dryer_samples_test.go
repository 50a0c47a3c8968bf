package diagnosis_test

import "drumline/diagnosis"

// closedContact is a contact that must be closed, at each of its findings.
func closedContact(check string) []any {
	return []any{contact(ohm(check, "", "conforms", 0.15)), contact(ohm(check, "", "high", 9)), openCircuit(check, "", "open"),
		ohm(check, "", "between_high", contactEdge[check]), wired(check, "", 0.2)}
}

// contactEdge is a reading on the limit of a contact, ohm, the leads' 0.1 Ω
// with it.
var contactEdge = map[string]float64{"motor_fuse": 0.6, "door_switch": 1.1, "belt_switch": 1.1, "start_switch": 1.1, "radiant_sensor": 0.6}

// toCase is an insulation check at one position, at each of its findings.
func toCase(check, position string) []any {
	return []any{openCircuit(check, position, "conforms"), ohm(check, position, "grounded", 12), ohm(check, position, "between", 2e5), wired(check, position, 40)}
}

// clipped is a reading of one voltage.
func clipped(check, finding string, volts float64) done {
	return done{check: check, finding: finding, values: values{"volts": value(volts, "V")},
		instrument: &diagnosis.Instrument{Method: "meter", Percent: 1, Counts: 3, Resolution: 0.1}}
}

// legsRead is the supply read at the block.
func legsRead(finding string, line, one, two float64) done {
	return done{check: "supply_legs", finding: finding, values: values{"line_to_line": value(line, "V"), "line_1_to_neutral": value(one, "V"), "line_2_to_neutral": value(two, "V")}}
}

func spun(finding string, wet, dry float64) done {
	return done{check: "wet_load", finding: finding, values: values{"wet_weight": value(wet, "kg"), "dry_weight": value(dry, "kg")},
		instrument: &diagnosis.Instrument{Counts: 1, Resolution: 0.05}}
}

// otherSamples is the checks of the complaints beside running too hot.
func otherSamples() []any {
	var out []any
	for _, c := range []string{"motor_fuse", "door_switch", "belt_switch", "start_switch"} {
		out = append(out, closedContact(c)...)
	}
	out = append(out, toCase("cord_to_case", "line_1")...)
	out = append(out, toCase("motor_to_case", "")...)
	out = append(out, toCase("harness_to_case", "")...)
	drop := legsRead("drop", 190, 104, 104)
	drop.values["line_to_line_no_load"] = value(240, "V")
	winding := func(finding string, x float64) done { return contact(ohm("motor_windings", "main", finding, x)) }
	whole := func(finding string, x float64) done { return contact(ohm("coil_whole", "coil", finding, x)) }
	return append(out, drop, legsRead("conforms", 239, 119, 120), legsRead("high", 290, 120, 120), legsRead("low", 1, 120, 0.5),
		legsRead("back_fed", 0.4, 120, 119.6), legsRead("between_low", 180, 110, 110), legsRead("between_high", 264, 120, 120),
		spun("conforms", 5, 3.2), spun("high", 7, 3.2), spun("between_high", 5.76, 3.2),
		winding("conforms", 2.4), winding("low", 0.7), winding("high", 19), openCircuit("motor_windings", "main", "open"),
		winding("between_low", 1.6), winding("between_high", 3.6), wired("motor_windings", "main", 2.4),
		whole("conforms", 10), whole("low", 5), whole("high", 19), openCircuit("coil_whole", "coil", "open"), whole("between_low", 8.1),
		whole("between_high", 12.1), wired("coil_whole", "coil", 9), contact(ohm("coil_whole", "coil_2", "no_limit", 20)).on(dryer("dual_coil")),
		clipped("centrifugal_running", "conforms", 0.4), clipped("centrifugal_running", "high", 119), clipped("centrifugal_running", "between_high", 5),
		clipped("relay_running", "conforms", 0.4), clipped("relay_running", "high", 119), clipped("relay_running", "between_high", 5),
		clipped("control_output", "conforms", 119), clipped("control_output", "low", 2), clipped("control_output", "between_low", 100))
}
