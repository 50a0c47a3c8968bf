package api

import (
	"context"
	"fmt"
	"strconv"

	"drumline/api/wire"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/customers"
)

// Accuracy says how well an instrument measures one quantity: its limit of
// error is percent_of_reading plus counts steps of resolution.
type Accuracy struct {
	Quantity         string        `json:"quantity" maxLength:"40" doc:"A quantity of the catalogue, e.g. resistance, temperature, current."`
	Method           string        `json:"method" enum:"meter,clamp,bead,bead_on_surface,infrared,manometer,pitot,vane"`
	PercentOfReading *wire.Decimal `json:"percent_of_reading,omitempty"`
	Counts           *wire.Decimal `json:"counts,omitempty"`
	Resolution       *Quantity     `json:"resolution,omitempty" doc:"One count, in a UCUM unit of the quantity."`
}

// NewInstrument is an instrument to store.
type NewInstrument struct {
	Name             string       `json:"name" minLength:"1" maxLength:"120"`
	Serial           string       `json:"serial,omitempty" maxLength:"80"`
	PersonID         *domain.ID   `json:"person_id,omitempty" doc:"Whose it is; a tech's own by default, else the shop's."`
	CalibrationDueOn *domain.Date `json:"calibration_due_on,omitempty"`
	Accuracies       []Accuracy   `json:"accuracies" maxItems:"20"`
}

// InstrumentPatch changes an instrument. Accuracies replaces the whole list.
type InstrumentPatch struct {
	Name             wire.Opt[string]      `json:"name,omitzero" minLength:"1" maxLength:"120"`
	Serial           wire.Opt[string]      `json:"serial,omitzero" maxLength:"80"`
	CalibrationDueOn wire.Opt[domain.Date] `json:"calibration_due_on,omitzero"`
	Accuracies       *[]Accuracy           `json:"accuracies,omitempty" maxItems:"20"`
}

// Instrument is a meter or thermometer.
type Instrument struct {
	ID               domain.ID    `json:"id"`
	Name             string       `json:"name"`
	Serial           string       `json:"serial"`
	PersonID         *domain.ID   `json:"person_id,omitempty" doc:"Absent: the shop's."`
	CalibrationDueOn *domain.Date `json:"calibration_due_on,omitempty"`
	Accuracies       []Accuracy   `json:"accuracies"`
	CreatedAt        wire.Time    `json:"created_at"`
	UpdatedAt        wire.Time    `json:"updated_at"`
	RetiredAt        *wire.Time   `json:"retired_at,omitempty"`
}

func viewInstrument(v customers.Instrument) Instrument {
	out := Instrument{ID: v.ID, Name: v.Name, Serial: v.Serial, PersonID: idOrNone(v.PersonID), CalibrationDueOn: dateOrNone(v.CalibrationDueOn),
		Accuracies: []Accuracy{}, CreatedAt: wire.At(v.CreatedAt), UpdatedAt: wire.At(v.UpdatedAt), RetiredAt: timeOrNone(v.RetiredAt)}
	for _, a := range v.Accuracies {
		out.Accuracies = append(out.Accuracies, Accuracy{Quantity: a.Quantity, Method: a.Method,
			PercentOfReading: number(&a.Percent), Counts: number(&a.Counts), Resolution: viewResolution(a)})
	}
	return out
}

// viewResolution shows a resolution in the unit it was entered in, without the
// last digits of the conversion there and back.
func viewResolution(a customers.Accuracy) *Quantity {
	if a.Unit == "" {
		return nil
	}
	q := measure.Quantity(a.Quantity)
	v, err := measure.FromSI(a.Resolution, a.Unit, q)
	if q == "temperature" {
		v, err = measure.DiffFromSI(a.Resolution, a.Unit, q)
	}
	if err != nil {
		return nil
	}
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil {
		return nil
	}
	return &Quantity{Value: wire.NewDecimal(short), Unit: a.Unit}
}

func readAccuracies(as []Accuracy) ([]customers.Accuracy, error) {
	out := []customers.Accuracy{}
	for i, a := range as {
		v := customers.Accuracy{Quantity: a.Quantity, Method: a.Method, Percent: orZero(a.PercentOfReading).Value, Counts: orZero(a.Counts).Value}
		if a.Resolution != nil {
			si, err := resolution(*a.Resolution, measure.Quantity(a.Quantity))
			if err != nil {
				return nil, domain.Field(fmt.Sprintf("/accuracies/%d/resolution/unit", i), "unit", "%s", err.Error())
			}
			v.Resolution, v.Unit = si, a.Resolution.Unit
		}
		out = append(out, v)
	}
	return out, nil
}

func instrumentID(v customers.Instrument) domain.ID { return v.ID }

func (p InstrumentPatch) edit() (func(*customers.Instrument), error) {
	var as []customers.Accuracy
	if p.Accuracies != nil {
		var err error
		if as, err = readAccuracies(*p.Accuracies); err != nil {
			return nil, err
		}
	}
	return func(v *customers.Instrument) {
		set(&v.Name, p.Name)
		set(&v.Serial, p.Serial)
		set(&v.CalibrationDueOn, p.CalibrationDueOn)
		if p.Accuracies != nil {
			v.Accuracies = as
		}
	}, nil
}

func (a *API) registerInstruments(e *Edge) {
	const op, base, tag = "create-instrument", "/v1/instruments", "instruments"
	register(e, create(op, base, tag, anyone, "Store an instrument", "A tech stores their own."),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewInstrument
		}) (*made[Instrument], error) {
			n := in.Body
			as, err := readAccuracies(n.Accuracies)
			if err != nil {
				return nil, err
			}
			v, replayed, err := a.Customers.CreateInstrument(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), customers.Instrument{
				Name: n.Name, Serial: n.Serial, PersonID: orZero(n.PersonID), CalibrationDueOn: orZero(n.CalibrationDueOn), Accuracies: as})
			return madeOf(base+"/"+v.ID.String(), v.Version, replayed, viewInstrument(v)), err
		})
	register(e, show("list-instruments", base, tag, anyone, "List instruments, oldest first"),
		func(ctx context.Context, in *struct {
			Paging
			Person  domain.ID `query:"person_id"`
			Retired bool      `query:"include_retired"`
		}) (*page[Instrument], error) {
			var after domain.ID
			return list(ctx, a, in.Paging, &after, func(n int) ([]customers.Instrument, error) {
				return a.Customers.ListInstruments(ctx, principal(ctx), in.Person, in.Retired, after, n)
			}, instrumentID, viewInstrument)
		})
	register(e, show("read-instrument", base+"/{id}", tag, anyone, "Show an instrument"),
		func(ctx context.Context, in *ByID) (*item[Instrument], error) {
			v, err := a.Customers.ReadInstrument(ctx, principal(ctx), in.ID)
			return itemOf(v.Version, viewInstrument(v)), err
		})
	register(e, change("change-instrument", base+"/{id}", tag, anyone, "Change an instrument"),
		func(ctx context.Context, in *struct {
			ByID
			Body InstrumentPatch
		}) (*item[Instrument], error) {
			edit, err := in.Body.edit()
			if err != nil {
				return nil, err
			}
			v, err := a.Customers.ChangeInstrument(ctx, principal(ctx), in.ID, ifMatch(ctx), edit)
			return itemOf(v.Version, viewInstrument(v)), err
		})
	register(e, retire("retire-instrument", base+"/{id}", tag, anyone, "Retire an instrument"),
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Customers.RetireInstrument(ctx, principal(ctx), in.ID, ifMatch(ctx))
		})
}
