package repair

import (
	"context"
	"slices"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// ListReadings gives the readings of a call with their current verdicts, by
// time of observation, voided ones among them, without series.
func (s *Service) ListReadings(ctx context.Context, p domain.Principal, call domain.ID) ([]*Reading, error) {
	var c calls.Call
	var q readingRows
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		q = readingRows{}
		calls.QueueCall(b, p, call, &c)
		readingsOfCall(b, p.Shop, calls.CallByID, call, &q)
	})
	if err != nil {
		return nil, err
	}
	return q.joined(), nil
}

// one is what is read about a single reading.
type one struct {
	call   calls.Call
	row    Reading
	rows   readingRows
	series []seriesRow
	uses   []struct{ N int }
}

func (o *one) queue(b *pgx.Batch, shop, id domain.ID) {
	pg.One(b, &o.row, `SELECT `+readingColumns+` FROM reading WHERE shop_id = $1 AND id = $2`, shop, id)
	pg.All(b, &o.rows.values, `SELECT `+valueColumns+` FROM reading_value WHERE shop_id = $1 AND reading_id = $2 ORDER BY input, n`, shop, id)
	pg.All(b, &o.rows.verdicts, `SELECT `+verdictColumns+` FROM verdict WHERE shop_id = $1 AND reading_id = $2 AND superseded_by IS NULL ORDER BY n`, shop, id)
	pg.All(b, &o.uses, `SELECT 1 AS n FROM conclusion_reading r JOIN conclusion c ON c.shop_id = r.shop_id AND c.id = r.conclusion_id
		WHERE r.shop_id = $1 AND r.reading_id = $2 AND c.voided_at IS NULL`, shop, id)
	queueSeries(b, shop, []domain.ID{id}, &o.series)
}

// reading joins what was read.
func (o *one) reading() *Reading {
	o.rows.readings = []Reading{o.row}
	rs := o.rows.joined()
	if o.row.Points > 0 {
		takeSeries(rs, o.series)
	}
	return rs[0]
}

// ReadReading gives one reading with its current verdicts and its series.
func (s *Service) ReadReading(ctx context.Context, p domain.Principal, id domain.ID) (*Reading, error) {
	var o one
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { o = one{}; o.queue(b, p.Shop, id) }); err != nil {
		return nil, err
	}
	// Whose call it is is asked apart: the question takes the call's id.
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { calls.QueueCall(b, p, o.row.CallID, &o.call) }); err != nil {
		return nil, err
	}
	return o.reading(), nil
}

// VerdictHistory gives a reading and every verdict ever derived from it,
// oldest first, superseded ones among them.
func (s *Service) VerdictHistory(ctx context.Context, p domain.Principal, id domain.ID) (*Reading, []Verdict, error) {
	r, err := s.ReadReading(ctx, p, id)
	if err != nil {
		return nil, nil, err
	}
	var vs []Verdict
	err = s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &vs, `SELECT `+verdictColumns+` FROM verdict WHERE shop_id = $1 AND reading_id = $2 ORDER BY derived_at, n, id`, p.Shop, id)
	})
	return r, vs, err
}

// VoidReading takes a reading back: its verdicts no longer count. One that a
// conclusion rests on, or of a closed call, is a Conflict. Voiding it again
// changes nothing.
func (s *Service) VoidReading(ctx context.Context, p domain.Principal, id domain.ID, reason string) (*Reading, error) {
	if err := checkReason(reason); err != nil {
		return nil, err
	}
	now := s.Now()
	return s.changeReading(ctx, p, id, func(tx *pg.Tx, o *one, _ map[string]bool, b *pgx.Batch) error {
		if o.row.VoidedAt != nil {
			return nil
		}
		if err := mayVoid(o.call, len(o.uses), "reading"); err != nil {
			return err
		}
		b.Queue(`UPDATE reading SET voided_at = $3, voided_by = $4, void_reason = $5 WHERE shop_id = $1 AND id = $2`, p.Shop, id, now, p.Person, reason)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "voided", Entity: "reading", ID: id})
		o.row.VoidedAt, o.row.VoidedBy, o.row.VoidReason = &now, p.Person, reason
		return nil
	})
}

// Countersign lets a reading count that was set aside. It takes another person
// who holds every competence the check needs. The call may be closed by then:
// the reading then counts for what the shop learns. Countersigning it again
// changes nothing.
func (s *Service) Countersign(ctx context.Context, p domain.Principal, id domain.ID) (*Reading, error) {
	now := s.Now()
	return s.changeReading(ctx, p, id, func(tx *pg.Tx, o *one, competences map[string]bool, b *pgx.Batch) error {
		if !o.row.SetAside || o.row.CountersignAt != nil {
			return nil
		}
		c, err := s.Catalogues.In(ctx, tx, o.call.Edition)
		if err != nil {
			return err
		}
		if err := mayCountersign(c, p, o, competences); err != nil {
			return err
		}
		b.Queue(`UPDATE reading SET countersigned_by = $3, countersigned_at = $4 WHERE shop_id = $1 AND id = $2`, p.Shop, id, p.Person, now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "countersigned", Entity: "reading", ID: id})
		o.row.Countersigner, o.row.CountersignAt = p.Person, &now
		return nil
	})
}

func mayCountersign(c *catalogue.Catalogue, p domain.Principal, o *one, competences map[string]bool) error {
	switch {
	case o.row.VoidedAt != nil:
		return domain.Errorf(domain.Conflict, "This reading was voided.")
	case o.row.PersonID == p.Person:
		return domain.Errorf(domain.Forbidden, "Nobody countersigns their own reading: ask another competent person.")
	}
	for _, name := range neededFor(c, o.row.Check) {
		if !competences[name] {
			return domain.Errorf(domain.Forbidden, "Countersigning this reading takes the %s competence, and yours is not on record or has expired.", name)
		}
	}
	return nil
}

// neededFor lists the competences for a check, whatever the kind: ids of
// checks with a competence mean the same in every kind.
func neededFor(c *catalogue.Catalogue, check string) []string {
	var out []string
	for _, k := range c.Kinds {
		ch, ok := k.Check(check)
		if !ok {
			continue
		}
		for _, name := range competencesFor(ch) {
			if !slices.Contains(out, name) {
				out = append(out, name)
			}
		}
	}
	return out
}

// changeReading locks the call of a reading and lets change queue what alters
// it.
func (s *Service) changeReading(ctx context.Context, p domain.Principal, id domain.ID,
	change func(tx *pg.Tx, o *one, competences map[string]bool, b *pgx.Batch) error) (*Reading, error) {
	var o one
	var competences map[string]bool
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			o = one{}
			calls.QueueLock(b, p.Shop, callOfReading, id, &o.call)
			o.queue(b, p.Shop, id)
			people.Competences(b, p.Shop, p.Person, s.Now(), &competences)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if err := seesCall(ctx, tx, o.row.CallID); err != nil {
				return err
			}
			b := &pgx.Batch{}
			if err := change(tx, &o, competences, b); err != nil {
				return err
			}
			return tx.Send(ctx, b)
		})
	if err != nil {
		return nil, err
	}
	return o.reading(), nil
}

// WaitingReadings gives the shop's readings that wait for a competent
// countersignature, oldest first, at most 200.
func (s *Service) WaitingReadings(ctx context.Context, p domain.Principal) ([]*Reading, error) {
	var q readingRows
	const waiting = `FROM reading WHERE shop_id = $1 AND set_aside AND countersigned_at IS NULL AND voided_at IS NULL ORDER BY observed_at, id LIMIT 200`
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		q = readingRows{}
		pg.All(b, &q.readings, `SELECT `+readingColumns+` `+waiting, p.Shop)
		pg.All(b, &q.values, `SELECT `+valueColumns+` FROM reading_value WHERE shop_id = $1 AND reading_id = ANY (ARRAY(SELECT id `+waiting+`)) ORDER BY reading_id, input, n`, p.Shop)
		pg.All(b, &q.verdicts, `SELECT `+verdictColumns+` FROM verdict WHERE shop_id = $1 AND superseded_by IS NULL
			AND reading_id = ANY (ARRAY(SELECT id `+waiting+`)) ORDER BY reading_id, n`, p.Shop)
	})
	if err != nil {
		return nil, err
	}
	return q.joined(), nil
}
