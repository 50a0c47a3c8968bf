package calls

import (
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
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
	opened_by, opened_at, closed_by, closed_at, version, edition`

const visitColumns = `id, call_id, tech_id, starts_at, ends_at, status, note, cancel_reason, version, created_at, updated_at`

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
	pg.Changed(b, closed(), `UPDATE call SET status = 'closed', outcome = $3, outcome_note = $4, closed_by = $5, closed_at = $6, version = version + 1
		WHERE shop_id = $1 AND id = $2 AND status <> 'closed'`, p.Shop, call, outcome, note, p.Person, now)
	audit.Queue(b, p, now, audit.Entry{Action: "closed", Entity: "call", ID: call, Fields: []string{"status", "outcome"}})
	cancelBooked(b, p.Shop, call, now)
}

// SetStatus moves a call between open and waiting for parts. A closed call is
// a Conflict.
func SetStatus(b *pgx.Batch, p domain.Principal, now time.Time, call domain.ID, to Status) {
	pg.Changed(b, closed(), `UPDATE call SET status = $3, version = version + 1 WHERE shop_id = $1 AND id = $2 AND status <> 'closed'`,
		p.Shop, call, to)
	audit.Queue(b, p, now, audit.Entry{Action: "changed", Entity: "call", ID: call, Fields: []string{"status"}})
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
func cancelBooked(b *pgx.Batch, shop, call domain.ID, now time.Time) {
	b.Queue(`WITH c AS (
			UPDATE visit SET status = 'cancelled', cancel_reason = 'The call was closed.', version = version + 1, updated_at = $3
			WHERE shop_id = $1 AND call_id = $2 AND status = 'booked' RETURNING id
		), n AS (SELECT id, row_number() OVER (ORDER BY id) AS nth, count(*) OVER () AS total FROM c),
		f AS (UPDATE shop_feed SET seq = seq + (SELECT max(total) FROM n) WHERE shop_id = $1 AND EXISTS (SELECT FROM n) RETURNING seq)
		INSERT INTO visit_change (shop_id, seq, visit_id, change, at)
		SELECT $1, f.seq - n.total + n.nth, n.id, 'cancelled', $3 FROM n CROSS JOIN f`, shop, call, now)
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
