// Package domain holds the words every slice shares: ids, error kinds, the
// principal who acts, and civil dates. It imports the standard library only.
package domain

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
)

// Kind classes an error by what the caller can do about it. The HTTP edge maps
// a Kind to a status in one place.
type Kind uint8

// The kinds. Internal is the zero value: an error nobody classed is ours.
const (
	Internal             Kind = iota // our fault: logged, never shown
	Invalid                          // breaks a rule: fix the named field
	Unreadable                       // cannot be parsed at all
	Unauthenticated                  // sign in (again)
	Forbidden                        // signed in, but not this role
	NotFound                         // absent, or another shop's: told alike
	Conflict                         // the state of the thing forbids it now
	PreconditionFailed               // changed since it was read
	PreconditionRequired             // If-Match is missing
	TooMany                          // slow down
	Unavailable                      // try again shortly
)

// String names the kind for logs.
func (k Kind) String() string {
	return [...]string{"internal", "invalid", "unreadable", "unauthenticated", "forbidden", "not_found", "conflict",
		"precondition_failed", "precondition_required", "too_many", "unavailable"}[k]
}

// FieldError says which field breaks which rule. Pointer is a JSON pointer into
// the request body (RFC 6901), or a name of a query parameter or header.
type FieldError struct {
	Pointer string
	Code    string // stable, snake_case
	Detail  string // for the person who must act; never echoes the value
}

// Error is the one error type of the service. Message is shown to the caller
// unless Kind is Internal; the wrapped cause is only logged.
type Error struct {
	Kind    Kind
	Message string
	Fields  []FieldError
	Extra   map[string]any // machine-readable members beside the message, e.g. what is missing
	cause   error
}

// Error says kind, message and cause: for logs.
func (e *Error) Error() string {
	s := e.Kind.String() + ": " + e.Message
	for _, f := range e.Fields {
		s += " [" + f.Pointer + " " + f.Code + ": " + f.Detail + "]"
	}
	if e.cause != nil {
		s += ": " + e.cause.Error()
	}
	return s
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.cause }

// Errorf makes an error of kind k with a message for the caller.
func Errorf(k Kind, format string, args ...any) *Error {
	return &Error{Kind: k, Message: fmt.Sprintf(format, args...)}
}

// Wrap classes cause as k; the message is for the caller, the cause for logs.
func Wrap(k Kind, cause error, format string, args ...any) *Error {
	return &Error{Kind: k, Message: fmt.Sprintf(format, args...), cause: cause}
}

// Field makes an Invalid error about one field of the request body.
func Field(pointer, code, format string, args ...any) *Error {
	d := fmt.Sprintf(format, args...)
	return &Error{Kind: Invalid, Message: d, Fields: []FieldError{{Pointer: pointer, Code: code, Detail: d}}}
}

// Absent is the answer for a thing that is not there or belongs to another
// shop: one text, so that the two cannot be told apart.
func Absent() *Error { return Errorf(NotFound, "There is no such resource.") }

// KindOf gives the kind of err; Internal for an error nobody classed.
func KindOf(err error) Kind {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Kind
	}
	return Internal
}

// Problems gathers field errors so that a caller hears of all at once.
type Problems struct{ fields []FieldError }

// Add records that the field at pointer breaks a rule.
func (p *Problems) Add(pointer, code, format string, args ...any) {
	p.fields = append(p.fields, FieldError{Pointer: pointer, Code: code, Detail: fmt.Sprintf(format, args...)})
}

// Text adds a problem when s has fewer than least or more than most characters,
// says nothing though it must (blanks only), or holds a control character; lines
// allows line breaks and tabs.
func (p *Problems) Text(pointer, s string, least, most int, lines bool) {
	n := 0
	for _, r := range s {
		n++
		if unicode.IsControl(r) && (!lines || r != '\n' && r != '\t') {
			p.Add(pointer, "control_character", "Control characters are not allowed here.")
			return
		}
	}
	switch {
	case n < least, least > 0 && strings.TrimSpace(s) == "":
		p.Add(pointer, "required", "This may not be empty.")
	case n > most:
		p.Add(pointer, "too_long", "At most %d characters.", most)
	}
}

// Err is nil when nothing was added, else one Invalid error with all fields.
func (p *Problems) Err() error {
	if len(p.fields) == 0 {
		return nil
	}
	return &Error{Kind: Invalid, Message: p.fields[0].Detail, Fields: p.fields}
}
