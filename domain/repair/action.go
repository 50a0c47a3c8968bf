package repair

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// Action is something done to the unit: it ends the evidence of what it
// touches.
type Action struct {
	ID         domain.ID  `db:"id"`
	CallID     domain.ID  `db:"call_id"`
	VisitID    domain.ID  `db:"visit_id"`
	Action     string     `db:"action"` // id in the catalogue
	Part       string     `db:"part"`   // the part it was done to, where the action asks for one
	Note       string     `db:"note"`
	DoneBy     domain.ID  `db:"done_by"`
	DoneAt     time.Time  `db:"done_at"`
	RecordedAt time.Time  `db:"recorded_at"`
	VoidedAt   *time.Time `db:"voided_at"`
	VoidedBy   domain.ID  `db:"voided_by"`
	VoidReason string     `db:"void_reason"`
}

const actionColumns = `id, call_id, visit_id, action, part, note, done_by, done_at, recorded_at, voided_at, voided_by, void_reason`

// callOfAction gives the call of an action: $1 is the shop, $2 the action.
const callOfAction = `SELECT call_id FROM action WHERE shop_id = $1 AND id = $2`

// NewAction is an action as the tech records it. DoneAt zero is now.
type NewAction struct {
	Action string
	Part   string
	DoneAt time.Time
	Note   string
}

// check holds the action against the catalogue of the unit's kind.
func (n NewAction) check(k *catalogue.Kind, c *caseRows) (*catalogue.Action, error) {
	var ps domain.Problems
	ps.Text("/note", n.Note, 0, 2000, true)
	a, ok := k.Action(n.Action)
	if !ok {
		ps.Add("/action", "unknown", "The catalogue knows no such action for this kind of appliance.")
		return nil, ps.Err()
	}
	part, known := k.Part(n.Part)
	switch chosen := slices.Contains(a.Touches, "chosen"); {
	case chosen && n.Part == "":
		ps.Add("/part", "required", "Say to which part: %s is done to a part you name.", a.Name)
	case !chosen && n.Part != "":
		ps.Add("/part", "forbidden", "%s always touches the same parts: leave the part out.", a.Name)
	case n.Part != "" && (!known || !fitted(c.dossier.Unit, part.Has, part.Lacks)):
		ps.Add("/part", "unknown", "This unit has no such part. Correct the unit's features if it has.")
	}
	return a, ps.Err()
}

// Act records an action. One that cleans moves the unit's due dates in the
// same transaction; its day is the day at the site.
func (s *Service) Act(ctx context.Context, p domain.Principal, key once.Key, visit domain.ID, n NewAction) (Action, bool, error) {
	now := s.Now()
	var v calls.Visit
	var c caseRows
	load := func(b *pgx.Batch) {
		c = caseRows{}
		calls.QueueVisit(b, p, visit, &v)
		calls.QueueLock(b, p.Shop, calls.CallOfVisit, visit, &c.call)
		queueCase(b, p, now, atVisit(visit), &c)
	}
	return once.Do(ctx, s.DB, p, now, key, load, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (Action, error) {
		if err := s.openIn(ctx, tx, &c); err != nil {
			return Action{}, err
		}
		entry, at, err := mayAct(&c, v, n, now)
		if err != nil {
			return Action{}, err
		}
		a := Action{ID: domain.NewID(now), CallID: c.call.ID, VisitID: visit, Action: n.Action, Part: n.Part, Note: n.Note,
			DoneBy: p.Person, DoneAt: at, RecordedAt: now}
		out.Queue(`INSERT INTO action (shop_id, id, call_id, visit_id, action, part, note, done_by, done_at, recorded_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			p.Shop, a.ID, a.CallID, a.VisitID, a.Action, a.Part, a.Note, a.DoneBy, a.DoneAt, a.RecordedAt)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "action", ID: a.ID})
		return a, s.queueCleaning(out, tx.P, &c, a, entry)
	})
}

func mayAct(c *caseRows, v calls.Visit, n NewAction, now time.Time) (*catalogue.Action, time.Time, error) {
	entry, err := n.check(c.kind, c)
	if err != nil {
		return nil, now, err
	}
	if err := mustBeOpen(c.call); err != nil {
		return nil, now, err
	}
	if err := mustBeAttended(v); err != nil {
		return nil, now, err
	}
	at, err := moment("/done_at", n.DoneAt, now, c.call)
	return entry, at, err
}

func (s *Service) queueCleaning(b *pgx.Batch, p domain.Principal, c *caseRows, a Action, entry *catalogue.Action) error {
	if len(entry.Cleans) == 0 {
		return nil
	}
	on, err := civilDate(a.DoneAt, c.dossier.Site.TimeZone)
	if err != nil {
		return err
	}
	care.Cleaned(b, p, a.RecordedAt, care.Cleaning{UnitID: c.call.UnitID, ActionID: a.ID, DoneOn: on, Scopes: entry.Cleans, DoneBy: care.ByUs})
	return nil
}

// civilDate is the day of an instant in a time zone.
func civilDate(at time.Time, zone string) (domain.Date, error) {
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return domain.Date{}, err
	}
	return domain.DateOf(at.In(loc)), nil
}

// ListActions gives the actions of a call, voided ones among them, by time.
func (s *Service) ListActions(ctx context.Context, p domain.Principal, call domain.ID) ([]Action, error) {
	var c calls.Call
	var as []Action
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		calls.QueueCall(b, p, call, &c)
		pg.All(b, &as, `SELECT `+actionColumns+` FROM action WHERE shop_id = $1 AND call_id = $2 ORDER BY done_at, id`, p.Shop, call)
	})
	return as, err
}

// VoidAction takes an action back, with the cleaning it was. One that a
// conclusion rests on is a Conflict. Voiding it again changes nothing.
func (s *Service) VoidAction(ctx context.Context, p domain.Principal, id domain.ID, reason string) (Action, error) {
	if err := checkReason(reason); err != nil {
		return Action{}, err
	}
	now := s.Now()
	var c calls.Call
	var a Action
	var uses []struct{ N int }
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			calls.QueueLock(b, p.Shop, callOfAction, id, &c)
			pg.One(b, &a, `SELECT `+actionColumns+` FROM action WHERE shop_id = $1 AND id = $2`, p.Shop, id)
			pg.All(b, &uses, `SELECT 1 AS n FROM conclusion WHERE shop_id = $1 AND action_id = $2 AND voided_at IS NULL`, p.Shop, id)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if err := seesCall(ctx, tx, a.CallID); err != nil || a.VoidedAt != nil {
				return err
			}
			if err := mayVoid(c, len(uses), "action"); err != nil {
				return err
			}
			b := &pgx.Batch{}
			b.Queue(`UPDATE action SET voided_at = $3, voided_by = $4, void_reason = $5 WHERE shop_id = $1 AND id = $2`, p.Shop, id, now, p.Person, reason)
			care.Voided(b, tx.P, now, id, reason)
			audit.Queue(b, tx.P, now, audit.Entry{Action: "voided", Entity: "action", ID: id})
			a.VoidedAt, a.VoidedBy, a.VoidReason = &now, p.Person, reason
			return tx.Send(ctx, b)
		})
	return a, err
}

// seesCall is Absent when a tech has no visit of the call.
func seesCall(ctx context.Context, tx *pg.Tx, call domain.ID) error {
	var c calls.Call
	b := &pgx.Batch{}
	calls.QueueCall(b, tx.P, call, &c)
	return tx.Send(ctx, b)
}

// mayVoid refuses to void what is on a closed call or carries a conclusion.
func mayVoid(c calls.Call, uses int, what string) error {
	if err := mustBeOpen(c); err != nil {
		return err
	}
	if uses > 0 {
		return domain.Errorf(domain.Conflict, "A conclusion rests on this %s. Void the conclusion first.", what)
	}
	return nil
}
