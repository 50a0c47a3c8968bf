package diagnosis_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/diagnosis/sensors"
)

// byRule judges the bias heater, 5600 to 8400 Ω, at 8200 Ω by a meter good to
// 100 Ω (standard uncertainty), by a rule.
func byRule(t require.TestingT, ohm float64, rule measure.Rule) diagnosis.Verdict {
	u := everything()
	u.Rule = rule
	s := diagnosis.Sheet{"bias": {Low: num(5600), High: num(8400), Unit: "Ohm"}}
	vs, err := diagnosis.Judge(smallKind(), "too_hot", diagnosis.Reading{Check: "bias",
		Instrument: &diagnosis.Instrument{Counts: 1, Resolution: 100 * math.Sqrt(3)},
		Values:     values{"resistance": value(ohm, "Ohm"), "wires_off": chosen("yes")}}, s, u)
	require.NoError(t, err)
	return vs[0]
}

// 8200 Ω lies two standard uncertainties inside the limit: Φ(2) = 0.97725.
func TestTheRuleOfTheShopDecides(t *testing.T) {
	for name, tt := range map[string]struct {
		ohm  float64
		rule measure.Rule
		want diagnosis.Outcome
	}{
		"unstated is the default":          {8200, measure.Rule{}, diagnosis.Conforms},
		"default":                          {8200, measure.DefaultRule(), diagnosis.Conforms},
		"a stricter one cannot tell":       {8200, measure.Rule{Accept: 0.98, Reject: 0.05}, diagnosis.Inconclusive},
		"guard band U accepts at 2u":       {8199, measure.GuardRule(1), diagnosis.Conforms},
		"guard band U, just inside":        {8201, measure.GuardRule(1), diagnosis.Inconclusive},
		"default rejects at 2u":            {8600, measure.Rule{}, diagnosis.DoesNotConform},
		"a stricter one does not":          {8600, measure.Rule{Accept: 0.95, Reject: 0.02}, diagnosis.Inconclusive},
		"a laxer one accepts what is near": {8350, measure.Rule{Accept: 0.6, Reject: 0.05}, diagnosis.Conforms},
		"no rule at all is the default":    {8200, measure.Rule{Accept: math.NaN(), Reject: 2}, diagnosis.Conforms},
	} {
		t.Run(name, func(t *testing.T) {
			v := byRule(t, tt.ohm, tt.rule)
			require.Equal(t, tt.want, v.Outcome, "%+v", v)
			if tt.want == diagnosis.Inconclusive {
				require.NotEmpty(t, v.Do)
			}
		})
	}
	require.InDelta(t, 0.97725, byRule(t, 8200, measure.Rule{Accept: 0.98, Reject: 0.05}).Probability, 1e-5, "what was found stays what was found")
}

// A stricter rule never decides what a laxer one left open, and two rules that
// both decide decide alike.
func TestAStricterRuleDecidesLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ohm := rapid.Float64Range(5000, 9000).Draw(t, "ohm")
		lax := measure.Rule{Accept: rapid.Float64Range(0.51, 0.99).Draw(t, "accept"), Reject: rapid.Float64Range(0.01, 0.49).Draw(t, "reject")}
		strict := measure.Rule{Accept: rapid.Float64Range(lax.Accept, 0.999).Draw(t, "more"), Reject: rapid.Float64Range(0.001, lax.Reject).Draw(t, "less")}
		a, b := byRule(t, ohm, lax), byRule(t, ohm, strict)
		if a.Outcome == diagnosis.Inconclusive {
			require.Equal(t, diagnosis.Inconclusive, b.Outcome)
		}
		if b.Outcome != diagnosis.Inconclusive {
			require.Equal(t, a.Outcome, b.Outcome)
			require.Equal(t, a.Probability, b.Probability)
		}
	})
}

// A reading further beyond the upper limit never comes out better, whatever
// the rule.
func TestTheVerdictFollowsTheReading(t *testing.T) {
	worse := map[diagnosis.Outcome]int{diagnosis.Conforms: 0, diagnosis.Inconclusive: 1, diagnosis.DoesNotConform: 2}
	rapid.Check(t, func(t *rapid.T) {
		rule := measure.Rule{Accept: rapid.Float64Range(0.51, 0.999).Draw(t, "accept"), Reject: rapid.Float64Range(0.001, 0.49).Draw(t, "reject")}
		ohm := rapid.Float64Range(7200, 9000).Draw(t, "ohm")
		further := ohm + rapid.Float64Range(0, 1000).Draw(t, "further")
		require.LessOrEqual(t, worse[byRule(t, ohm, rule).Outcome], worse[byRule(t, further, rule).Outcome])
	})
}

// Every kind of check judges by the shop's rule: over a sweep through its
// limit a stricter rule leaves more open than the default, and whatever it
// still decides it decides alike.
func TestEveryKindOfCheckJudgesByTheRule(t *testing.T) {
	k, s := builtIn(t), dryerSheet(t)
	vane := &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1}
	curve, err := sensors.NewTable(points(t))
	require.NoError(t, err)
	for name, tt := range map[string]struct {
		from, to float64
		reading  func(x float64) diagnosis.Reading
	}{
		"range": {5000, 6500, func(x float64) diagnosis.Reading { return biasOf(x) }},
		"air":   {1000, 1500, func(x float64) diagnosis.Reading { return hood(x, "").with(vane) }},
		"run": {150, 175, func(x float64) diagnosis.Reading {
			return highRun("", []float64{x, x, x}, []float64{x - 18, x - 18}, 300, 185, 180).with(goodBead())
		}},
		"opening": {150, 180, openedAt},
		"thermistor": {0, 8, func(x float64) diagnosis.Reading {
			return diagnosis.Reading{Check: "thermistor", Position: "at_part", Lead: 0.1, Values: values{
				"resistance": value(curve.Ohm(degF(77)+x), "kOhm"), "temperature": fahrenheits(77)}}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			more := 0
			for i := range 400 {
				r := tt.reading(tt.from + (tt.to-tt.from)*float64(i)/400)
				usual, strict := outcomeBy(t, k, r, s, measure.Rule{}), outcomeBy(t, k, r, s, measure.Rule{Accept: 0.999, Reject: 0.001})
				if strict != diagnosis.Inconclusive {
					require.Equal(t, usual, strict)
				} else if usual != strict {
					more++
				}
			}
			require.Positive(t, more)
		})
	}
}

func biasOf(ohm float64) diagnosis.Reading {
	return diagnosis.Reading{Check: "bias_heater", Instrument: goodMeter(), Values: values{"resistance": value(ohm, "Ohm"), "wires_off": chosen("yes")}}
}

// openedAt is a slow warm-up of the cycling thermostat, 20 °F in 40 minutes.
func openedAt(f float64) diagnosis.Reading {
	return diagnosis.Reading{Check: "cycling_thermostat_warm_up", Position: "heat_pair", Instrument: goodBead(), Values: values{
		"last_closed": fahrenheits(f - 0.5), "first_open": fahrenheits(f + 0.5), "minutes": seconds(2400), "recloses": chosen("yes")}}
}

func outcomeBy(t require.TestingT, k *catalogue.Kind, r diagnosis.Reading, s diagnosis.Sheet, rule measure.Rule) diagnosis.Outcome {
	u := dryer("thermistor", "bias_heater")
	if r.Check == "cycling_thermostat_warm_up" || r.Check == "as_found_run" {
		u = dryer()
	}
	u.Rule = rule
	vs, err := diagnosis.Judge(k, "runs_too_hot", r, s, u)
	require.NoError(t, err)
	return vs[0].Outcome
}
