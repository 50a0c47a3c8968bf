package catalogue_test

import (
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

func TestEveryRuleIsImplemented(t *testing.T) {
	c, err := catalogue.Open()
	require.NoError(t, err)
	for _, k := range c.Kinds {
		for i := range k.Checks {
			require.Contains(t, diagnosis.RuleNames(), k.Checks[i].Rule, k.Checks[i].ID)
		}
	}
}

// Whatever is entered, a rule comes to a finding its check lists, or the entry
// is refused: no reading runs into a gap of the catalogue.
func TestJudgeNeverMissesAFinding(t *testing.T) {
	c, err := catalogue.Open()
	require.NoError(t, err)
	for _, id := range []string{"electric_dryer", "gas_dryer"} {
		k, ok := c.Kind(id)
		require.True(t, ok)
		for i := range k.Checks {
			t.Run(id+" "+k.Checks[i].ID, func(t *testing.T) { requireFindings(t, k, &k.Checks[i]) })
		}
	}
}

func requireFindings(t *testing.T, k *catalogue.Kind, check *catalogue.Check) {
	judged := 0
	rapid.Check(t, func(t *rapid.T) {
		vs, err := diagnosis.Judge(k, "runs_too_hot", drawReading(t, check), drawSheet(t, k), drawUnit(t, k))
		if bad := new(diagnosis.InputError); errors.As(err, &bad) {
			return
		}
		require.NoError(t, err)
		judged++
		for _, v := range vs {
			require.NotContains(t, v.Sentence, "{", "every placeholder is filled")
		}
	})
	require.Positive(t, judged, "some entry is judged")
}

func drawReading(t *rapid.T, c *catalogue.Check) diagnosis.Reading {
	r := diagnosis.Reading{ID: "r", Check: c.ID, Phase: diagnosis.AsFound, Values: map[string][]diagnosis.Value{}}
	if len(c.Positions) > 0 {
		r.Position = rapid.SampledFrom(c.Positions).Draw(t, "position").ID
	}
	for i := range c.Inputs {
		in := &c.Inputs[i]
		if !in.Required && !rapid.Bool().Draw(t, in.ID+" given") {
			continue
		}
		n := 1
		if in.Many {
			n = rapid.IntRange(1, 3).Draw(t, in.ID+" count")
		}
		for range n {
			r.Values[in.ID] = append(r.Values[in.ID], drawValue(t, in))
		}
	}
	return r
}

func drawValue(t *rapid.T, in *catalogue.Input) diagnosis.Value {
	if len(in.Choices) > 0 {
		return diagnosis.Value{Choice: rapid.SampledFrom(in.Choices).Draw(t, in.ID).ID}
	}
	if in.OverRange && rapid.IntRange(0, 4).Draw(t, in.ID+" over") == 0 {
		return diagnosis.Value{Over: true, Unit: in.Units[0]}
	}
	low, high := 0.0, 1000.0
	if in.Low != nil {
		low = *in.Low
	}
	if in.High != nil {
		high = *in.High
	}
	x := rapid.Float64Range(low, high).Draw(t, in.ID)
	if in.Quantity == string(measure.Resistance) {
		x = math.Pow(10, rapid.Float64Range(-2, 7).Draw(t, in.ID+" decades"))
	}
	si, err := measure.ToSI(x, in.Units[0], measure.Quantity(in.Quantity))
	require.NoError(t, err)
	return diagnosis.Value{SI: si, Unit: in.Units[0]}
}

// drawSheet states some of the parameters the kind names.
func drawSheet(t *rapid.T, k *catalogue.Kind) diagnosis.Sheet {
	s := diagnosis.Sheet{}
	for i := range k.Parameters {
		p := &k.Parameters[i]
		if !rapid.Bool().Draw(t, p.ID+" known") {
			continue
		}
		x := rapid.Float64Range(1, 500).Draw(t, p.ID)
		low, high := x*0.8, x*1.2
		switch p.Form {
		case "band":
			s[p.ID] = diagnosis.SheetValue{Low: &low, High: &high, Unit: p.Units[0], Origin: "tech sheet"}
		case "curve":
			s[p.ID] = diagnosis.SheetValue{Unit: p.Units[0], Origin: "tech sheet", Curve: []diagnosis.Point{
				{Kelvin: 273.15, Ohm: 32000}, {Kelvin: 298.15, Ohm: 10000}, {Kelvin: 348.15, Ohm: 1500}}}
		default:
			s[p.ID] = diagnosis.SheetValue{Value: &x, Unit: p.Units[0], Origin: "tech sheet"}
		}
	}
	return s
}

func drawUnit(t *rapid.T, k *catalogue.Kind) diagnosis.Unit {
	u := diagnosis.Unit{Kind: k.ID, Has: map[string]bool{}}
	for i := range k.Features {
		u.Has[k.Features[i].ID] = rapid.Bool().Draw(t, k.Features[i].ID)
	}
	return u
}
