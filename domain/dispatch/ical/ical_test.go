package ical_test

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	reader "github.com/arran4/golang-ical"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/domain/dispatch/ical"
)

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t
}

func visit() ical.Event {
	return ical.Event{UID: "0194f2c8-0000-7000-8000-00000000000a@drumline", Stamp: at("2026-03-01T08:00:00Z"), Start: at("2026-03-02T15:00:00Z"),
		End: at("2026-03-02T16:00:00Z"), Status: ical.Confirmed, Summary: "Dryer, too hot"}
}

func feed(es ...ical.Event) ical.Calendar {
	return ical.Calendar{Product: "-//drumline//day sheets//EN", Events: es}
}

func encode(t require.TestingT, c ical.Calendar) string {
	b, err := ical.Encode(c)
	require.NoError(t, err)
	return string(b)
}

// read gives the feed to a parser that is not ours, after the rules of §3.1
// every line must keep.
func read(t require.TestingT, s string) *reader.Calendar {
	require.True(t, strings.HasSuffix(s, "\r\n"))
	require.Equal(t, strings.Count(s, "\n"), strings.Count(s, "\r\n"))
	require.Equal(t, strings.Count(s, "\r"), strings.Count(s, "\r\n"))
	for line := range strings.SplitSeq(s, "\r\n") {
		require.LessOrEqual(t, len(line), ical.MostOctets)
		require.True(t, utf8.ValidString(line), "%q", line)
	}
	c, err := reader.ParseCalendar(strings.NewReader(s))
	require.NoError(t, err)
	return c
}

func value(e *reader.VEvent, name string) string {
	if p := e.GetProperty(reader.ComponentProperty(name)); p != nil {
		return p.Value
	}
	return ""
}

func TestWholeFeed(t *testing.T) {
	e := visit()
	e.Sequence, e.Modified = 2, at("2026-02-28T10:11:12Z")
	e.Description, e.Location = "Gate code 12;\nmind the dog", "3 Example Lane, Springfield"
	c := feed(e)
	c.Name, c.Refresh, c.Organizer = "Kim's visits", 15*time.Minute, "office@example.com"
	require.Equal(t, strings.Join([]string{
		"BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//drumline//day sheets//EN", "METHOD:PUBLISH", "NAME:Kim's visits",
		"REFRESH-INTERVAL;VALUE=DURATION:PT900S",
		"BEGIN:VEVENT", "UID:0194f2c8-0000-7000-8000-00000000000a@drumline", "SEQUENCE:2", "DTSTAMP:20260301T080000Z",
		"LAST-MODIFIED:20260228T101112Z", "DTSTART:20260302T150000Z", "DTEND:20260302T160000Z", "STATUS:CONFIRMED",
		"ORGANIZER:mailto:office@example.com", `SUMMARY:Dryer\, too hot`, `DESCRIPTION:Gate code 12\;\nmind the dog`,
		`LOCATION:3 Example Lane\, Springfield`, "END:VEVENT", "END:VCALENDAR", ""}, "\r\n"), encode(t, c))
}

// The examples of RFC 5545 that apply to what is written here, with their
// section; the values are the RFC's.
func TestExamplesOfTheRFC(t *testing.T) {
	for _, c := range []struct {
		section string
		change  func(*ical.Event)
		line    string
	}{
		{"3.3.4, 14 July 1997", func(e *ical.Event) { allDay(e, "1997-07-14", "1997-07-14") }, "DTSTART;VALUE=DATE:19970714"},
		{"3.3.5, form 2, 19 January 1998 0700 UTC", func(e *ical.Event) { e.Start, e.End = at("1998-01-19T02:00:00-05:00"), at("1998-01-19T08:00:00Z") },
			"DTSTART:19980119T070000Z"},
		{"3.3.11", func(e *ical.Event) { e.Description = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared." },
			`DESCRIPTION:Project XYZ Final Review\nConference Room - 3B\nCome Prepared.`},
		{"3.6.1, first example", func(e *ical.Event) { e.Start, e.End = at("1997-09-03T16:30:00Z"), at("1997-09-03T19:00:00Z") }, "DTEND:19970903T190000Z"},
		{"3.6.1, first example, the uid", func(e *ical.Event) { e.UID = "19970901T130000Z-123401@example.com" }, "UID:19970901T130000Z-123401@example.com"},
		{"3.6.1, an event of many days, begins", func(e *ical.Event) { allDay(e, "2007-06-28", "2007-07-08") }, "DTSTART;VALUE=DATE:20070628"},
		{"3.6.1, an event of many days: the end is not included", func(e *ical.Event) { allDay(e, "2007-06-28", "2007-07-08") }, "DTEND;VALUE=DATE:20070709"},
		{"3.8.1.7", func(e *ical.Event) { e.Location = "Conference Room - F123, Bldg. 002" }, `LOCATION:Conference Room - F123\, Bldg. 002`},
		{"3.8.1.11", func(e *ical.Event) { e.Status = ical.Tentative }, "STATUS:TENTATIVE"},
		{"3.8.1.12", func(e *ical.Event) { e.Summary = "Department Party" }, "SUMMARY:Department Party"},
		{"3.8.7.2", func(e *ical.Event) { e.Stamp = at("1997-12-10T08:00:00Z") }, "DTSTAMP:19971210T080000Z"},
		{"3.8.7.3", func(e *ical.Event) { e.Modified = at("1996-08-17T13:30:00Z") }, "LAST-MODIFIED:19960817T133000Z"},
		{"3.8.7.4, as first made", func(*ical.Event) {}, "SEQUENCE:0"},
		{"3.8.7.4, after two changes", func(e *ical.Event) { e.Sequence = 2 }, "SEQUENCE:2"},
	} {
		e := visit()
		c.change(&e)
		s := encode(t, feed(e))
		require.Contains(t, strings.Split(s, "\r\n"), c.line, c.section)
		require.Len(t, read(t, s).Events(), 1, c.section)
	}
	c := feed(visit())
	c.Name = "Company Vacation Days"
	require.Contains(t, encode(t, c), "\r\nNAME:Company Vacation Days\r\n", "RFC 7986 section 5.1")
}

func allDay(e *ical.Event, first, last string) {
	e.Start, e.End = time.Time{}, time.Time{}
	e.FirstOn, _ = domain.ParseDate(first)
	e.LastOn, _ = domain.ParseDate(last)
}

// TestFolding keeps 3.1: the long line of its example comes back whole, and no
// character of several octets is cut at any offset.
func TestFolding(t *testing.T) {
	const long = "This is a long description that exists on a long line."
	for _, glyph := range []string{"x", "é", "漢", "🔧"} {
		for pad := range 90 {
			e := visit()
			e.Description = strings.Repeat("a", pad) + strings.Repeat(glyph, 60) + long
			got := read(t, encode(t, feed(e))).Events()
			require.Equal(t, e.Description, value(got[0], "DESCRIPTION"))
		}
	}
}

func TestReadBack(t *testing.T) {
	gone, lunch := visit(), visit()
	gone.UID, gone.Status, gone.Sequence = "b", ical.Cancelled, 3
	lunch.UID = "c"
	allDay(&lunch, "2028-02-29", "2028-02-29")
	es := read(t, encode(t, feed(visit(), gone, lunch))).Events()
	require.Len(t, es, 3)
	start, err := es[0].GetStartAt()
	require.NoError(t, err)
	end, err := es[0].GetEndAt()
	require.NoError(t, err)
	require.True(t, start.Equal(visit().Start) && end.Equal(visit().End))
	require.Equal(t, "CANCELLED", value(es[1], "STATUS"))
	require.Equal(t, "3", value(es[1], "SEQUENCE"))
	from, err := es[2].GetAllDayStartAt()
	require.NoError(t, err)
	to, err := es[2].GetAllDayEndAt()
	require.NoError(t, err)
	require.Equal(t, "2028-02-29 2028-03-01", from.Format("2006-01-02")+" "+to.Format("2006-01-02"))
}

// TestDaylightSaving: an appointment in civil time is written as the instant.
func TestDaylightSaving(t *testing.T) {
	for _, c := range []struct{ start, want string }{
		{"2026-03-08T03:30:00-04:00", "DTSTART:20260308T073000Z"},
		{"2026-11-01T01:30:00-04:00", "DTSTART:20261101T053000Z"},
		{"2026-11-01T01:30:00-05:00", "DTSTART:20261101T063000Z"},
		{"2026-03-29T03:30:00+02:00", "DTSTART:20260329T013000Z"},
		{"2026-10-25T02:30:00+02:00", "DTSTART:20261025T003000Z"},
		{"2026-10-25T02:30:00+01:00", "DTSTART:20261025T013000Z"},
	} {
		e := visit()
		e.Start = at(c.start)
		e.End = e.Start.Add(time.Hour)
		require.Contains(t, encode(t, feed(e)), c.want+"\r\n")
	}
}

// TestEmptyFeed holds one component all the same (3.6).
func TestEmptyFeed(t *testing.T) {
	c := read(t, encode(t, feed()))
	require.Empty(t, c.Events())
	require.Len(t, c.Components, 1)
}

var hostile = []string{
	"x\r\nATTENDEE:mailto:a@example.com", "x\nEND:VEVENT\nBEGIN:VEVENT\nUID:evil", "x\rURL:http://example.com", "x\u2028STATUS:CANCELLED",
	"x\u0085METHOD:REQUEST", "x\vBEGIN:VALARM\f", `\`, `\\n`, `\n`, `a\;b,c;d:e"f`, "\x00\x01\x1b[31m\x7f", "\xff\xfe", "=0D=0A", "%0D%0A", "\t x", " ",
	strings.Repeat("🔧", 400), "'; DROP TABLE visit; --", "<script>alert(1)</script>", "\u202egnp.exe",
}

func TestHostileTexts(t *testing.T) {
	for _, s := range hostile {
		c := feed(ical.Event{UID: "u" + s, Stamp: visit().Stamp, Start: visit().Start, End: visit().End, Status: ical.Confirmed,
			Summary: s, Description: s, Location: s})
		c.Name, c.Product, c.Organizer = s, "p"+s, s
		checkOne(t, c)
	}
}

// checkOne holds a feed of one event against what went in: no property more,
// none less, the texts as Clean promises.
func checkOne(t require.TestingT, c ical.Calendar) {
	got := read(t, encode(t, c))
	require.Len(t, got.Components, 1)
	require.Len(t, got.Events(), 1)
	e, in := got.Events()[0], c.Events[0]
	names := []string{}
	for _, p := range e.Properties {
		names = append(names, p.IANAToken)
	}
	want := []string{"UID", "SEQUENCE", "DTSTAMP", "DTSTART", "DTEND", "STATUS"}
	for _, p := range []struct{ name, text string }{{"ORGANIZER", c.Organizer}, {"SUMMARY", in.Summary}, {"DESCRIPTION", in.Description}, {"LOCATION", in.Location}} {
		if p.name == "SUMMARY" || ical.Clean(p.text) != "" {
			want = append(want, p.name)
		}
	}
	require.Equal(t, want, names)
	require.Equal(t, ical.Clean(in.UID), value(e, "UID"))
	require.Equal(t, ical.Clean(in.Summary), value(e, "SUMMARY"))
	require.Equal(t, ical.Clean(in.Description), value(e, "DESCRIPTION"))
	require.Equal(t, ical.Clean(in.Location), value(e, "LOCATION"))
}

func FuzzText(f *testing.F) {
	for _, s := range hostile {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		e := visit()
		e.Summary, e.Description, e.Location, e.UID = s, s, s, "u"+s
		c := feed(e)
		c.Organizer = s
		checkOne(t, c)
	})
}

func TestCleanIsIdempotent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		once := ical.Clean(string(rapid.SliceOf(rapid.Byte()).Draw(t, "s")))
		require.Equal(t, once, ical.Clean(once))
	})
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		what, pointer string
		change        func(*ical.Event)
	}{
		{"no uid", "/events/1/uid", func(e *ical.Event) { e.UID = "\x00" }},
		{"below 0", "/events/1/sequence", func(e *ical.Event) { e.Sequence = -1 }},
		{"status", "/events/1/status", func(e *ical.Event) { e.Status = "CONFIRMED\r\nX:1" }},
		{"no stamp", "/events/1/stamp", func(e *ical.Event) { e.Stamp = time.Time{} }},
		{"no start", "/events/1/start", func(e *ical.Event) { e.Start = time.Time{} }},
		{"a year of five digits", "/events/1/start", func(e *ical.Event) { e.End = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }},
		{"reversed", "/events/1/end", func(e *ical.Event) { e.Start, e.End = e.End, e.Start }},
		{"the same second", "/events/1/end", func(e *ical.Event) { e.End = e.Start.Add(time.Millisecond) }},
		{"both", "/events/1/first_on", func(e *ical.Event) {
			e.FirstOn, e.LastOn = domain.Date{Year: 2026, Month: 3, Day: 1}, domain.Date{Year: 2026, Month: 3, Day: 1}
		}},
		{"no such day", "/events/1/first_on", func(e *ical.Event) {
			allDay(e, "2026-02-28", "2026-03-01")
			e.FirstOn.Day = 29
		}},
		{"one day of two", "/events/1/first_on", func(e *ical.Event) { allDay(e, "2026-02-28", "none") }},
		{"the last day of the calendar", "/events/1/first_on", func(e *ical.Event) { allDay(e, "9999-12-31", "9999-12-31") }},
		{"days reversed", "/events/1/last_on", func(e *ical.Event) { allDay(e, "2026-03-02", "2026-03-01") }},
		{"change", "/events/1/modified", func(e *ical.Event) { e.Modified = time.Date(-1, 1, 1, 0, 0, 0, 0, time.UTC) }},
	} {
		e := visit()
		c.change(&e)
		_, err := ical.Encode(feed(visit(), e))
		var de *domain.Error
		require.ErrorAs(t, err, &de, c.what)
		require.Equal(t, domain.Invalid, de.Kind)
		require.Equal(t, c.pointer, de.Fields[0].Pointer, c.what)
	}
	_, err := ical.Encode(ical.Calendar{})
	require.Equal(t, domain.Invalid, domain.KindOf(err), "no product")
}
