package api

import (
	"context"
	"fmt"

	"drumline/api/wire"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/customers"
)

// Bend is one or more equal bends of a duct.
type Bend struct {
	Degrees wire.Decimal `json:"degrees"`
	Radius  *Quantity    `json:"radius,omitempty" doc:"Of the centre line; absent: mitred."`
	Count   int          `json:"count" minimum:"1" maximum:"40"`
}

// Duct is one piece of an exhaust run.
type Duct struct {
	Material string    `json:"material" enum:"rigid_metal,semi_rigid_metal,foil_flexible,plastic,unknown"`
	Length   *Quantity `json:"length,omitempty"`
	Diameter *Quantity `json:"diameter,omitempty"`
	Bends    []Bend    `json:"bends,omitempty" maxItems:"40"`
}

// Exhaust is the run that takes a dryer's air outside. Check local code and
// the maker's instructions for what is allowed.
type Exhaust struct {
	Transition  *Duct  `json:"transition,omitempty" doc:"The visible piece from the machine to the wall."`
	Concealed   *Duct  `json:"concealed,omitempty" doc:"The run in the building."`
	Termination string `json:"termination" enum:"wall,roof,soffit,attic,crawl_space,garage,indoors,unknown"`
	Screen      *bool  `json:"screen,omitempty" doc:"A screen at the hood, which catches lint."`
	Booster     string `json:"booster,omitempty" enum:"none,listed,unlisted,unknown" doc:"Booster fan; absent: unknown."`
	SharedRiser *bool  `json:"shared_riser,omitempty"`
}

// NewUnit is a unit to store.
type NewUnit struct {
	SiteID      domain.ID     `json:"site_id"`
	Kind        string        `json:"kind" maxLength:"60" doc:"A kind of the catalogue."`
	Maker       string        `json:"maker,omitempty" maxLength:"80"`
	Model       string        `json:"model,omitempty" maxLength:"80"`
	Serial      string        `json:"serial,omitempty" maxLength:"80"`
	Fuel        string        `json:"fuel,omitempty" enum:"electric,gas" doc:"What it heats with; absent: electric."`
	SupplyVolts *wire.Decimal `json:"supply_volts,omitempty" doc:"Rated supply, volts."`
	SupplyWires *int          `json:"supply_wires,omitempty" minimum:"2" maximum:"4"`
	BreakerAmps *wire.Decimal `json:"breaker_amps,omitempty"`
	RatedWatts  *wire.Decimal `json:"rated_watts,omitempty" doc:"Heating power on the nameplate, watts."`
	Features    []string      `json:"features,omitempty" maxItems:"40" doc:"Features of the catalogue's kind, e.g. bias_heater, dual_coil. Absent: those of the model, if the shop's own content knows it."`
	Exhaust     *Exhaust      `json:"exhaust,omitempty"`
	InstalledOn *domain.Date  `json:"installed_on,omitempty"`
	Note        string        `json:"note,omitempty" maxLength:"2000"`
}

// UnitPatch changes a unit. Exhaust and features are replaced whole.
type UnitPatch struct {
	SiteID      *domain.ID             `json:"site_id,omitempty" doc:"The unit moved to another site."`
	Maker       wire.Opt[string]       `json:"maker,omitzero" maxLength:"80"`
	Model       wire.Opt[string]       `json:"model,omitzero" maxLength:"80"`
	Serial      wire.Opt[string]       `json:"serial,omitzero" maxLength:"80"`
	Fuel        *string                `json:"fuel,omitempty" enum:"electric,gas"`
	SupplyVolts wire.Opt[wire.Decimal] `json:"supply_volts,omitzero"`
	SupplyWires wire.Opt[int]          `json:"supply_wires,omitzero" minimum:"2" maximum:"4"`
	BreakerAmps wire.Opt[wire.Decimal] `json:"breaker_amps,omitzero"`
	RatedWatts  wire.Opt[wire.Decimal] `json:"rated_watts,omitzero"`
	Features    *[]string              `json:"features,omitempty" maxItems:"40"`
	Exhaust     wire.Opt[Exhaust]      `json:"exhaust,omitzero"`
	InstalledOn wire.Opt[domain.Date]  `json:"installed_on,omitzero"`
	Note        wire.Opt[string]       `json:"note,omitzero" maxLength:"2000"`
}

// Unit is one appliance.
type Unit struct {
	ID          domain.ID     `json:"id"`
	SiteID      domain.ID     `json:"site_id"`
	Kind        string        `json:"kind"`
	Maker       string        `json:"maker"`
	Model       string        `json:"model"`
	Serial      string        `json:"serial"`
	Fuel        string        `json:"fuel" enum:"electric,gas"`
	SupplyVolts *wire.Decimal `json:"supply_volts,omitempty"`
	SupplyWires *int          `json:"supply_wires,omitempty"`
	BreakerAmps *wire.Decimal `json:"breaker_amps,omitempty"`
	RatedWatts  *wire.Decimal `json:"rated_watts,omitempty"`
	Features    []string      `json:"features"`
	Exhaust     *Exhaust      `json:"exhaust,omitempty"`
	InstalledOn *domain.Date  `json:"installed_on,omitempty"`
	Note        string        `json:"note"`
	CreatedAt   wire.Time     `json:"created_at"`
	UpdatedAt   wire.Time     `json:"updated_at"`
	RetiredAt   *wire.Time    `json:"retired_at,omitempty"`

	Notices []UnitNotice `json:"safety_notices" doc:"Notices that touch the unit and are not yet handled, the gravest first."`
}

func viewUnit(u customers.Unit, notices []customers.NoticeFlag) Unit {
	return Unit{ID: u.ID, SiteID: u.SiteID, Kind: u.Kind, Maker: u.Maker, Model: u.Model, Serial: u.Serial, Fuel: u.Fuel,
		SupplyVolts: number(u.SupplyVolts), SupplyWires: u.SupplyWires, BreakerAmps: number(u.BreakerAmps), RatedWatts: number(u.RatedWatts),
		Features: u.Features, Exhaust: viewExhaust(u.Exhaust), InstalledOn: dateOrNone(u.InstalledOn), Note: u.Note,
		CreatedAt: wire.At(u.CreatedAt), UpdatedAt: wire.At(u.UpdatedAt), RetiredAt: timeOrNone(u.RetiredAt), Notices: viewNotices(notices)}
}

func viewExhaust(e *customers.Exhaust) *Exhaust {
	if e == nil {
		return nil
	}
	return &Exhaust{Transition: viewDuct(e.Transition), Concealed: viewDuct(e.Concealed), Termination: e.Termination,
		Screen: e.Screen, Booster: e.Booster, SharedRiser: e.SharedRiser}
}

func viewDuct(d *customers.Duct) *Duct {
	if d == nil {
		return nil
	}
	v := &Duct{Material: d.Material, Length: viewMeasure(d.Length), Diameter: viewMeasure(d.Diameter)}
	for _, b := range d.Bends {
		bend := Bend{Degrees: wire.NewDecimal(b.Degrees), Count: b.Count}
		if b.Radius.Unit != "" {
			bend.Radius = viewMeasure(&b.Radius)
		}
		v.Bends = append(v.Bends, bend)
	}
	return v
}

// viewMeasure shows a figure with the digits it was written with.
func viewMeasure(m *customers.Measure) *Quantity {
	if m == nil {
		return nil
	}
	d, err := wire.ParseDecimal(m.Text)
	if err != nil {
		return nil
	}
	return &Quantity{Value: d, Unit: m.Unit}
}

// readMeasure converts a written figure; nil stays nil.
func readMeasure(q *Quantity, of measure.Quantity, pointer string) (*customers.Measure, error) {
	if q == nil {
		return nil, nil
	}
	m, err := customers.NewMeasure(q.Value.Text, q.Value.Value, q.Unit, of, pointer)
	return &m, err
}

func (e *Exhaust) read() (*customers.Exhaust, error) {
	if e == nil {
		return nil, nil
	}
	out := &customers.Exhaust{Termination: e.Termination, Screen: e.Screen, Booster: e.Booster, SharedRiser: e.SharedRiser}
	if out.Booster == "" {
		out.Booster = "unknown"
	}
	var err error
	if out.Transition, err = e.Transition.read("/exhaust/transition"); err != nil {
		return nil, err
	}
	out.Concealed, err = e.Concealed.read("/exhaust/concealed")
	return out, err
}

func (d *Duct) read(at string) (*customers.Duct, error) {
	if d == nil {
		return nil, nil
	}
	out := &customers.Duct{Material: d.Material, Bends: []customers.Bend{}}
	var err error
	if out.Length, err = readMeasure(d.Length, "length", at+"/length"); err != nil {
		return nil, err
	}
	if out.Diameter, err = readMeasure(d.Diameter, "length", at+"/diameter"); err != nil {
		return nil, err
	}
	for i, b := range d.Bends {
		r, err := readMeasure(b.Radius, "length", fmt.Sprintf("%s/bends/%d/radius", at, i))
		if err != nil {
			return nil, err
		}
		out.Bends = append(out.Bends, customers.Bend{Degrees: b.Degrees.Value, Radius: orZero(r), Count: b.Count})
	}
	return out, nil
}

func (n NewUnit) read() (customers.Unit, error) {
	ex, err := n.Exhaust.read()
	return customers.Unit{SiteID: n.SiteID, Kind: n.Kind, Maker: n.Maker, Model: n.Model, Serial: n.Serial, Fuel: n.Fuel,
		SupplyVolts: float(n.SupplyVolts), SupplyWires: n.SupplyWires, BreakerAmps: float(n.BreakerAmps), RatedWatts: float(n.RatedWatts),
		Features: n.Features, Exhaust: ex, InstalledOn: orZero(n.InstalledOn), Note: n.Note}, err
}

// edit gives the change a patch asks for; the exhaust run is read beforehand,
// so that a wrong unit is told before the record is locked.
func (p UnitPatch) edit() (func(*customers.Unit), error) {
	var ex *customers.Exhaust
	var err error
	if p.Exhaust.Has() {
		if ex, err = p.Exhaust.V.read(); err != nil {
			return nil, err
		}
	}
	return func(u *customers.Unit) {
		if p.SiteID != nil {
			u.SiteID = *p.SiteID
		}
		if p.Fuel != nil {
			u.Fuel = *p.Fuel
		}
		if p.Features != nil {
			u.Features = *p.Features
		}
		if p.Exhaust.Set {
			u.Exhaust = ex
		}
		set(&u.Maker, p.Maker)
		set(&u.Model, p.Model)
		set(&u.Serial, p.Serial)
		set(&u.InstalledOn, p.InstalledOn)
		set(&u.Note, p.Note)
		setPtr(&u.SupplyWires, p.SupplyWires)
		setNumber(&u.SupplyVolts, p.SupplyVolts)
		setNumber(&u.BreakerAmps, p.BreakerAmps)
		setNumber(&u.RatedWatts, p.RatedWatts)
	}, nil
}

func unitID(u customers.Unit) domain.ID { return u.ID }

// noticed shows a unit with its safety notices of this moment.
func (a *API) noticed(ctx context.Context, u customers.Unit, err error) (Unit, error) {
	if err != nil {
		return Unit{}, err
	}
	flags, err := a.Customers.NoticesOf(ctx, principal(ctx), u.ID)
	return viewUnit(u, flags[u.ID]), err
}

func (a *API) unitItem(ctx context.Context, u customers.Unit, err error) (*item[Unit], error) {
	v, err := a.noticed(ctx, u, err)
	return itemOf(u.Version, v), err
}

type unitsQuery struct {
	Paging
	Site    domain.ID `query:"site_id"`
	Kind    string    `query:"kind" maxLength:"60"`
	Model   string    `query:"model" maxLength:"80" doc:"Compared without case, spaces and punctuation."`
	Retired bool      `query:"include_retired"`
}

func (a *API) listUnits(ctx context.Context, in *unitsQuery) (*page[Unit], error) {
	f := customers.UnitFilter{Site: in.Site, Kind: in.Kind, Model: in.Model, Retired: in.Retired}
	var after domain.ID
	var flags map[domain.ID][]customers.NoticeFlag
	return list(ctx, a, in.Paging, &after, func(n int) ([]customers.Unit, error) {
		units, err := a.Customers.ListUnits(ctx, principal(ctx), f, after, n)
		if err != nil {
			return nil, err
		}
		ids := make([]domain.ID, 0, len(units))
		for _, u := range units {
			ids = append(ids, u.ID)
		}
		flags, err = a.Customers.NoticesOf(ctx, principal(ctx), ids...)
		return units, err
	}, unitID, func(u customers.Unit) Unit { return viewUnit(u, flags[u.ID]) })
}

func (a *API) registerUnits(e *Edge) {
	const op = "create-unit"
	register(e, create(op, "/v1/units", "units", anyone, "Store a unit", "Techs store what the nameplate says. Read safety_notices of the answer at once: the nameplate may show that a notice concerns the unit."),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewUnit
		}) (*made[Unit], error) {
			n, err := in.Body.read()
			if err != nil {
				return nil, err
			}
			u, replayed, err := a.Customers.CreateUnit(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), n)
			v, err := a.noticed(ctx, u, err)
			return madeOf("/v1/units/"+u.ID.String(), u.Version, replayed, v), err
		})
	register(e, show("list-units", "/v1/units", "units", anyone, "List units, oldest first"), a.listUnits)
	register(e, show("read-unit", "/v1/units/{id}", "units", anyone, "Show a unit"),
		func(ctx context.Context, in *ByID) (*item[Unit], error) {
			u, err := a.Customers.ReadUnit(ctx, principal(ctx), in.ID)
			return a.unitItem(ctx, u, err)
		})
	register(e, change("change-unit", "/v1/units/{id}", "units", anyone, "Change a unit"),
		func(ctx context.Context, in *struct {
			ByID
			Body UnitPatch
		}) (*item[Unit], error) {
			edit, err := in.Body.edit()
			if err != nil {
				return nil, err
			}
			u, err := a.Customers.ChangeUnit(ctx, principal(ctx), in.ID, ifMatch(ctx), edit)
			return a.unitItem(ctx, u, err)
		})
	register(e, retire("retire-unit", "/v1/units/{id}", "units", office, "Retire a unit"),
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Customers.RetireUnit(ctx, principal(ctx), in.ID, ifMatch(ctx))
		})
}
