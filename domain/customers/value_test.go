package customers

import (
	"errors"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
)

// forms of parameters a sheet may state; the figures are invented.
var testKind = &catalogue.Kind{ID: "test", Parameters: []catalogue.Parameter{
	{ID: "value", Name: "Value", Form: "value", Quantity: "temperature"},
	{ID: "band", Name: "Band", Form: "band", Quantity: "resistance"},
	{ID: "most", Name: "Most", Form: "at_most", Quantity: "pressure"},
	{ID: "least", Name: "Least", Form: "at_least", Quantity: "speed"},
	{ID: "curve", Name: "Curve", Form: "curve", Quantity: "resistance"},
	{ID: "text", Name: "Text", Form: "text"},
}}

func fields(err error) []string {
	var e *domain.Error
	if !errors.As(err, &e) {
		return nil
	}
	var out []string
	for _, f := range e.Fields {
		out = append(out, f.Pointer+" "+f.Code)
	}
	return out
}

func TestSheetValueForms(t *testing.T) {
	for name, c := range map[string]struct {
		v    NewValue
		want []string
	}{
		"value":            {NewValue{Parameter: "value", Unit: "Cel", Entered: EnteredValue{Value: "63"}}, nil},
		"no value":         {NewValue{Parameter: "value", Unit: "Cel"}, []string{"/value required"}},
		"band for a value": {NewValue{Parameter: "value", Unit: "Cel", Entered: EnteredValue{Value: "63", Low: "60"}}, []string{"/low not_expected"}},
		"band":             {NewValue{Parameter: "band", Unit: "kOhm", Entered: EnteredValue{Low: "4.5", High: "5.5"}}, nil},
		"band by percent":  {NewValue{Parameter: "band", Unit: "kOhm", Entered: EnteredValue{Value: "5", Percent: "10"}}, nil},
		"percent too much": {NewValue{Parameter: "band", Unit: "kOhm", Entered: EnteredValue{Value: "5", Percent: "100"}}, []string{"/tolerance_percent range"}},
		"half a band":      {NewValue{Parameter: "band", Unit: "kOhm", Entered: EnteredValue{Low: "4.5"}}, []string{"/high required"}},
		"upside down":      {NewValue{Parameter: "band", Unit: "kOhm", Entered: EnteredValue{Low: "5.5", High: "4.5"}}, []string{"/high order"}},
		"at most":          {NewValue{Parameter: "most", Unit: "[in_i'H2O]", Entered: EnteredValue{High: "0.55"}}, nil},
		"at least":         {NewValue{Parameter: "least", Unit: "m/s", Entered: EnteredValue{Low: "6"}}, nil},
		"slip of a unit":   {NewValue{Parameter: "least", Unit: "ft/min", Entered: EnteredValue{Low: "1200"}}, []string{"/unit unit"}},
		"not a number":     {NewValue{Parameter: "least", Unit: "m/s", Entered: EnteredValue{Low: "six"}}, []string{"/low number"}},
		"too cold":         {NewValue{Parameter: "value", Unit: "Cel", Entered: EnteredValue{Value: "-274"}}, []string{"/value range"}},
		"curve": {NewValue{Parameter: "curve", Unit: "kOhm", Entered: EnteredValue{TemperatureUnit: "Cel",
			Curve: []EnteredPoint{{"0", "16"}, {"25", "5"}, {"60", "1.3"}}}}, nil},
		"curve of one": {NewValue{Parameter: "curve", Unit: "kOhm", Entered: EnteredValue{TemperatureUnit: "Cel", Curve: []EnteredPoint{{"0", "16"}}}}, []string{"/curve length"}},
		"curve, unit of time": {NewValue{Parameter: "curve", Unit: "kOhm", Entered: EnteredValue{TemperatureUnit: "s",
			Curve: []EnteredPoint{{"0", "16"}, {"25", "5"}}}}, []string{"/temperature_unit unit"}},
		"words":   {NewValue{Parameter: "text", Words: "strap removed at the factory"}, nil},
		"nothing": {NewValue{Parameter: "text"}, []string{"/words required"}},
	} {
		c.v.Origin = "tech sheet"
		got, err := c.v.read(testKind)
		require.Equal(t, c.want, fields(err), name)
		if err == nil {
			require.Equal(t, c.v.Parameter, got.Parameter)
		}
	}
	_, err := NewValue{Parameter: "no_such", Origin: "x"}.read(testKind)
	require.Equal(t, domain.NotFound, domain.KindOf(err))
	_, err = NewValue{Parameter: "text", Words: "x"}.read(testKind)
	require.Equal(t, []string{"/origin required"}, fields(err))
}

// TestBandByPercentLiesAroundItsValue for any value and tolerance.
func TestBandByPercentLiesAroundItsValue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value, pct := rapid.Float64Range(1e-3, 1e7).Draw(t, "ohm"), rapid.Float64Range(0.1, 90).Draw(t, "percent")
		e := EnteredValue{Value: measureText(value), Percent: measureText(pct)}
		got, err := NewValue{Parameter: "band", Unit: "Ohm", Origin: "x", Entered: e}.read(testKind)
		require.NoError(t, err)
		require.InEpsilon(t, value, (*got.Low+*got.High)/2, 1e-9)
		require.InEpsilon(t, value*pct/50, *got.High-*got.Low, 1e-6)
	})
}

func TestExhaustRules(t *testing.T) {
	feet := func(v string, f float64) *Measure {
		m, err := NewMeasure(v, f, "[ft_i]", measure.Length, "/x")
		require.NoError(t, err)
		return &m
	}
	for name, c := range map[string]struct {
		e    *Exhaust
		want []string
	}{
		"none":      {nil, nil},
		"plain":     {&Exhaust{Termination: "wall", Booster: "none", Concealed: &Duct{Material: "rigid_metal", Length: feet("20", 20)}}, nil},
		"nowhere":   {&Exhaust{Termination: "sea", Booster: "none"}, []string{"/exhaust/termination unknown"}},
		"paper":     {&Exhaust{Termination: "wall", Booster: "none", Transition: &Duct{Material: "paper"}}, []string{"/exhaust/transition/material unknown"}},
		"very long": {&Exhaust{Termination: "wall", Booster: "none", Concealed: &Duct{Material: "unknown", Length: feet("400", 400)}}, []string{"/exhaust/concealed/length range"}},
		"no turn": {&Exhaust{Termination: "wall", Booster: "none", Concealed: &Duct{Material: "unknown", Bends: []Bend{{Degrees: 0, Count: 1}}}},
			[]string{"/exhaust/concealed/bends/0 range"}},
	} {
		var ps domain.Problems
		c.e.check(&ps)
		require.Equal(t, c.want, fields(ps.Err()), name)
	}
	_, err := NewMeasure("20", 20, "ft", measure.Length, "/exhaust/x")
	require.Equal(t, []string{"/exhaust/x/unit unit"}, fields(err))
	require.ErrorContains(t, err, "[ft_i]")
}

// measureText writes a number as a person's client would.
func measureText(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
