package diagnosis_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/airflow"
)

// airOf plays a call and gives its section on the air.
func airOf(t testing.TB, u diagnosis.Unit, s diagnosis.Sheet, steps ...any) *diagnosis.Air {
	k := builtIn(t)
	a, err := diagnosis.Assess(k, judgedCase(t, u, s, steps...))
	require.NoError(t, err)
	return a.Air
}

// judgedCase is like call.play, but for a step's finding, which may be any.
func judgedCase(t testing.TB, u diagnosis.Unit, s diagnosis.Sheet, steps ...any) diagnosis.Case {
	k, out := builtIn(t), diagnosis.Case{Complaint: "runs_too_hot", Unit: u, Sheet: s}
	for i, step := range steps {
		if a, ok := step.(diagnosis.Done); ok {
			a.At = at(15 * i)
			out.Done = append(out.Done, a)
			continue
		}
		d := step.(done)
		r := d.with(d.instrument)
		r.ID, r.Phase, r.At = string(rune('a'+i)), diagnosis.AsFound, at(15*i)
		vs, err := diagnosis.Judge(k, out.Complaint, r, s, u)
		require.NoError(t, err, d.check)
		out.Readings = append(out.Readings, diagnosis.Judged{Reading: r, Verdicts: vs})
	}
	return out
}

// ductFlow is the duct-off run by flows, cfm.
func ductFlow(on, off float64) done {
	meter := &diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: cfmOf}
	return fresh("duct_off_run", "", "", meter, values{"flow_on": value(on*cfmOf, "[cft_i]/min"), "flow_off": value(off*cfmOf, "[cft_i]/min")})
}

func heater(amps, volts float64) done {
	return fresh("heater_current", "", "", &diagnosis.Instrument{Method: "clamp", Percent: 2, Counts: 3, Resolution: 0.1},
		values{"current": value(amps, "A"), "volts": value(volts, "V")})
}

func fahrenheit(k float64) float64 { return (k-273.15)*9/5 + 32 }

// Mean temperature of the heater box of a 5,400 W machine in a room of 75 °F,
// all the air through the heater: own arithmetic of the trade notes, rise and
// mean in °F by the flow in cfm. A limit rated 246 °F begins to switch near
// 100 cfm.
func TestHeaterBoxOfACall(t *testing.T) {
	sheet := diagnosis.Sheet{"high_limit_rating": {Value: num(degF(246)), Unit: "[degF]", Origin: "tech sheet, page 2", Confirmed: true}}
	room := fresh("air_only_run", "", "", goodBead(), values{"start_temperature": fahrenheits(75), "end_temperature": fahrenheits(78),
		"minutes": seconds(300), "already_warm": chosen("no")})
	for _, tt := range []struct {
		cfm, rise, mean float64
		says            string
	}{
		{150, 114, 189, "the high limit is rated 246 °F, 57 °F above."},
		{125, 136, 211, "the high limit is rated 246 °F, 35 °F above."},
		{100, 171, 246, "it must switch"},
		{75, 227, 302, "the high limit is rated 246 °F, 56 °F below: it must switch. Get more air through before any part is blamed."},
	} {
		a := airOf(t, rated(5400, 240), sheet, room, ductFlow(tt.cfm, 190), heater(22.5, 240))
		require.NotNil(t, a.Box)
		require.InDelta(t, tt.cfm*cfmOf, a.Flow.Flow, 1e-9)
		require.InDelta(t, tt.rise, a.Box.Rise*9/5, 0.8)
		require.InDelta(t, tt.mean, fahrenheit(a.Box.Mean), 0.8)
		require.InDelta(t, 246-tt.mean, *a.Box.Margin*9/5, 0.8)
		require.Positive(t, a.Box.U)
		if tt.cfm != 100 { // there the sign of the margin is a matter of rounding
			require.Contains(t, a.Sentence, tt.says)
		} else {
			require.InDelta(t, 0, *a.Box.Margin, 0.5)
		}
		require.Contains(t, a.Sentence, "With 5.4 kW (amperes times volts) the air in the heater box averages")
	}
	a := airOf(t, rated(5400, 240), nil, ductFlow(100, 190))
	require.Nil(t, a.Box.Margin)
	require.Contains(t, a.Sentence, "With 5.4 kW (nameplate, volts not measured; room of 75 °F assumed) the air in the heater box averages 246 °F while the element is on, "+
		"empty or with a dry load (own arithmetic). Enter the high limit's rating from the data sheet to see the margin.")
	require.InDelta(t, 246, fahrenheit(a.Box.Mean), 0.8)
}

// The heat comes from amperes and volts, else from the nameplate at the volts
// there are: an element of 5,400 W at 240 V gives 4,056 W at 208 V (own
// arithmetic). One that was not on, or that nobody rated, heats nothing.
func TestWhereTheHeatComesFrom(t *testing.T) {
	supply := fresh("supply_loaded", "", "", nil, values{"line_to_line": value(208, "V")})
	a := airOf(t, rated(5400, 240), nil, ductFlow(120, 190), supply)
	require.InDelta(t, 4056, a.Box.Watts, 1)
	require.Contains(t, a.Box.Origin, "nameplate at the volts measured")
	a = airOf(t, rated(5400, 240), nil, ductFlow(120, 190), supply, heater(20, 208))
	require.InDelta(t, 4160, a.Box.Watts, 1e-9)
	require.Nil(t, airOf(t, rated(5400, 240), nil, ductFlow(120, 190), heater(0.1, 240)).Box)
	require.Nil(t, airOf(t, dryer(), nil, ductFlow(120, 190)).Box)
	require.Nil(t, airOf(t, rated(5400, 240), nil, heater(22.5, 240)), "no flow, no run: nothing to say")
}

// A cycle of 180 s of heat and 60 s of rest between 155 and 135 °F, 75 °F in
// the room: 70 °F above it on the mean, three quarters of the heat; 5,400 W
// warm 183 cfm by that much (own arithmetic from the balance at standard air).
func TestHeatBalanceOfACall(t *testing.T) {
	run := func(load string) done {
		return fresh("as_found_run", "", "", goodBead(), values{"off_temperature": fahrenheits(155, 155, 155), "on_temperature": fahrenheits(135, 135, 135),
			"heating_time": seconds(300, 180, 180), "rest_time": seconds(60, 60, 60), "setting": chosen("high"), "load": chosen(load)})
	}
	room := coldRun("", 75)
	room.values["start_temperature"] = fahrenheits(75)
	a := airOf(t, rated(5400, 240), nil, room, run("empty"), ductFlow(183, 190), heater(22.5, 240))
	require.InDelta(t, 0.75, a.Balance.Duty, 1e-9)
	require.InDelta(t, 70, a.Balance.Rise*9/5, 1e-6)
	require.True(t, a.Balance.Agrees, a.Sentence)
	require.InDelta(t, 183, a.Balance.Flow/cfmOf, 1)
	require.Contains(t, a.Sentence, "Heat made and heat carried out agree.")

	a = airOf(t, rated(5400, 240), nil, room, run("dry"), hood(1000, ""), heater(22.5, 240))
	require.False(t, a.Balance.Agrees)
	require.Equal(t, airflow.OfRise, a.Balance.Suspect, "a bead is 2 to 3 °F off, the room too, and the mean of a cycle is a guess")
	a = airOf(t, rated(5400, 240), nil, room, run("dry"), hood(1000, ""))
	require.Equal(t, airflow.OfWatts, a.Balance.Suspect, "nobody measured the heat")
	require.Contains(t, a.Sentence, "likeliest out is the heat: it would have to be 2.6 kW. Measure the heater's current and volts.")
	coarse := hood(1000, "")
	coarse.instrument = &diagnosis.Instrument{Method: "vane", Percent: 15}
	a = airOf(t, rated(5400, 240), nil, room, run("dry"), coarse, heater(22.5, 240))
	require.Equal(t, airflow.OfFlow, a.Balance.Suspect)
	require.Contains(t, a.Sentence, "likeliest out is the flow: it would have to be 183 cfm. Measure the speed again in a straight piece of duct.")

	a = airOf(t, rated(5400, 240), nil, room, run("wet"), ductFlow(183, 190), heater(22.5, 240))
	require.Contains(t, a.Sentence, "No heat balance: the load was wet, and drying takes up the heat.")
	require.False(t, a.Balance.Agrees)
	a = airOf(t, rated(5400, 240), nil, room, goodRun(), ductFlow(183, 190), heater(22.5, 240))
	require.Contains(t, a.Sentence, "No heat balance: the run does not tell how long the heat was on and off.")
	steady := runOf("", "empty", values{"off_temperature": fahrenheits(126), "heating_time": seconds(780)})
	a = airOf(t, rated(5400, 240), nil, room, steady, ductFlow(183, 190), heater(22.5, 240))
	require.Equal(t, 1.0, a.Balance.Duty, "the heat never went off")
	require.InDelta(t, 51, a.Balance.Rise*9/5, 1e-6)
}

// At the flow that was measured, the collar shows whether the run holds the
// air up, whatever the blower.
func TestBlockageNeedsNoBlower(t *testing.T) {
	collar := func(inches float64) done {
		return fresh("collar_pressure", "", "", nil, values{"pressure": value(inches*waterU, "[in_i'H2O]")})
	}
	u := lawful()
	run, _, err := u.Exhaust.Run()
	require.NoError(t, err)
	q := 750 * 0.00508 * airflow.Area(4*inchOf)
	clean := run.CollarPressure(q, airflow.Standard())
	a := airOf(t, u, nil, hood(750, ""), collar(1.1))
	require.True(t, a.Blockage.Blocked)
	require.InDelta(t, clean, a.Blockage.Clean, 1e-6)
	require.Contains(t, a.Sentence, "the collar shows 1.1 in w.g.: something blocks transition piece, run or hood.")
	a = airOf(t, u, nil, hood(750, ""), collar(clean/waterU))
	require.False(t, a.Blockage.Blocked, "little air at little pressure: the blower")
	require.Contains(t, a.Sentence, "the run is not blocked.")
	require.Nil(t, airOf(t, u, nil, hood(750, "")).Blockage)
	require.Nil(t, airOf(t, dryer(), nil, hood(750, ""), collar(1.1)).Blockage)
}

// The section says what is expected of the run and what code has against it;
// without a run and without readings there is none.
func TestAirOfADescribedRun(t *testing.T) {
	require.Nil(t, airOf(t, dryer(), nil))
	a := airOf(t, lawful(), nil)
	require.Empty(t, a.Notes)
	require.InDelta(t, 35, *a.CodeLength/footOf, 1e-9)
	require.InDelta(t, 0.77, a.Expected.Share, 0.005)
	require.Less(t, a.Expected.Least.Flow, a.Expected.Flow)
	require.Less(t, a.Expected.Least.Collar, a.Expected.Collar)
	known := airOf(t, lawful(), blowerSheet(190, 2)).Expected
	require.Equal(t, known.Flow, known.Least.Flow, "the sheet knows its blower")
	require.Equal(t, "Clean, the run as described passes about 133 to 146 cfm, up to 77% of the air with the duct off, and shows 0.601 to 0.715 in w.g. at the collar, with a generic blower (own arithmetic).", a.Sentence)
	long := with(described(9, 60, 2), func(e *airflow.Exhaust) {
		e.Transition.Material, e.Screen, e.Termination = "foil_flexible", true, "attic"
	})
	a = airOf(t, long, nil)
	ids := []string{}
	for _, n := range a.Notes {
		ids = append(ids, n.ID)
		require.Contains(t, n.Clause, "check local code")
	}
	require.Equal(t, []string{"transition_foil", "transition_long", "run_long", "screen", "ends_inside"}, ids)
	a = airOf(t, with(lawful(), func(e *airflow.Exhaust) { e.Booster = "unlisted" }), nil)
	require.Nil(t, a.Expected)
	require.Contains(t, a.Why, "booster fan")
	require.Empty(t, a.Sentence)
	require.Equal(t, "booster_unlisted", a.Notes[0].ID)
}

// A flow from before the run was cleaned says nothing of the machine now, and
// the later of two readings counts.
func TestAnActionEndsTheFlow(t *testing.T) {
	a := airOf(t, dryer(), nil, hood(700, ""), ductFlow(120, 180))
	require.InDelta(t, 120*cfmOf, a.Flow.Flow, 1e-9)
	require.Equal(t, "b", a.Flow.Reading)
	a = airOf(t, dryer(), nil, ductFlow(120, 180), hood(700, ""))
	require.Equal(t, "b", a.Flow.Reading)
	require.Nil(t, airOf(t, dryer(), nil, hood(700, ""), ductFlow(120, 180), diagnosis.Done{Action: "clean_run"}))
	require.Nil(t, airOf(t, dryer(), nil, fresh("duct_off_run", "", "", nil, values{"cycling": chosen("same")})))
}

// More air never makes the box hotter, and the order of entry never shows.
func TestHeaterBoxFallsWithTheFlow(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		watts, q := rapid.Float64Range(500, 9000).Draw(r, "watts"), rapid.Float64Range(20, 200).Draw(r, "cfm")
		one := judgedCase(t, rated(watts, 240), dryerSheet(t), hood(900, ""), ductFlow(q, 250))
		two := airOf(t, rated(watts, 240), dryerSheet(t), ductFlow(q+rapid.Float64Range(0, 40).Draw(r, "more"), 250))
		a, err := diagnosis.Assess(builtIn(t), one)
		require.NoError(r, err)
		require.GreaterOrEqual(r, a.Air.Box.Mean, two.Box.Mean)
		slices.Reverse(one.Readings)
		b, err := diagnosis.Assess(builtIn(t), one)
		require.NoError(r, err)
		require.Equal(r, a.Air, b.Air)
	})
}
