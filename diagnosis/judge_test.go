package diagnosis_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// sheet is a data sheet with the trade's figures (common practice, no
// source): cycling thermostats are rated 135 to 165 °F, high limits 180 °F and
// up, a bias heater is typically nominal ± 20 %.
func sheet(t testing.TB) diagnosis.Sheet {
	return diagnosis.Sheet{
		"rating":       {Value: num(degF(155)), Unit: "[degF]", Origin: "tech sheet, page 2", Confirmed: true},
		"limit_rating": {Value: num(degF(250)), Unit: "[degF]", Origin: "tech sheet, page 2"},
		"bias":         {Low: num(5600), High: num(8400), Unit: "Ohm", Origin: "tech sheet, page 2", Confirmed: true},
		"curve":        {Curve: curve3977(t), Unit: "Ohm", Origin: "tech sheet, page 3", Confirmed: true},
	}
}

// curve3977 is the published 10 kΩ table, B25/85 = 3977 K, of the file's own
// source line.
func curve3977(t testing.TB) []diagnosis.Point {
	f, err := os.Open("../testdata/measurement/ntc_10k_b3977.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	var ps []diagnosis.Point
	for _, row := range rows[1:] {
		c, err := strconv.ParseFloat(row[0], 64)
		require.NoError(t, err)
		ohm, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		ps = append(ps, diagnosis.Point{Kelvin: c + 273.15, Ohm: ohm})
	}
	require.Greater(t, len(ps), 20)
	return ps
}

func judge(t testing.TB, r diagnosis.Reading, s diagnosis.Sheet) diagnosis.Verdict {
	u := everything()
	u.Has["change_over"] = true
	vs, err := diagnosis.Judge(smallKind(), "too_hot", r, s, u)
	require.NoError(t, err)
	require.NotEmpty(t, vs)
	return vs[0]
}

// A bias heater specified 5,600 to 8,400 Ω (common practice, no source).
func TestBiasHeater(t *testing.T) {
	coarse := &diagnosis.Instrument{Method: "meter", Percent: 2, Counts: 5, Resolution: 10}
	tests := []struct {
		name    string
		ohm     float64
		meter   *diagnosis.Instrument
		finding string
		outcome diagnosis.Outcome
		says    string
	}{
		{"below", 5400, goodMeter(), "low", diagnosis.DoesNotConform, "limit 5600 to 8400 Ω (tech sheet, page 2)"},
		{"just inside the lower end", 5700, goodMeter(), "conforms", diagnosis.Conforms, "Accuracy used: ±31 Ω (as the instrument is stated)."},
		{"just inside the upper end", 8300, goodMeter(), "conforms", diagnosis.Conforms, "Accuracy used: ±44 Ω (as the instrument is stated)."},
		{"above", 8600, goodMeter(), "high", diagnosis.DoesNotConform, ""},
		{"just inside, coarse meter", 8300, coarse, "between_high", diagnosis.Inconclusive, ""},
		{"just inside, unknown meter", 5650, nil, "between_low", diagnosis.Inconclusive, ""},
		{"middle, unknown meter", 7000, nil, "conforms", diagnosis.Conforms, "the instrument is not known"},
		{"far above, unknown meter", 20000, nil, "high", diagnosis.DoesNotConform, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := judge(t, diagnosis.Reading{Check: "bias", Instrument: tt.meter, Lead: 0.2,
				Values: values{"resistance": value(tt.ohm+0.2, "Ohm"), "wires_off": chosen("yes")}}, sheet(t))
			require.Equal(t, tt.finding, v.Finding, v.Sentence)
			require.Equal(t, tt.outcome, v.Outcome)
			require.Contains(t, v.Sentence, tt.says)
			require.InDelta(t, tt.ohm, *v.Measured, 1e-6, "the leads are taken off")
			require.Positive(t, v.Uncertainty)
			require.Equal(t, "tech sheet, page 2", v.Limit.Origin)
		})
	}
}

func TestBiasHeaterOpenExplainsTheComplaintAndLowDoesNot(t *testing.T) {
	r := diagnosis.Reading{Check: "bias", Values: values{"resistance": {{Over: true, Unit: "Ohm"}}, "wires_off": chosen("yes")}}
	v := judge(t, r, sheet(t))
	require.Equal(t, "open", v.Finding)
	require.Zero(t, v.Probability)
	require.Equal(t, "bias_open", v.Fault)
	require.Equal(t, catalogue.ExplainsYes, v.Explains)
	require.Contains(t, v.Sentence, "over range")
	r.Values["resistance"] = value(3000, "Ohm")
	require.Equal(t, catalogue.ExplainsNo, judge(t, r, sheet(t)).Explains)
}

// With the wires on a path beside the part lowers the reading: too high and
// open stay true, anything else says nothing.
func TestWiresOn(t *testing.T) {
	for ohm, want := range map[float64]string{3000: "between_low", 7000: "between_low", 12000: "high"} {
		v := judge(t, diagnosis.Reading{Check: "bias", Instrument: goodMeter(), Lead: 0.2,
			Values: values{"resistance": value(ohm, "Ohm"), "wires_off": chosen("no")}}, sheet(t))
		require.Equal(t, want, v.Finding)
		if want == "between_low" {
			require.Contains(t, v.Do, "Take the wires off")
		}
	}
}

func TestAMissingSheetValueIsNamed(t *testing.T) {
	v := judge(t, diagnosis.Reading{Check: "warm_up", Position: "heat_pair", Values: values{
		"last_closed": fahrenheits(150), "first_open": fahrenheits(156), "minutes": seconds(600)}}, nil)
	require.Equal(t, diagnosis.Inconclusive, v.Outcome)
	require.Equal(t, "no_limit", v.Finding)
	require.Equal(t, "rating", v.Missing)
	require.Contains(t, v.Do, "Enter from the data sheet: thermostat rating. Where it stands: tech sheet in the console. The reading is then judged again.")
}

func TestTheSheetWinsAndSaysWhetherItIsConfirmed(t *testing.T) {
	s := sheet(t)
	v := judge(t, warmUp("limit_warm_up", "", 246, 254, 1800), s)
	require.Equal(t, "tech sheet, page 2 (unconfirmed)", v.Limit.Origin)
	require.False(t, v.Limit.Confirmed)
	require.Equal(t, catalogue.Sheet, v.Limit.Mark)
	s["bias"] = diagnosis.SheetValue{Value: num(7000), Unit: "Ohm", Confirmed: true}
	v = judge(t, diagnosis.Reading{Check: "bias", Values: values{"resistance": value(7000, "Ohm"), "wires_off": chosen("yes")}}, s)
	require.InDelta(t, 5600, *v.Limit.Low, 1e-9, "a single figure takes the catalogue's ± 20 %")
	require.InDelta(t, 8400, *v.Limit.High, 1e-9)
	s["bias"] = diagnosis.SheetValue{Low: num(9000), High: num(5000), Unit: "Ohm"}
	v = judge(t, diagnosis.Reading{Check: "bias", Values: values{"resistance": value(7000, "Ohm"), "wires_off": chosen("yes")}}, s)
	require.Equal(t, "bias", v.Missing, "a sheet value that contradicts itself is none")
}

func warmUp(check, position string, closed, open, secs float64) diagnosis.Reading {
	r := diagnosis.Reading{Check: check, Position: position, Instrument: goodBead(), Values: values{"last_closed": fahrenheits(closed)}}
	if open > 0 {
		r.Values["first_open"] = fahrenheits(open)
	}
	if secs > 0 {
		r.Values["minutes"] = seconds(secs)
	}
	return r
}

// A cycling thermostat rated 155 °F and a high limit rated 250 °F (common
// practice, no source), tolerances ± 10 and ± 15 °F (common practice, no
// source), warmed over the last 20 °F in the seconds given.
func TestThermostatOpening(t *testing.T) {
	tests := []struct {
		name               string
		check, position    string
		closed, open, secs float64
		finding            string
		outcome            diagnosis.Outcome
		do                 string
	}{
		{"cycling in time", "warm_up", "heat_pair", 154, 157, 800, "conforms", diagnosis.Conforms, ""},
		{"cycling early", "warm_up", "heat_pair", 125, 128, 800, "early", diagnosis.DoesNotConform, ""},
		{"cycling late", "warm_up", "heat_pair", 185, 188, 800, "late", diagnosis.DoesNotConform, ""},
		{"cycling never", "warm_up", "heat_pair", 230, 0, 800, "never", diagnosis.DoesNotConform, ""},
		{"cycling never, not timed", "warm_up", "heat_pair", 230, 0, 0, "never", diagnosis.DoesNotConform, ""},
		{"cycling still closed at 172, slowly", "warm_up", "heat_pair", 172, 0, 1600, "never", diagnosis.DoesNotConform, ""},
		{"cycling still closed at 172, not timed", "warm_up", "heat_pair", 172, 0, 0, "between", diagnosis.Inconclusive, "It was not heated far enough"},
		{"cycling not heated far enough", "warm_up", "heat_pair", 160, 0, 800, "between", diagnosis.Inconclusive, "It was not heated far enough"},
		{"cycling at the edge", "warm_up", "heat_pair", 164, 167, 800, "between", diagnosis.Inconclusive, "Repeat at no more than"},
		{"cycling too fast", "warm_up", "heat_pair", 185, 188, 60, "too_fast", diagnosis.Inconclusive, "repeat at no more than 5 °F/min"},
		{"cycling not timed", "warm_up", "heat_pair", 185, 188, 0, "too_fast", diagnosis.Inconclusive, "note the minutes over the last 20 °F"},
		{"limit in time", "limit_warm_up", "", 249, 254, 800, "conforms", diagnosis.Conforms, ""},
		{"limit early", "limit_warm_up", "", 215, 219, 800, "early", diagnosis.DoesNotConform, ""},
		{"limit late", "limit_warm_up", "", 285, 289, 800, "late", diagnosis.DoesNotConform, ""},
		{"limit never", "limit_warm_up", "", 330, 0, 800, "never", diagnosis.DoesNotConform, ""},
		{"limit too fast", "limit_warm_up", "", 285, 289, 100, "too_fast", diagnosis.Inconclusive, "repeat at no more than 7.5 °F/min"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := judge(t, warmUp(tt.check, tt.position, tt.closed, tt.open, tt.secs), sheet(t))
			require.Equal(t, tt.finding, v.Finding, "%+v", v)
			require.Equal(t, tt.outcome, v.Outcome)
			require.Contains(t, v.Do, tt.do)
		})
	}
}

func TestThermostatOpenWhenCold(t *testing.T) {
	open := diagnosis.Reading{Check: "warm_up", Position: "heat_pair", Values: values{"first_open": fahrenheits(72)}}
	v := judge(t, open, sheet(t))
	require.Equal(t, "open_cold", v.Finding)
	require.Equal(t, "open_cold", judge(t, open, nil).Finding, "no sheet is needed to see that it is open")
	open.Values["first_open"] = fahrenheits(190)
	require.Equal(t, "between", judge(t, open, sheet(t)).Finding, "hot already when first looked at")
}

// A pair that is open when cold is healthy when it closes in time.
func TestOpenColdPairIsReadTheOtherWayRound(t *testing.T) {
	s := &diagnosis.Series{}
	for i := range 120 {
		f := 95 + float64(i)*0.6 // 4 °F/min at a sample every 9 s
		s.T, s.Value, s.Closed = append(s.T, float64(i*9)), append(s.Value, degF(f)), append(s.Closed, f > 157)
	}
	r := diagnosis.Reading{Check: "warm_up", Position: "timer_pair", Series: s, Instrument: goodBead()}
	require.Equal(t, "conforms", judge(t, r, sheet(t)).Finding)
	r.Position = "heat_pair"
	require.Equal(t, "open_cold", judge(t, r, sheet(t)).Finding, "the same run condemns a pair that is closed when cold")
}

func TestOpensInTimeButDoesNotReclose(t *testing.T) {
	r := warmUp("warm_up", "heat_pair", 154, 157, 800)
	r.Values["recloses"] = chosen("no")
	v := judge(t, r, sheet(t))
	require.Equal(t, "between", v.Finding)
	require.Contains(t, v.Do, "did not close again")
}

// Terminal to case: above 1 MΩ sound, below 10 kΩ grounded, between nothing
// settled, with the wires on nothing at all (common practice, no source).
func TestCoilToCase(t *testing.T) {
	tests := []struct {
		ohm     float64
		over    bool
		wires   string
		finding string
		outcome diagnosis.Outcome
	}{
		{0, true, "yes", "conforms", diagnosis.Conforms},
		{1.2e6, false, "yes", "conforms", diagnosis.Conforms},
		{1.0e6, false, "yes", "between", diagnosis.Inconclusive},
		{100e3, false, "yes", "between", diagnosis.Inconclusive},
		{9.9e3, false, "yes", "between", diagnosis.Inconclusive},
		{9e3, false, "yes", "grounded", diagnosis.DoesNotConform},
		{5, false, "yes", "grounded", diagnosis.DoesNotConform},
		{5, false, "no", "wires_on", diagnosis.Inconclusive},
		{0, true, "no", "wires_on", diagnosis.Inconclusive},
	}
	for _, tt := range tests {
		v := judge(t, diagnosis.Reading{Check: "coil", Position: "terminal_1", Values: values{
			"resistance": {{SI: tt.ohm, Over: tt.over, Unit: "kOhm"}}, "wires_off": chosen(tt.wires)}}, nil)
		require.Equal(t, tt.finding, v.Finding, "%+v", tt)
		require.Equal(t, tt.outcome, v.Outcome)
		require.Equal(t, "common practice, no source", v.Limit.Origin)
	}
}

func TestRelayAtRest(t *testing.T) {
	for ohm, want := range map[float64]string{0.1: "closed_at_rest", 5e6: "open_at_rest", 2000: "wires_on"} {
		v := judge(t, diagnosis.Reading{Check: "relay", Values: values{"resistance": value(ohm, "Ohm"), "wires_off": chosen("yes")}}, nil)
		require.Equal(t, want, v.Finding)
	}
}

func TestStamp(t *testing.T) {
	for f, want := range map[float64]string{155: "matches", 154.4: "matches", 145: "differs", 180: "differs"} {
		v := judge(t, diagnosis.Reading{Check: "stamp", Values: values{"rating": fahrenheits(f)}}, sheet(t))
		require.Equal(t, want, v.Finding)
	}
	require.Equal(t, "no_limit", judge(t, diagnosis.Reading{Check: "stamp", Values: values{"rating": fahrenheits(155)}}, nil).Finding)
}

// Meter accuracy as printed, ±(% of reading + counts): 0.9 % + 2 counts of
// 10 Ω at 10 kΩ is u = 63.51 Ω (JCGM 100:2008, 4.3.7 applied; own arithmetic).
func TestInstrumentEntersTheVerdict(t *testing.T) {
	in := &diagnosis.Instrument{Method: "meter", Percent: 0.9, Counts: 2, Resolution: 10}
	r := diagnosis.Reading{Check: "bias", Instrument: in, Lead: 1e-9, Values: values{"resistance": value(10000, "Ohm"), "wires_off": chosen("yes")}}
	require.InDelta(t, 63.51, judge(t, r, sheet(t)).Uncertainty, 0.01)
	in.Overdue = true
	require.InDelta(t, 127.02, judge(t, r, sheet(t)).Uncertainty, 0.02, "past its calibration date it may err twice as much")
	shorted := judge(t, r, sheet(t)).Uncertainty
	r.Lead = 0
	require.Greater(t, judge(t, r, sheet(t)).Uncertainty, shorted, "leads that were not shorted leave a doubt")
}

func TestInfraredOnBrightMetalSettlesLittle(t *testing.T) {
	r := run(values{"off_temperature": fahrenheits(176, 178, 177), "on_temperature": fahrenheits(155, 156, 155), "heating_time": seconds(400, 200, 190)}, "high", "empty")
	require.Equal(t, "off_high", judge(t, r, nil).Finding)
	r.Instrument = &diagnosis.Instrument{Method: "infrared", Percent: 1, Counts: 10, Resolution: 0.1}
	require.Equal(t, "between", judge(t, r, nil).Finding)
}

func run(v values, setting, load string) diagnosis.Reading {
	v["setting"], v["load"] = chosen(setting), chosen(load)
	return diagnosis.Reading{Check: "run", Values: v}
}

// Runs of a dryer on its outlet (common practice, no source): off 145 to
// 165 °F on HIGH; heats of 30 to 90 s with a normal or low outlet are the high
// limit's; a climb past 170 °F with the current on is the control's.
func TestAsFoundRun(t *testing.T) {
	tests := []struct {
		name    string
		reading diagnosis.Reading
		finding string
	}{
		{"normal", run(values{"off_temperature": fahrenheits(155, 156, 154), "on_temperature": fahrenheits(135, 136, 135), "heating_time": seconds(300, 180, 175)}, "high", "empty"), "normal"},
		{"high limit cycles", run(values{"off_temperature": fahrenheits(125, 127, 126), "on_temperature": fahrenheits(112, 112, 113), "heating_time": seconds(120, 50, 45), "rest_time": seconds(100, 110, 105)}, "high", "empty"), "cycles_high_limit"},
		{"off late", run(values{"off_temperature": fahrenheits(182, 184, 183), "on_temperature": fahrenheits(160, 161, 160), "heating_time": seconds(500, 240, 230)}, "high", "empty"), "off_high"},
		{"off early", run(values{"off_temperature": fahrenheits(122, 121, 122), "on_temperature": fahrenheits(105, 104, 105), "heating_time": seconds(300, 150, 160)}, "high", "empty"), "off_low"},
		{"never off", run(values{"off_temperature": fahrenheits(205), "current": value(22, "A")}, "high", "empty"), "no_cycling"},
		{"late, the clamp showing the motor only", run(values{"off_temperature": fahrenheits(205), "current": value(5, "A")}, "high", "empty"), "off_high"},
		{"stays low with the heat on", run(values{"off_temperature": fahrenheits(112), "heating_time": seconds(900)}, "high", "empty"), "reads_low"},
		{"one cycle", run(values{"off_temperature": fahrenheits(155), "on_temperature": fahrenheits(135), "heating_time": seconds(300)}, "high", "empty"), "too_short"},
		{"nothing noted", run(values{}, "high", "empty"), "too_short"},
		{"wet load", run(values{"off_temperature": fahrenheits(155, 156, 154), "heating_time": seconds(300, 180, 175)}, "high", "wet"), "wet_load"},
		{"near the limit", run(values{"off_temperature": fahrenheits(166, 167, 166), "on_temperature": fahrenheits(145, 146, 145), "heating_time": seconds(300, 180, 175)}, "high", "empty"), "between"},
		{"135 °F is right on LOW", run(values{"off_temperature": fahrenheits(135, 134, 135), "on_temperature": fahrenheits(118, 118, 117), "heating_time": seconds(300, 180, 175)}, "low", "empty"), "normal"},
		{"157 °F is too hot on LOW", run(values{"off_temperature": fahrenheits(157, 156, 157), "on_temperature": fahrenheits(138, 138, 137), "heating_time": seconds(300, 180, 175)}, "low", "empty"), "off_high"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := judge(t, tt.reading, nil)
			require.Equal(t, tt.finding, v.Finding, "%+v", v)
		})
	}
}

func TestRunFromALog(t *testing.T) {
	s := &diagnosis.Series{}
	f, heating := 75.0, true
	for i := range 360 { // an hour, every 10 s: off at 155, on at 135 °F
		if heating = heating && f < 155 || !heating && f <= 135; heating {
			f += 1.2
		} else {
			f--
		}
		s.T, s.Value = append(s.T, float64(i*10)), append(s.Value, degF(f))
	}
	r := diagnosis.Reading{Check: "run", Series: s, Values: values{"setting": chosen("high"), "load": chosen("empty")}}
	v := judge(t, r, nil)
	require.Equal(t, "normal", v.Finding, "%+v", v)
	require.Contains(t, v.Sentence, "°F")
}

func TestAFailedSecondBarrierIsSaidToBeOne(t *testing.T) {
	v := judge(t, diagnosis.Reading{Check: "bypass", Values: values{"result": chosen("bypassed")}}, nil)
	require.Equal(t, catalogue.ExplainsBarrier, v.Explains)
	require.Equal(t, diagnosis.DoesNotConform, v.Outcome)
	require.Zero(t, v.Probability)
}

func TestNotDoneGivesNoVerdict(t *testing.T) {
	vs, err := diagnosis.Judge(smallKind(), "too_hot", diagnosis.Reading{Check: "bias", NotDone: "screw seized"}, nil, everything())
	require.NoError(t, err)
	require.Empty(t, vs)
}

func TestACheckThatDoesNotListTheRulesFindingIsNamed(t *testing.T) {
	k := smallKind()
	c, _ := k.Check("bias")
	c.Findings = c.Findings[1:]
	_, err := diagnosis.Judge(k, "too_hot", diagnosis.Reading{Check: "bias", Values: values{"resistance": value(7000, "Ohm"), "wires_off": chosen("yes")}}, sheet(t), everything())
	require.ErrorContains(t, err, `check bias came to "conforms"`)
	c.Rule = "tarot"
	_, err = diagnosis.Judge(k, "too_hot", diagnosis.Reading{Check: "bias", Values: values{"resistance": value(7000, "Ohm"), "wires_off": chosen("yes")}}, sheet(t), everything())
	require.ErrorContains(t, err, `unknown rule "tarot"`)
}

func TestSentencesSpeakTheUnitEntered(t *testing.T) {
	r := run(values{"off_temperature": {{SI: 340, Unit: "Cel"}, {SI: 341, Unit: "Cel"}}, "on_temperature": {{SI: 330, Unit: "Cel"}}, "heating_time": seconds(300, 200)}, "high", "empty")
	v := judge(t, r, nil)
	require.Contains(t, v.Sentence, "67 °C")
	require.NotContains(t, v.Sentence, "°F")
	require.False(t, strings.ContainsAny(v.Sentence, "{}"))
	require.False(t, math.IsNaN(v.Probability))
}

// The loaded supply may be 240 V ± 10 % and lose 5 % (common practice, no
// source); air at the hood is good from 1,500 ft/min and allowed from 1,200
// (common practice, no source). Both at the built-in catalogue's checks.
func TestFurtherLimits(t *testing.T) {
	meter := &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.1}
	vane := &diagnosis.Instrument{Method: "vane", Percent: 1, Counts: 1, Resolution: 0.05}
	volts := func(loaded, idle float64) diagnosis.Reading {
		return diagnosis.Reading{Check: "supply_loaded", Instrument: meter, Values: values{"line_to_line": value(loaded, "V"), "line_to_line_no_load": value(idle, "V")}}
	}
	tests := []struct {
		name    string
		reading diagnosis.Reading
		finding string
		says    string
	}{
		{"small drop", volts(236, 240), "conforms", ""},
		{"large drop", volts(220, 243), "drop", "Under load the supply loses 9.47% of its volts; allowed is at most 5%"},
		{"drop at the limit", volts(228, 240), "between_low", "At 5% the meter cannot tell; it should be at most 5%"},
		{"low all the same", volts(200, 240), "low", ""},
		{"good air", hood(1700, "").with(vane), "conforms", ""},
		{"marginal air", hood(1330, "").with(vane), "conforms", "Allowed but marginal: good is at least 1500 fpm."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", tt.reading, nil, dryer())
			require.NoError(t, err)
			require.Equal(t, tt.finding, vs[0].Finding, vs[0].Sentence)
			require.Contains(t, vs[0].Sentence, tt.says)
		})
	}
}

// Off temperatures that scatter by more than 8 °F, or a differential outside
// 10 to 30 °F, make a run odd (common practice, no source).
func TestARunAtTheRightTemperatureMayStillBeOdd(t *testing.T) {
	for name, tt := range map[string]struct {
		off, on []float64
		do      string
	}{
		"scatter":      {[]float64{148, 163, 155, 154}, []float64{135, 136, 135, 135}, "differ by 15 °F; right is at most 8 °F"},
		"differential": {[]float64{155, 154, 156}, []float64{110, 109, 111}, "Between off and on lie 45 °F; right is 10 to 30 °F"},
	} {
		r := highRun("", tt.off, tt.on, 300, 185, 180, 182)
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", r.with(goodBead()), nil, dryer())
		require.NoError(t, err, name)
		require.Equal(t, "between", vs[0].Finding, vs[0].Sentence)
		require.Contains(t, vs[0].Do, tt.do)
	}
}

// What a data sheet's origin says is put in as it stands, braces and all.
func TestSentenceIsFilledInOnePass(t *testing.T) {
	s := sheet(t)
	b := s["bias"]
	b.Origin = "page {value} of {x}"
	s["bias"] = b
	v := judge(t, diagnosis.Reading{Check: "bias", Instrument: goodMeter(), Values: values{"resistance": value(7000, "Ohm"), "wires_off": chosen("yes")}}, s)
	require.Contains(t, v.Sentence, "Measured 7000 Ω, limit 5600 to 8400 Ω (page {value} of {x}).")
}

func TestTheFormOfAParameterDecidesItsSides(t *testing.T) {
	for form, want := range map[string]map[float64]string{
		"at_most":  {3000: "conforms", 9000: "high"},
		"at_least": {3000: "low", 9000: "conforms"},
		"value":    {3000: "low", 8000: "conforms", 10500: "high"},
	} {
		k := smallKind()
		p, _ := k.Parameter("bias")
		p.Form = form
		s := diagnosis.Sheet{"bias": {Value: num(8000), Unit: "Ohm"}}
		for ohm, finding := range want {
			vs, err := diagnosis.Judge(k, "too_hot", diagnosis.Reading{Check: "bias", Instrument: goodMeter(), Values: values{"resistance": value(ohm, "Ohm"), "wires_off": chosen("yes")}}, s, everything())
			require.NoError(t, err)
			require.Equal(t, finding, vs[0].Finding, "%s %g", form, ohm)
		}
	}
}

// A run that settles one part leaves another undecided at a half.
func TestAnUndecidedPartStaysAtAHalf(t *testing.T) {
	vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", limitRun().with(goodBead()), nil, dryer())
	require.NoError(t, err)
	for _, v := range vs {
		if v.Outcome == diagnosis.Inconclusive {
			require.Equal(t, 0.5, v.Probability, v.Part)
		} else {
			require.LessOrEqual(t, v.Probability, 0.05, v.Part)
		}
	}
	require.Greater(t, len(vs), 1)
}
