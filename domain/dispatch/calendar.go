package dispatch

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch/ical"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Calendar is a feed of visits that any calendar program can read: of one
// person, or with a zero PersonID of the whole shop. Whoever has the address
// can read it, so it can be revoked, and it ends by itself when whoever made it
// could make it no longer.
type Calendar struct {
	ID        domain.ID  `db:"id"`
	PersonID  domain.ID  `db:"person_id"`
	Name      string     `db:"name"`
	Shows     string     `db:"shows"` // visits, or care_due: when care of the shop's units is due
	CreatedBy domain.ID  `db:"created_by"`
	CreatedAt time.Time  `db:"created_at"`
	RevokedAt *time.Time `db:"revoked_at"`
	Token     string     `db:"-"` // in the answer to Create alone; the database keeps its hash
}

const calendarColumns = `id, person_id, name, shows, created_by, created_at, revoked_at`

// What a feed shows.
const (
	ShowsVisits = "visits"
	ShowsCare   = "care_due"
)

// The stretch a feed shows.
const (
	feedPast   = 30 * 24 * time.Hour
	feedAhead  = 180 * 24 * time.Hour
	feedVisits = 5000
	feedAgain  = 30 * time.Minute // how often readers should ask
)

// CreateCalendar makes a feed. A tech makes one of their own visits only. The
// token is in this answer and nowhere else; a replay has none.
func (s *Service) CreateCalendar(ctx context.Context, p domain.Principal, key once.Key, person domain.ID, name, shows string) (Calendar, bool, error) {
	var ps domain.Problems
	ps.Text("/name", name, 1, 120, false)
	if shows != ShowsVisits && (shows != ShowsCare || !person.IsZero()) {
		ps.Add("/shows", "not_listed", "A feed shows visits, or care_due of the whole shop.")
	}
	if ps.Err() != nil {
		return Calendar{}, false, ps.Err()
	}
	if p.Role == domain.Tech && person != p.Person {
		return Calendar{}, false, domain.Errorf(domain.Forbidden, "A tech makes a calendar of their own visits: give your own person_id.")
	}
	now := s.Now()
	token, hash := people.NewToken(p.Shop)
	var roles map[domain.ID]domain.Role
	c, replayed, err := once.Do(ctx, s.DB, p, now, key, func(b *pgx.Batch) { people.QueueRoles(b, p.Shop, &roles) },
		func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Calendar, error) {
			if !person.IsZero() && roles[person] == "" {
				return Calendar{}, domain.Field("/person_id", "unknown", "There is no such person at work in this shop.")
			}
			c := Calendar{ID: domain.NewID(now), PersonID: person, Name: name, Shows: shows, CreatedBy: p.Person, CreatedAt: now}
			out.Queue(`INSERT INTO calendar (shop_id, id, person_id, name, token_hash, created_by, created_at, shows) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
				p.Shop, c.ID, c.PersonID, c.Name, hash, c.CreatedBy, c.CreatedAt, c.Shows)
			audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "calendar", ID: c.ID})
			return c, nil
		})
	if err == nil && !replayed {
		c.Token = token
	}
	return c, replayed, err
}

// ListCalendars gives the feeds of the shop, revoked ones among them; a tech
// gets those of their own visits.
func (s *Service) ListCalendars(ctx context.Context, p domain.Principal) ([]Calendar, error) {
	var cs []Calendar
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &cs, `SELECT `+calendarColumns+` FROM calendar WHERE shop_id = $1 AND ($2::uuid IS NULL OR person_id = $2) ORDER BY id`, p.Shop, onlyOwn(p))
	})
	return cs, err
}

// onlyOwn is whose calendars p may see: a tech their own, everybody else all.
func onlyOwn(p domain.Principal) domain.ID {
	if p.Role == domain.Tech {
		return p.Person
	}
	return domain.ID{}
}

// RevokeCalendar ends a feed; revoking it again changes nothing.
func (s *Service) RevokeCalendar(ctx context.Context, p domain.Principal, id domain.ID) error {
	now := s.Now()
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, domain.Absent(), `UPDATE calendar SET revoked_at = coalesce(revoked_at, $4) WHERE shop_id = $1 AND id = $2 AND ($3::uuid IS NULL OR person_id = $3)`,
			p.Shop, id, onlyOwn(tx.P), now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "revoked", Entity: "calendar", ID: id})
		return tx.Send(ctx, b)
	})
}

// Feed gives the feed of a token as iCalendar (RFC 5545). A token that is
// malformed, unknown, revoked or of somebody who has left is Absent, all alike.
func (s *Service) Feed(ctx context.Context, token string) ([]byte, error) {
	shop, hash, ok := people.ReadToken(token)
	if !ok {
		return nil, domain.Absent()
	}
	now, sys := s.Now(), domain.System(shop, "calendar feed")
	var found []Calendar
	var roles map[domain.ID]domain.Role
	if err := s.DB.Read(ctx, sys, func(b *pgx.Batch) {
		pg.All(b, &found, `SELECT `+calendarColumns+` FROM calendar WHERE shop_id = $1 AND token_hash = $2 AND revoked_at IS NULL`, shop, hash)
		people.QueueRoles(b, shop, &roles)
	}); err != nil {
		return nil, err
	}
	if len(found) == 0 || !found[0].lives(roles) {
		return nil, domain.Absent()
	}
	if found[0].Shows == ShowsCare {
		return s.careFeed(ctx, sys, found[0], now)
	}
	f := feed{calendar: found[0]}
	from, until := now.Add(-feedPast), now.Add(feedAhead)
	if err := s.DB.Read(ctx, sys, func(b *pgx.Batch) {
		people.QueueShop(b, shop, &f.shop)
		people.QueueNames(b, shop, &f.names)
		calls.QueueFeed(b, shop, f.calendar.PersonID, from, until, feedVisits, &f.visits)
		customers.QueuePlaces(b, shop, calls.UnitsOfFeed, &f.places, from, until)
	}); err != nil {
		return nil, err
	}
	return s.encode(ctx, sys, &f)
}

// lives says whether a feed may still be read, by the roles of those at work:
// it ends with who made it, with whose visits it shows, and when its maker is a
// tech now and it shows more than their own.
func (c Calendar) lives(roles map[domain.ID]domain.Role) bool {
	maker := roles[c.CreatedBy]
	switch {
	case maker == "", !c.PersonID.IsZero() && roles[c.PersonID] == "":
		return false
	}
	return maker != domain.Tech || c.PersonID == c.CreatedBy
}

// feed is what a calendar shows.
type feed struct {
	calendar Calendar
	shop     people.Shop
	names    map[domain.ID]string
	visits   []calls.Appointment
	places   map[domain.ID]customers.Place
}

func (s *Service) encode(ctx context.Context, sys domain.Principal, f *feed) ([]byte, error) {
	zone, err := time.LoadLocation(f.shop.TimeZone)
	if err != nil {
		return nil, fmt.Errorf("dispatch: zone of shop %s: %w", f.shop.ID, err)
	}
	c := ical.Calendar{Product: "-//drumline//visits//EN", Name: f.calendar.Name, Refresh: feedAgain}
	for _, v := range f.visits {
		place := f.places[v.UnitID]
		kind, complaint := place.Kind, v.Complaint
		cat, err := s.Calls.Catalogues.Of(ctx, s.DB, sys, v.Edition)
		if err != nil {
			return nil, err
		}
		if k, ok := cat.Kind(place.Kind); ok {
			kind = k.Name
			if cp, ok := k.Complaint(v.Complaint); ok {
				complaint = cp.Name
			}
		}
		c.Events = append(c.Events, ical.Event{UID: v.ID.String() + "@drumline", Sequence: int(v.Version - 1), Stamp: v.UpdatedAt, Modified: v.UpdatedAt,
			Start: v.StartsAt, End: v.EndsAt, Status: eventStatus(v.Status), Summary: kind + ": " + complaint, Location: place.Address,
			Description: f.about(v, place, zone)})
	}
	return ical.Encode(c)
}

// about is what a tech needs to get there. The customer's name and telephone
// number stay out: a feed is read by whoever has its address.
func (f *feed) about(v calls.Appointment, place customers.Place, zone *time.Location) string {
	var lines []string
	if name := f.names[v.TechID]; f.calendar.PersonID.IsZero() && name != "" {
		lines = append(lines, name)
	}
	if v.ArriveFrom != nil && v.ArriveUntil != nil {
		lines = append(lines, "Promised: between "+v.ArriveFrom.In(zone).Format("15:04")+" and "+v.ArriveUntil.In(zone).Format("15:04"))
	}
	for _, text := range []string{place.AccessNotes, v.Note} {
		if text != "" {
			lines = append(lines, text)
		}
	}
	return strings.Join(lines, "\n")
}

// eventStatus is how a visit stands in the words of RFC 5545, 3.8.1.11.
func eventStatus(s calls.VisitStatus) ical.Status {
	if s == calls.VisitCancelled || s == calls.VisitNoAccess {
		return ical.Cancelled
	}
	return ical.Confirmed
}
