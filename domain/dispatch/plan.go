package dispatch

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/dispatch/hours"
	"drumline/domain/dispatch/route"
	"drumline/shared/pg"
)

// DayPlan is an order of what is still ahead of a tech on a day.
type DayPlan struct {
	Plan    route.Plan
	Visits  []calls.Appointment // as the plan's indexes name them; a window held on the phone has an index above them
	Settled []calls.Appointment // under way or over: they stay, and the plan begins where the last of them is
	Before  time.Duration       // driving of what is ahead, in the order it is booked
	Applied bool
	// Addresses is where each visit goes.
	Addresses map[domain.ID]string
}

// PlanDay orders the booked visits of a day so that every promised window is
// met with the least driving. A visit without a window begins when the customer
// was told; what is under way or over stays, windows held on the phone stay
// free, and nothing is planned into the past. With apply the new times are
// stored; a day that cannot be met is then a Conflict that names what to give
// up.
func (s *Service) PlanDay(ctx context.Context, p domain.Principal, tech domain.ID, date domain.Date, apply bool) (DayPlan, error) {
	now := s.Now()
	var r roster
	load := func(b *pgx.Batch) {
		if apply {
			calls.QueueLockTechs(b, p.Shop, domain.ID{}, tech)
		}
		r.queue(b, p.Shop, date.Time(), date.Time().AddDate(0, 0, 1), now)
	}
	if !apply {
		if err := s.DB.Read(ctx, p, load); err != nil {
			return DayPlan{}, err
		}
		return r.planned(tech, date, now)
	}
	var out DayPlan
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		var err error
		if out, err = r.planned(tech, date, now); err != nil {
			return err
		}
		if !out.Plan.Feasible {
			return out.refused()
		}
		moved := out.moved()
		if out.Applied = true; len(moved) == 0 {
			return nil
		}
		b := &pgx.Batch{}
		calls.Reorder(b, tx.P, now, moved, "The day was planned anew.")
		return tx.Send(ctx, b)
	})
	return out, err
}

// refused is the Conflict of a day that cannot be met, with the visits to give
// up as facts.
func (d DayPlan) refused() error {
	unmet := []string{}
	for _, i := range d.Plan.Unmet {
		if i < len(d.Visits) {
			unmet = append(unmet, d.Visits[i].ID.String())
		}
	}
	e := domain.Errorf(domain.Conflict, "%s", d.Plan.Sentence)
	e.Extra = map[string]any{"unmet_visits": unmet}
	return e
}

// moved is the visits whose time the plan changes.
func (d DayPlan) moved() []calls.Moved {
	var out []calls.Moved
	for _, x := range d.Plan.Visits {
		if x.Stop >= len(d.Visits) {
			continue
		}
		if v := d.Visits[x.Stop]; !x.Starts.Equal(v.StartsAt) {
			out = append(out, calls.Moved{ID: v.ID, StartsAt: x.Starts, EndsAt: x.Ends})
		}
	}
	return out
}

// planned orders the day of a tech as it stands at now.
func (r *roster) planned(tech domain.ID, date domain.Date, now time.Time) (DayPlan, error) {
	if r.names[tech] == "" {
		return DayPlan{}, domain.Absent()
	}
	if err := r.open(); err != nil {
		return DayPlan{}, err
	}
	out := DayPlan{Addresses: map[domain.ID]string{}}
	for _, v := range r.visitsOn(tech, date) {
		out.Addresses[v.ID] = r.places[v.UnitID].Address
		if stays(v, now) {
			out.Settled = append(out.Settled, v)
		} else {
			out.Visits = append(out.Visits, v)
		}
	}
	d := r.ahead(tech, date, out, now)
	if len(out.Visits) == 0 {
		out.Plan = route.Plan{Feasible: true, Exact: true, Finish: d.Opens}
		return out, nil
	}
	if len(d.Stops) > route.MostStops {
		return out, domain.Errorf(domain.Conflict, "A day of more than %d visits cannot be planned.", route.MostStops)
	}
	m := r.matrix(d)
	out.Before = booked(d, out.Visits, m)
	var err error
	if out.Plan, err = d.PlanOn(m); err != nil {
		return out, err
	}
	know(d, out.Plan.Visits)
	return out, nil
}

// stays says whether a visit is under way or over at now, as far as anybody has
// said: one that should have begun is taken to have, while its time runs or when
// the customer was told that hour.
func stays(v calls.Appointment, now time.Time) bool {
	return v.Status != calls.Booked || !v.StartsAt.After(now) && !movable(v, now)
}

// movable says whether a visit may begin at another time: the customer was told
// a window that is still open, and the visit is not taken to be under way.
func movable(v calls.Appointment, now time.Time) bool {
	running := !v.StartsAt.After(now) && v.EndsAt.After(now)
	return v.Status == calls.Booked && v.ArriveFrom != nil && v.ArriveUntil != nil && now.Before(*v.ArriveUntil) && !running
}

// ahead is what is left of a day: from where the last settled visit leaves the
// tech, and not before now.
func (r *roster) ahead(tech domain.ID, date domain.Date, p DayPlan, now time.Time) route.Day {
	d := r.openDay(tech, date, p.Visits)
	for _, v := range p.Settled {
		if v.StartsAt.After(now) { // done out of turn: its time stays taken
			d.Breaks = append(d.Breaks, route.Break{From: v.StartsAt, To: v.EndsAt})
			continue
		}
		d.Start, d.Opens = r.unitPlace(v.UnitID), later(d.Opens, v.EndsAt)
	}
	d.Opens = later(d.Opens, wholeMinute(now, d.Opens))
	if !d.Closes.After(d.Opens) {
		d.Closes = d.Opens.Add(time.Minute)
	}
	for _, v := range p.Visits {
		stop := fixed(v.ID.String(), r.unitPlace(v.UnitID), v.StartsAt, v.EndsAt)
		stop.Name = p.Addresses[v.ID]
		if movable(v, now) {
			stop.Fixed, stop.Earliest, stop.Latest = false, *v.ArriveFrom, *v.ArriveUntil
		}
		d.Stops = append(d.Stops, stop)
	}
	d.Breaks = append(d.Breaks, r.overnight(tech, date, d)...)
	d.Breaks = apart(d.Breaks, d.Stops)
	d.Stops = append(d.Stops, r.held(tech, d)...)
	return d
}

// openDay is the frame of a day: working time, stretched over what is booked
// outside of it, with the ways there and home.
func (r *roster) openDay(tech domain.ID, date domain.Date, visits []calls.Appointment) route.Day {
	d, works := r.day(tech, date, domain.ID{}, domain.ID{})
	if d.Stops = nil; !works {
		base := r.base(tech)
		d = route.Day{Start: base, End: &base, Opens: hours.At(r.zone, date, 0), Closes: hours.At(r.zone, date, hours.Midnight)}
	}
	opens, closes := d.Opens, d.Closes
	for _, v := range visits {
		way, _ := r.travel(d.Start, r.unitPlace(v.UnitID))
		if leaves := v.StartsAt.Add(-way); v.StartsAt.Before(opens) && leaves.Before(d.Opens) {
			d.Opens = leaves
		}
		if home := v.EndsAt.Add(way); v.EndsAt.After(closes) && home.After(d.Closes) {
			d.Closes = home
		}
	}
	return d
}

// overnight is the time of a day taken by visits that begin on another one.
func (r *roster) overnight(tech domain.ID, date domain.Date, d route.Day) []route.Break {
	from, until := hours.At(r.zone, date, 0), hours.At(r.zone, date, hours.Midnight)
	var out []route.Break
	for _, v := range r.visitsOf(tech) {
		if (v.StartsAt.Before(from) || !v.StartsAt.Before(until)) && v.StartsAt.Before(d.Closes) && v.EndsAt.After(d.Opens) {
			out = append(out, route.Break{From: v.StartsAt, To: v.EndsAt})
		}
	}
	return out
}

// held is the windows of a tech that are held on the phone: they stay free.
func (r *roster) held(tech domain.ID, d route.Day) []route.Stop {
	var out []route.Stop
	for _, h := range r.holds {
		if h.TechID == tech && !h.StartsAt.Before(d.Opens) && h.StartsAt.Before(d.Closes) {
			stop := fixed("hold "+h.ID.String(), route.Place{}, h.StartsAt, h.EndsAt)
			stop.Name = "a window held on the phone"
			out = append(out, stop)
		}
	}
	return out
}

// apart takes the time of fixed stops out of breaks: what is booked into time
// off stays where it is.
func apart(breaks []route.Break, stops []route.Stop) []route.Break {
	var off, busy []hours.Interval
	for _, b := range breaks {
		off = append(off, hours.Interval(b))
	}
	for _, s := range stops {
		if s.Fixed {
			busy = append(busy, hours.Interval{From: s.Earliest, To: s.Earliest.Add(s.Service)})
		}
	}
	var out []route.Break
	for _, i := range hours.Subtract(off, busy) {
		out = append(out, route.Break(i))
	}
	return out
}

// booked is the driving of a day in the order in which it is booked.
func booked(d route.Day, visits []calls.Appointment, m route.Matrix) time.Duration {
	starts := func(i int) time.Time {
		if i < len(visits) {
			return visits[i].StartsAt
		}
		return d.Stops[i].Earliest
	}
	order := make([]int, len(d.Stops))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return starts(a).Compare(starts(b)) })
	at, sum := 0, time.Duration(0)
	for _, i := range order {
		sum, at = sum+m[at][i+1], i+1
	}
	return sum + m[at][len(m)-1]
}

// know notes which ways of a plan are between places that are located.
func know(d route.Day, visits []route.Visit) {
	last := d.Start
	for i := range visits {
		here := d.Stops[visits[i].Stop].Place
		visits[i].TravelKnown, last = last.Known && here.Known, here
	}
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// wholeMinute is t in the zone of another time, rounded up.
func wholeMinute(t, like time.Time) time.Time {
	return t.Add(time.Minute - 1).Truncate(time.Minute).In(like.Location())
}
