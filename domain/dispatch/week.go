package dispatch

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/dispatch/hours"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Week is when a person works, in civil time of the shop's zone, and where
// their day begins and ends. Version 0: nothing was entered, and the person is
// offered no windows.
type Week struct {
	PersonID  domain.ID `db:"person_id"`
	Latitude  *float64  `db:"latitude"` // degrees, of the base
	Longitude *float64  `db:"longitude"`
	Version   int64     `db:"version"`
	UpdatedAt time.Time `db:"updated_at"`
	Spans     []Span    `db:"-"`
}

// Span is one stretch of a weekday. Weekday 1 is Monday (ISO 8601); Starts and
// Ends are minutes of the civil day, Ends up to 1440.
type Span struct {
	Weekday int `db:"weekday"`
	Starts  int `db:"starts"`
	Ends    int `db:"ends"`
}

// TimeOff is days on which a person, or with a zero PersonID the whole shop,
// does not work: whole, or from Starts to Ends of each day.
type TimeOff struct {
	ID        domain.ID   `db:"id"`
	PersonID  domain.ID   `db:"person_id"`
	StartsOn  domain.Date `db:"starts_on"`
	EndsOn    domain.Date `db:"ends_on"` // the last day
	Starts    *int        `db:"starts"`  // minutes of the day; nil: all day
	Ends      *int        `db:"ends"`
	Note      string      `db:"note"`
	CreatedAt time.Time   `db:"created_at"`
}

const (
	weekColumns    = `person_id, latitude, longitude, version, updated_at`
	timeOffColumns = `id, person_id, starts_on, ends_on, starts, ends, note, created_at`
)

type spanRow struct {
	PersonID domain.ID `db:"person_id"`
	Span
}

// weeks is the working weeks of one person, or of all.
type weeks struct {
	rows  []Week
	spans []spanRow
}

func (w *weeks) queue(b *pgx.Batch, shop, person domain.ID) {
	pg.All(b, &w.rows, `SELECT `+weekColumns+` FROM working_week WHERE shop_id = $1 AND ($2::uuid IS NULL OR person_id = $2)`, shop, person)
	pg.All(b, &w.spans, `SELECT person_id, weekday, starts, ends FROM working_span WHERE shop_id = $1 AND ($2::uuid IS NULL OR person_id = $2)
		ORDER BY person_id, weekday, starts`, shop, person)
}

// of is the week of a person, empty when none was entered.
func (w *weeks) of(person domain.ID) Week {
	out := Week{PersonID: person}
	for _, r := range w.rows {
		if r.PersonID == person {
			out = r
		}
	}
	out.Spans = []Span{}
	for _, s := range w.spans {
		if s.PersonID == person {
			out.Spans = append(out.Spans, s.Span)
		}
	}
	return out
}

// ReadWeek gives a person's working week.
func (s *Service) ReadWeek(ctx context.Context, p domain.Principal, person domain.ID) (Week, error) {
	var w weeks
	var names map[domain.ID]string
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		w = weeks{}
		w.queue(b, p.Shop, person)
		people.QueueNames(b, p.Shop, &names)
	})
	if err == nil && names[person] == "" {
		err = domain.Absent()
	}
	return w.of(person), err
}

// PutWeek puts a week in the place of a person's if its version is still
// version.
func (s *Service) PutWeek(ctx context.Context, p domain.Principal, version int64, v Week) (Week, error) {
	if err := v.check(); err != nil {
		return v, err
	}
	var w weeks
	var names map[domain.ID]string
	load := func(b *pgx.Batch) {
		w = weeks{}
		b.Queue(`SELECT pg_advisory_xact_lock(hashtextextended('week ' || $1::uuid::text || ' ' || $2::uuid::text, 0))`, p.Shop, v.PersonID)
		w.queue(b, p.Shop, v.PersonID)
		people.QueueNames(b, p.Shop, &names)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if names[v.PersonID] == "" {
			return domain.Absent()
		}
		before := w.of(v.PersonID)
		if !domain.SameVersion(version, before.Version) {
			return pg.Stale()
		}
		v.Version, v.UpdatedAt = before.Version+1, s.Now()
		b := &pgx.Batch{}
		b.Queue(`INSERT INTO working_week (shop_id, `+weekColumns+`) VALUES ($1, $2, $3, $4, $5, $6)
			ON CONFLICT (shop_id, person_id) DO UPDATE SET latitude = excluded.latitude, longitude = excluded.longitude, version = excluded.version,
				updated_at = excluded.updated_at`, p.Shop, v.PersonID, v.Latitude, v.Longitude, v.Version, v.UpdatedAt)
		b.Queue(`DELETE FROM working_span WHERE shop_id = $1 AND person_id = $2`, p.Shop, v.PersonID)
		for _, x := range v.Spans {
			b.Queue(`INSERT INTO working_span (shop_id, person_id, weekday, starts, ends) VALUES ($1, $2, $3, $4, $5)`, p.Shop, v.PersonID, x.Weekday, x.Starts, x.Ends)
		}
		audit.Queue(b, tx.P, v.UpdatedAt, audit.Entry{Action: "changed", Entity: "working_week", ID: v.PersonID, Fields: []string{"spans", "base"}})
		return tx.Send(ctx, b)
	})
	return v, err
}

func (w *Week) check() error {
	var ps domain.Problems
	slices.SortFunc(w.Spans, func(a, b Span) int { return (a.Weekday-b.Weekday)*1440 + a.Starts - b.Starts })
	if len(w.Spans) > 28 {
		ps.Add("/spans", "too_many", "A week has at most 28 stretches of work.")
	}
	for i, x := range w.Spans {
		at := "/spans/" + strconv.Itoa(i)
		switch {
		case x.Weekday < 1 || x.Weekday > 7:
			ps.Add(at+"/weekday", "range", "Weekdays are 1, Monday, to 7, Sunday.")
		case x.Starts < 0 || x.Ends > 1440 || x.Starts >= x.Ends:
			ps.Add(at+"/ends", "order", "A stretch of work ends after it begins, on the same day. Work past midnight is two stretches.")
		case i > 0 && w.Spans[i-1].Weekday == x.Weekday && w.Spans[i-1].Ends > x.Starts:
			ps.Add(at+"/starts", "overlap", "Two stretches of this day overlap.")
		}
	}
	if (w.Latitude == nil) != (w.Longitude == nil) {
		ps.Add("/base", "pair", "A place has latitude and longitude, or neither.")
	}
	if v := w.Latitude; v != nil && !(*v >= -90 && *v <= 90) {
		ps.Add("/base/latitude", "range", "A latitude lies between -90 and 90 degrees.")
	}
	if v := w.Longitude; v != nil && !(*v >= -180 && *v <= 180) {
		ps.Add("/base/longitude", "range", "A longitude lies between -180 and 180 degrees.")
	}
	return ps.Err()
}

// AddTimeOff stores days off.
func (s *Service) AddTimeOff(ctx context.Context, p domain.Principal, key once.Key, v TimeOff) (TimeOff, bool, error) {
	if err := v.check(); err != nil {
		return v, false, err
	}
	now := s.Now()
	var names map[domain.ID]string
	return once.Do(ctx, s.DB, p, now, key, func(b *pgx.Batch) { people.QueueNames(b, p.Shop, &names) },
		func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (TimeOff, error) {
			v := v
			if !v.PersonID.IsZero() && names[v.PersonID] == "" {
				return v, domain.Field("/person_id", "unknown", "There is no such person in this shop.")
			}
			v.ID, v.CreatedAt = domain.NewID(now), now
			out.Queue(`INSERT INTO time_off (shop_id, `+timeOffColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
				p.Shop, v.ID, v.PersonID, v.StartsOn, v.EndsOn, v.Starts, v.Ends, v.Note, v.CreatedAt)
			audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "time_off", ID: v.ID})
			return v, nil
		})
}

func (v TimeOff) check() error {
	var ps domain.Problems
	ps.Text("/note", v.Note, 0, 200, false)
	switch {
	case v.StartsOn.IsZero():
		ps.Add("/starts_on", "required", "Say on which day it begins.")
	case v.EndsOn.IsZero() || v.EndsOn.Before(v.StartsOn):
		ps.Add("/ends_on", "order", "The last day is the first one or later.")
	case v.EndsOn.Time().Sub(v.StartsOn.Time()) > 366*24*time.Hour:
		ps.Add("/ends_on", "too_long", "Time off lasts at most 366 days.")
	}
	switch {
	case (v.Starts == nil) != (v.Ends == nil):
		ps.Add("/ends", "pair", "A part of a day has both ends, or neither for the whole day.")
	case v.Starts != nil && (*v.Starts < 0 || *v.Ends > 1440 || *v.Starts >= *v.Ends):
		ps.Add("/ends", "order", "The part of the day ends after it begins, on the same day.")
	}
	return ps.Err()
}

// DropTimeOff takes days off back.
func (s *Service) DropTimeOff(ctx context.Context, p domain.Principal, id domain.ID) error {
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, domain.Absent(), `DELETE FROM time_off WHERE shop_id = $1 AND id = $2`, p.Shop, id)
		audit.Queue(b, tx.P, s.Now(), audit.Entry{Action: "dropped", Entity: "time_off", ID: id})
		return tx.Send(ctx, b)
	})
}

// ListTimeOff gives up to size entries that touch the days from and until,
// after the id; a zero date is no bound.
func (s *Service) ListTimeOff(ctx context.Context, p domain.Principal, from, until domain.Date, after domain.ID, size int) ([]TimeOff, error) {
	var vs []TimeOff
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &vs, `SELECT `+timeOffColumns+` FROM time_off WHERE shop_id = $1 AND ($2::date IS NULL OR ends_on >= $2)
			AND ($3::date IS NULL OR starts_on <= $3) AND ($4::uuid IS NULL OR id > $4) ORDER BY id LIMIT $5`, p.Shop, from, until, after, size)
	})
	return vs, err
}

// queueTimeOff reads what is off between two days, the whole shop's too.
func queueTimeOff(b *pgx.Batch, shop domain.ID, from, until domain.Date, dst *[]TimeOff) {
	pg.All(b, dst, `SELECT `+timeOffColumns+` FROM time_off WHERE shop_id = $1 AND ends_on >= $2 AND starts_on <= $3`, shop, from, until)
}

// DayOf gives where a civil day of the shop begins and ends; the word today is
// the day it is.
func (s *Service) DayOf(ctx context.Context, p domain.Principal, day string) (from, until time.Time, err error) {
	var shop people.Shop
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { people.QueueShop(b, p.Shop, &shop) }); err != nil {
		return from, until, err
	}
	zone, err := hours.Zone(shop.TimeZone)
	if err != nil {
		return from, until, err
	}
	date := domain.DateOf(s.Now().In(zone))
	if day != "today" {
		if date, err = domain.ParseDate(day); err != nil {
			return from, until, domain.Field("date", "date", "Give today, or a day as YYYY-MM-DD.")
		}
	}
	return hours.At(zone, date, 0), hours.At(zone, date, hours.Midnight), nil
}
