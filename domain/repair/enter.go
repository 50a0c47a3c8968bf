package repair

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
)

// MaxPoints bounds a logged series: five hours at one point a second.
const MaxPoints = 20_000

// NewReading is one check as the tech enters it. A zero ID gets a new one, a
// zero ObservedAt is now, a zero IsolationID the visit's open isolation.
type NewReading struct {
	ID           domain.ID
	ObservedAt   time.Time
	Check        string
	Position     string
	Phase        diagnosis.Phase
	Values       []NewValue
	Series       *NewSeries
	InstrumentID domain.ID
	Lead         *NewFigure // the meter's leads shorted
	IsolationID  domain.ID
	NotDone      string // the reason; then no values
	Note         string
}

// NewValue is what was entered for one input: one of Value, Values, Choice and
// Over.
type NewValue struct {
	Input  string
	Value  *Figure
	Values []Figure // of an input that takes several, in order
	Choice string
	Over   bool
	Unit   string // UCUM code
}

// Figure is a number with the digits it was written with.
type Figure struct {
	Text  string
	Value float64
}

// NewFigure is a number with its unit.
type NewFigure struct {
	Figure
	Unit string
}

// NewSeries is a logged run as columns of one length: seconds from the start,
// values, and for a contact whether it was closed.
type NewSeries struct {
	T      []float64
	Value  []float64
	Closed []bool
	Unit   string
}

// entry is a reading on its way from what was typed to SI.
type entry struct {
	n   NewReading
	ch  *catalogue.Check
	ps  domain.Problems
	out *Reading
}

// enter converts what was typed to SI. Its error names every field that cannot
// be converted; whether the figures fit the check is the engine's to say.
func (n NewReading) enter(k *catalogue.Kind) (*Reading, *catalogue.Check, error) {
	e := &entry{n: n, out: &Reading{ID: n.ID, Check: n.Check, Position: n.Position, Phase: n.Phase, InstrumentID: n.InstrumentID,
		NotDone: n.NotDone, Note: n.Note, CatalogueAt: k.Version, Values: []Value{}, Verdicts: []Verdict{}}}
	e.head()
	ch, ok := k.Check(n.Check)
	if !ok {
		e.ps.Add("/check", "unknown", "The catalogue knows no such check for this kind of appliance.")
		return nil, nil, e.ps.Err()
	}
	e.ch = ch
	for i := range n.Values {
		e.value(i)
	}
	e.series()
	e.lead()
	return e.out, ch, e.ps.Err()
}

func (e *entry) head() {
	if v := e.n.ID[6] >> 4; !e.n.ID.IsZero() && v != 4 && v != 7 {
		e.ps.Add("/id", "version", "Make the id a UUID of version 7 or 4, or leave it out.")
	}
	switch e.n.Phase {
	case diagnosis.AsFound, diagnosis.AfterAction, diagnosis.Verification:
	default:
		e.ps.Add("/phase", "unknown", "A phase is as_found, after_action or verification.")
	}
	e.ps.Text("/not_done", e.n.NotDone, 0, 400, true)
	e.ps.Text("/note", e.n.Note, 0, 2000, true)
}

func (e *entry) value(i int) {
	v, at := e.n.Values[i], pointerAt("/values", i)
	in, ok := e.ch.Input(v.Input)
	switch {
	case !ok:
		e.ps.Add(at+"/input", "unknown", "%s asks for: %s.", e.ch.Name, inputIDs(e.ch))
	case slices.ContainsFunc(e.n.Values[:i], func(o NewValue) bool { return o.Input == v.Input }):
		e.ps.Add(at+"/input", "twice", "%s stands twice: give several values as values.", in.Name)
	case v.given() != 1:
		e.ps.Add(at, "shape", "Give one of value, values, choice and over_range.")
	case in.Quantity == "":
		e.choice(at, in, v)
	case v.Choice != "":
		e.ps.Add(at+"/choice", "quantity", "%s is a %s: give value and unit (%s).", in.Name, words(in.Quantity), strings.Join(in.Units, " or "))
	case v.Over:
		e.add(in.ID, 0, Value{Unit: v.Unit, Entered: "over range", Over: true})
		e.unit(at, in, v.Unit, true)
	case e.unit(at, in, v.Unit, false):
		e.figures(at, in, v)
	}
}

// given counts which of the forms are filled in.
func (v NewValue) given() int {
	n := 0
	for _, set := range []bool{v.Value != nil, len(v.Values) > 0, v.Choice != "", v.Over} {
		if set {
			n++
		}
	}
	return n
}

func inputIDs(ch *catalogue.Check) string {
	if len(ch.Inputs) == 0 {
		return "no values"
	}
	ids := make([]string, 0, len(ch.Inputs))
	for _, in := range ch.Inputs {
		ids = append(ids, in.ID)
	}
	return strings.Join(ids, ", ")
}

func words(quantity string) string { return strings.ReplaceAll(quantity, "_", " ") }

func (e *entry) choice(at string, in *catalogue.Input, v NewValue) {
	if v.Choice == "" {
		ids := make([]string, 0, len(in.Choices))
		for _, c := range in.Choices {
			ids = append(ids, c.ID)
		}
		e.ps.Add(at+"/choice", "choice", "%s is one of: %s.", in.Name, strings.Join(ids, ", "))
		return
	}
	if len(v.Choice) > 80 {
		e.ps.Add(at+"/choice", "choice", "No choice is as long as that.")
		return
	}
	e.add(in.ID, 0, Value{Entered: v.Choice})
}

func (e *entry) add(input string, n int, v Value) {
	v.Input, v.N = input, n
	e.out.Values = append(e.out.Values, v)
}

// unit holds the unit against those the input takes.
func (e *entry) unit(at string, in *catalogue.Input, unit string, optional bool) bool {
	if slices.Contains(in.Units, unit) || unit == "" && optional {
		return true
	}
	accepted := strings.Join(in.Units, " or ")
	_, err := measure.ToSI(1, unit, measure.Quantity(in.Quantity))
	switch {
	case unit == "":
		e.ps.Add(at+"/unit", "required", "Say the unit of %s: %s.", in.Name, accepted)
	case err != nil:
		e.ps.Add(at+"/unit", "unit", "%s is entered in %s: %s.", in.Name, accepted, err.Error())
	default:
		e.ps.Add(at+"/unit", "unit", "%s is entered in %s.", in.Name, accepted)
	}
	return false
}

func (e *entry) figures(at string, in *catalogue.Input, v NewValue) {
	if v.Value != nil {
		e.figure(at+"/value", in, 0, *v.Value, v.Unit)
	}
	for i, f := range v.Values {
		e.figure(pointerAt(at+"/values", i), in, i, f, v.Unit)
	}
}

func (e *entry) figure(at string, in *catalogue.Input, n int, f Figure, unit string) {
	si, err := measure.ToSI(f.Value, unit, measure.Quantity(in.Quantity))
	if err != nil {
		e.ps.Add(at, "finite", "%s: %s.", in.Name, err.Error())
		return
	}
	e.add(in.ID, n, Value{Entered: f.Text, Unit: unit, SI: &si})
}

func (e *entry) lead() {
	l := e.n.Lead
	if l == nil {
		return
	}
	si, err := measure.ToSI(l.Value, l.Unit, measure.Resistance)
	switch {
	case errors.Is(err, measure.ErrUnit):
		e.ps.Add("/lead_resistance/unit", "unit", "%s.", err.Error())
	case err != nil || !(si >= 0 && si <= 10):
		e.ps.Add("/lead_resistance/value", "range", "The leads shorted must read between 0 and 10 Ohm. Clean or change the leads.")
	default:
		e.out.Lead = si
	}
}

func (e *entry) series() {
	s := e.n.Series
	if s == nil {
		return
	}
	form := e.ch.Series
	switch {
	case form == nil:
		e.ps.Add("/series", "forbidden", "%s takes no series: enter the values.", e.ch.Name)
	case len(s.T) > MaxPoints:
		e.ps.Add("/series/t_s", "too_many", "A series has at most %d points: thin it out.", MaxPoints)
	case !slices.Contains(form.Units, s.Unit):
		_, err := measure.ToSI(1, s.Unit, measure.Quantity(form.Quantity))
		e.ps.Add("/series/unit", "unit", "The series is logged in %s%s.", strings.Join(form.Units, " or "), because(err))
	default:
		e.points(form)
	}
}

func because(err error) string {
	if err == nil {
		return ""
	}
	return ": " + err.Error()
}

func (e *entry) points(form *catalogue.SeriesForm) {
	s := e.n.Series
	out := &diagnosis.Series{T: s.T, Closed: s.Closed, Value: make([]float64, len(s.Value))}
	for i, v := range s.Value {
		si, err := measure.ToSI(v, s.Unit, measure.Quantity(form.Quantity))
		if err != nil || math.IsNaN(si) {
			e.ps.Add(pointerAt("/series/value", i), "finite", "This point is not a number.")
			return
		}
		out.Value[i] = si
	}
	e.out.recordedSeries, e.out.SeriesUnit, e.out.Points = out, s.Unit, len(s.T)
}

// refusal makes the engine's refusal an error about the field as it was sent.
func (n NewReading) refusal(err error) error {
	bad, ok := errors.AsType[*diagnosis.InputError](err)
	if !ok {
		return err
	}
	if bad.Field == "complaint" {
		return domain.Errorf(domain.Conflict, "The complaint of this call has left the catalogue: nothing can be judged for it.")
	}
	return domain.Field(n.pointer(bad), bad.Rule, "%s", bad.Message)
}

// fields of the engine that have another name on the wire.
var fields = map[string]string{"lead": "/lead_resistance/value", "instrument": "/instrument_id", "series.t": "/series/t_s"}

// pointer translates e.g. "values.off_temperature[2]" to "/values/0/values/2".
func (n NewReading) pointer(bad *diagnosis.InputError) string {
	field, index := bad.Field, ""
	if at := strings.IndexByte(field, '['); at >= 0 {
		field, index = field[:at], "/"+strings.TrimSuffix(field[at+1:], "]")
	}
	if input, ok := strings.CutPrefix(field, "values."); ok {
		return n.valuePointer(input, index, bad.Rule)
	}
	if p, ok := fields[field]; ok {
		return p + index
	}
	return "/" + strings.ReplaceAll(field, ".", "/") + index
}

func (n NewReading) valuePointer(input, index, rule string) string {
	i := slices.IndexFunc(n.Values, func(v NewValue) bool { return v.Input == input })
	if i < 0 {
		return "/values" // it is missing
	}
	at, v := "/values/"+strconv.Itoa(i), n.Values[i]
	switch {
	case rule == "unit":
		return at + "/unit"
	case v.Choice != "":
		return at + "/choice"
	case v.Over:
		return at + "/over_range"
	case v.Value != nil:
		return at + "/value"
	}
	return at + "/values" + index
}
