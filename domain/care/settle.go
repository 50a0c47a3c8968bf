package care

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/customers"
	"drumline/shared/pg"
)

// chunk is how many units are seen to in one transaction.
const chunk = 1000

// Settle derives the due dates of the units marked as stale anew, until none is
// left that no other transaction has in hand. What was planned for a date that
// is no longer so is superseded.
func (s *Service) Settle(ctx context.Context, p domain.Principal) error {
	for {
		n, err := s.settleSome(ctx, p)
		if err != nil || n < chunk {
			return err
		}
	}
}

func (s *Service) settleSome(ctx context.Context, p domain.Principal) (int, error) {
	now := s.Now()
	var units []string
	var pol Policy
	var rs Rules
	load := func(b *pgx.Batch) {
		b.Queue(`DELETE FROM care_stale WHERE shop_id = $1 AND unit_id = ANY (ARRAY(
			SELECT unit_id FROM care_stale WHERE shop_id = $1 LIMIT $2 FOR UPDATE SKIP LOCKED)) RETURNING unit_id::text`, p.Shop, chunk).Query(func(rows pgx.Rows) error {
			var err error
			units, err = pgx.CollectRows(rows, pgx.RowTo[string])
			return err
		})
		queuePolicy(b, p.Shop, &pol)
		QueueRules(b, p.Shop, &rs)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if len(units) == 0 {
			return nil
		}
		return derive(ctx, tx, now, units, pol, rs)
	})
	return len(units), err
}

// stale says whether any unit of the shop waits to be settled.
func (s *Service) stale(ctx context.Context, p domain.Principal) (bool, error) {
	var any bool
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queueStale(b, p.Shop, &any) })
	return any, err
}

func queueStale(b *pgx.Batch, shop domain.ID, dst *bool) {
	b.Queue(`SELECT EXISTS (SELECT FROM care_stale WHERE shop_id = $1)`, shop).QueryRow(func(row pgx.Row) error { return row.Scan(dst) })
}

// settled settles the shop if anything waits for it, before derived dates are
// read.
func (s *Service) settled(ctx context.Context, p domain.Principal) error {
	any, err := s.stale(ctx, p)
	if err != nil || !any {
		return err
	}
	return s.Settle(ctx, p)
}

// dueRow is one derived due date.
type dueRow struct {
	UnitID    domain.ID   `db:"unit_id"`
	Task      string      `db:"task"`
	DueOn     domain.Date `db:"due_on"`
	Months    int         `db:"months"`
	AskedOn   domain.Date `db:"asked_on"`
	DerivedOn domain.Date `db:"derived_on"`
	LedOn     domain.Date `db:"led_on"`
	NextLead  domain.Date `db:"next_lead_on"`
}

const dueColumns = `unit_id, task, due_on, months, asked_on, derived_on, led_on, next_lead_on`

// derive derives the due dates of units anew.
func derive(ctx context.Context, tx *pg.Tx, now time.Time, units []string, pol Policy, rs Rules) error {
	var cared []customers.Cared
	var cleanings []Cleaning
	var old []dueRow
	b := &pgx.Batch{}
	customers.QueueCared(b, tx.P.Shop, customers.UnitsByID, &cared, units)
	pg.All(b, &cleanings, `SELECT `+cleaningColumns+` FROM cleaning WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[]) AND voided_at IS NULL`, tx.P.Shop, units)
	pg.All(b, &old, `SELECT `+dueColumns+` FROM care_due WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, tx.P.Shop, units)
	if err := tx.Send(ctx, b); err != nil {
		return err
	}
	rows, err := derived(cared, cleanings, old, now, pol, rs)
	if err != nil {
		return err
	}
	out := &pgx.Batch{}
	queueDues(out, tx.P.Shop, units, rows)
	out.Queue(`UPDATE reminder SET state = 'superseded', settled_at = $3, reason = '`+dateMoved+`' WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])
		AND kind = 'care' AND state = 'planned' AND NOT EXISTS (SELECT FROM care_due d
			WHERE d.shop_id = reminder.shop_id AND d.unit_id = reminder.unit_id AND d.task = reminder.task AND d.asked_on = reminder.due_on)`, tx.P.Shop, units, now)
	// A worker may have looked while these were locked and gone to rest; this
	// one may not live to plan.
	queueRouse(out, tx.P.Shop, now)
	return tx.Send(ctx, out)
}

// derived gives the due dates of units from what is on record. A date that is
// as it was keeps what has been seen to of it.
func derived(cared []customers.Cared, cleanings []Cleaning, old []dueRow, now time.Time, pol Policy, rs Rules) ([]dueRow, error) {
	of := map[domain.ID][]Cleaning{}
	for _, c := range cleanings {
		of[c.UnitID] = append(of[c.UnitID], c)
	}
	type key struct {
		unit domain.ID
		task string
		due  domain.Date
	}
	before := map[key]dueRow{}
	for _, o := range old {
		before[key{o.UnitID, o.Task, o.DueOn}] = o
	}
	var rows []dueRow
	for _, u := range cared {
		if u.Gone {
			continue
		}
		zone, err := time.LoadLocation(u.TimeZone)
		if err != nil {
			return nil, fmt.Errorf("care: zone of the site of unit %s: %w", u.ID, err)
		}
		today := domain.DateOf(now.In(zone))
		for _, t := range Due(u.Unit, of[u.ID], rs) {
			if t.DueOn.IsZero() {
				continue
			}
			r, ok := before[key{u.ID, t.ID, t.DueOn}]
			if !ok {
				r = dueRow{UnitID: u.ID, Task: t.ID, DueOn: t.DueOn, DerivedOn: today}
			}
			r.Months, r.NextLead = t.Months, domain.Date{}
			a := pol.ahead(r.DueOn, r.Months, r.DerivedOn, r.LedOn)
			if r.AskedOn = a.asking(a.asked(today)); pol.Enabled && pol.remindsOf(t) {
				r.NextLead = a.next(today)
			}
			rows = append(rows, r)
		}
	}
	return rows, nil
}

// arrays are rows as arrays for unnest.
type arrays struct {
	units, tasks, dues, askeds, deriveds []string
	leds, nexts                          []*string
	months                               []int
}

func columns(rows []dueRow) arrays {
	var c arrays
	text := func(d domain.Date) *string {
		if d.IsZero() {
			return nil
		}
		s := d.String()
		return &s
	}
	for _, r := range rows {
		c.units, c.tasks, c.months = append(c.units, r.UnitID.String()), append(c.tasks, r.Task), append(c.months, r.Months)
		c.dues, c.askeds, c.deriveds = append(c.dues, r.DueOn.String()), append(c.askeds, r.AskedOn.String()), append(c.deriveds, r.DerivedOn.String())
		c.leds, c.nexts = append(c.leds, text(r.LedOn)), append(c.nexts, text(r.NextLead))
	}
	return c
}

// queueDues puts the due dates of units in the place of those that stood.
func queueDues(b *pgx.Batch, shop domain.ID, units []string, rows []dueRow) {
	c := columns(rows)
	b.Queue(`DELETE FROM care_due WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])
		AND (unit_id, task) NOT IN (SELECT u, t FROM unnest($3::uuid[], $4::text[]) AS n(u, t))`, shop, units, c.units, c.tasks)
	b.Queue(`INSERT INTO care_due (shop_id, unit_id, task, due_on, months, asked_on, derived_on, led_on, next_lead_on)
		SELECT $1, u, t, d, m, a, r, l, n FROM unnest($2::uuid[], $3::text[], $4::date[], $5::int[], $6::date[], $7::date[], $8::date[], $9::date[]) AS v(u, t, d, m, a, r, l, n)
		ON CONFLICT (shop_id, unit_id, task) DO UPDATE SET due_on = excluded.due_on, months = excluded.months, asked_on = excluded.asked_on,
			derived_on = excluded.derived_on, led_on = excluded.led_on, next_lead_on = excluded.next_lead_on`,
		shop, c.units, c.tasks, c.dues, c.months, c.askeds, c.deriveds, c.leds, c.nexts)
}
