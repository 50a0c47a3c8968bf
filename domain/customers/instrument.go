package customers

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// Instrument is a meter or thermometer, a tech's own or the shop's.
type Instrument struct {
	Head
	PersonID         domain.ID   `db:"person_id"` // zero: the shop's
	Name             string      `db:"name"`
	Serial           string      `db:"serial"`
	CalibrationDueOn domain.Date `db:"calibration_due_on"`
	Accuracies       []Accuracy  `db:"-"`
}

// Accuracy says how well an instrument measures one quantity: its limit of
// error is Percent of the reading plus Counts steps of Resolution (SI).
type Accuracy struct {
	Quantity   string  `db:"quantity"`
	Method     string  `db:"method"`
	Percent    float64 `db:"percent"`
	Counts     float64 `db:"counts"`
	Resolution float64 `db:"resolution"`
	Unit       string  `db:"unit"` // UCUM code Resolution was entered in
}

// Methods are the ways of measuring the service knows.
var Methods = []string{"meter", "clamp", "bead", "bead_on_surface", "infrared", "manometer", "pitot", "vane"}

const accuracyColumns = `quantity, method, percent, counts, resolution, unit`

var instrumentKind = kind[Instrument]{
	entity: "instrument",
	column: `person_id, name, serial, calibration_due_on`,
	head:   func(v *Instrument) *Head { return &v.Head },
	check:  func(_ *catalogue.Catalogue, _ *Instrument, v Instrument) error { return v.check() },
	insert: func(b *pgx.Batch, shop domain.ID, v Instrument) {
		b.Queue(`INSERT INTO instrument (shop_id, id, person_id, name, serial, calibration_due_on, created_at, updated_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`, shop, v.ID, v.PersonID, v.Name, v.Serial, v.CalibrationDueOn, v.CreatedAt, v.UpdatedAt)
		queueAccuracies(b, shop, v)
	},
	update: func(b *pgx.Batch, shop domain.ID, v Instrument) {
		b.Queue(`UPDATE instrument SET name = $3, serial = $4, calibration_due_on = $5, updated_at = $6, version = $7 WHERE shop_id = $1 AND id = $2`,
			shop, v.ID, v.Name, v.Serial, v.CalibrationDueOn, v.UpdatedAt, v.Version)
		b.Queue(`DELETE FROM instrument_accuracy WHERE shop_id = $1 AND instrument_id = $2`, shop, v.ID)
		queueAccuracies(b, shop, v)
	},
	extra: func(b *pgx.Batch, shop, id domain.ID, dst *Instrument) {
		pg.All(b, &dst.Accuracies, `SELECT `+accuracyColumns+` FROM instrument_accuracy WHERE shop_id = $1 AND instrument_id = $2 ORDER BY quantity`, shop, id)
	},
	seen:  everything,
	inUse: func(*Service) string { return `SELECT 1 WHERE $1::uuid IS NULL AND $2::uuid IS NULL` }, // never: readings keep naming it
}

func queueAccuracies(b *pgx.Batch, shop domain.ID, v Instrument) {
	for _, a := range v.Accuracies {
		b.Queue(`INSERT INTO instrument_accuracy (shop_id, instrument_id, `+accuracyColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			shop, v.ID, a.Quantity, a.Method, a.Percent, a.Counts, a.Resolution, a.Unit)
	}
}

func (v Instrument) check() error {
	var ps domain.Problems
	ps.Text("/name", v.Name, 1, 120, false)
	ps.Text("/serial", v.Serial, 0, 80, false)
	seen := map[string]bool{}
	for i, a := range v.Accuracies {
		at := fmt.Sprintf("/accuracies/%d", i)
		if !measure.Quantity(a.Quantity).Known() || seen[a.Quantity] {
			ps.Add(at+"/quantity", "unknown", "No such quantity, or it stands twice.")
		}
		seen[a.Quantity] = true
		if !slices.Contains(Methods, a.Method) {
			ps.Add(at+"/method", "unknown", "A method is meter, clamp, bead, bead_on_surface, infrared, manometer, pitot or vane.")
		}
		if !within(&a.Percent, 0, 100) {
			ps.Add(at+"/percent_of_reading", "range", "From 0 to 100 per cent.")
		}
		if !within(&a.Counts, 0, 1000) {
			ps.Add(at+"/counts", "range", "From 0 to 1000 counts.")
		}
		if !within(&a.Resolution, 0, 1e12) {
			ps.Add(at+"/resolution", "range", "A resolution is not negative.")
		}
		if a.Percent == 0 && a.Counts*a.Resolution == 0 {
			ps.Add(at, "perfect", "No instrument is perfect: give its per cent of reading, or counts and resolution.")
		}
	}
	return ps.Err()
}

// ownOnly refuses a tech who touches an instrument that is not their own.
func ownOnly(p domain.Principal, person domain.ID) error {
	if p.Role == domain.Tech && person != p.Person {
		return domain.Errorf(domain.Forbidden, "This is not your instrument. Ask the dispatcher.")
	}
	return nil
}

// CreateInstrument stores a new instrument. A tech's is their own.
func (s *Service) CreateInstrument(ctx context.Context, p domain.Principal, key once.Key, v Instrument) (Instrument, bool, error) {
	if p.Role == domain.Tech && v.PersonID.IsZero() {
		v.PersonID = p.Person
	}
	if err := ownOnly(p, v.PersonID); err != nil {
		return v, false, err
	}
	got, replayed, err := create(ctx, s, p, key, instrumentKind, v)
	if pg.Violates(err, "instrument_shop_id_person_id_fkey") {
		err = domain.Field("/person_id", "unknown", "There is no such person in the shop.")
	}
	return got, replayed, err
}

// ReadInstrument gives one instrument.
func (s *Service) ReadInstrument(ctx context.Context, p domain.Principal, id domain.ID) (Instrument, error) {
	return read(ctx, s, p, instrumentKind, id)
}

// ChangeInstrument applies edit if the version is still version. Its owner is
// fixed; a tech changes their own only.
func (s *Service) ChangeInstrument(ctx context.Context, p domain.Principal, id domain.ID, version int64, edit func(*Instrument)) (Instrument, error) {
	if err := s.mayTouch(ctx, p, id); err != nil {
		return Instrument{}, err
	}
	return change(ctx, s, p, instrumentKind, id, version, func(v *Instrument) {
		owner := v.PersonID
		edit(v)
		v.PersonID = owner
	})
}

// RetireInstrument takes an instrument out of use; a tech their own only.
func (s *Service) RetireInstrument(ctx context.Context, p domain.Principal, id domain.ID, version int64) error {
	if err := s.mayTouch(ctx, p, id); err != nil {
		return err
	}
	return retire(ctx, s, p, instrumentKind, id, version)
}

func (s *Service) mayTouch(ctx context.Context, p domain.Principal, id domain.ID) error {
	v, err := s.ReadInstrument(ctx, p, id)
	if err != nil {
		return err
	}
	return ownOnly(p, v.PersonID)
}

// ListInstruments gives up to size instruments after the id, of one person
// unless person is zero.
func (s *Service) ListInstruments(ctx context.Context, p domain.Principal, person domain.ID, retired bool, after domain.ID, size int) ([]Instrument, error) {
	type row struct {
		InstrumentID domain.ID `db:"instrument_id"`
		Accuracy
	}
	var vs []Instrument
	var as []row
	const chosen = `FROM instrument WHERE shop_id = $1 AND ($2::uuid IS NULL OR person_id = $2) AND ($3 OR retired_at IS NULL)
		AND ($4::uuid IS NULL OR id > $4) ORDER BY id LIMIT $5`
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &vs, `SELECT `+headColumns+`, person_id, name, serial, calibration_due_on `+chosen, p.Shop, person, retired, after, size)
		pg.All(b, &as, `SELECT instrument_id, `+accuracyColumns+` FROM instrument_accuracy
			WHERE shop_id = $1 AND instrument_id IN (SELECT id `+chosen+`) ORDER BY quantity`, p.Shop, person, retired, after, size)
	})
	for i := range vs {
		for _, a := range as {
			if a.InstrumentID == vs[i].ID {
				vs[i].Accuracies = append(vs[i].Accuracies, a.Accuracy)
			}
		}
	}
	return vs, err
}

// QueueInstrument reads one instrument with its accuracies into dst; found
// says whether there is one (a zero id finds none).
func QueueInstrument(b *pgx.Batch, shop, id domain.ID, dst *Instrument, found *bool) {
	pg.Maybe(b, dst, found, `SELECT `+headColumns+`, person_id, name, serial, calibration_due_on FROM instrument WHERE shop_id = $1 AND id = $2`, shop, id)
	instrumentKind.extra(b, shop, id, dst)
}
