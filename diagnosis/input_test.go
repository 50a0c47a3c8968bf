package diagnosis_test

import (
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

func TestReadingsThatDoNotFitTheirCheckAreRefused(t *testing.T) {
	bias := func(v values) diagnosis.Reading { return diagnosis.Reading{Check: "bias", Values: v} }
	off := chosen("yes")
	ohm := value(7000, "Ohm")
	log := func(s diagnosis.Series) diagnosis.Reading {
		return diagnosis.Reading{Check: "warm_up", Position: "heat_pair", Series: &s}
	}
	hot := degF(150)
	tests := []struct {
		name        string
		reading     diagnosis.Reading
		field, rule string
	}{
		{"unknown check", diagnosis.Reading{Check: "smell"}, "check", "unknown"},
		{"unknown input", bias(values{"resistance": ohm, "wires_off": off, "colour": ohm}), "values.colour", "unknown"},
		{"missing input", bias(values{"wires_off": off}), "values.resistance", "required"},
		{"missing choice", bias(values{"resistance": ohm}), "values.wires_off", "required"},
		{"unknown choice", bias(values{"resistance": ohm, "wires_off": chosen("maybe")}), "values.wires_off", "choice"},
		{"a number for a choice", bias(values{"resistance": ohm, "wires_off": ohm}), "values.wires_off", "choice"},
		{"a choice for a number", bias(values{"resistance": off, "wires_off": off}), "values.resistance", "shape"},
		{"two values for one", bias(values{"resistance": append(ohm, ohm...), "wires_off": off}), "values.resistance", "shape"},
		{"no value", bias(values{"resistance": {}, "wires_off": off}), "values.resistance", "shape"},
		{"other unit", bias(values{"resistance": value(7000, "K"), "wires_off": off}), "values.resistance", "unit"},
		{"negative ohms", bias(values{"resistance": value(-1, "Ohm"), "wires_off": off}), "values.resistance", "range"},
		{"not a number", bias(values{"resistance": value(math.NaN(), "Ohm"), "wires_off": off}), "values.resistance", "finite"},
		{"infinite", bias(values{"resistance": value(math.Inf(1), "Ohm"), "wires_off": off}), "values.resistance", "finite"},
		{"more than any instrument shows", bias(values{"resistance": value(1e16, "Ohm"), "wires_off": off}), "values.resistance", "range"},
		{"below absolute zero", diagnosis.Reading{Check: "stamp", Values: values{"rating": value(-1, "K")}}, "values.rating", "range"},
		{"over range where it cannot be", diagnosis.Reading{Check: "stamp", Values: values{"rating": {{Over: true}}}}, "values.rating", "range"},
		{"the second of many", run(values{"off_temperature": {{SI: 340}, {SI: -5}}}, "high", "empty"), "values.off_temperature[1]", "range"},
		{"position missing", diagnosis.Reading{Check: "coil"}, "position", "required"},
		{"position unknown", diagnosis.Reading{Check: "coil", Position: "roof"}, "position", "unknown"},
		{"position the unit lacks", diagnosis.Reading{Check: "coil", Position: "terminal_3"}, "position", "forbidden"},
		{"position not asked for", diagnosis.Reading{Check: "bias", Position: "roof"}, "position", "forbidden"},
		{"broken leads", diagnosis.Reading{Check: "bias", Lead: 50, Values: values{"resistance": ohm, "wires_off": off}}, "lead", "range"},
		{"negative leads", diagnosis.Reading{Check: "bias", Lead: math.NaN(), Values: values{"resistance": ohm, "wires_off": off}}, "lead", "range"},
		{"odd instrument", diagnosis.Reading{Check: "bias", Instrument: &diagnosis.Instrument{Percent: math.Inf(1)}, Values: values{"resistance": ohm, "wires_off": off}}, "instrument", "range"},
		{"done and not done", diagnosis.Reading{Check: "bias", NotDone: "seized", Values: values{"resistance": ohm}}, "not_done", "forbidden"},
		{"nothing to open", diagnosis.Reading{Check: "warm_up", Position: "heat_pair"}, "values.last_closed", "required"},
		{"exchanged", warmUp("warm_up", "heat_pair", 160, 150, 800), "values.first_open", "order"},
		{"neither flow nor cycling", diagnosis.Reading{Check: "duct_off"}, "values", "required"},
		{"series not taken", diagnosis.Reading{Check: "bias", Series: &diagnosis.Series{}}, "series", "forbidden"},
		{"one point", log(diagnosis.Series{T: []float64{0}, Value: []float64{hot}, Closed: []bool{true}}), "series.t", "shape"},
		{"columns differ", log(diagnosis.Series{T: []float64{0, 1}, Value: []float64{hot}, Closed: []bool{true, true}}), "series.value", "shape"},
		{"contact missing", log(diagnosis.Series{T: []float64{0, 1}, Value: []float64{hot, hot}}), "series.closed", "shape"},
		{"unordered", log(diagnosis.Series{T: []float64{0, 2, 2}, Value: []float64{hot, hot, hot}, Closed: []bool{true, true, true}}), "series.t[2]", "order"},
		{"negative time", log(diagnosis.Series{T: []float64{-1, 2}, Value: []float64{hot, hot}, Closed: []bool{true, true}}), "series.t[0]", "finite"},
		{"a value that cannot be", log(diagnosis.Series{T: []float64{0, 2}, Value: []float64{hot, math.NaN()}, Closed: []bool{true, true}}), "series.value[1]", "range"},
		{"a contact in a run", diagnosis.Reading{Check: "run", Values: values{"setting": chosen("high"), "load": chosen("empty")},
			Series: &diagnosis.Series{T: []float64{0, 2}, Value: []float64{hot, hot}, Closed: []bool{true, true}}}, "series.closed", "forbidden"},
		{"series without the setting", diagnosis.Reading{Check: "run", Series: &diagnosis.Series{T: []float64{0, 2}, Value: []float64{hot, hot}}}, "values.setting", "required"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := diagnosis.Judge(smallKind(), "too_hot", tt.reading, sheet(t), everything())
			var bad *diagnosis.InputError
			require.True(t, errors.As(err, &bad), "%v", err)
			require.Equal(t, tt.field, bad.Field, bad.Message)
			require.Equal(t, tt.rule, bad.Rule, bad.Message)
			require.NotEmpty(t, bad.Message)
		})
	}
	_, err := diagnosis.Judge(smallKind(), "sings", diagnosis.Reading{}, nil, everything())
	var bad *diagnosis.InputError
	require.ErrorAs(t, err, &bad)
	require.Equal(t, "complaint", bad.Field)
}

func TestPlausibleRangeCatchesASlip(t *testing.T) {
	k := smallKind()
	c, _ := k.Check("stamp")
	c.Inputs[0].Low, c.Inputs[0].High = num(50), num(400)
	judge := func(f float64) error {
		_, err := diagnosis.Judge(k, "too_hot", diagnosis.Reading{Check: "stamp", Values: values{"rating": fahrenheits(f)}}, sheet(t), everything())
		return err
	}
	require.NoError(t, judge(50), "the ends belong to the range")
	require.NoError(t, judge(400))
	require.ErrorContains(t, judge(1550), "is not plausible")
	require.ErrorContains(t, judge(15), "is not plausible")
}
