package calls

import (
	"context"
	"sync/atomic"
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

// How a request waits for changes: it looks again after each pause, and only so
// many wait at once in one process. The others are answered at once.
const (
	feedPause  = 500 * time.Millisecond
	maxWaiting = 256
)

var waiting atomic.Int64

// AwaitChanges is Changes that waits up to so long for the first of them. It
// holds no connection while it waits, and ends when ctx does.
func (s *Service) AwaitChanges(ctx context.Context, p domain.Principal, after int64, limit int, wait time.Duration) ([]FeedChange, error) {
	if waiting.Add(1) > maxWaiting {
		wait = 0
	}
	defer waiting.Add(-1)
	for {
		cs, err := s.Changes(ctx, p, after, limit)
		if err != nil || len(cs) > 0 || wait <= 0 {
			return cs, err
		}
		pause := min(feedPause, wait)
		wait -= pause
		select {
		case <-ctx.Done():
			return cs, nil
		case <-time.After(pause):
		}
	}
}
