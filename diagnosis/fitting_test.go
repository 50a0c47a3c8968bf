package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

// A machine whose heat a thermistor controls has no cycling thermostat: no
// verdict, state, fault, check or gap speaks of one.
func TestAThermistorMachineHasNoCyclingThermostat(t *testing.T) {
	k := builtIn(t)
	c := call{name: "thermistor machine", unit: dryer("thermistor"), steps: []any{lateRun(), verify(lateRun())}}
	cs := c.play(t, k, dryerSheet(t))
	for _, j := range cs.Readings {
		require.Len(t, j.Verdicts, 1)
		require.Equal(t, "thermistor", j.Verdicts[0].Part)
		require.Equal(t, diagnosis.Inconclusive, j.Verdicts[0].Outcome)
		require.Contains(t, j.Verdicts[0].Do, "measure it and its plug")
	}
	a, err := diagnosis.Assess(k, cs)
	require.NoError(t, err)
	require.Empty(t, part(a, "cycling_thermostat").Part)
	for _, r := range a.Ranking {
		require.NotEqual(t, "cycling_thermostat", r.Part)
	}
	require.Contains(t, []string{"thermistor_high", "thermistor_out_of_place"}, a.Ranking[0].Fault)
	for _, n := range a.Next {
		require.NotContains(t, n.Check, "cycling_thermostat")
	}
	require.NotContains(t, gapIDs(diagnosis.Open(k, cs, nil, nil)), "part:cycling_thermostat")

	c.unit = dryer()
	cs = c.play(t, k, dryerSheet(t))
	require.Equal(t, "cycling_thermostat", cs.Readings[0].Verdicts[0].Part)
	require.Contains(t, gapIDs(diagnosis.Open(k, cs, nil, nil)), "part:cycling_thermostat")
}

// A position another one takes the place of is neither offered nor taken.
func TestADualCoilHasNoSingleCoilToMeasure(t *testing.T) {
	k, s := builtIn(t), dryerSheet(t)
	s["coil_1_resistance"] = diagnosis.SheetValue{Value: num(20), Unit: "Ohm", Origin: "tech sheet, page 2"}
	r := diagnosis.Reading{Check: "coil_ends", Position: "coil", Values: values{"resistance": value(10, "Ohm"), "wires_off": chosen("yes")}}
	_, err := diagnosis.Judge(k, "runs_too_hot", r, s, dryer("dual_coil"))
	var bad *diagnosis.InputError
	require.ErrorAs(t, err, &bad)
	require.Equal(t, "position", bad.Field)
	require.Contains(t, bad.Message, "Here: coil_1, coil_2, section_to_section.")
	_, err = diagnosis.Judge(k, "runs_too_hot", r, s, dryer())
	require.NoError(t, err)
	r.Position = ""
	_, err = diagnosis.Judge(k, "runs_too_hot", r, s, dryer())
	require.ErrorAs(t, err, &bad)
	require.Equal(t, "Say where: coil.", bad.Message)
}

// A closing item none of whose checks can be done on the unit is not asked.
func TestClosingAsksOnlyWhatTheUnitAllows(t *testing.T) {
	k := builtIn(t)
	gas := dryer()
	gas.Gas = true
	for _, tt := range []struct {
		unit diagnosis.Unit
		item string
		asks bool
	}{
		{dryer(), "duct_share", true},
		{gas, "duct_share", false},
		{dryer(), "low_cycle", false},
		{dryer("low_setting"), "low_cycle", true},
	} {
		got := gapIDs(diagnosis.Open(k, diagnosis.Case{Complaint: "runs_too_hot", Unit: tt.unit}, nil, nil))
		if tt.asks {
			require.Contains(t, got, tt.item)
		} else {
			require.NotContains(t, got, tt.item)
		}
	}
}
