package customers

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// DataSheet is what is known of a model: one live sheet a model of a kind.
type DataSheet struct {
	Head
	Kind   string       `db:"kind"`
	Model  string       `db:"model"`
	Title  string       `db:"title"`
	Values []SheetValue `db:"-"`
}

// SheetValue is what the sheet states for one parameter of the catalogue.
// Figures are SI; Entered is what was written. Which of Value, Low, High,
// Curve and Words are set follows from the parameter's form.
type SheetValue struct {
	Parameter   string       `db:"parameter"`
	Value       *float64     `db:"value"`
	Low         *float64     `db:"low"`
	High        *float64     `db:"high"`
	CurveKelvin []float64    `db:"curve_kelvin"`
	CurveOhm    []float64    `db:"curve_ohm"`
	Words       string       `db:"words"`
	Unit        string       `db:"unit"` // UCUM code it was written in
	Entered     EnteredValue `db:"entered"`
	Origin      string       `db:"origin"` // e.g. tech sheet behind the kick panel, page 2
	EnteredBy   domain.ID    `db:"entered_by"`
	EnteredAt   time.Time    `db:"entered_at"`
	ConfirmedBy domain.ID    `db:"confirmed_by"` // another person than EnteredBy
	ConfirmedAt *time.Time   `db:"confirmed_at"`
}

// EnteredValue is a sheet value as somebody wrote it: numbers as text.
type EnteredValue struct {
	Value           string         `json:"value,omitempty"`
	Low             string         `json:"low,omitempty"`
	High            string         `json:"high,omitempty"`
	Percent         string         `json:"tolerance_percent,omitempty"` // band around Value
	Curve           []EnteredPoint `json:"curve,omitempty"`
	TemperatureUnit string         `json:"temperature_unit,omitempty"`
}

// EnteredPoint is one point of a written curve.
type EnteredPoint struct {
	Temperature string `json:"temperature"`
	Resistance  string `json:"resistance"`
}

const valueColumns = `parameter, value, low, high, curve_kelvin, curve_ohm, words, unit, entered, origin, entered_by, entered_at, confirmed_by, confirmed_at`

var sheetKind = kind[DataSheet]{
	entity: "data_sheet",
	column: `kind, model, title`,
	head:   func(v *DataSheet) *Head { return &v.Head },
	check:  checkSheet,
	insert: func(b *pgx.Batch, shop domain.ID, v DataSheet) {
		b.Queue(`INSERT INTO data_sheet (shop_id, id, kind, model, title, created_at, updated_at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			shop, v.ID, v.Kind, v.Model, v.Title, v.CreatedAt, v.UpdatedAt)
	},
	update: func(b *pgx.Batch, shop domain.ID, v DataSheet) {
		b.Queue(`UPDATE data_sheet SET model = $3, title = $4, updated_at = $5, version = $6 WHERE shop_id = $1 AND id = $2`,
			shop, v.ID, v.Model, v.Title, v.UpdatedAt, v.Version)
	},
	extra: func(b *pgx.Batch, shop, id domain.ID, dst *DataSheet) {
		pg.All(b, &dst.Values, `SELECT `+valueColumns+` FROM data_sheet_value WHERE shop_id = $1 AND data_sheet_id = $2 ORDER BY parameter`, shop, id)
	},
	inUse: func(*Service) string { return `SELECT 1 WHERE $1::uuid IS NULL AND $2::uuid IS NULL` }, // never: old verdicts keep the limit they used
	seen:  everything,
	taken: map[string]string{"data_sheet_model": "The shop has a data sheet for this model already. Change that one."},
}

func checkSheet(c *catalogue.Catalogue, _ *DataSheet, v DataSheet) error {
	var ps domain.Problems
	if _, ok := c.Kind(v.Kind); !ok {
		ps.Add("/kind", "unknown", "The catalogue has no such kind of appliance.")
	}
	ps.Text("/model", v.Model, 1, 80, false)
	ps.Text("/title", v.Title, 0, 200, false)
	return ps.Err()
}

// CreateSheet stores a new data sheet without values. A second one for a model
// is a Conflict.
func (s *Service) CreateSheet(ctx context.Context, p domain.Principal, key once.Key, v DataSheet) (DataSheet, bool, error) {
	return create(ctx, s, p, key, sheetKind, v)
}

// ReadSheet gives one data sheet with its values.
func (s *Service) ReadSheet(ctx context.Context, p domain.Principal, id domain.ID) (DataSheet, error) {
	return read(ctx, s, p, sheetKind, id)
}

// ChangeSheet applies edit to model and title if the version is still version.
func (s *Service) ChangeSheet(ctx context.Context, p domain.Principal, id domain.ID, version int64, edit func(*DataSheet)) (DataSheet, error) {
	return change(ctx, s, p, sheetKind, id, version, edit)
}

// RetireSheet takes a data sheet out of use; verdicts keep the limits they used.
func (s *Service) RetireSheet(ctx context.Context, p domain.Principal, id domain.ID, version int64) error {
	return retire(ctx, s, p, sheetKind, id, version)
}

// ListSheets gives up to size data sheets after the id, without their values.
func (s *Service) ListSheets(ctx context.Context, p domain.Principal, kind, model string, retired bool, after domain.ID, size int) ([]DataSheet, error) {
	var vs []DataSheet
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &vs, `SELECT `+headColumns+`, kind, model, title FROM data_sheet
			WHERE shop_id = $1 AND ($2 = '' OR kind = $2)
			AND ($3 = '' OR model_norm = upper(regexp_replace($3 COLLATE "C", '[^A-Za-z0-9]', '', 'g')))
			AND ($4 OR retired_at IS NULL) AND ($5::uuid IS NULL OR id > $5)
			ORDER BY id LIMIT $6`, p.Shop, kind, model, retired, after, size)
	})
	return vs, err
}

// PutValue states a parameter of a sheet, whatever stood there before; it is
// unconfirmed until another person confirms it.
func (s *Service) PutValue(ctx context.Context, p domain.Principal, sheet domain.ID, v NewValue) (DataSheet, error) {
	var before DataSheet
	return s.sheetWrite(ctx, p, sheet, domain.AnyVersion, &before, func(ctx context.Context, tx *pg.Tx, b *pgx.Batch, now time.Time) error {
		c, err := s.Catalogues.In(ctx, tx, tx.P.Edition)
		if err != nil {
			return err
		}
		k, ok := c.Kind(before.Kind)
		if !ok {
			return domain.Errorf(domain.Conflict, "The catalogue does not hold this kind any more.")
		}
		w, err := v.read(k)
		if err != nil {
			return err
		}
		b.Queue(`INSERT INTO data_sheet_value (shop_id, data_sheet_id, `+valueColumns+`)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, NULL, NULL)
			ON CONFLICT (shop_id, data_sheet_id, parameter) DO UPDATE SET value = excluded.value, low = excluded.low, high = excluded.high,
				curve_kelvin = excluded.curve_kelvin, curve_ohm = excluded.curve_ohm, words = excluded.words, unit = excluded.unit,
				entered = excluded.entered, origin = excluded.origin, entered_by = excluded.entered_by, entered_at = excluded.entered_at,
				confirmed_by = NULL, confirmed_at = NULL`,
			p.Shop, sheet, w.Parameter, w.Value, w.Low, w.High, w.CurveKelvin, w.CurveOhm, w.Words, w.Unit, w.Entered, w.Origin, p.Person, now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "data_sheet", ID: sheet, Fields: []string{w.Parameter}})
		return nil
	})
}

// ConfirmValue says that a second person read the same figure, if the sheet is
// still at version.
func (s *Service) ConfirmValue(ctx context.Context, p domain.Principal, sheet domain.ID, version int64, parameter string) (DataSheet, error) {
	var before DataSheet
	return s.sheetWrite(ctx, p, sheet, version, &before, func(_ context.Context, tx *pg.Tx, b *pgx.Batch, now time.Time) error {
		v, ok := before.value(parameter)
		switch {
		case !ok:
			return domain.Absent()
		case v.EnteredBy == p.Person:
			return domain.Errorf(domain.Conflict, "You entered this value. Somebody else must confirm it.")
		case !v.ConfirmedBy.IsZero():
			return nil
		}
		b.Queue(`UPDATE data_sheet_value SET confirmed_by = $4, confirmed_at = $5 WHERE shop_id = $1 AND data_sheet_id = $2 AND parameter = $3`,
			p.Shop, sheet, parameter, p.Person, now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "confirmed", Entity: "data_sheet", ID: sheet, Fields: []string{parameter}})
		return nil
	})
}

// DropValue takes a parameter off the sheet, if the sheet is still at version.
func (s *Service) DropValue(ctx context.Context, p domain.Principal, sheet domain.ID, version int64, parameter string) (DataSheet, error) {
	var before DataSheet
	return s.sheetWrite(ctx, p, sheet, version, &before, func(_ context.Context, tx *pg.Tx, b *pgx.Batch, now time.Time) error {
		if _, ok := before.value(parameter); !ok {
			return domain.Absent()
		}
		b.Queue(`DELETE FROM data_sheet_value WHERE shop_id = $1 AND data_sheet_id = $2 AND parameter = $3`, p.Shop, sheet, parameter)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "dropped", Entity: "data_sheet", ID: sheet, Fields: []string{parameter}})
		return nil
	})
}

func (v DataSheet) value(parameter string) (SheetValue, bool) {
	for _, w := range v.Values {
		if w.Parameter == parameter {
			return w, true
		}
	}
	return SheetValue{}, false
}

// sheetWrite locks the sheet into before, lets work queue its statements,
// raises the version and gives the sheet as it is then.
func (s *Service) sheetWrite(ctx context.Context, p domain.Principal, sheet domain.ID, version int64, before *DataSheet,
	work func(ctx context.Context, tx *pg.Tx, b *pgx.Batch, now time.Time) error) (DataSheet, error) {
	var after DataSheet
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) { *before = DataSheet{}; sheetKind.queue(b, s, p, sheet, before, "FOR UPDATE") },
		func(ctx context.Context, tx *pg.Tx) error {
			after = DataSheet{}
			switch {
			case before.RetiredAt != nil:
				return domain.Errorf(domain.Conflict, "This data sheet has been retired and cannot be changed.")
			case !domain.SameVersion(version, before.Version):
				return pg.Stale()
			}
			b := &pgx.Batch{}
			now := s.Now()
			if err := work(ctx, tx, b, now); err != nil {
				return err
			}
			if b.Len() > 0 {
				b.Queue(`UPDATE data_sheet SET version = version + 1, updated_at = $3 WHERE shop_id = $1 AND id = $2`, p.Shop, sheet, now)
			}
			sheetKind.queue(b, s, p, sheet, &after, "")
			return tx.Send(ctx, b)
		})
	return after, err
}
