package diagnosis_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/electric"
)

// supplyReading is a supply under load; a leg below zero was not read.
func supplyReading(line, one, two float64) diagnosis.Reading {
	r := diagnosis.Reading{Check: "supply_loaded", Instrument: &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.1},
		Values: values{"line_to_line": value(line, "V")}}
	if one >= 0 {
		r.Values["line_1_to_neutral"] = value(one, "V")
	}
	if two >= 0 {
		r.Values["line_2_to_neutral"] = value(two, "V")
	}
	return r
}

func judgeSupply(t require.TestingT, k *catalogue.Kind, r diagnosis.Reading, u diagnosis.Unit) diagnosis.Verdict {
	vs, err := diagnosis.Judge(k, "runs_too_hot", r, nil, u)
	require.NoError(t, err)
	return vs[0]
}

// Line ± 10 % and leg ± 10 % are common practice, no source; what three
// voltages mean together is own arithmetic.
func TestSupplyByItsThreeVoltages(t *testing.T) {
	k := builtIn(t)
	for _, tt := range []struct {
		name           string
		line, one, two float64
		unit           diagnosis.Unit
		finding        string
		says, do       string
	}{
		{"sound", 238, 119, 119, dryer(), "conforms", "Line 1 has 119 V to neutral, line 2 has 119 V.", ""},
		{"line alone", 238, -1, -1, dryer(), "conforms", "", ""},
		{"one leg read", 238, 119, -1, dryer(), "conforms", "", ""},
		{"back-fed through the heater", 0.3, 120, 119.8, dryer(), "back_fed", "One leg is open and its volts come back through the heater", "low-impedance meter"},
		{"back-fed, the motor on the open leg", 37, 120, 83, dryer(), "back_fed", "Line 1 has 120 V to neutral, line 2 has 83 V.", "Do not trust the volts to neutral"},
		{"nothing line to line, legs not read", 0.3, -1, -1, dryer(), "low", "", "burnt lug"},
		{"a leg lost", 2, 120, 1, dryer(), "low", "One leg is lost.", "Isolate"},
		{"208 V", 207, 119.5, 120, dryer(), "low", "two legs of a three-phase supply, and nothing is loose. An element for 240 V makes 75 % of its heat", "rating on the element"},
		{"208 V as rated", 207, 119.5, 120, rated(5400, 208), "conforms", "it should be 187 to 229 V (nameplate 208 V", ""},
		{"240 V on a machine for 208", 240, 120, 120, rated(5400, 208), "high", "", ""},
		{"loose neutral", 240, 150, 90, dryer(), "high", "the neutral is loose or open", "electrician has put the neutral right"},
		{"a leg low", 220, 118, 102, dryer(), "low", "it should be 108 to 132 V (common practice, no source). That is line 2 to neutral.", "burnt lug"},
		{"a leg at its limit", 228, 120, 108, dryer(), "between_low", "That is line 2 to neutral.", "Too near the limit"},
		{"do not fit together", 170, 120, 119, dryer(), "low", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := judgeSupply(t, k, supplyReading(tt.line, tt.one, tt.two), tt.unit)
			require.Equal(t, tt.finding, v.Finding, v.Sentence)
			require.Contains(t, v.Sentence, tt.says)
			require.Contains(t, v.Do, tt.do)
		})
	}
}

// The volts the physics predicts of an open leg are recognised, on a meter of
// either kind, whatever the heater.
func TestAFalse120IsRecognised(t *testing.T) {
	k := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		heater := rapid.Float64Range(5, 60).Draw(t, "heater")
		leg := rapid.Float64Range(112, 128).Draw(t, "leg")
		meter := rapid.SampledFrom([]float64{electric.HighImpedance, electric.LowImpedance}).Draw(t, "meter")
		l := electric.OpenLeg(leg, heater, math.Inf(1), meter)
		v := judgeSupply(t, k, supplyReading(l.Line, l.One, l.Two), dryer())
		require.Equal(t, "back_fed", v.Finding, v.Sentence)
		require.Equal(t, diagnosis.DoesNotConform, v.Outcome)
		require.Equal(t, "supply_low", v.Fault)
		require.Less(t, v.Probability, 0.01)
	})
}

// A sound supply is never taken for an open leg, and any three voltages get a
// sentence without a number that is none.
func TestAnySupplyIsJudged(t *testing.T) {
	k := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		one, two := rapid.Float64Range(0, 300).Draw(t, "one"), rapid.Float64Range(0, 300).Draw(t, "two")
		v := judgeSupply(t, k, supplyReading(rapid.Float64Range(0, 500).Draw(t, "line"), one, two), dryer())
		require.NotEmpty(t, v.Sentence)
		require.NotContains(t, v.Sentence, "NaN")
		leg := rapid.Float64Range(110, 130).Draw(t, "leg")
		v = judgeSupply(t, k, supplyReading(2*leg, leg, leg), dryer())
		require.Equal(t, "conforms", v.Finding, v.Sentence)
	})
}
