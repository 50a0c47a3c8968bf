package dispatch

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch/hours"
	"drumline/domain/dispatch/route"
	"drumline/domain/repair"
	"drumline/shared/pg"
)

// Sheet is one tech's ordered day.
type Sheet struct {
	TechID  domain.ID
	Tech    string
	Date    domain.Date
	Zone    *time.Location
	Working []hours.Interval
	Stops   []SheetStop
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
	KnownValues []string // sheet parameters the next checks ask for, by name
	Missing     []string
	Stop        string // why the machine must not run, empty for no reason
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
	Numbers     []repair.FittedBefore // what the shop has fitted for the fault, most often first
}

// Bounds of what a sheet shows of a visit.
const (
	sheetFaults = 3
	sheetParts  = 5
	sheetChecks = 5
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
	out := Sheet{TechID: tech, Tech: r.names[tech], Date: date, Zone: r.zone, Working: r.schedule(tech).Working(date, 1), Stops: []SheetStop{}}
	last, free := r.base(tech), time.Time{}
	if len(out.Working) > 0 {
		free = out.Working[0].From
	}
	for _, v := range r.visitsOn(tech, date) {
		here := r.unitPlace(v.UnitID)
		stop := SheetStop{Visit: v, kind: r.places[v.UnitID].Kind}
		stop.Travel, stop.TravelKnown = r.travel(last, here)
		stop.Arrives = v.StartsAt
		if reached := free.Add(stop.Travel); !free.IsZero() && reached.After(v.StartsAt) {
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
		home, known := r.travel(last, r.base(tech))
		out.Driving += home
		out.Guessed = out.Guessed || !known
	}
	return out
}

func (r *roster) warnings(s SheetStop, now time.Time) []string {
	out := []string{}
	if s.Slack < 0 {
		out = append(out, fmt.Sprintf("Cannot be reached in time: %.0f minutes late by estimate. Call the customer, or plan the day anew.", -s.Slack.Minutes()))
	}
	if s.Visit.Override != "" {
		out = append(out, "Booked against the rules: "+s.Visit.Override)
	} else if len(r.weeks.of(s.Visit.TechID).Spans) > 0 {
		first := domain.DateOf(s.Visit.StartsAt.In(r.zone))
		if !covers(r.schedule(s.Visit.TechID).Working(first, 2), s.Visit.StartsAt, s.Visit.EndsAt) {
			out = append(out, "Lies outside working time by now: hours or days off were changed after it was booked.")
		}
	}
	if s.Visit.Status == calls.Booked && s.Visit.EndsAt.Before(now) {
		out = append(out, "Should be over and has not begun.")
	}
	return out
}

// details is what is read about the visits of a sheet in one round trip.
type details struct {
	dossiers []customers.Dossier
	answers  []map[string]string
	records  []repair.UnitRecord
	notices  map[domain.ID][]customers.NoticeFlag
	fitted   map[string]*[]repair.FittedBefore
}

func (s *Service) fillStops(ctx context.Context, p domain.Principal, out *Sheet) error {
	if len(out.Stops) == 0 {
		return nil
	}
	var d details
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { d.queue(b, p.Shop, out.Stops) })
	if err != nil {
		return err
	}
	for i := range out.Stops {
		stop := &out.Stops[i]
		stop.Dossier, stop.Hazards, stop.Notices = d.dossiers[i], d.records[i].Hazards, d.notices[stop.Visit.UnitID]
		cat, err := s.Calls.Catalogues.Of(ctx, s.DB, p, stop.Visit.Edition)
		if err != nil {
			return err
		}
		k, ok := cat.Kind(stop.Dossier.Unit.Kind)
		if !ok {
			stop.Warnings = append(stop.Warnings, "The catalogue has no such kind of appliance any more.")
			continue
		}
		a, err := s.Repair.Assess(ctx, p, stop.Visit.CallID)
		if err != nil {
			return err
		}
		stop.describe(k, d.answers[i])
		stop.expect(k, a.Result, *d.fitted[stop.kind])
	}
	return nil
}

func (d *details) queue(b *pgx.Batch, shop domain.ID, stops []SheetStop) {
	*d = details{dossiers: make([]customers.Dossier, len(stops)), answers: make([]map[string]string, len(stops)), records: make([]repair.UnitRecord, len(stops)),
		fitted: map[string]*[]repair.FittedBefore{}}
	ids := make([]string, len(stops))
	for i, st := range stops {
		ids[i] = st.Visit.ID.String()
		customers.QueueDossier(b, shop, calls.UnitOfCall, st.Visit.CallID, &d.dossiers[i])
		calls.QueueAnswers(b, shop, calls.CallByID, st.Visit.CallID, &d.answers[i])
		repair.QueueUnit(b, shop, st.Visit.UnitID, &d.records[i])
	}
	customers.QueueNotices(b, shop, calls.UnitsOfVisits, ids, &d.notices)
	for _, st := range stops {
		if kind := st.kind; d.fitted[kind] == nil {
			d.fitted[kind] = new([]repair.FittedBefore)
			repair.QueueFittedBefore(b, shop, kind, d.fitted[kind])
		}
	}
}

// describe puts kind, complaint and triage answers into the catalogue's words.
func (s *SheetStop) describe(k *catalogue.Kind, answers map[string]string) {
	s.Kind, s.Complaint = k.Name, s.Visit.Complaint
	if cp, ok := k.Complaint(s.Visit.Complaint); ok {
		s.Complaint = cp.Name
	}
	var given []calls.Answer
	for q, a := range answers {
		given = append(given, calls.Answer{Question: q, Answer: a})
	}
	s.Said = calls.Words(k, s.Visit.Complaint, given)
}

// expect says what is likely to be at fault, what to bring for it, and which
// sheet values the next checks will ask for.
func (s *SheetStop) expect(k *catalogue.Kind, a diagnosis.Assessment, before []repair.FittedBefore) {
	s.Stop = a.Stop
	chance := map[string]float64{}
	for i, r := range a.Ranking {
		f, ok := k.Fault(r.Fault)
		if !ok || r.Mended {
			continue
		}
		if i < sheetFaults {
			s.Faults = append(s.Faults, LikelyFault{r.Name, r.Probability, f.Minutes})
		}
		if fix, ok := k.Action(f.Fix); ok && fix.Fits {
			chance[f.Part] = 1 - (1-chance[f.Part])*(1-r.Probability)
		}
	}
	for part, p := range chance {
		if p < worthABring {
			continue
		}
		name := part
		if x, ok := k.Part(part); ok {
			name = x.Name
		}
		s.Parts = append(s.Parts, PartToBring{name, p, numbersFor(k, part, before)})
	}
	slices.SortFunc(s.Parts, func(x, y PartToBring) int {
		return cmp.Or(cmp.Compare(y.Probability, x.Probability), cmp.Compare(x.Part, y.Part))
	})
	s.Parts = s.Parts[:min(len(s.Parts), sheetParts)]
	s.values(k, a)
}

// numbersFor is what the shop has fitted for the faults of a part.
func numbersFor(k *catalogue.Kind, part string, before []repair.FittedBefore) []repair.FittedBefore {
	out := []repair.FittedBefore{}
	for _, f := range before {
		if fault, ok := k.Fault(f.Fault); ok && fault.Part == part {
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, func(x, y repair.FittedBefore) int { return y.Times - x.Times })
	return out[:min(len(out), 3)]
}

func (s *SheetStop) values(k *catalogue.Kind, a diagnosis.Assessment) {
	known := map[string]bool{}
	for _, v := range s.Dossier.Sheet {
		known[v.Parameter] = true
	}
	seen := map[string]bool{}
	for _, n := range a.Next[:min(len(a.Next), sheetChecks)] {
		ch, ok := k.Check(n.Check)
		if !ok {
			continue
		}
		for _, l := range ch.Limits {
			x, ok := k.Parameter(l.Parameter)
			if !ok || seen[x.ID] {
				continue
			}
			seen[x.ID] = true
			if known[x.ID] {
				s.KnownValues = append(s.KnownValues, x.Name)
			} else {
				s.Missing = append(s.Missing, x.Name)
			}
		}
	}
}

// DayPlan is an order of a tech's day.
type DayPlan struct {
	Plan    route.Plan
	Visits  []calls.Appointment // as the plan's indexes name them
	Before  time.Duration       // driving as the day is booked
	Applied bool
	// Addresses is where each visit goes.
	Addresses map[domain.ID]string
}

// PlanDay orders the booked visits of a day so that every promised window is
// met with the least driving. A visit without a window begins when the customer
// was told; what is under way stays. With apply the new times are stored; a day
// that cannot be met is then a Conflict that names what to give up.
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
		return r.planned(tech, date)
	}
	var out DayPlan
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		var err error
		if out, err = r.planned(tech, date); err != nil {
			return err
		}
		if !out.Plan.Feasible {
			return domain.Errorf(domain.Conflict, "%s", out.Plan.Sentence)
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

// planned orders the day of a tech.
func (r *roster) planned(tech domain.ID, date domain.Date) (DayPlan, error) {
	if r.names[tech] == "" {
		return DayPlan{}, domain.Absent()
	}
	if err := r.open(); err != nil {
		return DayPlan{}, err
	}
	out := DayPlan{Visits: r.visitsOn(tech, date), Addresses: map[domain.ID]string{}}
	d := r.openDay(tech, date, out.Visits)
	for _, v := range out.Visits {
		stop := fixed(v.ID.String(), r.unitPlace(v.UnitID), v.StartsAt, v.EndsAt)
		stop.Name = r.places[v.UnitID].Address
		out.Addresses[v.ID] = stop.Name
		if v.Status == calls.Booked && v.ArriveFrom != nil && v.ArriveUntil != nil {
			stop.Fixed, stop.Earliest, stop.Latest = false, *v.ArriveFrom, *v.ArriveUntil
		}
		d.Stops = append(d.Stops, stop)
	}
	if len(d.Stops) > route.MostStops {
		return out, domain.Errorf(domain.Conflict, "A day of more than %d visits cannot be planned.", route.MostStops)
	}
	out.Before = r.sheet(tech, date, r.visitsEnd(out.Visits)).Driving
	var err error
	out.Plan, err = d.PlanOn(r.matrix(d))
	return out, err
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

// openDay is the frame of a day: working time, stretched over what is booked
// outside of it.
func (r *roster) openDay(tech domain.ID, date domain.Date, visits []calls.Appointment) route.Day {
	d, works := r.day(tech, date, domain.ID{}, domain.ID{})
	if d.Stops = nil; !works {
		base := r.base(tech)
		d = route.Day{Start: base, End: &base, Opens: hours.At(r.zone, date, 0), Closes: hours.At(r.zone, date, hours.Midnight)}
	}
	for _, v := range visits {
		if v.StartsAt.Before(d.Opens) {
			d.Opens = v.StartsAt
		}
		if v.EndsAt.After(d.Closes) {
			d.Closes = v.EndsAt.Add(time.Hour)
		}
	}
	return d
}

func (r *roster) visitsEnd(visits []calls.Appointment) time.Time {
	var last time.Time
	for _, v := range visits {
		if v.EndsAt.After(last) {
			last = v.EndsAt
		}
	}
	return last
}

// moved is the visits whose time the plan changes.
func (d DayPlan) moved() []calls.Moved {
	var out []calls.Moved
	for _, x := range d.Plan.Visits {
		v := d.Visits[x.Stop]
		if !x.Starts.Equal(v.StartsAt) {
			out = append(out, calls.Moved{ID: v.ID, StartsAt: x.Starts, EndsAt: x.Ends})
		}
	}
	return out
}
