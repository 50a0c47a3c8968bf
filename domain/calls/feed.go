package calls

import (
	"context"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
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
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { QueueChanges(b, p.Shop, after, limit, &cs) })
	return cs, err
}

// Following says which changes to wait for.
type Following struct {
	After int64 // numbered above this
	Limit int
	Wait  time.Duration   // for the first of them; zero: look once
	Stop  <-chan struct{} // closed when the server stops, which ends the waiting; nil: never
}

// How requests wait for changes: each looks again after a pause, and only so
// many wait at once in one process, of one shop and of all.
const (
	feedPause       = time.Second
	maxWaiting      = 256
	maxWaitingOfOne = 32
)

// waiters counts who waits, so that neither all shops together nor one alone
// ask the database without end.
type waiters struct {
	mu  sync.Mutex
	all int
	of  map[domain.ID]int
}

var waiting = waiters{of: map[domain.ID]int{}}

// enter takes a place for the shop, or says that there is none.
func (w *waiters) enter(shop domain.ID) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.all >= maxWaiting || w.of[shop] >= maxWaitingOfOne {
		return false
	}
	w.all++
	w.of[shop]++
	return true
}

func (w *waiters) leave(shop domain.ID) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.all--
	if w.of[shop]--; w.of[shop] == 0 {
		delete(w.of, shop)
	}
}

// AwaitChanges is Changes that waits for the first of them. It holds no
// connection while it waits, asks anew each time whether the person may still
// read, and ends with nothing when ctx does or the server stops. With too many
// waiting already it is Unavailable; what is there to read is given all the same.
func (s *Service) AwaitChanges(ctx context.Context, p domain.Principal, f Following) ([]FeedChange, error) {
	cs, err := s.Changes(ctx, p, f.After, f.Limit)
	if err != nil || len(cs) > 0 || f.Wait <= 0 {
		return cs, err
	}
	if !waiting.enter(p.Shop) {
		return nil, domain.Errorf(domain.Unavailable, "Too many wait for changes already. Ask without wait, or again in a few seconds.")
	}
	defer waiting.leave(p.Shop)
	end, look := time.NewTimer(f.Wait), time.NewTicker(feedPause)
	defer end.Stop()
	defer look.Stop()
	for last := false; !last; {
		select {
		case <-ctx.Done():
			return nil, nil
		case <-f.Stop:
			return nil, nil
		case <-end.C:
			last = true
		case <-look.C:
		}
		if cs, err = s.Changes(ctx, p, f.After, f.Limit); err != nil || len(cs) > 0 {
			return cs, err
		}
	}
	return nil, nil
}
