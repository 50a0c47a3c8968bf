package repair

import (
	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/shared/pg"
)

// UnitRecord is what repairs have left on record about a unit: conclusions
// that were not voided with the parts fitted, and hazards not cleared.
type UnitRecord struct {
	Conclusions []Conclusion
	Fitted      []FittedPart
	Hazards     []Hazard
}

// QueueUnit reads the record of a unit, latest first.
func QueueUnit(b *pgx.Batch, shop, unit domain.ID, dst *UnitRecord) {
	pg.All(b, &dst.Conclusions, `SELECT `+conclusionColumns+` FROM conclusion WHERE shop_id = $1 AND voided_at IS NULL AND call_id = ANY (ARRAY(`+calls.CallsOfUnit+`))
		ORDER BY concluded_at DESC, id DESC`, shop, unit)
	pg.All(b, &dst.Fitted, `SELECT f.conclusion_id, f.n, f.number, f.name, f.source, f.lot, f.old_part_kept FROM part_fitted f
		JOIN conclusion c ON c.shop_id = f.shop_id AND c.id = f.conclusion_id
		WHERE f.shop_id = $1 AND c.voided_at IS NULL AND c.call_id = ANY (ARRAY(`+calls.CallsOfUnit+`)) ORDER BY f.conclusion_id, f.n`, shop, unit)
	pg.All(b, &dst.Hazards, `SELECT `+hazardColumns+` FROM hazard WHERE shop_id = $1 AND cleared_at IS NULL AND call_id = ANY (ARRAY(`+calls.CallsOfUnit+`))
		ORDER BY found_at DESC, id DESC`, shop, unit)
}

// PartsOf is the parts fitted by a conclusion.
func (r UnitRecord) PartsOf(conclusion domain.ID) []FittedPart {
	var out []FittedPart
	for _, f := range r.Fitted {
		if f.Conclusion == conclusion {
			out = append(out, f)
		}
	}
	return out
}

// FittedBefore is a part the shop has fitted for a fault in one model, and how
// often.
type FittedBefore struct {
	Fault  string `db:"fault"`
	Model  string `db:"model"` // as models are compared, see customers.ModelNorm
	Number string `db:"number"`
	Name   string `db:"name"`
	Times  int    `db:"times"`
}

// QueueFittedBefore reads what the shop has fitted for each fault of a kind in
// each model, most often first.
func QueueFittedBefore(b *pgx.Batch, shop domain.ID, kind string, dst *[]FittedBefore) {
	pg.All(b, dst, `SELECT c.fault, coalesce((`+customers.ModelOf(`(`+calls.UnitNamed(`c.call_id`)+`)`)+`), '') AS model, f.number, max(f.name) AS name, count(*)::int AS times
		FROM part_fitted f JOIN conclusion c ON c.shop_id = f.shop_id AND c.id = f.conclusion_id
		WHERE f.shop_id = $1 AND c.voided_at IS NULL AND f.number <> '' AND c.call_id IN (`+calls.CallsOfKind+`)
		GROUP BY 1, 2, 3 ORDER BY fault, times DESC, f.number, model`, shop, kind)
}
