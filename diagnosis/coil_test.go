package diagnosis_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// coilReading is a coil end to end at x ohm, leads of 0.1 Ω taken off.
func coilReading(position string, x float64) diagnosis.Reading {
	r := contact(ohm("coil_ends", position, "", x+0.1)).with(contact(done{}).instrument)
	r.Position, r.Lead = position, 0.1
	return r
}

func judgeCoil(t require.TestingT, k *catalogue.Kind, r diagnosis.Reading, s diagnosis.Sheet, u diagnosis.Unit) diagnosis.Verdict {
	vs, err := diagnosis.Judge(k, "runs_too_hot", r, s, u)
	require.NoError(t, err)
	return vs[0]
}

// The limits follow from the rating: 5,400 W at 240 V are 10.67 Ω glowing and
// 10.40 Ω cold (own arithmetic, Ct 1.026 of a published alloy table); ± 10 % is
// common practice, no source. 8.01 Ω glowing are 5,400 W at 208 V, which make
// 7.2 kW at 240 V.
func TestCoilByItsRating(t *testing.T) {
	k := builtIn(t)
	for _, tt := range []struct {
		name    string
		unit    diagnosis.Unit
		ohm     float64
		finding string
		says    string
	}{
		{"right", rated(5400, 240), 10.4, "conforms", "it should be 8.91 to 11.6 Ω (nameplate 5400 W at 240 V: 10.7 Ω glowing, about 10.4 Ω cold"},
		{"as read glowing by the rating", rated(5400, 240), 10.67, "conforms", ""},
		{"made for 208 V", rated(5400, 240), 7.8, "low", "It reads like an element made for 208 V, which makes 7.2 kW at 240 V: read the rating on the part. If it is the right part, turns touch and 25 % of it"},
		{"made for 208 V, on 208 V", rated(5400, 208), 7.8, "conforms", ""},
		{"made for 240 V, on 208 V", rated(5400, 208), 10.4, "high", "It reads like an element made for 240 V, which makes 4.1 kW at 208 V"},
		{"four tenths out of circuit", rated(5400, 240), 0.6 * 10.396, "low", "At 240 V it makes 9 kW instead of 5.4 kW. If it is the right part, turns touch and 40 % of it (±9 %) is out of circuit."},
		{"next to nothing left", rated(5400, 240), 0.5, "low", "That is a short circuit: the breaker trips."},
		{"one of two coils, entered as one", rated(5400, 240), 20.8, "high", "At 240 V it makes 2.7 kW instead of 5.4 kW. It has twice the ohms it should"},
		{"too much, but not twice", rated(5400, 240), 14, "high", "At 240 V it makes 4 kW instead of 5.4 kW. Accuracy"},
		{"no nameplate", dryer(), 7, "low", "it should be 8 to 12 Ω (common practice, no source). It heats too strongly. Enter watts and volts"},
		{"a rating of nothing", rated(0, 240), 10, "conforms", "8 to 12 Ω"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := judgeCoil(t, k, coilReading("coil", tt.ohm), nil, tt.unit)
			require.Equal(t, tt.finding, v.Finding, v.Sentence)
			require.Contains(t, v.Sentence, tt.says)
			require.NotContains(t, v.Sentence, "NaN")
		})
	}
	v := judgeCoil(t, k, coilReading("coil", 20.8), nil, rated(5400, 240))
	require.Contains(t, v.Do, "say so in the unit's features")
}

// The sheet wins over the rating.
func TestTheSheetOfTheCoilWins(t *testing.T) {
	sheet := diagnosis.Sheet{"coil_resistance": {Low: num(7.5), High: num(8.5), Unit: "Ohm", Origin: "tech sheet", Confirmed: true}}
	v := judgeCoil(t, builtIn(t), coilReading("coil", 8), sheet, rated(5400, 240))
	require.Equal(t, "conforms", v.Finding, v.Sentence)
	require.Contains(t, v.Sentence, "7.5 to 8.5 Ω (tech sheet)")
	v = judgeCoil(t, builtIn(t), coilReading("coil", 4), sheet, rated(5400, 240))
	require.Contains(t, v.Sentence, "50 % of it (±4 %) is out of circuit", "of the 8 Ω of the sheet")
}

// Of two coils the rating is not that of one: without the sheet there is no
// verdict, but what equal ones would have.
func TestTwoCoils(t *testing.T) {
	k, u := builtIn(t), rated(5400, 240, "dual_coil")
	v := judgeCoil(t, k, coilReading("coil_1", 20.8), nil, u)
	require.Equal(t, "no_limit", v.Finding)
	require.Equal(t, diagnosis.Inconclusive, v.Outcome)
	require.Equal(t, "coil_1_resistance", v.Missing)
	require.Contains(t, v.Sentence, "each has about 20.8 Ω cold, and both in a row about 41.6 Ω")
	open := coilReading("coil_2", 1)
	open.Values["resistance"] = []diagnosis.Value{{Over: true, Unit: "Ohm"}}
	v = judgeCoil(t, k, open, nil, u)
	require.Equal(t, "coil_open", v.Fault)
	require.Contains(t, v.Sentence, "the other alone makes 2.7 kW at 11 A, half of what it should")
	v = judgeCoil(t, k, open, nil, dryer("dual_coil"))
	require.NotContains(t, v.Sentence, "kW", "not without a rating")
}

// With the wires on a path beside the coil is measured too, so that only too
// many ohms stay true.
func TestCoilWithItsWiresOn(t *testing.T) {
	r := coilReading("coil", 7)
	r.Values["wires_off"] = chosen("no")
	v := judgeCoil(t, builtIn(t), r, nil, rated(5400, 240))
	require.Equal(t, "wires_on", v.Finding)
	require.NotContains(t, v.Sentence, "kW")
}

// Half the amps of a heater entered with one coil, and the share out of circuit
// of one that takes too much.
func TestWhyAHeaterCurrentIsOff(t *testing.T) {
	for _, tt := range []struct {
		amps float64
		says string
	}{
		{11.3, "That is half of it: if the element has two coils, one is open."},
		{37.5, "turns touch and 40 % of it (±7 %) is out of circuit."},
	} {
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", heaterReading(tt.amps, 240), nil, rated(5400, 240))
		require.NoError(t, err)
		require.Contains(t, vs[0].Sentence, tt.says)
	}
}

// The shop's rule holds for limits made of a rating too: 20.6 A and 8.95 Ω lie
// within one standard uncertainty of the lower ends, 20.25 A and 8.91 Ω.
func TestTheRuleOfTheShopHoldsForRatings(t *testing.T) {
	for rule, want := range map[measure.Rule]diagnosis.Outcome{
		{Accept: 0.6, Reject: 0.05}:  diagnosis.Conforms,
		{Accept: 0.99, Reject: 0.01}: diagnosis.Inconclusive,
	} {
		u := rated(5400, 240)
		u.Rule = rule
		r := heaterReading(20.6, 240)
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", r, nil, u)
		require.NoError(t, err)
		require.Equal(t, want, vs[0].Outcome, vs[0].Sentence)
		v := judgeCoil(t, builtIn(t), ohmsNear(8.95), nil, u)
		require.Equal(t, want, v.Outcome, v.Sentence)
	}
}

// ohmsNear is a coil read with a plain meter.
func ohmsNear(x float64) diagnosis.Reading {
	r := coilReading("coil", x)
	r.Instrument = &diagnosis.Instrument{Method: "meter", Counts: 1, Resolution: 0.1}
	return r
}

// Fewer ohms never come out as a cooler coil, whatever the rating, and no
// sentence holds a number that is none.
func TestCoilFollowsTheReading(t *testing.T) {
	k := builtIn(t)
	order := map[string]int{"low": 0, "between_low": 1, "conforms": 2, "between_high": 3, "high": 4}
	rapid.Check(t, func(t *rapid.T) {
		u := rated(rapid.Float64Range(1, 1e5).Draw(t, "watts"), rapid.Float64Range(1, 1000).Draw(t, "volts"))
		a := rapid.Float64Range(0, 1000).Draw(t, "ohm")
		b := a + rapid.Float64Range(0, 1000).Draw(t, "more")
		va, vb := judgeCoil(t, k, coilReading("coil", a), nil, u), judgeCoil(t, k, coilReading("coil", b), nil, u)
		require.LessOrEqual(t, order[va.Finding], order[vb.Finding])
		for _, v := range []diagnosis.Verdict{va, vb} {
			require.False(t, math.IsNaN(v.Probability))
			require.NotContains(t, v.Sentence, "NaN")
			require.NotContains(t, v.Sentence, "Inf")
		}
	})
}

// Whether a current is that of a part for another supply depends on the supply
// the machine is rated for: 4/3 of the amps of a 208 V machine are no 208 V
// part.
func TestACurrentOfAPartForAnotherSupply(t *testing.T) {
	for _, tt := range []struct {
		unit        diagnosis.Unit
		amps, volts float64
		says        bool
	}{
		{rated(5400, 240), 29.95, 240, true},
		{rated(5400, 240), 25.96, 208, true},
		{rated(5400, 208), 19.5, 208, true},
		{rated(5400, 208), 34.6, 208, false},
		{rated(5400, 240), 16.9, 240, false},
	} {
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", heaterReading(tt.amps, tt.volts), nil, tt.unit)
		require.NoError(t, err)
		require.Equal(t, tt.says, strings.Contains(vs[0].Sentence, "An element made for 2"), vs[0].Sentence)
	}
}
