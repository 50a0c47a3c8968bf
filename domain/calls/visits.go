package calls

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// NewVisit is a visit to book. Without a tech it waits to be assigned.
type NewVisit struct {
	TechID   domain.ID
	StartsAt time.Time
	EndsAt   time.Time
	Note     string
}

func (n NewVisit) check() error {
	var ps domain.Problems
	checkWindow(&ps, n.StartsAt, n.EndsAt)
	ps.Text("/note", n.Note, 0, 2000, true)
	return ps.Err()
}

// Book books a visit of an open call. A tech who already has a visit in the
// window is a Conflict, also when two bookings race.
func (s *Service) Book(ctx context.Context, p domain.Principal, key once.Key, call domain.ID, n NewVisit) (Visit, bool, error) {
	if err := n.check(); err != nil {
		return Visit{}, false, err
	}
	now := s.Now()
	var c Call
	var bookable bool
	var notices []customers.NoticeFlag
	load := func(b *pgx.Batch) {
		lockTechs(b, p.Shop, domain.ID{}, n.TechID)
		QueueLock(b, p.Shop, CallByID, call, &c)
		customers.QueueUnitNotices(b, p.Shop, UnitOfCall, call, &notices)
		people.QueueVisits(b, p.Shop, n.TechID, &bookable)
	}
	v, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Visit, error) {
		if c.Status == Closed {
			return Visit{}, closed()
		}
		if !bookable {
			return Visit{}, notBookable()
		}
		v := Visit{ID: domain.NewID(now), CallID: call, TechID: n.TechID, StartsAt: n.StartsAt, EndsAt: n.EndsAt, Status: Booked,
			Note: n.Note, Version: 1, CreatedAt: now, UpdatedAt: now, Notices: notices}
		out.Queue(`INSERT INTO visit (shop_id, id, call_id, tech_id, starts_at, ends_at, status, note, created_at, updated_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`, p.Shop, v.ID, call, v.TechID, v.StartsAt, v.EndsAt, v.Status, v.Note, now, now)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "visit", ID: v.ID})
		queueChange(out, p.Shop, v.ID, "booked", now)
		return v, nil
	})
	return v, replayed, taken(err)
}

// lockTechs makes what changes the day of one tech follow each other: of the
// tech given, and of whoever has the visit now (each may be zero). It comes
// before any row lock, in one order for all: racing changes under the exclusion
// constraint alone can deadlock.
func lockTechs(b *pgx.Batch, shop, visit, tech domain.ID) {
	b.Queue(`SELECT pg_advisory_xact_lock(key) FROM (
			SELECT DISTINCT hashtextextended('visit ' || $1::uuid::text || ' ' || tech::text, 0) AS key
			FROM (SELECT tech_id AS tech FROM visit WHERE shop_id = $1 AND id = $2 UNION SELECT $3::uuid) t
			WHERE tech IS NOT NULL ORDER BY key) k`, shop, visit, tech)
}

func notBookable() error {
	return domain.Field("/tech_id", "unknown", "There is no such active tech or owner in this shop.")
}

// taken puts words to a double booking.
func taken(err error) error {
	if pg.Violates(err, "visit_no_double_booking") {
		return domain.Wrap(domain.Conflict, err, "This tech already has a visit in that time. Choose another time or another tech.")
	}
	return err
}

// ReadVisit gives a visit; another tech's is absent to a tech.
func (s *Service) ReadVisit(ctx context.Context, p domain.Principal, id domain.ID) (Visit, error) {
	var v Visit
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queueNoticed(b, p, id, &v) })
	return v, err
}

// queueNoticed is QueueVisit with the safety notices of the unit.
func queueNoticed(b *pgx.Batch, p domain.Principal, id domain.ID, dst *Visit) {
	QueueVisit(b, p, id, dst)
	customers.QueueUnitNotices(b, p.Shop, UnitOfVisit, id, &dst.Notices)
}

// VisitFilter chooses visits; zero values choose all. From and To choose
// visits with any part in between.
type VisitFilter struct {
	TechID domain.ID
	CallID domain.ID
	Status VisitStatus
	From   *time.Time
	To     *time.Time
}

// VisitKey is where a page of visits begins: after this start and id. The zero
// key begins at the first.
type VisitKey struct {
	StartsAt time.Time `json:"t"`
	ID       domain.ID `json:"i"`
}

// ListVisits gives up to size visits by start, after the key. A tech gets
// their own.
func (s *Service) ListVisits(ctx context.Context, p domain.Principal, f VisitFilter, after VisitKey, size int) ([]Visit, error) {
	var vs []Visit
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		// The bound of a visit's length lets the index on starts_at find overlaps.
		pg.All(b, &vs, `SELECT `+visitColumns+` FROM visit
			WHERE shop_id = $1 AND ($2::uuid IS NULL OR tech_id = $2) AND ($3::uuid IS NULL OR tech_id = $3)
			AND ($4::uuid IS NULL OR call_id = $4) AND ($5 = '' OR status = $5)
			AND ($6::timestamptz IS NULL OR ends_at > $6 AND starts_at > $6 - interval '24 hours') AND ($7::timestamptz IS NULL OR starts_at < $7)
			AND ($9::uuid IS NULL OR (starts_at, id) > ($8, $9))
			ORDER BY starts_at, id LIMIT $10`,
			p.Shop, only(p), f.TechID, f.CallID, string(f.Status), f.From, f.To, after.StartsAt, after.ID, size)
	})
	if err != nil || len(vs) == 0 {
		return vs, err
	}
	return vs, s.addNotices(ctx, p, vs)
}

// addNotices fills in the safety notices of visits p sees.
func (s *Service) addNotices(ctx context.Context, p domain.Principal, vs []Visit) error {
	ids := make([]string, 0, len(vs))
	for _, v := range vs {
		ids = append(ids, v.ID.String())
	}
	units := map[domain.ID]domain.ID{} // by visit
	var flags map[domain.ID][]customers.NoticeFlag
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		b.Queue(`SELECT v.id, c.unit_id FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
			WHERE v.shop_id = $1 AND v.id = ANY($2::uuid[])`, p.Shop, ids).Query(func(rows pgx.Rows) error {
			var visit, unit domain.ID
			_, err := pgx.ForEachRow(rows, []any{&visit, &unit}, func() error { units[visit] = unit; return nil })
			return err
		})
		customers.QueueNotices(b, p.Shop, UnitsOfVisits, ids, &flags)
	})
	for i := range vs {
		vs[i].Notices = flags[units[vs[i].ID]]
	}
	return err
}

// VisitChange says what of a visit to change; nil keeps. A zero TechID takes
// the visit from its tech.
type VisitChange struct {
	StartsAt *time.Time
	EndsAt   *time.Time
	TechID   *domain.ID
	Note     *string
}

func (c VisitChange) moves() bool { return c.StartsAt != nil || c.EndsAt != nil || c.TechID != nil }

// tech is who gets the visit; zero for nobody, or for who has it.
func (c VisitChange) tech() domain.ID {
	if c.TechID == nil {
		return domain.ID{}
	}
	return *c.TechID
}

func (c VisitChange) apply(v *Visit) {
	if c.StartsAt != nil {
		v.StartsAt = *c.StartsAt
	}
	if c.EndsAt != nil {
		v.EndsAt = *c.EndsAt
	}
	if c.TechID != nil {
		v.TechID = *c.TechID
	}
	if c.Note != nil {
		v.Note = *c.Note
	}
}

// changes names what of a visit differs, in the words of the change feed.
func changes(before, after Visit) []string {
	return domain.Changed(
		"moved", !before.StartsAt.Equal(after.StartsAt) || !before.EndsAt.Equal(after.EndsAt),
		"assigned", before.TechID != after.TechID,
		"noted", before.Note != after.Note)
}

// ChangeVisit moves, reassigns or notes a visit if its version is still
// version. Only a booked visit moves or changes hands, and not by a tech; the
// note may be changed at any time. What changes nothing writes nothing.
func (s *Service) ChangeVisit(ctx context.Context, p domain.Principal, id domain.ID, version int64, c VisitChange) (Visit, error) {
	if p.Role == domain.Tech && c.moves() {
		return Visit{}, domain.Errorf(domain.Forbidden, "Visits are moved and assigned by a dispatcher or the owner.")
	}
	var v Visit
	var call Call
	var bookable bool
	load := func(b *pgx.Batch) {
		if c.moves() {
			lockTechs(b, p.Shop, id, c.tech())
		}
		people.QueueVisits(b, p.Shop, c.tech(), &bookable)
		QueueLock(b, p.Shop, CallOfVisit, id, &call)
		queueNoticed(b, p, id, &v)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		before := v
		if err := c.judge(&v, version, bookable); err != nil {
			return err
		}
		what := changes(before, v)
		if len(what) == 0 {
			return nil
		}
		now, b := s.Now(), &pgx.Batch{}
		v.Version++
		v.UpdatedAt = now
		b.Queue(`UPDATE visit SET tech_id = $3, starts_at = $4, ends_at = $5, note = $6, version = $7, updated_at = $8
			WHERE shop_id = $1 AND id = $2`, p.Shop, id, v.TechID, v.StartsAt, v.EndsAt, v.Note, v.Version, now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "visit", ID: id, Fields: audit.Diff(before, v)})
		for _, w := range what {
			queueChange(b, p.Shop, id, w, now)
		}
		return tx.Send(ctx, b)
	})
	return v, taken(err)
}

// judge applies the change to v, or says why not.
func (c VisitChange) judge(v *Visit, version int64, bookable bool) error {
	before := *v
	c.apply(v)
	what := changes(before, *v)
	switch {
	case !domain.SameVersion(version, before.Version):
		return pg.Stale()
	case before.Status != Booked && (slices.Contains(what, "moved") || slices.Contains(what, "assigned")):
		return domain.Errorf(domain.Conflict, "This visit is %s. Only a booked visit can be moved or given to somebody else.", before.Status)
	case !bookable && before.TechID != v.TechID:
		return notBookable()
	}
	var ps domain.Problems
	checkWindow(&ps, v.StartsAt, v.EndsAt)
	ps.Text("/note", v.Note, 0, 2000, true)
	return ps.Err()
}

// SetVisitStatus takes a visit one step through its life cycle if its version
// is still version: booked, on_the_way, on_site, done; cancelled before
// anybody is there (with a reason, not by a tech); no_access when nobody let
// the tech in. A tech steps their own visits.
func (s *Service) SetVisitStatus(ctx context.Context, p domain.Principal, id domain.ID, version int64, to VisitStatus, reason string) (Visit, error) {
	if err := checkReason(to, reason); err != nil {
		return Visit{}, err
	}
	if p.Role == domain.Tech && to == VisitCancelled {
		return Visit{}, domain.Errorf(domain.Forbidden, "Visits are cancelled by a dispatcher or the owner.")
	}
	var v Visit
	var call Call
	load := func(b *pgx.Batch) {
		QueueLock(b, p.Shop, CallOfVisit, id, &call)
		queueNoticed(b, p, id, &v)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if !domain.SameVersion(version, v.Version) {
			return pg.Stale()
		}
		if err := checkStep(v, call.Status, to); err != nil {
			return err
		}
		now, b := s.Now(), &pgx.Batch{}
		v.Status, v.Reason, v.UpdatedAt = to, reason, now
		v.Version++
		b.Queue(`UPDATE visit SET status = $3, cancel_reason = $4, version = $5, updated_at = $6 WHERE shop_id = $1 AND id = $2`,
			p.Shop, id, v.Status, v.Reason, v.Version, now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "visit", ID: id, Fields: []string{"status"}})
		queueChange(b, p.Shop, id, feedWord(to), now)
		return tx.Send(ctx, b)
	})
	return v, err
}

func checkReason(to VisitStatus, reason string) error {
	var ps domain.Problems
	ps.Text("/reason", reason, 0, 400, true)
	switch {
	case !slices.Contains(VisitStatuses(), to):
		ps.Add("/status", "not_listed", "Give one of on_the_way, on_site, done, cancelled, no_access.")
	case to == VisitCancelled && strings.TrimSpace(reason) == "":
		ps.Add("/reason", "required", "Say why the visit is cancelled.")
	case to != VisitCancelled && to != VisitNoAccess && reason != "":
		ps.Add("/reason", "not_expected", "A reason belongs to cancelled and no_access only.")
	}
	return ps.Err()
}

func feedWord(to VisitStatus) string {
	if to == VisitCancelled {
		return "cancelled"
	}
	return "status"
}
