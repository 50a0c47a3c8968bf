package api_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// described is a run that counts 40 ft by the code's table (own arithmetic:
// 25 ft and three mitred elbows at 5 ft), with a screen.
func described() m {
	length := func(v any, unit string) m { return m{"value": v, "unit": unit} }
	return m{"termination": "wall", "booster": "none", "screen": true,
		"transition": m{"material": "semi_rigid_metal", "length": length(6, "[ft_i]"), "diameter": length(4, "[in_i]")},
		"concealed": m{"material": "rigid_metal", "length": length(25, "[ft_i]"), "diameter": length(4, "[in_i]"),
			"bends": []any{m{"degrees": 90, "count": 3}}}}
}

// A run that is described later judges the readings there are anew, and the
// assessment tells what is expected of it, how warm the heater box gets and
// what code has against it.
func TestAssessmentTellsTheAir(t *testing.T) {
	j := newJob(t)
	require.Nil(t, j.tech.get("/v1/calls/"+j.call+"/assessment").at("air"))
	j.state("high_limit_rating", m{"value": 250, "unit": "[degF]"})
	got := j.tech.post(j.readings, found("duct_off_run", value("flow_on", 120, "[cft_i]/min"), value("flow_off", 170, "[cft_i]/min")))
	require.Contains(t, got.verdict(0)["sentence"], "at least 70%")
	require.Contains(t, got.str("assessment", "air", "sentence"), "Measured with the duct on: 120 cfm.")

	j.tech.do("PATCH", "/v1/units/"+j.unit, m{"exhaust": described()}, "If-Match", "*").want(200)
	require.EqualValues(t, 1, j.tech.do("POST", "/v1/calls/"+j.call+"/rederive", nil).want(200).at("changed"))
	a := j.tech.get("/v1/calls/" + j.call + "/assessment")
	require.Contains(t, a.str("air", "sentence"), "with a generic blower (own arithmetic).")
	require.InDelta(t, 40*0.3048, a.at("air", "code_length", "value"), 1e-6)
	require.Equal(t, "m", a.str("air", "code_length", "unit"))
	require.InDelta(t, 0.75, a.at("air", "expected", "share"), 0.02)
	require.Equal(t, "Pa", a.str("air", "expected", "collar_pressure", "unit"))
	require.InDelta(t, 120*0.0004719474432, a.at("air", "flow", "value"), 1e-6)
	require.InDelta(t, (217.0-32)*5/9+273.15, a.at("air", "heater_box", "mean", "value"), 0.6, "75 °F and 142 for 5,400 W in 120 cfm, own arithmetic")
	require.Equal(t, "K", a.str("air", "heater_box", "margin", "unit"))
	require.Equal(t, "run_long", a.str("air", "notes", 0, "id"))
	require.Equal(t, "screen", a.str("air", "notes", 1, "id"))
	require.Contains(t, a.str("air", "notes", 0, "clause"), "IRC 2021, M1502.4.6.1; check local code, and the maker's figure wins")
	all := j.tech.get("/v1/calls/" + j.call + "/readings")
	require.Contains(t, all.str("items", 0, "verdicts", 0, "sentence"), "clean, this run keeps 75% with a generic blower")
}
