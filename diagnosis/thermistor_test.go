package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/sensors"
)

// Resistances of the published 10 kΩ, 3977 K table; at 77 °F (25 °C) the curve
// gives 10 kΩ. The part may be off by ± 5 % and 1.5 K (common practice, no source).
func TestThermistor(t *testing.T) {
	tests := []struct {
		name       string
		f          float64
		resistance diagnosis.Value
		finding    string
	}{
		{"at 77 °F", 77, diagnosis.Value{SI: 10000}, "conforms"},
		{"at 68 °F, 12,488 in the table", 68, diagnosis.Value{SI: 12488}, "conforms"},
		{"at 122 °F, 3,606 in the table", 122, diagnosis.Value{SI: 3606}, "conforms"},
		{"10 kΩ at 122 °F is far too high", 122, diagnosis.Value{SI: 10000}, "high"},
		{"10 kΩ at 50 °F is far too low", 50, diagnosis.Value{SI: 10000}, "low"},
		{"a quarter high", 77, diagnosis.Value{SI: 12500}, "high"},
		{"a quarter low", 77, diagnosis.Value{SI: 7500}, "low"},
		{"at the edge", 77, diagnosis.Value{SI: 10900}, "between"},
		{"open", 77, diagnosis.Value{Over: true}, "open"},
		{"short", 77, diagnosis.Value{SI: 3}, "short"},
		{"beyond the table", 320, diagnosis.Value{SI: 150}, "between"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := judge(t, diagnosis.Reading{Check: "thermistor", Values: values{
				"resistance": {tt.resistance}, "temperature": fahrenheits(tt.f)}}, sheet(t))
			require.Equal(t, tt.finding, v.Finding, v.Sentence)
		})
	}
}

func TestThermistorWithoutCurve(t *testing.T) {
	for ohm, want := range map[float64]string{10000: "no_limit", 2: "short"} {
		v := judge(t, diagnosis.Reading{Check: "thermistor", Values: values{"resistance": value(ohm, "Ohm"), "temperature": fahrenheits(77)}}, nil)
		require.Equal(t, want, v.Finding)
	}
	rising := diagnosis.Sheet{"curve": {Curve: []diagnosis.Point{{Kelvin: 280, Ohm: 5000}, {Kelvin: 300, Ohm: 9000}}}}
	v := judge(t, diagnosis.Reading{Check: "thermistor", Values: values{"resistance": value(10000, "Ohm"), "temperature": fahrenheits(77)}}, rising)
	require.Equal(t, "curve", v.Missing, "a curve that rises with temperature is no thermistor's")
}

// A thermistor at its curve, and one that is 3 K or 8 K off it, of the
// published 3977 K table, by the thermometer used. R ± 5 %, B ± 0.75 % and
// 1.5 K between bead and sensor are common practice, no source: together 2.6 K
// at 77 °F (own arithmetic: 5 % over a slope of 4.4 % a kelvin, plus 1.5 K).
func TestThermistorOffItsCurve(t *testing.T) {
	fine := &diagnosis.Instrument{Method: "bead", Counts: 5, Resolution: 0.1}
	coarse := &diagnosis.Instrument{Method: "bead", Counts: 20, Resolution: 0.1}
	curve, err := sensors.NewTable(points(t))
	require.NoError(t, err)
	for _, tt := range []struct {
		off        float64 // K, what the sensor reports less what it has
		instrument *diagnosis.Instrument
		finding    string
	}{
		{0, nil, "conforms"},
		{0, &diagnosis.Instrument{Method: "bead"}, "conforms"},
		{0, coarse, "conforms"},
		{0, &diagnosis.Instrument{Method: "infrared"}, "between"},
		{-3, nil, "between"},
		{3, nil, "between"},
		{-3, fine, "between"},
		{-4, fine, "high"},
		{-8, nil, "high"},
		{-8, coarse, "high"},
		{-8, &diagnosis.Instrument{Method: "infrared"}, "between"},
		{8, nil, "low"},
	} {
		r := diagnosis.Reading{Check: "thermistor", Position: "at_part", Instrument: tt.instrument, Lead: 0.1, Values: values{
			"resistance": value(curve.Ohm(degF(77)+tt.off), "kOhm"), "temperature": fahrenheits(77)}}
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", r, dryerSheet(t), dryer("thermistor"))
		require.NoError(t, err)
		require.Equal(t, tt.finding, vs[0].Finding, "%+v: %s", tt, vs[0].Sentence)
		require.Contains(t, vs[0].Limit.Origin, "tolerance common practice, no source")
		require.InDelta(t, curve.Ohm(degF(77)-2.64), *vs[0].Limit.High, 10)
	}
}

func TestAThermistorNeedsAThermometerAsGoodAsItsTolerance(t *testing.T) {
	r := diagnosis.Reading{Check: "thermistor", Values: values{"resistance": value(10000, "Ohm"), "temperature": fahrenheits(77)},
		Instrument: &diagnosis.Instrument{Method: "bead", Counts: 40, Resolution: 0.1}}
	v := judge(t, r, sheet(t))
	require.Equal(t, "between", v.Finding)
	require.Contains(t, v.Do, "enter it as the instrument")
}

func points(t testing.TB) []sensors.Point {
	var out []sensors.Point
	for _, p := range curve3977(t) {
		out = append(out, sensors.Point(p))
	}
	return out
}
