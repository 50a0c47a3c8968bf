package repair

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// Isolation is how a unit was made dead and proven so. It covers readings
// until the next powered check, or the tech, ends it.
type Isolation struct {
	ID           domain.ID  `db:"id"`
	CallID       domain.ID  `db:"call_id"`
	VisitID      domain.ID  `db:"visit_id"`
	Method       string     `db:"method"`
	TesterBefore bool       `db:"tester_before"` // shown good on a known source before
	ProvenDead   []string   `db:"proven_dead"`   // pairs of points found dead
	TesterAfter  bool       `db:"tester_after"`  // and after
	Note         string     `db:"note"`
	IsolatedBy   domain.ID  `db:"isolated_by"`
	IsolatedAt   time.Time  `db:"isolated_at"`
	EndedAt      *time.Time `db:"ended_at"`
	EndedBecause string     `db:"ended_because"`
}

const isolationColumns = `id, call_id, visit_id, method, tester_before, proven_dead, tester_after, note, isolated_by, isolated_at, ended_at, ended_because`

// GasCockAndPlug is the method that shuts the gas off too.
const GasCockAndPlug = "gas_cock_and_plug"

// Methods lists the ways to isolate. A plug in the hand or in sight is under
// the exclusive control of the one who works and needs no lock (29 CFR
// 1910.147(a)(2)(iii)(A)); a breaker out of sight does.
func Methods() []string {
	return []string{"plug_in_hand", "plug_in_sight", "plug_locked", "breaker_locked", GasCockAndPlug}
}

// Pairs lists the pairs of points that can be proven dead.
func Pairs() []string { return []string{"l1_l2", "l1_n", "l2_n", "l1_ground", "l2_ground", "n_ground"} }

// NewIsolation is an isolation as the tech records it. IsolatedAt zero is now.
type NewIsolation struct {
	Method       string
	TesterBefore bool
	ProvenDead   []string
	TesterAfter  bool
	IsolatedAt   time.Time
	Note         string
}

// mustBeDead lists the pairs without which a unit is not proven dead. Two legs
// need three measurements: one leg of a two-pole breaker can stay live. A unit
// of unknown voltage counts as having two legs.
func mustBeDead(u customers.Unit) []string {
	if u.SupplyVolts != nil && *u.SupplyVolts < 150 {
		return []string{"l1_n", "l1_ground"}
	}
	return []string{"l1_l2", "l1_ground", "l2_ground"}
}

// check holds an isolation against the proving sequence live-dead-live (NFPA
// 70E, 120.5(7)).
func (n NewIsolation) check(u customers.Unit) error {
	var ps domain.Problems
	if !slices.Contains(Methods(), n.Method) {
		ps.Add("/method", "unknown", "Isolate by one of: %s.", strings.Join(Methods(), ", "))
	}
	if n.Method == GasCockAndPlug && u.Fuel != "gas" {
		ps.Add("/method", "forbidden", "This unit burns no gas: isolate by plug or breaker.")
	}
	if !n.TesterBefore {
		ps.Add("/tester_before", "required", "Try the tester on a known live source first: a dead tester shows every circuit dead.")
	}
	if !n.TesterAfter {
		ps.Add("/tester_after", "required", "Try the tester on the known live source again afterwards: it may have failed in between.")
	}
	n.checkPairs(&ps, u)
	ps.Text("/note", n.Note, 0, 2000, true)
	return ps.Err()
}

func (n NewIsolation) checkPairs(ps *domain.Problems, u customers.Unit) {
	for i, pair := range n.ProvenDead {
		if !slices.Contains(Pairs(), pair) || slices.Contains(n.ProvenDead[:i], pair) {
			ps.Add(pointerAt("/proven_dead", i), "unknown", "Name each pair once: %s.", strings.Join(Pairs(), ", "))
		}
	}
	var missing []string
	for _, pair := range mustBeDead(u) {
		if !slices.Contains(n.ProvenDead, pair) {
			missing = append(missing, pair)
		}
	}
	if len(missing) > 0 {
		ps.Add("/proven_dead", "required", "Not proven dead yet: %s. One leg can stay live when the other is off; measure each.", strings.Join(missing, ", "))
	}
}

// Isolate records that the unit of a visit was made dead. An isolation still
// open from another visit of the call ends; one of the same visit is a
// Conflict.
func (s *Service) Isolate(ctx context.Context, p domain.Principal, key once.Key, visit domain.ID, n NewIsolation) (Isolation, bool, error) {
	now := s.Now()
	var v calls.Visit
	var c caseRows
	load := func(b *pgx.Batch) {
		c = caseRows{}
		calls.QueueVisit(b, p, visit, &v)
		calls.QueueLock(b, p.Shop, calls.CallOfVisit, visit, &c.call)
		queueCase(b, p, now, atVisit(visit), &c)
	}
	return once.Do(ctx, s.DB, p, now, key, load, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (Isolation, error) {
		if err := s.openIn(ctx, tx, &c); err != nil {
			return Isolation{}, err
		}
		at, err := s.mayIsolate(&c, v, n, now)
		if err != nil {
			return Isolation{}, err
		}
		i := Isolation{ID: domain.NewID(now), CallID: c.call.ID, VisitID: visit, Method: n.Method, TesterBefore: true, ProvenDead: n.ProvenDead,
			TesterAfter: true, Note: n.Note, IsolatedBy: p.Person, IsolatedAt: at}
		if i.EndedAt = c.poweredSince(at); i.EndedAt != nil {
			i.EndedBecause = "Powered for a check that was recorded before this isolation."
		}
		for _, open := range c.isolations {
			queueEnd(out, p.Shop, open, at, "The unit was isolated anew on a later visit.")
		}
		out.Queue(`INSERT INTO isolation (shop_id, id, call_id, visit_id, method, tester_before, proven_dead, tester_after, note, isolated_by, isolated_at, ended_at, ended_because)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
			p.Shop, i.ID, i.CallID, i.VisitID, i.Method, i.TesterBefore, i.ProvenDead, i.TesterAfter, i.Note, i.IsolatedBy, i.IsolatedAt, i.EndedAt, i.EndedBecause)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "isolation", ID: i.ID})
		return i, nil
	})
}

func (s *Service) mayIsolate(c *caseRows, v calls.Visit, n NewIsolation, now time.Time) (time.Time, error) {
	if err := n.check(c.dossier.Unit); err != nil {
		return now, err
	}
	if err := mustBeOpen(c.call); err != nil {
		return now, err
	}
	if err := mustBeAttended(v); err != nil {
		return now, err
	}
	if c.isolationOf(v.ID) != nil {
		return now, domain.Errorf(domain.Conflict, "An isolation of this visit is open. End it first if the unit was powered since.")
	}
	return moment("/isolated_at", n.IsolatedAt, now, c.call)
}

// poweredSince is when the unit was first powered for a check after the
// instant; nil when it was not. An isolation sent late is over by then.
func (c *caseRows) poweredSince(at time.Time) *time.Time {
	for _, r := range c.readings { // by time of observation
		ch, ok := c.kind.Check(r.Check)
		if ok && powered(ch) && r.VoidedAt == nil && r.NotDone == "" && r.ObservedAt.After(at) {
			return &r.ObservedAt
		}
	}
	return nil
}

// queueEnd ends an open isolation, not before it began.
func queueEnd(b *pgx.Batch, shop domain.ID, i Isolation, at time.Time, because string) {
	b.Queue(`UPDATE isolation SET ended_at = greatest($3, isolated_at), ended_because = $4 WHERE shop_id = $1 AND id = $2 AND ended_at IS NULL`,
		shop, i.ID, at, because)
}

// ListIsolations gives the isolations of a visit, oldest first.
func (s *Service) ListIsolations(ctx context.Context, p domain.Principal, visit domain.ID) ([]Isolation, error) {
	var v calls.Visit
	var is []Isolation
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		calls.QueueVisit(b, p, visit, &v)
		pg.All(b, &is, `SELECT `+isolationColumns+` FROM isolation WHERE shop_id = $1 AND visit_id = $2 ORDER BY isolated_at, id`, p.Shop, visit)
	})
	return is, err
}

// EndIsolation ends an isolation of a visit: the unit is about to be powered,
// or work is over. Ending it again changes nothing.
func (s *Service) EndIsolation(ctx context.Context, p domain.Principal, visit, id domain.ID, because string) (Isolation, error) {
	var ps domain.Problems
	if ps.Text("/reason", because, 0, 400, true); ps.Err() != nil {
		return Isolation{}, ps.Err()
	}
	if because == "" {
		because = "Ended by the person who works."
	}
	now := s.Now()
	var v calls.Visit
	var i Isolation
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			calls.QueueVisit(b, p, visit, &v)
			pg.One(b, &i, `SELECT `+isolationColumns+` FROM isolation WHERE shop_id = $1 AND id = $2 AND visit_id = $3 FOR UPDATE`, p.Shop, id, visit)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if i.EndedAt != nil {
				return nil
			}
			b := &pgx.Batch{}
			queueEnd(b, p.Shop, i, now, because)
			audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "isolation", ID: id, Fields: []string{"ended_at"}})
			i.EndedAt, i.EndedBecause = later(now, i.IsolatedAt), because
			return tx.Send(ctx, b)
		})
	return i, err
}

func later(a, b time.Time) *time.Time {
	if a.Before(b) {
		return &b
	}
	return &a
}

// covers says whether the isolation may cover a reading taken at the instant.
// A client's clock may lag.
func (i *Isolation) covers(at time.Time) bool {
	return !at.Before(i.IsolatedAt.Add(-Skew)) && (i.EndedAt == nil || !at.After(*i.EndedAt))
}

// powered says whether a check puts the unit under voltage.
func powered(ch *catalogue.Check) bool {
	return ch.State == catalogue.RunningClosed || ch.State == catalogue.LiveOpen
}
