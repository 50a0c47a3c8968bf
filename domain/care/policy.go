package care

import (
	"context"
	"crypto/rand"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/dispatch/hours"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Policy is how and when a shop writes to its customers. Texts are plain
// words, set into the message as they are; nothing in them is executed.
type Policy struct {
	Enabled       bool   `db:"enabled"`
	Paused        bool   `db:"paused"`   // nothing is sent until it is not; what becomes useless meanwhile is missed
	DryRun        bool   `db:"dry_run"`  // everything but the sending; what was not sent is not sent later
	Language      string `db:"language"` // en or es
	SenderName    string `db:"sender_name"`
	SenderAddress string `db:"sender_address"`
	ReplyTo       string `db:"reply_to"` // empty: the sender
	Phone         string `db:"phone"`
	PostalAddress string `db:"postal_address"`
	Greeting      string `db:"greeting"`
	Closing       string `db:"closing"`

	LeadDays   []int       `db:"lead_days"`  // days before the due date, negative after it; greatest first
	GraceDays  int         `db:"grace_days"` // after the due date a message is still worth sending
	WindowFrom hours.Clock `db:"window_from"`
	WindowTo   hours.Clock `db:"window_to"`
	SeasonFrom *int        `db:"season_from"` // month; see Rules
	SeasonTo   *int        `db:"season_to"`
	Tasks      []string    `db:"tasks"` // reminded of; none: all that are ours

	PerMinute  int        `db:"per_minute"`  // messages
	Flood      int        `db:"flood"`       // more than so many late at once wait for the owner's word
	FloodUntil *time.Time `db:"flood_until"` // the owner's word holds until then

	ConfirmVisits bool      `db:"confirm_visits"`
	DayBefore     bool      `db:"day_before"`
	SendReport    bool      `db:"send_report"`
	BounceKey     []byte    `db:"bounce_key"` // signs reports of returned mail
	Version       int64     `db:"version"`    // 0: the shop has said nothing yet
	UpdatedAt     time.Time `db:"updated_at"`
}

// Quiet is when nobody is written to, whatever a policy says: before 08:00 and
// from 20:00 on, at the site.
const (
	quietUntil = 8 * 60
	quietFrom  = 20 * 60
)

const policyColumns = `enabled, paused, dry_run, language, sender_name, sender_address, reply_to, phone, postal_address, greeting, closing,
	lead_days, grace_days, window_from, window_to, season_from, season_to, tasks, per_minute, flood, flood_until, confirm_visits,
	day_before, send_report, bounce_key, version, updated_at`

// DefaultPolicy is that of a shop that has said nothing: it writes nothing.
func DefaultPolicy() Policy {
	return Policy{Language: "en", LeadDays: []int{30, 7}, GraceDays: 14, WindowFrom: 9 * 60, WindowTo: 18 * 60, Tasks: []string{}, PerMinute: 60, Flood: 100,
		ConfirmVisits: true, DayBefore: true, SendReport: true}
}

func queuePolicy(b *pgx.Batch, shop domain.ID, dst *Policy) {
	b.Queue(`SELECT `+policyColumns+` FROM care_policy WHERE shop_id = $1`, shop).Query(func(rows pgx.Rows) error {
		found, err := pgx.CollectRows(rows, pgx.RowToStructByName[Policy])
		if *dst = DefaultPolicy(); len(found) == 1 {
			*dst = found[0]
		}
		return err
	})
}

// writes says whether anything is sent at all.
func (v Policy) writes() bool { return v.Enabled && !v.Paused }

// remindsOf says whether the policy has messages about a task.
func (v Policy) remindsOf(t Task) bool {
	if len(v.Tasks) == 0 {
		return t.Whose == ByUs
	}
	return slices.Contains(v.Tasks, t.ID)
}

func (v Policy) check() error {
	var ps domain.Problems
	if !slices.Contains([]string{"en", "es"}, v.Language) {
		ps.Add("/language", "not_listed", "Messages are written in en or es.")
	}
	ps.Text("/sender_name", v.SenderName, 1, 120, false)
	for pointer, addr := range map[string]string{"/sender_address": v.SenderAddress, "/reply_to": v.ReplyTo} {
		if !people.ValidEmail(addr) && (addr != "" || pointer == "/sender_address") {
			ps.Add(pointer, "email", "Give an e-mail address like name@example.com.")
		}
	}
	ps.Text("/phone", v.Phone, 0, 40, false)
	ps.Text("/postal_address", v.PostalAddress, 5, 300, true)
	ps.Text("/greeting", v.Greeting, 0, 300, true)
	ps.Text("/closing", v.Closing, 0, 300, true)
	v.checkTimes(&ps)
	if len(v.Tasks) > 50 {
		ps.Add("/tasks", "too_many", "At most fifty tasks.")
	}
	for pointer, x := range map[string][3]int{"/grace_days": {v.GraceDays, 1, 90}, "/per_minute": {v.PerMinute, 1, 6000}, "/flood": {v.Flood, 1, 1_000_000}} {
		if x[0] < x[1] || x[0] > x[2] {
			ps.Add(pointer, "range", "Give a number from %d to %d.", x[1], x[2])
		}
	}
	return ps.Err()
}

func (v Policy) checkTimes(ps *domain.Problems) {
	if n := len(v.LeadDays); n < 1 || n > 6 {
		ps.Add("/lead_days", "range", "Give one to six lead times in days.")
	}
	for i, d := range v.LeadDays {
		if d > 120 || d < -v.GraceDays || slices.Contains(v.LeadDays[:i], d) {
			ps.Add("/lead_days", "range", "A lead time is at most 120 days before the due date and within the grace after it (negative), each once.")
			break
		}
	}
	if v.WindowFrom < quietUntil || v.WindowTo > quietFrom || v.WindowTo-v.WindowFrom < 60 {
		ps.Add("/window", "quiet_hours", "Messages leave between 08:00 and 20:00 at the site; the window is at least an hour long.")
	}
	if (v.SeasonFrom == nil) != (v.SeasonTo == nil) {
		ps.Add("/season", "pair", "A season has a first and a last month.")
	}
	for _, m := range []*int{v.SeasonFrom, v.SeasonTo} {
		if m != nil && (*m < 1 || *m > 12) {
			ps.Add("/season", "range", "A month is from 1 to 12.")
			break
		}
	}
}

// ReadPolicy gives how and when the shop writes.
func (s *Service) ReadPolicy(ctx context.Context, p domain.Principal) (Policy, error) {
	var v Policy
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queuePolicy(b, p.Shop, &v) })
	return v, err
}

// ChangePolicy applies edit if the version is still version (0: never said).
// Planned messages and due dates follow.
func (s *Service) ChangePolicy(ctx context.Context, p domain.Principal, version int64, edit func(*Policy)) (Policy, error) {
	var v Policy
	now := s.Now()
	err := s.DB.Write(ctx, p, func(b *pgx.Batch) { queuePolicy(b, p.Shop, &v) }, func(ctx context.Context, tx *pg.Tx) error {
		if !domain.SameVersion(version, v.Version) {
			return pg.Stale()
		}
		before := v
		edit(&v)
		v.Version, v.UpdatedAt, v.BounceKey, v.FloodUntil = before.Version+1, now, before.BounceKey, before.FloodUntil
		v.SenderAddress, v.ReplyTo = strings.TrimSpace(v.SenderAddress), strings.TrimSpace(v.ReplyTo)
		slices.SortFunc(v.LeadDays, func(a, b int) int { return b - a })
		if err := v.check(); err != nil {
			return err
		}
		if v.BounceKey == nil {
			v.BounceKey = make([]byte, 32)
			_, _ = rand.Read(v.BounceKey) // it never fails: crypto/rand
		}
		b := &pgx.Batch{}
		queuePutPolicy(b, p.Shop, v, before.Version)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "care_policy", ID: p.Shop, Fields: audit.Diff(before, v)})
		if rederives(before, v) {
			b.Queue(staleUnits+staleOnce, p.Shop)
		}
		queueWake(b, p.Shop, now)
		return tx.Send(ctx, b)
	})
	return v, err
}

// rederives says whether a change of the policy moves dates, or days ahead.
func rederives(a, b Policy) bool {
	months := func(v Policy) [2]int {
		if v.SeasonFrom == nil {
			return [2]int{}
		}
		return [2]int{*v.SeasonFrom, *v.SeasonTo}
	}
	return a.Enabled != b.Enabled || months(a) != months(b) || a.GraceDays != b.GraceDays || !slices.Equal(a.LeadDays, b.LeadDays) || !slices.Equal(a.Tasks, b.Tasks)
}

func queuePutPolicy(b *pgx.Batch, shop domain.ID, v Policy, before int64) {
	// Two first words at once meet at the key: the later one finds a version it did not read.
	pg.Changed(b, pg.Stale(), `INSERT INTO care_policy (shop_id, `+policyColumns+`)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26, $27, $28)
		ON CONFLICT (shop_id) DO UPDATE SET enabled = excluded.enabled, paused = excluded.paused, dry_run = excluded.dry_run, language = excluded.language,
			sender_name = excluded.sender_name, sender_address = excluded.sender_address, reply_to = excluded.reply_to, phone = excluded.phone,
			postal_address = excluded.postal_address, greeting = excluded.greeting, closing = excluded.closing, lead_days = excluded.lead_days,
			grace_days = excluded.grace_days, window_from = excluded.window_from, window_to = excluded.window_to, season_from = excluded.season_from,
			season_to = excluded.season_to, tasks = excluded.tasks, per_minute = excluded.per_minute, flood = excluded.flood,
			confirm_visits = excluded.confirm_visits, day_before = excluded.day_before, send_report = excluded.send_report,
			version = excluded.version, updated_at = excluded.updated_at
		WHERE care_policy.version = $29`,
		shop, v.Enabled, v.Paused, v.DryRun, v.Language, v.SenderName, v.SenderAddress, v.ReplyTo, v.Phone, v.PostalAddress, v.Greeting, v.Closing,
		v.LeadDays, v.GraceDays, v.WindowFrom, v.WindowTo, v.SeasonFrom, v.SeasonTo, v.Tasks, v.PerMinute, v.Flood, v.FloodUntil, v.ConfirmVisits,
		v.DayBefore, v.SendReport, v.BounceKey, v.Version, v.UpdatedAt, before)
}

// queueWake has the worker look at the shop by at, and makes its place in the
// agenda: changes of visits before that are not written about.
func queueWake(b *pgx.Batch, shop domain.ID, at time.Time) {
	b.Queue(`INSERT INTO care_agenda (shop_id, wake_at, visit_seq) SELECT $1, $2, seq FROM shop_feed WHERE shop_id = $1
		ON CONFLICT (shop_id) DO UPDATE SET wake_at = least(care_agenda.wake_at, excluded.wake_at)`, shop, at)
}

// queueRouse has the worker look at the shop by at, if it has a place in the
// agenda.
func queueRouse(b *pgx.Batch, shop domain.ID, at time.Time) {
	b.Queue(`UPDATE care_agenda SET wake_at = least(wake_at, $2) WHERE shop_id = $1`, shop, at)
}

// openFor is how long the owner's word for a flood holds.
const openFor = 72 * time.Hour

// LetGo is the owner's word that the messages held back after an outage may
// leave.
func (s *Service) LetGo(ctx context.Context, p domain.Principal) error {
	now := s.Now()
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, domain.Absent(), `UPDATE care_policy SET flood_until = $2 WHERE shop_id = $1`, p.Shop, now.Add(openFor))
		audit.Queue(b, tx.P, now, audit.Entry{Action: "let_go", Entity: "care_policy", ID: p.Shop})
		queueWake(b, p.Shop, now)
		return tx.Send(ctx, b)
	})
}
