package dispatch

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch/hours"
	"drumline/domain/dispatch/route"
	"drumline/domain/repair"
)

// Sheet is one tech's ordered day.
type Sheet struct {
	TechID  domain.ID
	Tech    string
	Date    domain.Date
	Zone    *time.Location
	Working []hours.Interval
	Base    route.Place // where the day begins and ends
	Stops   []SheetStop
	Home    time.Duration // the way back from the last stop
	BackAt  time.Time     // by estimate; zero without stops
	Driving time.Duration // with the ways from and to the base
	Work    time.Duration
	// Guessed says that some travel is a guess: a place is not located.
	Guessed bool
}

// SheetStop is one visit of a day, with what to know and to bring.
type SheetStop struct {
	Visit       calls.Appointment
	Travel      time.Duration
	TravelKnown bool
	Arrives     time.Time     // estimated
	Slack       time.Duration // until the promise is broken; below 0 it will be
	Dossier     customers.Dossier
	Kind        string // in words
	Complaint   string
	Said        []calls.Said
	Faults      []LikelyFault
	Parts       []PartToBring
	Known       []KnownValue // what the next checks ask of the data sheet
	Missing     []catalogue.Parameter
	Cautions    []string // of the fuel and of the next checks
	Stop        string   // why the machine must not run, empty for no reason
	Hazards     []repair.Hazard
	Notices     []customers.NoticeFlag
	Warnings    []string

	kind string // of the unit
}

// LikelyFault is one of the likeliest faults of a call as it stands.
type LikelyFault struct {
	Name        string
	Probability float64
	Minutes     float64
}

// PartToBring is a part that is likely to be needed.
type PartToBring struct {
	Part        string // in words
	Probability float64
	Numbers     []FittedNumber
}

// FittedNumber is a part number the shop has fitted for the same faults.
type FittedNumber struct {
	Number    string
	Name      string
	Times     int
	SameModel int // of those, in units of the same model
}

// KnownValue is a value of the data sheet as somebody wrote it down.
type KnownValue struct {
	Parameter string
	Name      string
	Text      string
	Confirmed bool // by a second person
}

// Bounds of what a sheet shows of a visit.
const (
	sheetFaults = 3
	sheetParts  = 5
	sheetChecks = 5
	sheetWarned = 4    // cautions of checks
	sheetFitted = 3    // numbers of a part
	worthABring = 0.03 // a part needed less often stays in the workshop
)

// ReadDay gives a tech's day sheet; to a tech another's is absent.
func (s *Service) ReadDay(ctx context.Context, p domain.Principal, tech domain.ID, date domain.Date) (Sheet, error) {
	if p.Role == domain.Tech && tech != p.Person {
		return Sheet{}, domain.Absent()
	}
	now := s.Now()
	var r roster
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { r.queue(b, p.Shop, date.Time(), date.Time().AddDate(0, 0, 1), now) })
	if err != nil {
		return Sheet{}, err
	}
	if r.names[tech] == "" {
		return Sheet{}, domain.Absent()
	}
	if err := r.open(); err != nil {
		return Sheet{}, err
	}
	out := r.sheet(tech, date, now)
	return out, s.fillStops(ctx, p, &out)
}

// visitsOn is a tech's visits that begin on a day, by start.
func (r *roster) visitsOn(tech domain.ID, date domain.Date) []calls.Appointment {
	from, until := hours.At(r.zone, date, 0), hours.At(r.zone, date, hours.Midnight)
	var out []calls.Appointment
	for _, v := range r.visitsOf(tech) {
		if !v.StartsAt.Before(from) && v.StartsAt.Before(until) {
			out = append(out, v)
		}
	}
	return out
}

// sheet times the day as it is booked: the tech leaves each place when its
// visit is over, or later to be at the next one when it begins.
func (r *roster) sheet(tech domain.ID, date domain.Date, now time.Time) Sheet {
	out := Sheet{TechID: tech, Tech: r.names[tech], Date: date, Zone: r.zone, Working: r.schedule(tech).Working(date, 1), Base: r.base(tech), Stops: []SheetStop{}}
	last, free := out.Base, time.Time{}
	if len(out.Working) > 0 {
		free = out.Working[0].From
	}
	for i, v := range r.visitsOn(tech, date) {
		here := r.unitPlace(v.UnitID)
		stop := SheetStop{Visit: v, kind: r.places[v.UnitID].Kind}
		stop.Travel, stop.TravelKnown = r.travel(last, here)
		stop.Arrives = v.StartsAt
		if i == 0 && v.StartsAt.Before(free) { // booked before work begins: so does the day
			free = v.StartsAt.Add(-stop.Travel)
		}
		if reached := reach(free, stop.Travel, out.Working); !free.IsZero() && reached.After(v.StartsAt) {
			stop.Arrives = reached
		}
		promise := v.StartsAt
		if v.ArriveUntil != nil {
			promise = *v.ArriveUntil
		}
		stop.Slack = promise.Sub(stop.Arrives)
		stop.Warnings = r.warnings(stop, now)
		out.Driving += stop.Travel
		out.Work += v.EndsAt.Sub(v.StartsAt)
		out.Guessed = out.Guessed || !stop.TravelKnown
		free, last = stop.Arrives.Add(v.EndsAt.Sub(v.StartsAt)), here
		out.Stops = append(out.Stops, stop)
	}
	if len(out.Stops) > 0 {
		home, known := r.travel(last, out.Base)
		out.Home, out.BackAt = home, reach(free, home, out.Working)
		out.Driving += home
		out.Guessed = out.Guessed || !known
	}
	return out
}

// reach is when somebody arrives who sets out at from: breaks between the
// stretches of work pause the way.
func reach(from time.Time, way time.Duration, working []hours.Interval) time.Time {
	for i := 1; i < len(working); i++ {
		pause := hours.Interval{From: working[i-1].To, To: working[i].From}
		if !from.Add(way).After(pause.From) {
			break
		}
		if from.Before(pause.To) {
			way -= max(pause.From.Sub(from), 0)
			from = pause.To
		}
	}
	return from.Add(way)
}

func (r *roster) warnings(s SheetStop, now time.Time) []string {
	out := []string{}
	if s.Slack < 0 {
		out = append(out, fmt.Sprintf("Cannot be reached in time: %.0f minutes late by estimate. Call the customer, or plan the day anew.", -s.Slack.Minutes()))
	}
	if s.Visit.Override != "" {
		out = append(out, "Booked against the rules: "+s.Visit.Override)
	} else if !r.works(s.Visit) {
		out = append(out, "Lies outside working time by now: hours or days off were changed after it was booked.")
	}
	if !r.unitPlace(s.Visit.UnitID).Known {
		out = append(out, "Nobody has located this site: the ways to and from it are a guess.")
	}
	if s.Visit.Status == calls.Booked && s.Visit.EndsAt.Before(now) {
		out = append(out, "Should be over and has not begun.")
	}
	return out
}

// works says whether a visit lies within its tech's working time. Somebody
// whose hours nobody has entered works whenever they have not time off.
func (r *roster) works(v calls.Appointment) bool {
	sched := r.schedule(v.TechID)
	if len(r.weeks.of(v.TechID).Spans) == 0 {
		for i := range sched.Week {
			sched.Week[i] = []hours.Span{{From: 0, To: hours.Midnight}}
		}
	}
	return covers(sched.Working(domain.DateOf(v.StartsAt.In(r.zone)), 2), v.StartsAt, v.EndsAt)
}

// travel is the estimated way in whole minutes, begun ones counted.
func (r *roster) travel(a, b route.Place) (time.Duration, bool) {
	d, known := r.roads().Travel(a, b)
	return wholeMinutes(d), known
}

// matrix is travel between all places of a day.
func (r *roster) matrix(d route.Day) route.Matrix {
	m := r.roads().Matrix(d)
	for _, row := range m {
		for i := range row {
			row[i] = wholeMinutes(row[i])
		}
	}
	return m
}

func wholeMinutes(d time.Duration) time.Duration { return (d + time.Minute - 1).Truncate(time.Minute) }
