// Package customers holds who asks for a repair and what is repaired:
// customers, sites, units with their exhaust runs, data sheets of models, and
// the shop's instruments.
package customers

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/once"
	"drumline/domain/supplements"
	"drumline/shared/pg"
)

// Service is the use cases of this slice. All fields are required.
type Service struct {
	DB         *pg.DB
	Catalogues *supplements.Book
	Now        func() time.Time
	// UnitInUse is a subquery of the slice above that gives a row while a unit
	// ($2 of shop $1) is being worked on and cannot be retired.
	UnitInUse string
	// UnitsOfTech is a subquery of the slice above that gives the units a tech
	// ($2 of shop $1) has been sent to: a tech sees those, what stands beside
	// them, where they stand and whose they are.
	UnitsOfTech string
	// UnitChanged and SiteChanged are statements of the slice above that follow a
	// change of a unit or a site ($2 of shop $1) in its transaction.
	UnitChanged, SiteChanged string
}

// sitesOfTech gives the sites a tech has been sent to.
func (s *Service) sitesOfTech() string {
	return `SELECT u.site_id FROM unit u WHERE u.shop_id = $1 AND u.id = ANY (ARRAY(` + s.UnitsOfTech + `))`
}

// only is who asks when what they see is limited, zero when it is not.
func only(p domain.Principal) domain.ID {
	if p.Role == domain.Tech {
		return p.Person
	}
	return domain.ID{}
}

// everything is what a tech sees of records that are the whole shop's.
func everything(*Service) string { return "true" }

// Head is what every record of this slice carries. Records are retired, never
// deleted: a repair of long ago still names them.
type Head struct {
	ID        domain.ID  `db:"id"`
	Version   int64      `db:"version"`
	CreatedAt time.Time  `db:"created_at"`
	UpdatedAt time.Time  `db:"updated_at"`
	RetiredAt *time.Time `db:"retired_at"`
}

const headColumns = `id, version, created_at, updated_at, retired_at`

// kind is what the shared use cases need to know of one kind of record.
type kind[T any] struct {
	entity string                                             // table name
	column string                                             // its own columns, after headColumns
	head   func(*T) *Head                                     //
	fill   func(*catalogue.Catalogue, *T)                     // what the catalogue knows of a new record, nil for nothing
	check  func(c *catalogue.Catalogue, before *T, v T) error // the rules of one record; before is nil for a new one
	insert func(b *pgx.Batch, shop domain.ID, v T)            // all columns
	update func(b *pgx.Batch, shop domain.ID, v T)            // all columns but id and created_at
	inUse  func(*Service) string                              // SQL subquery: what keeps it from being retired, $1 shop, $2 id
	seen   func(*Service) string                              // SQL condition: what a tech ($2 of shop $1) sees
	busy   string                                             // what to tell then
	extra  func(b *pgx.Batch, shop, id domain.ID, dst *T)     // rows of other tables
	taken  map[string]string                                  // constraint → message
	after  func(*Service) string                              // statement that follows a change, $1 shop, $2 id; nil for none
}

// changed queues what follows a change of a record.
func (k kind[T]) changed(b *pgx.Batch, s *Service, shop, id domain.ID) {
	if k.after != nil {
		b.Queue(k.after(s), shop, id)
	}
}

// queue reads a record; one that p does not see is absent.
func (k kind[T]) queue(b *pgx.Batch, s *Service, p domain.Principal, id domain.ID, dst *T, lock string) {
	pg.One(b, dst, `SELECT `+headColumns+`, `+k.column+` FROM `+k.entity+`
		WHERE shop_id = $1 AND id = $3 AND ($2::uuid IS NULL OR `+k.seen(s)+`) `+lock, p.Shop, only(p), id)
	if k.extra != nil {
		k.extra(b, p.Shop, id, dst)
	}
}

// create stores v as a new record unless the key was used before.
func create[T any](ctx context.Context, s *Service, p domain.Principal, key once.Key, k kind[T], v T) (T, bool, error) {
	now := s.Now()
	*k.head(&v) = Head{ID: domain.NewID(now), Version: 1, CreatedAt: now, UpdatedAt: now}
	got, replayed, err := once.Do(ctx, s.DB, p, now, key, nil, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (T, error) {
		v := v
		c, err := s.Catalogues.In(ctx, tx, tx.P.Edition)
		if err != nil {
			return v, err
		}
		if k.fill != nil {
			k.fill(c, &v)
		}
		if err := k.check(c, nil, v); err != nil {
			return v, err
		}
		k.insert(out, p.Shop, v)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: k.entity, ID: k.head(&v).ID})
		k.changed(out, s, p.Shop, k.head(&v).ID)
		return v, nil
	})
	return got, replayed, k.explain(err)
}

// read gives one record, retired or not.
func read[T any](ctx context.Context, s *Service, p domain.Principal, k kind[T], id domain.ID) (T, error) {
	var v T
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { k.queue(b, s, p, id, &v, "") })
	return v, err
}

// change applies edit to the record if its version is still version, checks
// the whole result and stores it.
func change[T any](ctx context.Context, s *Service, p domain.Principal, k kind[T], id domain.ID, version int64, edit func(*T)) (T, error) {
	var v T
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) { k.queue(b, s, p, id, &v, "FOR UPDATE") },
		func(ctx context.Context, tx *pg.Tx) error {
			head := k.head(&v)
			if head.RetiredAt != nil {
				return domain.Errorf(domain.Conflict, "This has been retired and cannot be changed.")
			}
			if !domain.SameVersion(version, head.Version) {
				return pg.Stale()
			}
			before, kept := v, *head
			edit(&v)
			*head = kept
			head.Version++
			head.UpdatedAt = s.Now()
			c, err := s.Catalogues.In(ctx, tx, tx.P.Edition)
			if err != nil {
				return err
			}
			if err := k.check(c, &before, v); err != nil {
				return err
			}
			b := &pgx.Batch{}
			k.update(b, p.Shop, v)
			audit.Queue(b, tx.P, s.Now(), audit.Entry{Action: "changed", Entity: k.entity, ID: id, Fields: audit.Diff(before, v)})
			k.changed(b, s, p.Shop, id)
			return tx.Send(ctx, b)
		})
	return v, k.explain(err)
}

// retire takes a record out of use if its version is still version; retiring
// twice changes nothing.
func retire[T any](ctx context.Context, s *Service, p domain.Principal, k kind[T], id domain.ID, version int64) error {
	var v T
	var used bool
	return s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			k.queue(b, s, p, id, &v, "FOR UPDATE")
			b.Queue(`SELECT EXISTS (`+k.inUse(s)+`)`, p.Shop, id).QueryRow(func(row pgx.Row) error { return row.Scan(&used) })
		},
		func(ctx context.Context, tx *pg.Tx) error {
			head := k.head(&v)
			switch {
			case !domain.SameVersion(version, head.Version):
				return pg.Stale()
			case head.RetiredAt != nil:
				return nil
			case used:
				return domain.Errorf(domain.Conflict, "%s", k.busy)
			}
			b := &pgx.Batch{}
			b.Queue(`UPDATE `+k.entity+` SET retired_at = $3, updated_at = $3, version = version + 1 WHERE shop_id = $1 AND id = $2`, p.Shop, id, s.Now())
			audit.Queue(b, tx.P, s.Now(), audit.Entry{Action: "retired", Entity: k.entity, ID: id})
			k.changed(b, s, p.Shop, id)
			return tx.Send(ctx, b)
		})
}

// explain puts the slice's own words to the violation of a known constraint.
func (k kind[T]) explain(err error) error {
	for constraint, message := range k.taken {
		if pg.Violates(err, constraint) {
			var e *domain.Error
			if errors.As(err, &e) {
				return domain.Wrap(e.Kind, err, "%s", message)
			}
		}
	}
	return err
}
