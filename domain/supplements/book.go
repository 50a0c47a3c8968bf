package supplements

import (
	"context"
	"fmt"
	"sync"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// maxPages bounds how many catalogues a Book keeps in memory. A page shares
// all it can with the built-in catalogue: it costs about what the shop added.
const maxPages = 256

// Book gives each shop its catalogue: the built-in one with the supplements of
// an edition. What an edition holds never changes, so a page once made is good
// for the life of the process. Safe for concurrent use.
type Book struct {
	base  *catalogue.Catalogue
	mu    sync.Mutex
	pages map[page]*catalogue.Catalogue
}

type page struct {
	shop    domain.ID
	edition int64
}

// NewBook makes a book on the built-in catalogue.
func NewBook(base *catalogue.Catalogue) *Book {
	return &Book{base: base, pages: map[page]*catalogue.Catalogue{}}
}

// BuiltIn gives the catalogue without any shop's content.
func (b *Book) BuiltIn() *catalogue.Catalogue { return b.base }

// In gives the catalogue of an edition of the transaction's shop.
func (b *Book) In(ctx context.Context, tx *pg.Tx, edition int64) (*catalogue.Catalogue, error) {
	return b.page(page{tx.P.Shop, edition}, func(load func(*pgx.Batch)) error {
		q := &pgx.Batch{}
		load(q)
		return tx.Send(ctx, q)
	})
}

// Of gives the catalogue of an edition of the principal's shop, outside any
// transaction.
func (b *Book) Of(ctx context.Context, db *pg.DB, p domain.Principal, edition int64) (*catalogue.Catalogue, error) {
	return b.page(page{p.Shop, edition}, func(load func(*pgx.Batch)) error { return db.Read(ctx, p, load) })
}

// Current gives the catalogue of the principal's shop as it is now.
func (b *Book) Current(ctx context.Context, db *pg.DB, p domain.Principal) (*catalogue.Catalogue, error) {
	var edition int64
	if err := db.Read(ctx, p, func(q *pgx.Batch) { people.QueueEdition(q, p.Shop, &edition) }); err != nil {
		return nil, err
	}
	return b.Of(ctx, db, p, edition)
}

func (b *Book) page(at page, send func(load func(*pgx.Batch)) error) (*catalogue.Catalogue, error) {
	if at.edition == 0 {
		return b.base, nil
	}
	b.mu.Lock()
	c := b.pages[at]
	b.mu.Unlock()
	if c != nil {
		return c, nil
	}
	var rows []versionRow
	if err := send(func(q *pgx.Batch) { queueEdition(q, at.shop, at.edition, &rows) }); err != nil {
		return nil, fmt.Errorf("supplements: edition %d of shop %s: %w", at.edition, at.shop, err)
	}
	c, _ = b.base.Extend(bodies(rows))
	b.keep(at, c)
	return c, nil
}

func (b *Book) keep(at page, c *catalogue.Catalogue) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for other := range b.pages {
		if len(b.pages) < maxPages {
			break
		}
		delete(b.pages, other)
	}
	b.pages[at] = c
}
