package catalogue

// ruleForm is what a judging rule asks of a check: the inputs it reads, by
// quantity ("choice" for one to choose), and the findings it may give.
type ruleForm struct {
	inputs   map[string]string
	oneOf    map[string]string // of these it reads one or the other
	findings []string
	limited  bool // reads the check's first limit
}

// ruleForms are the judging rules of package diagnosis. What a range may give
// follows from its limits, and what a choice may give from its choices.
var ruleForms = map[string]ruleForm{
	"choice": {inputs: map[string]string{"result": "choice"}},
	"range":  {findings: []string{"conforms"}, limited: true},
	"coil": {
		inputs:   map[string]string{"resistance": "resistance", "wires_off": "choice"},
		findings: []string{"conforms", "low", "high", "open", "between_low", "between_high", "no_limit", "wires_on"},
		limited:  true,
	},
	"supply": {
		inputs: map[string]string{"line_to_line": "voltage", "line_1_to_neutral": "voltage", "line_2_to_neutral": "voltage",
			"line_to_line_no_load": "voltage"},
		findings: []string{"conforms", "low", "high", "drop", "back_fed", "between_low", "between_high"},
		limited:  true,
	},
	"insulation": {
		inputs:   map[string]string{"resistance": "resistance", "wires_off": "choice"},
		findings: []string{"conforms", "grounded", "between", "wires_on"},
		limited:  true,
	},
	"relay": {
		inputs:   map[string]string{"resistance": "resistance", "wires_off": "choice"},
		findings: []string{"open_at_rest", "closed_at_rest", "wires_on"},
	},
	"stamp": {
		inputs:   map[string]string{"rating": "temperature"},
		findings: []string{"matches", "differs", "no_limit"},
		limited:  true,
	},
	"air_only": {
		inputs: map[string]string{"start_temperature": "temperature", "end_temperature": "temperature", "minutes": "time",
			"leg_1_current": "current", "leg_2_current": "current", "already_warm": "choice"},
		findings: []string{"no_heat", "heats", "unequal_legs", "between"},
	},
	"duct_ratio": {
		inputs: map[string]string{"velocity_on": "speed", "velocity_off": "speed", "flow_on": "flow", "flow_off": "flow",
			"cycling": "choice"},
		findings: []string{"duct_restricted", "duct_clear", "between"},
	},
	"air_speed": {inputs: map[string]string{"velocity": "speed"}, findings: []string{"conforms"}, limited: true},
	"collar":    {inputs: map[string]string{"pressure": "pressure"}, findings: []string{"conforms"}, limited: true},
	"low_setting": {
		inputs:   map[string]string{"off_temperature_high": "temperature", "off_temperature_low": "temperature"},
		findings: []string{"lower", "same", "between"},
	},
	"thermistor": {
		inputs:   map[string]string{"resistance": "resistance", "temperature": "temperature"},
		findings: []string{"conforms", "high", "low", "open", "short", "between", "no_limit"},
		limited:  true,
	},
	"rtd": {
		inputs:   map[string]string{"resistance": "resistance", "temperature": "temperature"},
		findings: []string{"conforms", "high", "low", "open", "short", "between"},
		limited:  true,
	},
	"oven_cycles": {
		inputs:   map[string]string{"set_temperature": "temperature", "off_temperature": "temperature", "on_temperature": "temperature"},
		findings: []string{"conforms", "low", "high", "too_short", "between_low", "between_high"},
		limited:  true,
	},
	"cold_contact": {
		inputs:   map[string]string{"resistance": "resistance", "temperature": "temperature", "wires_off": "choice"},
		findings: []string{"closed_cold", "open_warm", "open_cold", "closed_warm", "between", "wires_on"},
		limited:  true,
	},
	"compressor": {
		inputs: map[string]string{"common_to_run": "resistance", "common_to_start": "resistance", "run_to_start": "resistance",
			"pin_to_case": "resistance", "wires_off": "choice"},
		findings: []string{"conforms", "low", "high", "unequal", "open", "grounded", "between", "wires_on"},
		limited:  true,
	},
	"opening": {
		inputs:   map[string]string{"last_closed": "temperature", "first_open": "temperature", "minutes": "time", "recloses": "choice"},
		findings: []string{"conforms", "early", "late", "never", "open_cold", "too_fast", "no_limit", "between"},
		limited:  true,
	},
	"heater_current": {
		inputs:   map[string]string{"current": "current", "volts": "voltage", "volts_no_load": "voltage"},
		findings: []string{"conforms", "low", "high", "half", "no_current", "drop", "between_low", "between_high", "no_limit"},
		limited:  true,
	},
	"windings": {
		inputs: map[string]string{"winding_1": "resistance", "winding_2": "resistance", "winding_3": "resistance",
			"to_case": "resistance", "rest_voltage": "voltage", "wires_off": "choice"},
		findings: []string{"conforms", "unequal", "low", "high", "open", "grounded", "between", "between_low", "between_high", "wires_on", "charged"},
		limited:  true,
	},
	"capacitor": {
		inputs: map[string]string{"capacitance": "capacitance", "printed": "capacitance", "printed_high": "capacitance",
			"rest_voltage": "voltage"},
		findings: []string{"conforms", "low", "high", "open", "short", "between_low", "between_high", "charged"},
		limited:  true,
	},
	"wet_load": {
		inputs:   map[string]string{"wet_weight": "mass", "dry_weight": "mass"},
		findings: []string{"conforms", "high", "between_high"},
		limited:  true,
	},
	"run": {
		inputs: map[string]string{"off_temperature": "temperature", "on_temperature": "temperature", "heating_time": "time",
			"rest_time": "time", "setting": "choice", "load": "choice"},
		oneOf:    map[string]string{"current": "current", "burner": "choice"},
		findings: []string{"normal", "cycles_high_limit", "off_high", "off_low", "no_cycling", "reads_low", "too_short", "wet_load", "between"},
	},
}

// rule checks that the check offers what its rule reads and gives.
func (v *validator) rule(path string, c *Check) {
	form, ok := ruleForms[c.Rule]
	if !ok {
		v.fail(join(path, "rule"), "there is no rule %q", c.Rule)
		return
	}
	if form.limited && len(c.Limits) == 0 {
		v.fail(path, "rule %s needs a limit", c.Rule)
	}
	for _, id := range sortedKeys(form.inputs) {
		v.ruleInput(path, c, id, form.inputs[id])
	}
	v.ruleOneOf(path, c, form.oneOf)
	for _, id := range append(form.findings, extraFindings(c)...) {
		if _, ok := c.Finding(id); !ok {
			v.fail(join(path, "findings"), "rule %s may give %q, which is not listed", c.Rule, id)
		}
	}
}

// ruleOneOf checks that the check lists one at least of the inputs that stand
// in for each other, and each it lists as the rule reads it.
func (v *validator) ruleOneOf(path string, c *Check, oneOf map[string]string) {
	listed := 0
	for _, id := range sortedKeys(oneOf) {
		if _, ok := c.Input(id); ok {
			v.ruleInput(path, c, id, oneOf[id])
			listed++
		}
	}
	if len(oneOf) > 0 && listed == 0 {
		v.fail(join(path, "inputs"), "rule %s reads one of the inputs %v, and none is listed", c.Rule, sortedKeys(oneOf))
	}
}

func (v *validator) ruleInput(path string, c *Check, id, quantity string) {
	in, ok := c.Input(id)
	switch {
	case !ok:
		v.fail(join(path, "inputs"), "rule %s reads an input %q, which is not listed", c.Rule, id)
	case quantity == "choice" && len(in.Choices) == 0:
		v.fail(join(path, "inputs"), "input %s must be a choice for rule %s", id, c.Rule)
	case quantity != "choice" && in.Quantity != quantity:
		v.fail(join(path, "inputs"), "input %s must be of %s for rule %s, is of %q", id, quantity, c.Rule, in.Quantity)
	}
}

// extraFindings are those that follow from the check's own data.
func extraFindings(c *Check) []string {
	switch c.Rule {
	case "choice":
		return choiceIDs(c)
	case "range", "air_speed", "collar":
		return rangeFindings(c)
	}
	return nil
}

func choiceIDs(c *Check) []string {
	in, ok := c.Input("result")
	if !ok {
		return nil
	}
	ids := make([]string, 0, len(in.Choices))
	for _, x := range in.Choices {
		ids = append(ids, x.ID)
	}
	return ids
}

func rangeFindings(c *Check) []string {
	if len(c.Limits) == 0 {
		return nil
	}
	l := &c.Limits[0]
	var ids []string
	if l.Low != nil || l.RelativeTolerance != nil {
		ids = append(ids, "low", "between_low")
	}
	if l.High != nil || l.RelativeTolerance != nil {
		ids = append(ids, "high", "between_high")
	}
	if in, ok := c.Input(l.Input); ok && in.OverRange {
		ids = append(ids, "open")
	}
	if _, ok := c.Limit("drop"); ok {
		ids = append(ids, "drop", "between_low")
	}
	if l.Indispensable {
		ids = append(ids, "no_limit")
	}
	if _, ok := c.Input("wires_off"); ok {
		ids = append(ids, "wires_on")
	}
	return ids
}
