package care

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// Plan is the care of one unit as of Today in the zone of its site.
type Plan struct {
	UnitID    domain.ID
	Today     domain.Date
	Tasks     []Task
	Cleanings []Cleaning // latest first, voided ones among them
}

// DueOn is the earliest due date of the unit, zero when none is known.
func (p Plan) DueOn() domain.Date { return Next(p.Tasks) }

// today is the civil date of now at the unit.
func today(d customers.Dossier, now time.Time) (domain.Date, error) {
	zone, err := time.LoadLocation(d.Site.TimeZone)
	if err != nil {
		return domain.Date{}, fmt.Errorf("care: zone of the site: %w", err)
	}
	return domain.DateOf(now.In(zone)), nil
}

// ReadPlan gives the care of a unit.
func (s *Service) ReadPlan(ctx context.Context, p domain.Principal, unit domain.ID) (Plan, error) {
	var d customers.Dossier
	var rs Rules
	plan := Plan{UnitID: unit}
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		customers.QueueDossier(b, p.Shop, customers.UnitByID, unit, &d)
		QueueCleanings(b, p.Shop, customers.UnitByID, unit, &plan.Cleanings)
		QueueRules(b, p.Shop, &rs)
	})
	if err != nil {
		return plan, err
	}
	plan.Tasks = Due(d.Unit, plan.Cleanings, rs)
	plan.Today, err = today(d, s.Now())
	return plan, err
}

// Record stores a cleaning somebody told of: the customer's word, or another
// firm's. It cannot have been done after today at the unit.
func (s *Service) Record(ctx context.Context, p domain.Principal, key once.Key, unit domain.ID, c Cleaning) (Cleaning, bool, error) {
	if err := c.check(); err != nil {
		return c, false, err
	}
	now := s.Now()
	var d customers.Dossier
	var rs Rules
	load := func(b *pgx.Batch) {
		customers.QueueDossier(b, p.Shop, customers.UnitByID, unit, &d)
		QueueRules(b, p.Shop, &rs)
	}
	return once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Cleaning, error) {
		today, err := today(d, now)
		if err != nil {
			return c, err
		}
		if today.Before(c.DoneOn) {
			return c, domain.Field("/done_on", "in_future", "A cleaning that has been done lies not in the future. Today at the unit is %s.", today)
		}
		if err := checkScopes(c.Scopes, d.Unit, rs); err != nil {
			return c, err
		}
		c := Cleaning{ID: domain.NewID(now), UnitID: unit, DoneOn: c.DoneOn, Scopes: c.Scopes, DoneBy: c.DoneBy, Note: c.Note,
			RecordedBy: p.Person, RecordedAt: now}
		Cleaned(out, tx.P, now, c)
		return c, nil
	})
}

func (c Cleaning) check() error {
	var ps domain.Problems
	if c.DoneOn.IsZero() {
		ps.Add("/done_on", "required", "Say on which day it was cleaned.")
	}
	if len(c.Scopes) == 0 || len(c.Scopes) > 20 {
		ps.Add("/scopes", "required", "Say what was cleaned, in one to twenty scopes.")
	}
	if !slices.Contains([]string{ByUs, ByCustomer, ByOtherFirm}, c.DoneBy) {
		ps.Add("/done_by", "not_listed", "It was done by us, customer or other_firm.")
	}
	ps.Text("/note", c.Note, 0, 2000, true)
	return ps.Err()
}

// checkScopes holds what was cleaned against what there is to clean: the lint
// path, and what the shop's own tasks of the unit name.
func checkScopes(scopes []string, u customers.Unit, rs Rules) error {
	may := Scopes()
	for _, o := range rs.Own {
		if o.concerns(u) {
			may = append(may, o.Scopes...)
		}
	}
	var ps domain.Problems
	for i, scope := range scopes {
		if !slices.Contains(may, scope) || slices.Contains(scopes[:i], scope) {
			ps.Add(fmt.Sprintf("/scopes/%d", i), "not_listed", "A scope is one of %s, each at most once.", strings.Join(may, ", "))
			break
		}
	}
	return ps.Err()
}

// Void takes a cleaning that was told of back, with the reason; due dates fall
// back to what stays on record. Voiding it again changes nothing. A cleaning
// that was an action of a call is voided with that action: Conflict.
func (s *Service) Void(ctx context.Context, p domain.Principal, unit, cleaning domain.ID, reason string) (Cleaning, error) {
	var ps domain.Problems
	ps.Text("/reason", reason, 1, 400, true)
	if err := ps.Err(); err != nil {
		return Cleaning{}, err
	}
	now := s.Now()
	var c Cleaning
	load := func(b *pgx.Batch) {
		pg.One(b, &c, `SELECT `+cleaningColumns+` FROM cleaning WHERE shop_id = $1 AND unit_id = $2 AND id = $3 FOR UPDATE`, p.Shop, unit, cleaning)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		switch {
		case c.VoidedAt != nil:
			return nil
		case !c.ActionID.IsZero():
			return domain.Errorf(domain.Conflict, "This cleaning was an action of a call. Void that action instead.")
		}
		c.VoidedAt, c.VoidedBy, c.VoidReason = &now, p.Person, reason
		b := &pgx.Batch{}
		b.Queue(`UPDATE cleaning SET voided_at = $3, voided_by = $4, void_reason = $5 WHERE shop_id = $1 AND id = $2`, p.Shop, c.ID, now, p.Person, reason)
		b.Queue(StaleUnit, p.Shop, c.UnitID)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "voided", Entity: "cleaning", ID: c.ID})
		return tx.Send(ctx, b)
	})
	return c, err
}
