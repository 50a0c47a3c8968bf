package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/diagnosis"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/repair"
)

// maxReading is the greatest body of one reading: a long series.
const maxReading = 2 << 20

// ReadingValue is what was entered for one input of a check: one of value,
// values, choice and over_range.
type ReadingValue struct {
	Input     string         `json:"input" minLength:"1" maxLength:"80" doc:"An input of the check."`
	Value     *wire.Decimal  `json:"value,omitempty" doc:"The digits are kept as written."`
	Values    []wire.Decimal `json:"values,omitempty" maxItems:"200" doc:"In order, of an input that takes several."`
	Choice    string         `json:"choice,omitempty" maxLength:"80" doc:"Of an input with choices."`
	OverRange bool           `json:"over_range,omitzero" doc:"The meter showed over range (open circuit)."`
	Unit      string         `json:"unit,omitempty" maxLength:"40" doc:"UCUM code, one of those the input accepts."`
}

// ReadingSeries is a logged run as columns of one length.
type ReadingSeries struct {
	Seconds []float64 `json:"t_s" minItems:"2" maxItems:"20000" doc:"Seconds from the start, rising."`
	Value   []float64 `json:"value" minItems:"2" maxItems:"20000"`
	Unit    string    `json:"unit" minLength:"1" maxLength:"40" doc:"UCUM code of value."`
	Closed  []bool    `json:"closed,omitempty" maxItems:"20000" doc:"For a contact: whether it was closed."`
}

// NewReading is one check as done.
type NewReading struct {
	ID          *domain.ID     `json:"id,omitempty" doc:"A UUID of version 7 or 4 made by the client; absent: made here."`
	ObservedAt  wire.Time      `json:"observed_at,omitzero" doc:"Absent: now. At most 5 minutes ahead, and not more than a day before the call was opened."`
	Check       string         `json:"check" minLength:"1" maxLength:"80" doc:"A check of the catalogue."`
	Position    string         `json:"position,omitempty" maxLength:"80" doc:"Where, for a check with positions."`
	Phase       string         `json:"phase" enum:"as_found,after_action,verification" doc:"verification and after_action need an action recorded before."`
	Values      []ReadingValue `json:"values,omitempty" maxItems:"60"`
	Series      *ReadingSeries `json:"series,omitempty" doc:"In place of the short form, for a check that takes one."`
	Instrument  *domain.ID     `json:"instrument_id,omitempty"`
	Lead        *Quantity      `json:"lead_resistance,omitempty" doc:"What the meter showed with its leads shorted; taken off a resistance."`
	IsolationID *domain.ID     `json:"isolation_id,omitempty" doc:"Absent: the open isolation of the visit."`
	NotDone     string         `json:"not_done,omitempty" maxLength:"400" doc:"Why the check was not done; then no values."`
	Note        string         `json:"note,omitempty" maxLength:"2000"`
}

func (n NewReading) read() repair.NewReading {
	out := repair.NewReading{ID: orZero(n.ID), ObservedAt: n.ObservedAt.Time, Check: n.Check, Position: n.Position, Phase: diagnosis.Phase(n.Phase),
		InstrumentID: orZero(n.Instrument), IsolationID: orZero(n.IsolationID), NotDone: n.NotDone, Note: n.Note}
	for _, v := range n.Values {
		out.Values = append(out.Values, v.read())
	}
	if s := n.Series; s != nil {
		out.Series = &repair.NewSeries{T: s.Seconds, Value: s.Value, Closed: s.Closed, Unit: s.Unit}
	}
	if l := n.Lead; l != nil {
		out.Lead = &repair.NewFigure{Figure: figure(l.Value), Unit: l.Unit}
	}
	return out
}

func (v ReadingValue) read() repair.NewValue {
	out := repair.NewValue{Input: v.Input, Choice: v.Choice, Over: v.OverRange, Unit: v.Unit}
	if v.Value != nil {
		f := figure(*v.Value)
		out.Value = &f
	}
	for _, d := range v.Values {
		out.Values = append(out.Values, figure(d))
	}
	return out
}

func figure(d wire.Decimal) repair.Figure { return repair.Figure{Text: d.Text, Value: d.Value} }

// LimitUsed is the limit a verdict was judged against, in the SI unit.
type LimitUsed struct {
	Low       *Quantity `json:"low,omitempty"`
	High      *Quantity `json:"high,omitempty"`
	Mark      string    `json:"mark" doc:"sheet, published, common_practice or computed."`
	Origin    string    `json:"origin" doc:"Where the figure comes from, in words."`
	Confirmed bool      `json:"confirmed" doc:"Of a data-sheet value: two people agree."`
}

// Verdict is what a reading means for one part.
type Verdict struct {
	ID            domain.ID    `json:"id"`
	Part          string       `json:"part,omitempty"`
	Outcome       string       `json:"outcome" doc:"conforms, does_not_conform or inconclusive."`
	Fault         string       `json:"fault,omitempty" doc:"The fault it points to."`
	Finding       string       `json:"finding"`
	Probability   float64      `json:"probability" doc:"That the part conforms, from 0 to 1."`
	Explains      string       `json:"explains_complaint,omitempty" doc:"yes, no or second_barrier."`
	Measured      *Quantity    `json:"measured,omitempty" doc:"What was compared with the limit, in the SI unit."`
	Uncertainty   *Quantity    `json:"uncertainty,omitempty" doc:"Standard uncertainty of measured."`
	Limit         *LimitUsed   `json:"limit,omitempty"`
	Sentence      string       `json:"sentence"`
	Do            string       `json:"do,omitempty" doc:"What to do about an inconclusive verdict."`
	Missing       string       `json:"missing,omitempty" doc:"The data-sheet parameter that would settle it."`
	Decision      DecisionRule `json:"decision_rule"`
	EngineVersion string       `json:"engine_version"`
	DerivedAt     wire.Time    `json:"derived_at"`
	SupersededBy  *domain.ID   `json:"superseded_by,omitempty" doc:"A later verdict of the same reading took its place."`
}

// Reading is one check as done, with what it means.
type Reading struct {
	ID               domain.ID      `json:"id"`
	CallID           domain.ID      `json:"call_id"`
	VisitID          domain.ID      `json:"visit_id"`
	Check            string         `json:"check"`
	Position         string         `json:"position,omitempty"`
	Phase            string         `json:"phase"`
	ObservedAt       wire.Time      `json:"observed_at"`
	RecordedAt       wire.Time      `json:"recorded_at"`
	PersonID         domain.ID      `json:"person_id"`
	Instrument       *domain.ID     `json:"instrument_id,omitempty"`
	Lead             *Quantity      `json:"lead_resistance,omitempty"`
	IsolationID      *domain.ID     `json:"isolation_id,omitempty"`
	NotDone          string         `json:"not_done,omitempty"`
	Note             string         `json:"note"`
	Values           []ReadingValue `json:"values"`
	Points           int            `json:"points" doc:"Of its series; 0 for none."`
	Series           *ReadingSeries `json:"series,omitempty" doc:"In the SI unit; only where one reading is shown."`
	SetAside         bool           `json:"set_aside" doc:"Taken without the competence it needs: it does not count until countersigned."`
	CountersignedBy  *domain.ID     `json:"countersigned_by,omitempty"`
	CountersignedAt  *wire.Time     `json:"countersigned_at,omitempty"`
	CatalogueVersion int            `json:"catalogue_version"`
	VoidedAt         *wire.Time     `json:"voided_at,omitempty"`
	VoidedBy         *domain.ID     `json:"voided_by,omitempty"`
	VoidReason       string         `json:"void_reason,omitempty"`
	Verdicts         []Verdict      `json:"verdicts" doc:"The current ones; empty for a check that was not done."`
}

// RecordedReading is what a new reading came to.
type RecordedReading struct {
	Reading    Reading    `json:"reading"`
	Cautions   []string   `json:"cautions" doc:"Of the check: read them before doing it again."`
	Warnings   []string   `json:"warnings" doc:"What to know about this reading."`
	Assessment Assessment `json:"assessment" doc:"Where the call stands with this reading, in brief: the likeliest five faults, the parts and second barriers something is known of, the best three checks. The whole is at /v1/calls/{id}/assessment."`
}

func (a *API) viewReading(ctx context.Context, r *repair.Reading) Reading {
	out := Reading{ID: r.ID, CallID: r.CallID, VisitID: r.VisitID, Check: r.Check, Position: r.Position, Phase: string(r.Phase),
		ObservedAt: wire.At(r.ObservedAt), RecordedAt: wire.At(r.RecordedAt), PersonID: r.PersonID, Instrument: idOrNone(r.InstrumentID),
		IsolationID: idOrNone(r.IsolationID), NotDone: r.NotDone, Note: r.Note, Values: viewValues(r.Values), Points: r.Points, SetAside: r.SetAside,
		CountersignedBy: idOrNone(r.Countersigner), CountersignedAt: timeOrNone(r.CountersignAt), CatalogueVersion: r.CatalogueAt,
		VoidedAt: timeOrNone(r.VoidedAt), VoidedBy: idOrNone(r.VoidedBy), VoidReason: r.VoidReason, Verdicts: []Verdict{}}
	if r.Lead > 0 {
		out.Lead = &Quantity{wire.NewDecimal(r.Lead), measure.SIUnit(measure.Resistance)}
	}
	for _, v := range r.Verdicts {
		out.Verdicts = append(out.Verdicts, viewVerdict(a.mainQuantity(ctx, r), v))
	}
	return out
}

// viewWhole shows a reading with its series.
func (a *API) viewWhole(ctx context.Context, r *repair.Reading) Reading {
	out := a.viewReading(ctx, r)
	if s := r.Series(); s != nil {
		out.Series = &ReadingSeries{Seconds: s.T, Value: s.Value, Closed: s.Closed, Unit: siOf(r.SeriesUnit, a.mainQuantity(ctx, r))}
	}
	return out
}

// viewValues shows values as they were entered: those of one input together.
func viewValues(vs []repair.Value) []ReadingValue {
	out := []ReadingValue{}
	for i, v := range vs {
		switch {
		case v.Over:
			out = append(out, ReadingValue{Input: v.Input, OverRange: true, Unit: v.Unit})
		case v.SI == nil:
			out = append(out, ReadingValue{Input: v.Input, Choice: v.Entered})
		case v.N > 0:
			last := &out[len(out)-1]
			if last.Value != nil {
				last.Values, last.Value = []wire.Decimal{*last.Value}, nil
			}
			last.Values = append(last.Values, entered(v))
		default:
			d := entered(vs[i])
			out = append(out, ReadingValue{Input: v.Input, Value: &d, Unit: v.Unit})
		}
	}
	return out
}

func entered(v repair.Value) wire.Decimal { return wire.Decimal{Text: v.Entered} }

// mainQuantity is what a check measures; empty for a look.
func (a *API) mainQuantity(ctx context.Context, r *repair.Reading) measure.Quantity {
	for _, k := range a.words(ctx, r.Edition).Kinds {
		if ch, ok := k.Check(r.Check); ok {
			return repair.MainQuantity(ch)
		}
	}
	return ""
}

// siOf is the SI unit of the quantity a unit belongs to; of q for no unit.
func siOf(unit string, q measure.Quantity) string {
	if unit == "" {
		return measure.SIUnit(q)
	}
	for _, q := range measure.Quantities() {
		if _, err := measure.ToSI(1, unit, q); err == nil {
			return measure.SIUnit(q)
		}
	}
	return unit
}

func quantity(v *float64, unit string) *Quantity {
	d := number(v)
	if d == nil {
		return nil
	}
	return &Quantity{*d, unit}
}

func viewVerdict(q measure.Quantity, v repair.Verdict) Verdict {
	unit := siOf(v.LimitUnit, q)
	out := Verdict{ID: v.ID, Part: v.Part, Outcome: string(v.Outcome), Fault: v.Fault, Finding: v.Finding, Probability: v.Probability,
		Explains: string(v.Explains), Measured: quantity(v.Measured, unit), Sentence: v.Sentence, Do: v.Do, Missing: v.Missing,
		Decision: DecisionRule{Accept: v.Accept, Reject: v.Reject}, EngineVersion: v.EngineVersion, DerivedAt: wire.At(v.DerivedAt), SupersededBy: idOrNone(v.SupersededBy)}
	if v.Measured != nil {
		out.Uncertainty = quantity(&v.Uncertainty, unit)
	}
	if v.LimitOrigin != "" {
		out.Limit = &LimitUsed{Low: quantity(v.LimitLow, unit), High: quantity(v.LimitHigh, unit), Mark: string(v.LimitMark), Origin: v.LimitOrigin,
			Confirmed: v.LimitConfirmed}
	}
	return out
}

const recordText = `The answer carries the verdicts, the cautions of the check and the new assessment with the next check. A check on a dead machine
needs an open isolation of the visit (409 otherwise); a powered check ends it. A live or gas check posted by a person without that competence is
kept and shown to the owner, and does not count until a competent person countersigns it. Figures are entered as the meter shows them, with their
UCUM unit; the catalogue says which inputs a check has. What does not fit is refused with the field and nothing is stored. Local codes, licensed
trades and the maker's instructions come first.`

func (a *API) registerReadings(e *Edge) {
	const op = "create-reading"
	record := create(op, "/v1/visits/{id}/readings", "readings", field, "Record a reading and hear what it means", recordText)
	record.MaxBody = maxReading
	register(e, record, func(ctx context.Context, in *struct {
		ByID
		RawBody []byte
		Body    NewReading
	}) (*made[RecordedReading], error) {
		got, replayed, err := a.Repair.Record(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, in.Body.read())
		if err != nil {
			return nil, err
		}
		return madeOf("/v1/readings/"+got.Reading.ID.String(), 0, replayed, RecordedReading{Reading: a.viewReading(ctx, &got.Reading),
			Cautions: got.Cautions, Warnings: got.Warnings, Assessment: a.viewAssessment(ctx, got.Assessment)}), nil
	})
	register(e, show("list-readings", "/v1/calls/{id}/readings", "readings", anyone, "List the readings of a call by time, voided ones among them"),
		func(ctx context.Context, in *ByID) (*page[Reading], error) {
			rs, err := a.Repair.ListReadings(ctx, principal(ctx), in.ID)
			return everything(rs, func(r *repair.Reading) Reading { return a.viewReading(ctx, r) }), err
		})
	register(e, show("list-waiting-readings", "/v1/waiting-readings", "readings", ownerly,
		"List the shop's readings that wait for a competent countersignature"),
		func(ctx context.Context, _ *struct{}) (*page[Reading], error) {
			rs, err := a.Repair.WaitingReadings(ctx, principal(ctx))
			return everything(rs, func(r *repair.Reading) Reading { return a.viewReading(ctx, r) }), err
		})
	a.registerReading(e)
}

func (a *API) registerReading(e *Edge) {
	one := func(ctx context.Context) func(*repair.Reading, error) (*struct{ Body Reading }, error) {
		return func(r *repair.Reading, err error) (*struct{ Body Reading }, error) {
			if err != nil {
				return nil, err
			}
			return &struct{ Body Reading }{a.viewWhole(ctx, r)}, nil
		}
	}
	register(e, show("read-reading", "/v1/readings/{id}", "readings", anyone, "Show a reading with its verdicts and its series"),
		func(ctx context.Context, in *ByID) (*struct{ Body Reading }, error) {
			return one(ctx)(a.Repair.ReadReading(ctx, principal(ctx), in.ID))
		})
	register(e, show("list-verdicts", "/v1/readings/{id}/verdicts", "readings", anyone, "List every verdict of a reading, superseded ones among them"),
		a.listVerdicts)
	register(e, Op{ID: "void-reading", Method: http.MethodPost, Path: "/v1/readings/{id}/void", Tags: []string{"readings"}, Roles: field,
		Errors:  []int{http.StatusConflict, http.StatusUnprocessableEntity},
		Summary: "Take back a reading", Description: "Its verdicts no longer count. Voiding it again changes nothing."},
		func(ctx context.Context, in *struct {
			ByID
			Body VoidReason
		}) (*struct{ Body Reading }, error) {
			return one(ctx)(a.Repair.VoidReading(ctx, principal(ctx), in.ID, in.Body.Reason))
		})
	register(e, Op{ID: "countersign-reading", Method: http.MethodPost, Path: "/v1/readings/{id}/countersign", Tags: []string{"readings"}, Roles: field,
		Errors: []int{http.StatusConflict}, Summary: "Let a reading count that was set aside",
		Description: "Takes another person than the one who took it, who holds the competence the check needs (403 otherwise). Countersigning it again changes nothing."},
		func(ctx context.Context, in *ByID) (*struct{ Body Reading }, error) {
			return one(ctx)(a.Repair.Countersign(ctx, principal(ctx), in.ID))
		})
}

func (a *API) listVerdicts(ctx context.Context, in *ByID) (*page[Verdict], error) {
	r, vs, err := a.Repair.VerdictHistory(ctx, principal(ctx), in.ID)
	if err != nil {
		return nil, err
	}
	return everything(vs, func(v repair.Verdict) Verdict { return viewVerdict(a.mainQuantity(ctx, r), v) }), nil
}
