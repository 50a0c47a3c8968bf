// Package hours turns weekly working hours, days off and holidays into the
// intervals a tech works, as instants, right across both changes of daylight
// saving. It knows no clock; zones come embedded in the binary.
package hours

import (
	"fmt"
	"slices"
	"strconv"
	"time"
	_ "time/tzdata" // zones must not depend on what is installed on the host

	"drumline/domain"
)

// Clock is a civil time of day in minutes after midnight, 0 to Midnight.
type Clock int

// Midnight is 24:00, the end of a day.
const Midnight Clock = 24 * 60

// ParseClock reads HH:MM, 00:00 to 24:00.
func ParseClock(s string) (Clock, error) {
	if s == "24:00" {
		return Midnight, nil
	}
	t, err := time.Parse("15:04", s)
	if err != nil || len(s) != 5 {
		return 0, domain.Errorf(domain.Unreadable, "A time of day is written HH:MM, from 00:00 to 24:00.")
	}
	return Clock(t.Hour()*60 + t.Minute()), nil
}

// String gives HH:MM.
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }

// MarshalText gives HH:MM.
func (c Clock) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads HH:MM.
func (c *Clock) UnmarshalText(b []byte) error {
	v, err := ParseClock(string(b))
	if err == nil {
		*c = v
	}
	return err
}

// Span is a part of one civil day, From included, To not. It does not pass
// midnight: work through the night is two spans, one until 24:00 and one from
// 00:00 of the next day, and comes out as one interval.
type Span struct{ From, To Clock }

// check adds a problem for a span that is empty, reversed or outside its day.
func (s Span) check(ps *domain.Problems, pointer string) bool {
	if s.From < 0 || s.To > Midnight || s.From >= s.To {
		ps.Add(pointer, "order", "Hours lie in one day, 00:00 to 24:00, and end after they begin; a night is two entries, split at midnight.")
		return false
	}
	return true
}

// Week is the spans worked on each weekday, indexed by time.Weekday (Sunday 0).
type Week [7][]Span

// Check adds a problem for every span that is not part of its day and for those
// of a day that overlap. Spans may meet and stand in any order.
func (w Week) Check(ps *domain.Problems, pointer string) {
	for day, spans := range w {
		at := pointer + "/" + strconv.Itoa(day)
		right := true
		for i, s := range spans {
			right = s.check(ps, at+"/"+strconv.Itoa(i)) && right
		}
		sorted := slices.SortedFunc(slices.Values(spans), func(a, b Span) int { return int(a.From - b.From) })
		for i := 1; right && i < len(sorted); i++ {
			if sorted[i].From < sorted[i-1].To {
				ps.Add(at, "overlap", "The hours of a day do not overlap.")
				break
			}
		}
	}
}

// Off is time not worked: a holiday of the shop or a day off of a tech.
type Off struct {
	First, Last domain.Date // both included
	Part        Span        // of each of the days; zero: the whole day
}

// Check adds a problem for dates that are absent, not of the calendar or
// reversed, and for a part that is not part of a day.
func (o Off) Check(ps *domain.Problems, pointer string) {
	switch {
	case !onCalendar(o.First) || !onCalendar(o.Last):
		ps.Add(pointer+"/first", "required", "Time off has a first and a last day.")
	case o.Last.Before(o.First):
		ps.Add(pointer+"/last", "order", "The last day off is not before the first.")
	}
	if o.Part != (Span{}) {
		o.Part.check(ps, pointer+"/part")
	}
}

func onCalendar(d domain.Date) bool { return !d.IsZero() && domain.DateOf(d.Time()) == d }

// Schedule is what one tech works.
type Schedule struct {
	Zone *time.Location // of the civil times and dates; not nil
	Week Week
	Off  []Off // of the tech and of the shop alike
}

// Working gives the intervals worked on some days from first on, in order and
// apart. Civil times become instants by At: a span that holds an hour the clock
// skips is an hour shorter, one that lies wholly in it is no time; a span that
// holds an hour the clock repeats is an hour longer. Spans that Check refuses
// count as no time.
func (s Schedule) Working(first domain.Date, days int) []Interval {
	var work []Interval
	for i := range max(days, 0) {
		d := plus(first, i)
		for _, sp := range s.Week[d.Time().Weekday()] {
			work = append(work, s.interval(d, sp))
		}
	}
	return Subtract(Merge(work), s.off(first, days))
}

// off gives the time off within the days asked for, however long it lasts.
func (s Schedule) off(first domain.Date, days int) []Interval {
	var out []Interval
	last := plus(first, days-1)
	for _, o := range s.Off {
		from, to := o.First, o.Last
		if from.Before(first) {
			from = first
		}
		if last.Before(to) {
			to = last
		}
		part := o.Part
		if part == (Span{}) {
			part = Span{To: Midnight}
		}
		for d := from; !to.Before(d); d = plus(d, 1) {
			out = append(out, s.interval(d, part))
		}
	}
	return Merge(out)
}

// interval is empty for a span that is not part of a day.
func (s Schedule) interval(d domain.Date, sp Span) Interval {
	if sp.From < 0 || sp.To > Midnight || sp.From >= sp.To {
		return Interval{}
	}
	return Interval{At(s.Zone, d, sp.From), At(s.Zone, d, sp.To)}
}

func plus(d domain.Date, days int) domain.Date { return domain.DateOf(d.Time().AddDate(0, 0, days)) }
