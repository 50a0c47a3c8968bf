package diagnosis_test

import (
	"time"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// The small machine the rules are tested on. Its figures are those of the
// trade (common practice, no source) so that the tests do not move when the
// built-in catalogue is reworded.

func num(x float64) *float64 { return &x }

func degF(f float64) float64 { return (f + 459.67) * 5 / 9 }

func says(part, outcome, fault string) catalogue.Says {
	return catalogue.Says{Part: part, Outcome: outcome, Fault: fault}
}

type weights = map[string]float64

func finding(id string, w weights, otherwise float64, v ...catalogue.Says) catalogue.Finding {
	return catalogue.Finding{ID: id, Verdicts: v, Weights: w, Otherwise: otherwise,
		Sentence: "Measured {value}, limit {limit} ({origin}).", Do: "Ask a second person.", Mark: catalogue.CommonPractice}
}

func unsettled(id string, parts ...string) catalogue.Finding {
	f := catalogue.Finding{ID: id, Sentence: "Measured {value}, limit {limit} ({origin})."}
	for _, p := range parts {
		f.Verdicts = append(f.Verdicts, says(p, "inconclusive", ""))
	}
	return f
}

func quantity(id, q string, units ...string) catalogue.Input {
	return catalogue.Input{ID: id, Name: id, Quantity: q, Units: units}
}

func must(in catalogue.Input) catalogue.Input {
	in.Required = true
	return in
}

func many(in catalogue.Input) catalogue.Input {
	in.Many = true
	return in
}

func over(in catalogue.Input) catalogue.Input {
	in.OverRange = true
	return in
}

func choices(id string, ids ...string) catalogue.Input {
	in := catalogue.Input{ID: id, Name: id}
	for _, c := range ids {
		in.Choices = append(in.Choices, catalogue.Choice{ID: c, Name: c})
	}
	return in
}

func ohms() catalogue.Input {
	return must(over(quantity("resistance", "resistance", "Ohm", "kOhm", "MOhm")))
}

func temperature(id string) catalogue.Input {
	return quantity(id, "temperature", "[degF]", "Cel", "K")
}

// smallKind is a fresh copy for every caller.
func smallKind() *catalogue.Kind {
	return &catalogue.Kind{
		ID: "dryer", Name: "Dryer", Version: 1,
		Parameters: []catalogue.Parameter{
			{ID: "rating", Name: "Thermostat rating", Form: "value", Quantity: "temperature", Units: []string{"[degF]"}, Where: "tech sheet in the console"},
			{ID: "limit_rating", Name: "High limit rating", Form: "value", Quantity: "temperature", Units: []string{"[degF]"}},
			{ID: "bias", Name: "Bias heater resistance", Form: "band", Quantity: "resistance", Units: []string{"Ohm"}},
			{ID: "curve", Name: "Thermistor curve", Form: "curve", Quantity: "resistance", Units: []string{"Ohm"}},
		},
		Parts: []catalogue.Part{
			{ID: "duct", Name: "Exhaust duct", Role: catalogue.Airway},
			{ID: "blower", Name: "Blower wheel"},
			{ID: "thermostat", Name: "Cycling thermostat"},
			{ID: "coil", Name: "Heating coil"},
			{ID: "relay", Name: "Heat relay"},
			{ID: "bias", Name: "Bias heater", Has: "bias_heater"},
			{ID: "thermistor", Name: "Thermistor", Has: "thermistor"},
			{ID: "limit", Name: "High limit", Role: catalogue.SecondBarrier},
			{ID: "use", Name: "Use", Role: catalogue.Use},
		},
		Faults: []catalogue.Fault{
			{ID: "duct_blocked", Part: "duct", Name: "Duct restricted", Fix: "clean_duct"},
			{ID: "blower_slips", Part: "blower", Name: "Blower wheel slips", Fix: "replace"},
			{ID: "thermostat_late", Part: "thermostat", Name: "Thermostat opens late", Fix: "replace"},
			{ID: "thermostat_early", Part: "thermostat", Name: "Thermostat opens early", Fix: "replace"},
			{ID: "coil_grounded", Part: "coil", Name: "Coil grounded", Fix: "replace"},
			{ID: "relay_welded", Part: "relay", Name: "Relay contact welded", Fix: "replace"},
			{ID: "bias_open", Part: "bias", Name: "Bias heater open", Fix: "replace"},
			{ID: "bias_low", Part: "bias", Name: "Bias heater low", Fix: "replace"},
			{ID: "thermistor_high", Part: "thermistor", Name: "Thermistor reads high", Fix: "replace"},
			{ID: "limit_late", Part: "limit", Name: "High limit opens late", Fix: "replace"},
			{ID: "limit_bypassed", Part: "limit", Name: "High limit bypassed", Fix: "replace"},
			{ID: "no_fault", Part: "use", Name: "No fault found"},
		},
		Actions: []catalogue.Action{
			{ID: "move_out", Name: "Machine pulled out", Touches: []string{"duct"}, Destroys: []string{"not_moved"}},
			{ID: "clean_duct", Name: "Duct cleaned", Touches: []string{"duct"}},
			{ID: "replace", Name: "Part replaced", Touches: []string{"chosen"}},
			{ID: "rebuild", Name: "Rebuilt", Touches: []string{"all"}},
		},
		Complaints: []catalogue.Complaint{smallComplaint()},
		Checks:     append(airChecks(), partChecks()...),
	}
}

// smallComplaint has the chances of the first cause of "runs too hot" of the
// trade (common practice, no source), the smaller ones left out.
func smallComplaint() catalogue.Complaint {
	yes, no, barrier := catalogue.ExplainsYes, catalogue.ExplainsNo, catalogue.ExplainsBarrier
	return catalogue.Complaint{ID: "too_hot", Name: "Runs too hot",
		Triage: []catalogue.Question{{ID: "onset", Ask: "Sudden?", Answers: []catalogue.Answer{
			{ID: "sudden", Weights: weights{"thermostat_late": 2, "coil_grounded": 2, "duct_blocked": 0.5}},
			{ID: "slow", Weights: weights{"duct_blocked": 2}}}}},
		Causes: []catalogue.Cause{
			{Fault: "duct_blocked", Prior: 0.42, Explains: yes},
			{Fault: "thermostat_late", Prior: 0.09, Explains: yes},
			{Fault: "thermostat_early", Prior: 0.01, Explains: no},
			{Fault: "blower_slips", Prior: 0.06, Explains: yes},
			{Fault: "thermistor_high", Prior: 0.06, Explains: yes},
			{Fault: "coil_grounded", Prior: 0.06, Explains: yes},
			{Fault: "relay_welded", Prior: 0.03, Explains: yes},
			{Fault: "bias_open", Prior: 0.02, Explains: yes},
			{Fault: "bias_low", Prior: 0.01, Explains: no},
			{Fault: "no_fault", Prior: 0.03, Explains: yes},
			{Fault: "limit_late", Prior: 0.04, Explains: barrier},
			{Fault: "limit_bypassed", Prior: 0.02, Explains: barrier},
		},
		Closing: []catalogue.Closing{
			{ID: "run", Text: "A run on HIGH within limits", AnyOf: []string{"run"}},
			{ID: "bias", Text: "Bias heater measured", AnyOf: []string{"bias"}, Has: "bias_heater"},
			{ID: "duct_on", Text: "Machine in place, duct on", Statement: "duct_on"},
		}}
}

func airChecks() []catalogue.Check {
	return []catalogue.Check{
		{ID: "hood", Name: "Hood", Parts: []string{"duct"}, State: catalogue.RunningClosed, Minutes: 4, Rule: "range", Needs: []string{"not_moved"},
			Inputs: []catalogue.Input{must(quantity("velocity", "speed", "[ft_i]/min", "m/s"))},
			Limits: []catalogue.Limit{{ID: "velocity", Input: "velocity", Low: num(1200), Unit: "[ft_i]/min", Mark: catalogue.CommonPractice}},
			Findings: []catalogue.Finding{
				finding("conforms", weights{"duct_blocked": 0.1, "blower_slips": 0.15}, 0.85, says("duct", "conforms", "")),
				finding("low", weights{"duct_blocked": 0.7, "blower_slips": 0.6}, 0.05, says("duct", "does_not_conform", "duct_blocked")),
				unsettled("between_low", "duct")}},
		{ID: "air_only", Name: "Air-only run", Parts: []string{"coil", "relay"}, State: catalogue.RunningClosed, Minutes: 5, Rule: "air_only",
			Inputs: []catalogue.Input{must(temperature("start_temperature")), must(temperature("end_temperature")), must(quantity("minutes", "time", "min", "s")),
				quantity("leg_1_current", "current", "A"), quantity("leg_2_current", "current", "A"), must(choices("already_warm", "yes", "no"))},
			Findings: []catalogue.Finding{
				finding("no_heat", weights{"coil_grounded": 0.1, "relay_welded": 0.05}, 0.95, says("relay", "conforms", "")),
				finding("heats", weights{"coil_grounded": 0.5, "relay_welded": 0.9}, 0.02, says("relay", "inconclusive", "")),
				finding("unequal_legs", weights{"coil_grounded": 0.4, "relay_welded": 0.05}, 0.02, says("coil", "does_not_conform", "coil_grounded")),
				unsettled("between", "coil", "relay")}},
		runCheck(),
		{ID: "duct_off", Name: "Duct off", Parts: []string{"duct"}, State: catalogue.RunningClosed, Electric: true, Minutes: 6, Rule: "duct_ratio", Destroys: []string{"not_moved"},
			Inputs: []catalogue.Input{quantity("velocity_on", "speed", "[ft_i]/min"), quantity("velocity_off", "speed", "[ft_i]/min"), choices("cycling", "normal_now", "same")},
			Findings: []catalogue.Finding{
				finding("duct_clear", weights{"duct_blocked": 0.05}, 0.9, says("duct", "conforms", "")),
				finding("duct_restricted", weights{"duct_blocked": 0.9}, 0.05, says("duct", "does_not_conform", "duct_blocked")),
				unsettled("between", "duct")}},
		{ID: "low_cycle", Name: "Low setting", Parts: []string{"bias"}, State: catalogue.RunningClosed, Has: "bias_heater", Minutes: 6, Rule: "low_setting",
			Inputs: []catalogue.Input{must(many(temperature("off_temperature_high"))), must(many(temperature("off_temperature_low")))},
			Findings: []catalogue.Finding{
				finding("lower", weights{"bias_open": 0.05}, 0.9, says("bias", "conforms", "")),
				finding("same", weights{"bias_open": 0.9}, 0.1, says("bias", "inconclusive", "")),
				unsettled("between", "bias")}},
	}
}

func runCheck() catalogue.Check {
	return catalogue.Check{ID: "run", Name: "As-found run", Parts: []string{"thermostat", "duct"}, State: catalogue.RunningClosed, Minutes: 12, Rule: "run", Needs: []string{"not_moved"},
		Inputs: []catalogue.Input{many(temperature("off_temperature")), many(temperature("on_temperature")),
			many(quantity("heating_time", "time", "s", "min")), many(quantity("rest_time", "time", "s", "min")),
			must(choices("setting", "high", "medium", "low")), must(choices("load", "empty", "dry", "wet")), quantity("current", "current", "A")},
		Series: &catalogue.SeriesForm{Quantity: "temperature", Units: []string{"[degF]", "Cel", "K"}},
		Findings: []catalogue.Finding{
			finding("normal", weights{"duct_blocked": 0.1, "thermostat_late": 0.05, "blower_slips": 0.1, "thermistor_high": 0.1}, 0.7, says("thermostat", "conforms", "")),
			finding("cycles_high_limit", weights{"duct_blocked": 0.6, "blower_slips": 0.6}, 0.03, says("duct", "inconclusive", "")),
			finding("off_high", weights{"thermostat_late": 0.6, "thermistor_high": 0.7, "bias_open": 0.1}, 0.03, says("thermostat", "does_not_conform", "thermostat_late")),
			finding("off_low", weights{}, 0, says("thermostat", "does_not_conform", "thermostat_early")),
			finding("no_cycling", weights{"thermostat_late": 0.3, "relay_welded": 0.7}, 0.02, says("thermostat", "inconclusive", "")),
			unsettled("reads_low", "thermostat"), unsettled("too_short", "thermostat"), unsettled("wet_load", "thermostat"), unsettled("between", "thermostat")}}
}

func partChecks() []catalogue.Check {
	no := false
	rangeFindings := func(part, low, high string, w weights) []catalogue.Finding {
		return []catalogue.Finding{
			finding("conforms", w, 0.95, says(part, "conforms", "")),
			finding("low", nil, 0, says(part, "does_not_conform", low)),
			finding("high", weights{high: 0.3}, 0.01, says(part, "does_not_conform", high)),
			finding("open", weights{high: 0.6}, 0.01, says(part, "does_not_conform", high)),
			unsettled("between_low", part), unsettled("between_high", part), unsettled("no_limit", part)}
	}
	opening := func(part, late, early string) []catalogue.Finding {
		return []catalogue.Finding{
			finding("conforms", weights{late: 0.05}, 0.9, says(part, "conforms", "")),
			finding("early", nil, 0, says(part, "does_not_conform", early)),
			finding("late", weights{late: 0.5}, 0.02, says(part, "does_not_conform", late)),
			finding("never", weights{late: 0.4}, 0.01, says(part, "does_not_conform", late)),
			finding("open_cold", nil, 0, says(part, "does_not_conform", early)),
			unsettled("too_fast", part), unsettled("no_limit", part), unsettled("between", part)}
	}
	warmUp := []catalogue.Input{temperature("last_closed"), temperature("first_open"), quantity("minutes", "time", "min", "s"), choices("recloses", "yes", "no", "not_tried")}
	return []catalogue.Check{
		{ID: "coil", Name: "Coil to case", Parts: []string{"coil"}, State: catalogue.Isolated, Minutes: 6, Rule: "insulation",
			Positions: []catalogue.Position{{ID: "terminal_1", Name: "Terminal 1"}, {ID: "terminal_2", Name: "Terminal 2"}, {ID: "terminal_3", Has: "dual_coil"}},
			Inputs:    []catalogue.Input{ohms(), must(choices("wires_off", "yes", "no"))},
			Findings: []catalogue.Finding{
				finding("conforms", weights{"coil_grounded": 0.1}, 0.99, says("coil", "conforms", "")),
				finding("grounded", weights{"coil_grounded": 0.8}, 0.005, says("coil", "does_not_conform", "coil_grounded")),
				unsettled("between", "coil"), unsettled("wires_on", "coil")}},
		{ID: "relay", Name: "Heat relay", Parts: []string{"relay"}, State: catalogue.Isolated, Minutes: 5, Rule: "relay",
			Inputs: []catalogue.Input{ohms(), must(choices("wires_off", "yes", "no"))},
			Findings: []catalogue.Finding{
				finding("open_at_rest", weights{"relay_welded": 0.2}, 0.98, says("relay", "conforms", "")),
				finding("closed_at_rest", weights{"relay_welded": 0.8}, 0.01, says("relay", "does_not_conform", "relay_welded")),
				unsettled("wires_on", "relay")}},
		{ID: "blower", Name: "Blower wheel", Parts: []string{"blower"}, State: catalogue.Isolated, Minutes: 8, Rule: "choice",
			Inputs: []catalogue.Input{must(choices("result", "sound", "slips"))},
			Findings: []catalogue.Finding{
				finding("sound", weights{"blower_slips": 0.15}, 0.97, says("blower", "conforms", "")),
				finding("slips", weights{"blower_slips": 0.85}, 0.01, says("blower", "does_not_conform", "blower_slips"))}},
		{ID: "stamp", Name: "Thermostat stamp", Parts: []string{"thermostat"}, State: catalogue.Isolated, Minutes: 4, Rule: "stamp",
			Inputs:   []catalogue.Input{must(temperature("rating"))},
			Limits:   []catalogue.Limit{{ID: "rating", Input: "rating", Parameter: "rating", Indispensable: true, Unit: "[degF]"}},
			Findings: []catalogue.Finding{finding("matches", nil, 0, says("thermostat", "inconclusive", "")), finding("differs", nil, 0, says("thermostat", "does_not_conform", "thermostat_late")), unsettled("no_limit", "thermostat")}},
		{ID: "bias", Name: "Bias heater", Parts: []string{"bias"}, State: catalogue.Isolated, Has: "bias_heater", Minutes: 3, Rule: "range",
			Inputs:   []catalogue.Input{ohms(), must(choices("wires_off", "yes", "no"))},
			Limits:   []catalogue.Limit{{ID: "resistance", Input: "resistance", Parameter: "bias", Indispensable: true, RelativeTolerance: num(0.2), Unit: "Ohm"}},
			Findings: rangeFindings("bias", "bias_low", "bias_open", weights{"bias_open": 0.05})},
		{ID: "thermistor", Name: "Thermistor", Parts: []string{"thermistor"}, State: catalogue.Isolated, Has: "thermistor", Minutes: 5, Rule: "thermistor",
			Inputs: []catalogue.Input{ohms(), must(temperature("temperature"))},
			Limits: []catalogue.Limit{{ID: "curve", Input: "resistance", Parameter: "curve", Indispensable: true, Unit: "Ohm"}},
			Findings: append(rangeFindings("thermistor", "", "thermistor_high", weights{"thermistor_high": 0.1})[:4],
				finding("short", nil, 0, says("thermistor", "does_not_conform", "")), unsettled("between", "thermistor"), unsettled("no_limit", "thermistor"))},
		{ID: "closed", Name: "High limit closed", Parts: []string{"limit"}, State: catalogue.Isolated, Minutes: 4, Rule: "range",
			Inputs: []catalogue.Input{ohms(), must(choices("wires_off", "yes", "no"))},
			Limits: []catalogue.Limit{{ID: "closed", Input: "resistance", High: num(0.5), Unit: "Ohm", Mark: catalogue.CommonPractice}},
			Findings: []catalogue.Finding{finding("conforms", nil, 0, says("limit", "conforms", "")), finding("high", nil, 0, says("limit", "does_not_conform", "")),
				finding("open", nil, 0, says("limit", "does_not_conform", "")), unsettled("between_high", "limit")}},
		{ID: "bypass", Name: "Safety devices", Parts: []string{"limit"}, State: catalogue.Isolated, Minutes: 2, Rule: "choice",
			Inputs: []catalogue.Input{must(choices("result", "in_place", "bypassed"))},
			Findings: []catalogue.Finding{finding("in_place", weights{"limit_bypassed": 0.02}, 0.99, says("limit", "conforms", "")),
				finding("bypassed", weights{"limit_bypassed": 0.98}, 0.01, says("limit", "does_not_conform", "limit_bypassed"))}},
		{ID: "warm_up", Name: "Thermostat warm-up", Parts: []string{"thermostat"}, State: catalogue.Isolated, Minutes: 15, Rule: "opening",
			Positions: []catalogue.Position{{ID: "heat_pair", Name: "Heat pair"}, {ID: "timer_pair", Name: "Timer pair", ClosedCold: &no, Has: "change_over"}},
			Inputs:    warmUp, Series: &catalogue.SeriesForm{Quantity: "temperature", Units: []string{"[degF]", "Cel", "K"}, Closed: true},
			Limits:   []catalogue.Limit{{ID: "opening", Input: "first_open", Parameter: "rating", Indispensable: true, Tolerance: num(10), Unit: "[degF]"}},
			Findings: opening("thermostat", "thermostat_late", "thermostat_early")},
		{ID: "limit_warm_up", Name: "High limit warm-up", Parts: []string{"limit"}, State: catalogue.Isolated, Minutes: 20, Rule: "opening",
			Inputs: warmUp, Series: &catalogue.SeriesForm{Quantity: "temperature", Units: []string{"[degF]", "Cel", "K"}, Closed: true},
			Limits:   []catalogue.Limit{{ID: "opening", Input: "first_open", Parameter: "limit_rating", Indispensable: true, Tolerance: num(15), Unit: "[degF]"}},
			Findings: opening("limit", "limit_late", "")},
		{ID: "supply", Name: "Supply under load", State: catalogue.LiveOpen, Competence: "live", Minutes: 5, Rule: "range",
			Inputs:   []catalogue.Input{must(quantity("volts", "voltage", "V"))},
			Limits:   []catalogue.Limit{{ID: "volts", Input: "volts", Low: num(216), High: num(264), Unit: "V"}},
			Findings: rangeFindings("coil", "", "", nil)},
	}
}

// everything is a unit with every feature of the small machine but the
// change-over thermostat.
func everything() diagnosis.Unit {
	return diagnosis.Unit{Kind: "dryer", Has: map[string]bool{"bias_heater": true, "thermistor": true}}
}

func at(minute int) time.Time {
	return time.Date(2030, 3, 4, 9, 0, 0, 0, time.UTC).Add(time.Duration(minute) * time.Minute)
}

func value(si float64, unit string) []diagnosis.Value {
	return []diagnosis.Value{{SI: si, Unit: unit}}
}

func chosen(id string) []diagnosis.Value { return []diagnosis.Value{{Choice: id}} }

func fahrenheits(fs ...float64) []diagnosis.Value {
	var out []diagnosis.Value
	for _, f := range fs {
		out = append(out, diagnosis.Value{SI: degF(f), Unit: "[degF]"})
	}
	return out
}

func seconds(ss ...float64) []diagnosis.Value {
	var out []diagnosis.Value
	for _, s := range ss {
		out = append(out, diagnosis.Value{SI: s, Unit: "s"})
	}
	return out
}

type values = map[string][]diagnosis.Value

// goodMeter is an ohm-meter of ±(0.5 % + 2 counts of 1 Ω).
func goodMeter() *diagnosis.Instrument {
	return &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 1}
}

// goodBead is a thermometer of ±1 K.
func goodBead() *diagnosis.Instrument {
	return &diagnosis.Instrument{Method: "bead", Counts: 10, Resolution: 0.1}
}
