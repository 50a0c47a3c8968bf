// Package supplements holds what a shop adds to the built-in catalogue: its
// own checks, limits, complaints and models. Each change makes a new edition
// of the shop's content. An edition never changes, and a call keeps the one it
// is judged by: retiring or rewriting a supplement breaks no old call.
package supplements

import (
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/shared/pg"
)

// Bounds of a shop's content.
const (
	MaxSupplements = 100
	MaxItems       = 60 // checks, complaints and the like of one supplement, each list
)

// Service is the use cases of this slice. All fields are required.
type Service struct {
	DB         *pg.DB
	Catalogues *Book
	Now        func() time.Time
}

// Supplement is one addition of the shop to one kind, at one of its versions.
type Supplement struct {
	ID        domain.ID
	Version   int64
	Edition   int64 // of the shop's content, the first with this version
	Body      catalogue.Supplement
	ChangedBy domain.ID
	ChangedAt time.Time
	CreatedAt time.Time
	RetiredAt *time.Time
	// Flaws is why the service leaves it out at present: something built in
	// that it refers to has gone. Normally empty; set by Read and List.
	Flaws []catalogue.Flaw
}

// versionRow is one version of a supplement with its head.
type versionRow struct {
	ID        domain.ID            `db:"id"`
	Version   int64                `db:"version"`
	Edition   int64                `db:"edition"`
	Retired   bool                 `db:"retired"`
	Body      catalogue.Supplement `db:"body"`
	ChangedBy domain.ID            `db:"changed_by"`
	ChangedAt time.Time            `db:"changed_at"`
	CreatedAt time.Time            `db:"created_at"`
	RetiredAt *time.Time           `db:"retired_at"`
}

func (r versionRow) supplement() Supplement {
	return Supplement{ID: r.ID, Version: r.Version, Edition: r.Edition, Body: r.Body, ChangedBy: r.ChangedBy, ChangedAt: r.ChangedAt,
		CreatedAt: r.CreatedAt, RetiredAt: r.RetiredAt}
}

const versionColumns = `s.id, v.version, v.edition, v.retired, v.body, v.changed_by, v.changed_at, s.created_at, s.retired_at`

// queueEdition reads what an edition of the shop's content holds, in the order
// in which it is applied.
func queueEdition(b *pgx.Batch, shop domain.ID, edition int64, dst *[]versionRow) {
	pg.All(b, dst, `SELECT `+versionColumns+` FROM supplement s
		JOIN supplement_version v ON v.shop_id = s.shop_id AND v.supplement_id = s.id
		WHERE s.shop_id = $1 AND v.edition <= $2 AND NOT v.retired AND NOT EXISTS (
			SELECT FROM supplement_version l WHERE l.shop_id = $1 AND l.supplement_id = s.id AND l.version > v.version AND l.edition <= $2)
		ORDER BY s.id`, shop, edition)
}

func bodies(rows []versionRow) []catalogue.Supplement {
	out := make([]catalogue.Supplement, 0, len(rows))
	for _, r := range rows {
		out = append(out, r.Body)
	}
	return out
}

// queueVersion reads one version of a supplement, the newest for version 0.
func queueVersion(b *pgx.Batch, shop, id domain.ID, version int64, dst *versionRow) {
	pg.One(b, dst, `SELECT `+versionColumns+` FROM supplement s
		JOIN supplement_version v ON v.shop_id = s.shop_id AND v.supplement_id = s.id
		WHERE s.shop_id = $1 AND s.id = $2 AND v.version = CASE WHEN $3::bigint = 0 THEN s.version ELSE $3 END`, shop, id, version)
}
