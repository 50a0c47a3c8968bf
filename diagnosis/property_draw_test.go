package diagnosis_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// ofEachKind holds something of every kind of the catalogue, with a data sheet.
func ofEachKind(t *testing.T, do func(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet)) {
	c, err := catalogue.Open()
	require.NoError(t, err)
	for _, k := range c.Kinds {
		t.Run(k.ID, func(t *testing.T) { do(t, k, anySheet(t, k)) })
	}
}

// anySheet states a figure for every parameter of a kind, invented: what matters
// is that there is one.
func anySheet(t testing.TB, k *catalogue.Kind) diagnosis.Sheet {
	s := diagnosis.Sheet{}
	for _, p := range k.Parameters {
		v := diagnosis.SheetValue{Origin: "tech sheet, page 2", Confirmed: true, Text: "as drawn"}
		middle := 10.0
		if len(p.Units) > 0 {
			v.Unit = p.Units[0]
		}
		if p.Quantity == string(measure.Temperature) {
			middle = degF(155)
		}
		switch p.Form {
		case "curve":
			v.Curve = curve3977(t)
		case "value":
			v.Value = num(middle)
		case "at_least":
			v.Low = num(0.9 * middle)
		case "at_most":
			v.High = num(1.1 * middle)
		case "band":
			v.Low, v.High = num(0.9*middle), num(1.1*middle)
		}
		s[p.ID] = v
	}
	return s
}

func drawComplaint(t *rapid.T, k *catalogue.Kind) string {
	return k.Complaints[rapid.IntRange(0, len(k.Complaints)-1).Draw(t, "complaint")].ID
}

// drawUnit is a unit with some of the features the kind names, and a nameplate
// or none.
func drawUnit(t *rapid.T, k *catalogue.Kind) diagnosis.Unit {
	u := diagnosis.Unit{Kind: k.ID, Has: map[string]bool{}, Gas: rapid.Bool().Draw(t, "gas")}
	for _, f := range k.Features {
		u.Has[f.ID] = rapid.Bool().Draw(t, f.ID)
	}
	if rapid.Bool().Draw(t, "nameplate") {
		u.Watts, u.Volts = num(rapid.Float64Range(0, 9000).Draw(t, "watts")), num(rapid.SampledFrom([]float64{0, 120, 208, 240}).Draw(t, "rated volts"))
	}
	return u
}

// drawReading draws a reading of a check that mostly fits it.
func drawReading(t *rapid.T, c *catalogue.Check) diagnosis.Reading {
	r := diagnosis.Reading{Check: c.ID, Values: values{}, Lead: rapid.SampledFrom([]float64{0, 0.2}).Draw(t, "lead")}
	if len(c.Positions) > 0 {
		r.Position = rapid.SampledFrom(c.Positions).Draw(t, "position").ID
	}
	if rapid.Bool().Draw(t, "known instrument") {
		r.Instrument = &diagnosis.Instrument{
			Method:     rapid.SampledFrom([]string{"", "meter", "bead", "clamp", "infrared", "vane", "odd"}).Draw(t, "method"),
			Percent:    rapid.Float64Range(0, 5).Draw(t, "percent"),
			Counts:     float64(rapid.IntRange(0, 20).Draw(t, "counts")),
			Resolution: rapid.SampledFrom([]float64{0, 0.1, 1, 10}).Draw(t, "resolution"),
			Overdue:    rapid.Bool().Draw(t, "overdue")}
	}
	for i := range c.Inputs {
		if in := &c.Inputs[i]; in.Required || rapid.Bool().Draw(t, in.ID) {
			r.Values[in.ID] = drawValues(t, in)
		}
	}
	if c.Series != nil && rapid.Bool().Draw(t, "series") {
		r.Series = drawSeries(t, c.Series)
	}
	return r
}

func drawValues(t *rapid.T, in *catalogue.Input) []diagnosis.Value {
	if in.Quantity == "" {
		return chosen(rapid.SampledFrom(in.Choices).Draw(t, in.ID).ID)
	}
	n := 1
	if in.Many {
		n = rapid.IntRange(1, 4).Draw(t, "count")
	}
	var out []diagnosis.Value
	for range n {
		v := diagnosis.Value{Unit: rapid.SampledFrom(in.Units).Draw(t, "unit")}
		v.Over = in.OverRange && rapid.Bool().Draw(t, "over")
		low, high := 0.0, 1e7
		if in.Low != nil {
			low, _ = measure.ToSI(*in.Low, in.Units[0], measure.Quantity(in.Quantity))
		}
		if in.High != nil {
			high, _ = measure.ToSI(*in.High, in.Units[0], measure.Quantity(in.Quantity))
		}
		v.SI = rapid.Float64Range(low, high).Draw(t, "si")
		out = append(out, v)
	}
	return out
}

func drawSeries(t *rapid.T, form *catalogue.SeriesForm) *diagnosis.Series {
	s, at := &diagnosis.Series{}, 0.0
	for range rapid.IntRange(2, 40).Draw(t, "points") {
		s.T, s.Value = append(s.T, at), append(s.Value, rapid.Float64Range(280, 420).Draw(t, "kelvin"))
		if form.Closed {
			s.Closed = append(s.Closed, rapid.Bool().Draw(t, "closed"))
		}
		at += rapid.Float64Range(0.1, 60).Draw(t, "step")
	}
	return s
}

// drawCase draws a call with readings, actions and triage.
func drawCase(t *rapid.T, k *catalogue.Kind, s diagnosis.Sheet) diagnosis.Case {
	u := drawUnit(t, k)
	c := diagnosis.Case{Complaint: drawComplaint(t, k), Unit: u, Sheet: s, Isolated: rapid.Bool().Draw(t, "isolated")}
	c.Triage = drawTriage(t, k, c.Complaint)
	for i := range rapid.IntRange(0, 8).Draw(t, "readings") {
		r := drawReading(t, &k.Checks[rapid.IntRange(0, len(k.Checks)-1).Draw(t, "check")])
		r.ID, r.At = fmt.Sprint(i), at(rapid.IntRange(0, 20).Draw(t, "minute"))
		r.Phase = rapid.SampledFrom([]diagnosis.Phase{diagnosis.AsFound, diagnosis.AsFound, diagnosis.AfterAction, diagnosis.Verification}).Draw(t, "phase")
		if vs, err := diagnosis.Judge(k, c.Complaint, r, s, u); err == nil {
			c.Readings = append(c.Readings, diagnosis.Judged{Reading: r, Verdicts: vs})
		}
	}
	for range rapid.IntRange(0, 2).Draw(t, "actions") {
		c.Done = append(c.Done, diagnosis.Done{
			Action: rapid.SampledFrom(k.Actions).Draw(t, "action").ID,
			Part:   rapid.SampledFrom(k.Parts).Draw(t, "part").ID, At: at(rapid.IntRange(0, 20).Draw(t, "minute"))})
	}
	return c
}

// drawTriage answers some of the questions of a complaint.
func drawTriage(t *rapid.T, k *catalogue.Kind, complaint string) map[string]string {
	out := map[string]string{}
	cp, _ := k.Complaint(complaint)
	for i := range cp.Triage {
		if q := &cp.Triage[i]; rapid.Bool().Draw(t, q.ID) {
			out[q.ID] = q.Answers[rapid.IntRange(0, len(q.Answers)-1).Draw(t, "answer")].ID
		}
	}
	return out
}
