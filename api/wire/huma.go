package wire

import (
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"drumline/domain"
)

// rule turns one of huma's fixed messages into a code and a sentence. A tail of
// true adds what follows the prefix, which comes from the schema, never from
// the request.
type rule struct {
	prefix, code, detail string
	tail                 bool
}

// humaRules is searched in order, so a longer prefix stands first.
var humaRules = []rule{
	{"unknown query parameter", "unknown_parameter", "There is no query parameter of this name here.", false},
	{"unexpected property", CodeUnknown, "There is no field of this name here.", false},
	{"expected length >= ", "too_short", "Least length in characters: ", true},
	{"expected length <= ", "too_long", "Greatest length in characters: ", true},
	{"expected array length >= ", "too_few", "Least number of items: ", true},
	{"expected array length <= ", "too_many", "Greatest number of items: ", true},
	{"expected number >= ", "too_small", "Least value: ", true},
	{"expected number > ", "too_small", "The value must be above ", true},
	{"expected number <= ", "too_large", "Greatest value: ", true},
	{"expected number < ", "too_large", "The value must be below ", true},
	{"expected number to be a multiple of ", "not_a_multiple", "The value must be a multiple of ", true},
	{"expected value to be one of ", "not_listed", "Give one of ", true},
	{"expected string to match pattern ", "pattern", "The text must match the pattern ", true},
	{"expected string to be base64", "format", "The text must be base64.", false},
	{"expected string to be RFC 3339 date-time", "format", "Give an instant as RFC 3339 has it, e.g. 2026-03-01T09:30:00Z.", false},
	{"expected string to be RFC 3339 date", "format", "A date is written YYYY-MM-DD.", false},
	{"expected string to be RFC 5322 email", "format", "Give an e-mail address.", false},
	{"expected string to be ", "format", "The text is not of the form this field has.", false},
	{"expected array items to be unique", "not_unique", "Each item may stand once.", false},
	{"expected boolean", CodeType, "Give true or false.", false},
	{"expected integer", CodeType, "Give a whole number.", false},
	{"expected number", CodeType, "Give a number.", false},
	{"expected string", CodeType, "Give a text.", false},
	{"expected array", CodeType, "Give an array.", false},
	{"expected object", CodeType, "Give an object.", false},
	{"required ", "required", "This parameter is required.", false},
	{"invalid integer", CodeType, "Give a whole number.", false},
	{"invalid float", CodeType, "Give a number.", false},
	{"invalid boolean", CodeType, "Give true or false.", false},
	{"invalid date/time", "format", "Give an instant as RFC 3339 has it, e.g. 2026-03-01T09:30:00Z.", false},
}

const requiredPrefix, requiredSuffix = "expected required property ", " to be present"

// FromHuma turns what huma found wrong into a Problem: 400 for what cannot be
// read and for anything about query or headers, 404 for a path that names
// nothing, 422 for a body that breaks a rule. Neither values nor texts of a
// parser are passed on.
func FromHuma(status int, msg string, errs []error, requestID string) *Problem {
	switch {
	case msg == "cannot read request body":
		return Refuse(http.StatusBadRequest, "The request body broke off before its end.")
	case msg == "request body is required":
		return Refuse(http.StatusBadRequest, "This operation needs a request body.")
	case status >= http.StatusInternalServerError:
		return internalProblem(requestID)
	case status != http.StatusBadRequest && status != http.StatusUnprocessableEntity:
		return NewProblem(status)
	}
	return fromDetails(status, errs)
}

func fromDetails(status int, errs []error) *Problem {
	var fields []FieldError
	for _, err := range errs {
		if d, ok := errors.AsType[*domain.Error](err); ok {
			return FromError(d, "")
		}
		if p, ok := errors.AsType[*Problem](err); ok {
			return p
		}
		if d, ok := err.(huma.ErrorDetailer); ok {
			fields = append(fields, fromDetail(d.ErrorDetail()))
		}
	}
	status = urgent(status, fields)
	if status == http.StatusNotFound {
		return NewProblem(status)
	}
	p := NewProblem(status)
	if len(fields) > 0 {
		p.Detail = fields[0].Detail
	}
	if len(fields) > 1 {
		p.Detail = "The request breaks several rules; errors names the parts."
	}
	return p.WithErrors(fields...)
}

// urgent picks the status of the most basic thing that is wrong.
func urgent(status int, fields []FieldError) int {
	worst := status
	for _, f := range fields {
		switch {
		case f.In == "path":
			return http.StatusNotFound
		case f.In != "" || unreadable(f.Code):
			worst = http.StatusBadRequest
		}
	}
	return worst
}

func fromDetail(d *huma.ErrorDetail) FieldError {
	in, pointer := splitLocation(d.Location)
	if in == "body" {
		if e, ok := parseDecodeError(d.Message); ok {
			return e.FieldError()
		}
		in = ""
	}
	if name, ok := strings.CutPrefix(d.Message, requiredPrefix); ok {
		name = strings.TrimSuffix(name, requiredSuffix)
		return FieldError{In: in, Pointer: pointer + "/" + escapePointer(name), Code: "required", Detail: "This field is required."}
	}
	for _, r := range humaRules {
		if tail, ok := strings.CutPrefix(d.Message, r.prefix); ok {
			return r.fieldError(in, pointer, tail)
		}
	}
	return FieldError{In: in, Pointer: pointer, Code: CodeValue, Detail: decodeDetails[CodeValue]}
}

func (r rule) fieldError(in, pointer, tail string) FieldError {
	detail := r.detail
	if r.tail {
		detail += tail + "."
	}
	return FieldError{In: in, Pointer: pointer, Code: r.code, Detail: detail}
}
