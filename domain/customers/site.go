package customers

import (
	"context"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Site is where units stand.
type Site struct {
	Head
	CustomerID  domain.ID `db:"customer_id"`
	Label       string    `db:"label"`
	Address     string    `db:"address"`
	PostalCode  string    `db:"postal_code"`
	TimeZone    string    `db:"time_zone"`
	Latitude    *float64  `db:"latitude"`  // degrees
	Longitude   *float64  `db:"longitude"` // degrees
	AccessNotes string    `db:"access_notes"`
}

const siteColumns = `customer_id, label, address, postal_code, time_zone, latitude, longitude, access_notes`

var siteKind = kind[Site]{
	entity: "site",
	column: siteColumns,
	head:   func(v *Site) *Head { return &v.Head },
	check:  func(_ *catalogue.Catalogue, _ *Site, v Site) error { return v.check() },
	insert: func(b *pgx.Batch, shop domain.ID, v Site) {
		pg.Changed(b, domain.Field("/customer_id", "unknown", "There is no such customer in use."),
			`INSERT INTO site (shop_id, id, `+siteColumns+`, created_at, updated_at)
			SELECT $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12
			WHERE EXISTS (SELECT 1 FROM customer WHERE shop_id = $1 AND id = $3 AND retired_at IS NULL)`,
			shop, v.ID, v.CustomerID, v.Label, v.Address, v.PostalCode, v.TimeZone, v.Latitude, v.Longitude, v.AccessNotes, v.CreatedAt, v.UpdatedAt)
	},
	update: func(b *pgx.Batch, shop domain.ID, v Site) {
		b.Queue(`UPDATE site SET label = $3, address = $4, postal_code = $5, time_zone = $6, latitude = $7, longitude = $8,
			access_notes = $9, updated_at = $10, version = $11 WHERE shop_id = $1 AND id = $2`,
			shop, v.ID, v.Label, v.Address, v.PostalCode, v.TimeZone, v.Latitude, v.Longitude, v.AccessNotes, v.UpdatedAt, v.Version)
	},
	inUse: func(*Service) string {
		return `SELECT 1 FROM unit WHERE shop_id = $1 AND site_id = $2 AND retired_at IS NULL`
	},
	after: func(s *Service) string { return s.SiteChanged },
	seen:  func(s *Service) string { return `id = ANY (ARRAY(` + s.sitesOfTech() + `))` },
	busy:  "Units still stand at this site. Retire or move those first.",
}

func (v Site) check() error {
	var ps domain.Problems
	if v.CustomerID.IsZero() {
		ps.Add("/customer_id", "required", "Say whose site it is.")
	}
	ps.Text("/label", v.Label, 0, 120, false)
	ps.Text("/address", v.Address, 1, 400, true)
	ps.Text("/postal_code", v.PostalCode, 0, 20, false)
	ps.Text("/access_notes", v.AccessNotes, 0, 2000, true)
	if !people.ValidZone(v.TimeZone) {
		ps.Add("/time_zone", "time_zone", "A time zone is an IANA name such as America/Denver.")
	}
	if (v.Latitude == nil) != (v.Longitude == nil) {
		ps.Add("/longitude", "pair", "Give latitude and longitude together, or neither.")
	}
	if !within(v.Latitude, -90, 90) {
		ps.Add("/latitude", "range", "A latitude lies between -90 and 90 degrees.")
	}
	if !within(v.Longitude, -180, 180) {
		ps.Add("/longitude", "range", "A longitude lies between -180 and 180 degrees.")
	}
	return ps.Err()
}

// within says whether v is absent or a number from low to high; NaN is not.
func within(v *float64, low, high float64) bool { return v == nil || *v >= low && *v <= high }

// CreateSite stores a new site. Without a time zone it gets the shop's.
func (s *Service) CreateSite(ctx context.Context, p domain.Principal, key once.Key, v Site) (Site, bool, error) {
	if v.TimeZone == "" {
		if err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
			b.Queue(`SELECT time_zone FROM shop WHERE shop_id = $1`, p.Shop).QueryRow(func(row pgx.Row) error { return row.Scan(&v.TimeZone) })
		}); err != nil {
			return v, false, err
		}
	}
	return create(ctx, s, p, key, siteKind, v)
}

// ReadSite gives one site.
func (s *Service) ReadSite(ctx context.Context, p domain.Principal, id domain.ID) (Site, error) {
	return read(ctx, s, p, siteKind, id)
}

// ChangeSite applies edit if the version is still version. The customer of a
// site is fixed.
func (s *Service) ChangeSite(ctx context.Context, p domain.Principal, id domain.ID, version int64, edit func(*Site)) (Site, error) {
	return change(ctx, s, p, siteKind, id, version, edit)
}

// RetireSite takes a site without units in use out of use.
func (s *Service) RetireSite(ctx context.Context, p domain.Principal, id domain.ID, version int64) error {
	return retire(ctx, s, p, siteKind, id, version)
}

// ListSites gives up to size sites after the id, of one customer unless the
// customer is zero.
func (s *Service) ListSites(ctx context.Context, p domain.Principal, customer domain.ID, retired bool, after domain.ID, size int) ([]Site, error) {
	var vs []Site
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &vs, `SELECT `+headColumns+`, `+siteColumns+` FROM site
			WHERE shop_id = $1 AND ($2::uuid IS NULL OR customer_id = $2) AND ($3 OR retired_at IS NULL) AND ($4::uuid IS NULL OR id > $4)
			ORDER BY id LIMIT $5`, p.Shop, customer, retired, after, size)
	})
	return vs, err
}
