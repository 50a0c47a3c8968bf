package calls

import (
	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// QueueVisits reads the visits of a call by start. It asks for no right: queue
// QueueCall too. An absent call has none.
func QueueVisits(b *pgx.Batch, shop, call domain.ID, dst *[]Visit) {
	pg.All(b, dst, `SELECT `+visitColumns+` FROM visit WHERE shop_id = $1 AND call_id = $2 ORDER BY starts_at, id`, shop, call)
}
