package care

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/customers"
	"drumline/domain/dispatch/hours"
	"drumline/shared/pg/pgtest"
)

// TestDueAsTheDatabaseCounts holds the dates of twelve years against another
// calendar: PostgreSQL's date + interval, which takes the last day of a month
// that has not the day.
func TestDueAsTheDatabaseCounts(t *testing.T) {
	conn, err := pgx.Connect(t.Context(), pgtest.New(t).AppURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(t.Context())) }()
	rows, err := conn.Query(t.Context(), `SELECT d::date::text, (d + interval '12 months')::date::text, (d + interval '6 months')::date::text
		FROM generate_series(timestamp '2023-01-01', '2034-12-31', '1 day') d`)
	require.NoError(t, err)
	roof := customers.Exhaust{Termination: "roof"}
	var from, year, half string
	tag, err := pgx.ForEachRow(rows, []any{&from, &year, &half}, func() error {
		u := customers.Unit{Kind: "electric_dryer", InstalledOn: date(from)}
		require.Equal(t, year, Next(Due(u, nil, Rules{})).String(), "a year after %s", from)
		u.Exhaust = &roof
		require.Equal(t, half, Next(Due(u, nil, Rules{})).String(), "half a year after %s", from)
		u.InstalledOn = domain.Date{}
		whole := []Cleaning{cleaned(from, Cabinet, Blower, TransitionDuct, Run, Hood)}
		require.Equal(t, half, Next(Due(u, whole, Rules{})).String(), "half a year after a cleaning on %s", from)
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, int64(4383), tag.RowsAffected(), "twelve years, three of them leap years")
}

// TestDueBesideRecurrenceRules names where the yearly rule and the recurrence
// rules of calendars part. Yearly in June and July is an example of RFC 5545,
// section 3.8.5.3. A date that does not exist is left out there (section
// 3.3.10): FREQ=YEARLY from 29 February comes every fourth year, too late for
// what is due at least once a year. Ours is taken back to 28 February, as RFC
// 7529 has it with SKIP=BACKWARD. All from memory.
func TestDueBesideRecurrenceRules(t *testing.T) {
	after := func(on string, months int) string {
		o := OwnTask{ID: domain.NewID(time.Unix(0, 0)), Kind: "washer", Name: "x", Whose: ByUs, Scopes: []string{"drain_filter"}, Months: months}
		tasks := Due(customers.Unit{Kind: "washer"}, []Cleaning{cleaned(on, "drain_filter")}, Rules{Own: []OwnTask{o}})
		require.Len(t, tasks, 1)
		return tasks[0].DueOn.String()
	}
	for _, start := range []string{"06-10", "07-10"} {
		for year, want := range map[string]string{"1997": "1998", "1998": "1999", "1999": "2000", "2000": "2001"} {
			require.Equal(t, want+"-"+start, after(year+"-"+start, 12))
		}
	}
	for _, c := range []struct {
		on     string
		months int
		want   string
	}{
		{"2028-02-29", 12, "2029-02-28"}, {"2029-02-28", 12, "2030-02-28"}, {"2028-02-29", 48, "2032-02-29"}, {"2096-02-29", 48, "2100-02-28"},
		{"2007-01-30", 1, "2007-02-28"}, {"2028-01-31", 1, "2028-02-29"}, {"2028-08-31", 6, "2029-02-28"}, {"2027-11-30", 3, "2028-02-29"},
	} {
		require.Equal(t, c.want, after(c.on, c.months), "%d months after %s", c.months, c.on)
	}
}

// TestMessagesLeaveAtTheSameCivilTime: daily at 09:00 in New York, RFC 5545,
// section 3.8.5.3 ("Daily until December 24, 1997", from memory): EDT until 25
// October, EST from the 26th on.
func TestMessagesLeaveAtTheSameCivilTime(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	w := window{zone, hours.Clock(9 * 60), quietFrom}
	for d := date("1997-09-02"); d.Before(date("1997-12-24")); d = day(d, 1) {
		want := "09:00 EDT"
		if !d.Before(date("1997-10-26")) {
			want = "09:00 EST"
		}
		at := w.on(d)
		require.Equal(t, want, at.Format("15:04 MST"), "%s", d)
		require.Equal(t, d, domain.DateOf(at))
		require.Equal(t, at, w.next(hours.At(zone, d, 0)))
	}
}
