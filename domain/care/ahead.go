package care

import (
	"slices"
	"time"

	"drumline/domain"
	"drumline/domain/dispatch/hours"
)

// ahead is what a due date asks to be written, as of one day: the lead times
// seen to so far, and what the policy says. When nothing is done, the date is
// asked for again after as many months as the task may go: each asking has its
// own lead times.
type ahead struct {
	due     domain.Date
	months  int
	derived domain.Date // since when the date is known: what lay before was never ours to send
	led     domain.Date // the last day ahead seen to; zero: none
	leads   []int       // days before, greatest first
	grace   int         // days after
}

// fallen is one lead time whose day has come.
type fallen struct {
	asked domain.Date
	lead  int
	day   domain.Date
	state reminderState // planned, superseded or missed
}

func day(d domain.Date, plus int) domain.Date { return domain.DateOf(d.Time().AddDate(0, 0, plus)) }

// asking is the n-th date that is asked for, from 0; counted from the due date,
// so that the end of February never wears a date down.
func (a ahead) asking(n int) domain.Date { return a.due.AddMonths(n * a.months) }

// asked is the number of the asking that a message on the day would be about:
// the first whose grace has not passed.
func (a ahead) asked(today domain.Date) int {
	n := 0
	if years := today.Year - a.due.Year - 1; years > 0 {
		n = years * 12 / a.months
	}
	for n > 0 && !a.over(n-1, today) {
		n--
	}
	for a.over(n, today) {
		n++
	}
	return n
}

// over says whether a message about an asking would be too late on the day.
func (a ahead) over(n int, today domain.Date) bool { return day(a.asking(n), a.grace).Before(today) }

// next is the first lead day not yet seen to.
func (a ahead) next(today domain.Date) domain.Date {
	for n := a.asked(today); ; n++ {
		for _, l := range a.leads {
			if d := day(a.asking(n), -l); a.led.IsZero() || a.led.Before(d) {
				return d
			}
		}
	}
}

// fall gives the lead times whose day is at most today, in order. Of an asking
// whose grace has not passed the most urgent is planned and those before it
// superseded, since one message says it all. Past the grace the last is missed,
// which is reported and never sent; unless it lay before the date was known.
func (a ahead) fall(today domain.Date) []fallen {
	now := a.asked(today)
	first := now
	if since := a.led; !since.IsZero() {
		first = min(now, a.asked(since))
	} else if !a.derived.IsZero() {
		first = min(now, a.asked(a.derived))
	}
	var out []fallen
	for n := first; n <= now; n++ {
		last := missed
		if n == now {
			last = planned
		}
		out = append(out, a.fallOf(n, today, last)...)
	}
	return out
}

// fallOf is fall for one asking, the last of whose lead times gets a state.
func (a ahead) fallOf(n int, today domain.Date, last reminderState) []fallen {
	var out []fallen
	for _, l := range a.leads {
		d := day(a.asking(n), -l)
		if today.Before(d) || !a.led.IsZero() && !a.led.Before(d) || last == missed && d.Before(a.derived) {
			continue
		}
		out = append(out, fallen{a.asking(n), l, d, superseded})
	}
	if len(out) > 0 {
		out[len(out)-1].state = last
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
func (v Policy) ahead(due domain.Date, months int, derived, led domain.Date) ahead {
	return ahead{due: due, months: months, derived: derived, led: led, leads: slices.Clone(v.LeadDays), grace: v.GraceDays}
}
