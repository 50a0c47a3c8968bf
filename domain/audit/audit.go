// Package audit writes the append-only trail of who changed which record. It
// keeps field names, never values, so that a person's data can be erased
// without contradicting the trail.
package audit

import (
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
)

// Entry is one change of one record.
type Entry struct {
	Action string // created, changed, retired, signed_in…
	Entity string // table or word of the domain
	ID     domain.ID
	Fields []string // names of the fields that changed
}

// Queue adds the entry to b, so that it is written in the caller's
// transaction or not at all.
func Queue(b *pgx.Batch, p domain.Principal, now time.Time, e Entry) {
	actor := string(p.Role)
	if r := p.SystemReason(); r != "" {
		actor = r
	}
	fields := e.Fields
	if fields == nil {
		fields = []string{}
	}
	b.Queue(`INSERT INTO audit (shop_id, id, at, person_id, actor, action, entity, entity_id, fields, request_id)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		p.Shop, domain.NewID(now), now, p.Person, actor, e.Action, e.Entity, e.ID, fields, p.Request)
}
