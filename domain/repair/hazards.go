package repair

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// Level is how grave a hazard is.
type Level string

// The levels of a hazard, gravest first.
const (
	DangerNow        Level = "danger_now"         // must not be used as it is
	AtRisk           Level = "at_risk"            // can become dangerous
	BelowPresentCode Level = "below_present_code" // was allowed when it was made
)

// Levels lists the levels of a hazard, gravest first.
func Levels() []Level { return []Level{DangerNow, AtRisk, BelowPresentCode} }

// Hazard is a danger found at the unit or its place, within the complaint or
// outside of it.
type Hazard struct {
	ID          domain.ID  `db:"id"`
	CallID      domain.ID  `db:"call_id"`
	VisitID     domain.ID  `db:"visit_id"`
	What        string     `db:"what"` // id of a HazardKind
	Level       Level      `db:"level"`
	Found       string     `db:"found"`
	Done        string     `db:"done"`
	Told        string     `db:"told"` // who was told
	ToldAt      time.Time  `db:"told_at"`
	NoticeGiven bool       `db:"notice_given"` // a written notice was left
	FoundBy     domain.ID  `db:"found_by"`
	FoundAt     time.Time  `db:"found_at"`
	ClearedAt   *time.Time `db:"cleared_at"`
	ClearedBy   domain.ID  `db:"cleared_by"`
	ClearedNote string     `db:"cleared_note"`
}

const hazardColumns = `id, call_id, visit_id, what, level, found, done, told, told_at, notice_given, found_by, found_at, cleared_at, cleared_by, cleared_note`

// Kind is what is known of hazards like this one.
func (h Hazard) Kind() HazardKind {
	k, _ := hazardKind(h.What)
	return k
}

// Stops says whether the hazard keeps the unit out of use: not cleared, and a
// danger now or a safety device.
func (h Hazard) Stops() bool {
	return h.ClearedAt == nil && (h.Level == DangerNow || h.Kind().Device)
}

// NewHazard is a hazard as it is recorded. ToldAt zero is now.
type NewHazard struct {
	What        string
	Level       Level
	Found       string
	Done        string
	Told        string
	ToldAt      time.Time
	NoticeGiven bool
}

func (n NewHazard) check() error {
	var ps domain.Problems
	k, ok := hazardKind(n.What)
	if !ok {
		ps.Add("/what", "unknown", "A hazard is one of: %s.", strings.Join(hazardIDs(), ", "))
	}
	switch {
	case !slices.Contains(Levels(), n.Level):
		ps.Add("/level", "unknown", "A level is danger_now, at_risk or below_present_code.")
	case ok && k.Least == DangerNow && n.Level != DangerNow:
		ps.Add("/level", "too_low", "%s: this is always danger_now.", k.Plain)
	}
	ps.Text("/found", n.Found, 1, 2000, true)
	ps.Text("/done", n.Done, 1, 2000, true)
	ps.Text("/told", n.Told, 1, 200, false)
	return ps.Err()
}

func hazardIDs() []string {
	out := make([]string, 0, len(hazardKinds))
	for _, k := range hazardKinds {
		out = append(out, k.ID)
	}
	return out
}

// FoundHazard records a hazard found at a visit, with what was done about it
// and who was told.
func (s *Service) FoundHazard(ctx context.Context, p domain.Principal, key once.Key, visit domain.ID, n NewHazard) (Hazard, bool, error) {
	if err := n.check(); err != nil {
		return Hazard{}, false, err
	}
	now := s.Now()
	var v calls.Visit
	var c calls.Call
	load := func(b *pgx.Batch) {
		calls.QueueVisit(b, p, visit, &v)
		calls.QueueLock(b, p.Shop, calls.CallOfVisit, visit, &c)
	}
	return once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Hazard, error) {
		if err := mustBeOpen(c); err != nil {
			return Hazard{}, err
		}
		if err := mustBeAttended(v); err != nil {
			return Hazard{}, err
		}
		told, err := moment("/told_at", n.ToldAt, now, c)
		if err != nil {
			return Hazard{}, err
		}
		h := Hazard{ID: domain.NewID(now), CallID: c.ID, VisitID: visit, What: n.What, Level: n.Level, Found: n.Found, Done: n.Done, Told: n.Told,
			ToldAt: told, NoticeGiven: n.NoticeGiven, FoundBy: p.Person, FoundAt: now}
		out.Queue(`INSERT INTO hazard (shop_id, id, call_id, visit_id, what, level, found, done, told, told_at, notice_given, found_by, found_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
			p.Shop, h.ID, h.CallID, h.VisitID, h.What, h.Level, h.Found, h.Done, h.Told, h.ToldAt, h.NoticeGiven, h.FoundBy, h.FoundAt)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "hazard", ID: h.ID})
		return h, nil
	})
}

func queueHazards(b *pgx.Batch, shop, call domain.ID, dst *[]Hazard) {
	pg.All(b, dst, `SELECT `+hazardColumns+` FROM hazard WHERE shop_id = $1 AND call_id = $2 ORDER BY found_at, id`, shop, call)
}

// ListHazards gives the hazards found on a call, oldest first, cleared ones
// among them.
func (s *Service) ListHazards(ctx context.Context, p domain.Principal, call domain.ID) ([]Hazard, error) {
	var c calls.Call
	var hs []Hazard
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		calls.QueueCall(b, p, call, &c)
		queueHazards(b, p.Shop, call, &hs)
	})
	return hs, err
}

// callOfHazard gives the call of a hazard: $1 is the shop, $2 the hazard.
const callOfHazard = `SELECT call_id FROM hazard WHERE shop_id = $1 AND id = $2`

// ClearHazard says that a hazard is no more, and why. It may follow the
// closing of the call: an electrician comes later. Clearing it again changes
// nothing.
func (s *Service) ClearHazard(ctx context.Context, p domain.Principal, id domain.ID, note string) (Hazard, error) {
	var ps domain.Problems
	if ps.Text("/note", note, 1, 2000, true); ps.Err() != nil {
		return Hazard{}, ps.Err()
	}
	now := s.Now()
	var c calls.Call
	var h Hazard
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			calls.QueueLock(b, p.Shop, callOfHazard, id, &c)
			pg.One(b, &h, `SELECT `+hazardColumns+` FROM hazard WHERE shop_id = $1 AND id = $2`, p.Shop, id)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if err := seesCall(ctx, tx, h.CallID); err != nil || h.ClearedAt != nil {
				return err
			}
			b := &pgx.Batch{}
			b.Queue(`UPDATE hazard SET cleared_at = $3, cleared_by = $4, cleared_note = $5 WHERE shop_id = $1 AND id = $2`, p.Shop, id, now, p.Person, note)
			audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "hazard", ID: id, Fields: []string{"cleared_at", "cleared_note"}})
			h.ClearedAt, h.ClearedBy, h.ClearedNote = &now, p.Person, note
			return tx.Send(ctx, b)
		})
	return h, err
}
