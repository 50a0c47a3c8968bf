package wire

import (
	"reflect"

	"github.com/danielgtaylor/huma/v2"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Opt is a field of a patch: absent (Set false) keeps what is stored, null
// (Set and Null) clears it, a value replaces it. Tag the field
// `json:"name,omitzero"`.
type Opt[T any] struct {
	Set  bool
	Null bool
	V    T
}

// Some is an Opt that holds v.
func Some[T any](v T) Opt[T] { return Opt[T]{Set: true, V: v} }

// None is an Opt that clears the field.
func None[T any]() Opt[T] { return Opt[T]{Set: true, Null: true} }

// IsZero says whether the field was absent.
func (o Opt[T]) IsZero() bool { return !o.Set }

// Has says whether there is a value: not absent and not null.
func (o Opt[T]) Has() bool { return o.Set && !o.Null }

// Or gives the value, the zero value for null, and old when absent: the state
// of the field after the patch.
func (o Opt[T]) Or(old T) T {
	if !o.Set {
		return old
	}
	return o.V
}

// UnmarshalJSONFrom reads null or a value; it is not called when the field is
// absent.
func (o *Opt[T]) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	*o = Opt[T]{Set: true}
	if d.PeekKind() == 'n' {
		o.Null = true
		return d.SkipValue()
	}
	return json.UnmarshalDecode(d, &o.V)
}

// MarshalJSONTo writes null unless there is a value.
func (o Opt[T]) MarshalJSONTo(e *jsontext.Encoder) error {
	if !o.Has() {
		return e.WriteToken(jsontext.Null)
	}
	return json.MarshalEncode(e, o.V)
}

// Schema is the schema of T that also allows null.
func (Opt[T]) Schema(r huma.Registry) *huma.Schema {
	t := reflect.TypeFor[T]()
	s := *r.Schema(t, false, t.Name())
	s.Nullable = true
	return &s
}
