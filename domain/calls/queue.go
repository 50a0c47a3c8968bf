package calls

import (
	"errors"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/customers"
	"drumline/shared/pg"
)

// Subqueries for functions that take one: $1 is the shop, $2 the id named. They
// let a slice above read or lock what it needs in its first round trip.
const (
	// CallByID gives the call with the id itself.
	CallByID = `SELECT $2::uuid`
	// CallOfVisit gives the call of a visit.
	CallOfVisit = `SELECT call_id FROM visit WHERE shop_id = $1 AND id = $2`
	// UnitOfCall gives the unit of a call.
	UnitOfCall = `SELECT unit_id FROM call WHERE shop_id = $1 AND id = $2`
	// UnitOfVisit gives the unit of a visit's call.
	UnitOfVisit = `SELECT c.unit_id FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
		WHERE v.shop_id = $1 AND v.id = $2`
	// UnitsOfVisits gives the units of a list of visits, whose ids are text: for
	// customers.QueueNotices, say of a day's visits.
	UnitsOfVisits = `SELECT c.unit_id FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
		WHERE v.shop_id = $1 AND v.id = ANY($2::uuid[])`
	// ComplaintOfCall gives the complaint of a call.
	ComplaintOfCall = `SELECT complaint FROM call WHERE shop_id = $1 AND id = $2`
	// ComplaintOfVisit gives the complaint of a visit's call.
	ComplaintOfVisit = `SELECT c.complaint FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
		WHERE v.shop_id = $1 AND v.id = $2`
	// UnitsOfTech gives the units a tech has a visit to, now or long ago.
	UnitsOfTech = `SELECT c.unit_id FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
		WHERE v.shop_id = $1 AND v.tech_id = $2`
	// OpenOfUnit gives the calls of a unit that are not closed.
	OpenOfUnit = `SELECT id FROM call WHERE shop_id = $1 AND unit_id = $2 AND status <> 'closed'`
)

const callColumns = `id, unit_id, complaint, description, status, coalesce(outcome, '') AS outcome, outcome_note, comes_back_from,
	opened_by, opened_at, closed_by, closed_at, version, edition, status_since, parts_arrived_at`

const visitColumns = `id, call_id, tech_id, starts_at, ends_at, status, note, cancel_reason, version, created_at, updated_at,
	arrive_from, arrive_until, override, return_visit`

// only is whose visits p may see: a tech their own, everybody else all (zero).
func only(p domain.Principal) domain.ID {
	if p.Role == domain.Tech {
		return p.Person
	}
	return domain.ID{}
}

// QueueLock reads a call and locks its row until the transaction ends, so that
// readings, actions and the closing of one call follow each other. callOf is
// CallByID or CallOfVisit. It asks for no right: queue QueueVisit or QueueCall
// too. An absent call is domain.Absent.
func QueueLock(b *pgx.Batch, shop domain.ID, callOf string, arg domain.ID, dst *Call) {
	pg.One(b, dst, `SELECT `+callColumns+` FROM call WHERE shop_id = $1 AND id = (`+callOf+`) FOR NO KEY UPDATE`, shop, arg)
}

// QueueVisit reads a visit; another tech's is absent to a tech.
func QueueVisit(b *pgx.Batch, p domain.Principal, visit domain.ID, dst *Visit) {
	pg.One(b, dst, `SELECT `+visitColumns+` FROM visit
		WHERE shop_id = $1 AND id = $2 AND ($3::uuid IS NULL OR tech_id = $3)`, p.Shop, visit, only(p))
}

// QueueCall reads a call; to a tech one without a visit of theirs is absent.
func QueueCall(b *pgx.Batch, p domain.Principal, call domain.ID, dst *Call) {
	pg.One(b, dst, `SELECT `+callColumns+` FROM call c WHERE shop_id = $1 AND id = $2 AND `+callSeenBy("$3"), p.Shop, call, only(p))
}

// callSeenBy is the condition that a call c has a visit of the tech in the
// parameter, or that the parameter is NULL.
func callSeenBy(param string) string {
	return `(` + param + `::uuid IS NULL OR EXISTS (SELECT FROM visit v WHERE v.shop_id = $1 AND v.call_id = c.id AND v.tech_id = ` + param + `))`
}

// QueueAnswers reads the triage answers of a call, question id to answer id.
// dst is never nil afterwards; an absent call has none.
func QueueAnswers(b *pgx.Batch, shop domain.ID, callOf string, arg domain.ID, dst *map[string]string) {
	b.Queue(`SELECT question, answer FROM call_answer WHERE shop_id = $1 AND call_id = (`+callOf+`)`, shop, arg).Query(func(rows pgx.Rows) error {
		answers := map[string]string{}
		var q, a string
		_, err := pgx.ForEachRow(rows, []any{&q, &a}, func() error { answers[q] = a; return nil })
		*dst = answers
		return err
	})
}

// Close ends a call with an outcome, and cancels its visits that are still
// only booked. A call closed already is a Conflict. Whether the outcome is
// allowed is the caller's to judge, with the call locked. Queue it late: it
// takes the lock of the shop's change feed.
func Close(b *pgx.Batch, p domain.Principal, now time.Time, call domain.ID, outcome Outcome, note string) {
	pg.Changed(b, closed(), `UPDATE call SET status = 'closed', outcome = $3, outcome_note = $4, closed_by = $5, closed_at = $6, status_since = $6, version = version + 1
		WHERE shop_id = $1 AND id = $2 AND status <> 'closed'`, p.Shop, call, outcome, note, p.Person, now)
	audit.Queue(b, p, now, audit.Entry{Action: "closed", Entity: "call", ID: call, Fields: []string{"status", "outcome"}})
	cancelBooked(b, p, call, now)
}

// TakeEdition lets a call be judged by another edition of the shop's content.
func TakeEdition(b *pgx.Batch, p domain.Principal, now time.Time, call domain.ID, edition int64) {
	pg.Changed(b, closed(), `UPDATE call SET edition = $3, version = version + 1 WHERE shop_id = $1 AND id = $2 AND status <> 'closed'`,
		p.Shop, call, edition)
	audit.Queue(b, p, now, audit.Entry{Action: "changed", Entity: "call", ID: call, Fields: []string{"edition"}})
}

func closed() error {
	return domain.Errorf(domain.Conflict, "This call is closed. Open a new call for the unit.")
}

// cancelBooked cancels what is booked for a call that ends, with one number of
// the change feed for each visit. Without such a visit the feed is not touched.
func cancelBooked(b *pgx.Batch, p domain.Principal, call domain.ID, now time.Time) {
	b.Queue(`WITH c AS (
			UPDATE visit SET status = 'cancelled', cancel_reason = 'The call was closed.', version = version + 1, updated_at = $3
			WHERE shop_id = $1 AND call_id = $2 AND status = 'booked'
			RETURNING id, version, tech_id, starts_at, ends_at, arrive_from, arrive_until, status, cancel_reason
		), h AS (
			INSERT INTO visit_version (shop_id, visit_id, version, tech_id, starts_at, ends_at, arrive_from, arrive_until, status, reason, changed_by, changed_at)
			SELECT $1, id, version, tech_id, starts_at, ends_at, arrive_from, arrive_until, status, cancel_reason, $4, $3 FROM c
		), n AS (SELECT id, row_number() OVER (ORDER BY id) AS nth, count(*) OVER () AS total FROM c),
		f AS (UPDATE shop_feed SET seq = seq + (SELECT max(total) FROM n) WHERE shop_id = $1 AND EXISTS (SELECT FROM n) RETURNING seq)
		INSERT INTO visit_change (shop_id, seq, visit_id, change, at)
		SELECT $1, f.seq - n.total + n.nth, n.id, 'cancelled', $3 FROM n CROSS JOIN f`, p.Shop, call, now, p.Person)
}

// queueChange writes one change of a visit into the shop's feed. It is queued
// after everything else of the transaction: the counter's row stays locked
// until the commit, which makes the order of numbers the order of commits, and
// bookings of other techs wait for it.
func queueChange(b *pgx.Batch, shop, visit domain.ID, change string, now time.Time) {
	pg.Changed(b, errNoFeed, `WITH f AS (UPDATE shop_feed SET seq = seq + 1 WHERE shop_id = $1 RETURNING seq)
		INSERT INTO visit_change (shop_id, seq, visit_id, change, at) SELECT $1, f.seq, $2, $3, $4 FROM f`, shop, visit, change, now)
}

var errNoFeed = errors.New("calls: the shop has no change counter")

// UnitsOfDays gives the units with a visit that takes its tech's time between
// the instants $2 and $3.
const UnitsOfDays = `SELECT c.unit_id FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
	WHERE v.shop_id = $1 AND v.starts_at < $3 AND v.ends_at > $2 AND v.starts_at > $2 - interval '24 hours'`

// Appointment is a visit with the unit and complaint of its call.
type Appointment struct {
	Visit
	UnitID    domain.ID `db:"unit_id"`
	Complaint string    `db:"complaint"`
	Edition   int64     `db:"edition"` // of the call
	// PartsArrivedAt is when the parts came that the call waited for, or nil.
	PartsArrivedAt *time.Time `db:"parts_arrived_at"`
}

// QueueAppointments reads the visits that take a tech's time between two
// instants, by start; of all techs, and those nobody has, when tech is zero.
func QueueAppointments(b *pgx.Batch, shop, tech domain.ID, from, until time.Time, dst *[]Appointment) {
	pg.All(b, dst, `SELECT `+prefixed("v", visitColumns)+`, c.unit_id, c.complaint, c.edition, c.parts_arrived_at FROM visit v
		JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
		WHERE v.shop_id = $1 AND ($4::uuid IS NULL OR v.tech_id = $4) AND v.starts_at < $3 AND v.ends_at > $2 AND v.starts_at > $2 - interval '24 hours'
		AND v.status IN ('booked', 'on_the_way', 'on_site', 'done') ORDER BY v.starts_at, v.id`, shop, from, until, tech)
}

// prefixed puts a table's alias before each column of a list.
func prefixed(alias, columns string) string {
	names := strings.Split(columns, ",")
	for i, n := range names {
		names[i] = alias + "." + strings.TrimSpace(n)
	}
	return strings.Join(names, ", ")
}

// QueueTaken reads whether a tech has a visit between two instants.
func QueueTaken(b *pgx.Batch, shop, tech domain.ID, starts, ends time.Time, dst *bool) {
	b.Queue(`SELECT EXISTS (SELECT FROM visit WHERE shop_id = $1 AND tech_id = $2 AND status IN ('booked', 'on_the_way', 'on_site', 'done')
		AND tstzrange(starts_at, ends_at, '[)') && tstzrange($3, $4, '[)'))`, shop, tech, starts, ends).QueryRow(func(row pgx.Row) error { return row.Scan(dst) })
}

// Taken is the Conflict of a window that is no longer free.
func Taken() *domain.Error {
	return domain.Errorf(domain.Conflict, "This tech already has a visit in that time. Choose another time or another tech.")
}

// LeastVisits is how many finished visits it takes for their median to count.
const LeastVisits = 5

// QueueMinutes reads the median minutes of the latest hundred finished visits
// of the same kind and complaint as a call's, first or return like the next
// one; n is how many there are. They are from the tech's arrival to done.
func QueueMinutes(b *pgx.Batch, shop, call domain.ID, dst *Minutes) {
	b.Queue(`SELECT count(*), coalesce(percentile_cont(0.5) WITHIN GROUP (ORDER BY m.minutes), 0), r.again FROM (
			SELECT EXISTS (SELECT FROM visit v WHERE v.shop_id = $1 AND v.call_id = $2 AND v.status = 'done') AS again) r
		LEFT JOIN LATERAL (
			SELECT x.minutes FROM visit_minutes x JOIN call c ON c.shop_id = x.shop_id AND c.id = $2
			WHERE x.shop_id = $1 AND x.complaint = c.complaint AND x.return_visit = r.again
			AND x.kind = (`+customers.KindOf(`c.unit_id`)+`) ORDER BY x.ended_at DESC LIMIT 100) m ON true
		GROUP BY r.again`, shop, call).QueryRow(func(row pgx.Row) error { return row.Scan(&dst.Visits, &dst.Median, &dst.Return) })
}

// Minutes is how long visits like the next one of a call took.
type Minutes struct {
	Visits int
	Median float64 // minutes; 0 without visits
	Return bool    // the call was visited before
}

// UnitsOfFeed gives the units with a visit between the instants $2 and $3,
// whatever came of it.
const UnitsOfFeed = `SELECT c.unit_id FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
	WHERE v.shop_id = $1 AND v.starts_at >= $2 AND v.starts_at < $3`

// QueueFeed reads up to limit visits that begin between two instants, whatever
// came of them, latest first; of all techs when tech is zero.
func QueueFeed(b *pgx.Batch, shop, tech domain.ID, from, until time.Time, limit int, dst *[]Appointment) {
	pg.All(b, dst, `SELECT `+prefixed("v", visitColumns)+`, c.unit_id, c.complaint, c.edition, c.parts_arrived_at FROM visit v
		JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
		WHERE v.shop_id = $1 AND ($2::uuid IS NULL OR v.tech_id = $2) AND v.starts_at >= $3 AND v.starts_at < $4
		ORDER BY v.starts_at DESC, v.id LIMIT $5`, shop, tech, from, until, limit)
}

// QueueUnitCalls reads the latest calls of a unit, up to limit.
func QueueUnitCalls(b *pgx.Batch, shop, unit domain.ID, limit int, dst *[]Call) {
	pg.All(b, dst, `SELECT `+callColumns+` FROM call WHERE shop_id = $1 AND unit_id = $2 ORDER BY opened_at DESC, id DESC LIMIT $3`, shop, unit, limit)
}

// QueueUnitVisits reads the visits of a unit that are booked or under way, by
// start.
func QueueUnitVisits(b *pgx.Batch, shop, unit domain.ID, dst *[]Visit) {
	pg.All(b, dst, `SELECT `+prefixed("v", visitColumns)+` FROM visit v JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id
		WHERE v.shop_id = $1 AND c.unit_id = $2 AND v.status IN ('booked', 'on_the_way', 'on_site') ORDER BY v.starts_at, v.id`, shop, unit)
}

// CallsOfUnit gives the calls of a unit.
const CallsOfUnit = `SELECT id FROM call WHERE shop_id = $1 AND unit_id = $2`

// CallsOfKind gives the calls about units of the kind $2.
const CallsOfKind = `SELECT c.id FROM call c WHERE c.shop_id = $1 AND c.unit_id IN (` + customers.UnitsOfKind + `)`

// UnitNamed is a subquery for the unit of the call that an expression of the
// statement around it names; $1 is the shop.
func UnitNamed(named string) string {
	return `SELECT uc.unit_id FROM call uc WHERE uc.shop_id = $1 AND uc.id = ` + named
}

// Moved is a new time for a booked visit.
type Moved struct {
	ID       domain.ID
	StartsAt time.Time
	EndsAt   time.Time
}

// Reorder gives booked visits of one tech their new times in one statement, so
// that they may change places, and keeps history and feed. The caller holds the
// tech's lock (QueueLockTechs) and has held the times against promised windows.
// A visit that has meanwhile been started or ended is a Conflict.
func Reorder(b *pgx.Batch, p domain.Principal, now time.Time, moved []Moved, reason string) {
	ids, starts, ends := make([]string, len(moved)), make([]time.Time, len(moved)), make([]time.Time, len(moved))
	for i, m := range moved {
		ids[i], starts[i], ends[i] = m.ID.String(), m.StartsAt, m.EndsAt
	}
	b.Queue(`WITH u AS (
			UPDATE visit v SET starts_at = n.starts, ends_at = n.ends, version = v.version + 1, updated_at = $5
			FROM unnest($2::uuid[], $3::timestamptz[], $4::timestamptz[]) AS n (id, starts, ends)
			WHERE v.shop_id = $1 AND v.id = n.id AND v.status = 'booked'
			RETURNING v.id, v.version, v.tech_id, v.starts_at, v.ends_at, v.arrive_from, v.arrive_until, v.status
		)
		INSERT INTO visit_version (shop_id, visit_id, version, tech_id, starts_at, ends_at, arrive_from, arrive_until, status, reason, changed_by, changed_at)
		SELECT $1, id, version, tech_id, starts_at, ends_at, arrive_from, arrive_until, status, $6, $7, $5 FROM u`,
		p.Shop, ids, starts, ends, now, reason, p.Person).Exec(func(t pgconn.CommandTag) error {
		if t.RowsAffected() != int64(len(moved)) {
			return domain.Errorf(domain.Conflict, "A visit of this day has just been started or ended. Look at the day again.")
		}
		return nil
	})
	for _, m := range moved {
		audit.Queue(b, p, now, audit.Entry{Action: "changed", Entity: "visit", ID: m.ID, Fields: []string{"starts_at", "ends_at"}})
	}
	for _, m := range moved {
		queueChange(b, p.Shop, m.ID, "moved", now)
	}
}

// QueueChanges reads up to limit changes of the shop's visits numbered above
// after, in order.
func QueueChanges(b *pgx.Batch, shop domain.ID, after int64, limit int, dst *[]FeedChange) {
	pg.All(b, dst, `SELECT seq, visit_id, change, at FROM visit_change WHERE shop_id = $1 AND seq > $2 ORDER BY seq LIMIT $3`, shop, after, limit)
}

// QueueVisitsByID reads visits by their ids, given as text, with the unit and
// complaint of their calls.
func QueueVisitsByID(b *pgx.Batch, shop domain.ID, ids []string, dst *[]Appointment) {
	pg.All(b, dst, `SELECT `+prefixed("v", visitColumns)+`, c.unit_id, c.complaint, c.edition, c.parts_arrived_at FROM visit v
		JOIN call c ON c.shop_id = v.shop_id AND c.id = v.call_id WHERE v.shop_id = $1 AND v.id = ANY ($2::uuid[]) ORDER BY v.id`, shop, ids)
}
