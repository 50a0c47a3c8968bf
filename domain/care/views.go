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
	"drumline/domain/people"
	"drumline/shared/pg"
)

// DueUnit is one task of one unit with its date, and where and whose it is.
type DueUnit struct {
	UnitID     domain.ID   `db:"unit_id"`
	Task       string      `db:"task"`
	Name       string      `db:"name"` // of a task of the shop's own; empty for one built in
	DueOn      domain.Date `db:"due_on"`
	Kind       string      `db:"kind"`
	Maker      string      `db:"maker"`
	Model      string      `db:"model"`
	SiteID     domain.ID   `db:"site_id"`
	Address    string      `db:"address"`
	PostalCode string      `db:"postal_code"`
	TimeZone   string      `db:"time_zone"`
	CustomerID domain.ID   `db:"customer_id"`
	Customer   string      `db:"customer"`
	Phone      string      `db:"phone"`
	Reminded   *time.Time  `db:"reminded_at"` // when a message about this date was last accepted
	Today      domain.Date `db:"-"`           // at the unit
}

// DueFilter chooses due dates; zero values choose all.
type DueFilter struct {
	From, Until domain.Date // both included
	Area        string      // postal codes that begin so
	Task        string
}

// DueKey is where a page of due dates ends.
type DueKey struct {
	DueOn  domain.Date
	UnitID domain.ID
	Task   string
}

// lastRune sorts after every other, by code points.
const lastRune = "\U0010FFFF"

// ListDue gives up to size due dates after the key, by date. What is not known
// to be due stands at the unit only.
func (s *Service) ListDue(ctx context.Context, p domain.Principal, f DueFilter, after DueKey, size int) ([]DueUnit, error) {
	out, waits, err := s.listDue(ctx, p, f, after, size)
	if err != nil || !waits {
		return out, err
	}
	if err := s.Settle(ctx, p); err != nil {
		return nil, err
	}
	out, _, err = s.listDue(ctx, p, f, after, size)
	return out, err
}

// listDue reads what is derived, and whether any unit waits to be derived anew.
func (s *Service) listDue(ctx context.Context, p domain.Principal, f DueFilter, after DueKey, size int) (out []DueUnit, waits bool, err error) {
	// A statement of its own, so that one with an area can begin at its sites.
	area := ` AND $4 = ''`
	if f.Area != "" {
		area = ` AND st.postal_code COLLATE "C" >= $4 AND st.postal_code COLLATE "C" < $4 || '` + lastRune + `'`
	}
	err = s.DB.Read(ctx, p, func(b *pgx.Batch) {
		queueStale(b, p.Shop, &waits)
		pg.All(b, &out, `SELECT d.unit_id, d.task, coalesce(t.name, '') AS name, d.due_on, u.kind, u.maker, u.model, u.site_id, st.address, st.postal_code, st.time_zone,
				st.customer_id, c.name AS customer, c.phone, (SELECT max(m.settled_at) FROM reminder r JOIN mail m ON m.shop_id = r.shop_id AND m.id = r.mail_id
					WHERE r.shop_id = $1 AND r.unit_id = d.unit_id AND r.task = d.task AND r.due_on = d.asked_on AND m.state = 'accepted') AS reminded_at
			FROM care_due d
			JOIN unit u ON u.shop_id = d.shop_id AND u.id = d.unit_id
			JOIN site st ON st.shop_id = u.shop_id AND st.id = u.site_id
			JOIN customer c ON c.shop_id = st.shop_id AND c.id = st.customer_id
			LEFT JOIN care_task t ON t.shop_id = d.shop_id AND t.id::text = d.task
			WHERE d.shop_id = $1 AND d.due_on >= coalesce($2, '-infinity'::date) AND d.due_on <= coalesce($3, 'infinity'::date)
				AND ($5 = '' OR d.task = $5)
				AND (d.due_on, d.unit_id, d.task) > (coalesce($6, '-infinity'::date), coalesce($7, '00000000-0000-0000-0000-000000000000'::uuid), $8)`+area+`
			ORDER BY d.due_on, d.unit_id, d.task LIMIT $9`,
			p.Shop, f.From, f.Until, f.Area, f.Task, after.DueOn, after.UnitID, after.Task, size)
	})
	days, now := map[string]domain.Date{}, s.Now() // a zone is read from its file each time
	for i := range out {
		today, known := days[out[i].TimeZone]
		if !known {
			zone, zoneErr := time.LoadLocation(out[i].TimeZone)
			if zoneErr != nil {
				return nil, false, fmt.Errorf("care: zone of site %s: %w", out[i].SiteID, zoneErr)
			}
			today = domain.DateOf(now.In(zone))
			days[out[i].TimeZone] = today
		}
		out[i].Today = today
	}
	return out, waits, err
}

// QueueUpcoming reads up to limit due dates of a shop between two days, by
// date, for a calendar.
func QueueUpcoming(b *pgx.Batch, shop domain.ID, from, until domain.Date, limit int, dst *[]Upcoming) {
	pg.All(b, dst, `SELECT d.unit_id, d.task, coalesce(t.name, '') AS name, d.due_on, d.derived_on, u.kind, st.address FROM care_due d
		JOIN unit u ON u.shop_id = d.shop_id AND u.id = d.unit_id
		JOIN site st ON st.shop_id = u.shop_id AND st.id = u.site_id
		LEFT JOIN care_task t ON t.shop_id = d.shop_id AND t.id::text = d.task
		WHERE d.shop_id = $1 AND d.due_on BETWEEN $2 AND $3 ORDER BY d.due_on, d.unit_id, d.task LIMIT $4`, shop, from, until, limit)
}

// Upcoming is one due date in a calendar.
type Upcoming struct {
	UnitID    domain.ID   `db:"unit_id"`
	Task      string      `db:"task"`
	Name      string      `db:"name"`
	DueOn     domain.Date `db:"due_on"`
	DerivedOn domain.Date `db:"derived_on"`
	Kind      string      `db:"kind"`
	Address   string      `db:"address"`
}

// Ahead is a message the policy would have written on a day to come.
type Ahead struct {
	On         domain.Date
	CustomerID domain.ID
	UnitID     domain.ID
	Task       string
	DueOn      domain.Date
	LeadDays   int
}

// mostAhead is the longest preview, in days, and its greatest length.
const (
	mostAheadDays = 120
	mostAhead     = 2000
)

// Preview gives what the policy would have written about care in the next
// days, as things stand: what is planned, and what falls due to be.
func (s *Service) Preview(ctx context.Context, p domain.Principal, days int) ([]Ahead, error) {
	if days < 1 || days > mostAheadDays {
		return nil, domain.Field("days", "range", "Give a number of days from 1 to %d.", mostAheadDays)
	}
	if err := s.settled(ctx, p); err != nil {
		return nil, err
	}
	var pol Policy
	var due []dueLead
	var waiting []Reminder
	today := domain.DateOf(s.Now().UTC())
	last := day(today, days)
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		queuePolicy(b, p.Shop, &pol)
		pg.All(b, &due, `SELECT d.unit_id, d.task, d.due_on, d.months, d.derived_on, d.led_on, st.customer_id, st.time_zone FROM care_due d
			JOIN unit u ON u.shop_id = d.shop_id AND u.id = d.unit_id
			JOIN site st ON st.shop_id = u.shop_id AND st.id = u.site_id
			WHERE d.shop_id = $1 AND d.next_lead_on <= $2 ORDER BY d.next_lead_on, d.unit_id, d.task LIMIT $3`, p.Shop, last, mostAhead)
		pg.All(b, &waiting, `SELECT `+reminderColumns+` FROM reminder WHERE shop_id = $1 AND kind = 'care' AND state = 'planned' ORDER BY not_before, id LIMIT $2`, p.Shop, mostAhead)
	})
	if err != nil {
		return nil, err
	}
	out := []Ahead{}
	for _, r := range waiting {
		out = append(out, Ahead{domain.DateOf(r.NotBefore.UTC()), r.CustomerID, r.UnitID, r.Task, r.DueOn, r.LeadDays})
	}
	for _, d := range due {
		a := pol.ahead(d.DueOn, d.Months, d.DerivedOn, d.LedOn)
		for next := a.next(today); !last.Before(next); next = a.next(laterDay(next, today)) {
			for _, f := range a.fall(laterDay(next, today)) {
				if a.led = f.day; f.state == planned {
					out = append(out, Ahead{laterDay(f.day, today), d.CustomerID, d.UnitID, d.Task, f.asked, f.lead})
				}
			}
		}
	}
	slices.SortStableFunc(out, func(x, y Ahead) int { return strings.Compare(x.On.String(), y.On.String()) })
	return out[:min(len(out), mostAhead)], nil
}

func laterDay(a, b domain.Date) domain.Date {
	if a.Before(b) {
		return b
	}
	return a
}

// Entry is an entry of the ledger with the mail that carried it, if any.
type Entry struct {
	Reminder
	MailState  MailState  `db:"mail_state"` // empty: no mail yet
	Attempt    int        `db:"attempt"`
	Ambiguous  int        `db:"ambiguous"`
	MessageID  string     `db:"message_id"`
	HandedAt   *time.Time `db:"handed_at"`
	SettledAt  *time.Time `db:"settled_at"`
	Reply      string     `db:"reply"`
	RetryAfter *time.Time `db:"next_at"` // of one that is to be tried again
}

// State is where an entry stands: its own state, or that of its mail.
func (e Entry) Stands() string {
	if e.MailState != "" && e.Reminder.State == mailed {
		return string(e.MailState)
	}
	return string(e.Reminder.State)
}

// LogFilter chooses entries of the ledger; zero values choose all.
type LogFilter struct {
	CustomerID, UnitID, VisitID domain.ID
	Kind                        Kind
}

// Log gives up to size entries of the ledger before the id, latest first.
func (s *Service) Log(ctx context.Context, p domain.Principal, f LogFilter, before domain.ID, size int) ([]Entry, error) {
	var out []Entry
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &out, `SELECT r.id, r.kind, r.customer_id, r.unit_id, r.task, r.due_on, r.lead_days, r.visit_id, r.revision, r.call_id, r.state, r.not_before,
				r.useless_at, r.mail_id, r.planned_at, r.reason, coalesce(m.state, '') AS mail_state, coalesce(m.attempt, 0) AS attempt,
				coalesce(m.ambiguous, 0) AS ambiguous, coalesce(m.message_id, '') AS message_id, m.handed_at, coalesce(m.settled_at, r.settled_at) AS settled_at,
				coalesce(m.reply, '') AS reply, CASE WHEN m.state = 'soft_failed' THEN m.next_at END AS next_at
			FROM reminder r LEFT JOIN mail m ON m.shop_id = r.shop_id AND m.id = r.mail_id
			WHERE r.shop_id = $1 AND ($2::uuid IS NULL OR r.customer_id = $2) AND ($3::uuid IS NULL OR r.unit_id = $3) AND ($4::uuid IS NULL OR r.visit_id = $4)
				AND ($5 = '' OR r.kind = $5) AND ($6::uuid IS NULL OR r.id < $6)
			ORDER BY r.id DESC LIMIT $7`, p.Shop, f.CustomerID, f.UnitID, f.VisitID, f.Kind, before, size)
	})
	return out, err
}

// Month counts what became of the entries planned in one month (UTC).
type Month struct {
	Month     string `db:"month"` // YYYY-MM
	Planned   int    `db:"planned"`
	Waiting   int    `db:"waiting"`
	Sent      int    `db:"sent"`
	Failed    int    `db:"failed"`
	Missed    int    `db:"missed"`
	Stopped   int    `db:"stopped"` // suppressed
	Dropped   int    `db:"dropped"` // superseded
	Ambiguous int    `db:"ambiguous"`
}

// Months gives the counts of the last months, latest first.
func (s *Service) Months(ctx context.Context, p domain.Principal, months int) ([]Month, error) {
	var out []Month
	since := domain.DateOf(s.Now().UTC()).AddMonths(1 - months)
	since.Day = 1
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &out, `SELECT to_char(r.planned_at AT TIME ZONE 'UTC', 'YYYY-MM') AS month, count(*) AS planned,
				count(*) FILTER (WHERE r.state = 'planned' OR m.state IN ('claimed', 'handed', 'soft_failed')) AS waiting,
				count(*) FILTER (WHERE m.state = 'accepted') AS sent, count(*) FILTER (WHERE m.state = 'hard_failed') AS failed,
				count(*) FILTER (WHERE r.state = 'missed' OR m.state = 'missed') AS missed,
				count(*) FILTER (WHERE r.state = 'suppressed' OR m.state = 'suppressed') AS stopped,
				count(*) FILTER (WHERE r.state = 'superseded' OR m.state = 'superseded') AS dropped,
				count(*) FILTER (WHERE m.ambiguous > 0) AS ambiguous
			FROM reminder r LEFT JOIN mail m ON m.shop_id = r.shop_id AND m.id = r.mail_id
			WHERE r.shop_id = $1 AND r.planned_at >= $2 GROUP BY 1 ORDER BY 1 DESC`, p.Shop, since.Time())
	})
	return out, err
}

// Held is what waits for the owner's word after an outage.
type Held struct {
	Late  int  // messages about care that are late by more than a day
	Holds bool // they are held back
}

// ReadHeld says whether messages are held back.
func (s *Service) ReadHeld(ctx context.Context, p domain.Principal) (Held, error) {
	var h Held
	var pol Policy
	now := s.Now()
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		queuePolicy(b, p.Shop, &pol)
		b.Queue(`SELECT count(*) FROM reminder WHERE shop_id = $1 AND state = 'planned' AND kind = 'care' AND not_before <= $2`, p.Shop, now.Add(-lateSince)).
			QueryRow(func(row pgx.Row) error { return row.Scan(&h.Late) })
	})
	h.Holds = h.Late > pol.Flood && (pol.FloodUntil == nil || pol.FloodUntil.Before(now))
	return h, err
}

// Wish is what a customer asked for by a link.
type Wish struct {
	ID         domain.ID  `db:"id"`
	MailID     domain.ID  `db:"mail_id"`
	CustomerID domain.ID  `db:"customer_id"`
	Customer   string     `db:"customer"`
	Phone      string     `db:"phone"`
	What       Wanted     `db:"what"`
	Note       string     `db:"note"`
	Units      []string   `db:"units"` // ids of the units the message spoke of
	MadeAt     time.Time  `db:"made_at"`
	HandledAt  *time.Time `db:"handled_at"`
	HandledBy  domain.ID  `db:"handled_by"`
}

const wishQuery = `SELECT w.id, w.mail_id, w.customer_id, c.name AS customer, c.phone, w.what, w.note, w.made_at, w.handled_at, w.handled_by,
		ARRAY(SELECT DISTINCT r.unit_id::text FROM reminder r WHERE r.shop_id = $1 AND r.mail_id = w.mail_id ORDER BY 1) AS units
	FROM care_wish w JOIN customer c ON c.shop_id = w.shop_id AND c.id = w.customer_id WHERE w.shop_id = $1`

// ListWishes gives what customers asked for that nobody has seen to, oldest
// first; with handled, all.
func (s *Service) ListWishes(ctx context.Context, p domain.Principal, handled bool, after domain.ID, size int) ([]Wish, error) {
	var out []Wish
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &out, wishQuery+` AND ($2 OR w.handled_at IS NULL) AND ($3::uuid IS NULL OR w.id > $3) ORDER BY w.id LIMIT $4`, p.Shop, handled, after, size)
	})
	return out, err
}

// HandleWish puts down that a wish has been seen to; again changes nothing.
func (s *Service) HandleWish(ctx context.Context, p domain.Principal, id domain.ID) (Wish, error) {
	now := s.Now()
	var out Wish
	err := s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, domain.Absent(), `UPDATE care_wish SET handled_at = coalesce(handled_at, $3), handled_by = coalesce(handled_by, $4) WHERE shop_id = $1 AND id = $2`,
			p.Shop, id, now, p.Person)
		pg.One(b, &out, wishQuery+` AND w.id = $2`, p.Shop, id)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "handled", Entity: "care_wish", ID: id})
		return tx.Send(ctx, b)
	})
	return out, err
}

// Stopped is an address nothing is sent to.
type Stopped struct {
	ID        domain.ID  `db:"id"`
	Email     string     `db:"email_norm"`
	Scope     string     `db:"scope"`  // care or all
	Reason    string     `db:"reason"` // unsubscribed, bounced or by_shop
	Detail    string     `db:"detail"`
	CreatedAt time.Time  `db:"created_at"`
	LiftedAt  *time.Time `db:"lifted_at"`
}

const stoppedColumns = `id, email_norm, scope, reason, detail, created_at, lifted_at`

// ListStopped gives the addresses nothing is sent to.
func (s *Service) ListStopped(ctx context.Context, p domain.Principal, after domain.ID, size int) ([]Stopped, error) {
	var out []Stopped
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &out, `SELECT `+stoppedColumns+` FROM suppression WHERE shop_id = $1 AND lifted_at IS NULL AND ($2::uuid IS NULL OR id > $2) ORDER BY id LIMIT $3`, p.Shop, after, size)
	})
	return out, err
}

// Stop puts an address on the list at the customer's word; again changes
// nothing.
func (s *Service) Stop(ctx context.Context, p domain.Principal, email, scope string) error {
	var ps domain.Problems
	if !people.ValidEmail(email) {
		ps.Add("/email", "email", "Give an e-mail address like name@example.com.")
	}
	if scope != "care" && scope != "all" {
		ps.Add("/scope", "not_listed", "A scope is care or all.")
	}
	if err := ps.Err(); err != nil {
		return err
	}
	now := s.Now()
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		queueSuppress(b, p.Shop, now, email, scope, "by_shop", "")
		audit.Queue(b, tx.P, now, audit.Entry{Action: "stopped", Entity: "suppression", ID: p.Shop})
		return tx.Send(ctx, b)
	})
}

// Lift takes an address off the list: the customer has asked for it, or the
// address has been put right.
func (s *Service) Lift(ctx context.Context, p domain.Principal, id domain.ID) error {
	now := s.Now()
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, domain.Absent(), `UPDATE suppression SET lifted_at = coalesce(lifted_at, $3) WHERE shop_id = $1 AND id = $2`, p.Shop, id, now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "lifted", Entity: "suppression", ID: id})
		return tx.Send(ctx, b)
	})
}
