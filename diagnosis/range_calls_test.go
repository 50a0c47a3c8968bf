package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/sensors"
)

// platinum is the oven sensor at a temperature, °F; ohm below 0 is open.
func platinum(finding string, ohm, f float64) done {
	r := value(ohm, "Ohm")
	if ohm < 0 {
		r = []diagnosis.Value{{Over: true, Unit: "Ohm"}}
	}
	return done{check: "oven_sensor", position: "at_part", finding: finding, instrument: tenths(), values: values{"resistance": r, "temperature": fahrenheits(f)}}
}

// ovenRun is four cycles about an average, set 350 °F.
func ovenRun(finding string, average float64, cycles int) done {
	var offs, ons []float64
	for range cycles {
		offs, ons = append(offs, average+20), append(ons, average-20)
	}
	return done{check: "oven_average", finding: finding, instrument: goodBead(), values: values{
		"set_temperature": fahrenheits(350), "off_temperature": fahrenheits(offs...), "on_temperature": fahrenheits(ons...)}}
}

func volts(check, input, finding string, v float64) done {
	return done{check: check, finding: finding, values: values{input: value(v, "V")}}
}

// 1,082 Ω at 70 °F and 1,672 Ω at 350 °F are computed from IEC 60751; within
// 10 °F of the curve is common practice, no source.
func TestOvenSensorAgainstIEC60751(t *testing.T) {
	for f, want := range map[float64]float64{32: 1000, 70: 1082, 350: 1672} {
		ohm, err := sensors.RTDOhm(1000, degF(f))
		require.NoError(t, err)
		require.InDelta(t, want, ohm, 1, "%g °F", f)
	}
	k := kindNamed(t, "electric_range")
	for _, d := range []done{platinum("conforms", 1082, 70), platinum("conforms", 1672, 350), platinum("conforms", 1000, 32), platinum("high", 1150, 70),
		platinum("low", 1020, 70), platinum("between", 1104, 70), platinum("open", -1, 70), platinum("short", 3, 70), platinum("high", 1e6, 70), platinum("low", 100, 70)} {
		v := judgeKind(t, k, "wrong_temperature", d, nil, "electronic_sensor")[0]
		require.Equal(t, d.finding, v.Finding, "%s", v.Sentence)
	}
	sheet := diagnosis.Sheet{"oven_sensor_ice": {Value: num(1100), Unit: "Ohm", Origin: "tech sheet", Confirmed: true}}
	v := judgeKind(t, k, "wrong_temperature", platinum("high", 1100*1.082, 70), sheet, "electronic_sensor")[0]
	require.Equal(t, "conforms", v.Finding, "the sheet wins: %s", v.Sentence)
}

// The average of four cycles or more lies within 25 °F of the setting (common
// practice, no source).
func TestOvenAverage(t *testing.T) {
	k := kindNamed(t, "electric_range")
	for _, d := range []done{ovenRun("conforms", 350, 4), ovenRun("conforms", 365, 5), ovenRun("low", 310, 4), ovenRun("high", 395, 4), ovenRun("too_short", 350, 3),
		ovenRun("between_high", 375, 4), ovenRun("between_low", 325, 4)} {
		v := judgeKind(t, k, "wrong_temperature", d, nil)[0]
		require.Equal(t, d.finding, v.Finding, v.Sentence)
	}
	d := ovenRun("", 350, 4)
	d.values["on_temperature"] = fahrenheits(400, 400, 400, 400)
	_, err := diagnosis.Judge(k, "wrong_temperature", d.with(goodBead()), nil, diagnosis.Unit{Kind: k.ID})
	require.ErrorAs(t, err, new(*diagnosis.InputError))
}

// Own arithmetic at 240 V: bake 2.5 to 3 kW is 23 to 19 Ω, broil 3.4 to 4 kW
// is 17 to 14 Ω.
func TestRangeElements(t *testing.T) {
	require.InDelta(t, 23, 240.0*240/2500, 0.1)
	require.InDelta(t, 19, 240.0*240/3000, 0.3)
	require.InDelta(t, 17, 240.0*240/3400, 0.1)
	require.InDelta(t, 14, 240.0*240/4000, 0.5)
	k := kindNamed(t, "electric_range")
	for _, d := range []done{off(ohm("bake_element", "", "conforms", 21)), off(ohm("broil_element", "", "conforms", 15.5)), off(ohm("bake_element", "", "high", 40)), openCircuit("bake_element", "", "open")} {
		v := judgeKind(t, k, "oven_does_not_heat", d, nil, "broil_element")[0]
		require.Equal(t, d.finding, v.Finding, v.Sentence)
	}
}

func TestOvenDoesNotHeatCalls(t *testing.T) {
	has := []string{"electronic_sensor", "broil_element"}
	noBake, dead := look("what_heats", "no_bake"), look("what_heats", "oven_dead")
	requireCalls(t, kindNamed(t, "electric_range"), "oven_does_not_heat", []kindCall{
		{name: "bake open", steps: []done{noBake, openCircuit("bake_element", "", "open")}, top: "bake_open"},
		{name: "bake grounded", steps: []done{noBake, ohm("bake_to_case", "", "grounded", 200)}, top: "bake_grounded"},
		{name: "relay", steps: []done{noBake, off(ohm("bake_element", "", "conforms", 21)), look("relay_click", "clicks"), volts("relay_output", "voltage", "low", 2)}, top: "relay_open"},
		{name: "sensor open", has: has, steps: []done{look("what_heats", "error"), platinum("open", -1, 70)}, top: "sensor_open"},
		{name: "sensor short", has: has, steps: []done{look("what_heats", "error"), platinum("short", 3, 70)}, top: "sensor_short"},
		{name: "leg", steps: []done{look("what_heats", "weak_all"), look("terminal_block", "burnt")}, top: "leg_lost"},
		{name: "control", steps: []done{dead, look("settings", "right"), look("relay_click", "no_call")}, top: "control_dead"},
		{name: "cooling", steps: []done{dead, openCircuit("oven_limit", "", "open"), look("cooling_air", "blocked")}, top: "cooling_blocked"},
		{name: "locked", steps: []done{look("settings", "locked")}, top: "use_locked"},
	})
}

func TestWrongTemperatureCalls(t *testing.T) {
	has := []string{"electronic_sensor", "broil_element"}
	low, high := ovenRun("low", 310, 4), ovenRun("high", 395, 4)
	requireCalls(t, kindNamed(t, "electric_range"), "wrong_temperature", []kindCall{
		{name: "sensor high", has: has, steps: []done{low, platinum("high", 1150, 70)}, top: "sensor_high"},
		{name: "sensor low", has: has, steps: []done{high, platinum("low", 1020, 70)}, top: "sensor_low"},
		{name: "offset", steps: []done{low, look("calibration_offset", "shifted")}, top: "offset_shifted"},
		{name: "habit", steps: []done{ovenRun("conforms", 352, 4), look("cookware", "habit")}, top: "use_habit"},
		{name: "gasket", steps: []done{low, look("oven_gasket", "leaks")}, top: "gasket_leaks"},
		{name: "welded relay", steps: []done{high, off(ohm("relay_at_rest", "", "closed_at_rest", 0.3))}, top: "relay_welded"},
		{name: "relay now and then", has: has, steps: []done{low, platinum("conforms", 1082, 70), look("oven_gasket", "grips"), look("calibration_offset", "zero"), volts("relay_output", "voltage", "low", 40)}, top: "relay_open"},
		{name: "bake weak", steps: []done{low, off(ohm("bake_element", "", "high", 40))}, top: "bake_high"},
		{name: "broil open", has: has, steps: []done{look("what_heats", "no_broil"), openCircuit("broil_element", "", "open")}, top: "broil_open"},
	})
}
