package care

import (
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/shared/pg"
)

const cleaningColumns = `id, unit_id, action_id, done_on, scopes, done_by, note, recorded_by, recorded_at, voided_at, voided_by, void_reason`

// Cleaned queues a cleaning into the caller's transaction. The fields UnitID,
// ActionID, DoneOn, Scopes, DoneBy and Note count; a zero ID gets a new one,
// which is returned. The unit is marked, so that its due dates follow.
func Cleaned(b *pgx.Batch, p domain.Principal, now time.Time, c Cleaning) domain.ID {
	if c.ID.IsZero() {
		c.ID = domain.NewID(now)
	}
	b.Queue(`INSERT INTO cleaning (shop_id, id, unit_id, action_id, done_on, scopes, done_by, note, recorded_by, recorded_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		p.Shop, c.ID, c.UnitID, c.ActionID, c.DoneOn, c.Scopes, c.DoneBy, c.Note, p.Person, now)
	audit.Queue(b, p, now, audit.Entry{Action: "created", Entity: "cleaning", ID: c.ID})
	b.Queue(StaleUnit, p.Shop, c.UnitID)
	return c.ID
}

// Voided queues the voiding of the cleaning an action was; an action that
// cleaned nothing has none, and nothing happens. reason must not be empty.
func Voided(b *pgx.Batch, p domain.Principal, now time.Time, action domain.ID, reason string) {
	b.Queue(`UPDATE cleaning SET voided_at = $3, voided_by = $4, void_reason = $5
		WHERE shop_id = $1 AND action_id = $2 AND voided_at IS NULL`, p.Shop, action, now, p.Person, reason)
	b.Queue(staleUnits+` AND id = (SELECT unit_id FROM cleaning WHERE shop_id = $1 AND action_id = $2)`+staleOnce, p.Shop, action)
}

// QueueCleanings reads the cleanings of a unit, latest first, voided ones
// among them. unitOf is SQL that gives the unit's id, with the shop as $1 and
// arg as $2.
func QueueCleanings(b *pgx.Batch, shop domain.ID, unitOf string, arg domain.ID, dst *[]Cleaning) {
	pg.All(b, dst, `SELECT `+cleaningColumns+` FROM cleaning WHERE shop_id = $1 AND unit_id = (`+unitOf+`)
		ORDER BY done_on DESC, id DESC`, shop, arg)
}
