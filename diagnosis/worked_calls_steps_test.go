package diagnosis_test

import (
	"drumline/diagnosis"
)

// with is the bare reading, taken with an instrument.
func (d done) with(in *diagnosis.Instrument) diagnosis.Reading {
	return diagnosis.Reading{Check: d.check, Position: d.position, Values: d.values, Instrument: in}
}

func look(check, result string) done {
	return done{check: check, values: values{"result": chosen(result)}, finding: result}
}

func verify(d done) done {
	d.phase = diagnosis.Verification
	return d
}

func hood(fpm float64, finding string) done {
	return done{check: "hood", values: values{"velocity": value(fpm*0.00508, "[ft_i]/min")}, finding: finding,
		instrument: &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1}}
}

func coldRun(finding string, end float64) done {
	return done{check: "air_only_run", instrument: goodBead(), finding: finding, values: values{
		"start_temperature": fahrenheits(72), "end_temperature": fahrenheits(end), "minutes": seconds(300), "already_warm": chosen("no")}}
}

func highRun(finding string, off, on []float64, heat ...float64) done {
	return done{check: "as_found_run", instrument: goodBead(), finding: finding, values: values{
		"off_temperature": fahrenheits(off...), "on_temperature": fahrenheits(on...), "heating_time": seconds(heat...),
		"setting": chosen("high"), "load": chosen("empty")}}
}

func ohm(check, position, finding string, x float64) done {
	return done{check: check, position: position, finding: finding, instrument: goodMeter(),
		values: values{"resistance": value(x, "Ohm"), "wires_off": chosen("yes")}}
}

func openCircuit(check, position, finding string) done {
	return done{check: check, position: position, finding: finding, instrument: goodMeter(),
		values: values{"resistance": {{Over: true, Unit: "Ohm"}}, "wires_off": chosen("yes")}}
}

func goodRun() done {
	return highRun("normal", []float64{154, 155, 155}, []float64{135, 136, 135}, 290, 185, 180)
}

func limitRun() done {
	return highRun("cycles_high_limit", []float64{126, 127, 126}, []float64{112, 113, 112}, 110, 48, 45)
}

func lateRun() done {
	return highRun("off_high", []float64{184, 186, 185}, []float64{162, 163, 162}, 480, 230, 225)
}

// The steps as a tech enters them: inches of water, feet a minute, degrees
// Fahrenheit, each with the instrument's stated accuracy.

func collar(inches float64, finding string) done {
	return done{check: "collar_pressure", finding: finding, values: values{"pressure": value(inches*249.089, "[in_i'H2O]")},
		instrument: &diagnosis.Instrument{Method: "manometer", Percent: 1, Counts: 2, Resolution: 1}}
}

func ductOff(cycling, finding string) done {
	return done{check: "duct_off_run", finding: finding, values: values{"cycling": chosen(cycling)}}
}

func stamp(f float64, finding string) done {
	return done{check: "cycling_thermostat_stamp", values: values{"rating": fahrenheits(f)}, finding: finding}
}

// bench is a slow warm-up of the heat pair; open 0 is one that stayed closed.
func bench(finding string, closed, open, minutes float64) done {
	v := values{"last_closed": fahrenheits(closed), "minutes": seconds(minutes * 60)}
	if open > 0 {
		v["first_open"], v["recloses"] = fahrenheits(open), chosen("yes")
	}
	return done{check: "cycling_thermostat_warm_up", position: "heat_pair", instrument: goodBead(), finding: finding, values: v}
}

func ntc(position, finding string, ohms, f float64) done {
	return done{check: "thermistor", position: position, instrument: goodMeter(), finding: finding,
		values: values{"resistance": value(ohms, "kOhm"), "temperature": fahrenheits(f)}}
}

func ntcOpen(position string) done {
	return done{check: "thermistor", position: position, instrument: goodMeter(), finding: "open",
		values: values{"resistance": {{Over: true, Unit: "kOhm"}}, "temperature": fahrenheits(70)}}
}

func lowAndHigh(finding string, low, high float64) done {
	return done{check: "low_setting_cycle", finding: finding, instrument: goodBead(), values: values{
		"off_temperature_high": fahrenheits(high, high+1), "off_temperature_low": fahrenheits(low, low+1)}}
}

func clamp() *diagnosis.Instrument {
	return &diagnosis.Instrument{Method: "clamp", Percent: 1.5, Counts: 3, Resolution: 0.1}
}

// runaway is a run in which the heat never goes off, stopped by hand, with the
// clamp on one leg.
func runaway(f, amps float64) done {
	return done{check: "as_found_run", instrument: goodBead(), finding: "no_cycling", values: values{
		"off_temperature": fahrenheits(f), "current": value(amps, "A"), "setting": chosen("high"), "load": chosen("empty")}}
}

// coolOutlet is a run whose outlet stays low with the heat on for minutes.
func coolOutlet(f, minutes float64) done {
	return done{check: "as_found_run", instrument: goodBead(), finding: "reads_low", values: values{
		"off_temperature": fahrenheits(f), "heating_time": seconds(minutes * 60), "current": value(23.1, "A"), "setting": chosen("high"), "load": chosen("empty")}}
}

func warmCold(finding string, start, end float64, amps ...float64) done {
	d := done{check: "air_only_run", instrument: goodBead(), finding: finding, values: values{
		"start_temperature": fahrenheits(start), "end_temperature": fahrenheits(end), "minutes": seconds(300), "already_warm": chosen("no")}}
	if len(amps) == 2 {
		d.values["leg_1_current"], d.values["leg_2_current"] = value(amps[0], "A"), value(amps[1], "A")
	}
	return d
}

func heaterLoad(finding string, amps, volts float64) done {
	return done{check: "heater_current", finding: finding, instrument: clamp(),
		values: values{"current": value(amps, "A"), "volts": value(volts, "V")}}
}

// clamped is the reading with its currents' instrument stated instead.
func clamped(d done) done {
	d.instrument = clamp()
	return d
}
