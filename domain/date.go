package domain

import (
	"fmt"
	"time"
)

// Date is a civil date: a day on the calendar, in no zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// ParseDate reads YYYY-MM-DD with a year from 1900 to 9999.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse("2006-01-02", s)
	if err != nil || t.Year() < 1900 {
		return Date{}, Errorf(Unreadable, "A date is written YYYY-MM-DD, from 1900-01-01 to 9999-12-31.")
	}
	return DateOf(t), nil
}

// DateOf is the civil date of t in t's own location.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// IsZero says whether the date is "none".
func (d Date) IsZero() bool { return d == Date{} }

// String gives YYYY-MM-DD.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day) }

// Time is midnight UTC of the date: the form a database driver takes.
func (d Date) Time() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// Before says whether d is earlier than o.
func (d Date) Before(o Date) bool { return d.Time().Before(o.Time()) }

// AddMonths moves by whole months and clamps to the last day of the month:
// 29 February plus twelve months is 28 February.
func (d Date) AddMonths(n int) Date {
	first := time.Date(d.Year, d.Month+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return Date{first.Year(), first.Month(), min(d.Day, last)}
}

// MarshalText gives YYYY-MM-DD.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads YYYY-MM-DD.
func (d *Date) UnmarshalText(b []byte) error {
	v, err := ParseDate(string(b))
	if err != nil {
		return err
	}
	*d = v
	return nil
}
