package diagnosis_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// TestAMachineThatMustNotRun: after heat on air-only, a grounded coil or a
// bypassed safety device no powered check is offered until it is mended
// (common practice, no source: stop and isolate).
func TestAMachineThatMustNotRun(t *testing.T) {
	cat, err := catalogue.Open()
	require.NoError(t, err)
	k, ok := cat.Kind("electric_dryer")
	require.True(t, ok)
	at := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	num := func(v float64) []diagnosis.Value { return []diagnosis.Value{{SI: v}} }
	yes := []diagnosis.Value{{Choice: "yes"}}
	for name, c := range map[string]struct {
		check, position string
		values          map[string][]diagnosis.Value
		action, part    string
	}{
		"legs unequal on air-only": {"air_only_run", "", map[string][]diagnosis.Value{"start_temperature": num(297), "end_temperature": num(299), "minutes": num(300),
			"leg_1_current": num(5), "leg_2_current": num(21), "already_warm": {{Choice: "no"}}}, "replace_part", "heating_coil"},
		"coil to case":        {"coil_to_case", "terminal_1", map[string][]diagnosis.Value{"resistance": num(4), "wires_off": yes}, "replace_part", "heating_coil"},
		"high limit bypassed": {"safety_devices", "", map[string][]diagnosis.Value{"result": {{Choice: "high_limit_bypassed"}}}, "restore_barriers", ""},
	} {
		t.Run(name, func(t *testing.T) {
			r := diagnosis.Reading{ID: "r", Check: c.check, Position: c.position, Phase: diagnosis.AsFound, At: at, Values: c.values}
			u := diagnosis.Unit{Kind: k.ID}
			vs, err := diagnosis.Judge(k, "runs_too_hot", r, nil, u)
			require.NoError(t, err)
			cs := diagnosis.Case{Complaint: "runs_too_hot", Unit: u, Readings: []diagnosis.Judged{{Reading: r, Verdicts: vs}}}
			a, err := diagnosis.Assess(k, cs)
			require.NoError(t, err)
			require.Contains(t, a.Stop, "Do not run the machine")
			require.Contains(t, a.Sentence, a.Stop)
			require.NotEmpty(t, a.Next, "it can still be looked into, isolated")
			for _, n := range a.Next {
				ch, _ := k.Check(n.Check)
				require.NotContains(t, []catalogue.CircuitState{catalogue.RunningClosed, catalogue.LiveOpen}, ch.State, n.Check)
			}

			cs.Done = []diagnosis.Done{{Action: c.action, Part: c.part, At: at.Add(time.Hour)}}
			a, err = diagnosis.Assess(k, cs)
			require.NoError(t, err)
			require.Empty(t, a.Stop, "mended")
			require.NotContains(t, a.Sentence, "Do not run")
		})
	}
	a, err := diagnosis.Assess(k, diagnosis.Case{Complaint: "runs_too_hot", Unit: diagnosis.Unit{Kind: k.ID}})
	require.NoError(t, err)
	require.Empty(t, a.Stop)
}
