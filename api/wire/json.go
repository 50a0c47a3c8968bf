package wire

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"drumline/domain"
)

// The codes of a DecodeError. The first five mean the text is no JSON this
// service reads (status 400), the others that a value does not fit its field
// (status 422).
const (
	CodeMalformed   = "malformed_json"
	CodeDuplicate   = "duplicate_name"
	CodeUTF8        = "invalid_utf8"
	CodeNUL         = "nul_character"
	CodeNumberRange = "number_out_of_range"
	CodeUnknown     = "unknown_field"
	CodeType        = "wrong_type"
	CodeValue       = "invalid_value"
)

var decodeDetails = map[string]string{
	CodeMalformed:   "The body is not one well-formed JSON value.",
	CodeDuplicate:   "A name stands twice in one object.",
	CodeUTF8:        "The text is not valid UTF-8, or holds half a surrogate pair.",
	CodeNUL:         "The text holds the character U+0000.",
	CodeNumberRange: "The number is too large for this field.",
	CodeUnknown:     "There is no field of this name here.",
	CodeType:        "The value is not of the type of this field.",
	CodeValue:       "The value is not valid for this field.",
}

// unreadable says whether the code means that the text itself cannot be read.
func unreadable(code string) bool {
	switch code {
	case CodeMalformed, CodeDuplicate, CodeUTF8, CodeNUL, CodeNumberRange:
		return true
	}
	return false
}

// DecodeError says where and why a JSON text was refused. Its text names code,
// pointer and detail in a form parseDecodeError reads back, because huma hands
// on the text of an error and not the error.
type DecodeError struct {
	Pointer string // RFC 6901
	Code    string
	Detail  string
}

// Error names all three parts.
func (e *DecodeError) Error() string {
	return e.Code + " at " + strconv.Quote(e.Pointer) + ": " + e.Detail
}

// Unreadable says whether the text is not JSON at all (400) rather than a
// value in the wrong place (422).
func (e *DecodeError) Unreadable() bool { return unreadable(e.Code) }

// FieldError is the error in the form a Problem carries.
func (e *DecodeError) FieldError() FieldError {
	return FieldError{Pointer: e.Pointer, Code: e.Code, Detail: e.Detail}
}

func parseDecodeError(text string) (*DecodeError, bool) {
	code, rest, ok := strings.Cut(text, " at ")
	if !ok || decodeDetails[code] == "" {
		return nil, false
	}
	quoted, err := strconv.QuotedPrefix(rest)
	if err != nil {
		return nil, false
	}
	pointer, err := strconv.Unquote(quoted)
	if err != nil {
		return nil, false
	}
	return &DecodeError{Pointer: pointer, Code: code, Detail: strings.TrimPrefix(rest[len(quoted):], ": ")}, true
}

// Unmarshal reads one JSON value into v. It refuses duplicate names, names of
// another letter case, unknown names, invalid UTF-8, lone surrogates, U+0000,
// numbers a float64 cannot hold, and anything after the value. The error is a
// *DecodeError and never holds the value.
func Unmarshal(data []byte, v any) error {
	err := json.Unmarshal(data, v, json.RejectUnknownMembers(true))
	if err != nil {
		return decodeError(err)
	}
	if bytes.Contains(data, []byte(`\u0000`)) {
		if p, found := findNUL(data); found {
			return newDecodeError(CodeNUL, p)
		}
	}
	return nil
}

func newDecodeError(code string, p jsontext.Pointer) *DecodeError {
	return &DecodeError{Pointer: boundPointer(string(withoutNUL(p))), Code: code, Detail: decodeDetails[code]}
}

func decodeError(err error) *DecodeError {
	if e, ok := errors.AsType[*jsontext.SyntacticError](err); ok {
		return newDecodeError(syntaxCode(e), e.JSONPointer)
	}
	if e, ok := errors.AsType[*json.SemanticError](err); ok {
		return semanticError(e)
	}
	return newDecodeError(CodeMalformed, "")
}

func syntaxCode(e *jsontext.SyntacticError) string {
	switch text := e.Err.Error(); {
	case errors.Is(e, jsontext.ErrDuplicateName):
		return CodeDuplicate
	case strings.Contains(text, "UTF-8"), strings.Contains(text, "surrogate"):
		return CodeUTF8
	}
	return CodeMalformed
}

func semanticError(e *json.SemanticError) *DecodeError {
	switch {
	case errors.Is(e, json.ErrUnknownName):
		return newDecodeError(CodeUnknown, e.JSONPointer)
	case errors.Is(e, strconv.ErrRange):
		return newDecodeError(CodeNumberRange, e.JSONPointer)
	}
	if d, ok := errors.AsType[*domain.Error](e.Err); ok {
		out := newDecodeError(CodeValue, e.JSONPointer)
		out.Detail = d.Message
		return out
	}
	if e.Err == nil || errors.Is(e, strconv.ErrSyntax) {
		return newDecodeError(CodeType, e.JSONPointer)
	}
	return newDecodeError(CodeValue, e.JSONPointer)
}

// findNUL looks for U+0000 in names and strings of a well-formed text.
func findNUL(data []byte) (jsontext.Pointer, bool) {
	d := jsontext.NewDecoder(bytes.NewReader(data))
	for {
		t, err := d.ReadToken()
		if err != nil {
			return "", false
		}
		if t.Kind() == '"' && strings.ContainsRune(t.String(), 0) {
			return d.StackPointer(), true
		}
	}
}

// withoutNUL drops a last name that holds U+0000 itself.
func withoutNUL(p jsontext.Pointer) jsontext.Pointer {
	if strings.ContainsRune(string(p), 0) {
		return p.Parent()
	}
	return p
}

// Marshal writes v as JSON: the same value gives the same bytes, an absent
// slice is [], and NaN or an infinity is an error.
func Marshal(v any) ([]byte, error) {
	return json.Marshal(v, json.Deterministic(true))
}

// rendered is a body that is JSON already.
type rendered []byte

// Render is a huma.Transformer that makes the JSON of a body before the status
// is sent. It panics when that fails, so that the client hears of status 500
// and not of 200 with half a body.
func Render(_ huma.Context, status string, v any) (any, error) {
	if _, ok := v.(rendered); ok {
		return v, nil
	}
	b, err := Marshal(v)
	if err != nil {
		panic(fmt.Errorf("body of status %s: %w", status, err))
	}
	return rendered(b), nil
}

// JSONFormat is the format of application/json and of all +json types.
var JSONFormat = huma.Format{Marshal: marshalTo, Unmarshal: Unmarshal}

func marshalTo(w io.Writer, v any) error {
	b, ok := v.(rendered)
	if !ok {
		var err error
		if b, err = Marshal(v); err != nil {
			return err
		}
	}
	_, err := w.Write(b)
	return err
}
