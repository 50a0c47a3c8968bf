package dispatch

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// guarding is what a booking is held against beside the other visits: holds
// for other calls, working hours and competence.
type guarding struct {
	s       *Service
	p       domain.Principal
	now     time.Time
	unitOf  string // subquery for the unit of the call, see calls.UnitOfCall
	arg     domain.ID
	zone    people.Shop
	weeks   weeks
	off     []TimeOff
	holds   []Hold
	fitters map[domain.ID]domain.Date
	dossier customers.Dossier
}

// guard makes the guard of a booking. Load may run again: it begins afresh.
func (s *Service) guard(p domain.Principal, unitOf string, arg domain.ID) calls.Guard {
	g := &guarding{}
	return calls.Guard{
		Load: func(b *pgx.Batch) {
			*g = guarding{s: s, p: p, now: s.Now(), unitOf: unitOf, arg: arg}
			people.QueueShop(b, p.Shop, &g.zone)
			g.weeks.queue(b, p.Shop, domain.ID{})
			queueTimeOff(b, p.Shop, domain.DateOf(g.now.AddDate(-1, 0, 0)), domain.DateOf(g.now.AddDate(3, 0, 0)), &g.off)
			queueHolds(b, p.Shop, g.now, &g.holds)
			people.QueueHolders(b, p.Shop, "gas", &g.fitters)
			customers.QueueDossier(b, p.Shop, unitOf, arg, &g.dossier)
		},
		Judge: g.judge,
	}
}

func (g *guarding) judge(_ context.Context, _ *pg.Tx, out *pgx.Batch, v calls.Visit) error {
	if v.TechID.IsZero() {
		return nil
	}
	for _, h := range g.holds {
		if h.TechID == v.TechID && h.CallID != v.CallID && h.StartsAt.Before(v.EndsAt) && v.StartsAt.Before(h.EndsAt) {
			return domain.Errorf(domain.Conflict, "Somebody on the phone holds this window for another call. Take another one, or try again in a few minutes.")
		}
	}
	out.Queue(`DELETE FROM hold WHERE shop_id = $1 AND (call_id = $2 OR expires_at <= $3)`, g.p.Shop, v.CallID, g.now)
	if v.Override != "" {
		return nil
	}
	var ps domain.Problems
	if err := g.hours(&ps, v); err != nil {
		return err
	}
	if g.dossier.Unit.Fuel == "gas" && g.fitters[v.TechID].Before(domain.DateOf(v.StartsAt)) {
		ps.Add("/override", "competence", "This unit burns gas, and the tech holds no gas competence on that day. Say why they go all the same, or choose another.")
	}
	return ps.Err()
}

// hours refuses a visit outside the tech's working time. Somebody whose hours
// nobody has entered has none to be outside of.
func (g *guarding) hours(ps *domain.Problems, v calls.Visit) error {
	r := roster{shop: g.zone, weeks: g.weeks, off: g.off}
	if err := r.open(); err != nil {
		return err
	}
	if len(g.weeks.of(v.TechID).Spans) == 0 {
		return nil
	}
	first := domain.DateOf(v.StartsAt.In(r.zone))
	if !covers(r.schedule(v.TechID).Working(first, 2), v.StartsAt, v.EndsAt) {
		ps.Add("/override", "outside_hours", "The tech does not work in all of that time. Say why it is booked all the same, or choose another window.")
	}
	return nil
}

// Book books a visit of an open call by the shop's rules. Outside working
// hours, or without a competence the unit needs, it takes an override that
// says why. A window that is taken or held for another call is a Conflict that
// names three free ones. The call's own holds end.
func (s *Service) Book(ctx context.Context, p domain.Principal, key once.Key, call domain.ID, n calls.NewVisit) (calls.Visit, bool, error) {
	v, replayed, err := s.Calls.Book(ctx, p, key, call, n, s.guard(p, calls.UnitOfCall, call))
	return v, replayed, s.withFree(ctx, p, call, n.StartsAt, err)
}

// Change moves, reassigns, lengthens or notes a visit by the same rules.
func (s *Service) Change(ctx context.Context, p domain.Principal, visit domain.ID, version int64, c calls.VisitChange) (calls.Visit, error) {
	v, err := s.Calls.ChangeVisit(ctx, p, visit, version, c, s.guard(p, calls.UnitOfVisit, visit))
	if domain.KindOf(err) != domain.Conflict || c.StartsAt == nil {
		return v, err
	}
	was, readErr := s.Calls.ReadVisit(ctx, p, visit)
	if readErr != nil {
		return v, err
	}
	return v, s.withFree(ctx, p, was.CallID, *c.StartsAt, err)
}

// freeNamed is how many free windows a refusal names.
const freeNamed = 3

// withFree adds free windows to a Conflict, read after it was met: what it
// names was free at that moment.
func (s *Service) withFree(ctx context.Context, p domain.Principal, call domain.ID, near time.Time, err error) error {
	e, ok := errors.AsType[*domain.Error](err)
	if !ok || e.Kind != domain.Conflict {
		return err
	}
	offer, slotsErr := s.Slots(ctx, p, SlotQuery{Call: call, From: domain.DateOf(near), Days: 7})
	if slotsErr != nil || len(offer.Slots) == 0 {
		return err
	}
	free := []map[string]any{}
	for _, f := range offer.Slots[:min(freeNamed, len(offer.Slots))] {
		free = append(free, map[string]any{"tech_id": f.TechID, "starts_at": f.StartsAt.UTC().Format(time.RFC3339), "ends_at": f.EndsAt.UTC().Format(time.RFC3339),
			"arrive_from": f.ArriveFrom.UTC().Format(time.RFC3339), "arrive_until": f.ArriveUntil.UTC().Format(time.RFC3339), "reason": f.Reason})
	}
	with := *e
	with.Extra = map[string]any{"free_windows": free}
	for k, v := range e.Extra {
		with.Extra[k] = v
	}
	return &with
}

// NewHold is a window to keep free for a call.
type NewHold struct {
	TechID      domain.ID
	StartsAt    time.Time
	EndsAt      time.Time
	ArriveFrom  *time.Time
	ArriveUntil *time.Time
}

// HoldWindow keeps a window free for some minutes (Rule.HoldMinutes). A call
// has one hold: a new one takes the place of the old. One that is taken or held
// is a Conflict that names three free ones.
func (s *Service) HoldWindow(ctx context.Context, p domain.Principal, key once.Key, call domain.ID, n NewHold) (Hold, bool, error) {
	now := s.Now()
	v := calls.Visit{TechID: n.TechID, StartsAt: n.StartsAt, EndsAt: n.EndsAt, ArriveFrom: n.ArriveFrom, ArriveUntil: n.ArriveUntil}
	if err := v.Check(); err != nil {
		return Hold{}, false, err
	}
	if n.TechID.IsZero() {
		return Hold{}, false, domain.Field("/tech_id", "required", "A window is one tech's: say whose.")
	}
	var c calls.Call
	var rule Rule
	var holds []Hold
	var bookable, taken bool
	load := func(b *pgx.Batch) {
		calls.QueueLockTechs(b, p.Shop, domain.ID{}, n.TechID)
		calls.QueueLock(b, p.Shop, calls.CallByID, call, &c)
		queueRule(b, p.Shop, &rule)
		queueHolds(b, p.Shop, now, &holds)
		people.QueueVisits(b, p.Shop, n.TechID, &bookable)
		calls.QueueTaken(b, p.Shop, n.TechID, n.StartsAt, n.EndsAt, &taken)
	}
	h, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Hold, error) {
		switch {
		case c.Status == calls.Closed:
			return Hold{}, domain.Errorf(domain.Conflict, "This call is closed. Open a new call for the unit.")
		case !bookable:
			return Hold{}, domain.Field("/tech_id", "unknown", "There is no such active tech or owner in this shop.")
		case taken:
			return Hold{}, calls.Taken()
		}
		for _, h := range holds {
			if h.TechID == n.TechID && h.CallID != call && h.StartsAt.Before(n.EndsAt) && n.StartsAt.Before(h.EndsAt) {
				return Hold{}, domain.Errorf(domain.Conflict, "Somebody on the phone holds this window for another call. Take another one.")
			}
		}
		h := Hold{ID: domain.NewID(now), CallID: call, TechID: n.TechID, StartsAt: n.StartsAt, EndsAt: n.EndsAt, ArriveFrom: n.ArriveFrom, ArriveUntil: n.ArriveUntil,
			HeldBy: p.Person, ExpiresAt: now.Add(time.Duration(rule.HoldMinutes * float64(time.Minute)))}
		out.Queue(`DELETE FROM hold WHERE shop_id = $1 AND (call_id = $2 OR expires_at <= $3)`, p.Shop, call, now)
		out.Queue(`INSERT INTO hold (shop_id, `+holdColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			p.Shop, h.ID, h.CallID, h.TechID, h.StartsAt, h.EndsAt, h.ArriveFrom, h.ArriveUntil, h.HeldBy, h.ExpiresAt)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "hold", ID: h.ID})
		return h, nil
	})
	return h, replayed, s.withFree(ctx, p, call, n.StartsAt, err)
}

// ReleaseHold lets a window go.
func (s *Service) ReleaseHold(ctx context.Context, p domain.Principal, id domain.ID) error {
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, domain.Absent(), `DELETE FROM hold WHERE shop_id = $1 AND id = $2`, p.Shop, id)
		audit.Queue(b, tx.P, s.Now(), audit.Entry{Action: "dropped", Entity: "hold", ID: id})
		return tx.Send(ctx, b)
	})
}

// ListHolds gives the live holds of the shop, by start.
func (s *Service) ListHolds(ctx context.Context, p domain.Principal) ([]Hold, error) {
	var hs []Hold
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queueHolds(b, p.Shop, s.Now(), &hs) })
	return hs, err
}
