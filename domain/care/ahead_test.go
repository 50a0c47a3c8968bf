package care

import (
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/domain/dispatch/hours"
)

// anyAhead draws what a policy may say of a due date and since when it is
// known, which may be long after it.
func anyAhead(t *rapid.T) ahead {
	grace := rapid.IntRange(1, 90).Draw(t, "grace")
	pol := Policy{GraceDays: grace, LeadDays: rapid.SliceOfNDistinct(rapid.IntRange(-grace, 120), 1, 6, rapid.ID[int]).Draw(t, "leads")}
	slices.SortFunc(pol.LeadDays, func(x, y int) int { return y - x })
	due := day(date("2028-02-29"), rapid.IntRange(-400, 400).Draw(t, "due"))
	return pol.ahead(due, rapid.IntRange(1, 24).Draw(t, "months"), day(due, rapid.IntRange(-200, 1200).Draw(t, "derived")), domain.Date{})
}

// looks draws the days on which somebody looks: most a step ahead, some after
// an outage, some behind the one before.
func looks(t *rapid.T, from domain.Date) []domain.Date {
	var out []domain.Date
	for _, step := range rapid.SliceOfN(rapid.OneOf(rapid.IntRange(0, 10), rapid.IntRange(-30, 150)), 1, 60).Draw(t, "steps") {
		from = day(from, step)
		out = append(out, from)
	}
	return out
}

// TestFall: of the lead times of the asking at hand whose day has come the most
// urgent is planned and the others superseded; those of askings whose grace is
// over are missed, unless they lay before the date was known.
func TestFall(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAhead(t)
		today := day(a.derived, rapid.IntRange(0, 900).Draw(t, "today"))
		if rapid.Bool().Draw(t, "some seen to") {
			n := rapid.IntRange(0, a.asked(today)).Draw(t, "asking")
			a.led = day(a.asking(n), -rapid.SampledFrom(a.leads).Draw(t, "led"))
		}
		got := a.fall(today)
		now := a.asking(a.asked(today))
		var come []int
		for _, l := range a.leads {
			if d := day(now, -l); !today.Before(d) && (a.led.IsZero() || a.led.Before(d)) {
				come = append(come, l)
			}
		}
		for i, f := range got {
			require.Equal(t, day(f.asked, -f.lead), f.day)
			require.True(t, i == 0 || got[i-1].day.Before(f.day), "in order")
			require.False(t, today.Before(f.day))
			require.True(t, a.led.IsZero() || a.led.Before(f.day))
			if f.asked == now {
				continue
			}
			require.True(t, day(f.asked, a.grace).Before(today))
			require.NotEqual(t, planned, f.state, "its grace is over")
			require.False(t, f.day.Before(a.derived), "nobody knew then")
		}
		require.GreaterOrEqual(t, len(got), len(come))
		for i, f := range got[len(got)-len(come):] {
			want := superseded
			if i == len(come)-1 {
				want = planned
			}
			require.Equal(t, fallen{now, come[i], day(now, -come[i]), want}, f)
		}
	})
}

// TestAheadOverTime: whatever the days on which somebody looks, also behind
// one another, no lead time of an asking falls twice, none is planned after the
// grace, none after a more urgent one, and every look leaves the next day ahead
// of it.
func TestAheadOverTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAhead(t)
		seen := map[fallen]bool{}
		for _, today := range looks(t, day(a.derived, -rapid.IntRange(0, 5).Draw(t, "clock behind"))) {
			due, told := a.next(today), 0
			got := a.fall(today)
			if !today.Before(due) {
				require.NotEmpty(t, got, "its day has come: %s on %s", due, today)
			}
			for _, f := range got {
				key := fallen{asked: f.asked, lead: f.lead}
				require.False(t, seen[key], "%d days ahead of %s, twice", f.lead, f.asked)
				seen[key] = true
				require.True(t, a.led.IsZero() || a.led.Before(f.day), "days ahead only advance")
				if a.led = f.day; f.state == planned {
					told++
					require.False(t, day(f.asked, a.grace).Before(today), "too late")
				}
			}
			require.LessOrEqual(t, told, 1)
			n := a.next(today)
			require.True(t, today.Before(n), "the next day %s has come on %s", n, today)
			require.True(t, a.led.Before(n))
		}
	})
}

// TestEveryLeadIsSeenTo: looked at day by day from before the first lead, each
// lead of three askings is planned on its own day.
func TestEveryLeadIsSeenTo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAhead(t)
		a.derived = day(a.due, -200)
		var got, want []fallen
		for n := range 3 {
			for _, l := range a.leads {
				want = append(want, fallen{a.asking(n), l, day(a.asking(n), -l), planned})
			}
		}
		for today := a.derived; !a.over(2, today); today = day(today, 1) {
			if today.Before(a.next(today)) {
				continue
			}
			for _, f := range a.fall(today) {
				require.Equal(t, today, f.day)
				got, a.led = append(got, f), f.day
			}
		}
		require.Equal(t, want, got[:len(want)])
	})
}

// changes are days on which clocks go forward or back (IANA time zone
// database: New York at 02:00 local time, Berlin at 01:00 UTC).
var changes = map[string][]string{
	"America/New_York": {"2027-11-07", "2028-03-12", "2028-11-05", "2029-03-11"},
	"Europe/Berlin":    {"2027-10-31", "2028-03-26", "2028-10-29", "2029-03-25"},
}

// anyWindow draws a window a policy may have, in a zone, and an instant within
// three days of a change of its clocks.
func anyWindow(t *rapid.T) (window, time.Time) {
	name := rapid.SampledFrom([]string{"America/New_York", "Europe/Berlin"}).Draw(t, "zone")
	zone, err := time.LoadLocation(name)
	require.NoError(t, err)
	from := rapid.IntRange(quietUntil, quietFrom-60).Draw(t, "from")
	w := window{zone, hours.Clock(from), hours.Clock(rapid.IntRange(from+60, quietFrom).Draw(t, "to"))}
	noon := date(rapid.SampledFrom(changes[name]).Draw(t, "change")).Time().Add(12 * time.Hour)
	return w, noon.Add(time.Duration(rapid.IntRange(-72*3600, 72*3600).Draw(t, "seconds")) * time.Second)
}

// TestWindowAcrossTheChanges: a window is open when clocks at the site say so,
// and next is the first instant from now on at which it is.
func TestWindowAcrossTheChanges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, now := anyWindow(t)
		reads := func(at time.Time) bool {
			c := hours.Clock(at.In(w.zone).Hour()*60 + at.In(w.zone).Minute())
			return w.from <= c && c < w.to
		}
		require.Equal(t, reads(now), w.open(now), "%s", now.In(w.zone))
		next := w.next(now)
		require.False(t, next.Before(now))
		require.True(t, w.open(next) && reads(next), "%s", next)
		require.Less(t, next.Sub(now), 25*time.Hour, "the longest day")
		for at := now; at.Before(next); at = at.Add(time.Minute) {
			require.False(t, reads(at), "open before next: %s", at.In(w.zone))
		}
		require.Equal(t, next, w.next(next), "next is open")
		if !next.Equal(now) {
			require.Equal(t, next, hours.At(w.zone, domain.DateOf(next.In(w.zone)), w.from))
		}
	})
}

// TestPlansOverTime: planned over and over at any instants, the ledger's
// entries of a due date differ in their lead, at most one leaves of each look,
// and it leaves while the window is open and not after it is useless.
func TestPlansOverTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, start := anyWindow(t)
		a := anyAhead(t)
		a.due = day(domain.DateOf(start), rapid.IntRange(-100, 150).Draw(t, "days to go"))
		a.derived = domain.DateOf(start.In(w.zone))
		a.months = 12
		pol := Policy{LeadDays: a.leads, GraceDays: a.grace, WindowFrom: w.from, WindowTo: w.to}
		d := dueLead{Task: LintPath, DueOn: a.due, Months: 12, DerivedOn: a.derived, TimeZone: w.zone.String()}
		seen := map[string]bool{}
		now := start
		for _, step := range rapid.SliceOfN(rapid.IntRange(-30, 400), 1, 60).Draw(t, "hours") {
			now = now.Add(time.Duration(step) * time.Hour)
			entries, moved, err := plans([]dueLead{d}, now, day(domain.DateOf(now.UTC()), 1), pol)
			require.NoError(t, err)
			leaves := 0
			for _, e := range entries {
				key := e.DueOn.String() + " " + strconv.Itoa(e.LeadDays)
				require.False(t, seen[key], "%s days ahead, twice", key)
				seen[key] = true
				if e.State == planned {
					leaves++
					require.True(t, w.open(e.NotBefore), "%s", e.NotBefore.In(w.zone))
					require.False(t, e.NotBefore.Before(now))
					require.True(t, e.NotBefore.Before(e.UselessAt), "%s is useless from %s", e.NotBefore, e.UselessAt)
				}
			}
			require.LessOrEqual(t, leaves, 1)
			require.Len(t, moved, 1)
			if !d.LedOn.IsZero() {
				require.False(t, moved[0].LedOn.Before(d.LedOn), "days ahead only advance")
			}
			d.LedOn = moved[0].LedOn
		}
	})
}
