package calls

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// ComesBackWithin is how long after a repair the same complaint about the same
// unit counts as a come-back.
const ComesBackWithin = 90 * 24 * time.Hour

// NewCall is a call to open. Triage holds answer ids by question id.
type NewCall struct {
	UnitID      domain.ID
	Complaint   string
	Description string
	Triage      map[string]string
}

// Detail is a call with its triage answers, the kind of its unit, whose
// catalogue has the words for both, and the safety notices of the unit not yet
// handled, the gravest first.
type Detail struct {
	Call
	Kind    string
	Answers []Answer
	Notices []customers.NoticeFlag
}

// OpenCall opens a call about a unit in use. When the same complaint was
// repaired and closed as returned to service at most ComesBackWithin ago, the
// new call names the latest such call: a come-back.
func (s *Service) OpenCall(ctx context.Context, p domain.Principal, key once.Key, n NewCall) (Detail, bool, error) {
	var ps domain.Problems
	ps.Text("/description", n.Description, 0, 2000, true)
	if err := ps.Err(); err != nil {
		return Detail{}, false, err
	}
	now := s.Now()
	var o opening
	load := func(b *pgx.Batch) { o.queue(b, p.Shop, n, now) }
	return once.Do(ctx, s.DB, p, now, key, load, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (Detail, error) {
		return s.open(ctx, tx, out, n, o, now)
	})
}

// opening is what a new call must know.
type opening struct {
	kind    string
	earlier domain.ID
	notices []customers.NoticeFlag
}

func (o *opening) queue(b *pgx.Batch, shop domain.ID, n NewCall, now time.Time) {
	customers.QueueUnitInUse(b, shop, n.UnitID, &o.kind)
	queueEarlier(b, shop, n, now, &o.earlier)
	customers.QueueUnitNotices(b, shop, customers.UnitByID, n.UnitID, &o.notices)
}

// open judges a new call and queues it.
func (s *Service) open(ctx context.Context, tx *pg.Tx, out *pgx.Batch, n NewCall, o opening, now time.Time) (Detail, error) {
	p := tx.P
	if o.kind == "" {
		return Detail{}, domain.Field("/unit_id", "unknown", "There is no such unit in use.")
	}
	if err := s.judgeTriage(ctx, tx, p.Edition, o.kind, n.Complaint, n.Triage); err != nil {
		return Detail{}, err
	}
	d := Detail{Kind: o.kind, Notices: o.notices, Call: Call{Edition: p.Edition, ID: domain.NewID(now), UnitID: n.UnitID, Complaint: n.Complaint, Description: n.Description,
		Status: Open, ComesBackFrom: o.earlier, OpenedBy: p.Person, OpenedAt: now, StatusSince: now, Version: 1}}
	d.Answers = merged(nil, n.Triage, p.Person, now)
	insertCall(out, p.Shop, d.Call)
	insertAnswers(out, p.Shop, d.ID, d.Answers)
	audit.Queue(out, p, now, audit.Entry{Action: "created", Entity: "call", ID: d.ID})
	return d, nil
}

// booked is a new call with its first visit, as an idempotency key keeps it.
type booked struct {
	Call  Detail
	Visit Visit
}

// OpenWithVisit opens a call and books its first visit, both or neither.
func (s *Service) OpenWithVisit(ctx context.Context, p domain.Principal, key once.Key, n NewCall, v NewVisit, g Guard) (Detail, Visit, bool, error) {
	var ps domain.Problems
	ps.Text("/description", n.Description, 0, 2000, true)
	if err := ps.Err(); err != nil {
		return Detail{}, Visit{}, false, err
	}
	if err := v.check(); err != nil {
		return Detail{}, Visit{}, false, err
	}
	now := s.Now()
	var o opening
	var bookable bool
	load := func(b *pgx.Batch) {
		QueueLockTechs(b, p.Shop, domain.ID{}, v.TechID)
		o.queue(b, p.Shop, n, now)
		people.QueueVisits(b, p.Shop, v.TechID, &bookable)
		g.load(b)
	}
	made, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (booked, error) {
		d, err := s.open(ctx, tx, out, n, o, now)
		if err != nil {
			return booked{}, err
		}
		if !bookable {
			return booked{}, notBookable()
		}
		visit := v.visit()
		visit.CallID, visit.Notices = d.ID, o.notices
		visit, err = book(ctx, tx, out, visit, g, now)
		return booked{d, visit}, err
	})
	return made.Call, made.Visit, replayed, taken(err)
}

// queueEarlier finds the call a new one comes back from.
func queueEarlier(b *pgx.Batch, shop domain.ID, n NewCall, now time.Time, dst *domain.ID) {
	b.Queue(`SELECT id FROM call WHERE shop_id = $1 AND unit_id = $2 AND complaint = $3 AND outcome = 'returned_to_service' AND closed_at >= $4
		ORDER BY closed_at DESC, id DESC LIMIT 1`, shop, n.UnitID, n.Complaint, now.Add(-ComesBackWithin)).Query(func(rows pgx.Rows) error {
		*dst = domain.ID{}
		_, err := pgx.ForEachRow(rows, []any{dst}, func() error { return nil })
		return err
	})
}

func insertCall(b *pgx.Batch, shop domain.ID, c Call) {
	b.Queue(`INSERT INTO call (shop_id, id, unit_id, complaint, description, status, comes_back_from, opened_by, opened_at, edition, status_since)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $9)`,
		shop, c.ID, c.UnitID, c.Complaint, c.Description, c.Status, c.ComesBackFrom, c.OpenedBy, c.OpenedAt, c.Edition)
}

func insertAnswers(b *pgx.Batch, shop, call domain.ID, answers []Answer) {
	for _, a := range answers {
		b.Queue(`INSERT INTO call_answer (shop_id, call_id, question, answer, asked_by, asked_at) VALUES ($1, $2, $3, $4, $5, $6)`,
			shop, call, a.Question, a.Answer, a.AskedBy, a.AskedAt)
	}
}

// judgeTriage holds a complaint and its answers against an edition of the
// shop's catalogue.
func (s *Service) judgeTriage(ctx context.Context, tx *pg.Tx, edition int64, kind, complaint string, answers map[string]string) error {
	c, err := s.Catalogues.In(ctx, tx, edition)
	if err != nil {
		return err
	}
	k, ok := c.Kind(kind)
	if !ok {
		return fmt.Errorf("calls: the catalogue has lost the kind %q", kind)
	}
	var ps domain.Problems
	checkTriage(&ps, k, complaint, answers)
	return ps.Err()
}
