package diagnosis_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// reading judges a reading of the small machine and tags it.
func reading(t testing.TB, id string, minute int, phase diagnosis.Phase, r diagnosis.Reading) diagnosis.Judged {
	r.ID, r.At, r.Phase = id, at(minute), phase
	vs, err := diagnosis.Judge(smallKind(), "too_hot", r, sheet(t), everything())
	require.NoError(t, err)
	return diagnosis.Judged{Reading: r, Verdicts: vs}
}

func found(t testing.TB, id string, minute int, r diagnosis.Reading) diagnosis.Judged {
	return reading(t, id, minute, diagnosis.AsFound, r)
}

func weakHood() diagnosis.Reading {
	return diagnosis.Reading{Check: "hood", Values: values{"velocity": value(2.5, "m/s")}}
}

func strongHood() diagnosis.Reading {
	return diagnosis.Reading{Check: "hood", Values: values{"velocity": value(9, "m/s")}}
}

func hotRun() diagnosis.Reading {
	return run(values{"off_temperature": fahrenheits(184, 185, 184), "on_temperature": fahrenheits(162, 162, 163), "heating_time": seconds(480, 230, 230)}, "high", "empty")
}

func rightRun() diagnosis.Reading {
	return run(values{"off_temperature": fahrenheits(155, 155, 154), "on_temperature": fahrenheits(135, 135, 136), "heating_time": seconds(300, 185, 180)}, "high", "empty")
}

func warmAirOnly() diagnosis.Reading {
	return diagnosis.Reading{Check: "air_only", Instrument: goodBead(), Values: values{
		"start_temperature": fahrenheits(70), "end_temperature": fahrenheits(120), "minutes": seconds(300), "already_warm": chosen("no")}}
}

func lateDisc() diagnosis.Reading { return warmUp("warm_up", "heat_pair", 185, 188, 800) }

func goodDisc() diagnosis.Reading { return warmUp("warm_up", "heat_pair", 154, 157, 800) }

func smallCase(t testing.TB, js ...diagnosis.Judged) diagnosis.Case {
	return diagnosis.Case{Complaint: "too_hot", Unit: everything(), Sheet: sheet(t), Readings: js}
}

func assess(t testing.TB, c diagnosis.Case) diagnosis.Assessment {
	a, err := diagnosis.Assess(smallKind(), c)
	require.NoError(t, err)
	return a
}

func probabilityOf(a diagnosis.Assessment, fault string) float64 {
	for _, r := range a.Ranking {
		if r.Fault == fault {
			return r.Probability
		}
	}
	return math.NaN()
}

func part(a diagnosis.Assessment, id string) diagnosis.PartState {
	for _, p := range a.Parts {
		if p.Part == id {
			return p
		}
	}
	return diagnosis.PartState{}
}

// One finding alone, against every set of causes gone through by hand.
func TestRankingOfOneReading(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, weakHood()))
	a, k := assess(t, c), smallKind()
	o := oracleOf(t, k, c)
	hood, _ := k.Check("hood")
	o.see(hood, c.Readings[0].Verdicts[0].Finding)
	_, want := o.weigh()
	rest := 0.09 + 0.06 + 0.06 + 0.03 + 0.02 + 0.03
	require.InDelta(t, want["duct_blocked"], probabilityOf(a, "duct_blocked"), 1e-12)
	require.InDelta(t, want["blower_slips"], probabilityOf(a, "blower_slips"), 1e-12)
	require.InDelta(t, (0.42+0.06)/(0.42+0.06+rest), a.Coverage, 1e-12, "the hood speaks of duct and blower")
	require.Contains(t, a.Ranking[0].Reasons[0], "Hood: Measured")
}

func TestFaultsOfPartsTheUnitLacksAreLeftOut(t *testing.T) {
	c := smallCase(t)
	c.Unit = diagnosis.Unit{}
	a := assess(t, c)
	for _, r := range a.Ranking {
		require.NotContains(t, []string{"bias_open", "thermistor_high"}, r.Fault)
	}
	_, want := oracleOf(t, smallKind(), c).weigh()
	require.InDelta(t, want["duct_blocked"], probabilityOf(a, "duct_blocked"), 1e-12)
	require.Empty(t, part(a, "bias").Part)
	for _, n := range a.Next {
		require.NotContains(t, []string{"bias", "thermistor", "low_cycle"}, n.Check)
	}
}

func TestSecondBarriersNeverRank(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, diagnosis.Reading{Check: "bypass", Values: values{"result": chosen("bypassed")}}))
	a := assess(t, c)
	require.True(t, math.IsNaN(probabilityOf(a, "limit_bypassed")))
	require.Equal(t, "limit_bypassed", a.Barriers[0].Fault)
	require.InDelta(t, 0.02*0.98/(0.02*0.98+0.98*0.01), a.Barriers[0].Probability, 1e-12)
	require.True(t, a.Barriers[0].Tested)
	require.Equal(t, diagnosis.DoesNotConform, part(a, "limit").Outcome)
	require.InDelta(t, probabilityOf(assess(t, smallCase(t)), "duct_blocked"), probabilityOf(a, "duct_blocked"), 1e-12)
}

func TestTriageIsEvidence(t *testing.T) {
	c := smallCase(t)
	before := probabilityOf(assess(t, c), "coil_grounded")
	c.Triage = map[string]string{"onset": "sudden"}
	require.Greater(t, probabilityOf(assess(t, c), "coil_grounded"), before)
}

func TestAnUnknownNameIsAnError(t *testing.T) {
	for name, c := range map[string]diagnosis.Case{
		"complaint":       {Complaint: "sings"},
		"triage question": {Complaint: "too_hot", Triage: map[string]string{"weather": "wet"}},
		"triage answer":   {Complaint: "too_hot", Triage: map[string]string{"onset": "wet"}},
		"action":          {Complaint: "too_hot", Done: []diagnosis.Done{{Action: "kick"}}},
		"check":           {Complaint: "too_hot", Readings: []diagnosis.Judged{{Reading: diagnosis.Reading{Check: "smell"}, Verdicts: []diagnosis.Verdict{{}}}}},
		"finding":         {Complaint: "too_hot", Readings: []diagnosis.Judged{{Reading: diagnosis.Reading{Check: "hood"}, Verdicts: []diagnosis.Verdict{{Finding: "odd"}}}}},
	} {
		_, err := diagnosis.Assess(smallKind(), c)
		require.Error(t, err, name)
		require.NotEmpty(t, diagnosis.Open(smallKind(), c, nil, nil), name)
	}
}

func TestTheLatestOfRepeatedReadingsCounts(t *testing.T) {
	once := assess(t, smallCase(t, found(t, "b", 10, strongHood())))
	again := assess(t, smallCase(t, found(t, "b", 10, strongHood()), found(t, "a", 0, weakHood())))
	require.Equal(t, once.Ranking, again.Ranking)
	sameTime := assess(t, smallCase(t, found(t, "b", 10, strongHood()), found(t, "a", 10, weakHood())))
	require.Equal(t, once.Ranking, sameTime.Ranking, "at the same time the later id counts")
}

func TestReadingsSetAsideDoNotWeigh(t *testing.T) {
	j := found(t, "a", 0, weakHood())
	j.Reading.SetAside = true
	a := assess(t, smallCase(t, j))
	require.Equal(t, assess(t, smallCase(t)).Ranking, a.Ranking)
	require.Equal(t, diagnosis.Inconclusive, part(a, "duct").Outcome)
}

// A verified good repair never shows as a contradiction: the ranking keeps
// explaining the complaint, the part is good.
func TestVerifiedRepair(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, strongHood()), found(t, "b", 10, hotRun()), found(t, "c", 30, lateDisc()))
	before := assess(t, c)
	require.Equal(t, "thermostat_late", before.Ranking[0].Fault)
	require.True(t, before.Enough)
	require.Contains(t, before.Sentence, "The fault is shown: thermostat opens late")
	require.Equal(t, diagnosis.DoesNotConform, part(before, "thermostat").Outcome)

	c.Done = []diagnosis.Done{{Action: "replace", Part: "thermostat", At: at(60)}}
	replaced := assess(t, c)
	require.Equal(t, chances(before), chances(replaced), "the evidence of the machine as found stays")
	require.True(t, replaced.Ranking[0].Mended)
	require.Equal(t, diagnosis.PartState{Part: "thermostat", Outcome: diagnosis.Inconclusive}, part(replaced, "thermostat"), "the new part is not yet known")

	c.Readings = append(c.Readings, reading(t, "d", 90, diagnosis.Verification, rightRun()), reading(t, "e", 95, diagnosis.Verification, strongHood()))
	after := assess(t, c)
	require.Nil(t, after.Doubt, "a good repair contradicts nothing")
	require.GreaterOrEqual(t, probabilityOf(after, "thermostat_late"), probabilityOf(before, "thermostat_late"))
	for fault, p := range chances(after) {
		require.True(t, fault == "thermostat_late" || p <= chances(before)[fault]+0.005, "what is good now was good before: %s", fault)
	}
	require.Equal(t, diagnosis.PartState{Part: "thermostat", Outcome: diagnosis.Conforms, Reading: "d", Phase: diagnosis.Verification}, part(after, "thermostat"))
}

// What a verification reading says of a part outranks a reading before it of
// another check, even when no action touched that part.
func TestVerificationOutranksEarlierReadings(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, weakHood()), found(t, "b", 10, hotRun()))
	c.Readings = append(c.Readings, reading(t, "c", 90, diagnosis.Verification, rightRun()))
	require.Equal(t, diagnosis.Conforms, part(assess(t, c), "thermostat").Outcome)
	require.Equal(t, diagnosis.DoesNotConform, part(assess(t, c), "duct").Outcome, "the run says nothing conclusive of the duct")
}

func TestOneThatDoesNotConformOutweighsOthers(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, hotRun()), found(t, "b", 10, goodDisc()))
	require.Equal(t, "a", part(assess(t, c), "thermostat").Reading)
}

// chances is the ranking by fault.
func chances(a diagnosis.Assessment) map[string]float64 {
	out := map[string]float64{}
	for _, r := range a.Ranking {
		out[r.Fault] = r.Probability
	}
	return out
}

// What is read after something was mended says nothing of what was mended, and
// speaks of all the rest: good air behind a cleaned duct clears the blower, and
// a run that is still too hot is the control's.
func TestReadingsAfterMendingSpeakOfTheMendedMachine(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, weakHood()))
	want := chances(assess(t, c))
	c.Done = []diagnosis.Done{{Action: "clean_duct", At: at(20)}}
	c.Readings = append(c.Readings, reading(t, "b", 30, diagnosis.AfterAction, strongHood()))
	got := chances(assess(t, c))
	require.Greater(t, got["duct_blocked"], want["duct_blocked"], "it was the duct")
	require.Less(t, got["blower_slips"], want["blower_slips"]/2)
	require.Equal(t, diagnosis.Conforms, part(assess(t, c), "duct").Outcome)
	still := c
	still.Readings = append(slices.Clone(c.Readings), reading(t, "r", 35, diagnosis.AfterAction, hotRun()))
	require.Greater(t, probabilityOf(assess(t, still), "thermostat_late")+probabilityOf(assess(t, still), "thermistor_high"), 0.5)
	require.False(t, assess(t, still).Enough, "the duct was not all: %+v", assess(t, still).Sentence)
	c.Readings = append(c.Readings, reading(t, "c", 40, diagnosis.AfterAction, diagnosis.Reading{Check: "blower", Values: values{"result": chosen("slips")}}))
	require.Greater(t, probabilityOf(assess(t, c), "blower_slips"), 0.5, "an untouched part still speaks as found")
}

func TestPullingTheMachineOutEndsTheHoodButMendsNothing(t *testing.T) {
	c := smallCase(t, found(t, "a", 30, weakHood()))
	c.Done = []diagnosis.Done{{Action: "move_out", At: at(10)}}
	a := assess(t, c)
	require.Equal(t, assess(t, smallCase(t)).Ranking, a.Ranking, "the hood needs a machine that was not moved")
	for _, n := range a.Next {
		require.NotContains(t, []string{"hood", "run"}, n.Check, "their evidence is gone")
	}
	c.Readings = []diagnosis.Judged{found(t, "a", 30, diagnosis.Reading{Check: "duct_off", Values: values{"cycling": chosen("normal_now")}})}
	require.Greater(t, probabilityOf(assess(t, c), "duct_blocked"), 0.9, "tagged as found, and needs nothing that is gone")
}

func TestAtTheSameInstantAnAsFoundReadingComesFirst(t *testing.T) {
	c := smallCase(t, found(t, "a", 20, weakHood()))
	c.Done = []diagnosis.Done{{Action: "clean_duct", At: at(20)}}
	require.Equal(t, chances(assess(t, smallCase(t, found(t, "a", 20, weakHood())))), chances(assess(t, c)))
	require.Equal(t, diagnosis.Inconclusive, part(assess(t, c), "duct").Outcome)
}

func TestRebuiltEndsAllEvidence(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, hotRun()), found(t, "b", 5, weakHood()))
	c.Done = []diagnosis.Done{{Action: "rebuild", At: at(60)}}
	for _, p := range assess(t, c).Parts {
		require.Equal(t, diagnosis.Inconclusive, p.Outcome, p.Part)
	}
}

func checks(ns []diagnosis.Next) []string {
	var out []string
	for _, n := range ns {
		out = append(out, n.Check)
	}
	return out
}

func TestNextPutsAsFoundEvidenceBeforeWhatDestroysIt(t *testing.T) {
	got := checks(assess(t, smallCase(t)).Next)
	require.Contains(t, got, "hood")
	if i := slices.Index(got, "duct_off"); i >= 0 {
		require.Less(t, slices.Index(got, "hood"), i)
		require.Less(t, slices.Index(got, "run"), i)
	}
}

func TestNextCountsTheWayIn(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, strongHood()), found(t, "b", 0, hotRun()))
	minutes := func(c diagnosis.Case) map[string]float64 {
		out := map[string]float64{}
		for _, n := range assess(t, c).Next {
			out[n.Check] = n.Minutes
		}
		return out
	}
	require.Equal(t, 9.0, minutes(c)["thermistor"], "five, and four to isolate")
	c.Isolated = true
	require.Equal(t, 5.0, minutes(c)["thermistor"])
	c = smallCase(t)
	require.Equal(t, 4.0, minutes(c)["hood"])
	c.Isolated = true
	k, running := smallKind(), 0
	for check, m := range minutes(c) {
		if ch, _ := k.Check(check); ch.State == catalogue.RunningClosed {
			require.Equal(t, ch.Minutes+5, m, "%s: and five to put it together again", check)
			running++
		}
	}
	require.Positive(t, running)
}

func TestNextLeavesOutWhatIsDoneOrCannotBe(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, weakHood()), diagnosis.Judged{Reading: diagnosis.Reading{ID: "b", Check: "run", Phase: diagnosis.AsFound, NotDone: "customer refused"}})
	got := checks(assess(t, c).Next)
	require.NotContains(t, got, "hood")
	require.NotContains(t, got, "run")
	near := weakHood()
	near.Values["velocity"] = value(1200*0.00508, "m/s")
	c = smallCase(t, found(t, "a", 0, near))
	require.Contains(t, checks(assess(t, c).Next), "hood", "inconclusive: worth repeating")
}

func TestNextLeavesOutWhatWaitsForANewJudgement(t *testing.T) {
	r := lateDisc()
	r.ID, r.At, r.Phase = "b", at(5), diagnosis.AsFound
	vs, err := diagnosis.Judge(smallKind(), "too_hot", r, nil, everything())
	require.NoError(t, err)
	c := smallCase(t, found(t, "a", 0, hotRun()), diagnosis.Judged{Reading: r, Verdicts: vs})
	require.NotContains(t, checks(assess(t, c).Next), "warm_up", "the reading is there, only the sheet was missing")
}

func TestNextLeavesOutWhatHasBeenMended(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, strongHood()), found(t, "b", 5, hotRun()))
	require.Contains(t, checks(assess(t, c).Next), "warm_up")
	c.Done = []diagnosis.Done{{Action: "replace", Part: "thermostat", At: at(60)}}
	require.NotContains(t, checks(assess(t, c).Next), "warm_up", "a new part says nothing of the old one")
	require.Contains(t, checks(assess(t, c).Next), "thermistor")
}

// Likely is not shown: without a reading that names the fault itself the
// engine asks for it.
func TestLikelyIsNotShown(t *testing.T) {
	climb := run(values{"off_temperature": fahrenheits(205), "current": value(22, "A")}, "high", "empty")
	sound := diagnosis.Reading{Check: "coil", Position: "terminal_1", Values: values{"resistance": {{Over: true}}, "wires_off": chosen("yes")}}
	c := smallCase(t, found(t, "a", 0, warmAirOnly()), found(t, "b", 10, climb), found(t, "c", 20, sound))
	a := assess(t, c)
	require.Equal(t, "relay_welded", a.Ranking[0].Fault)
	require.Greater(t, a.Ranking[0].Probability, 0.9)
	require.False(t, a.Enough, a.Sentence)
	require.Equal(t, "relay", a.Next[0].Check)
}

func TestNextGoesOnToTheNextPosition(t *testing.T) {
	k := smallKind()
	c := smallCase(t, found(t, "a", 0, warmAirOnly()))
	c.Isolated = true
	position := func(c diagnosis.Case) string {
		a, err := diagnosis.Assess(k, c)
		require.NoError(t, err)
		i := slices.Index(checks(a.Next), "coil")
		require.GreaterOrEqual(t, i, 0, "%+v", a.Next)
		return a.Next[i].Position
	}
	require.Equal(t, "terminal_1", position(c))
	sound := diagnosis.Reading{Check: "coil", Position: "terminal_1", Values: values{"resistance": {{Over: true}}, "wires_off": chosen("yes")}}
	c.Readings = append(c.Readings, found(t, "b", 5, sound))
	require.Equal(t, "terminal_2", position(c))
}

func TestNextNamesTheMissingSheetValueInsteadOfTheCheck(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, strongHood()), found(t, "b", 0, hotRun()))
	c.Sheet = nil
	a := assess(t, c)
	require.Contains(t, a.Missing, "rating")
	require.Contains(t, a.Missing, "curve")
	require.NotContains(t, checks(a.Next), "thermistor")
}

// Live work waits behind an isolated check that answers the same, and is not
// offered at all without the competence.
func TestLiveWorkWaitsAndNeedsCompetence(t *testing.T) {
	k := smallKind()
	relay, _ := k.Check("relay")
	relay.Answers = []string{"contact"}
	live := *relay
	live.ID, live.State, live.Competence, live.Minutes = "live_relay", catalogue.LiveOpen, "live", 0.5
	k.Checks = append([]catalogue.Check{live}, k.Checks...)
	c := smallCase(t, found(t, "a", 0, warmAirOnly()))
	a, err := diagnosis.Assess(k, c)
	require.NoError(t, err)
	require.NotContains(t, checks(a.Next), "live_relay")
	c.Competences = map[string]bool{"live": true}
	a, err = diagnosis.Assess(k, c)
	require.NoError(t, err)
	got := checks(a.Next)
	require.Contains(t, got, "live_relay")
	require.Less(t, slices.Index(got, "relay"), slices.Index(got, "live_relay"))
}

func TestElectricOnlyChecksAreNotOfferedOnGas(t *testing.T) {
	c := smallCase(t)
	c.Unit.Gas = true
	require.NotContains(t, checks(assess(t, c).Next), "duct_off")
}

func TestSupports(t *testing.T) {
	js := []diagnosis.Judged{found(t, "a", 0, strongHood()), found(t, "b", 10, hotRun()), found(t, "c", 30, lateDisc())}
	a := assess(t, smallCase(t, js...))
	ok, why := diagnosis.Supports(a, js, "thermostat_late")
	require.True(t, ok)
	require.Contains(t, why, "Measured")
	ok, why = diagnosis.Supports(a, js, "duct_blocked")
	require.False(t, ok)
	require.Contains(t, why, "No reading shows duct restricted, and one speaks against it")
	ok, why = diagnosis.Supports(a, js, "coil_grounded")
	require.False(t, ok)
	require.Contains(t, why, "thermostat opens late at")
	ok, _ = diagnosis.Supports(a, js, "not_a_fault")
	require.False(t, ok)
	js[2].Reading.SetAside, js[1].Reading.SetAside = true, true
	ok, _ = diagnosis.Supports(assess(t, smallCase(t, js...)), js, "thermostat_late")
	require.False(t, ok, "readings set aside carry no conclusion")
}

func gapIDs(gs []diagnosis.Gap) []string {
	ids := []string{}
	for _, g := range gs {
		ids = append(ids, g.ID)
	}
	return ids
}

func TestOpenListsWhatIsMissingUntilNothingIs(t *testing.T) {
	k := smallKind()
	c := smallCase(t, found(t, "a", 10, hotRun()), found(t, "b", 20, lateDisc()))
	require.Equal(t, []string{"run", "bias", "duct_on", "part:thermostat", "conclusion"}, gapIDs(diagnosis.Open(k, c, nil, nil)))
	require.Equal(t, []string{"run", "bias", "part:thermostat", "fault:thermostat_late"},
		gapIDs(diagnosis.Open(k, c, map[string]bool{"duct_on": true}, []string{"thermostat_late"})))
	c.Done = []diagnosis.Done{{Action: "replace", Part: "thermostat", At: at(60)}}
	bias := diagnosis.Reading{Check: "bias", Values: values{"resistance": value(7000, "Ohm"), "wires_off": chosen("yes")}}
	c.Readings = append(c.Readings, reading(t, "c", 70, diagnosis.Verification, bias), reading(t, "d", 80, diagnosis.Verification, hotRun()))
	gaps := diagnosis.Open(k, c, map[string]bool{"duct_on": true}, []string{"thermostat_late"})
	require.Equal(t, []string{"run", "part:thermostat"}, gapIDs(gaps), "the first run after the repair was still too hot")
	require.Contains(t, gaps[0].Text, "Measured 184 °F")
	wet := rightRun()
	wet.Values["load"] = chosen("wet")
	c.Readings = append(c.Readings, reading(t, "d2", 90, diagnosis.Verification, wet))
	require.Contains(t, gapIDs(diagnosis.Open(k, c, nil, nil)), "run", "an inconclusive run closes nothing")
	c.Readings = append(c.Readings, reading(t, "e", 100, diagnosis.Verification, rightRun()))
	require.Empty(t, diagnosis.Open(k, c, map[string]bool{"duct_on": true}, []string{"thermostat_late"}))
	c.Done = append(c.Done, diagnosis.Done{Action: "replace", Part: "thermostat", At: at(120)})
	require.Equal(t, []string{"run"}, gapIDs(diagnosis.Open(k, c, map[string]bool{"duct_on": true}, []string{"thermostat_late"})), "work after the run ends it")
}

func TestABypassedBarrierKeepsTheMachineOut(t *testing.T) {
	c := smallCase(t, found(t, "a", 0, diagnosis.Reading{Check: "bypass", Values: values{"result": chosen("bypassed")}}))
	c.Unit.Has["bias_heater"] = false
	gaps := diagnosis.Open(smallKind(), c, map[string]bool{"duct_on": true}, []string{"no_fault"})
	require.Equal(t, []string{"run", "part:limit"}, gapIDs(gaps), "no fault needs no action, and there is no bias heater")
	require.Contains(t, gaps[1].Text, "High limit, a second barrier, does not conform (high limit bypassed)")
}
