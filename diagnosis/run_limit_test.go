package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// TestOffTemperatureFollowsTheThermostat: on HIGH the outlet goes off where the
// sheet says; else within 10 °F of the thermostat's stamp and 5 °F for the
// place of the bead; else at 145 to 165 °F (all common practice, no source).
func TestOffTemperatureFollowsTheThermostat(t *testing.T) {
	cat, err := catalogue.Open()
	require.NoError(t, err)
	k, ok := cat.Kind("electric_dryer")
	require.True(t, ok)
	f := func(v float64) float64 {
		si, err := measure.ToSI(v, "[degF]", measure.Temperature)
		require.NoError(t, err)
		return si
	}
	at := func(v float64) *float64 { si := f(v); return &si }
	rated := diagnosis.SheetValue{Value: at(137), Unit: "[degF]", Origin: "stamp"}
	outlet := diagnosis.SheetValue{Low: at(115), High: at(140), Unit: "[degF]", Origin: "tech sheet"}
	run := func(off float64) diagnosis.Reading {
		var offs, ons, heats []diagnosis.Value
		for range 3 {
			offs = append(offs, diagnosis.Value{SI: f(off), Unit: "[degF]"})
			ons = append(ons, diagnosis.Value{SI: f(off - 18), Unit: "[degF]"})
			heats = append(heats, diagnosis.Value{SI: 200, Unit: "s"})
		}
		return diagnosis.Reading{ID: "r", Check: "as_found_run", Phase: diagnosis.AsFound, Values: map[string][]diagnosis.Value{
			"off_temperature": offs, "on_temperature": ons, "heating_time": heats, "setting": {{Choice: "high"}}, "load": {{Choice: "empty"}}}}
	}
	for name, c := range map[string]struct {
		sheet     diagnosis.Sheet
		has       map[string]bool
		off       float64
		finding   string
		low, high float64
	}{
		"nothing known":                {nil, nil, 153, "normal", 145, 165},
		"a cooler thermostat":          {diagnosis.Sheet{"cycling_thermostat_rating": rated}, nil, 140, "normal", 122, 152},
		"hotter than its stamp allows": {diagnosis.Sheet{"cycling_thermostat_rating": rated}, nil, 160, "off_high", 122, 152},
		"the sheet names the outlet":   {diagnosis.Sheet{"cycling_thermostat_rating": rated, "outlet_off_high": outlet}, nil, 128, "normal", 115, 140},
		"the control rules, not it":    {diagnosis.Sheet{"cycling_thermostat_rating": rated}, map[string]bool{"thermistor": true}, 153, "normal", 145, 165},
	} {
		vs, err := diagnosis.Judge(k, "runs_too_hot", run(c.off), c.sheet, diagnosis.Unit{Kind: k.ID, Has: c.has})
		require.NoError(t, err, name)
		require.NotEmpty(t, vs, name)
		require.Equal(t, c.finding, vs[0].Finding, "%s: %s", name, vs[0].Sentence)
		require.InDelta(t, f(c.low), *vs[0].Limit.Low, 1e-6, name)
		require.InDelta(t, f(c.high), *vs[0].Limit.High, 1e-6, name)
	}
}
