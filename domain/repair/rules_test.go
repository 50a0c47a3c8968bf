package repair

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
)

var noon = time.Date(2026, 3, 8, 12, 0, 0, 0, time.UTC)

func dryer(t require.TestingT) *catalogue.Kind {
	cat, err := catalogue.Open()
	require.NoError(t, err)
	k, ok := cat.Kind("electric_dryer")
	require.True(t, ok)
	return k
}

func ptr[T any](v T) *T { return &v }

// fieldsOf lists "pointer code" of an error.
func fieldsOf(err error) []string {
	var out []string
	e, ok := err.(*domain.Error)
	if !ok {
		return out
	}
	for _, f := range e.Fields {
		out = append(out, f.Pointer+" "+f.Code)
	}
	return out
}

// The proving sequence live-dead-live is NFPA 70E, 120.5(7); that both legs are
// measured to each other and to ground is common practice, no source.
func TestProvingDead(t *testing.T) {
	whole := NewIsolation{Method: "plug_in_hand", TesterBefore: true, ProvenDead: []string{"l1_l2", "l1_ground", "l2_ground"}, TesterAfter: true}
	two := customers.Unit{SupplyVolts: ptr(240.0), Fuel: "electric"}
	gas := customers.Unit{SupplyVolts: ptr(120.0), Fuel: "gas"}
	for _, c := range []struct {
		name string
		unit customers.Unit
		edit func(*NewIsolation)
		want []string
	}{
		{"whole", two, func(*NewIsolation) {}, nil},
		{"unknown voltage counts as two legs", customers.Unit{Fuel: "electric"}, func(n *NewIsolation) { n.ProvenDead = []string{"l1_n", "l1_ground"} }, []string{"/proven_dead required"}},
		{"208 V has two legs", customers.Unit{SupplyVolts: ptr(208.0)}, func(n *NewIsolation) { n.ProvenDead = []string{"l1_l2", "l1_ground"} }, []string{"/proven_dead required"}},
		{"120 V has one", gas, func(n *NewIsolation) { n.ProvenDead = []string{"l1_n", "l1_ground"} }, nil},
		{"gas cock", gas, func(n *NewIsolation) { n.Method, n.ProvenDead = GasCockAndPlug, []string{"l1_n", "l1_ground"} }, nil},
		{"no gas to shut", two, func(n *NewIsolation) { n.Method = GasCockAndPlug }, []string{"/method forbidden"}},
		// 29 CFR 1910.147(a)(2)(iii)(A): exclusive control of the plug needs no lock.
		{"plug in sight", two, func(n *NewIsolation) { n.Method = "plug_in_sight" }, nil},
		{"a breaker without a lock", two, func(n *NewIsolation) { n.Method = "breaker" }, []string{"/method unknown"}},
		{"tester not tried", two, func(n *NewIsolation) { n.TesterBefore, n.TesterAfter = false, false }, []string{"/tester_before required", "/tester_after required"}},
		{"a pair twice", two, func(n *NewIsolation) { n.ProvenDead = append(n.ProvenDead, "l1_l2") }, []string{"/proven_dead/3 unknown"}},
		{"note", two, func(n *NewIsolation) { n.Note = strings.Repeat("x", 2001) }, []string{"/note too_long"}},
	} {
		n := whole
		n.ProvenDead = append([]string(nil), whole.ProvenDead...)
		c.edit(&n)
		require.Equal(t, c.want, fieldsOf(n.check(c.unit)), c.name)
	}
}

func TestIsolationCovers(t *testing.T) {
	i := Isolation{IsolatedAt: noon}
	require.True(t, i.covers(noon.Add(-Skew)))
	require.False(t, i.covers(noon.Add(-Skew-time.Second)))
	require.True(t, i.covers(noon.Add(8*time.Hour)))
	i.EndedAt = ptr(noon.Add(time.Hour))
	require.True(t, i.covers(noon.Add(time.Hour)))
	require.False(t, i.covers(noon.Add(time.Hour+time.Second)))
}

func TestMoment(t *testing.T) {
	call := calls.Call{OpenedAt: noon.Add(-48 * time.Hour)}
	for _, c := range []struct {
		at   time.Time
		want []string
	}{
		{time.Time{}, nil},
		{noon.Add(Skew), nil},
		{noon.Add(Skew + time.Second), []string{"/at future"}},
		{call.OpenedAt.Add(-early), nil},
		{call.OpenedAt.Add(-early - time.Second), []string{"/at too_early"}},
	} {
		got, err := moment("/at", c.at, noon, call)
		require.Equal(t, c.want, fieldsOf(err))
		require.False(t, err == nil && got.IsZero())
	}
}

func TestCivilDateIsTheDayAtTheSite(t *testing.T) {
	// 2026-03-08 is the day clocks go forward in Denver: 07:00 UTC is midnight before, 06:00 after.
	for at, want := range map[string]string{"2026-03-08T06:59:59Z": "2026-03-07", "2026-03-08T07:00:00Z": "2026-03-08",
		"2026-03-09T05:59:59Z": "2026-03-08", "2026-03-09T06:00:00Z": "2026-03-09"} {
		instant, err := time.Parse(time.RFC3339, at)
		require.NoError(t, err)
		got, err := civilDate(instant, "America/Denver")
		require.NoError(t, err)
		require.Equal(t, want, got.String())
	}
	_, err := civilDate(noon, "Nowhere/Else")
	require.Error(t, err)
}

func TestRefusalNamesTheFieldAsSent(t *testing.T) {
	n := NewReading{Values: []NewValue{{Input: "a", Choice: "x"}, {Input: "b", Value: &Figure{}}, {Input: "c", Values: []Figure{{}}}, {Input: "d", Over: true}}}
	for field, want := range map[string]string{
		"check": "/check", "position": "/position", "not_done": "/not_done", "lead": "/lead_resistance/value", "instrument": "/instrument_id",
		"values.a": "/values/0/choice", "values.b": "/values/1/value", "values.c[2]": "/values/2/values/2", "values.d": "/values/3/over_range",
		"values.absent": "/values", "series": "/series", "series.t": "/series/t_s", "series.t[7]": "/series/t_s/7", "series.value[3]": "/series/value/3",
		"series.closed": "/series/closed",
	} {
		require.Equal(t, want, n.pointer(&diagnosis.InputError{Field: field, Rule: "range"}), field)
	}
	require.Equal(t, "/values/1/unit", n.pointer(&diagnosis.InputError{Field: "values.b", Rule: "unit"}))
	require.Equal(t, domain.Conflict, domain.KindOf(n.refusal(&diagnosis.InputError{Field: "complaint"})))
	require.Equal(t, domain.Internal, domain.KindOf(n.refusal(strconv.ErrRange)))
}

// Whatever is typed, a reading that enters has finite figures and keeps the
// digits; and the engine then either judges it or names a field.
func TestEnteringNeverLosesDigits(t *testing.T) {
	k := dryer(t)
	rapid.Check(t, func(t *rapid.T) {
		ch := &k.Checks[rapid.IntRange(0, len(k.Checks)-1).Draw(t, "check")]
		n := NewReading{Check: ch.ID, Phase: diagnosis.AsFound}
		if len(ch.Positions) > 0 {
			n.Position = rapid.SampledFrom(ch.Positions).Draw(t, "position").ID
		}
		for i := range ch.Inputs {
			n.Values = append(n.Values, drawValue(t, &ch.Inputs[i]))
		}
		r, _, err := n.enter(k)
		if err != nil {
			require.NotEmpty(t, fieldsOf(err))
			return
		}
		for _, v := range r.Values {
			require.False(t, v.SI != nil && (math.IsNaN(*v.SI) || math.IsInf(*v.SI, 0)))
			require.NotEmpty(t, v.Entered)
		}
		vs, err := diagnosis.Judge(k, "runs_too_hot", r.asReading(), nil, diagnosis.Unit{Kind: k.ID})
		if err != nil {
			require.Len(t, fieldsOf(n.refusal(err)), 1)
			return
		}
		require.NotEmpty(t, vs)
	})
}

func drawValue(t *rapid.T, in *catalogue.Input) NewValue {
	v := NewValue{Input: in.ID}
	if in.Quantity == "" {
		v.Choice = rapid.SampledFrom(in.Choices).Draw(t, in.ID).ID
		return v
	}
	v.Unit = rapid.SampledFrom(append([]string{"", "V"}, in.Units...)).Draw(t, "unit")
	f := rapid.Float64().Draw(t, "value")
	figure := Figure{Text: strconv.FormatFloat(f, 'g', -1, 64), Value: f}
	if in.Many {
		v.Values = []Figure{figure, figure}
		return v
	}
	v.Value = &figure
	return v
}

func TestCompetences(t *testing.T) {
	for _, c := range []struct {
		ch   catalogue.Check
		want []string
	}{
		{catalogue.Check{State: catalogue.Isolated}, nil},
		{catalogue.Check{State: catalogue.LiveOpen}, []string{"live"}},
		{catalogue.Check{State: catalogue.LiveOpen, Competence: "live"}, []string{"live"}},
		{catalogue.Check{State: catalogue.LiveOpen, Gas: true}, []string{"live", "gas"}},
		{catalogue.Check{Competence: "refrigerant"}, []string{"refrigerant"}},
	} {
		require.Equal(t, c.want, competencesFor(&c.ch))
	}
}

func TestMainQuantity(t *testing.T) {
	k := dryer(t)
	for id, want := range map[string]measure.Quantity{"bias_heater": measure.Resistance, "as_found_run": measure.Temperature, "hood_look": "",
		"collar_pressure": measure.Pressure, "supply_loaded": measure.Voltage, "hood": measure.Speed} {
		ch, ok := k.Check(id)
		require.True(t, ok, id)
		require.Equal(t, want, MainQuantity(ch), id)
	}
	require.Equal(t, measure.Temperature, MainQuantity(&catalogue.Check{Series: &catalogue.SeriesForm{Quantity: "temperature"}}))
}

func judged(id, check, position string, at time.Time, vs ...diagnosis.Verdict) diagnosis.Judged {
	return diagnosis.Judged{Reading: diagnosis.Reading{ID: id, Check: check, Position: position, Phase: diagnosis.AsFound, At: at}, Verdicts: vs}
}

func TestContradictions(t *testing.T) {
	k := dryer(t)
	part := "cycling_thermostat"
	bad := diagnosis.Verdict{Part: part, Outcome: diagnosis.DoesNotConform, Fault: "cycling_thermostat_late", Finding: "late"}
	good := diagnosis.Verdict{Part: part, Outcome: diagnosis.Conforms, Finding: "conforms"}
	const check = "cycling_thermostat_warm_up"
	a, b := judged("a", check, "heat_pair", noon, bad), judged("b", check, "heat_pair", noon.Add(time.Hour), good)
	found := contradictions(k, diagnosis.Case{Readings: []diagnosis.Judged{a, b}})
	require.Len(t, found, 1)
	require.Equal(t, [2]string{"a", "b"}, found[0].Readings)
	require.Contains(t, found[0].Sentence, "repeat both")
	require.Len(t, contradictions(k, diagnosis.Case{Readings: []diagnosis.Judged{b, a}}), 1, "whatever the order")

	elsewhere := judged("b", check, "timer_pair", noon, good)
	require.Empty(t, contradictions(k, diagnosis.Case{Readings: []diagnosis.Judged{a, elsewhere}}))
	mended := diagnosis.Done{Action: "replace_part", Part: part, At: noon.Add(time.Minute)}
	require.Empty(t, contradictions(k, diagnosis.Case{Readings: []diagnosis.Judged{a, b}, Done: []diagnosis.Done{mended}}))
	mended.Part = "hood"
	require.Len(t, contradictions(k, diagnosis.Case{Readings: []diagnosis.Judged{a, b}, Done: []diagnosis.Done{mended}}), 1)
	for _, change := range []func(*diagnosis.Judged){
		func(j *diagnosis.Judged) { j.Reading.SetAside = true },
		func(j *diagnosis.Judged) { j.Reading.Phase = diagnosis.Verification },
	} {
		other := b
		change(&other)
		require.Empty(t, contradictions(k, diagnosis.Case{Readings: []diagnosis.Judged{a, other}}))
	}
}

func TestContradictionOfTwoChecks(t *testing.T) {
	k := dryer(t)
	bad := judged("a", "x", "", noon, diagnosis.Verdict{Part: "p", Outcome: diagnosis.DoesNotConform, Fault: "f"})
	kind := &catalogue.Kind{Checks: []catalogue.Check{{ID: "y", Findings: []catalogue.Finding{
		{ID: "against", Weights: map[string]float64{"f": 0.1}}, {ID: "for", Weights: map[string]float64{"f": 0.11}}, {ID: "silent", Weights: map[string]float64{"g": 0.01}}, {ID: "none"}}}}}
	for finding, want := range map[string]int{"against": 1, "for": 0, "silent": 0, "none": 0, "absent": 0} {
		good := judged("b", "y", "", noon, diagnosis.Verdict{Part: "p", Outcome: diagnosis.Conforms, Finding: finding})
		require.Len(t, contradictions(kind, diagnosis.Case{Readings: []diagnosis.Judged{bad, good}}), want, finding)
	}
	good := judged("b", "unknown", "", noon, diagnosis.Verdict{Part: "p", Outcome: diagnosis.Conforms})
	require.Empty(t, contradictions(k, diagnosis.Case{Readings: []diagnosis.Judged{bad, good}}))
}

// someCase is a call with one judged reading of the bias heater.
func someCase(t *testing.T, k *catalogue.Kind, low, high float64) (*caseRows, string) {
	t.Helper()
	c := &caseRows{catalogue: &catalogue.Catalogue{Version: "v"}, kind: k, call: calls.Call{ID: domain.NewID(noon), Complaint: "runs_too_hot"}}
	c.dossier.Unit = customers.Unit{Kind: k.ID, Features: []string{"bias_heater"}}
	c.dossier.Sheet = []customers.SheetValue{{Parameter: "bias_heater_resistance", Low: &low, High: &high, Unit: "Ohm", Origin: "sheet"}}
	n := NewReading{Check: "bias_heater", Phase: diagnosis.AsFound, Values: []NewValue{{Input: "resistance", Value: &Figure{"7000", 7000}, Unit: "Ohm"},
		{Input: "wires_off", Choice: "yes"}}}
	r, _, err := n.enter(k)
	require.NoError(t, err)
	r.ID, r.CallID, r.ObservedAt = domain.NewID(noon), c.call.ID, noon
	basis, err := c.basis()
	require.NoError(t, err)
	r.Verdicts, err = c.derive(r, basis, noon)
	require.NoError(t, err)
	c.readings = []*Reading{r}
	return c, basis
}

func TestBasisFollowsWhatAVerdictRestsOn(t *testing.T) {
	k := dryer(t)
	c, basis := someCase(t, k, 5600, 8400)
	same := func() bool {
		b, err := c.basis()
		require.NoError(t, err)
		return b == basis
	}
	c.readings = nil
	require.True(t, same(), "readings are no part of it")
	c.dossier.Sheet[0].ConfirmedBy = c.call.ID
	require.False(t, same(), "confirmed by a second person")
	c.dossier.Sheet[0].ConfirmedBy = domain.ID{}
	require.True(t, same())
	c.dossier.Unit.Features = nil
	require.False(t, same())
	c.dossier.Unit.Features = []string{"bias_heater"}
	c.call.Complaint = "other"
	require.False(t, same())
	c.call.Complaint = "runs_too_hot"
	c.decision.Accept = 0.99
	require.False(t, same(), "a stricter decision rule")
	c.decision.Accept = 0
	require.True(t, same())
	c.catalogue = &catalogue.Catalogue{Version: "w"}
	next, err := c.basis()
	require.NoError(t, err)
	require.NotEqual(t, basis, next, "another catalogue")
}

func TestRenewing(t *testing.T) {
	k := dryer(t)
	c, basis := someCase(t, k, 5600, 8400)
	require.Empty(t, c.outdated(basis))
	c.dossier.Sheet[0].High = ptr(6000.0)
	next, err := c.basis()
	require.NoError(t, err)
	stale := c.outdated(next)
	require.Len(t, stale, 1)
	old := stale[0].Verdicts
	renewed, err := c.renew(stale, next, noon.Add(time.Hour))
	require.NoError(t, err)
	require.Len(t, renewed, 1)
	require.Equal(t, old, renewed[0].old)
	require.Equal(t, diagnosis.DoesNotConform, c.readings[0].Verdicts[0].Outcome)
	require.Empty(t, c.outdated(next))

	// The same verdict from another basis stays.
	kept, err := c.renew(c.readings, "elsewhere", noon)
	require.NoError(t, err)
	require.Empty(t, kept)
	// A reading that no longer fits keeps what was said of it.
	c.readings[0].Check, c.readings[0].Position = "coil_to_case", "terminal_3"
	kept, err = c.renew(c.readings, "elsewhere", noon)
	require.NoError(t, err)
	require.Empty(t, kept)
	// A voided reading is not judged again.
	c.readings[0].VoidedAt = &noon
	require.Empty(t, c.outdated("elsewhere"))
}

func TestCaseLeavesVoidedOut(t *testing.T) {
	k := dryer(t)
	c, _ := someCase(t, k, 5600, 8400)
	c.actions = []Action{{Action: "clean_hood", DoneAt: noon}, {Action: "clean_run", DoneAt: noon, VoidedAt: &noon}}
	c.isolations = []Isolation{{VisitID: c.call.ID}}
	d := c.diagnosisCase()
	require.Len(t, d.Readings, 1)
	require.Equal(t, []diagnosis.Done{{Action: "clean_hood", At: noon}}, d.Done)
	require.True(t, d.Isolated)
	require.NotNil(t, c.isolationOf(c.call.ID))
	require.Nil(t, c.isolationOf(domain.NewID(noon)))
	c.readings[0].VoidedAt = &noon
	require.Empty(t, c.diagnosisCase().Readings)
}

func TestSetAsideUntilCountersigned(t *testing.T) {
	r := Reading{SetAside: true}
	require.False(t, r.Weighs())
	require.True(t, r.asReading().SetAside)
	r.CountersignAt = &noon
	require.True(t, r.Weighs())
	require.False(t, r.asReading().SetAside)
	r.VoidedAt = &noon
	require.False(t, r.Weighs())
}

func TestWhatTheCatalogueDroppedIsLeftOut(t *testing.T) {
	k := dryer(t)
	c, _ := someCase(t, k, 5600, 8400)
	cp, ok := k.Complaint("runs_too_hot")
	require.True(t, ok)
	q := cp.Triage[0]
	c.answers = map[string]string{q.ID: q.Answers[0].ID, "dropped": "yes"}
	c.actions = []Action{{Action: "clean_hood", DoneAt: noon.Add(time.Hour)}, {Action: "dropped", DoneAt: noon}}
	gone, renamed := *c.readings[0], *c.readings[0]
	gone.Check = "dropped"
	renamed.Verdicts = []Verdict{renamed.Verdicts[0]}
	renamed.Verdicts[0].Finding = "dropped"
	c.readings = append(c.readings, &gone, &renamed)
	d := known(k, c.diagnosisCase())
	require.Len(t, d.Readings, 1)
	require.Len(t, d.Done, 1)
	require.Equal(t, map[string]string{q.ID: q.Answers[0].ID}, d.Triage)
	a, err := (&Service{}).assess(c)
	require.NoError(t, err)
	require.Greater(t, a.Result.Coverage, 0.0)
}
