package calls

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/customers"
	"drumline/shared/pg"
)

// queueDetail reads a call as p may see it, with answers and kind.
func queueDetail(b *pgx.Batch, p domain.Principal, id domain.ID, dst *Detail) {
	QueueCall(b, p, id, &dst.Call)
	pg.All(b, &dst.Answers, `SELECT question, answer, asked_by, asked_at FROM call_answer WHERE shop_id = $1 AND call_id = $2 ORDER BY question`, p.Shop, id)
	customers.QueueKind(b, p.Shop, UnitOfCall, id, &dst.Kind)
	customers.QueueUnitNotices(b, p.Shop, UnitOfCall, id, &dst.Notices)
}

// ReadCall gives a call; to a tech one without a visit of theirs is absent.
func (s *Service) ReadCall(ctx context.Context, p domain.Principal, id domain.ID) (Detail, error) {
	var d Detail
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queueDetail(b, p, id, &d) })
	return d, err
}

// Filter chooses calls; zero values choose all.
type Filter struct {
	Status       Status
	UnitID       domain.ID
	OpenedAfter  *time.Time // at or after
	OpenedBefore *time.Time // before
	WithoutVisit bool       // no visit is booked or under way
}

// Key is where a page of calls begins: after this instant and id, going back.
// The zero Key begins at the latest.
type Key struct {
	OpenedAt time.Time `json:"t"`
	ID       domain.ID `json:"i"`
}

// ListCalls gives up to size calls, the latest first, after the key. A tech
// gets those with a visit of theirs.
func (s *Service) ListCalls(ctx context.Context, p domain.Principal, f Filter, after Key, size int) ([]Call, error) {
	var cs []Call
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &cs, `SELECT `+callColumns+` FROM call c WHERE shop_id = $1 AND `+callSeenBy("$2")+`
			AND ($3 = '' OR status = $3) AND ($4::uuid IS NULL OR unit_id = $4)
			AND ($5::timestamptz IS NULL OR opened_at >= $5) AND ($6::timestamptz IS NULL OR opened_at < $6)
			AND ($8::uuid IS NULL OR (opened_at, id) < ($7, $8))
			AND (NOT $10 OR status <> 'closed' AND NOT EXISTS (SELECT FROM visit v WHERE v.shop_id = $1 AND v.call_id = c.id AND v.status IN ('booked', 'on_the_way', 'on_site')))
			ORDER BY opened_at DESC, id DESC LIMIT $9`,
			p.Shop, only(p), string(f.Status), f.UnitID, f.OpenedAfter, f.OpenedBefore, after.OpenedAt, after.ID, size, f.WithoutVisit)
	})
	return cs, err
}

// Change says what of a call to change; nil keeps.
type Change struct {
	Description *string
	Status      *Status // open or waiting_for_parts; closing has its own way
}

func (c Change) check() error {
	var ps domain.Problems
	if c.Description != nil {
		ps.Text("/description", *c.Description, 0, 2000, true)
	}
	if c.Status != nil && *c.Status != Open && *c.Status != WaitingForParts {
		ps.Add("/status", "not_listed", "A call is set to open or waiting_for_parts. Close or cancel it by their own operations.")
	}
	return ps.Err()
}

// ChangeCall changes an open call if its version is still version. A tech may
// set the status of a call with a visit of theirs, and nothing else.
func (s *Service) ChangeCall(ctx context.Context, p domain.Principal, id domain.ID, version int64, c Change) (Detail, error) {
	if err := c.check(); err != nil {
		return Detail{}, err
	}
	if p.Role == domain.Tech && c.Description != nil {
		return Detail{}, domain.Errorf(domain.Forbidden, "A tech may set the status of a call, not its description.")
	}
	return s.edit(ctx, p, id, version, func(_ context.Context, _ *pg.Tx, b *pgx.Batch, d *Detail, now time.Time) ([]string, error) {
		before := d.Call
		if c.Description != nil {
			d.Description = *c.Description
		}
		if c.Status != nil {
			d.Status = *c.Status
		}
		if d.Status != before.Status {
			d.StatusSince = now
		}
		if d.Status == WaitingForParts {
			d.PartsArrivedAt = nil
		}
		b.Queue(`UPDATE call SET description = $3, status = $4, version = $5, status_since = $6, parts_arrived_at = $7 WHERE shop_id = $1 AND id = $2`,
			p.Shop, id, d.Description, d.Status, d.Version, d.StatusSince, d.PartsArrivedAt)
		return audit.Diff(before, d.Call), nil
	})
}

// PartsArrived says that the parts a call waited for have come, if its version
// is still version: it is open again, for the return visit.
func (s *Service) PartsArrived(ctx context.Context, p domain.Principal, id domain.ID, version int64) (Detail, error) {
	return s.edit(ctx, p, id, version, func(_ context.Context, _ *pg.Tx, b *pgx.Batch, d *Detail, now time.Time) ([]string, error) {
		if d.Status != WaitingForParts {
			return nil, domain.Errorf(domain.Conflict, "This call is not waiting for parts.")
		}
		d.Status, d.StatusSince, d.PartsArrivedAt = Open, now, &now
		b.Queue(`UPDATE call SET status = 'open', status_since = $4, parts_arrived_at = $4, version = $3 WHERE shop_id = $1 AND id = $2`, p.Shop, id, d.Version, now)
		return []string{"status", "parts_arrived_at"}, nil
	})
}

// Triage replaces the triage answers of an open call if its version is still
// version. An answer that stays keeps who asked and when.
func (s *Service) Triage(ctx context.Context, p domain.Principal, id domain.ID, version int64, answers map[string]string) (Detail, error) {
	return s.edit(ctx, p, id, version, func(ctx context.Context, tx *pg.Tx, b *pgx.Batch, d *Detail, now time.Time) ([]string, error) {
		if err := s.judgeTriage(ctx, tx, d.Edition, d.Kind, d.Complaint, answers); err != nil {
			return nil, err
		}
		d.Answers = merged(d.Answers, answers, p.Person, now)
		b.Queue(`DELETE FROM call_answer WHERE shop_id = $1 AND call_id = $2`, p.Shop, id)
		insertAnswers(b, p.Shop, id, d.Answers)
		b.Queue(`UPDATE call SET version = $3 WHERE shop_id = $1 AND id = $2`, p.Shop, id, d.Version)
		return []string{"triage"}, nil
	})
}

// merged is the answers after the given ones replace the old, by question.
func merged(old []Answer, given map[string]string, by domain.ID, now time.Time) []Answer {
	answers := []Answer{}
	for _, q := range slices.Sorted(maps.Keys(given)) {
		a := Answer{Question: q, Answer: given[q], AskedBy: by, AskedAt: now}
		for _, o := range old {
			if o.Question == q && o.Answer == a.Answer {
				a = o
			}
		}
		answers = append(answers, a)
	}
	return answers
}

// CancelCall closes a call nobody has come for yet, with its booked visits, if
// its version is still version. Once a tech is on the way or has been there,
// the call ends with what came of it instead.
func (s *Service) CancelCall(ctx context.Context, p domain.Principal, id domain.ID, version int64, note string) (Detail, error) {
	var ps domain.Problems
	ps.Text("/note", note, 0, 2000, true)
	if err := ps.Err(); err != nil {
		return Detail{}, err
	}
	var d Detail
	var begun bool
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			queueLocked(b, p, id, &d)
			b.Queue(`SELECT EXISTS (SELECT FROM visit WHERE shop_id = $1 AND call_id = $2 AND status IN ('on_the_way', 'on_site', 'done'))`, p.Shop, id).
				QueryRow(func(row pgx.Row) error { return row.Scan(&begun) })
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if err := editable(d.Call, version); err != nil {
				return err
			}
			if begun {
				return domain.Errorf(domain.Conflict, "A visit of this call is under way or has been made. Close the call with its outcome instead.")
			}
			now := s.Now()
			d.Status, d.Outcome, d.OutcomeNote, d.ClosedBy, d.ClosedAt, d.StatusSince = Closed, Cancelled, note, p.Person, &now, now
			d.Version++
			b := &pgx.Batch{}
			Close(b, tx.P, now, id, Cancelled, note)
			return tx.Send(ctx, b)
		})
	return d, err
}

// queueLocked locks the call and reads it anew, as p may see it.
func queueLocked(b *pgx.Batch, p domain.Principal, id domain.ID, dst *Detail) {
	QueueLock(b, p.Shop, CallByID, id, &dst.Call)
	queueDetail(b, p, id, dst)
}

func editable(c Call, version int64) error {
	switch {
	case !domain.SameVersion(version, c.Version):
		return pg.Stale()
	case c.Status == Closed:
		return closed()
	}
	return nil
}

// edit locks an open call, raises its version, lets change alter d and queue
// what it takes, and writes the trail with the fields that change names. No
// fields: nothing is written.
func (s *Service) edit(ctx context.Context, p domain.Principal, id domain.ID, version int64,
	change func(ctx context.Context, tx *pg.Tx, b *pgx.Batch, d *Detail, now time.Time) ([]string, error)) (Detail, error) {
	var d Detail
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) { queueLocked(b, p, id, &d) },
		func(ctx context.Context, tx *pg.Tx) error {
			if err := editable(d.Call, version); err != nil {
				return err
			}
			now, b := s.Now(), &pgx.Batch{}
			d.Version++
			fields, err := change(ctx, tx, b, &d, now)
			if err != nil || len(fields) == 0 {
				d.Version--
				return err
			}
			audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "call", ID: id, Fields: fields})
			return tx.Send(ctx, b)
		})
	return d, err
}
