package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

func TestAirOnly(t *testing.T) {
	tests := []struct {
		name       string
		start, end float64
		secs       float64
		legs       []float64
		warm       string
		finding    string
	}{
		{"no heat", 70, 73, 300, nil, "no", "no_heat"},
		{"no heat, motor current on one leg", 70, 73, 300, []float64{5, 0.1}, "no", "no_heat"},
		{"heats", 70, 110, 300, nil, "no", "heats"},
		{"both legs carry the heater", 70, 73, 60, []float64{27, 22}, "no", "heats"},
		{"one leg carries a part of the coil", 70, 73, 60, []float64{16, 0.1}, "no", "unequal_legs"},
		{"warm at the start, no clamp", 130, 120, 300, nil, "yes", "between"},
		{"warm at the start, clamp", 130, 120, 300, []float64{5, 0.1}, "yes", "no_heat"},
		{"too short", 70, 73, 60, nil, "no", "between"},
		{"near the limit", 70, 80, 300, nil, "no", "between"},
		{"near the limit, clean legs", 70, 80, 300, []float64{5, 0.1}, "no", "no_heat"},
		{"too short, clean legs", 70, 73, 60, []float64{5, 0.1}, "no", "no_heat"},
		{"clean legs do not talk a hot outlet away", 70, 110, 300, []float64{5, 0.1}, "no", "heats"},
		{"no rise, but one leg above the motor's current", 70, 73, 300, []float64{7, 0.1}, "no", "between"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := values{"start_temperature": fahrenheits(tt.start), "end_temperature": fahrenheits(tt.end), "minutes": seconds(tt.secs), "already_warm": chosen(tt.warm)}
			if tt.legs != nil {
				v["leg_1_current"], v["leg_2_current"] = value(tt.legs[0], "A"), value(tt.legs[1], "A")
			}
			got := judge(t, diagnosis.Reading{Check: "air_only", Values: v, Instrument: goodBead()}, nil)
			require.Equal(t, tt.finding, got.Finding, "%+v", got)
		})
	}
}

// A thermometer nobody described leaves a rise of 9 °F open; the legs settle it
// by the limits the built-in catalogue gives.
func TestCleanLegsSettleAirOnlyWithAnyThermometer(t *testing.T) {
	r := diagnosis.Reading{Check: "air_only_run", Values: values{"start_temperature": fahrenheits(70), "end_temperature": fahrenheits(79),
		"minutes": seconds(300), "already_warm": chosen("no")}}
	for _, tt := range []struct {
		motor, other float64
		sheet        diagnosis.Sheet
		finding      string
	}{
		{0, 0, nil, "between"},
		{6, 0.2, nil, "no_heat"},
		{6, 0.2, diagnosis.Sheet{"motor_current": {Value: num(5), Unit: "A"}}, "heats"},
		{16, 0.2, nil, "unequal_legs"},
	} {
		if tt.motor > 0 {
			r.Values["leg_1_current"], r.Values["leg_2_current"] = value(tt.motor, "A"), value(tt.other, "A")
		}
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", r, tt.sheet, dryer())
		require.NoError(t, err)
		require.Equal(t, tt.finding, vs[0].Finding, "%+v: %s", tt, vs[0].Sentence)
	}
}

func TestDuctRatio(t *testing.T) {
	vane := &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1}
	tests := []struct {
		name    string
		on, off float64 // ft/min
		cycling string
		finding string
	}{
		{"restricted", 700, 1600, "", "duct_restricted"},
		{"clear", 1450, 1600, "", "duct_clear"},
		{"near the limit", 1120, 1600, "", "between"},
		{"near the limit, cycling normal now", 1120, 1600, "normal_now", "duct_restricted"},
		{"clear yet cycling normal now", 1500, 1600, "normal_now", "between"},
		{"restricted yet cycling the same", 700, 1600, "same", "duct_restricted"},
		{"no air at all", 0, 0, "", "between"},
		{"the two swapped", 1600, 400, "", "between"},
		{"next to nothing with it off", 1600, 1e-306, "", "between"},
		{"only the cycling", -1, -1, "same", "duct_clear"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := values{}
			if tt.on >= 0 {
				v["velocity_on"], v["velocity_off"] = value(tt.on*0.00508, "[ft_i]/min"), value(tt.off*0.00508, "[ft_i]/min")
			}
			if tt.cycling != "" {
				v["cycling"] = chosen(tt.cycling)
			}
			require.Equal(t, tt.finding, judge(t, diagnosis.Reading{Check: "duct_off", Values: v, Instrument: vane}, nil).Finding)
		})
	}
}

func TestLowSetting(t *testing.T) {
	for low, want := range map[float64]string{130: "lower", 154: "same", 141: "between"} {
		v := judge(t, diagnosis.Reading{Check: "low_cycle", Values: values{"off_temperature_high": fahrenheits(155, 157), "off_temperature_low": fahrenheits(low, low)}}, nil)
		require.Equal(t, want, v.Finding)
	}
}
