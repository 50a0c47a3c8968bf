package ical

import (
	"strconv"
	"time"

	"drumline/domain"
)

func (c Calendar) check() error {
	var ps domain.Problems
	if Clean(c.Product) == "" {
		ps.Add("/product", "required", "A feed names the product that wrote it.")
	}
	for i, e := range c.Events {
		e.check(&ps, "/events/"+strconv.Itoa(i))
	}
	return ps.Err()
}

func (e Event) check(ps *domain.Problems, at string) {
	if Clean(e.UID) == "" {
		ps.Add(at+"/uid", "required", "An event needs a uid that stays the same.")
	}
	if e.Sequence < 0 || e.Sequence > 1<<31-1 { // an integer of §3.3.8
		ps.Add(at+"/sequence", "range", "The sequence number is 0 to 2147483647.")
	}
	switch e.Status {
	case Confirmed, Tentative, Cancelled:
	default:
		ps.Add(at+"/status", "unknown", "An event is confirmed, tentative or cancelled.")
	}
	if !writable(e.Stamp) {
		ps.Add(at+"/stamp", "required", "Say when this state of the event was written.")
	}
	if !e.Modified.IsZero() && !writable(e.Modified) {
		ps.Add(at+"/modified", "range", "The year has four digits.")
	}
	if e.allDay() {
		e.checkDays(ps, at)
		return
	}
	e.checkTimes(ps, at)
}

func (e Event) checkTimes(ps *domain.Problems, at string) {
	switch {
	case !writable(e.Start) || !writable(e.End):
		ps.Add(at+"/start", "required", "Say when the event begins and ends.")
	case e.End.Unix() <= e.Start.Unix(): // what is written has whole seconds
		ps.Add(at+"/end", "order", "An event ends after it begins.")
	}
}

func (e Event) checkDays(ps *domain.Problems, at string) {
	switch {
	case !e.Start.IsZero() || !e.End.IsZero():
		ps.Add(at+"/first_on", "both", "An event has times or whole days, not both.")
	case !written(e.FirstOn) || !written(e.LastOn):
		ps.Add(at+"/first_on", "required", "Say the first and the last day.")
	case e.LastOn.Before(e.FirstOn):
		ps.Add(at+"/last_on", "order", "The last day is not before the first.")
	}
}

func (e Event) allDay() bool { return !e.FirstOn.IsZero() || !e.LastOn.IsZero() }

// writable says whether an instant is set and has the four digits of a year
// that the format holds.
func writable(t time.Time) bool {
	y := t.UTC().Year()
	return !t.IsZero() && y >= 1 && y <= 9999
}

// written says whether a date is one of the calendar and the day after it has
// a year of four digits.
func written(d domain.Date) bool {
	return d.Year >= 1 && domain.DateOf(d.Time()) == d && d.Time().AddDate(0, 0, 1).Year() <= 9999
}
