package diagnosis_test

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

var update = flag.Bool("update", false, "write the golden files of the worked calls anew")

func builtIn(t testing.TB) *catalogue.Kind {
	c, err := catalogue.Open()
	require.NoError(t, err)
	k, ok := c.Kind("electric_dryer")
	require.True(t, ok)
	return k
}

// dryerSheet is an invented model's data sheet with the trade's figures
// (common practice, no source) and the published 3977 K table.
func dryerSheet(t testing.TB) diagnosis.Sheet {
	return diagnosis.Sheet{
		"cycling_thermostat_rating": {Value: num(degF(155)), Unit: "[degF]", Origin: "tech sheet, page 2", Confirmed: true},
		"high_limit_rating":         {Value: num(degF(250)), Unit: "[degF]", Origin: "tech sheet, page 2", Confirmed: true},
		"bias_heater_resistance":    {Low: num(5600), High: num(8400), Unit: "Ohm", Origin: "tech sheet, page 2", Confirmed: true},
		"thermistor_curve":          {Curve: curve3977(t), Unit: "Ohm", Origin: "tech sheet, page 3", Confirmed: true},
	}
}

func dryer(features ...string) diagnosis.Unit {
	u := diagnosis.Unit{Kind: "electric_dryer", Has: map[string]bool{}}
	for _, f := range features {
		u.Has[f] = true
	}
	return u
}

// done is one check of a worked call.
type done struct {
	check, position string
	phase           diagnosis.Phase
	values          values
	instrument      *diagnosis.Instrument
	finding         string // expected of the judgement
}

// call is a worked call: what was done, in order, one step a quarter of an
// hour, and where it must lead. Actions come after the readings before them.
type call struct {
	name     string
	unit     diagnosis.Unit
	triage   map[string]string
	isolated bool
	steps    []any // done or diagnosis.Done without a time
	top      string
	next     string // check; "" when it is time to conclude
}

// with is the bare reading, taken with an instrument.
func (d done) with(in *diagnosis.Instrument) diagnosis.Reading {
	return diagnosis.Reading{Check: d.check, Position: d.position, Values: d.values, Instrument: in}
}

func look(check, result string) done {
	return done{check: check, values: values{"result": chosen(result)}, finding: result}
}

func verify(d done) done {
	d.phase = diagnosis.Verification
	return d
}

func hood(fpm float64, finding string) done {
	return done{check: "hood", values: values{"velocity": value(fpm*0.00508, "[ft_i]/min")}, finding: finding,
		instrument: &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1}}
}

func coldRun(finding string, end float64) done {
	return done{check: "air_only_run", instrument: goodBead(), finding: finding, values: values{
		"start_temperature": fahrenheits(72), "end_temperature": fahrenheits(end), "minutes": seconds(300), "already_warm": chosen("no")}}
}

func highRun(finding string, off, on []float64, heat ...float64) done {
	return done{check: "as_found_run", instrument: goodBead(), finding: finding, values: values{
		"off_temperature": fahrenheits(off...), "on_temperature": fahrenheits(on...), "heating_time": seconds(heat...),
		"setting": chosen("high"), "load": chosen("empty")}}
}

func ohm(check, position, finding string, x float64) done {
	return done{check: check, position: position, finding: finding, instrument: goodMeter(),
		values: values{"resistance": value(x, "Ohm"), "wires_off": chosen("yes")}}
}

func openCircuit(check, position, finding string) done {
	return done{check: check, position: position, finding: finding, instrument: goodMeter(),
		values: values{"resistance": {{Over: true, Unit: "Ohm"}}, "wires_off": chosen("yes")}}
}

func goodRun() done {
	return highRun("normal", []float64{154, 155, 155}, []float64{135, 136, 135}, 290, 185, 180)
}

func limitRun() done {
	return highRun("cycles_high_limit", []float64{126, 127, 126}, []float64{112, 113, 112}, 110, 48, 45)
}

func lateRun() done {
	return highRun("off_high", []float64{184, 186, 185}, []float64{162, 163, 162}, 480, 230, 225)
}

func workedCalls() []call {
	return []call{
		{name: "nothing_yet", unit: dryer(), top: "run_restricted", next: "hood_look"},
		{name: "crushed_duct", unit: dryer(), triage: map[string]string{"dry_time": "grown", "worked_on": "moved"}, top: "transition_crushed", next: "",
			steps: []any{look("hood_look", "weak_flow"), hood(650, "low"), look("lint_screen", "clean"), coldRun("no_heat", 75), limitRun(),
				done{check: "collar_pressure", values: values{"pressure": value(320, "[in_i'H2O]")}, finding: "high"},
				done{check: "duct_off_run", finding: "duct_restricted", values: values{"cycling": chosen("normal_now")}},
				diagnosis.Done{Action: "move_out"}, look("duct_and_box", "transition_crushed")}},
		{name: "welded_thermostat", unit: dryer(), triage: map[string]string{"onset": "suddenly", "dry_time": "shorter"}, top: "cycling_thermostat_never", next: "", isolated: true,
			steps: []any{look("hood_look", "full_flow"), coldRun("no_heat", 75),
				done{check: "as_found_run", instrument: goodBead(), finding: "no_cycling", values: values{
					"off_temperature": fahrenheits(205), "current": value(22, "A"), "setting": chosen("high"), "load": chosen("empty")}},
				ohm("coil_to_case", "terminal_1", "conforms", 5e6), openCircuit("heat_relay", "", "open_at_rest"),
				done{check: "cycling_thermostat_stamp", values: values{"rating": fahrenheits(155)}, finding: "matches"},
				done{check: "cycling_thermostat_warm_up", position: "heat_pair", instrument: goodBead(), finding: "never",
					values: values{"last_closed": fahrenheits(240), "minutes": seconds(600)}}}},
		{name: "grounded_coil", unit: dryer(), triage: map[string]string{"warm_when_off": "yes", "heat_on_air_only": "yes"}, top: "coil_grounded", next: "", isolated: true,
			steps: []any{look("hood_look", "full_flow"), coldRun("heats", 118), ohm("coil_to_case", "terminal_1", "grounded", 6)}},
		{name: "bias_heater_open", unit: dryer("bias_heater", "low_setting"), triage: map[string]string{"setting": "low_only"}, top: "bias_heater_open", next: "", isolated: true,
			steps: []any{look("hood_look", "full_flow"), goodRun(),
				done{check: "low_setting_cycle", finding: "same", instrument: goodBead(), values: values{
					"off_temperature_high": fahrenheits(155, 156), "off_temperature_low": fahrenheits(154, 155)}},
				openCircuit("bias_heater", "", "open")}},
		{name: "thermistor_high", unit: dryer("thermistor"), triage: map[string]string{"dry_time": "shorter"}, top: "thermistor_high", next: "", isolated: true,
			steps: []any{look("hood_look", "full_flow"), coldRun("no_heat", 74), lateRun(), look("thermistor_seat", "in_place"),
				done{check: "thermistor", position: "at_part", instrument: goodMeter(), finding: "high",
					values: values{"resistance": value(16000, "kOhm"), "temperature": fahrenheits(77)}},
				done{check: "thermistor", position: "at_board_plug", instrument: goodMeter(), finding: "high",
					values: values{"resistance": value(16050, "kOhm"), "temperature": fahrenheits(77)}}}},
		{name: "slipping_blower", unit: dryer(), triage: map[string]string{"dry_time": "grown"}, top: "blower_slips", next: "", isolated: true,
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), coldRun("no_heat", 75), limitRun(),
				done{check: "collar_pressure", values: values{"pressure": value(40, "Pa")}, finding: "conforms"},
				done{check: "duct_off_run", finding: "duct_clear", values: values{"cycling": chosen("same")}},
				look("blower_wheel", "slips")}},
		{name: "nothing_wrong", unit: dryer(), triage: map[string]string{"scorch": "no"}, top: "no_fault", next: "drum_seals",
			steps: []any{look("hood_look", "full_flow"), hood(1700, "conforms"), look("lint_screen", "clean"), coldRun("no_heat", 75), goodRun()}},
	}
}

// judged plays a call's steps.
func (c call) play(t testing.TB, k *catalogue.Kind, s diagnosis.Sheet) diagnosis.Case {
	out := diagnosis.Case{Complaint: "runs_too_hot", Unit: c.unit, Sheet: s, Triage: c.triage, Isolated: c.isolated}
	for i, step := range c.steps {
		if a, ok := step.(diagnosis.Done); ok {
			a.At = at(15 * i)
			out.Done = append(out.Done, a)
			continue
		}
		d := step.(done)
		r := diagnosis.Reading{ID: string(rune('a' + i)), Check: d.check, Position: d.position, Phase: d.phase, At: at(15 * i), Values: d.values, Instrument: d.instrument, Lead: 0.1}
		if r.Phase == "" {
			r.Phase = diagnosis.AsFound
		}
		vs, err := diagnosis.Judge(k, out.Complaint, r, s, c.unit)
		require.NoError(t, err, d.check)
		require.Equal(t, d.finding, vs[0].Finding, "%s: %s %s", d.check, vs[0].Sentence, vs[0].Do)
		out.Readings = append(out.Readings, diagnosis.Judged{Reading: r, Verdicts: vs})
	}
	return out
}

// Each worked call leads to its fault. The way there is common practice, no
// source; the figures are the catalogue's, which are judgement.
func TestWorkedCalls(t *testing.T) {
	k := builtIn(t)
	for _, c := range workedCalls() {
		t.Run(c.name, func(t *testing.T) {
			cs := c.play(t, k, dryerSheet(t))
			a, err := diagnosis.Assess(k, cs)
			require.NoError(t, err)
			require.Equal(t, c.top, a.Ranking[0].Fault, "%+v", a.Ranking[:3])
			if c.next == "" {
				require.True(t, a.Enough, "%+v", a)
			} else {
				require.Equal(t, c.next, a.Next[0].Check)
			}
			golden(t, c.name, cs, a)
		})
	}
}

// repaired is the crushed duct's call after the new transition piece, with a
// verification reading for each closing item.
func repaired() call {
	c := workedCalls()[1]
	c.name = "verified_repair"
	ground := done{check: "frame_ground", finding: "conforms", values: values{"resistance": value(0.15, "Ohm")},
		instrument: &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.001}}
	closed := func(check string) done { return ohm(check, "", "conforms", 0.15) }
	steps := []any{diagnosis.Done{Action: "replace_transition"}}
	for _, d := range []done{look("safety_devices", "in_place"), contact(closed("high_limit")), contact(closed("cut_off")),
		openCircuit("coil_to_case", "terminal_1", "conforms"), ground, coldRun("no_heat", 75), goodRun(), hood(1700, "conforms"),
		{check: "duct_off_run", finding: "duct_clear", instrument: &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1},
			values: values{"velocity_on": value(8.6, "m/s"), "velocity_off": value(9, "m/s")}}} {
		steps = append(steps, verify(d))
	}
	c.steps = append(c.steps, steps...)
	return c
}

// contact swaps the meter for one that resolves a milliohm.
func contact(d done) done {
	d.instrument = &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.001}
	return d
}

// A verified good repair closes the call: the ranking still explains the
// complaint, no part contradicts it, and nothing is missing.
func TestVerifiedRepairOfACrushedDuct(t *testing.T) {
	k, s := builtIn(t), dryerSheet(t)
	before, err := diagnosis.Assess(k, workedCalls()[1].play(t, k, s))
	require.NoError(t, err)
	cs := repaired().play(t, k, s)
	a, err := diagnosis.Assess(k, cs)
	require.NoError(t, err)
	require.Equal(t, before.Ranking, a.Ranking)
	for _, p := range a.Parts {
		require.NotEqual(t, diagnosis.DoesNotConform, p.Outcome, "%+v", p)
	}
	ok, why := diagnosis.Supports(a, cs.Readings, "transition_crushed")
	require.True(t, ok, why)
	ok, why = diagnosis.Supports(a, cs.Readings, "cycling_thermostat_late")
	require.False(t, ok, why)
	statements := map[string]bool{}
	complaint, _ := k.Complaint("runs_too_hot")
	for _, cl := range complaint.Closing {
		if cl.Statement != "" {
			statements[cl.Statement] = true
		}
	}
	require.Empty(t, diagnosis.Open(k, cs, statements, []string{"transition_crushed"}))
	require.NotEmpty(t, diagnosis.Open(k, cs, nil, []string{"transition_crushed"}))
	golden(t, "verified_repair", cs, a)
}

// golden compares verdicts and assessment with the file of the call.
func golden(t *testing.T, name string, cs diagnosis.Case, a diagnosis.Assessment) {
	type said struct{ Check, Position, Finding, Part, Outcome, Fault, Sentence, Do string }
	out := struct {
		Verdicts   []said
		Assessment diagnosis.Assessment
	}{Assessment: a}
	for _, j := range cs.Readings {
		for _, v := range j.Verdicts {
			out.Verdicts = append(out.Verdicts, said{j.Reading.Check, j.Reading.Position, v.Finding, v.Part, string(v.Outcome), v.Fault, v.Sentence, v.Do})
		}
	}
	out.Assessment.Ranking = out.Assessment.Ranking[:5]
	rounded(&out.Assessment)
	got, err := json.MarshalIndent(out, "", "  ")
	require.NoError(t, err)
	goldenText(t, name+".json", string(got)+"\n")
}

// goldenText compares a text with its golden file and names the first line
// that differs.
func goldenText(t *testing.T, name, got string) {
	path := filepath.Join("..", "testdata", "calls", name)
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	data, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to write it")
	want, have := strings.Split(string(data), "\n"), strings.Split(got, "\n")
	for i := range min(len(want), len(have)) {
		require.Equal(t, want[i], have[i], "%s, line %d: run the test with -update if the change is meant", path, i+1)
	}
	require.Len(t, have, len(want), path)
}

// rounded keeps six digits, so that the last bit of another processor does not
// show in a golden file.
func rounded(a *diagnosis.Assessment) {
	six := func(x *float64) { *x = math.Round(*x*1e6) / 1e6 }
	six(&a.Coverage)
	if a.Air != nil && a.Air.Flow != nil {
		six(&a.Air.Flow.Flow)
		six(&a.Air.Flow.U)
	}
	for _, list := range [][]diagnosis.Ranked{a.Ranking, a.Barriers} {
		for i := range list {
			six(&list[i].Probability)
		}
	}
	for i := range a.Next {
		six(&a.Next[i].Gain)
	}
}
