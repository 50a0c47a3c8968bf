package diagnosis_test

import (
	"flag"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

var update = flag.Bool("update", false, "write the golden files of the worked calls anew")

func builtIn(t testing.TB) *catalogue.Kind {
	c, err := catalogue.Open()
	require.NoError(t, err)
	k, ok := c.Kind("electric_dryer")
	require.True(t, ok)
	return k
}

// dryerSheet is an invented model's data sheet with the trade's figures
// (common practice, no source) and the published 3977 K table.
func dryerSheet(t testing.TB) diagnosis.Sheet {
	return diagnosis.Sheet{
		"cycling_thermostat_rating": {Value: num(degF(155)), Unit: "[degF]", Origin: "tech sheet, page 2", Confirmed: true},
		"high_limit_rating":         {Value: num(degF(250)), Unit: "[degF]", Origin: "tech sheet, page 2", Confirmed: true},
		"bias_heater_resistance":    {Low: num(5600), High: num(8400), Unit: "Ohm", Origin: "tech sheet, page 2", Confirmed: true},
		"thermistor_curve":          {Curve: curve3977(t), Unit: "Ohm", Origin: "tech sheet, page 3", Confirmed: true},
	}
}

// callSheet is the sheet of the worked calls' machine: another invented model,
// a little cooler, with its coil and its collar stated.
func callSheet(t testing.TB) diagnosis.Sheet {
	s := dryerSheet(t)
	const page = "tech sheet, back page"
	s["cycling_thermostat_rating"] = diagnosis.SheetValue{Value: num(degF(150)), Unit: "[degF]", Origin: page, Confirmed: true}
	s["high_limit_rating"] = diagnosis.SheetValue{Value: num(degF(240)), Unit: "[degF]", Origin: page, Confirmed: true}
	s["bias_heater_resistance"] = diagnosis.SheetValue{Low: num(6200), High: num(9300), Unit: "Ohm", Origin: page, Confirmed: true}
	s["coil_resistance"] = diagnosis.SheetValue{Low: num(9.3), High: num(11.1), Unit: "Ohm", Origin: page, Confirmed: true}
	return s
}

func dryer(features ...string) diagnosis.Unit {
	u := diagnosis.Unit{Kind: "electric_dryer", Has: map[string]bool{}}
	for _, f := range features {
		u.Has[f] = true
	}
	return u
}

// done is one check of a worked call.
type done struct {
	check, position string
	phase           diagnosis.Phase
	values          values
	instrument      *diagnosis.Instrument
	finding         string // expected of the judgement
}

// call is a worked call: what was done, in order, one step a quarter of an
// hour, and where it must lead. Actions come after the readings before them.
// The machines are invented.
type call struct {
	name     string
	why      string // why a practitioner agrees; common practice, no source
	unit     diagnosis.Unit
	triage   map[string]string
	isolated bool
	steps    []any    // done or diagnosis.Done without a time
	top      string   // fault that ranks first
	pair     []string // faults that must all be among the first three, each likelier than not
	bad      []string // parts that must be said not to conform
	next     string   // check; "" when it is time to conclude
	carries  string   // check whose reading did most for the top fault
	flip     string   // check that would put another fault first; "" when none would
	doubt    string   // check that must be doubted and repeated first
	meter    string   // instrument that must be doubted
	stop     bool     // the machine must not run
}

// play judges a call's steps. The machine is isolated at the end when the last
// check was one on an isolated machine.
func (c call) play(t testing.TB, k *catalogue.Kind, s diagnosis.Sheet) diagnosis.Case {
	out := diagnosis.Case{Complaint: "runs_too_hot", Unit: c.unit, Sheet: s, Triage: c.triage, Isolated: c.isolated}
	for i, step := range c.steps {
		if a, ok := step.(diagnosis.Done); ok {
			a.At = at(15 * i)
			out.Done = append(out.Done, a)
			continue
		}
		d := step.(done)
		r := diagnosis.Reading{ID: string(rune('a' + i)), Check: d.check, Position: d.position, Phase: d.phase, At: at(15 * i), Values: d.values, Instrument: d.instrument, Lead: 0.1}
		if r.Phase == "" {
			r.Phase = diagnosis.AsFound
		}
		vs, err := diagnosis.Judge(k, out.Complaint, r, s, c.unit)
		require.NoError(t, err, d.check)
		require.Equal(t, d.finding, vs[0].Finding, "%s: %s %s", d.check, vs[0].Sentence, vs[0].Do)
		out.Readings = append(out.Readings, diagnosis.Judged{Reading: r, Verdicts: vs})
		ch, _ := k.Check(d.check)
		out.Isolated = c.isolated || ch.State == catalogue.Isolated
	}
	return out
}

// Each worked call leads to its faults. The way there is common practice, no
// source; the figures are the catalogue's, which are judgement.
func TestWorkedCalls(t *testing.T) {
	k, s := builtIn(t), callSheet(t)
	for _, c := range workedCalls() {
		t.Run(c.name, func(t *testing.T) {
			cs := c.play(t, k, s)
			a, err := diagnosis.Assess(k, cs)
			require.NoError(t, err)
			e, err := diagnosis.Explain(k, cs, "")
			require.NoError(t, err)
			c.requireRanking(t, k, a)
			c.requireNext(t, a)
			c.requireExplanation(t, cs, a, e)
			golden(t, c.name, worked{Why: c.why + " (common practice, no source)", Way: c.way(t, k, s), Explanation: &e}, cs, a)
		})
	}
}

func TestEveryFirstCauseHasAWorkedCall(t *testing.T) {
	k, first := builtIn(t), map[string]bool{}
	names := map[string]bool{}
	for _, c := range workedCalls() {
		require.False(t, names[c.name], "two calls %s", c.name)
		require.NotEmpty(t, c.why, c.name)
		names[c.name] = true
		if len(c.pair) == 0 && c.doubt == "" {
			first[c.top] = true
		}
	}
	cp, ok := k.Complaint("runs_too_hot")
	require.True(t, ok)
	for _, cause := range cp.Causes {
		if cause.Explains == catalogue.ExplainsYes {
			require.True(t, first[cause.Fault], "no worked call has %s", cause.Fault)
		}
	}
}

func (c call) requireRanking(t *testing.T, k *catalogue.Kind, a diagnosis.Assessment) {
	require.Equal(t, c.top, a.Ranking[0].Fault, "%+v", a.Ranking[:3])
	for _, r := range a.Ranking {
		p, ok := k.Part(r.Part)
		require.True(t, ok)
		require.NotEqual(t, catalogue.SecondBarrier, p.Role, r.Fault)
	}
	for _, f := range c.pair {
		i := slices.IndexFunc(a.Ranking[:3], func(r diagnosis.Ranked) bool { return r.Fault == f })
		require.GreaterOrEqual(t, i, 0, "%s: %+v", f, a.Ranking[:3])
		require.Greater(t, a.Ranking[i].Probability, 0.5, f)
	}
	for _, p := range c.bad {
		require.Equal(t, diagnosis.DoesNotConform, part(a, p).Outcome, p)
	}
}

func (c call) requireNext(t *testing.T, a diagnosis.Assessment) {
	require.Equal(t, c.stop, a.Stop != "", a.Stop)
	switch {
	case c.doubt != "":
		require.NotNil(t, a.Doubt)
		require.Equal(t, c.doubt, a.Doubt.Check)
		require.Equal(t, c.meter, a.Doubt.Meter)
		require.Equal(t, c.doubt, a.Next[0].Check)
		require.False(t, a.Enough)
	case c.next != "":
		require.Nil(t, a.Doubt, "%+v", a.Doubt)
		require.False(t, a.Enough, a.Sentence)
		require.Equal(t, c.next, a.Next[0].Check)
	default:
		require.Nil(t, a.Doubt, "%+v", a.Doubt)
		require.True(t, a.Enough, "%s %+v", a.Sentence, a.Next)
	}
}

// requireExplanation: the steps lead to the ranking's probability, the check
// that should carry the conclusion carries it, and the one that would turn it
// is the one named.
func (c call) requireExplanation(t *testing.T, cs diagnosis.Case, a diagnosis.Assessment, e diagnosis.Explanation) {
	require.Equal(t, c.top, e.Fault)
	require.Equal(t, a.Ranking[0].Probability, e.Probability)
	checkOf := map[string]string{}
	for _, j := range cs.Readings {
		checkOf[j.Reading.ID] = j.Reading.Check
	}
	sum, most, carries := level(e.Start), 0.0, ""
	for _, s := range e.Steps {
		if sum += s.Decibans; s.Reading != "" && s.Alone > most {
			most, carries = s.Alone, checkOf[s.Reading]
		}
	}
	require.InDelta(t, level(e.Probability), sum, 1e-6)
	require.Equal(t, c.carries, carries, "%+v", e.Steps)
	flip := ""
	if e.Flip != nil {
		flip = checkOf[e.Flip.Reading]
		require.NotEqual(t, c.top, e.Flip.Fault)
	}
	require.Equal(t, c.flip, flip, "%+v", e.Flip)
}

// stage is how a call stood before one of its steps.
type stage struct {
	Did         string  // check or action done now
	Found       string  `json:",omitempty"`
	Asked       string  // check the engine put first just before; "enough" when it would conclude
	First       string  // fault that ranked first just before
	Probability float64 // of that fault
}

// way follows the engine's own next check beside what was done.
func (c call) way(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet) []stage {
	var out []stage
	for i, step := range c.steps {
		before := c
		before.steps = c.steps[:i]
		a, err := diagnosis.Assess(k, before.play(t, k, s))
		require.NoError(t, err)
		st := stage{Asked: "enough", First: a.Ranking[0].Fault, Probability: math.Round(a.Ranking[0].Probability*1e3) / 1e3}
		if !a.Enough {
			st.Asked = strings.TrimSuffix(a.Next[0].Check+" "+a.Next[0].Position, " ")
		}
		switch d := step.(type) {
		case diagnosis.Done:
			st.Did = d.Action
		case done:
			st.Did, st.Found = strings.TrimSuffix(d.check+" "+d.position, " "), d.finding
		}
		out = append(out, st)
	}
	return out
}

// worked is what a golden file holds of a call beside its verdicts and its
// assessment.
type worked struct {
	Why         string
	Way         []stage
	Explanation *diagnosis.Explanation `json:",omitempty"`
}

func workedCalls() []call {
	return slices.Concat(airCalls(), controlCalls(), heatCalls(), pairCalls(), doubtCalls())
}

func callNamed(name string) call {
	for _, c := range workedCalls() {
		if c.name == name {
			return c
		}
	}
	panic("no worked call " + name)
}
