package care

import (
	"slices"
	"time"

	"drumline/domain"
	"drumline/domain/dispatch/hours"
)

// ahead is what a due date asks to be written, as of one day: the lead times
// seen to so far, and what the policy says.
type ahead struct {
	due     domain.Date
	derived domain.Date // since when the date is known: what lay before was never ours to send
	led     domain.Date // the last day ahead seen to; zero: none
	leads   []int       // days before, greatest first
	grace   int         // days after due
}

// fallen is one lead time whose day has come.
type fallen struct {
	lead  int
	day   domain.Date
	state reminderState // planned, superseded or missed
}

func day(d domain.Date, plus int) domain.Date { return domain.DateOf(d.Time().AddDate(0, 0, plus)) }

// next is the first lead day not yet seen to; zero when none is left or the
// time to write has passed.
func (a ahead) next(today domain.Date) domain.Date {
	if a.due.IsZero() || a.over(today) && (a.led != domain.Date{} || a.over(a.derived)) {
		return domain.Date{}
	}
	for _, l := range a.leads {
		if d := day(a.due, -l); a.led.IsZero() || a.led.Before(d) {
			return d
		}
	}
	return domain.Date{}
}

// over says whether a message would be too late on the day d.
func (a ahead) over(d domain.Date) bool { return day(a.due, a.grace).Before(d) }

// fall gives the lead times whose day is at most today, in order: the most
// urgent is planned and those before it superseded, since one message says it
// all. Past the grace the last is missed, which is reported and never sent;
// unless the due date became known only then.
func (a ahead) fall(today domain.Date) []fallen {
	var out []fallen
	for _, l := range a.leads {
		d := day(a.due, -l)
		if today.Before(d) || !a.led.IsZero() && !a.led.Before(d) {
			continue
		}
		out = append(out, fallen{l, d, superseded})
	}
	switch n := len(out); {
	case n == 0:
	case !a.over(today):
		out[n-1].state = planned
	case a.over(a.derived):
		return nil
	default:
		out[n-1].state = missed
	}
	return out
}

// window is when the shop writes, in one zone.
type window struct {
	zone     *time.Location
	from, to hours.Clock
}

// on is when messages of a day leave.
func (w window) on(d domain.Date) time.Time { return hours.At(w.zone, d, w.from) }

// open says whether messages leave at now.
func (w window) open(now time.Time) bool {
	d := domain.DateOf(now.In(w.zone))
	return !now.Before(w.on(d)) && now.Before(hours.At(w.zone, d, w.to))
}

// next is the first instant from now on at which messages leave.
func (w window) next(now time.Time) time.Time {
	d := domain.DateOf(now.In(w.zone))
	switch {
	case now.Before(w.on(d)):
		return w.on(d)
	case w.open(now):
		return now
	}
	return w.on(day(d, 1))
}

func (v Policy) window(zone *time.Location) window { return window{zone, v.WindowFrom, v.WindowTo} }

// ahead of a due date by the policy.
func (v Policy) ahead(due, derived, led domain.Date) ahead {
	return ahead{due: due, derived: derived, led: led, leads: slices.Clone(v.LeadDays), grace: v.GraceDays}
}
