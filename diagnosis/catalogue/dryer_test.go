package catalogue

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// The order of work on an electric dryer that runs too hot: cheap and as
// found first, then isolated, the live reading last (common practice, no
// source).
var tradeOrder = []struct {
	check, rule string
	state       CircuitState
}{
	{"hood", "air_speed", RunningClosed},
	{"lint_screen", "choice", Off},
	{"air_only_run", "air_only", RunningClosed},
	{"as_found_run", "run", RunningClosed},
	{"collar_pressure", "collar", RunningClosed},
	{"duct_off_run", "duct_ratio", RunningClosed},
	{"low_setting_cycle", "low_setting", RunningClosed},
	{"duct_and_box", "choice", Isolated},
	{"blower_wheel", "choice", Isolated},
	{"drum_seals", "choice", Isolated},
	{"coil_to_case", "insulation", Isolated},
	{"coil_ends", "coil", Isolated},
	{"heat_relay", "relay", Isolated},
	{"cycling_thermostat_stamp", "stamp", Isolated},
	{"cycling_thermostat_closed", "range", Isolated},
	{"bias_heater", "range", Isolated},
	{"thermistor", "thermistor", Isolated},
	{"high_limit", "range", Isolated},
	{"cut_off", "range", Isolated},
	{"cycling_thermostat_warm_up", "opening", Isolated},
	{"high_limit_warm_up", "opening", Isolated},
	{"supply_loaded", "supply", LiveOpen},
	{"frame_ground", "range", Isolated},
}

func TestEveryCheckOfTheTradeInOrder(t *testing.T) {
	k, last := dryer(t), -1
	for _, want := range tradeOrder {
		c, ok := k.Check(want.check)
		require.True(t, ok, want.check)
		require.Equal(t, want.rule, c.Rule, want.check)
		require.Equal(t, want.state, c.State, want.check)
		for i := range k.Checks {
			if k.Checks[i].ID == want.check {
				require.Greater(t, i, last, "%s stands too early", want.check)
				last = i
			}
		}
	}
}

// Direction counts: a thermostat that opens early does not make a dryer run
// too hot, and a second barrier never does by itself (common practice, no
// source).
func TestFaultsByDirection(t *testing.T) {
	k := dryer(t)
	c, ok := k.Complaint("runs_too_hot")
	require.True(t, ok)
	for fault, want := range map[string]Explains{
		"run_restricted":           ExplainsYes,
		"cycling_thermostat_late":  ExplainsYes,
		"cycling_thermostat_never": ExplainsYes,
		"cycling_thermostat_early": ExplainsNo,
		"cycling_thermostat_open":  ExplainsNo,
		"thermistor_high":          ExplainsYes,
		"thermistor_open":          ExplainsYes,
		"thermistor_low":           ExplainsNo,
		"thermistor_short":         ExplainsNo,
		"bias_heater_high":         ExplainsYes,
		"bias_heater_open":         ExplainsYes,
		"bias_heater_low":          ExplainsNo,
		"coil_grounded":            ExplainsYes,
		"coil_wrong":               ExplainsYes,
		"coil_high":                ExplainsNo,
		"coil_open":                ExplainsNo,
		"relay_welded":             ExplainsYes,
		"high_limit_late":          ExplainsBarrier,
		"high_limit_never":         ExplainsBarrier,
		"high_limit_bypassed":      ExplainsBarrier,
		"high_limit_early":         ExplainsNo,
		"high_limit_open":          ExplainsNo,
		"cut_off_bypassed":         ExplainsBarrier,
		"cut_off_blown":            ExplainsNo,
	} {
		cause, ok := c.Cause(fault)
		require.True(t, ok, fault)
		require.Equal(t, want, cause.Explains, fault)
	}
	for i := range k.Faults {
		require.True(t, slices.ContainsFunc(k.Complaints, func(c Complaint) bool {
			return found(c.Cause(k.Faults[i].ID))
		}), "%s is tied to no complaint", k.Faults[i].ID)
	}
}

// Chances of the first cause, in 100 (common practice, no source).
func TestPriorsByGroup(t *testing.T) {
	c, _ := dryer(t).Complaint("runs_too_hot")
	for _, group := range []struct {
		want   float64
		faults []string
	}{
		{42, []string{"run_restricted", "transition_crushed", "hood_blocked"}},
		{11, []string{"lint_in_heater_box", "screen_film", "lint_on_blower"}},
		{9, []string{"cycling_thermostat_late", "cycling_thermostat_never"}},
		{7, []string{"drum_seal_leaks", "blower_seal_leaks"}},
		{6, []string{"blower_slips"}},
		{6, []string{"thermistor_high", "thermistor_open", "thermistor_connection", "thermistor_out_of_place"}},
		{6, []string{"coil_grounded"}},
		{4, []string{"bars_film", "overdry_habit"}},
		{3, []string{"relay_welded", "selector_stuck"}},
		{2, []string{"bias_heater_open", "bias_heater_high"}},
		{1, []string{"cycling_thermostat_wrong", "coil_wrong"}},
		{3, []string{"no_fault", "belt_broken"}},
	} {
		sum := 0.0
		for _, f := range group.faults {
			cause, ok := c.Cause(f)
			require.True(t, ok, f)
			sum += cause.Prior
		}
		require.InDelta(t, group.want, 100*sum, 1e-9, "%v", group.faults)
	}
}

// The limits of trade practice (common practice, no source, but frame_ground:
// EN 50106, read as an excerpt).
func TestLimits(t *testing.T) {
	k := dryer(t)
	num := func(x float64) *float64 { return &x }
	for _, want := range []struct {
		check, limit string
		low, high    *float64
		unit         string
		mark         Mark
	}{
		{"hood", "velocity", num(1200), nil, "[ft_i]/min", CommonPractice},
		{"air_only_run", "rise", nil, num(10), "[degF]", CommonPractice},
		{"as_found_run", "off", num(145), num(165), "[degF]", CommonPractice},
		{"as_found_run", "climb", nil, num(170), "[degF]", CommonPractice},
		{"as_found_run", "differential", num(10), num(30), "[degF]", CommonPractice},
		{"collar_pressure", "pressure", nil, num(0.6), "[in_i'H2O]", CommonPractice},
		{"duct_off_run", "ratio", num(0.7), nil, "1", CommonPractice},
		{"low_setting_cycle", "step", num(15), nil, "[degF]", CommonPractice},
		{"coil_to_case", "good", num(1), nil, "MOhm", CommonPractice},
		{"coil_to_case", "grounded", nil, num(10), "kOhm", CommonPractice},
		{"coil_ends", "coil", num(8), num(12), "Ohm", CommonPractice},
		{"cycling_thermostat_closed", "closed", nil, num(0.5), "Ohm", CommonPractice},
		{"high_limit", "closed", nil, num(0.5), "Ohm", CommonPractice},
		{"heater_current", "share", num(0.9), num(1.1), "1", CommonPractice},
		{"heater_current", "drop", nil, num(0.05), "1", CommonPractice},
		{"supply_loaded", "volts", num(216), num(264), "V", CommonPractice},
		{"supply_loaded", "leg", num(108), num(132), "V", CommonPractice},
		{"frame_ground", "ground", nil, num(0.2), "Ohm", Published},
	} {
		c, ok := k.Check(want.check)
		require.True(t, ok, want.check)
		l, ok := c.Limit(want.limit)
		require.True(t, ok, "%s %s", want.check, want.limit)
		require.Equal(t, want.low, l.Low, "%s %s", want.check, want.limit)
		require.Equal(t, want.high, l.High, "%s %s", want.check, want.limit)
		require.Equal(t, want.unit, l.Unit, "%s %s", want.check, want.limit)
		require.Equal(t, want.mark, l.Mark, "%s %s", want.check, want.limit)
	}
}

// Without these sheet values there is no verdict: no figure stands in.
func TestIndispensableSheetValues(t *testing.T) {
	k := dryer(t)
	for check, parameter := range map[string]string{
		"cycling_thermostat_stamp":   "cycling_thermostat_rating",
		"cycling_thermostat_warm_up": "cycling_thermostat_rating",
		"high_limit_stamp":           "high_limit_rating",
		"high_limit_warm_up":         "high_limit_rating",
		"bias_heater":                "bias_heater_resistance",
		"thermistor":                 "thermistor_curve",
	} {
		c, ok := k.Check(check)
		require.True(t, ok, check)
		l := c.Limits[0]
		require.True(t, l.Indispensable, check)
		require.Equal(t, parameter, l.Parameter, check)
		require.Nil(t, l.Low, check)
		require.Nil(t, l.High, check)
	}
}

// A one-shot is never heated to test it: no check warms the cut-off up.
func TestCutOffIsNeverHeated(t *testing.T) {
	k := dryer(t)
	for i := range k.Checks {
		c := &k.Checks[i]
		for _, p := range c.Parts {
			if p == "cut_off" {
				require.NotEqual(t, "opening", c.Rule, c.ID)
			}
		}
	}
}

// Not every contact is closed when cold.
func TestTerminalPairs(t *testing.T) {
	c, ok := dryer(t).Check("cycling_thermostat_warm_up")
	require.True(t, ok)
	heat, ok := c.Position("heat_pair")
	require.True(t, ok)
	require.True(t, *heat.ClosedCold)
	timer, ok := c.Position("timer_pair")
	require.True(t, ok)
	require.False(t, *timer.ClosedCold)
	require.Equal(t, "change_over_thermostat", timer.Has)
}

// Answers that mean danger are met with advice to stop and unplug.
func TestTriageStopsDanger(t *testing.T) {
	c, _ := dryer(t).Complaint("runs_too_hot")
	for _, danger := range [][2]string{
		{"scorch", "smoke"}, {"scorch", "yes"}, {"heat_on_air_only", "yes"}, {"warm_when_off", "yes"}, {"drum_turns", "no"},
	} {
		q, ok := c.Question(danger[0])
		require.True(t, ok, danger[0])
		a, ok := q.Answer(danger[1])
		require.True(t, ok, danger)
		require.Regexp(t, `(?i)unplug`, a.Advice, danger)
	}
}

// Every care scope has a cleaning that moves its date.
func TestEveryScopeIsCleanedBySomething(t *testing.T) {
	k, cleaned := dryer(t), map[string]bool{}
	for i := range k.Actions {
		for _, s := range k.Actions[i].Cleans {
			cleaned[s] = true
		}
	}
	for _, s := range careScopes {
		require.True(t, cleaned[s], s)
	}
	wash, ok := k.Action("clean_screen")
	require.True(t, ok)
	require.Equal(t, []string{"screen"}, wash.Cleans, "washing a screen moves no yearly date")
}

// What must be on record before an overheated dryer goes back to service.
func TestClosing(t *testing.T) {
	c, _ := dryer(t).Complaint("runs_too_hot")
	byCheck := map[string]bool{}
	for _, x := range c.Closing {
		for _, id := range x.AnyOf {
			byCheck[id] = true
		}
	}
	for _, id := range []string{"safety_devices", "high_limit", "cut_off", "coil_to_case", "frame_ground", "air_only_run",
		"as_found_run", "hood", "collar_pressure", "duct_off_run", "low_setting_cycle", "heater_current"} {
		require.True(t, byCheck[id], id)
	}
}
