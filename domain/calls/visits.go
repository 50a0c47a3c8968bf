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
	TechID      domain.ID
	StartsAt    time.Time
	EndsAt      time.Time
	ArriveFrom  *time.Time // the window promised to the customer, see Visit
	ArriveUntil *time.Time
	Override    string
	Note        string
}

func (n NewVisit) check() error { return n.visit().Check() }

func (n NewVisit) visit() Visit {
	return Visit{TechID: n.TechID, StartsAt: n.StartsAt, EndsAt: n.EndsAt, ArriveFrom: n.ArriveFrom, ArriveUntil: n.ArriveUntil,
		Override: strings.TrimSpace(n.Override), Note: n.Note, Status: Booked}
}

// Check holds the times, the promised window and the texts of a visit against
// the rules.
func (v Visit) Check() error {
	var ps domain.Problems
	checkWindow(&ps, v.StartsAt, v.EndsAt)
	checkPromise(&ps, v)
	ps.Text("/note", v.Note, 0, 2000, true)
	ps.Text("/override", v.Override, 0, 400, true)
	return ps.Err()
}

// Guard is what a slice above adds to the booking and moving of visits: Load
// queues what it must read, behind the locks of the techs concerned; Judge may
// refuse the visit as it would be, and queues what goes with it. A zero Guard
// adds nothing.
type Guard struct {
	Load  func(b *pgx.Batch)
	Judge func(ctx context.Context, tx *pg.Tx, out *pgx.Batch, v Visit) error
}

func (g Guard) load(b *pgx.Batch) {
	if g.Load != nil {
		g.Load(b)
	}
}

func (g Guard) judge(ctx context.Context, tx *pg.Tx, out *pgx.Batch, v Visit) error {
	if g.Judge == nil {
		return nil
	}
	return g.Judge(ctx, tx, out, v)
}

// Book books a visit of an open call. A tech who already has a visit in the
// window is a Conflict, also when two bookings race.
func (s *Service) Book(ctx context.Context, p domain.Principal, key once.Key, call domain.ID, n NewVisit, g Guard) (Visit, bool, error) {
	if err := n.check(); err != nil {
		return Visit{}, false, err
	}
	now := s.Now()
	var c Call
	var bookable, visited bool
	var notices []customers.NoticeFlag
	load := func(b *pgx.Batch) {
		QueueLockTechs(b, p.Shop, domain.ID{}, n.TechID)
		QueueLock(b, p.Shop, CallByID, call, &c)
		customers.QueueUnitNotices(b, p.Shop, UnitOfCall, call, &notices)
		people.QueueVisits(b, p.Shop, n.TechID, &bookable)
		b.Queue(`SELECT EXISTS (SELECT FROM visit WHERE shop_id = $1 AND call_id = $2 AND status = 'done')`, p.Shop, call).
			QueryRow(func(row pgx.Row) error { return row.Scan(&visited) })
		g.load(b)
	}
	v, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (Visit, error) {
		if c.Status == Closed {
			return Visit{}, closed()
		}
		if !bookable {
			return Visit{}, notBookable()
		}
		v := n.visit()
		v.CallID, v.Notices, v.ReturnVisit = call, notices, visited
		return book(ctx, tx, out, v, g, now)
	})
	return v, replayed, taken(err)
}

// book queues a new visit that the guard lets through.
func book(ctx context.Context, tx *pg.Tx, out *pgx.Batch, v Visit, g Guard, now time.Time) (Visit, error) {
	shop := tx.P.Shop
	v.ID, v.Version, v.CreatedAt, v.UpdatedAt = domain.NewID(now), 1, now, now
	out.Queue(`INSERT INTO visit (shop_id, id, call_id, tech_id, starts_at, ends_at, status, note, created_at, updated_at, arrive_from, arrive_until, override, return_visit)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $9, $10, $11, $12, $13)`, shop, v.ID, v.CallID, v.TechID, v.StartsAt, v.EndsAt, v.Status, v.Note, now,
		v.ArriveFrom, v.ArriveUntil, v.Override, v.ReturnVisit)
	queueVersion(out, tx.P, v, "", now)
	if err := g.judge(ctx, tx, out, v); err != nil {
		return Visit{}, err
	}
	audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "visit", ID: v.ID})
	queueChange(out, shop, v.ID, "booked", now)
	return v, nil
}

// QueueLockTechs makes what changes the day of one tech follow each other: of the
// tech given, and of whoever has the visit now (each may be zero). It comes
// before any row lock, in one order for all: racing changes under the exclusion
// constraint alone can deadlock.
func QueueLockTechs(b *pgx.Batch, shop, visit, tech domain.ID) {
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
		return domain.Wrap(domain.Conflict, err, "%s", Taken().Message)
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
	TechID     domain.ID
	CallID     domain.ID
	Status     VisitStatus
	From       *time.Time
	To         *time.Time
	Unassigned bool       // nobody has it
	LateAt     *time.Time // should be over by then and is not
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
			AND (NOT $11 OR tech_id IS NULL AND status = 'booked')
			AND ($12::timestamptz IS NULL OR ends_at < $12 AND status IN ('booked', 'on_the_way', 'on_site'))
			ORDER BY starts_at, id LIMIT $10`,
			p.Shop, only(p), f.TechID, f.CallID, string(f.Status), f.From, f.To, after.StartsAt, after.ID, size, f.Unassigned, f.LateAt)
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
	Window   *Window // the window promised to the customer
	Override *string
	Reason   string // why it is moved or changes hands; kept with the visit's history
}

// Window is a promised arrival window; both ends nil: none.
type Window struct{ From, Until *time.Time }

func (c VisitChange) moves() bool {
	return c.StartsAt != nil || c.EndsAt != nil || c.TechID != nil || c.Window != nil || c.Override != nil
}

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
	if c.Window != nil {
		v.ArriveFrom, v.ArriveUntil = c.Window.From, c.Window.Until
	}
	if c.Override != nil {
		v.Override = strings.TrimSpace(*c.Override)
	}
}

// changes names what of a visit differs, in the words of the change feed.
func changes(before, after Visit) []string {
	return domain.Changed(
		"moved", !before.StartsAt.Equal(after.StartsAt) || !before.EndsAt.Equal(after.EndsAt) || !sameTime(before.ArriveFrom, after.ArriveFrom) ||
			!sameTime(before.ArriveUntil, after.ArriveUntil) || before.Override != after.Override,
		"assigned", before.TechID != after.TechID,
		"noted", before.Note != after.Note)
}

func sameTime(a, b *time.Time) bool {
	return a == nil && b == nil || a != nil && b != nil && a.Equal(*b)
}

// ChangeVisit moves, reassigns or notes a visit if its version is still
// version. Only a booked visit moves or changes hands, and not by a tech; the
// note may be changed at any time. What changes nothing writes nothing.
func (s *Service) ChangeVisit(ctx context.Context, p domain.Principal, id domain.ID, version int64, c VisitChange, g Guard) (Visit, error) {
	if p.Role == domain.Tech && c.moves() {
		return Visit{}, domain.Errorf(domain.Forbidden, "Visits are moved and assigned by a dispatcher or the owner.")
	}
	var v Visit
	var call Call
	var bookable bool
	load := func(b *pgx.Batch) {
		if c.moves() {
			QueueLockTechs(b, p.Shop, id, c.tech())
		}
		people.QueueVisits(b, p.Shop, c.tech(), &bookable)
		QueueLock(b, p.Shop, CallOfVisit, id, &call)
		if c.moves() {
			g.load(b)
		}
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
		b.Queue(`UPDATE visit SET tech_id = $3, starts_at = $4, ends_at = $5, note = $6, version = $7, updated_at = $8, arrive_from = $9, arrive_until = $10, override = $11
			WHERE shop_id = $1 AND id = $2`, p.Shop, id, v.TechID, v.StartsAt, v.EndsAt, v.Note, v.Version, now, v.ArriveFrom, v.ArriveUntil, v.Override)
		queueVersion(b, tx.P, v, c.Reason, now)
		if slices.Contains(what, "moved") || slices.Contains(what, "assigned") {
			if err := g.judge(ctx, tx, b, v); err != nil {
				return err
			}
		}
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
	ps.Text("/reason", c.Reason, 0, 400, true)
	if err := ps.Err(); err != nil {
		return err
	}
	return v.Check()
}

// queueVersion keeps what a visit is from now on, and why.
func queueVersion(b *pgx.Batch, p domain.Principal, v Visit, reason string, now time.Time) {
	b.Queue(`INSERT INTO visit_version (shop_id, visit_id, version, tech_id, starts_at, ends_at, arrive_from, arrive_until, status, reason, changed_by, changed_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		p.Shop, v.ID, v.Version, v.TechID, v.StartsAt, v.EndsAt, v.ArriveFrom, v.ArriveUntil, v.Status, reason, p.Person, now)
}

// queueMinutes keeps how long a visit took that is done: from the tech's
// arrival to now.
func queueMinutes(b *pgx.Batch, shop domain.ID, v Visit, now time.Time) {
	b.Queue(`INSERT INTO visit_minutes (shop_id, visit_id, kind, complaint, return_visit, minutes, ended_at)
		SELECT c.shop_id, $2, (`+customers.KindOf(`c.unit_id`)+`), c.complaint, $3, least(1440, greatest(1, extract(epoch FROM ($4 - h.changed_at)) / 60)), $4
		FROM call c JOIN visit_version h ON h.shop_id = c.shop_id AND h.visit_id = $2 AND h.status = 'on_site'
		WHERE c.shop_id = $1 AND c.id = $5 ORDER BY h.version DESC LIMIT 1`, shop, v.ID, v.ReturnVisit, now, v.CallID)
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
		queueVersion(b, tx.P, v, reason, now)
		if to == Done {
			queueMinutes(b, p.Shop, v, now)
		}
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

// VisitVersion is one state a visit was in.
type VisitVersion struct {
	Version     int64       `db:"version"`
	TechID      domain.ID   `db:"tech_id"`
	StartsAt    time.Time   `db:"starts_at"`
	EndsAt      time.Time   `db:"ends_at"`
	ArriveFrom  *time.Time  `db:"arrive_from"`
	ArriveUntil *time.Time  `db:"arrive_until"`
	Status      VisitStatus `db:"status"`
	Reason      string      `db:"reason"`
	ChangedBy   domain.ID   `db:"changed_by"` // zero: the service itself
	ChangedAt   time.Time   `db:"changed_at"`
}

// VisitHistory gives every state a visit was in, oldest first; another tech's
// visit is absent to a tech.
func (s *Service) VisitHistory(ctx context.Context, p domain.Principal, id domain.ID) ([]VisitVersion, error) {
	var v Visit
	var vs []VisitVersion
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		QueueVisit(b, p, id, &v)
		pg.All(b, &vs, `SELECT version, tech_id, starts_at, ends_at, arrive_from, arrive_until, status, reason, changed_by, changed_at
			FROM visit_version WHERE shop_id = $1 AND visit_id = $2 ORDER BY version`, p.Shop, id)
	})
	return vs, err
}
