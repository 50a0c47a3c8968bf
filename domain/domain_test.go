package domain_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
)

func TestIDHasOneSpelling(t *testing.T) {
	id := domain.NewID(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC))
	back, err := domain.ParseID(id.String())
	require.NoError(t, err)
	require.Equal(t, id, back)
	require.Equal(t, byte('7'), id.String()[14], "version 7, RFC 9562 5.7")
	for _, s := range []string{"", "x", "{" + id.String() + "}", "urn:uuid:" + id.String(), id.String()[:35] + "G",
		"0194F2C8-0000-7000-8000-00000000000A", id.String() + "0", "0194f2c8000070008000000000000000aaaa"} {
		_, err := domain.ParseID(s)
		require.Error(t, err, s)
	}
}

func TestIDsSortByTime(t *testing.T) {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	require.Less(t, domain.NewID(at).String(), domain.NewID(at.Add(time.Second)).String())
}

func TestAddMonthsClamps(t *testing.T) {
	for _, c := range []struct {
		from string
		n    int
		want string
	}{
		{"2024-02-29", 12, "2025-02-28"},
		{"2024-02-29", 48, "2028-02-29"},
		{"2026-11-30", 3, "2027-02-28"},
		{"2026-12-15", 12, "2027-12-15"},
		{"2026-01-31", -2, "2025-11-30"},
	} {
		d, err := domain.ParseDate(c.from)
		require.NoError(t, err)
		require.Equal(t, c.want, d.AddMonths(c.n).String())
	}
}

func TestDateRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(-2_000_000_000, 200_000_000_000).Draw(t, "s"), 0).UTC()
		d := domain.DateOf(at)
		back, err := domain.ParseDate(d.String())
		require.NoError(t, err)
		require.Equal(t, d, back)
	})
	for _, s := range []string{"2026-2-3", "2026-02-30", "1899-12-31", "20260203", "10000-01-01", ""} {
		_, err := domain.ParseDate(s)
		require.Error(t, err, s)
	}
}

func TestKindSurvivesWrapping(t *testing.T) {
	err := fmt.Errorf("store: %w", domain.Wrap(domain.Conflict, errors.New("23P01"), "taken"))
	require.Equal(t, domain.Conflict, domain.KindOf(err))
	require.Equal(t, domain.Internal, domain.KindOf(errors.New("x")))
	var p domain.Problems
	require.NoError(t, p.Err())
	p.Add("/name", "required", "Give a name.")
	require.Equal(t, domain.Invalid, domain.KindOf(p.Err()))
}
