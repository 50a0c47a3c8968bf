package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

// rated is a dryer with the nameplate's watts and volts.
func rated(watts, volts float64, features ...string) diagnosis.Unit {
	u := dryer(features...)
	u.Watts, u.Volts = num(watts), num(volts)
	return u
}

func heaterReading(amps, volts float64) diagnosis.Reading {
	return diagnosis.Reading{Check: "heater_current", Phase: diagnosis.Verification, Instrument: &diagnosis.Instrument{Method: "clamp", Percent: 1.5, Counts: 3, Resolution: 0.1},
		Values: values{"current": value(amps, "A"), "volts": value(volts, "V")}}
}

// R = V²/P (own arithmetic): 5,400 W at 240 V take 22.5 A, and at 208 V 19.5 A;
// a 208 V element on 240 V makes 7.2 kW. ± 10 % is common practice, no source.
func TestHeaterCurrent(t *testing.T) {
	for _, tt := range []struct {
		name        string
		unit        diagnosis.Unit
		amps, volts float64
		finding     string
		says        string
	}{
		{"as rated", rated(5400, 240), 22.5, 240, "conforms", "should take 20.2 to 24.8 A (nameplate 5400 W at 240 V, here at 240 V; tolerance common practice, no source). That is 5.4 kW at 240 V."},
		{"on 208 V", rated(5400, 240), 19.5, 208, "conforms", "That is 4.1 kW at 208 V."},
		{"22.5 A on 208 V are too many", rated(5400, 240), 22.5, 208, "high", ""},
		{"208 V element on 240 V", rated(5400, 240), 29.95, 240, "high", "That is 7.2 kW at 240 V. An element made for 208 V takes as much on 240 V."},
		{"240 V element on 208 V", rated(5400, 208), 19.5, 208, "low", "An element made for 240 V takes as little on 208 V."},
		{"one of two coils", rated(5400, 240, "dual_coil"), 11.3, 240, "half", "half of what it should"},
		{"half the current of a single coil", rated(5400, 240), 11.3, 240, "low", "heats too weakly"},
		{"a third with two coils", rated(5400, 240, "dual_coil"), 7.5, 240, "low", ""},
		{"nothing", rated(5400, 240, "dual_coil"), 0.1, 240, "no_current", "next to nothing"},
		{"at the upper edge", rated(5400, 240), 24.7, 240, "between_high", ""},
		{"at the lower edge", rated(5400, 240), 20.3, 240, "between_low", ""},
		{"no nameplate", dryer(), 22.5, 240, "no_limit", "watts and volts are missing"},
		{"watts of nothing", rated(0, 240), 22.5, 240, "no_limit", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", heaterReading(tt.amps, tt.volts), nil, tt.unit)
			require.NoError(t, err)
			require.Equal(t, tt.finding, vs[0].Finding, vs[0].Sentence)
			require.Contains(t, vs[0].Sentence, tt.says)
		})
	}
}

func TestHeaterDropUnderLoad(t *testing.T) {
	for idle, want := range map[float64]string{240: "conforms", 262: "drop"} {
		r := heaterReading(22.1, 236)
		r.Values["volts_no_load"] = value(idle, "V")
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", r, nil, rated(5400, 240))
		require.NoError(t, err)
		require.Equal(t, want, vs[0].Finding, vs[0].Sentence)
		if want == "drop" {
			require.Equal(t, "supply", vs[0].Part)
			require.Contains(t, vs[0].Sentence, "loses 9.92% of its volts; allowed is at most 5%")
		}
	}
}

// The reading goes first; the statement stands in only while no reading speaks
// against it.
func TestClosingByReadingOrStatement(t *testing.T) {
	k := builtIn(t)
	gap := func(stated bool, amps ...float64) bool {
		c := diagnosis.Case{Complaint: "runs_too_hot", Unit: rated(5400, 240)}
		for i, a := range amps {
			r := heaterReading(a, 240)
			r.ID, r.At = string(rune('a'+i)), at(i)
			vs, err := diagnosis.Judge(k, c.Complaint, r, nil, c.Unit)
			require.NoError(t, err)
			c.Readings = append(c.Readings, diagnosis.Judged{Reading: r, Verdicts: vs})
		}
		for _, g := range diagnosis.Open(k, c, map[string]bool{"heater_current": stated}, nil) {
			if g.ID == "heater_current" {
				return true
			}
		}
		return false
	}
	require.True(t, gap(false))
	require.False(t, gap(true))
	require.False(t, gap(false, 22.5))
	require.True(t, gap(true, 30), "a statement does not outvote a reading")
	require.False(t, gap(false, 30, 22.5))
	require.True(t, gap(false, 24.7))
	require.False(t, gap(true, 24.7), "an inconclusive reading says nothing against it")
}

// Where a grounded coil of 10.67 Ω touches, and what it does from either end:
// own arithmetic, V²/(x·R).
func TestWhereAGroundedCoilTouches(t *testing.T) {
	judge := func(here, other, ends float64, u diagnosis.Unit) diagnosis.Verdict {
		r := diagnosis.Reading{Check: "coil_to_case", Position: "terminal_1", Instrument: contact(done{}).instrument, Lead: 0.1, Values: values{
			"resistance": value(here+0.1, "Ohm"), "other_terminal": value(other+0.1, "Ohm"), "end_to_end": value(ends+0.1, "Ohm"), "wires_off": chosen("yes")}}
		vs, err := diagnosis.Judge(builtIn(t), "runs_too_hot", r, nil, u)
		require.NoError(t, err)
		require.Equal(t, "grounded", vs[0].Finding)
		return vs[0]
	}
	v := judge(0.375*10.67, 0.625*10.67, 10.67, dryer())
	require.Contains(t, v.Sentence, "It touches at 38 % of the coil from this terminal. With the thermostat open it makes 3.6 kW at 30 A (the breaker holds) if this end stays live, and 2.2 kW at 18 A (the breaker holds) if the other end does.")
	v = judge(0.2*10.67, 0.8*10.67, 10.67, rated(5400, 240))
	require.Contains(t, v.Sentence, "6.7 kW at 56 A (the breaker trips)")
	v = judge(0.3*10.67, 0.7*10.67, 10.67, dryer())
	require.Contains(t, v.Sentence, "(the breaker may hold for an hour)")
	v = judge(0, 10.67, 10.67, dryer())
	require.Contains(t, v.Sentence, "a short circuit (the breaker trips) if this end stays live, and 1.3 kW at 11 A")
	v = judge(5+0.375*10.67, 5+0.625*10.67, 10.67, dryer())
	require.Contains(t, v.Sentence, "It touches at 38 % of the coil", "the contact's 5 Ω are taken off")
	v = judge(2, 2, 10.67, dryer())
	require.Contains(t, v.Sentence, "do not fit together")
}
