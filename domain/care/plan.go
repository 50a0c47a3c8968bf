package care

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// dueLead is a due date with a lead day that has come, and who is written to.
type dueLead struct {
	UnitID     domain.ID   `db:"unit_id"`
	Task       string      `db:"task"`
	DueOn      domain.Date `db:"due_on"`
	DerivedOn  domain.Date `db:"derived_on"`
	LedOn      domain.Date `db:"led_on"`
	CustomerID domain.ID   `db:"customer_id"`
	TimeZone   string      `db:"time_zone"`
}

// Plan writes into the ledger what the due dates ask for by the end of
// tomorrow, wherever on earth. A key of the ledger keeps each message from being
// planned twice; days ahead only ever advance, so a clock set back plans
// nothing anew.
func (s *Service) Plan(ctx context.Context, p domain.Principal) error {
	for {
		n, err := s.planSome(ctx, p)
		if err != nil || n < chunk {
			return err
		}
	}
}

func (s *Service) planSome(ctx context.Context, p domain.Principal) (int, error) {
	now := s.Now()
	by := day(domain.DateOf(now.UTC()), 1)
	var pol Policy
	var due []dueLead
	load := func(b *pgx.Batch) {
		queuePolicy(b, p.Shop, &pol)
		pg.All(b, &due, `SELECT d.unit_id, d.task, d.due_on, d.derived_on, d.led_on, st.customer_id, st.time_zone FROM care_due d
			JOIN unit u ON u.shop_id = d.shop_id AND u.id = d.unit_id
			JOIN site st ON st.shop_id = u.shop_id AND st.id = u.site_id
			WHERE d.shop_id = $1 AND d.next_lead_on <= $2 ORDER BY d.next_lead_on, d.unit_id, d.task LIMIT $3 FOR UPDATE OF d SKIP LOCKED`, p.Shop, by, chunk)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if len(due) == 0 {
			return nil
		}
		entries, moved, err := plans(due, now, by, pol)
		if err != nil {
			return err
		}
		b := &pgx.Batch{}
		queueReminders(b, p.Shop, entries)
		us, ts, dues, _, leds, nexts := columns(moved)
		b.Queue(`UPDATE care_due SET led_on = v.l, next_lead_on = v.n
			FROM unnest($2::uuid[], $3::text[], $4::date[], $5::date[], $6::date[]) AS v(u, t, d, l, n)
			WHERE care_due.shop_id = $1 AND care_due.unit_id = v.u AND care_due.task = v.t AND care_due.due_on = v.d`, p.Shop, us, ts, dues, leds, nexts)
		queueRouse(b, p.Shop, now)
		return tx.Send(ctx, b)
	})
	return len(due), err
}

// plans gives the entries that due dates ask for by a day, and how far each
// date has been seen to then.
func plans(due []dueLead, now time.Time, by domain.Date, pol Policy) ([]Reminder, []dueRow, error) {
	var entries []Reminder
	var moved []dueRow
	for _, d := range due {
		zone, err := time.LoadLocation(d.TimeZone)
		if err != nil {
			return nil, nil, fmt.Errorf("care: zone of the site of unit %s: %w", d.UnitID, err)
		}
		w := pol.window(zone)
		a := pol.ahead(d.DueOn, d.DerivedOn, d.LedOn)
		row := dueRow{UnitID: d.UnitID, Task: d.Task, DueOn: d.DueOn, LedOn: d.LedOn}
		today := domain.DateOf(now.In(zone))
		if today.Before(by) && !a.over(by) {
			today = by
		}
		for _, f := range a.fall(today) {
			row.LedOn = f.day
			at := w.on(f.day)
			if at.Before(now) {
				at = w.next(now)
			}
			entries = append(entries, Reminder{ID: domain.NewID(now), Kind: AboutCare, CustomerID: d.CustomerID, UnitID: d.UnitID, Task: d.Task,
				DueOn: d.DueOn, LeadDays: f.lead, State: f.state, NotBefore: at, UselessAt: w.on(day(d.DueOn, pol.GraceDays+1)), PlannedAt: now, Reason: reasonOf(f.state)})
		}
		a.led = row.LedOn
		row.NextLead = a.next(today)
		if !row.NextLead.IsZero() && !by.Before(row.NextLead) {
			row.NextLead = domain.Date{} // nothing fell although its day has come: its time has passed
		}
		moved = append(moved, row)
	}
	return entries, moved, nil
}

func reasonOf(s reminderState) string {
	switch s {
	case superseded:
		return "a later message says it"
	case missed:
		return "its time passed before it could be sent"
	}
	return ""
}

// queueReminders writes entries into the ledger; one that is there stays.
func queueReminders(b *pgx.Batch, shop domain.ID, entries []Reminder) {
	for _, r := range entries {
		b.Queue(`INSERT INTO reminder (shop_id, id, kind, channel, customer_id, unit_id, task, due_on, lead_days, visit_id, revision, call_id, state,
				not_before, useless_at, planned_at, settled_at, reason)
			VALUES ($1, $2, $3, 'email', $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15::timestamptz, CASE WHEN $12 = 'planned' THEN NULL ELSE $15::timestamptz END, $16)
			ON CONFLICT ON CONSTRAINT reminder_once DO NOTHING`,
			shop, r.ID, r.Kind, r.CustomerID, r.UnitID, r.Task, r.DueOn, r.LeadDays, r.VisitID, r.Revision, r.CallID, r.State,
			r.NotBefore, r.UselessAt, r.PlannedAt, r.Reason)
	}
}
