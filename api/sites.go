package api

import (
	"context"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/customers"
)

// NewSite is a site to store.
type NewSite struct {
	CustomerID  domain.ID     `json:"customer_id"`
	Label       string        `json:"label,omitempty" maxLength:"120"`
	Address     string        `json:"address" minLength:"1" maxLength:"400"`
	PostalCode  string        `json:"postal_code,omitempty" maxLength:"20"`
	TimeZone    string        `json:"time_zone,omitempty" maxLength:"64" doc:"IANA name; absent: the shop's."`
	Latitude    *wire.Decimal `json:"latitude,omitempty" doc:"Degrees, together with longitude."`
	Longitude   *wire.Decimal `json:"longitude,omitempty"`
	AccessNotes string        `json:"access_notes,omitempty" maxLength:"2000"`
}

// SitePatch changes a site.
type SitePatch struct {
	Label       wire.Opt[string]       `json:"label,omitzero" maxLength:"120"`
	Address     wire.Opt[string]       `json:"address,omitzero" minLength:"1" maxLength:"400"`
	PostalCode  wire.Opt[string]       `json:"postal_code,omitzero" maxLength:"20"`
	TimeZone    wire.Opt[string]       `json:"time_zone,omitzero" maxLength:"64"`
	Latitude    wire.Opt[wire.Decimal] `json:"latitude,omitzero"`
	Longitude   wire.Opt[wire.Decimal] `json:"longitude,omitzero"`
	AccessNotes wire.Opt[string]       `json:"access_notes,omitzero" maxLength:"2000"`
}

// Site is where units stand.
type Site struct {
	ID          domain.ID     `json:"id"`
	CustomerID  domain.ID     `json:"customer_id"`
	Label       string        `json:"label"`
	Address     string        `json:"address"`
	PostalCode  string        `json:"postal_code"`
	TimeZone    string        `json:"time_zone"`
	Latitude    *wire.Decimal `json:"latitude,omitempty"`
	Longitude   *wire.Decimal `json:"longitude,omitempty"`
	AccessNotes string        `json:"access_notes"`
	CreatedAt   wire.Time     `json:"created_at"`
	UpdatedAt   wire.Time     `json:"updated_at"`
	RetiredAt   *wire.Time    `json:"retired_at,omitempty"`
}

func viewSite(s customers.Site) Site {
	return Site{ID: s.ID, CustomerID: s.CustomerID, Label: s.Label, Address: s.Address, PostalCode: s.PostalCode, TimeZone: s.TimeZone,
		Latitude: number(s.Latitude), Longitude: number(s.Longitude), AccessNotes: s.AccessNotes,
		CreatedAt: wire.At(s.CreatedAt), UpdatedAt: wire.At(s.UpdatedAt), RetiredAt: timeOrNone(s.RetiredAt)}
}

func (p SitePatch) apply(s *customers.Site) {
	set(&s.Label, p.Label)
	set(&s.Address, p.Address)
	set(&s.PostalCode, p.PostalCode)
	set(&s.TimeZone, p.TimeZone)
	setNumber(&s.Latitude, p.Latitude)
	setNumber(&s.Longitude, p.Longitude)
	set(&s.AccessNotes, p.AccessNotes)
}

func siteID(s customers.Site) domain.ID { return s.ID }

func (a *API) registerSites(e *Edge) {
	const op = "create-site"
	register(e, create(op, "/v1/sites", "sites", office, "Store a site", ""),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewSite
		}) (*made[Site], error) {
			n := in.Body
			s, replayed, err := a.Customers.CreateSite(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), customers.Site{
				CustomerID: n.CustomerID, Label: n.Label, Address: n.Address, PostalCode: n.PostalCode, TimeZone: n.TimeZone,
				Latitude: float(n.Latitude), Longitude: float(n.Longitude), AccessNotes: n.AccessNotes})
			return madeOf("/v1/sites/"+s.ID.String(), s.Version, replayed, viewSite(s)), err
		})
	register(e, show("list-sites", "/v1/sites", "sites", office, "List sites, oldest first"),
		func(ctx context.Context, in *struct {
			Paging
			Customer domain.ID `query:"customer_id"`
			Retired  bool      `query:"include_retired"`
		}) (*page[Site], error) {
			var after domain.ID
			return list(ctx, a, in.Paging, &after, func(n int) ([]customers.Site, error) {
				return a.Customers.ListSites(ctx, principal(ctx), in.Customer, in.Retired, after, n)
			}, siteID, viewSite)
		})
	register(e, show("read-site", "/v1/sites/{id}", "sites", anyone, "Show a site"),
		func(ctx context.Context, in *ByID) (*item[Site], error) {
			s, err := a.Customers.ReadSite(ctx, principal(ctx), in.ID)
			return itemOf(s.Version, viewSite(s)), err
		})
	register(e, change("change-site", "/v1/sites/{id}", "sites", office, "Change a site"),
		func(ctx context.Context, in *struct {
			ByID
			Body SitePatch
		}) (*item[Site], error) {
			s, err := a.Customers.ChangeSite(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Body.apply)
			return itemOf(s.Version, viewSite(s)), err
		})
	register(e, retire("retire-site", "/v1/sites/{id}", "sites", office, "Retire a site"),
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Customers.RetireSite(ctx, principal(ctx), in.ID, ifMatch(ctx))
		})
}
