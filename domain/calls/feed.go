package calls

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// FeedChange is one change of a visit. What is booked, moved, assigned,
// status, cancelled or noted; read the visit for its state now.
type FeedChange struct {
	Seq     int64     `db:"seq"`
	VisitID domain.ID `db:"visit_id"`
	What    string    `db:"change"`
	At      time.Time `db:"at"`
}

// Changes gives up to limit changes of the shop's visits numbered above after,
// in order. Numbers follow the order of commits and have no gaps: who has read
// up to n has missed nothing up to n.
func (s *Service) Changes(ctx context.Context, p domain.Principal, after int64, limit int) ([]FeedChange, error) {
	var cs []FeedChange
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &cs, `SELECT seq, visit_id, change, at FROM visit_change WHERE shop_id = $1 AND seq > $2 ORDER BY seq LIMIT $3`, p.Shop, after, limit)
	})
	return cs, err
}
