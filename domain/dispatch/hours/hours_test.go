package hours_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/domain/dispatch/hours"
)

const (
	newYork = "America/New_York"
	berlin  = "Europe/Berlin"
)

func zone(t require.TestingT, name string) *time.Location {
	z, err := hours.Zone(name)
	require.NoError(t, err)
	return z
}

func date(t require.TestingT, s string) domain.Date {
	d, err := domain.ParseDate(s)
	require.NoError(t, err)
	return d
}

func clock(t require.TestingT, s string) hours.Clock {
	c, err := hours.ParseClock(s)
	require.NoError(t, err)
	return c
}

func span(t require.TestingT, from, to string) hours.Span {
	return hours.Span{From: clock(t, from), To: clock(t, to)}
}

// daily works the same spans on each day of the week.
func daily(t require.TestingT, name string, spans ...hours.Span) hours.Schedule {
	s := hours.Schedule{Zone: zone(t, name)}
	for i := range s.Week {
		s.Week[i] = spans
	}
	return s
}

func show(is []hours.Interval) []string {
	out := []string{}
	for _, i := range is {
		out = append(out, i.From.UTC().Format("01-02T15:04Z")+" "+i.To.UTC().Format("01-02T15:04Z"))
	}
	return out
}

// The dates of the changes are those of the IANA database: New York changes at
// 02:00 local time, Berlin at 01:00 UTC.
func TestAt(t *testing.T) {
	for _, c := range []struct{ zone, date, clock, want string }{
		{newYork, "2026-03-08", "01:59", "2026-03-08T06:59:00Z"},
		{newYork, "2026-03-08", "02:00", "2026-03-08T07:00:00Z"},
		{newYork, "2026-03-08", "02:30", "2026-03-08T07:00:00Z"},
		{newYork, "2026-03-08", "02:59", "2026-03-08T07:00:00Z"},
		{newYork, "2026-03-08", "03:00", "2026-03-08T07:00:00Z"},
		{newYork, "2026-03-08", "03:30", "2026-03-08T07:30:00Z"},
		{newYork, "2026-11-01", "00:59", "2026-11-01T04:59:00Z"},
		{newYork, "2026-11-01", "01:00", "2026-11-01T05:00:00Z"},
		{newYork, "2026-11-01", "01:30", "2026-11-01T05:30:00Z"}, // the first, RFC 5545 section 3.3.5
		{newYork, "2026-11-01", "02:00", "2026-11-01T07:00:00Z"},
		{newYork, "2026-11-01", "24:00", "2026-11-02T05:00:00Z"},
		{berlin, "2026-03-29", "01:59", "2026-03-29T00:59:00Z"},
		{berlin, "2026-03-29", "02:30", "2026-03-29T01:00:00Z"},
		{berlin, "2026-03-29", "03:00", "2026-03-29T01:00:00Z"},
		{berlin, "2026-10-25", "01:59", "2026-10-24T23:59:00Z"},
		{berlin, "2026-10-25", "02:30", "2026-10-25T00:30:00Z"},
		{berlin, "2026-10-25", "03:00", "2026-10-25T02:00:00Z"},
		{newYork, "2028-02-29", "08:00", "2028-02-29T13:00:00Z"},
		{berlin, "2028-02-28", "24:00", "2028-02-28T23:00:00Z"},
		{"Pacific/Apia", "2011-12-30", "12:00", "2011-12-30T10:00:00Z"},        // a day that was skipped whole
		{"Australia/Lord_Howe", "2026-10-04", "02:15", "2026-10-03T15:30:00Z"}, // a gap of half an hour
		{"UTC", "2026-03-08", "02:30", "2026-03-08T02:30:00Z"},
	} {
		got := hours.At(zone(t, c.zone), date(t, c.date), clock(t, c.clock))
		require.Equal(t, c.want, got.UTC().Format(time.RFC3339), "%s %s %s", c.zone, c.date, c.clock)
		require.Equal(t, c.zone, got.Location().String())
	}
}

func TestWorkingAcrossTheChanges(t *testing.T) {
	for _, c := range []struct {
		zone, date, from, to string
		want                 string // empty: no time
	}{
		{newYork, "2026-03-08", "08:00", "17:00", "03-08T12:00Z 03-08T21:00Z"},
		{newYork, "2026-03-07", "08:00", "17:00", "03-07T13:00Z 03-07T22:00Z"},
		{newYork, "2026-03-08", "00:00", "24:00", "03-08T05:00Z 03-09T04:00Z"}, // 23 hours
		{newYork, "2026-03-08", "01:00", "04:00", "03-08T06:00Z 03-08T08:00Z"},
		{newYork, "2026-03-08", "02:30", "03:30", "03-08T07:00Z 03-08T07:30Z"},
		{newYork, "2026-03-08", "01:30", "02:30", "03-08T06:30Z 03-08T07:00Z"},
		{newYork, "2026-03-08", "02:00", "03:00", ""},
		{newYork, "2026-03-08", "02:15", "02:45", ""},
		{newYork, "2026-11-01", "08:00", "17:00", "11-01T13:00Z 11-01T22:00Z"},
		{newYork, "2026-11-01", "00:00", "24:00", "11-01T04:00Z 11-02T05:00Z"}, // 25 hours
		{newYork, "2026-11-01", "00:00", "03:00", "11-01T04:00Z 11-01T08:00Z"},
		{newYork, "2026-11-01", "01:30", "02:30", "11-01T05:30Z 11-01T07:30Z"},
		{newYork, "2026-11-01", "01:00", "01:30", "11-01T05:00Z 11-01T05:30Z"},
		{berlin, "2026-03-29", "00:00", "24:00", "03-28T23:00Z 03-29T22:00Z"},
		{berlin, "2026-03-29", "08:00", "12:00", "03-29T06:00Z 03-29T10:00Z"},
		{berlin, "2026-03-29", "02:00", "03:00", ""},
		{berlin, "2026-10-25", "00:00", "24:00", "10-24T22:00Z 10-25T23:00Z"},
		{berlin, "2026-10-25", "02:00", "03:00", "10-25T00:00Z 10-25T02:00Z"},
		{berlin, "2026-10-25", "08:00", "12:00", "10-25T07:00Z 10-25T11:00Z"},
		{newYork, "2028-02-29", "08:00", "12:00", "02-29T13:00Z 02-29T17:00Z"},
		{berlin, "2028-02-29", "00:00", "24:00", "02-28T23:00Z 02-29T23:00Z"},
	} {
		s := daily(t, c.zone, span(t, c.from, c.to))
		want := []string{}
		if c.want != "" {
			want = []string{c.want}
		}
		require.Equal(t, want, show(s.Working(date(t, c.date), 1)), "%s %s %s-%s", c.zone, c.date, c.from, c.to)
	}
}

func TestWeekAndOff(t *testing.T) {
	s := hours.Schedule{Zone: zone(t, newYork)}
	for d := time.Monday; d <= time.Friday; d++ {
		s.Week[d] = []hours.Span{span(t, "13:00", "17:00"), span(t, "08:00", "12:00")}
	}
	s.Off = []hours.Off{
		{First: date(t, "2026-03-03"), Last: date(t, "2026-03-03")},
		{First: date(t, "2026-03-04"), Last: date(t, "2026-03-05"), Part: span(t, "11:00", "14:00")},
		{First: date(t, "1999-01-01"), Last: date(t, "2026-03-01")},
	}
	require.Equal(t, []string{
		"03-02T13:00Z 03-02T17:00Z", "03-02T18:00Z 03-02T22:00Z",
		"03-04T13:00Z 03-04T16:00Z", "03-04T19:00Z 03-04T22:00Z",
		"03-05T13:00Z 03-05T16:00Z", "03-05T19:00Z 03-05T22:00Z",
		"03-06T13:00Z 03-06T17:00Z", "03-06T18:00Z 03-06T22:00Z",
		"03-09T12:00Z 03-09T16:00Z", "03-09T17:00Z 03-09T21:00Z",
	}, show(s.Working(date(t, "2026-03-01"), 9)))
	require.Empty(t, s.Working(date(t, "2026-03-02"), 0))
	require.Empty(t, s.Working(date(t, "2026-03-02"), -1))
}

func TestANightIsTwoSpans(t *testing.T) {
	s := daily(t, berlin, span(t, "22:00", "24:00"), span(t, "00:00", "06:00"))
	require.Equal(t, []string{"03-01T23:00Z 03-02T05:00Z", "03-02T21:00Z 03-03T05:00Z", "03-03T21:00Z 03-03T23:00Z"}, show(s.Working(date(t, "2026-03-02"), 2)))
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		what, pointer string
		spans         []hours.Span
	}{
		{"over midnight", "/week/1/0", []hours.Span{{From: 22 * 60, To: 6 * 60}}},
		{"empty", "/week/1/0", []hours.Span{{From: 60, To: 60}}},
		{"before the day", "/week/1/0", []hours.Span{{From: -1, To: 60}}},
		{"after the day", "/week/1/0", []hours.Span{{From: 60, To: 1441}}},
		{"overlap", "/week/1", []hours.Span{{From: 600, To: 700}, {From: 500, To: 601}}},
	} {
		var ps domain.Problems
		s := daily(t, "UTC")
		s.Week[time.Monday] = c.spans
		s.Week.Check(&ps, "/week")
		var de *domain.Error
		require.ErrorAs(t, ps.Err(), &de, c.what)
		require.Equal(t, c.pointer, de.Fields[0].Pointer, c.what)
	}
	var ps domain.Problems
	hours.Week{1: {{From: 60, To: 120}, {From: 0, To: 60}}}.Check(&ps, "")
	hours.Off{First: domain.Date{Year: 2028, Month: 2, Day: 29}, Last: domain.Date{Year: 2028, Month: 2, Day: 29}}.Check(&ps, "")
	require.NoError(t, ps.Err())
	for _, o := range []hours.Off{{}, {First: domain.Date{Year: 2026, Month: 2, Day: 29}, Last: domain.Date{Year: 2026, Month: 3, Day: 1}},
		{First: domain.Date{Year: 2026, Month: 3, Day: 2}, Last: domain.Date{Year: 2026, Month: 3, Day: 1}},
		{First: domain.Date{Year: 2026, Month: 3, Day: 1}, Last: domain.Date{Year: 2026, Month: 3, Day: 1}, Part: hours.Span{From: 5, To: 5}}} {
		var ps domain.Problems
		o.Check(&ps, "")
		require.Error(t, ps.Err(), fmt.Sprint(o))
	}
	for _, name := range []string{"", "Local", "Nowhere/City", "../etc/passwd"} {
		_, err := hours.Zone(name)
		require.Equal(t, domain.Invalid, domain.KindOf(err), name)
	}
}

func TestClockText(t *testing.T) {
	for _, s := range []string{"00:00", "08:05", "23:59", "24:00"} {
		b, err := json.Marshal(clock(t, s))
		require.NoError(t, err)
		require.Equal(t, `"`+s+`"`, string(b))
		var back hours.Clock
		require.NoError(t, json.Unmarshal(b, &back))
		require.Equal(t, clock(t, s), back)
	}
	for _, s := range []string{"", "8:00", "24:01", "08:60", "08:00:00", "-1:00", "08h00"} {
		require.Error(t, new(hours.Clock).UnmarshalText([]byte(s)), s)
	}
}

var zones = []string{newYork, berlin, "UTC", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kathmandu", "America/Sao_Paulo"}

// TestAtIsTheFirst holds At against its words, minute by minute: clocks read
// the time or later at that instant, and at none of the 26 hours before.
func TestAtIsTheFirst(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom(zones).Draw(t, "zone"))
		d := domain.DateOf(time.Date(2000, 1, rapid.IntRange(1, 12000).Draw(t, "day"), 0, 0, 0, 0, time.UTC))
		c := hours.Clock(rapid.IntRange(0, 1440).Draw(t, "clock"))
		reads := func(at time.Time) time.Time {
			at = at.In(z)
			return time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), at.Second(), 0, time.UTC)
		}
		wall := d.Time().Add(time.Duration(c) * time.Minute)
		at := hours.At(z, d, c)
		require.False(t, reads(at).Before(wall))
		for m := 1; m <= 26*60; m++ {
			require.True(t, reads(at.Add(-time.Duration(m)*time.Minute)).Before(wall), "%d minutes before", m)
		}
		require.False(t, hours.At(z, d, min(c+1, hours.Midnight)).Before(at), "a later civil time is no earlier instant")
	})
}

// TestWorkingReads: an instant is worked when its civil time lies in a span,
// but for the repeat of an hour that a span ended or began in.
func TestWorkingReads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := daily(t, rapid.SampledFrom(zones).Draw(t, "zone"), hours.Span{From: 4 * 60, To: 12 * 60}, hours.Span{From: 13 * 60, To: hours.Midnight})
		d := domain.DateOf(time.Date(2015, 1, rapid.IntRange(1, 7000).Draw(t, "day"), 0, 0, 0, 0, time.UTC))
		work := s.Working(d, 3)
		for at := hours.At(s.Zone, d, 0); at.Before(hours.At(s.Zone, d, 2*24*60)); at = at.Add(17 * time.Minute) {
			h := at.In(s.Zone).Hour()
			in := len(hours.Intersect(work, []hours.Interval{{From: at, To: at.Add(time.Second)}})) > 0
			if h < 1 || h == 23 {
				continue // zones that repeat the hour before midnight
			}
			require.Equal(t, h >= 4 && h < 12 || h >= 13, in, "%s", at.In(s.Zone))
		}
	})
}

func intervals(t *rapid.T, name string) []hours.Interval {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) hours.Interval {
		from := rapid.IntRange(0, 60).Draw(t, "from")
		return hours.Interval{From: at(from), To: at(from + rapid.IntRange(-2, 15).Draw(t, "long"))}
	}), 0, 8).Draw(t, name)
}

func at(n int) time.Time { return time.Unix(int64(n), 0).UTC() }

func holds(is []hours.Interval, n int) bool {
	for _, i := range is {
		if !at(n).Before(i.From) && at(n).Before(i.To) {
			return true
		}
	}
	return false
}

// TestSets holds the operations against membership, second by second.
func TestSets(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := intervals(t, "a"), intervals(t, "b")
		union, less, both, free := hours.Merge(append(a[:len(a):len(a)], b...)), hours.Subtract(a, b), hours.Intersect(a, b), hours.Free(a, b, 3*time.Second)
		seconds := 0
		for n := range 80 {
			require.Equal(t, holds(a, n) || holds(b, n), holds(union, n))
			require.Equal(t, holds(a, n) && !holds(b, n), holds(less, n))
			require.Equal(t, holds(a, n) && holds(b, n), holds(both, n))
			if holds(union, n) {
				seconds++
			}
		}
		require.Equal(t, time.Duration(seconds)*time.Second, hours.Total(union))
		require.Equal(t, hours.Total(a), hours.Total(less)+hours.Total(both))
		for _, is := range [][]hours.Interval{union, less, both, free} {
			apart(t, is)
		}
		long := 0
		for _, i := range less {
			require.False(t, len(hours.Intersect(b, []hours.Interval{i})) > 0)
			if i.Length() >= 3*time.Second {
				long++
			}
		}
		require.Len(t, free, long)
	})
}

func apart(t require.TestingT, is []hours.Interval) {
	for k, i := range is {
		require.False(t, i.Empty())
		if k > 0 {
			require.False(t, i.Overlaps(is[k-1]))
			require.False(t, i.From.Before(is[k-1].To))
		}
	}
}

func TestOverlaps(t *testing.T) {
	i := func(a, b int) hours.Interval { return hours.Interval{From: at(a), To: at(b)} }
	require.True(t, i(0, 2).Overlaps(i(1, 3)))
	require.False(t, i(0, 2).Overlaps(i(2, 3)), "meeting is not sharing")
	require.False(t, i(0, 2).Overlaps(i(1, 1)))
	require.Zero(t, i(3, 1).Length())
}

func BenchmarkWorking14Days(b *testing.B) {
	s := daily(b, newYork, span(b, "08:00", "12:00"), span(b, "13:00", "17:00"))
	d := date(b, "2026-03-01")
	b.ReportAllocs()
	for b.Loop() {
		s.Working(d, 14)
	}
}
