package calls

import (
	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// QueueVisits reads the visits of a call by start; a tech gets their own. An
// absent call has none.
func QueueVisits(b *pgx.Batch, p domain.Principal, call domain.ID, dst *[]Visit) {
	pg.All(b, dst, `SELECT `+visitColumns+` FROM visit
		WHERE shop_id = $1 AND call_id = $2 AND ($3::uuid IS NULL OR tech_id = $3) ORDER BY starts_at, id`, p.Shop, call, only(p))
}
