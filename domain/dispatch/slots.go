package dispatch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch/hours"
	"drumline/domain/dispatch/route"
)

// Bounds of a search for slots.
const (
	MaxDays  = 31
	MaxSlots = 40
)

// What an added minute of driving is worth against waiting: a day later counts
// like a quarter of an hour on the road. Judgement, no source.
const minutesADay = 15

// Lengths where the shop has too little history (trade practice, no source).
const (
	dryerMinutes  = 60.0
	otherMinutes  = 45.0
	returnMinutes = 30.0
)

// SlotQuery asks for free windows for a call. A zero From is today; a zero
// TechID asks everybody.
type SlotQuery struct {
	Call   domain.ID
	From   domain.Date
	Days   int
	TechID domain.ID
}

// Slot is a free window: the tech begins at StartsAt, and the customer is told
// ArriveFrom to ArriveUntil.
type Slot struct {
	TechID      domain.ID
	Tech        string
	StartsAt    time.Time
	EndsAt      time.Time
	ArriveFrom  time.Time
	ArriveUntil time.Time
	Added       time.Duration // driving more than without it
	TravelKnown bool
	Slack       time.Duration // how much later it may begin with all else met
	Reason      string

	cost float64
}

// Offer is the free windows for a call, best first.
type Offer struct {
	Minutes       float64
	MinutesReason string
	Located       bool // the site's place is known
	Slots         []Slot
	// WithoutHours names techs no windows can be offered for: nobody has
	// entered when they work.
	WithoutHours []string
}

// need is what a call asks of a tech's day.
type need struct {
	call    calls.Call
	dossier customers.Dossier
	past    calls.Minutes
	minutes float64
	why     string
}

func (n *need) queue(b *pgx.Batch, p domain.Principal, call domain.ID) {
	calls.QueueCall(b, p, call, &n.call)
	customers.QueueDossier(b, p.Shop, calls.UnitOfCall, call, &n.dossier)
	calls.QueueMinutes(b, p.Shop, call, &n.past)
}

func (n *need) gas() bool { return n.dossier.Unit.Fuel == "gas" }

// Slots gives free windows for an open call, ranked by driving added, fit and
// how soon.
func (s *Service) Slots(ctx context.Context, p domain.Principal, q SlotQuery) (Offer, error) {
	if q.Days < 1 || q.Days > MaxDays {
		return Offer{}, domain.Field("days", "range", "Ask for 1 to %d days.", MaxDays)
	}
	now := s.Now()
	from := now
	if !q.From.IsZero() {
		from = q.From.Time()
	}
	var n need
	var r roster
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		n = need{}
		n.queue(b, p, q.Call)
		r.queue(b, p.Shop, from, from.AddDate(0, 0, q.Days), now)
	})
	if err != nil {
		return Offer{}, err
	}
	if n.call.Status == calls.Closed {
		return Offer{}, domain.Errorf(domain.Conflict, "This call is closed. Open a new call for the unit.")
	}
	if err := r.open(); err != nil {
		return Offer{}, err
	}
	if err := s.length(ctx, p, &n); err != nil {
		return Offer{}, err
	}
	if q.From.IsZero() {
		q.From = domain.DateOf(now.In(r.zone))
	}
	return r.offer(&n, q, now), nil
}

// length settles how many minutes the next visit of a call will take.
func (s *Service) length(ctx context.Context, p domain.Principal, n *need) error {
	repair, usual, err := s.repairMinutes(ctx, p, n.call.ID)
	if err != nil {
		return err
	}
	n.minutes, n.why = lengthOf(n.past, n.dossier.Unit.Kind, repair, usual)
	return nil
}

// lengthOf is the median of the shop's own visits of the sort, which holds
// their repairs already and is moved by how much longer than usual this call's
// repair is likely to be; with fewer than LeastVisits of them the trade's
// figure, with the likely repair on top.
func lengthOf(past calls.Minutes, kind string, repair, usual float64) (minutes float64, why string) {
	sort := "first"
	if past.Return {
		sort = "return"
	}
	switch {
	case past.Visits >= calls.LeastVisits:
		minutes = past.Median + repair - usual
		why = fmt.Sprintf("Median of %d %s visits of this kind and complaint, %.0f minutes, and %+.0f for what is likely to be repaired", past.Visits, sort, past.Median, repair-usual)
	case past.Return:
		minutes = returnMinutes + repair
		why = fmt.Sprintf("%.0f minutes for a return visit (common practice) and %.0f for the likely repair", returnMinutes, repair)
	default:
		base := otherMinutes
		if strings.HasSuffix(kind, "dryer") {
			base = dryerMinutes
		}
		minutes = base + repair
		why = fmt.Sprintf("%.0f minutes to find the fault (common practice) and %.0f for the likely repair", base, repair)
	}
	return min(max(5*math.Ceil(minutes/5), 15), 480), why + "."
}

// repairMinutes is the expected minutes of repair of a call as it stands, and
// of its complaint before anything was known.
func (s *Service) repairMinutes(ctx context.Context, p domain.Principal, call domain.ID) (now, usual float64, err error) {
	m, err := s.Repair.ExpectedMinutes(ctx, p, call)
	if e, ok := errors.AsType[*domain.Error](err); ok && e.Kind == domain.Conflict {
		return 0, 0, nil // a kind that has left the catalogue is booked by hand
	}
	return m.Now, m.Usual, err
}

// offer ranks the free windows of the roster.
func (r *roster) offer(n *need, q SlotQuery, now time.Time) Offer {
	site := placeOf(n.dossier.Site.Latitude, n.dossier.Site.Longitude)
	out := Offer{Minutes: n.minutes, MinutesReason: n.why, Located: site.Known, Slots: []Slot{}, WithoutHours: []string{}}
	ask := route.Stop{ID: "call " + n.call.ID.String(), Place: site, Service: time.Duration(n.minutes * float64(time.Minute))}
	for id := range r.bookable {
		if !q.TechID.IsZero() && id != q.TechID {
			continue
		}
		if len(r.weeks.of(id).Spans) == 0 {
			out.WithoutHours = append(out.WithoutHours, r.names[id])
			continue
		}
		for i := range q.Days {
			date := domain.DateOf(q.From.Time().AddDate(0, 0, i))
			if n.gas() && r.fitters[id].Before(date) {
				continue
			}
			out.Slots = append(out.Slots, r.slotsOf(id, date, ask, n.call.ID, now)...)
		}
	}
	slices.Sort(out.WithoutHours)
	slices.SortFunc(out.Slots, func(a, b Slot) int {
		return cmp.Or(cmp.Compare(a.cost, b.cost), a.StartsAt.Compare(b.StartsAt), cmp.Compare(a.TechID.String(), b.TechID.String()))
	})
	out.Slots = out.Slots[:min(len(out.Slots), MaxSlots)]
	return out
}

// grid is the step of the windows offered.
const grid = 30 * time.Minute

// slotsOf gives the free windows of one tech's day.
func (r *roster) slotsOf(tech domain.ID, date domain.Date, ask route.Stop, call domain.ID, now time.Time) []Slot {
	day, works := r.day(tech, date, domain.ID{}, call)
	if !works {
		return nil
	}
	seq, err := day.Sequence(r.roads())
	if err != nil {
		return nil // a day that holds more than can be planned has no room
	}
	window := time.Duration(r.rule.WindowMinutes * float64(time.Minute))
	var out []Slot
	for from := day.Opens; from.Before(day.Closes); from = from.Add(window) {
		ask.Earliest, ask.Latest = from, from.Add(window)
		if now.After(ask.Earliest) {
			ask.Earliest = now.Truncate(grid).Add(grid)
		}
		in, fits := seq.Insert(ask)
		if !fits || ask.Earliest.After(ask.Latest) {
			continue
		}
		s := Slot{TechID: tech, Tech: r.names[tech], StartsAt: in.Starts, EndsAt: in.Ends, ArriveFrom: from, ArriveUntil: from.Add(window),
			Added: in.Added, TravelKnown: in.TravelKnown, Slack: in.Slack}
		if s.tidy() && s.clear(day.Stops) {
			out = append(out, r.rated(s, len(day.Stops), now))
		}
	}
	return out
}

// Times that are offered stand on fives of minutes, and a promise has some
// width: nobody is told 8:17 to 8:19.
const (
	onFives       = 5 * time.Minute
	leastPromised = 15 * time.Minute
)

// tidy moves the start to the next five minutes and draws the promise in to
// what the day can hold. False: there is no room for that.
func (s *Slot) tidy() bool {
	up := s.StartsAt.Truncate(onFives)
	if up.Before(s.StartsAt) {
		up = up.Add(onFives)
	}
	by := up.Sub(s.StartsAt)
	s.StartsAt, s.EndsAt, s.Slack = up, s.EndsAt.Add(by), s.Slack-by
	if s.Slack < 0 {
		return false
	}
	if last := s.StartsAt.Add(s.Slack).Truncate(onFives); last.Before(s.ArriveUntil) {
		s.ArriveUntil = last
	}
	return !s.StartsAt.After(s.ArriveUntil) && s.ArriveUntil.Sub(s.ArriveFrom) >= leastPromised
}

// clear says that nothing is booked or held at that time. Where a day is booked
// closer than its roads allow, the order of it alone does not say so.
func (s *Slot) clear(stops []route.Stop) bool {
	return !slices.ContainsFunc(stops, func(x route.Stop) bool {
		return x.Earliest.Before(s.EndsAt) && s.StartsAt.Before(x.Earliest.Add(x.Service))
	})
}

// rated gives a slot its cost and its reason.
func (r *roster) rated(s Slot, others int, now time.Time) Slot {
	days := max(s.StartsAt.Sub(now).Hours()/24, 0)
	s.cost = s.Added.Minutes() + minutesADay*days
	when := s.StartsAt.In(r.zone).Format("Mon 2 Jan 15:04")
	switch {
	case !s.TravelKnown:
		s.Reason = fmt.Sprintf("%s, %s: where one of the places is nobody has entered, so the driving is a guess.", s.Tech, when)
	case others == 0:
		s.Reason = fmt.Sprintf("%s, %s: the first visit of that day, %.0f minutes of driving.", s.Tech, when, s.Added.Minutes())
	case s.Added < 5*time.Minute:
		s.Reason = fmt.Sprintf("%s, %s: on the way, %.0f minutes more of driving.", s.Tech, when, s.Added.Minutes())
	default:
		s.Reason = fmt.Sprintf("%s, %s: %.0f minutes more of driving.", s.Tech, when, s.Added.Minutes())
	}
	return s
}

func sortStops(stops []route.Stop) {
	slices.SortFunc(stops, func(a, b route.Stop) int { return cmp.Or(a.Earliest.Compare(b.Earliest), cmp.Compare(a.ID, b.ID)) })
}

// covers says whether working time holds a stretch of time whole.
func covers(work []hours.Interval, starts, ends time.Time) bool {
	return slices.ContainsFunc(work, func(w hours.Interval) bool { return !starts.Before(w.From) && !ends.After(w.To) })
}
