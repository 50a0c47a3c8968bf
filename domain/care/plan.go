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
	Months     int         `db:"months"`
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
	written := 0
	load := func(b *pgx.Batch) {
		written = 0
		queuePolicy(b, p.Shop, &pol)
		pg.All(b, &due, `SELECT d.unit_id, d.task, d.due_on, d.months, d.derived_on, d.led_on, st.customer_id, st.time_zone FROM care_due d
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
		written = len(entries)
		b := &pgx.Batch{}
		queueReminders(b, p.Shop, entries)
		c := columns(moved)
		b.Queue(`UPDATE care_due SET asked_on = v.a, led_on = v.l, next_lead_on = v.n
			FROM unnest($2::uuid[], $3::text[], $4::date[], $5::date[], $6::date[], $7::date[]) AS v(u, t, d, a, l, n)
			WHERE care_due.shop_id = $1 AND care_due.unit_id = v.u AND care_due.task = v.t AND care_due.due_on = v.d`,
			p.Shop, c.units, c.tasks, c.dues, c.askeds, c.leds, c.nexts)
		queueRouse(b, p.Shop, now)
		return tx.Send(ctx, b)
	})
	if written == 0 { // what is left waits for its day elsewhere on earth
		return 0, err
	}
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
		a := pol.ahead(d.DueOn, d.Months, d.DerivedOn, d.LedOn)
		row := dueRow{UnitID: d.UnitID, Task: d.Task, DueOn: d.DueOn, LedOn: d.LedOn}
		today := domain.DateOf(now.In(zone))
		if today.Before(by) && a.asked(today) == a.asked(by) {
			today = by
		}
		for _, f := range a.fall(today) {
			row.LedOn = f.day
			at := w.on(f.day)
			if at.Before(now) {
				at = w.next(now)
			}
			useless := w.on(day(f.asked, pol.GraceDays+1))
			if f.state == planned && !at.Before(useless) {
				f.state = missed
			}
			entries = append(entries, Reminder{ID: domain.NewID(now), Kind: AboutCare, CustomerID: d.CustomerID, UnitID: d.UnitID, Task: d.Task,
				DueOn: f.asked, LeadDays: f.lead, State: f.state, NotBefore: at, UselessAt: useless, PlannedAt: now, Reason: reasonOf(f.state)})
		}
		a.led = row.LedOn
		row.AskedOn, row.NextLead = a.asking(a.asked(today)), a.next(today)
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

// queueReminders writes entries into the ledger. One that is there stays, but
// for one that was given up because its date had moved, which has come back.
func queueReminders(b *pgx.Batch, shop domain.ID, entries []Reminder) {
	if len(entries) == 0 {
		return
	}
	c := byColumn(entries)
	b.Queue(`INSERT INTO reminder (shop_id, id, kind, channel, customer_id, unit_id, task, due_on, lead_days, visit_id, revision, call_id, state,
			not_before, useless_at, planned_at, settled_at, reason)
		SELECT $1, id, kind, 'email', customer, unit, task, due, lead, visit, revision, call, state, not_before, useless, planned,
			CASE WHEN state <> 'planned' THEN planned END, reason
		FROM unnest($2::uuid[], $3::text[], $4::uuid[], $5::uuid[], $6::text[], $7::date[], $8::int[], $9::uuid[], $10::bigint[], $11::uuid[], $12::text[],
			$13::timestamptz[], $14::timestamptz[], $15::timestamptz[], $16::text[])
			AS v(id, kind, customer, unit, task, due, lead, visit, revision, call, state, not_before, useless, planned, reason)
		ON CONFLICT ON CONSTRAINT reminder_once DO UPDATE SET state = excluded.state, customer_id = excluded.customer_id, not_before = excluded.not_before,
			useless_at = excluded.useless_at, planned_at = excluded.planned_at, settled_at = NULL, reason = ''
		WHERE reminder.kind = 'care' AND reminder.state = 'superseded' AND reminder.reason = '`+dateMoved+`' AND reminder.mail_id IS NULL
			AND excluded.state = 'planned'`,
		shop, c.ids, c.kinds, c.customers, c.units, c.tasks, c.dues, c.leads, c.visits, c.revisions, c.calls, c.states,
		c.notBefore, c.useless, c.planned, c.reasons)
}

// reminderArrays are entries by column, for unnest.
type reminderArrays struct {
	ids, kinds, customers, units, tasks, dues, states, reasons []string
	leads                                                      []int
	revisions                                                  []int64
	visits, calls                                              []*string
	notBefore, useless, planned                                []time.Time
}

func byColumn(entries []Reminder) reminderArrays {
	var c reminderArrays
	some := func(id domain.ID) *string {
		if id.IsZero() {
			return nil
		}
		s := id.String()
		return &s
	}
	for _, r := range entries {
		c.ids, c.kinds, c.customers = append(c.ids, r.ID.String()), append(c.kinds, string(r.Kind)), append(c.customers, r.CustomerID.String())
		c.units, c.tasks, c.dues = append(c.units, r.UnitID.String()), append(c.tasks, r.Task), append(c.dues, r.DueOn.String())
		c.leads, c.visits, c.revisions, c.calls = append(c.leads, r.LeadDays), append(c.visits, some(r.VisitID)), append(c.revisions, r.Revision), append(c.calls, some(r.CallID))
		c.states, c.reasons = append(c.states, string(r.State)), append(c.reasons, r.Reason)
		c.notBefore, c.useless, c.planned = append(c.notBefore, r.NotBefore), append(c.useless, r.UselessAt), append(c.planned, r.PlannedAt)
	}
	return c
}
