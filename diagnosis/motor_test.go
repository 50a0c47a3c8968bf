package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
)

// capacity is a reading of a motor capacitor: µF measured (below 0: over
// range), the lower and upper figure printed (0: none), and the volts left.
func capacity(position, finding string, microfarad, printed, printedHigh, volts float64) done {
	d := done{check: "capacitor", position: position, finding: finding,
		instrument: &diagnosis.Instrument{Method: "meter", Percent: 1, Counts: 2, Resolution: 1e-8},
		values:     values{"capacitance": value(microfarad*1e-6, "uF"), "printed": value(printed*1e-6, "uF"), "rest_voltage": value(volts, "V")}}
	if microfarad < 0 {
		d.values["capacitance"] = []diagnosis.Value{{Over: true, Unit: "uF"}}
	}
	if printedHigh > 0 {
		d.values["printed_high"] = value(printedHigh*1e-6, "uF")
	}
	return d
}

// threePhase is a reading of three windings, of the lowest to the case (below 0:
// over range) and of the volts left on the bus.
func threePhase(finding string, a, b, c, toCase, volts float64) done {
	ohm := func(x float64) diagnosis.Value {
		if x < 0 {
			return diagnosis.Value{Over: true, Unit: "Ohm"}
		}
		return diagnosis.Value{SI: x, Unit: "Ohm"}
	}
	return done{check: "windings", finding: finding, instrument: tenths(), values: values{
		"winding_1": {ohm(a)}, "winding_2": {ohm(b)}, "winding_3": {ohm(c)}, "to_case": {{Over: true, Unit: "MOhm"}, ohm(toCase)},
		"rest_voltage": value(volts, "V"), "wires_off": chosen("yes")}}
}

// A run capacitor holds ±6 % of what is printed on it (the tolerance printed
// on most of them); a start capacitor marked with one figure −0/+20 % (common
// practice, no source), one marked with two lies between them, e.g. 43-53 µF.
// Nothing is judged before less than 30 V are left (common practice).
func TestCapacitor(t *testing.T) {
	k := kindNamed(t, "washer")
	for _, d := range []done{
		capacity("run", "conforms", 45, 45, 0, 1), capacity("run", "conforms", 43.2, 45, 0, 1), capacity("run", "low", 41, 45, 0, 1),
		capacity("run", "between_low", 42.3, 45, 0, 1), capacity("run", "between_high", 47.7, 45, 0, 1), capacity("run", "high", 49, 45, 0, 1),
		capacity("run", "open", 0.2, 45, 0, 1), capacity("run", "short", -1, 45, 0, 1),
		capacity("run", "charged", 45, 45, 0, 160), capacity("run", "charged", -1, 45, 0, 160), capacity("run", "charged", 45, 45, 0, 30),
		capacity("start", "low", 41, 43, 53, 1), capacity("start", "conforms", 48, 43, 53, 1), capacity("start", "high", 56, 43, 53, 1),
		capacity("start", "conforms", 110, 100, 0, 1), capacity("start", "low", 95, 100, 0, 1), capacity("start", "high", 125, 100, 0, 1),
		capacity("start", "conforms", 110, 100, 90, 1),
	} {
		v := judgeKind(t, k, "does_not_spin", d, nil, "run_capacitor", "start_capacitor")[0]
		require.Equal(t, d.finding, v.Finding, "%v %s", d.values, v.Sentence)
		if d.finding == "charged" {
			require.Contains(t, v.Do, "discharge through a resistor")
			require.Equal(t, diagnosis.Inconclusive, v.Outcome)
		}
	}
	wrong := capacity("run", "high", 45, 45, 0, 1)
	for _, sheet := range []diagnosis.SheetValue{{Value: num(30e-6), Unit: "uF", Origin: "tech sheet", Confirmed: true}, {Low: num(28e-6), High: num(32e-6), Unit: "uF", Origin: "tech sheet", Confirmed: true}} {
		v := judgeKind(t, k, "does_not_spin", wrong, diagnosis.Sheet{"run_capacitance": sheet}, "run_capacitor")[0]
		require.Equal(t, "high", v.Finding, "the sheet wins over the print: %s", v.Sentence)
		require.Contains(t, v.Sentence, "tech sheet")
	}
	right := capacity("run", "conforms", 29, 45, 0, 1)
	v := judgeKind(t, k, "does_not_spin", right, diagnosis.Sheet{"run_capacitance": {Value: num(30e-6), Unit: "uF", Origin: "tech sheet", Confirmed: true}}, "run_capacitor")[0]
	require.Equal(t, "conforms", v.Finding, v.Sentence)
	require.InDelta(t, 28.2e-6, *v.Limit.Low, 1e-12, "30 µF less 6 %")
}

// Three windings of 5 to 15 Ω, equal within 10 % of their mean, above 1 MΩ to
// the case (common practice, no source).
func TestWindings(t *testing.T) {
	for _, kind := range []string{"washer", "dishwasher"} {
		k := kindNamed(t, kind)
		for _, d := range []done{
			threePhase("conforms", 9, 9.2, 8.9, -1, 3), threePhase("conforms", 9, 9.2, 8.9, 5e7, 3),
			threePhase("unequal", 9, 9, 6, -1, 3), threePhase("unequal", 9, 9, 13, -1, 3), threePhase("between", 9, 9, 10.5, -1, 3),
			threePhase("low", 2, 2, 2, -1, 3), threePhase("high", 30, 30, 31, -1, 3), threePhase("low", 0, 0, 0, -1, 3),
			threePhase("open", -1, 9, -1, -1, 3), threePhase("grounded", 9, 9, 9, 800, 3), threePhase("grounded", -1, 9, 9, 800, 3),
			threePhase("between", 9, 9, 9, 2e5, 3), threePhase("unequal", 9, 9, 4, 2e5, 3), threePhase("charged", 9, 9, 9, -1, 320),
			threePhase("between_low", 5.1, 5.1, 5.1, -1, 3), threePhase("between_high", 15.1, 15.1, 15.1, -1, 3),
		} {
			v := judgeKind(t, k, k.Complaints[0].ID, d, nil, "inverter")[0]
			require.Equal(t, d.finding, v.Finding, "%v %s", d.values, v.Sentence)
		}
		on := threePhase("wires_on", 9, 9, 9, -1, 3)
		on.values["wires_off"] = chosen("no")
		require.Equal(t, "wires_on", judgeKind(t, k, k.Complaints[0].ID, on, nil, "inverter")[0].Finding)
		sheet := diagnosis.Sheet{"winding_resistance": {Low: num(28), High: num(34), Unit: "Ohm", Origin: "tech sheet", Confirmed: true}}
		require.Equal(t, "conforms", judgeKind(t, k, k.Complaints[0].ID, threePhase("", 30, 30, 31, -1, 3), sheet, "inverter")[0].Finding, "the sheet wins")
	}
}

// It does not matter which pair is called the first.
func TestWindingsInAnyOrder(t *testing.T) {
	k := kindNamed(t, "washer")
	rapid.Check(t, func(rt *rapid.T) {
		draw := func(name string) float64 { return rapid.Float64Range(0, 40).Draw(rt, name) }
		a, b, c := draw("a"), draw("b"), draw("c")
		want := judgeKind(t, k, "does_not_spin", threePhase("", a, b, c, -1, 3), nil, "inverter")[0]
		got := judgeKind(t, k, "does_not_spin", threePhase("", c, a, b, -1, 3), nil, "inverter")[0]
		require.Equal(rt, want.Finding, got.Finding)
	})
}

// Whatever is left on the bus or the capacitor, at 30 V and above nothing is
// judged.
func TestNothingIsJudgedWhileCharged(t *testing.T) {
	k := kindNamed(t, "washer")
	rapid.Check(t, func(rt *rapid.T) {
		volts := rapid.Float64Range(30, 1000).Draw(rt, "volts")
		for _, d := range []done{threePhase("", 9, 9, rapid.Float64Range(0, 40).Draw(rt, "c"), -1, volts),
			capacity("run", "", rapid.Float64Range(0, 90).Draw(rt, "µF"), 45, 0, volts)} {
			for _, v := range judgeKind(t, k, "does_not_spin", d, nil, "inverter", "run_capacitor") {
				require.Equal(rt, "charged", v.Finding)
				require.Equal(rt, diagnosis.Inconclusive, v.Outcome)
			}
		}
	})
}
