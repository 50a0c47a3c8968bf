// Package seed fills an empty database with two invented repair shops and two
// years of their work, through the same use cases as the service itself, under
// a clock it moves. The same seed gives the same shops, people, calls, faults
// and figures; ids differ from run to run.
//
// Names, models and figures are invented. Nothing here is a statement about
// any real product.
package seed

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// DefaultSeed is the seed of a demo that is not told another.
const DefaultSeed = 20_310

// Password is the password of everybody in the invented shops. It is public:
// such a shop must never be reachable by strangers.
const Password = "lint-screen-first"

// History is how long the invented shops have been at work.
const History = 2 * 365 * 24 * time.Hour

// Options of Run. All fields are required but Progress.
type Options struct {
	Seed      uint64
	Scale     float64 // share of the usual amount of data, above 0 and at most 1
	Now       time.Time
	DB        *pg.DB // opened with people.Access
	Keys      *people.Keyring
	Catalogue *catalogue.Catalogue
	Progress  func(done, total int) // called by one goroutine at a time; nil for nobody
}

// filling is added to a shop's name until the work is complete.
const filling = " (being filled)"

// Run makes both shops. A run that was broken off leaves a database that
// Complete says no about; it must be thrown away then.
func Run(ctx context.Context, o Options) error {
	if !(o.Scale > 0 && o.Scale <= 1) {
		return fmt.Errorf("the share of the demo's data is above 0 and at most 1, not %g", o.Scale)
	}
	plans := []*plan{}
	total := 0
	for i, s := range []shop{mainShop, smallShop} {
		p, err := newPlan(s, o, uint64(i+1))
		if err != nil {
			return err
		}
		plans, total = append(plans, p), total+p.steps()
	}
	c := &counter{total: total, report: o.Progress}
	for _, p := range plans {
		if err := p.play(ctx, o, c); err != nil {
			return fmt.Errorf("filling the shop %s: %w", p.shop.code, err)
		}
	}
	return nil
}

// Complete says whether the database holds anything of an earlier Run, and
// whether that run came to its end.
func Complete(ctx context.Context, db *pg.DB) (there, complete bool, err error) {
	rows, err := db.Pool.Query(ctx, `SELECT id FROM shop_directory WHERE code IN ($1, $2)`, mainShop.code, smallShop.code)
	if err != nil {
		return false, false, err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
	if err != nil || len(ids) < 2 {
		return len(ids) > 0, false, err
	}
	svc := &people.Service{DB: db}
	for _, id := range ids {
		s, err := svc.ReadShop(ctx, domain.System(id, "demo"))
		if err != nil {
			return true, false, err
		}
		if s.Name != mainShop.name && s.Name != smallShop.name {
			return true, false, nil
		}
	}
	return true, true, nil
}

// URL adds to a sign-in what makes the filling of an empty database fast: a
// commit need not wait for the disk, since a run that breaks off is thrown away.
// Use it for Run alone, and have the tables analysed afterwards.
func URL(database string) (string, error) {
	u, err := url.Parse(database)
	if err != nil {
		return "", errors.New("the database URL cannot be read")
	}
	q := u.Query()
	q.Set("synchronous_commit", "off")
	u.RawQuery = q.Encode()
	return u.String(), nil
}

// counter counts steps done, over both shops.
type counter struct {
	mu          sync.Mutex
	done, total int
	report      func(done, total int)
}

func (c *counter) step() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.done++
	if c.report != nil {
		c.report(c.done, c.total)
	}
}

// random is the n-th stream of a seed. Each call of a shop has its own, so that
// the order in which calls are played changes nothing.
func random(seed, n uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, n)) }
