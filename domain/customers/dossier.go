package customers

import (
	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/shared/pg"
)

// Dossier is what a repair needs to know of a unit: itself, where it stands,
// whose it is and what its data sheet states. SheetID is zero without a sheet.
type Dossier struct {
	Unit     Unit
	Site     Site
	Customer Customer
	SheetID  domain.ID
	Sheet    []SheetValue
}

// UnitByID is the unit subquery for a unit's own id.
const UnitByID = `SELECT $2::uuid`

// QueueDossier reads the dossier of the unit that the subquery unitOf gives
// for $1 = shop and $2 = arg, in the caller's round trip. Absent when there is
// none.
func QueueDossier(b *pgx.Batch, shop domain.ID, unitOf string, arg domain.ID, dst *Dossier) {
	const unit = `unit u WHERE u.shop_id = $1 AND u.id = (`
	pg.One(b, &dst.Unit, `SELECT `+headColumns+`, `+unitColumns+` FROM `+unit+unitOf+`)`, shop, arg)
	pg.One(b, &dst.Site, `SELECT `+headColumns+`, `+siteColumns+` FROM site WHERE shop_id = $1
		AND id = (SELECT u.site_id FROM `+unit+unitOf+`))`, shop, arg)
	pg.One(b, &dst.Customer, `SELECT `+headColumns+`, name, email, phone, note FROM customer WHERE shop_id = $1
		AND id = (SELECT s.customer_id FROM site s WHERE s.shop_id = $1 AND s.id = (SELECT u.site_id FROM `+unit+unitOf+`)))`, shop, arg)
	const sheet = `(SELECT d.id FROM data_sheet d JOIN unit u ON u.shop_id = d.shop_id AND u.kind = d.kind AND u.model_norm = d.model_norm
		WHERE d.shop_id = $1 AND d.retired_at IS NULL AND u.model_norm <> '' AND u.id = (`
	b.Queue(sheet+unitOf+`))`, shop, arg).Query(func(rows pgx.Rows) error {
		ids, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
		dst.SheetID = domain.ID{}
		if len(ids) > 0 {
			dst.SheetID = ids[0]
		}
		return err
	})
	pg.All(b, &dst.Sheet, `SELECT `+valueColumns+` FROM data_sheet_value WHERE shop_id = $1 AND data_sheet_id = `+sheet+unitOf+`)) ORDER BY parameter`, shop, arg)
}

// QueueKind reads the kind of the unit that the subquery unitOf gives for
// $1 = shop and $2 = arg.
func QueueKind(b *pgx.Batch, shop domain.ID, unitOf string, arg domain.ID, dst *string) {
	b.Queue(`SELECT kind FROM unit WHERE shop_id = $1 AND id = (`+unitOf+`)`, shop, arg).QueryRow(func(row pgx.Row) error { return row.Scan(dst) })
}

// KindOf is a subquery for the kind of the unit that an expression of the
// statement around it names; $1 is the shop.
func KindOf(named string) string {
	return `SELECT u.kind FROM unit u WHERE u.shop_id = $1 AND u.id = ` + named
}

// ModelOf is a subquery for the model, as it is compared, of the unit that an
// expression of the statement around it names; $1 is the shop.
func ModelOf(named string) string {
	return `SELECT um.model_norm FROM unit um WHERE um.shop_id = $1 AND um.id = ` + named
}

// KindAndModels is the kind of the unit the subquery unitOf gives, beside no
// model and beside its own: two columns, for a slice above that counts by both.
func KindAndModels(unitOf string) string {
	return `SELECT kind, unnest(ARRAY['', model_norm]) FROM unit WHERE shop_id = $1 AND id = (` + unitOf + `)`
}

// QueueUnitInUse reads the kind of a unit in use, empty when there is none,
// and keeps the unit from being retired until the transaction ends.
func QueueUnitInUse(b *pgx.Batch, shop, unit domain.ID, kind *string) {
	*kind = ""
	b.Queue(`SELECT kind FROM unit WHERE shop_id = $1 AND id = $2 AND retired_at IS NULL FOR KEY SHARE`, shop, unit).Query(func(rows pgx.Rows) error {
		_, err := pgx.ForEachRow(rows, []any{kind}, func() error { return nil })
		return err
	})
}

// ModelNorm is a model as it is compared: capitals and digits only, as the
// database keeps it in model_norm.
func ModelNorm(model string) string { return catalogue.NormModel(model) }

// Place is where a unit stands.
type Place struct {
	UnitID    domain.ID `db:"unit_id"`
	SiteID    domain.ID `db:"site_id"`
	Latitude  *float64  `db:"latitude"` // degrees; nil: nobody has located the site
	Longitude *float64  `db:"longitude"`
	TimeZone  string    `db:"time_zone"`
	Address   string    `db:"address"`
	Kind      string    `db:"kind"` // of the unit

	AccessNotes string `db:"access_notes"`
}

// QueuePlaces reads where the units stand that the subquery gives for
// $1 = shop and $2 on = args, by unit.
func QueuePlaces(b *pgx.Batch, shop domain.ID, unitsOf string, dst *map[domain.ID]Place, args ...any) {
	b.Queue(`SELECT u.id AS unit_id, s.id AS site_id, s.latitude, s.longitude, s.time_zone, s.address, u.kind, s.access_notes FROM unit u
		JOIN site s ON s.shop_id = u.shop_id AND s.id = u.site_id
		WHERE u.shop_id = $1 AND u.id = ANY (ARRAY(`+unitsOf+`))`, append([]any{shop}, args...)...).Query(func(rows pgx.Rows) error {
		found, err := pgx.CollectRows(rows, pgx.RowToStructByName[Place])
		*dst = map[domain.ID]Place{}
		for _, f := range found {
			(*dst)[f.UnitID] = f
		}
		return err
	})
}

// UnitsOfKind gives the units of the kind $2.
const UnitsOfKind = `SELECT u.id FROM unit u WHERE u.shop_id = $1 AND u.kind = $2`
