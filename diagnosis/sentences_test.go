package diagnosis_test

import (
	"fmt"
	"maps"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// sampleSheet is the invented model's sheet with the dual coil as well.
func sampleSheet(t testing.TB) diagnosis.Sheet {
	s := dryerSheet(t)
	s["coil_1_resistance"] = diagnosis.SheetValue{Low: num(18), High: num(22), Unit: "Ohm", Origin: "tech sheet, page 2"}
	return s
}

// at a position, or judged without the data sheet.
type sample struct {
	done
	unit    diagnosis.Unit
	noSheet bool
}

func (d done) on(u diagnosis.Unit) sample { return sample{done: d, unit: u} }

func (d done) withoutSheet() sample { return sample{done: d, unit: dryer(), noSheet: true} }

// wired is an ohm reading with the wires left on.
func wired(check, position string, x float64) done {
	d := ohm(check, position, "wires_on", x)
	d.values["wires_off"] = chosen("no")
	return d
}

func fresh(check, position, finding string, in *diagnosis.Instrument, v values) done {
	return done{check: check, position: position, finding: finding, instrument: in, values: v}
}

func legs(d done, a, b float64) done {
	d.values = maps.Clone(d.values)
	d.values["leg_1_current"], d.values["leg_2_current"] = value(a, "A"), value(b, "A")
	return d
}

func runOf(finding, load string, v values) done {
	all := values{"setting": chosen("high"), "load": chosen(load)}
	maps.Copy(all, v)
	return fresh("as_found_run", "", finding, goodBead(), all)
}

func vane() *diagnosis.Instrument {
	return &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1}
}

func ratio(finding string, on, off float64) done {
	return fresh("duct_off_run", "", finding, vane(), values{"velocity_on": value(on*0.00508, "[ft_i]/min"), "velocity_off": value(off*0.00508, "[ft_i]/min")})
}

func lowCycle(finding string, low float64) done {
	return fresh("low_setting_cycle", "", finding, goodBead(), values{"off_temperature_high": fahrenheits(155, 156), "off_temperature_low": fahrenheits(low, low+1)})
}

func airSamples() []any {
	short := coldRun("between", 73)
	short.values["minutes"] = seconds(60)
	warm := coldRun("between", 73)
	warm.values["already_warm"] = chosen("yes")
	return []any{
		hood(1700, "conforms"), hood(1330, "conforms"), hood(650, "low"), hood(1195, "between_low"),
		coldRun("no_heat", 75), legs(short, 5, 0.1).now("no_heat"), coldRun("heats", 118), legs(coldRun("heats", 75), 27, 22), legs(coldRun("unequal_legs", 75), 16, 0.1),
		short, warm, coldRun("between", 82),
		goodRun(), limitRun(), lateRun(), highRun("off_low", []float64{122, 123, 122}, []float64{104, 105, 104}, 300, 185, 180),
		runOf("no_cycling", "empty", values{"off_temperature": fahrenheits(205), "current": value(22, "A")}),
		runOf("reads_low", "empty", values{"off_temperature": fahrenheits(126), "heating_time": seconds(780)}),
		runOf("too_short", "empty", values{"off_temperature": fahrenheits(152)}),
		runOf("wet_load", "wet", values{"off_temperature": fahrenheits(110, 112), "on_temperature": fahrenheits(95, 96)}),
		highRun("between", []float64{170, 169, 170}, []float64{152, 151, 152}, 300, 185, 180),
		fresh("collar_pressure", "", "conforms", nil, values{"pressure": value(75, "[in_i'H2O]")}),
		fresh("collar_pressure", "", "high", nil, values{"pressure": value(280, "[in_i'H2O]")}),
		fresh("collar_pressure", "", "between_high", nil, values{"pressure": value(150, "[in_i'H2O]")}),
		ratio("duct_restricted", 700, 1600), ratio("duct_clear", 1500, 1600), ratio("between", 1120, 1600), ratio("between", 10, 30),
		fresh("duct_off_run", "", "duct_restricted", nil, values{"cycling": chosen("normal_now")}),
		fresh("duct_off_run", "", "duct_clear", nil, values{"cycling": chosen("same")}),
		hood(1500, "conforms").on(lawful()), ratio("duct_clear", 1184, 1600).on(lawful()), ratio("duct_restricted", 880, 1600).on(lawful()),
		ratio("between", 1060, 1600).on(lawful()), ratio("duct_restricted", 720, 1600).on(described(6, 60, 4)),
		fresh("collar_pressure", "", "high", nil, values{"pressure": value(280, "[in_i'H2O]")}).on(lawful()),
		fresh("collar_pressure", "", "high", nil, values{"pressure": value(230, "[in_i'H2O]")}).on(described(6, 60, 4)),
		fresh("collar_pressure", "", "conforms", nil, values{"pressure": value(40, "[in_i'H2O]")}).on(lawful()),
		lowCycle("lower", 128).on(dryer("low_setting", "bias_heater")), lowCycle("same", 153).on(dryer("low_setting", "bias_heater")),
		lowCycle("between", 140).on(dryer("low_setting", "bias_heater")),
	}
}

// now is the same reading with another finding expected of it.
func (d done) now(finding string) done {
	d.finding = finding
	return d
}

func partSamples() []any {
	stamp := func(check, finding string, f float64) done {
		return fresh(check, "", finding, nil, values{"rating": fahrenheits(f)})
	}
	warm := func(check, position, finding string, closed, open, minutes float64) done {
		v := values{"minutes": seconds(minutes * 60)}
		if closed > 0 {
			v["last_closed"] = fahrenheits(closed)
		}
		if open > 0 {
			v["first_open"] = fahrenheits(open)
		}
		return fresh(check, position, finding, goodBead(), v)
	}
	ntc := func(finding string, v diagnosis.Value) sample {
		return fresh("thermistor", "at_part", finding, goodMeter(), values{"resistance": {v}, "temperature": fahrenheits(77)}).on(dryer("thermistor"))
	}
	biased, single, dual := dryer("bias_heater"), rated(5400, 240), rated(5400, 240, "dual_coil")
	out := []any{
		openCircuit("coil_to_case", "terminal_1", "conforms"), ohm("coil_to_case", "terminal_1", "grounded", 6), ohm("coil_to_case", "terminal_2", "between", 200e3), wired("coil_to_case", "terminal_1", 12),
		contact(ohm("coil_ends", "coil", "conforms", 10.4)), contact(ohm("coil_ends", "coil", "low", 7)), contact(ohm("coil_ends", "coil", "high", 19)), openCircuit("coil_ends", "coil", "open"),
		ohm("coil_ends", "coil", "between_low", 8.2), ohm("coil_ends", "coil", "between_high", 12.1), wired("coil_ends", "coil", 7), contact(ohm("coil_ends", "coil_2", "no_limit", 20)).on(dual),
		contact(ohm("coil_ends", "coil", "conforms", 10.4)).on(single), contact(ohm("coil_ends", "coil", "low", 7.8)).on(single), contact(ohm("coil_ends", "coil", "low", 6.5)).on(single),
		contact(ohm("coil_ends", "coil", "high", 20.8)).on(single), contact(ohm("coil_ends", "coil", "high", 10.4)).on(rated(5400, 208)), openCircuit("coil_ends", "coil_1", "open").on(dual),
		openCircuit("heat_relay", "", "open_at_rest"), ohm("heat_relay", "", "closed_at_rest", 2), wired("heat_relay", "", 12), ohm("heat_relay", "", "between", 3000),
		ohm("bias_heater", "", "conforms", 7000).on(biased), ohm("bias_heater", "", "low", 4000).on(biased), ohm("bias_heater", "", "high", 9900).on(biased), openCircuit("bias_heater", "", "open").on(biased),
		ohm("bias_heater", "", "between_low", 5610).on(biased), ohm("bias_heater", "", "between_high", 8400).on(biased), wired("bias_heater", "", 2100).on(biased),
		sample{ohm("bias_heater", "", "no_limit", 7000), biased, true},
		ntc("conforms", diagnosis.Value{SI: 10000, Unit: "kOhm"}), ntc("high", diagnosis.Value{SI: 16000, Unit: "kOhm"}), ntc("low", diagnosis.Value{SI: 6000, Unit: "kOhm"}),
		ntc("open", diagnosis.Value{Over: true, Unit: "kOhm"}), ntc("short", diagnosis.Value{SI: 3, Unit: "Ohm"}), ntc("between", diagnosis.Value{SI: 11300, Unit: "kOhm"}),
		sample{ntc("no_limit", diagnosis.Value{SI: 10000, Unit: "kOhm"}).done, dryer("thermistor"), true},
		fresh("frame_ground", "", "conforms", contact(done{}).instrument, values{"resistance": value(0.15, "Ohm")}), fresh("frame_ground", "", "high", contact(done{}).instrument, values{"resistance": value(2, "Ohm")}),
		fresh("frame_ground", "", "open", goodMeter(), values{"resistance": {{Over: true, Unit: "Ohm"}}}), fresh("frame_ground", "", "between_high", goodMeter(), values{"resistance": value(0.4, "Ohm")}),
	}
	for _, check := range []string{"cycling_thermostat_stamp", "high_limit_stamp"} {
		right := map[string]float64{"cycling_thermostat_stamp": 155, "high_limit_stamp": 250}[check]
		out = append(out, stamp(check, "matches", right), stamp(check, "differs", right+25), stamp(check, "no_limit", right).withoutSheet())
	}
	for _, check := range []string{"cycling_thermostat_closed", "high_limit", "cut_off"} {
		out = append(out, contact(ohm(check, "", "conforms", 0.15)), contact(ohm(check, "", "high", 3)), openCircuit(check, "", "open"),
			ohm(check, "", "between_high", 0.7), wired(check, "", 0.15))
	}
	for _, w := range []struct {
		check, position string
		at, near        float64
	}{{"cycling_thermostat_warm_up", "heat_pair", 155, 12}, {"high_limit_warm_up", "", 250, 17}} {
		out = append(out, warm(w.check, w.position, "conforms", w.at, w.at+2, 10), warm(w.check, w.position, "early", w.at-32, w.at-30, 10), warm(w.check, w.position, "late", w.at+35, w.at+37, 10),
			warm(w.check, w.position, "never", w.at+85, 0, 10), warm(w.check, w.position, "open_cold", 0, 72, 0), warm(w.check, w.position, "too_fast", w.at, w.at+2, 1),
			warm(w.check, w.position, "no_limit", w.at, w.at+2, 10).withoutSheet(), warm(w.check, w.position, "between", w.at+w.near, 0, 10))
	}
	return append(out, warm("cycling_thermostat_warm_up", "timer_pair", "conforms", 155, 157, 10).on(dryer("change_over_thermostat")))
}

func powerSamples() []any {
	volts := func(finding string, x, idle float64) done {
		return fresh("supply_loaded", "", finding, &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.1}, values{"line_to_line": value(x, "V"), "line_to_line_no_load": value(idle, "V")})
	}
	legs := func(finding string, line, one, two float64) done {
		d := volts(finding, line, line+2)
		d.values["line_1_to_neutral"], d.values["line_2_to_neutral"] = value(one, "V"), value(two, "V")
		return d
	}
	heater := func(finding string, amps, x, idle float64, u diagnosis.Unit) sample {
		r := heaterReading(amps, x)
		r.Values["volts_no_load"] = value(idle, "V")
		return fresh("heater_current", "", finding, r.Instrument, r.Values).on(u)
	}
	single, dual := rated(5400, 240), rated(5400, 240, "dual_coil")
	return []any{
		volts("conforms", 236, 240), volts("low", 200, 205), volts("high", 275, 278), volts("drop", 220, 243), volts("between_low", 216, 220), volts("between_high", 264, 266),
		legs("conforms", 237, 118, 119), legs("back_fed", 0.4, 120, 119.6), legs("low", 207, 120, 119.5), legs("low", 1, 120, 0.5), legs("high", 240, 150, 90), legs("between_low", 228, 108, 120),
		heater("conforms", 22.1, 236, 240, single), heater("low", 15, 236, 240, single), heater("high", 29.9, 240, 243, single), heater("half", 11.2, 238, 240, dual),
		heater("no_current", 0.1, 240, 240, single), heater("drop", 22.1, 236, 262, single), heater("between_low", 20.3, 240, 241, single), heater("between_high", 24.7, 240, 241, single),
		heater("no_limit", 22, 238, 240, dryer()),
	}
}

// choiceSamples is every choice of every check that is a look.
func choiceSamples(k *catalogue.Kind) []any {
	var out []any
	for i := range k.Checks {
		c := &k.Checks[i]
		if in, ok := c.Input("result"); ok && c.Rule == "choice" {
			for _, x := range in.Choices {
				out = append(out, look(c.ID, x.ID).on(dryer(c.Has)))
			}
		}
	}
	return out
}

// Every finding of every check, said once as a tech hears it. As found and
// after the repair the words are the same and must be right in both. The file
// is there to be read aloud: number, limit, origin, what to do.
func TestSentencesReadAloud(t *testing.T) {
	k, said := builtIn(t), map[string][]string{}
	samples := append(append(append(choiceSamples(k), airSamples()...), partSamples()...), append(powerSamples(), otherSamples()...)...)
	for _, x := range samples {
		s, ok := x.(sample)
		if !ok {
			s = x.(done).on(dryer())
		}
		v := speak(t, k, s)
		text := v.Sentence
		if v.Do != "" {
			text += "\n    → " + v.Do
		}
		key := s.check + " " + v.Finding
		said[key] = append(said[key], text)
	}
	var b strings.Builder
	b.WriteString("# What each finding says, and after the arrow what to do; the same as found and on verification.\n")
	for i := range k.Checks {
		c := &k.Checks[i]
		fmt.Fprintf(&b, "\n%s\n", c.Name)
		for _, f := range c.Findings {
			texts := said[c.ID+" "+f.ID]
			require.NotEmpty(t, texts, "no sample of finding %s of %s", f.ID, c.ID)
			for _, text := range texts {
				fmt.Fprintf(&b, "  %s: %s\n", f.ID, text)
			}
		}
	}
	goldenText(t, "sentences.txt", b.String())
}

// speak judges a sample in both phases.
func speak(t *testing.T, k *catalogue.Kind, s sample) diagnosis.Verdict {
	sheet := sampleSheet(t)
	if s.noSheet {
		sheet = nil
	}
	r := s.with(s.instrument)
	r.Position, r.Lead, r.Phase = s.position, 0.1, diagnosis.AsFound
	found, err := diagnosis.Judge(k, "runs_too_hot", r, sheet, s.unit)
	require.NoError(t, err, "%s %s", s.check, s.finding)
	require.Equal(t, s.finding, found[0].Finding, "%s: %s %s", s.check, found[0].Sentence, found[0].Do)
	r.Phase = diagnosis.Verification
	after, err := diagnosis.Judge(k, "runs_too_hot", r, sheet, s.unit)
	require.NoError(t, err)
	require.Equal(t, found, after, "a phase changes no verdict")
	v := found[0]
	require.Empty(t, catalogue.Defeats(v.Sentence+" "+v.Do), "%s %s", s.check, s.finding)
	for _, bad := range []string{"no limit known", "no value", "{", "inconclusive", "between_", "finding"} {
		require.NotContains(t, v.Sentence+v.Do, bad, "%s %s", s.check, s.finding)
	}
	return v
}
