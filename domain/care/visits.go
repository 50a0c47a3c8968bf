package care

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/shared/pg"
)

// visiting is what the changes of a shop's visits ask to be written.
type visiting struct {
	changes []calls.FeedChange
	visits  []calls.Appointment
	cared   []customers.Cared
	told    map[domain.ID]bool // visits whose customer has been written to
	pol     Policy
	upTo    int64
}

// planVisits writes into the ledger what the shop's changes of visits since
// the last look ask for. Numbers of changes follow the order of commits, so none
// is passed over.
func (s *Service) planVisits(ctx context.Context, p domain.Principal) error {
	for {
		n, err := s.planSomeVisits(ctx, p)
		if err != nil || n < chunk {
			return err
		}
	}
}

func (s *Service) planSomeVisits(ctx context.Context, p domain.Principal) (int, error) {
	now := s.Now()
	var v visiting
	load := func(b *pgx.Batch) {
		v = visiting{}
		b.Queue(`SELECT visit_seq FROM care_agenda WHERE shop_id = $1 FOR UPDATE`, p.Shop).Query(func(rows pgx.Rows) error {
			_, err := pgx.ForEachRow(rows, []any{&v.upTo}, func() error { return nil })
			return err
		})
		queuePolicy(b, p.Shop, &v.pol)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		calls.QueueChanges(b, p.Shop, v.upTo, chunk, &v.changes)
		if err := tx.Send(ctx, b); err != nil || len(v.changes) == 0 {
			return err
		}
		out := &pgx.Batch{}
		if v.pol.Enabled {
			if err := v.load(ctx, tx); err != nil {
				return err
			}
			if err := v.plan(out, p.Shop, now); err != nil {
				return err
			}
		}
		out.Queue(`UPDATE care_agenda SET visit_seq = $2 WHERE shop_id = $1`, p.Shop, v.changes[len(v.changes)-1].Seq)
		return tx.Send(ctx, out)
	})
	return len(v.changes), err
}

// load reads the changed visits with their units and customers.
func (v *visiting) load(ctx context.Context, tx *pg.Tx) error {
	var ids []string
	for _, c := range v.changes {
		ids = append(ids, c.VisitID.String())
	}
	b := &pgx.Batch{}
	calls.QueueVisitsByID(b, tx.P.Shop, ids, &v.visits)
	customers.QueueCared(b, tx.P.Shop, calls.UnitsOfVisits, &v.cared, ids)
	b.Queue(`SELECT DISTINCT visit_id FROM reminder WHERE shop_id = $1 AND visit_id = ANY ($2::uuid[]) AND kind = 'visit' AND state = 'mailed'`, tx.P.Shop, ids).
		Query(func(rows pgx.Rows) error {
			v.told = map[domain.ID]bool{}
			var id domain.ID
			_, err := pgx.ForEachRow(rows, []any{&id}, func() error { v.told[id] = true; return nil })
			return err
		})
	return tx.Send(ctx, b)
}

// plan queues the messages that the visits ask for as they stand now.
func (v *visiting) plan(b *pgx.Batch, shop domain.ID, now time.Time) error {
	moved := map[domain.ID]bool{}
	for _, c := range v.changes {
		if slices.Contains([]string{"booked", "moved", "cancelled"}, c.What) {
			moved[c.VisitID] = true
		}
	}
	for _, a := range v.visits {
		u := slices.IndexFunc(v.cared, func(u customers.Cared) bool { return u.ID == a.UnitID })
		if u < 0 || !moved[a.ID] {
			continue
		}
		b.Queue(`UPDATE reminder SET state = 'superseded', settled_at = $4, reason = 'the visit has changed' WHERE shop_id = $1 AND visit_id = $2
			AND state = 'planned' AND revision < $3`, shop, a.ID, a.Version, now)
		if !a.StartsAt.After(now) {
			continue
		}
		rs, err := v.of(a, v.cared[u], now)
		if err != nil {
			return err
		}
		queueReminders(b, shop, rs)
	}
	return nil
}

// of gives the messages about one visit to come.
func (v *visiting) of(a calls.Appointment, u customers.Cared, now time.Time) ([]Reminder, error) {
	zone, err := time.LoadLocation(u.TimeZone)
	if err != nil {
		return nil, fmt.Errorf("care: zone of the site of visit %s: %w", a.ID, err)
	}
	w := v.pol.window(zone)
	on := domain.DateOf(a.StartsAt.In(zone))
	r := Reminder{CustomerID: u.CustomerID, UnitID: u.ID, DueOn: on, VisitID: a.ID, CallID: a.CallID, Revision: a.Version, State: planned, UselessAt: a.StartsAt, PlannedAt: now}
	var out []Reminder
	if booked := a.Status == calls.Booked; v.pol.ConfirmVisits && (booked || a.Status == calls.VisitCancelled && v.told[a.ID]) {
		r.ID, r.Kind, r.NotBefore = domain.NewID(now), AboutVisit, w.next(now)
		out = append(out, r)
	}
	if before := w.on(day(on, -1)); v.pol.DayBefore && a.Status == calls.Booked && now.Before(before) {
		r.ID, r.Kind, r.LeadDays, r.NotBefore = domain.NewID(now), AboutTomorrow, 1, before
		out = append(out, r)
	}
	return out, nil
}

// ReportReady plans the message that tells the customer where the report of a
// call that has just been closed can be read, if the shop's policy has such
// messages. It leaves within the shop's hours.
func ReportReady(b *pgx.Batch, p domain.Principal, now time.Time, call domain.ID) {
	b.Queue(`INSERT INTO reminder (shop_id, id, kind, channel, customer_id, unit_id, due_on, call_id, state, not_before, useless_at, planned_at)
		SELECT $1, $3, 'report', 'email', st.customer_id, u.id, $5::date, c.id, 'planned', $4::timestamptz, $4::timestamptz + interval '14 days', $4::timestamptz
		FROM call c
		JOIN unit u ON u.shop_id = c.shop_id AND u.id = c.unit_id
		JOIN site st ON st.shop_id = u.shop_id AND st.id = u.site_id
		JOIN care_policy cp ON cp.shop_id = c.shop_id
		WHERE c.shop_id = $1 AND c.id = $2 AND cp.enabled AND cp.send_report
		ON CONFLICT ON CONSTRAINT reminder_once DO NOTHING`, p.Shop, call, domain.NewID(now), now, domain.DateOf(now.UTC()))
	queueRouse(b, p.Shop, now)
}
