package diagnosis_test

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/airflow"
	"drumline/diagnosis/catalogue"
)

const (
	footOf = 0.3048
	inchOf = 0.0254
	cfmOf  = 0.0004719474432
	waterU = 249.08891 // Pa, conventional inch of water
)

// described is a dryer with a run: transition and concealed length in feet,
// mitred elbows in the concealed run.
func described(transition, concealed float64, elbows int) diagnosis.Unit {
	u := dryer()
	u.Exhaust = &airflow.Exhaust{Termination: "wall", Booster: "none",
		Transition: &airflow.Duct{Material: "semi_rigid_metal", Length: transition * footOf, Diameter: 4 * inchOf},
		Concealed:  &airflow.Duct{Material: "rigid_metal", Length: concealed * footOf, Diameter: 4 * inchOf}}
	if elbows > 0 {
		u.Exhaust.Concealed.Bends = []airflow.Bend{{Degrees: 90, Count: elbows}}
	}
	return u
}

// lawful is a run at the code's limit: 25 ft and two mitred elbows count 35.
func lawful() diagnosis.Unit { return described(6, 25, 2) }

func with(u diagnosis.Unit, change func(*airflow.Exhaust)) diagnosis.Unit {
	change(u.Exhaust)
	return u
}

func dryerVerdict(t require.TestingT, k *catalogue.Kind, d done, s diagnosis.Sheet, u diagnosis.Unit) diagnosis.Verdict {
	vs, err := diagnosis.Judge(k, "runs_too_hot", d.with(d.instrument), s, u)
	require.NoError(t, err)
	return vs[0]
}

// blowerSheet states both figures of the blower (invented).
func blowerSheet(free, shut float64) diagnosis.Sheet {
	return diagnosis.Sheet{"blower_free_flow": {Value: num(free * cfmOf), Unit: "[cft_i]/min", Origin: "installation instructions, page 7", Confirmed: true},
		"blower_shut_off_pressure": {Value: num(shut * waterU), Unit: "[in_i'H2O]", Origin: "installation instructions, page 7", Confirmed: true}}
}

// A lawful run of 35 ft costs 20 to 30 % of the air by itself (common
// practice, no source): 74 % is a clear duct there, 70 % a restricted one on a
// short run, and 68 % too close to tell by the flat figure.
func TestDuctRatioFollowsTheDescribedRun(t *testing.T) {
	k := builtIn(t)
	noisy := with(lawful(), func(e *airflow.Exhaust) { e.SharedRiser = true })
	for _, tt := range []struct {
		name    string
		unit    diagnosis.Unit
		sheet   diagnosis.Sheet
		on      float64 // ft/min of 1,600 with the duct off
		finding string
		says    []string
	}{
		{"unknown run", dryer(), nil, 1088, "between", []string{"at least 70%", "(common practice, no source)"}},
		{"lawful run", lawful(), nil, 1184, "duct_clear", []string{"at least 67%", "own arithmetic: clean, this run keeps 77% with a generic blower, less 10 points allowed"}},
		{"lawful run, restricted", lawful(), nil, 880, "duct_restricted", []string{"55%", "at least 67%"}},
		{"short run", described(4, 3, 0), nil, 1120, "duct_restricted", []string{"at least 81%", "keeps 91% with a generic blower"}},
		{"short run, clear", described(4, 3, 0), nil, 1504, "duct_clear", []string{"at least 81%"}},
		{"blower of the sheet", lawful(), blowerSheet(190, 2), 1184, "between", []string{"at least 72%", "with the blower of the data sheet (installation instructions, page 7), less 5 points allowed"}},
		{"long run", described(6, 60, 4), nil, 720, "duct_restricted", []string{"at least 56%", "keeps 66%", "Even clean, a run like this keeps less than 70%: it is long or narrow for a dryer."}},
		{"run beyond all measure", described(8, 120, 6), nil, 640, "duct_restricted", []string{"at least 55%", "never below 55%"}},
		{"shared riser", noisy, nil, 1360, "duct_clear", []string{"at least 70%", "The limit is the usual one: the run ends in a shared riser"}},
		{"length unknown", with(lawful(), func(e *airflow.Exhaust) { e.Concealed.Length = 0 }), nil, 1360, "duct_clear", []string{"described without its length"}},
		{"nothing said of transition and width", with(lawful(), func(e *airflow.Exhaust) { e.Transition, e.Concealed.Diameter = nil, 0 }), nil, 1184, "duct_clear",
			[]string{"6 ft of semi-rigid transition duct and 4 in duct assumed"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := dryerVerdict(t, k, ratio("", tt.on, 1600), tt.sheet, tt.unit)
			require.Equal(t, tt.finding, v.Finding, v.Sentence)
			for _, s := range tt.says {
				require.Contains(t, v.Sentence, s)
			}
			require.Empty(t, v.Missing)
		})
	}
	v := dryerVerdict(t, k, fresh("duct_off_run", "", "", nil, values{"cycling": chosen("same")}), nil, lawful())
	require.Equal(t, "The duct is clear: the heat cycles the same either way.", v.Sentence, "nothing was measured, so no limit is told")
	require.InDelta(t, 0.67, *v.Limit.Low, 0.005)
}

// An unconfirmed blower is said to be one; half a blower stays generic; what
// cannot be a blower is not used.
func TestWhoseBlower(t *testing.T) {
	k := builtIn(t)
	one := func(parameter string, si float64, confirmed bool) diagnosis.Sheet {
		return diagnosis.Sheet{parameter: {Value: &si, Confirmed: confirmed}}
	}
	both := blowerSheet(190, 2)
	v := both["blower_free_flow"]
	v.Confirmed = false
	both["blower_free_flow"] = v
	for says, s := range map[string]diagnosis.Sheet{
		"the blower of the data sheet (installation instructions, page 7, unconfirmed)": both,
		"a generic blower of the data sheet's flow":                                     one("blower_free_flow", 190*cfmOf, true),
		"a generic blower of the data sheet's pressure (unc":                            one("blower_shut_off_pressure", 2*waterU, false),
		"a generic blower, less":                                                        one("blower_free_flow", 0, true),
	} {
		require.Contains(t, dryerVerdict(t, k, ratio("", 1184, 1600), s, lawful()).Sentence, says)
	}
}

// The collar: the figure of the clean run stands beside the limit.
func TestCollarBesideTheCleanRun(t *testing.T) {
	k := builtIn(t)
	collar := func(inches float64) done {
		return fresh("collar_pressure", "", "", &diagnosis.Instrument{Method: "manometer", Percent: 1, Counts: 1, Resolution: 0.005 * waterU},
			values{"pressure": value(inches*waterU, "[in_i'H2O]")})
	}
	sheet := diagnosis.Sheet{"back_pressure_max": {Value: num(0.9 * waterU), Unit: "[in_i'H2O]", Origin: "installation instructions, page 7", Confirmed: true}}
	for _, tt := range []struct {
		name    string
		unit    diagnosis.Unit
		sheet   diagnosis.Sheet
		inches  float64
		finding string
		says    string
	}{
		{"blocked", described(4, 10, 1), nil, 1.2, "high", "at most 0.6 in w.g. (common practice, no source). The duct or hood holds the air up. Clean, this run shows about 0.423 to 0.48 in w.g. with a generic blower. What is above that is a blockage on the way out: transition piece, run or hood."},
		{"the run itself", described(6, 60, 4), nil, 0.9, "high", "So the run itself takes that much: it is long or narrow, and cleaning alone will not bring it down."},
		{"weak blower", described(4, 10, 1), nil, 0.1, "conforms", "This is far below it: if the air outside is weak too, look at blower, seals and inlet, not at the duct."},
		{"as it should be", described(4, 10, 1), nil, 0.45, "conforms", "The duct does not hold the air up. Clean, this run shows about 0.423 to 0.48 in w.g. with a generic blower. Accuracy used"},
		{"the sheet's limit", lawful(), sheet, 0.75, "conforms", "at most 0.9 in w.g. (installation instructions, page 7)"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := dryerVerdict(t, k, collar(tt.inches), tt.sheet, tt.unit)
			require.Equal(t, tt.finding, v.Finding, v.Sentence)
			require.Contains(t, v.Sentence, tt.says)
		})
	}
	plain := dryerVerdict(t, k, collar(0.3), nil, dryer()).Sentence
	require.NotContains(t, plain, "Clean,")
	require.NotContains(t, plain, "pitot")
	pitot := collar(0.3)
	pitot.instrument.Method = "pitot"
	require.Contains(t, dryerVerdict(t, k, pitot, nil, dryer()).Sentence, "it shows the velocity pressure, which is another quantity.")
}

// The speed at the hood is a flow in the duct, whose width counts, and neither
// is a pressure: 1,500 fpm in four inches are 131 cfm (own arithmetic).
func TestHoodSpeedIsAFlow(t *testing.T) {
	k := builtIn(t)
	v := dryerVerdict(t, k, hood(1500, ""), nil, lawful())
	require.Contains(t, v.Sentence, "In a 4 in duct that is 131 cfm (±6.8 cfm); clean, this run passes about 133 to 146 cfm with a generic blower.")
	require.InDelta(t, 1500*0.00508, *v.Measured, 1e-9, "the verdict speaks of the speed")
	wide := with(lawful(), func(e *airflow.Exhaust) { e.Concealed.Diameter = 5 * inchOf })
	require.Contains(t, dryerVerdict(t, k, hood(1500, ""), nil, wide).Sentence, "In a 5 in duct that is 205 cfm")
	metric := hood(1500, "")
	metric.values = values{"velocity": value(7.62, "m/s")}
	require.Contains(t, dryerVerdict(t, k, metric, nil, dryer()).Sentence, "In a 4 in duct (assumed) that is 61.8 L/s (±3.2 L/s).")
}

// More duct never makes the limit stricter, and more air with the duct on
// never makes a verdict worse.
func TestDuctRatioIsMonotone(t *testing.T) {
	k := builtIn(t)
	worse := map[diagnosis.Outcome]int{diagnosis.Conforms: 0, diagnosis.Inconclusive: 1, diagnosis.DoesNotConform: 2}
	rapid.Check(t, func(t *rapid.T) {
		transition, concealed := rapid.Float64Range(0.5, 10).Draw(t, "transition"), rapid.Float64Range(0.5, 80).Draw(t, "concealed")
		elbows := rapid.IntRange(0, 6).Draw(t, "elbows")
		on, more := rapid.Float64Range(100, 1600).Draw(t, "on"), rapid.Float64Range(0, 400).Draw(t, "more")
		u := described(transition, concealed, elbows)
		low, high := dryerVerdict(t, k, ratio("", on, 1600), nil, u), dryerVerdict(t, k, ratio("", on+more, 1600), nil, u)
		require.GreaterOrEqual(t, worse[low.Outcome], worse[high.Outcome])
		longer := described(transition+rapid.Float64Range(0, 5).Draw(t, "longer"), concealed, elbows+rapid.IntRange(0, 3).Draw(t, "more elbows"))
		long := dryerVerdict(t, k, ratio("", on, 1600), nil, longer)
		require.LessOrEqual(t, *long.Limit.Low, *low.Limit.Low)
		require.GreaterOrEqual(t, worse[low.Outcome], worse[long.Outcome])
	})
}

// Whatever is described, a verdict comes of it.
func FuzzDescribedRun(f *testing.F) {
	f.Add(1.8, 7.6, 0.1016, 90.0, 0.0, 2, 5.0, 8.0)
	f.Add(0.0, math.Inf(1), -1.0, math.NaN(), 1e300, -5, 0.0, 1e3)
	k := builtIn(f)
	f.Fuzz(func(t *testing.T, transition, concealed, width, degrees, radius float64, count int, on, off float64) {
		u := dryer()
		u.Exhaust = &airflow.Exhaust{Termination: "roof", Transition: &airflow.Duct{Length: transition},
			Concealed: &airflow.Duct{Length: concealed, Diameter: width, Bends: []airflow.Bend{{Degrees: degrees, Radius: radius, Count: count}}}}
		r := diagnosis.Reading{ID: "a", Check: "duct_off_run", Values: values{"velocity_on": value(on, "m/s"), "velocity_off": value(off, "m/s")}}
		vs, err := diagnosis.Judge(k, "runs_too_hot", r, nil, u)
		if err != nil {
			require.IsType(t, &diagnosis.InputError{}, err)
			return
		}
		require.False(t, math.IsNaN(vs[0].Probability) || math.IsNaN(*vs[0].Limit.Low))
		u.Watts = num(math.Abs(on) * 1000)
		a, err := diagnosis.Assess(k, diagnosis.Case{Complaint: "runs_too_hot", Unit: u, Readings: []diagnosis.Judged{{Reading: r, Verdicts: vs}}})
		require.NoError(t, err)
		_, err = json.Marshal(a.Air)
		require.NoError(t, err, "every figure is a number")
	})
}
