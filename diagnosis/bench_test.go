package diagnosis_test

import (
	"testing"

	"drumline/diagnosis"
)

// A whole call with every as-found reading of an ordinary visit.
func fullCall(b *testing.B) diagnosis.Case {
	k, s := builtIn(b), dryerSheet(b)
	return call{unit: dryer("bias_heater", "low_setting"), isolated: true, triage: map[string]string{"dry_time": "grown", "onset": "slowly", "scorch": "no"},
		steps: append([]any{hood(650, "low"), contact(ohm("coil_ends", "coil", "conforms", 10)),
			openCircuit("heat_relay", "", "open_at_rest"), contact(ohm("high_limit", "", "conforms", 0.15)), contact(ohm("cut_off", "", "conforms", 0.15)),
			look("safety_devices", "in_place"), openCircuit("coil_to_case", "terminal_1", "conforms"), openCircuit("coil_to_case", "terminal_2", "conforms"),
			done{check: "cycling_thermostat_stamp", values: values{"rating": fahrenheits(155)}, finding: "matches"}},
			callNamed("crushed_duct").steps...)}.play(b, k, s)
}

// One reading judged and the whole call assessed anew, next checks included:
// what the pure part of posting a reading costs.
func BenchmarkReadingPosted(b *testing.B) {
	k, s := builtIn(b), dryerSheet(b)
	c := fullCall(b)
	b.ReportAllocs()
	for b.Loop() {
		vs, err := diagnosis.Judge(k, c.Complaint, c.Readings[0].Reading, s, c.Unit)
		if err != nil {
			b.Fatal(err)
		}
		c.Readings[0].Verdicts = vs
		if _, err := diagnosis.Assess(k, c); err != nil {
			b.Fatal(err)
		}
	}
}

// A call with most still open, so that many checks are candidates.
func BenchmarkAssessEarly(b *testing.B) {
	k := builtIn(b)
	c := call{unit: dryer("bias_heater", "low_setting", "moisture_bars"), steps: []any{look("lint_screen", "clean")}}.play(b, k, dryerSheet(b))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := diagnosis.Assess(k, c); err != nil {
			b.Fatal(err)
		}
	}
}

// One reading judged and the causes of the whole call weighed and ranked anew,
// without reasons, doubts and recommendation.
func BenchmarkReadingRanked(b *testing.B) {
	k, s := builtIn(b), dryerSheet(b)
	c := fullCall(b)
	b.ReportAllocs()
	for b.Loop() {
		vs, err := diagnosis.Judge(k, c.Complaint, c.Readings[0].Reading, s, c.Unit)
		if err != nil {
			b.Fatal(err)
		}
		c.Readings[0].Verdicts = vs
		if _, err := diagnosis.RankOnly(k, c); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAssess(b *testing.B) {
	k := builtIn(b)
	c := fullCall(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := diagnosis.Assess(k, c); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkJudge(b *testing.B) {
	k, s := builtIn(b), dryerSheet(b)
	c := fullCall(b)
	for i := range c.Readings {
		r := c.Readings[i].Reading
		b.Run(r.Check, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := diagnosis.Judge(k, c.Complaint, r, s, c.Unit); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
