package dispatch

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/people"
)

var monday = time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC)

func ptr[T any](v T) *T { return &v }

// crowd is a roster of so many techs who work 8 to 17 on weekdays around one
// town, with visits spread over the days.
func crowd(techs, days, visits int) *roster {
	rnd := rand.New(rand.NewPCG(7, 9))
	r := &roster{rule: DefaultRule(), shop: people.Shop{TimeZone: "America/Chicago"}, names: map[domain.ID]string{}, bookable: map[domain.ID]bool{},
		places: map[domain.ID]customers.Place{}}
	if err := r.open(); err != nil {
		panic(err)
	}
	var ids []domain.ID
	for range techs {
		id := domain.NewID(monday)
		ids = append(ids, id)
		r.names[id], r.bookable[id] = "T", true
		r.weeks.rows = append(r.weeks.rows, Week{PersonID: id, Latitude: ptr(41.8), Longitude: ptr(-87.7), Version: 1})
		for d := 1; d <= 5; d++ {
			r.weeks.spans = append(r.weeks.spans, spanRow{id, Span{d, 8 * 60, 17 * 60}})
		}
	}
	for i := range visits {
		unit := domain.NewID(monday)
		r.places[unit] = customers.Place{UnitID: unit, Latitude: ptr(41.6 + rnd.Float64()/2), Longitude: ptr(-87.9 + rnd.Float64()/2)}
		day, place := i/len(ids)%days, i/len(ids)/days
		starts := time.Date(2027, 3, 1+day, 8, 0, 0, 0, r.zone).Add(time.Duration(place) * 70 * time.Minute)
		r.visits = append(r.visits, calls.Appointment{Visit: calls.Visit{ID: domain.NewID(monday), TechID: ids[i%len(ids)], StartsAt: starts,
			EndsAt: starts.Add(25 * time.Minute)}, UnitID: unit})
	}
	return r
}

func someNeed() *need {
	n := &need{minutes: 60, why: "test."}
	n.call.ID = domain.NewID(monday)
	n.dossier.Site.Latitude, n.dossier.Site.Longitude = ptr(41.75), ptr(-87.65)
	return n
}

func query(days int) SlotQuery { return SlotQuery{From: domain.DateOf(monday), Days: days} }

// No slot overlaps a visit or lies outside working time; each begins in the
// window it promises; the best come first.
func TestSlotsAreFree(t *testing.T) {
	r := crowd(5, 5, 60)
	o := r.offer(someNeed(), query(5), monday)
	require.NotEmpty(t, o.Slots)
	require.True(t, o.Located)
	for i, s := range o.Slots {
		require.True(t, covers(r.schedule(s.TechID).Working(domain.DateOf(s.StartsAt.In(r.zone)), 1), s.StartsAt, s.EndsAt))
		require.False(t, s.StartsAt.Before(s.ArriveFrom) || s.StartsAt.After(s.ArriveUntil), "%v", s)
		for _, v := range r.visits {
			require.False(t, v.TechID == s.TechID && v.StartsAt.Before(s.EndsAt) && s.StartsAt.Before(v.EndsAt), "%v over %v", s, v)
		}
		require.NotEmpty(t, s.Reason)
		require.True(t, i == 0 || o.Slots[i-1].cost <= s.cost)
	}
}

// Whatever is booked, and however far apart, nothing is offered over it; what
// is offered stands on fives of minutes and promises some width.
func TestSlotsNeverLieOverWhatIsBooked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := crowd(1, 1, 0)
		tech := r.weeks.rows[0].PersonID
		at := time.Date(2027, 3, 1, 8, 0, 0, 0, r.zone)
		for at.Hour() < 16 {
			at = at.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "gap")) * time.Minute)
			long := time.Duration(rapid.IntRange(15, 90).Draw(t, "long")) * time.Minute
			unit := domain.NewID(monday)
			r.places[unit] = customers.Place{UnitID: unit, Latitude: ptr(41.2 + rapid.Float64Range(0, 1.2).Draw(t, "north")), Longitude: ptr(-87.7)}
			r.visits = append(r.visits, calls.Appointment{Visit: calls.Visit{ID: domain.NewID(monday), TechID: tech, StartsAt: at, EndsAt: at.Add(long)}, UnitID: unit})
			at = at.Add(long)
		}
		n := someNeed()
		n.minutes = rapid.Float64Range(15, 90).Draw(t, "minutes")
		for _, s := range r.offer(n, query(1), monday).Slots {
			for _, v := range r.visits {
				require.False(t, v.StartsAt.Before(s.EndsAt) && s.StartsAt.Before(v.EndsAt), "%v over %v", s, v)
			}
			require.Zero(t, s.StartsAt.Sub(s.StartsAt.Truncate(onFives)))
			require.GreaterOrEqual(t, s.ArriveUntil.Sub(s.ArriveFrom), leastPromised)
			require.False(t, s.StartsAt.Before(s.ArriveFrom) || s.StartsAt.After(s.ArriveUntil))
		}
	})
}

// Who has no hours is named and offered nothing; a gas unit goes to who may
// work on gas on that day; a hold for another call takes its window away.
func TestSlotsKeepToTheRules(t *testing.T) {
	r := crowd(2, 5, 0)
	first, second := r.weeks.rows[0].PersonID, r.weeks.rows[1].PersonID
	idle := domain.NewID(monday)
	r.bookable[idle], r.names[idle] = true, "Idle"
	require.Equal(t, []string{"Idle"}, r.offer(someNeed(), query(5), monday).WithoutHours)

	gas := someNeed()
	gas.dossier.Unit.Fuel = "gas"
	require.Empty(t, r.offer(gas, query(5), monday).Slots)
	r.fitters = map[domain.ID]domain.Date{first: domain.DateOf(monday.AddDate(0, 0, 1))}
	for _, s := range r.offer(gas, query(5), monday).Slots {
		require.Equal(t, first, s.TechID)
		require.Less(t, s.StartsAt.In(r.zone).Day(), 3, "the licence has expired by then")
	}

	n := someNeed()
	best := r.offer(n, query(1), monday).Slots[0]
	r.holds = []Hold{{ID: domain.NewID(monday), CallID: domain.NewID(monday), TechID: best.TechID, StartsAt: best.StartsAt, EndsAt: best.EndsAt}}
	for _, s := range r.offer(n, query(1), monday).Slots {
		require.False(t, s.TechID == best.TechID && s.StartsAt.Before(best.EndsAt) && best.StartsAt.Before(s.EndsAt))
	}
	r.holds[0].CallID = n.call.ID
	require.Equal(t, best, r.offer(n, query(1), monday).Slots[0], "one's own hold is in nobody's way")

	r.off = []TimeOff{{StartsOn: domain.DateOf(monday), EndsOn: domain.DateOf(monday)}}
	require.Empty(t, r.offer(n, query(1), monday).Slots, "the shop is closed")
	r.off[0].PersonID = first
	for _, s := range r.offer(n, query(1), monday).Slots {
		require.Equal(t, second, s.TechID)
	}
}

// Eight in the morning is eight in the morning on both sides of the clock
// change: 2027-03-14 in Chicago (IANA time zone data).
func TestSlotsAcrossTheClockChange(t *testing.T) {
	r := crowd(1, 5, 0)
	for date, utc := range map[string]string{"2027-03-12": "2027-03-12T14:00:00Z", "2027-03-15": "2027-03-15T13:00:00Z"} {
		d, err := domain.ParseDate(date)
		require.NoError(t, err)
		day, works := r.day(r.weeks.rows[0].PersonID, d, domain.ID{}, domain.ID{})
		require.True(t, works)
		require.Equal(t, utc, day.Opens.UTC().Format(time.RFC3339))
	}
}

func TestLengthOfAVisit(t *testing.T) {
	for _, c := range []struct {
		past          calls.Minutes
		kind          string
		repair, usual float64
		want          float64
	}{
		{calls.Minutes{}, "electric_dryer", 28, 30, 90},
		{calls.Minutes{}, "washer", 22, 20, 70},
		{calls.Minutes{Return: true}, "washer", 25, 20, 55},
		{calls.Minutes{Visits: 4, Median: 200}, "washer", 20, 20, 65},
		{calls.Minutes{Visits: 5, Median: 80}, "washer", 35, 20, 95},
		{calls.Minutes{Visits: 50, Median: 12}, "washer", 0, 20, 15},
	} {
		got, why := lengthOf(c.past, c.kind, c.repair, c.usual)
		require.Equal(t, c.want, got, "%+v", c)
		require.NotEmpty(t, why)
	}
}

// 50 techs, 14 days, 5,000 visits.
func BenchmarkSlots(b *testing.B) {
	r := crowd(50, 14, 5000)
	n := someNeed()
	n.minutes = 15
	for b.Loop() {
		if len(r.offer(n, query(14), monday).Slots) == 0 {
			b.Fatal("no slots")
		}
	}
}
