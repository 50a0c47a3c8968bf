package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/sensors"
)

// kindCall is a worked call of any kind: what was done and where it must lead.
type kindCall struct {
	name   string
	has    []string // features of the unit
	sheet  diagnosis.Sheet
	triage map[string]string
	steps  []done
	top    string // fault that ranks first
}

func kindNamed(t testing.TB, id string) *catalogue.Kind {
	c, err := catalogue.Open()
	require.NoError(t, err)
	k, ok := c.Kind(id)
	require.True(t, ok, id)
	return k
}

func burnsGas(k *catalogue.Kind) bool { return k.ID == "gas_dryer" }

// judgeKind judges one reading of a built-in kind.
func judgeKind(t testing.TB, k *catalogue.Kind, complaint string, d done, s diagnosis.Sheet, has ...string) []diagnosis.Verdict {
	u := diagnosis.Unit{Kind: k.ID, Gas: burnsGas(k), Has: map[string]bool{}}
	for _, f := range has {
		u.Has[f] = true
	}
	r := diagnosis.Reading{Check: d.check, Position: d.position, Phase: diagnosis.AsFound, Values: d.values, Instrument: d.instrument, Lead: 0.1}
	vs, err := diagnosis.Judge(k, complaint, r, s, u)
	require.NoError(t, err, d.check)
	return vs
}

// assessKind plays a call and gives where it stands.
func assessKind(t testing.TB, k *catalogue.Kind, complaint string, c kindCall) diagnosis.Assessment {
	cs := diagnosis.Case{Complaint: complaint, Sheet: c.sheet, Triage: c.triage, Unit: diagnosis.Unit{Kind: k.ID, Gas: burnsGas(k), Has: map[string]bool{}},
		Competences: map[string]bool{"live": true, "gas": true}}
	for _, f := range c.has {
		cs.Unit.Has[f] = true
	}
	for i, d := range c.steps {
		vs := judgeKind(t, k, complaint, d, c.sheet, c.has...)
		require.Equal(t, d.finding, vs[0].Finding, "%s: %s %s", d.check, vs[0].Sentence, vs[0].Do)
		cs.Readings = append(cs.Readings, diagnosis.Judged{Verdicts: vs, Reading: diagnosis.Reading{ID: string(rune('a' + i)), Check: d.check,
			Position: d.position, Phase: diagnosis.AsFound, At: at(15 * i), Values: d.values, Instrument: d.instrument, Lead: 0.1}})
		ch, _ := k.Check(d.check)
		cs.Isolated = ch.State == catalogue.Isolated
	}
	a, err := diagnosis.Assess(k, cs)
	require.NoError(t, err)
	return a
}

// requireCalls plays the calls of a complaint: each leads to its fault, and
// every first cause has one.
func requireCalls(t *testing.T, k *catalogue.Kind, complaint string, calls []kindCall) {
	covered := map[string]bool{}
	for _, c := range calls {
		t.Run(c.name, func(t *testing.T) {
			a := assessKind(t, k, complaint, c)
			require.Equal(t, c.top, a.Ranking[0].Fault, "%+v", a.Ranking[:3])
			require.Greater(t, a.Ranking[0].Probability, 0.5)
			if a.Enough {
				return
			}
			require.NotEmpty(t, a.Next, a.Sentence)
			for _, n := range a.Next {
				require.Positive(t, n.Gain, n.Check)
			}
		})
		covered[c.top] = true
	}
	cp, ok := k.Complaint(complaint)
	require.True(t, ok)
	for _, x := range cp.Causes {
		if x.Explains == catalogue.ExplainsYes {
			require.True(t, covered[x.Fault], "no worked call has %s", x.Fault)
		}
	}
	a := assessKind(t, k, complaint, kindCall{})
	require.NotEmpty(t, a.Next, "a fresh call has a next check")
	require.Equal(t, catalogue.ExplainsYes, explainsOf(cp, a.Ranking[0].Fault))
}

func explainsOf(cp *catalogue.Complaint, fault string) catalogue.Explains {
	c, ok := cp.Cause(fault)
	if !ok {
		return ""
	}
	return c.Explains
}

// tenths is an ohm-meter of ±(0.5 % + 2 counts of 0.1 Ω).
func tenths() *diagnosis.Instrument {
	return &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 0.1}
}

func off(d done) done {
	d.instrument = tenths()
	return d
}

// chilled is the defrost thermostat at a temperature, °F; ohm below 0 is open.
func chilled(finding string, ohm, f float64) done {
	r := value(ohm, "Ohm")
	if ohm < 0 {
		r = []diagnosis.Value{{Over: true, Unit: "Ohm"}}
	}
	return done{check: "defrost_thermostat", finding: finding, instrument: tenths(),
		values: values{"resistance": r, "temperature": fahrenheits(f), "wires_off": chosen("yes")}}
}

// iced is a sensor in ice water.
func iced(check, finding string, ohm float64) done {
	r := value(ohm, "kOhm")
	if ohm < 0 {
		r = []diagnosis.Value{{Over: true, Unit: "kOhm"}}
	}
	return done{check: check, position: "at_part", finding: finding, instrument: goodMeter(), values: values{"resistance": r, "temperature": fahrenheits(32)}}
}

// pins is the compressor: run, start, both, and pin to case in ohm; below 0
// is open.
func pins(finding string, run, start, both, casing float64) done {
	v := values{"wires_off": chosen("yes")}
	for id, x := range map[string]float64{"common_to_run": run, "common_to_start": start, "run_to_start": both, "pin_to_case": casing} {
		v[id] = value(x, "Ohm")
		if x < 0 {
			v[id] = []diagnosis.Value{{Over: true, Unit: "Ohm"}}
		}
	}
	return done{check: "compressor_windings", finding: finding, instrument: tenths(), values: v}
}

// coldSheet is an invented model's: the 3977 K curve scaled to 5 kΩ at 77 °F.
func coldSheet(t testing.TB) diagnosis.Sheet {
	half := make([]diagnosis.Point, 0, 40)
	for _, p := range curve3977(t) {
		half = append(half, diagnosis.Point{Kelvin: p.Kelvin, Ohm: p.Ohm / 2})
	}
	v := diagnosis.SheetValue{Curve: half, Unit: "kOhm", Origin: "tech sheet, page 3", Confirmed: true}
	return diagnosis.Sheet{"defrost_sensor_curve": v, "fresh_food_sensor_curve": v}
}

// Defrost thermostats close below about 15 to 25 °F and open above 45 to 60 °F
// (common practice, no source): open at room temperature is right.
func TestDefrostThermostatIsJudgedByItsTemperature(t *testing.T) {
	k := kindNamed(t, "refrigerator")
	for _, tt := range []struct {
		finding string
		ohm, f  float64
	}{
		{"closed_cold", 0.2, 5}, {"closed_cold", 0.2, 35}, {"open_warm", -1, 70}, {"open_warm", -1, 40}, {"open_cold", -1, 5},
		{"closed_warm", 0.2, 75}, {"between", -1, 20}, {"between", 0.2, 52}, {"between", 300, 5},
	} {
		d := chilled(tt.finding, tt.ohm, tt.f)
		d.values["temperature"] = fahrenheits(tt.f)
		v := judgeKind(t, k, "fresh_food_warm", d, nil)[0]
		require.Equal(t, tt.finding, v.Finding, "%g Ω at %g °F: %s", tt.ohm, tt.f, v.Sentence)
		require.Equal(t, tt.finding == "open_cold" || tt.finding == "closed_warm", v.Outcome == diagnosis.DoesNotConform, v.Sentence)
	}
	on := chilled("wires_on", 0.2, 5)
	on.values["wires_off"] = chosen("no")
	require.Equal(t, "wires_on", judgeKind(t, k, "fresh_food_warm", on, nil)[0].Finding)
}

// Run 1 to 6 Ω, start 3 to 15 Ω, run to start their sum ± 10 %, pins to case
// above 1 MΩ; inverter windings equal (common practice, no source).
func TestCompressorWindings(t *testing.T) {
	k := kindNamed(t, "refrigerator")
	for _, tt := range []struct {
		finding string
		d       done
		has     []string
	}{
		{"conforms", pins("", 4, 6, 10, -1), nil},
		{"conforms", pins("", 4, 6, 10, 5e6), nil},
		{"grounded", pins("", 4, 6, 10, 800), nil},
		{"between", pins("", 4, 6, 10, 200e3), nil},
		{"open", pins("", -1, 6, -1, -1), nil},
		{"open", pins("", -1, -1, -1, -1), nil},
		{"between", pins("", -1, -1, 10, -1), nil},
		{"unequal", pins("", 4, 6, 7.5, -1), nil},
		{"between", pins("", 4, 10, 6, -1), nil},
		{"low", pins("", 0.3, 6, 6.3, -1), nil},
		{"high", pins("", 4, 25, 29, -1), nil},
		{"conforms", pins("", 9, 9.1, 8.9, -1), []string{"inverter_compressor"}},
		{"unequal", pins("", 9, 9, 4, -1), []string{"inverter_compressor"}},
		{"open", pins("", -1, -1, 9, -1), []string{"inverter_compressor"}},
	} {
		v := judgeKind(t, k, "both_warm", tt.d, nil, tt.has...)[0]
		require.Equal(t, tt.finding, v.Finding, "%s %s", v.Sentence, v.Do)
	}
}

// 350 to 600 W at 120 V is 41 to 24 Ω (own arithmetic); 20 to 50 Ω conforms,
// and a PTC of 3 to 20 Ω (common practice, no source).
func TestHeaterAndStartDevice(t *testing.T) {
	k := kindNamed(t, "refrigerator")
	require.InDelta(t, 41, 120.0*120/350, 0.2)
	require.InDelta(t, 24, 120.0*120/600, 0.05)
	for _, d := range []done{ohm("defrost_heater", "", "conforms", 41), ohm("defrost_heater", "", "conforms", 24), ohm("defrost_heater", "", "high", 200),
		openCircuit("defrost_heater", "", "open"), off(ohm("start_device", "", "conforms", 8)), off(ohm("start_device", "", "high", 60))} {
		v := judgeKind(t, k, "fresh_food_warm", d, nil)[0]
		require.Equal(t, d.finding, v.Finding, v.Sentence)
	}
}

// A 5 kΩ at 77 °F thermistor has about 16 kΩ in ice water (computed from the
// 3977 K material).
func TestSensorInIceWater(t *testing.T) {
	k := kindNamed(t, "refrigerator")
	c, err := sensors.Material3977(5000)
	require.NoError(t, err)
	require.InDelta(t, 16277, c.Ohm(273.15), 40)
	for finding, ohm := range map[string]float64{"conforms": 16277, "high": 22000, "low": 11000, "short": 5, "open": -1} {
		v := judgeKind(t, k, "fresh_food_warm", iced("defrost_sensor", finding, ohm), coldSheet(t), "electronic_control")[0]
		require.Equal(t, finding, v.Finding, v.Sentence)
	}
	require.Equal(t, "defrost_sensor_curve", judgeKind(t, k, "fresh_food_warm", iced("defrost_sensor", "no_limit", 16277), nil, "electronic_control")[0].Missing)
}

func TestFreshFoodWarmCalls(t *testing.T) {
	s := coldSheet(t)
	snow := look("frost_picture", "snow_all_over")
	fan := look("evaporator_fan", "blows")
	all := []string{"electronic_control", "damper", "defrost_fuse"}
	requireCalls(t, kindNamed(t, "refrigerator"), "fresh_food_warm", []kindCall{
		{name: "heater open", steps: []done{snow, openCircuit("defrost_heater", "", "open")}, top: "defrost_heater_open"},
		{name: "thermostat open cold", steps: []done{snow, ohm("defrost_heater", "", "conforms", 30), chilled("open_cold", -1, 5)}, top: "defrost_thermostat_open"},
		{name: "thermostat welded, fuse blown", has: all, steps: []done{snow, openCircuit("defrost_fuse", "", "open"), chilled("closed_warm", 0.1, 75)}, top: "defrost_thermostat_welded"},
		{name: "control", steps: []done{fan, look("forced_defrost", "no_start"), ohm("defrost_heater", "", "conforms", 30), chilled("closed_cold", 0.1, 5)}, top: "defrost_control_dead"},
		{name: "sensor low", has: all, sheet: s, steps: []done{snow, iced("defrost_sensor", "low", 9000)}, top: "defrost_sensor_low"},
		{name: "sensor short", has: all, sheet: s, steps: []done{snow, iced("defrost_sensor", "short", 4)}, top: "defrost_sensor_short"},
		{name: "fresh sensor high", has: all, sheet: s, steps: []done{fan, iced("fresh_food_sensor", "high", 24000)}, top: "fresh_sensor_high"},
		{name: "fresh sensor open", has: all, sheet: s, steps: []done{fan, iced("fresh_food_sensor", "open", -1)}, top: "fresh_sensor_open"},
		{name: "fan dead", steps: []done{look("evaporator_fan", "stopped")}, top: "evaporator_fan_dead"},
		{name: "fan slow", steps: []done{look("evaporator_fan", "slow")}, top: "evaporator_fan_slow"},
		{name: "damper shut", has: all, steps: []done{fan, look("damper", "shut")}, top: "damper_shut"},
		{name: "gasket", steps: []done{fan, look("door_gasket", "leaks")}, top: "gasket_leaks"},
		{name: "light", steps: []done{fan, look("light_out", "stays_on")}, top: "light_stays_on"},
		{name: "sealed system", steps: []done{fan, look("frost_picture", "first_passes_only"), look("sealed_system_outside", "weak")}, top: "sealed_system_weak"},
		{name: "setting", steps: []done{look("setting_and_room", "use"), fan, look("frost_picture", "even_film")}, top: "use_setting"},
	})
}

func TestBothWarmCalls(t *testing.T) {
	clicks, silent := look("compressor_behaviour", "hums_and_clicks"), look("compressor_behaviour", "silent")
	requireCalls(t, kindNamed(t, "refrigerator"), "both_warm", []kindCall{
		{name: "condenser", steps: []done{look("condenser", "coated")}, top: "condenser_dirty"},
		{name: "condenser fan", has: []string{"condenser_fan"}, steps: []done{look("condenser", "clean"), look("condenser_fan", "stopped")}, top: "condenser_fan_dead"},
		{name: "start device", steps: []done{clicks, look("start_device_look", "failed"), pins("conforms", 4, 6, 10, -1)}, top: "start_device_failed"},
		{name: "overload", steps: []done{silent, openCircuit("overload", "", "open")}, top: "overload_open"},
		{name: "winding open", steps: []done{clicks, pins("open", -1, 6, -1, -1)}, top: "compressor_winding"},
		{name: "grounded", steps: []done{silent, pins("grounded", 4, 6, 10, 500)}, top: "compressor_grounded"},
		{name: "seized", steps: []done{clicks, pins("conforms", 4, 6, 10, -1), look("compressor_start", "stays_locked")}, top: "compressor_seized"},
		{name: "control", steps: []done{silent, look("setting_and_room", "right"), look("control_call", "no_call")}, top: "control_dead"},
		{name: "inverter", has: []string{"inverter_compressor"}, steps: []done{silent, look("control_call", "inverter_silent")}, top: "inverter_dead"},
		{name: "switched off", steps: []done{look("setting_and_room", "off")}, top: "switched_off"},
		{name: "sealed system", steps: []done{look("compressor_behaviour", "runs_always"), look("condenser", "clean"), look("sealed_system_outside", "weak")}, top: "sealed_system_weak"},
	})
}
