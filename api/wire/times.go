package wire

import (
	"reflect"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"drumline/domain"
)

// Time is an instant: RFC 3339 with any offset when read, UTC with Z when
// written, from year 1900 to 9999, cut to microseconds as the database keeps
// it.
type Time struct{ time.Time }

// At is the instant t as the interface shows it.
func At(t time.Time) Time { return Time{t.UTC().Truncate(time.Microsecond)} }

// ParseTime reads an RFC 3339 instant.
func ParseTime(s string) (Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return Time{}, domain.Errorf(domain.Unreadable, "Give an instant as RFC 3339 has it, e.g. 2026-03-01T09:30:00Z.")
	}
	out := At(t)
	return out, out.check()
}

func (t Time) check() error {
	if y := t.Year(); y < 1900 || y > 9999 {
		return domain.Errorf(domain.Unreadable, "An instant lies between the years 1900 and 9999.")
	}
	return nil
}

// MarshalText writes RFC 3339 in UTC; an instant outside 1900..9999 is an error.
func (t Time) MarshalText() ([]byte, error) {
	u := At(t.Time)
	if err := u.check(); err != nil {
		return nil, err
	}
	return []byte(u.Format(time.RFC3339Nano)), nil
}

// MarshalJSON hides the method of time.Time, which has no lower bound.
func (t Time) MarshalJSON() ([]byte, error) {
	b, err := t.MarshalText()
	if err != nil {
		return nil, err
	}
	return append(append([]byte{'"'}, b...), '"'), nil
}

// UnmarshalText reads an RFC 3339 instant.
func (t *Time) UnmarshalText(b []byte) error {
	v, err := ParseTime(string(b))
	if err != nil {
		return err
	}
	*t = v
	return nil
}

// UnmarshalJSON hides the method of time.Time; null is the zero Time, as if
// the field were absent.
func (t *Time) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*t = Time{}
		return nil
	}
	var s string
	if err := Unmarshal(b, &s); err != nil {
		return domain.Errorf(domain.Unreadable, "An instant is a text.")
	}
	return t.UnmarshalText([]byte(s))
}

// Schema is a date-time.
func (Time) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeString, Format: "date-time", Description: "RFC 3339; written in UTC. Years 1900 to 9999."}
}

// idSchema and dateSchema stand for types of domain, which knows no schemas.
type idSchema struct{}

// idPattern is the one spelling of an id (domain.ParseID).
const idPattern = "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"

// Schema is a text with the canonical pattern. The format "uuid" is left out:
// it also allows braces, urn: and upper case.
func (idSchema) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeString, Pattern: idPattern, PatternDescription: "a lower-case id of 36 characters"}
}

type dateSchema struct{}

// Schema is a civil date.
func (dateSchema) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeString, Format: "date", Description: "A civil date, YYYY-MM-DD, from year 1900."}
}

// Schemas tells r how the types of domain look in a document.
func Schemas(r huma.Registry) {
	r.RegisterTypeAlias(reflect.TypeFor[domain.ID](), reflect.TypeFor[idSchema]())
	r.RegisterTypeAlias(reflect.TypeFor[domain.Date](), reflect.TypeFor[dateSchema]())
}
