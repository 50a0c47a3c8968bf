package dispatch

import (
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch/hours"
	"drumline/domain/dispatch/route"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Hold is a window kept free for a call, until it expires or the call is
// booked.
type Hold struct {
	ID          domain.ID  `db:"id"`
	CallID      domain.ID  `db:"call_id"`
	TechID      domain.ID  `db:"tech_id"`
	StartsAt    time.Time  `db:"starts_at"`
	EndsAt      time.Time  `db:"ends_at"`
	ArriveFrom  *time.Time `db:"arrive_from"`
	ArriveUntil *time.Time `db:"arrive_until"`
	HeldBy      domain.ID  `db:"held_by"`
	ExpiresAt   time.Time  `db:"expires_at"`
}

const holdColumns = `id, call_id, tech_id, starts_at, ends_at, arrive_from, arrive_until, held_by, expires_at`

// queueHolds reads the live holds of the shop.
func queueHolds(b *pgx.Batch, shop domain.ID, now time.Time, dst *[]Hold) {
	pg.All(b, dst, `SELECT `+holdColumns+` FROM hold WHERE shop_id = $1 AND expires_at > $2 ORDER BY starts_at, id`, shop, now)
}

// roster is everything that says who is free when, over some days.
type roster struct {
	rule     Rule
	shop     people.Shop
	names    map[domain.ID]string
	bookable map[domain.ID]bool
	fitters  map[domain.ID]domain.Date // who may work on gas, until when
	weeks    weeks
	off      []TimeOff
	visits   []calls.Appointment
	places   map[domain.ID]customers.Place
	holds    []Hold

	zone   *time.Location                    // see open
	byTech map[domain.ID][]calls.Appointment // see visitsOf
}

// queue reads the roster of a stretch of time. The days around it are read
// too: nobody knows the shop's zone yet.
func (r *roster) queue(b *pgx.Batch, shop domain.ID, from, until, now time.Time) {
	*r = roster{}
	from, until = from.Add(-36*time.Hour), until.Add(36*time.Hour)
	queueRule(b, shop, &r.rule)
	people.QueueShop(b, shop, &r.shop)
	people.QueueNames(b, shop, &r.names)
	people.QueueBookable(b, shop, &r.bookable)
	people.QueueHolders(b, shop, "gas", &r.fitters)
	r.weeks.queue(b, shop, domain.ID{})
	queueTimeOff(b, shop, domain.DateOf(from), domain.DateOf(until), &r.off)
	calls.QueueAppointments(b, shop, domain.ID{}, from, until, &r.visits)
	customers.QueuePlaces(b, shop, calls.UnitsOfDays, &r.places, from, until)
	queueHolds(b, shop, now, &r.holds)
}

func (r *roster) open() (err error) {
	r.zone, err = hours.Zone(r.shop.TimeZone)
	return err
}

func (r *roster) roads() route.Roads {
	return route.Roads{Detour: r.rule.Detour, KmPerHour: r.rule.Speed * 3.6, Unknown: time.Duration(r.rule.UnknownMinutes * float64(time.Minute))}
}

// schedule is when a person works.
func (r *roster) schedule(person domain.ID) hours.Schedule {
	s := hours.Schedule{Zone: r.zone}
	for _, x := range r.weeks.of(person).Spans {
		s.Week[x.Weekday%7] = append(s.Week[x.Weekday%7], hours.Span{From: hours.Clock(x.Starts), To: hours.Clock(x.Ends)})
	}
	for _, o := range r.off {
		if !o.PersonID.IsZero() && o.PersonID != person {
			continue
		}
		off := hours.Off{First: o.StartsOn, Last: o.EndsOn}
		if o.Starts != nil {
			off.Part = hours.Span{From: hours.Clock(*o.Starts), To: hours.Clock(*o.Ends)}
		}
		s.Off = append(s.Off, off)
	}
	return s
}

// base is where a person's day begins and ends.
func (r *roster) base(person domain.ID) route.Place {
	w := r.weeks.of(person)
	return placeOf(w.Latitude, w.Longitude)
}

func placeOf(lat, lon *float64) route.Place {
	if lat == nil || lon == nil {
		return route.Place{}
	}
	return route.At(*lat, *lon)
}

// unitPlace is where a unit stands, as far as it is known.
func (r *roster) unitPlace(unit domain.ID) route.Place {
	p := r.places[unit]
	return placeOf(p.Latitude, p.Longitude)
}

// day is a tech's day with what is booked and held on it, in order: every
// visit begins when it is booked for. False: they do not work that day. Time
// off in the middle of the day is a break. skip is a visit that is left out.
func (r *roster) day(tech domain.ID, date domain.Date, skip domain.ID, own domain.ID) (route.Day, bool) {
	work := r.schedule(tech).Working(date, 1)
	if len(work) == 0 {
		return route.Day{}, false
	}
	base := r.base(tech)
	d := route.Day{Start: base, End: &base, Opens: work[0].From, Closes: work[len(work)-1].To}
	for i := 1; i < len(work); i++ {
		d.Breaks = append(d.Breaks, route.Break{From: work[i-1].To, To: work[i].From})
	}
	for _, v := range r.visitsOf(tech) {
		if v.ID != skip && v.StartsAt.Before(d.Closes) && v.EndsAt.After(d.Opens) {
			d.Stops = append(d.Stops, fixed(v.ID.String(), r.unitPlace(v.UnitID), v.StartsAt, v.EndsAt))
		}
	}
	for _, h := range r.holds {
		if h.TechID == tech && h.CallID != own && h.StartsAt.Before(d.Closes) && h.EndsAt.After(d.Opens) {
			d.Stops = append(d.Stops, fixed("hold "+h.ID.String(), route.Place{}, h.StartsAt, h.EndsAt))
		}
	}
	sortStops(d.Stops)
	return d, true
}

// visitsOf is the visits of one tech, sorted out once.
func (r *roster) visitsOf(tech domain.ID) []calls.Appointment {
	if r.byTech == nil {
		r.byTech = map[domain.ID][]calls.Appointment{}
		for _, v := range r.visits {
			r.byTech[v.TechID] = append(r.byTech[v.TechID], v)
		}
	}
	return r.byTech[tech]
}

func fixed(id string, at route.Place, starts, ends time.Time) route.Stop {
	return route.Stop{ID: id, Place: at, Service: ends.Sub(starts), Earliest: starts, Fixed: true}
}
