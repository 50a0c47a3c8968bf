package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/customers"
)

// NewDataSheet is a data sheet to store.
type NewDataSheet struct {
	Kind  string `json:"kind" maxLength:"60" doc:"A kind of the catalogue."`
	Model string `json:"model" minLength:"1" maxLength:"80"`
	Title string `json:"title,omitempty" maxLength:"200"`
}

// DataSheetPatch changes the heading of a data sheet.
type DataSheetPatch struct {
	Model wire.Opt[string] `json:"model,omitzero" minLength:"1" maxLength:"80"`
	Title wire.Opt[string] `json:"title,omitzero" maxLength:"200"`
}

// CurvePoint is one point of a thermistor's curve.
type CurvePoint struct {
	Temperature wire.Decimal `json:"temperature"`
	Resistance  wire.Decimal `json:"resistance"`
}

// NewSheetValue is what the tech sheet states for a parameter. The catalogue
// says which members the parameter's form takes: value; band (low and high, or
// value with tolerance_percent); at_most (high); at_least (low); curve; text.
type NewSheetValue struct {
	Value            *wire.Decimal `json:"value,omitempty"`
	Low              *wire.Decimal `json:"low,omitempty"`
	High             *wire.Decimal `json:"high,omitempty"`
	TolerancePercent *wire.Decimal `json:"tolerance_percent,omitempty" doc:"Band around value."`
	Curve            []CurvePoint  `json:"curve,omitempty" maxItems:"200"`
	TemperatureUnit  string        `json:"temperature_unit,omitempty" maxLength:"20" doc:"UCUM code of the curve's temperatures."`
	Words            string        `json:"words,omitempty" maxLength:"400"`
	Unit             string        `json:"unit,omitempty" maxLength:"20" doc:"UCUM code of the figures."`
	Origin           string        `json:"origin" minLength:"1" maxLength:"200" doc:"Where it is written, e.g. tech sheet, page 2."`
}

// SheetValue is one stated value. Figures are shown as they were written.
type SheetValue struct {
	Parameter string `json:"parameter"`
	NewSheetValue
	Confirmed   bool       `json:"confirmed" doc:"Two people read the same figure."`
	EnteredBy   domain.ID  `json:"entered_by"`
	EnteredAt   wire.Time  `json:"entered_at"`
	ConfirmedBy *domain.ID `json:"confirmed_by,omitempty"`
	ConfirmedAt *wire.Time `json:"confirmed_at,omitempty"`
}

// DataSheet is what is known of a model.
type DataSheet struct {
	ID        domain.ID    `json:"id"`
	Kind      string       `json:"kind"`
	Model     string       `json:"model"`
	Title     string       `json:"title"`
	Values    []SheetValue `json:"values" doc:"Empty in lists: read the sheet itself."`
	CreatedAt wire.Time    `json:"created_at"`
	UpdatedAt wire.Time    `json:"updated_at"`
	RetiredAt *wire.Time   `json:"retired_at,omitempty"`
}

func viewSheet(s customers.DataSheet) DataSheet {
	v := DataSheet{ID: s.ID, Kind: s.Kind, Model: s.Model, Title: s.Title, Values: []SheetValue{},
		CreatedAt: wire.At(s.CreatedAt), UpdatedAt: wire.At(s.UpdatedAt), RetiredAt: timeOrNone(s.RetiredAt)}
	for _, w := range s.Values {
		v.Values = append(v.Values, viewSheetValue(w))
	}
	return v
}

func viewSheetValue(w customers.SheetValue) SheetValue {
	e := w.Entered
	v := SheetValue{Parameter: w.Parameter, Confirmed: !w.ConfirmedBy.IsZero(), EnteredBy: w.EnteredBy, EnteredAt: wire.At(w.EnteredAt),
		ConfirmedBy: idOrNone(w.ConfirmedBy), ConfirmedAt: timeOrNone(w.ConfirmedAt),
		NewSheetValue: NewSheetValue{Value: written(e.Value), Low: written(e.Low), High: written(e.High), TolerancePercent: written(e.Percent),
			TemperatureUnit: e.TemperatureUnit, Words: w.Words, Unit: w.Unit, Origin: w.Origin}}
	for _, p := range e.Curve {
		v.Curve = append(v.Curve, CurvePoint{orZero(written(p.Temperature)), orZero(written(p.Resistance))})
	}
	return v
}

// written shows a number with the digits it was written with.
func written(text string) *wire.Decimal {
	d, err := wire.ParseDecimal(text)
	if err != nil {
		return nil
	}
	return &d
}

func (n NewSheetValue) read(parameter string) customers.NewValue {
	v := customers.NewValue{Parameter: parameter, Words: n.Words, Unit: n.Unit, Origin: n.Origin,
		Entered: customers.EnteredValue{Value: orZero(n.Value).Text, Low: orZero(n.Low).Text, High: orZero(n.High).Text,
			Percent: orZero(n.TolerancePercent).Text, TemperatureUnit: n.TemperatureUnit}}
	for _, p := range n.Curve {
		v.Entered.Curve = append(v.Entered.Curve, customers.EnteredPoint{Temperature: p.Temperature.Text, Resistance: p.Resistance.Text})
	}
	return v
}

func sheetID(s customers.DataSheet) domain.ID { return s.ID }

// ByParameter names one value of a data sheet.
type ByParameter struct {
	ByID
	Parameter string `path:"parameter" maxLength:"80" doc:"A parameter of the catalogue's kind."`
}

func (a *API) registerDataSheets(e *Edge) {
	const op, base, tag = "create-data-sheet", "/v1/data-sheets", "data sheets"
	register(e, create(op, base, tag, anyone, "Store a data sheet of a model", "One sheet a model; a second is refused with 409."),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewDataSheet
		}) (*made[DataSheet], error) {
			n := in.Body
			s, replayed, err := a.Customers.CreateSheet(ctx, principal(ctx), onceKey(ctx, op, in.RawBody),
				customers.DataSheet{Kind: n.Kind, Model: n.Model, Title: n.Title})
			return madeOf(base+"/"+s.ID.String(), s.Version, replayed, viewSheet(s)), err
		})
	register(e, show("list-data-sheets", base, tag, anyone, "List data sheets, oldest first"),
		func(ctx context.Context, in *struct {
			Paging
			Kind    string `query:"kind" maxLength:"60"`
			Model   string `query:"model" maxLength:"80" doc:"Compared without case, spaces and punctuation."`
			Retired bool   `query:"include_retired"`
		}) (*page[DataSheet], error) {
			var after domain.ID
			return list(ctx, a, in.Paging, &after, func(n int) ([]customers.DataSheet, error) {
				return a.Customers.ListSheets(ctx, principal(ctx), in.Kind, in.Model, in.Retired, after, n)
			}, sheetID, viewSheet)
		})
	register(e, show("read-data-sheet", base+"/{id}", tag, anyone, "Show a data sheet with its values"),
		func(ctx context.Context, in *ByID) (*item[DataSheet], error) {
			s, err := a.Customers.ReadSheet(ctx, principal(ctx), in.ID)
			return itemOf(s.Version, viewSheet(s)), err
		})
	register(e, change("change-data-sheet", base+"/{id}", tag, office, "Change the heading of a data sheet"),
		func(ctx context.Context, in *struct {
			ByID
			Body DataSheetPatch
		}) (*item[DataSheet], error) {
			s, err := a.Customers.ChangeSheet(ctx, principal(ctx), in.ID, ifMatch(ctx), func(s *customers.DataSheet) {
				set(&s.Model, in.Body.Model)
				set(&s.Title, in.Body.Title)
			})
			return itemOf(s.Version, viewSheet(s)), err
		})
	register(e, retire("retire-data-sheet", base+"/{id}", tag, office, "Retire a data sheet"),
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Customers.RetireSheet(ctx, principal(ctx), in.ID, ifMatch(ctx))
		})
	a.registerSheetValues(e, base+"/{id}/values/{parameter}", tag)
}

func (a *API) registerSheetValues(e *Edge, path, tag string) {
	unprocessable := []int{http.StatusUnprocessableEntity}
	register(e, Op{ID: "put-sheet-value", Method: http.MethodPut, Path: path, Roles: anyone, Tags: []string{tag},
		Summary: "State a value", Errors: unprocessable,
		Description: "Whatever stood there before is replaced; the value is unconfirmed until somebody else confirms it."},
		func(ctx context.Context, in *struct {
			ByParameter
			Body NewSheetValue
		}) (*item[DataSheet], error) {
			s, err := a.Customers.PutValue(ctx, principal(ctx), in.ID, in.Body.read(in.Parameter))
			return itemOf(s.Version, viewSheet(s)), err
		})
	register(e, Op{ID: "confirm-sheet-value", Method: http.MethodPost, Path: path + "/confirmation", Roles: anyone, Tags: []string{tag}, IfMatch: true,
		Summary: "Confirm a value somebody else entered", Errors: []int{http.StatusConflict},
		Description: "If-Match is the ETag of the sheet as you read it, so that you confirm the figure you saw."},
		func(ctx context.Context, in *ByParameter) (*item[DataSheet], error) {
			s, err := a.Customers.ConfirmValue(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Parameter)
			return itemOf(s.Version, viewSheet(s)), err
		})
	register(e, Op{ID: "drop-sheet-value", Method: http.MethodDelete, Path: path, Roles: office, Tags: []string{tag}, IfMatch: true,
		Summary: "Take a value off the sheet"},
		func(ctx context.Context, in *ByParameter) (*item[DataSheet], error) {
			s, err := a.Customers.DropValue(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Parameter)
			return itemOf(s.Version, viewSheet(s)), err
		})
}

// resolution converts an instrument's resolution to SI; of a temperature it is
// a difference.
func resolution(q Quantity, of measure.Quantity) (float64, error) {
	if of == "temperature" {
		return measure.DiffToSI(q.Value.Value, q.Unit, of)
	}
	return measure.ToSI(q.Value.Value, q.Unit, of)
}
