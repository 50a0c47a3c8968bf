package history

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/dispatch/hours"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// WeekCall is a call on the Friday page.
type WeekCall struct {
	CallID    domain.ID   `json:"call_id" db:"call_id"`
	UnitID    domain.ID   `json:"unit_id" db:"unit_id"`
	Kind      string      `json:"kind" db:"kind"`
	Complaint string      `json:"complaint" db:"complaint"`
	Since     time.Time   `json:"-" db:"since"`
	SinceOn   domain.Date `json:"since_on" db:"-"`
	Days      int         `json:"days" db:"-" doc:"Since then."`
	Note      string      `json:"note,omitempty" db:"note"`
}

// Expiring is a competence or a calibration that runs out.
type Expiring struct {
	What  string      `json:"what" db:"what" doc:"A competence, or an instrument."`
	Whose string      `json:"whose" db:"whose"`
	On    domain.Date `json:"expires_on" db:"expires_on"`
}

// AgeClass counts open calls by age.
type AgeClass struct {
	Upto  string `json:"age"`
	Calls int    `json:"calls"`
}

// Week is the Friday page: what the owner goes through once a week.
type Week struct {
	FromOn        domain.Date `json:"from_on"`
	UntilOn       domain.Date `json:"until_on"`
	Closed        []Reason    `json:"closed" doc:"Calls closed in the week, by outcome."`
	OpenByAge     []AgeClass  `json:"open_by_age"`
	Waiting       []WeekCall  `json:"waiting_for_parts" doc:"For more than seven days."`
	Unsafe        []WeekCall  `json:"left_unsafe" doc:"Units left out of service or limited, and dangers not cleared."`
	ComeBacks     []WeekCall  `json:"come_backs" doc:"Calls of the week that came back, with the reason if somebody has said; note is the reason."`
	Against       []WeekCall  `json:"against_evidence" doc:"Conclusions of the week drawn against what the readings show; note says why."`
	Unverified    []WeekCall  `json:"without_verification" doc:"Calls put back to service in the week with a repair and without a reading after it."`
	Expiring      []Expiring  `json:"running_out" doc:"Competences and calibrations that have run out or do within 30 days."`
	MinutesOnSite float64     `json:"minutes_on_site" doc:"Of finished visits of the week."`
	MinutesDriven float64     `json:"minutes_driven" doc:"From setting out to arriving, as the techs said."`
	Visits        int         `json:"visits"`
	Sentence      string      `json:"sentence"`
}

const weekCalls = `SELECT c.call_id, c.unit_id, u.kind, c.complaint, `

// ReadWeek gives the Friday page of the seven days that end with a day; zero is
// today.
func (s *Service) ReadWeek(ctx context.Context, p domain.Principal, until domain.Date) (Week, error) {
	if err := forOwner(p); err != nil {
		return Week{}, err
	}
	var shop people.Shop
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { people.QueueShop(b, p.Shop, &shop) }); err != nil {
		return Week{}, err
	}
	zone, err := time.LoadLocation(shop.TimeZone)
	if err != nil {
		return Week{}, fmt.Errorf("history: zone of shop %s: %w", shop.ID, err)
	}
	now := s.Now()
	if until.IsZero() {
		until = domain.DateOf(now.In(zone))
	}
	w := Week{FromOn: domain.DateOf(until.Time().AddDate(0, 0, -6)), UntilOn: until, Closed: []Reason{}, OpenByAge: []AgeClass{}}
	from, to := hours.At(zone, w.FromOn, 0), hours.At(zone, domain.DateOf(until.Time().AddDate(0, 0, 1)), 0)
	if to.Before(now) {
		now = to
	}
	open := []WeekCall{}
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { w.queue(b, p.Shop, from, to, now, &open) }); err != nil {
		return w, err
	}
	w.dress(zone, now, open)
	return w, nil
}

func (w *Week) queue(b *pgx.Batch, shop domain.ID, from, to, now time.Time, open *[]WeekCall) {
	pg.All(b, &w.Closed, `SELECT outcome AS reason, count(*) AS count FROM history_call WHERE shop_id = $1 AND closed_at >= $2 AND closed_at < $3
		GROUP BY 1 ORDER BY 2 DESC, 1`, shop, from, to)
	pg.All(b, open, weekCalls+`c.opened_at AS since, '' AS note FROM history_call c JOIN history_unit u ON u.shop_id = c.shop_id AND u.unit_id = c.unit_id
		WHERE c.shop_id = $1 AND c.opened_at < $2 AND (c.closed_at IS NULL OR c.closed_at >= $2) ORDER BY c.opened_at, c.call_id`, shop, to)
	pg.All(b, &w.Waiting, weekCalls+`c.status_since AS since, '' AS note FROM history_call c JOIN history_unit u ON u.shop_id = c.shop_id AND u.unit_id = c.unit_id
		WHERE c.shop_id = $1 AND c.status = 'waiting_for_parts' AND c.status_since < $2::timestamptz - interval '7 days' ORDER BY c.status_since, c.call_id`, shop, now)
	pg.All(b, &w.Unsafe, weekCalls+`h.found_at AS since, h.found AS note FROM history_hazard h
		JOIN history_call c ON c.shop_id = h.shop_id AND c.call_id = h.call_id
		JOIN history_unit u ON u.shop_id = c.shop_id AND u.unit_id = c.unit_id
		WHERE h.shop_id = $1 AND h.level = 'danger_now' AND h.found_at < $2 AND (h.cleared_at IS NULL OR h.cleared_at >= $2) AND u.retired_at IS NULL
		UNION ALL `+weekCalls+`c.closed_at, c.outcome FROM history_call c JOIN history_unit u ON u.shop_id = c.shop_id AND u.unit_id = c.unit_id
		WHERE c.shop_id = $1 AND c.outcome IN ('left_out_of_service', 'limited') AND c.closed_at < $2 AND u.retired_at IS NULL
			AND NOT EXISTS (SELECT FROM history_call l WHERE l.shop_id = c.shop_id AND l.unit_id = c.unit_id AND l.outcome = 'returned_to_service'
				AND l.closed_at > c.closed_at AND l.closed_at < $2)
		ORDER BY since, call_id`, shop, to)
	pg.All(b, &w.ComeBacks, weekCalls+`c.opened_at AS since, coalesce(b.reason, '') AS note FROM history_call c
		JOIN history_unit u ON u.shop_id = c.shop_id AND u.unit_id = c.unit_id
		LEFT JOIN come_back b ON b.shop_id = c.shop_id AND b.call_id = c.call_id
		WHERE c.shop_id = $1 AND c.comes_back_from IS NOT NULL AND c.opened_at >= $2 AND c.opened_at < $3 ORDER BY c.opened_at, c.call_id`, shop, from, to)
	pg.All(b, &w.Against, weekCalls+`n.concluded_at AS since, n.against_evidence AS note FROM history_conclusion n
		JOIN history_call c ON c.shop_id = n.shop_id AND c.call_id = n.call_id
		JOIN history_unit u ON u.shop_id = c.shop_id AND u.unit_id = c.unit_id
		WHERE n.shop_id = $1 AND n.against_evidence <> '' AND n.concluded_at >= $2 AND n.concluded_at < $3 ORDER BY n.concluded_at, c.call_id`, shop, from, to)
	pg.All(b, &w.Unverified, weekCalls+`c.closed_at AS since, '' AS note FROM history_call c
		JOIN history_unit u ON u.shop_id = c.shop_id AND u.unit_id = c.unit_id
		WHERE c.shop_id = $1 AND c.outcome = 'returned_to_service' AND c.closed_at >= $2 AND c.closed_at < $3
			AND EXISTS (SELECT FROM history_conclusion n WHERE n.shop_id = c.shop_id AND n.call_id = c.call_id AND n.mended)
			AND NOT EXISTS (SELECT FROM history_proof f WHERE f.shop_id = c.shop_id AND f.call_id = c.call_id)
		ORDER BY c.closed_at, c.call_id`, shop, from, to)
	pg.All(b, &w.Expiring, `SELECT what, whose, expires_on FROM history_expiring WHERE shop_id = $1 AND expires_on <= $2 ORDER BY expires_on, what, whose`,
		shop, domain.DateOf(to.AddDate(0, 0, 30)))
	b.Queue(`SELECT count(*), coalesce(sum(minutes), 0) FROM history_minutes WHERE shop_id = $1 AND ended_at >= $2 AND ended_at < $3`, shop, from, to).
		QueryRow(func(row pgx.Row) error { return row.Scan(&w.Visits, &w.MinutesOnSite) })
	b.Queue(`SELECT coalesce(sum(minutes), 0) FROM history_drive WHERE shop_id = $1 AND arrived_at >= $2 AND arrived_at < $3 AND minutes > 0`, shop, from, to).
		QueryRow(func(row pgx.Row) error { return row.Scan(&w.MinutesDriven) })
}

// ages are the classes of open calls, in days.
var ages = []struct {
	name string
	days int
}{{"up to 2 days", 2}, {"3 to 7 days", 7}, {"8 to 30 days", 30}, {"over 30 days", 1 << 30}}

// dress adds civil days and counts.
func (w *Week) dress(zone *time.Location, now time.Time, open []WeekCall) {
	count := map[string]int{}
	for _, c := range open {
		age := dayCount(domain.DateOf(c.Since.In(zone)), domain.DateOf(now.In(zone)))
		i := slices.IndexFunc(ages, func(a struct {
			name string
			days int
		}) bool {
			return age <= a.days
		})
		count[ages[i].name]++
	}
	for _, a := range ages {
		w.OpenByAge = append(w.OpenByAge, AgeClass{a.name, count[a.name]})
	}
	for _, list := range []*[]WeekCall{&w.Waiting, &w.Unsafe, &w.ComeBacks, &w.Against, &w.Unverified} {
		if *list == nil {
			*list = []WeekCall{}
		}
		for i := range *list {
			c := &(*list)[i]
			c.SinceOn = domain.DateOf(c.Since.In(zone))
			c.Days = dayCount(c.SinceOn, domain.DateOf(now.In(zone)))
		}
	}
	closed := 0
	for _, c := range w.Closed {
		closed += c.Count
	}
	w.Sentence = fmt.Sprintf("%d calls closed, %d open, %d waiting for parts over a week, %d dangers not cleared, %d came back.",
		closed, len(open), len(w.Waiting), len(w.Unsafe), len(w.ComeBacks))
}

// ComeBack is why a call came back, as the owner and the tech see it.
type ComeBack struct {
	CallID  domain.ID `db:"call_id"`
	Reason  string    `db:"reason"`
	Note    string    `db:"note"`
	SetBy   domain.ID `db:"set_by"`
	SetAt   time.Time `db:"set_at"`
	Version int64     `db:"version"`
	// What it came back to.
	EarlierID   domain.ID `db:"earlier_id"`
	EarlierTech domain.ID `db:"earlier_tech"`
}

// ComeBackReasons lists the reasons there are.
func ComeBackReasons() []string {
	return []string{"same_part", "wrong_diagnosis", "workmanship", "new_part_bad", "duct_or_installation", "use", "unrelated"}
}

const comeBackQuery = `SELECT c.call_id, coalesce(b.reason, '') AS reason, coalesce(b.note, '') AS note, b.set_by, coalesce(b.set_at, c.opened_at) AS set_at,
		coalesce(b.version, 0) AS version, e.call_id AS earlier_id, coalesce((SELECT n.concluded_by FROM history_conclusion n
			WHERE n.shop_id = $1 AND n.call_id = e.call_id ORDER BY n.conclusion_id LIMIT 1), e.closed_by) AS earlier_tech
	FROM history_call c
	JOIN history_call e ON e.shop_id = c.shop_id AND e.call_id = c.comes_back_from
	LEFT JOIN come_back b ON b.shop_id = c.shop_id AND b.call_id = c.call_id
	WHERE c.shop_id = $1 AND c.call_id = $2`

// ReadComeBack gives why a call came back; a call that did not is Absent.
func (s *Service) ReadComeBack(ctx context.Context, p domain.Principal, call domain.ID) (ComeBack, error) {
	var c ComeBack
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { pg.One(b, &c, comeBackQuery, p.Shop, call) })
	return c, err
}

// SetComeBack puts down why a call came back, if what is on record is still the
// version (0: nothing).
func (s *Service) SetComeBack(ctx context.Context, p domain.Principal, call domain.ID, version int64, reason, note string) (ComeBack, error) {
	var ps domain.Problems
	if !slices.Contains(ComeBackReasons(), reason) {
		ps.Add("/reason", "not_listed", "A reason is one of same_part, wrong_diagnosis, workmanship, new_part_bad, duct_or_installation, use, unrelated.")
	}
	ps.Text("/note", note, 0, 2000, true)
	if err := cmp.Or(forOwner(p), ps.Err()); err != nil {
		return ComeBack{}, err
	}
	now := s.Now()
	var c ComeBack
	err := s.DB.Write(ctx, p, func(b *pgx.Batch) { pg.One(b, &c, comeBackQuery, p.Shop, call) }, func(ctx context.Context, tx *pg.Tx) error {
		if !domain.SameVersion(version, c.Version) {
			return pg.Stale()
		}
		was := c.Version
		c.Reason, c.Note, c.SetBy, c.SetAt, c.Version = reason, note, p.Person, now, was+1
		b := &pgx.Batch{}
		pg.Changed(b, pg.Stale(), `INSERT INTO come_back (shop_id, call_id, reason, note, set_by, set_at, version) VALUES ($1, $2, $3, $4, $5, $6, $7)
			ON CONFLICT (shop_id, call_id) DO UPDATE SET reason = excluded.reason, note = excluded.note, set_by = excluded.set_by, set_at = excluded.set_at,
				version = excluded.version WHERE come_back.version = $8`, p.Shop, call, reason, note, p.Person, now, c.Version, was)
		b.Queue(`INSERT INTO history_state (shop_id, version) VALUES ($1, 1) ON CONFLICT (shop_id) DO UPDATE SET version = history_state.version + 1`, p.Shop)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "come_back", ID: call, Fields: []string{"reason", "note"}})
		return tx.Send(ctx, b)
	})
	return c, err
}
