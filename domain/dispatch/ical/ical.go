// Package ical writes calendar feeds: iCalendar objects of RFC 5545 with
// METHOD:PUBLISH. It knows the few properties a list of appointments needs, and
// no text, whatever is in it, can end a property or begin another one.
package ical

import (
	"net/url"
	"strconv"
	"time"

	"drumline/domain"
)

// ContentType is the media type of a feed (RFC 5545 §8.1).
const ContentType = "text/calendar; charset=utf-8; method=PUBLISH"

// Status is what may be said of an event (RFC 5545 §3.8.1.11).
type Status string

// The statuses. A cancelled event stays in the feed, so that readers drop it.
const (
	Confirmed Status = "CONFIRMED"
	Tentative Status = "TENTATIVE"
	Cancelled Status = "CANCELLED"
)

// Calendar is one feed.
type Calendar struct {
	Product   string        // who writes it, e.g. -//drumline//day sheets//EN; required (PRODID, §3.7.3)
	Name      string        // what readers call the calendar (RFC 7986 §5.1); left out when empty
	Organizer string        // the shop's e-mail address; RFC 5546 §3.2.1 asks for one; left out when empty
	Refresh   time.Duration // how often to read the feed again (RFC 7986 §5.7), whole seconds; left out when not positive
	Events    []Event
}

// Event is one appointment: either Start and End, or for whole days FirstOn and
// LastOn.
type Event struct {
	UID      string    // the same for the life of the appointment (§3.8.4.7); required
	Sequence int       // raised with each change of time, place or status (§3.8.7.4)
	Stamp    time.Time // when this state was written (§3.8.7.2); required
	Modified time.Time // last change (§3.8.7.3); left out when zero

	Start, End      time.Time   // instants, written in UTC to the second; End after Start
	FirstOn, LastOn domain.Date // whole days, both included

	Status      Status // required
	Summary     string
	Description string // line breaks are kept; left out when empty
	Location    string // left out when empty
}

// Encode gives the feed. An event that RFC 5545 does not allow (no uid, no
// stamp, no or reversed times, an unknown status) is an Invalid error that
// points at it; texts are made safe by Clean and never refused.
func Encode(c Calendar) ([]byte, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	w := writer{out: make([]byte, 0, 256+512*len(c.Events))}
	w.raw("BEGIN", "VCALENDAR")
	w.raw("VERSION", "2.0")
	w.text("PRODID", c.Product)
	w.raw("METHOD", "PUBLISH")
	w.some("NAME", c.Name)
	if c.Refresh >= time.Second {
		w.raw("REFRESH-INTERVAL;VALUE=DURATION", "PT"+strconv.FormatInt(int64(c.Refresh/time.Second), 10)+"S")
	}
	organizer := mailto(c.Organizer)
	for _, e := range c.Events {
		w.event(e, organizer)
	}
	if len(c.Events) == 0 {
		w.zone()
	}
	w.raw("END", "VCALENDAR")
	return w.out, nil
}

func (w *writer) event(e Event, organizer string) {
	w.raw("BEGIN", "VEVENT")
	w.text("UID", e.UID)
	w.raw("SEQUENCE", strconv.Itoa(e.Sequence))
	w.raw("DTSTAMP", instant(e.Stamp))
	if !e.Modified.IsZero() {
		w.raw("LAST-MODIFIED", instant(e.Modified))
	}
	if e.allDay() {
		w.raw("DTSTART;VALUE=DATE", day(e.FirstOn, 0))
		w.raw("DTEND;VALUE=DATE", day(e.LastOn, 1)) // the end is not included, §3.6.1
	} else {
		w.raw("DTSTART", instant(e.Start))
		w.raw("DTEND", instant(e.End))
	}
	w.raw("STATUS", string(e.Status))
	if organizer != "" {
		w.raw("ORGANIZER", organizer)
	}
	w.text("SUMMARY", e.Summary)
	w.some("DESCRIPTION", e.Description)
	w.some("LOCATION", e.Location)
	w.raw("END", "VEVENT")
}

// zone fills an empty feed: a calendar holds one component at least (§3.6), and
// a reader that insists on it must not lose the subscription on a free week.
func (w *writer) zone() {
	w.raw("BEGIN", "VTIMEZONE")
	w.raw("TZID", "UTC")
	w.raw("BEGIN", "STANDARD")
	w.raw("DTSTART", "19700101T000000")
	w.raw("TZOFFSETFROM", "+0000")
	w.raw("TZOFFSETTO", "+0000")
	w.raw("END", "STANDARD")
	w.raw("END", "VTIMEZONE")
}

// instant is the UTC form of a date with time (§3.3.5, form 2).
func instant(t time.Time) string { return t.UTC().Format("20060102T150405Z") }

// day is the date some days later (§3.3.4).
func day(d domain.Date, later int) string { return d.Time().AddDate(0, 0, later).Format("20060102") }

// mailto is the address as a URI (RFC 6068), everything doubtful in it escaped:
// a value of this type has no escapes of its own.
func mailto(address string) string {
	if address = Clean(address); address == "" {
		return ""
	}
	return "mailto:" + url.PathEscape(address)
}
