package wire_test

import (
	"errors"
	"fmt"
	"net/http"
	"testing"

	"github.com/danielgtaylor/huma/v2"
	"github.com/stretchr/testify/require"

	"drumline/api/wire"
	"drumline/domain"
)

func TestKindToStatus(t *testing.T) {
	for kind, status := range map[domain.Kind]int{
		domain.Internal: 500, domain.Invalid: 422, domain.Unreadable: 400, domain.Unauthenticated: 401, domain.Forbidden: 403,
		domain.NotFound: 404, domain.Conflict: 409, domain.PreconditionFailed: 412, domain.PreconditionRequired: 428,
		domain.TooMany: 429, domain.Unavailable: 503,
	} {
		p := wire.FromError(fmt.Errorf("store: %w", domain.Errorf(kind, "text")), "req-1")
		require.Equal(t, status, p.Status, kind.String())
		require.Equal(t, http.StatusText(status), p.Title)
		require.Equal(t, "urn:drumline:problem:"+kind.String(), p.Type)
		require.Equal(t, kind.String(), p.Kind())
		require.Equal(t, status >= 500, p.RequestID != "", "the id stands in the body of our own faults alone")
	}
	require.Equal(t, 500, wire.FromError(nil, "").Status)
}

func TestInternalTextIsNeverSent(t *testing.T) {
	for _, err := range []error{
		errors.New("secret"),
		domain.Errorf(domain.Internal, "secret"),
		domain.Wrap(domain.Internal, errors.New("secret"), "secret"),
		domain.Wrap(domain.Conflict, errors.New("secret"), "Taken."),
		domain.Wrap(domain.Kind(99), errors.New("secret"), "secret"),
	} {
		require.NotContains(t, must(wire.Marshal(wire.FromError(err, "r"))), "secret")
	}
}

func TestAbsentAndForeignAreEqual(t *testing.T) {
	absent := must(wire.Marshal(wire.FromError(domain.Absent(), "one")))
	foreign := must(wire.Marshal(wire.FromError(fmt.Errorf("calls: %w", domain.Absent()), "two")))
	badPath := must(wire.Marshal(wire.FromHuma(422, "validation failed", []error{&huma.ErrorDetail{Message: "invalid value: x", Location: "path.id"}}, "three")))
	require.Equal(t, absent, foreign)
	require.Equal(t, absent, badPath)
	require.Equal(t, absent, must(wire.Marshal(wire.NewProblem(404))))
}

func TestProblemHeaders(t *testing.T) {
	require.NotEmpty(t, wire.NewProblem(401).GetHeaders().Get("WWW-Authenticate"))
	require.Equal(t, "5", wire.NewProblem(503).GetHeaders().Get("Retry-After"))
	e := domain.Errorf(domain.TooMany, "Wait.")
	e.Extra = map[string]any{"retry_after_s": 30}
	p := wire.FromError(e, "")
	require.Equal(t, "30", p.GetHeaders().Get("Retry-After"))
	require.Contains(t, must(wire.Marshal(p)), `"extra":{"retry_after_s":30}`)
	require.Same(t, p, wire.FromError(fmt.Errorf("x: %w", p), "other"))
	require.Equal(t, wire.ProblemType, p.ContentType("json"))
	require.Equal(t, 500, wire.Refuse(299, "no such problem").Status)
}

func TestFieldErrors(t *testing.T) {
	var probs domain.Problems
	probs.Add("/b", "x", "B.")
	probs.Add("/a", "x", "A.")
	probs.Add("due_before", "x", "Q.")
	probs.Add("If-Match", "x", "H.")
	p := wire.FromError(probs.Err(), "")
	require.Equal(t, []wire.FieldError{
		{Pointer: "/a", Code: "x", Detail: "A."}, {Pointer: "/b", Code: "x", Detail: "B."}, {In: "header", Pointer: "/If-Match", Code: "x", Detail: "H."}, {In: "query", Pointer: "/due_before", Code: "x", Detail: "Q."},
	}, p.Errors)
	var many domain.Problems
	for i := range 80 {
		many.Add(fmt.Sprintf("/%02d", i), "x", "X.")
	}
	require.Len(t, wire.FromError(many.Err(), "").Errors, 50)
}

func TestFromHumaKeepsValuesBack(t *testing.T) {
	for _, c := range []struct {
		loc, msg                string
		status                  int
		in, pointer, code, text string
	}{
		{"body", "expected required property name to be present", 422, "", "/name", "required", "This field is required."},
		{"body.items[3]", "expected required property a/b to be present", 422, "", "/items/3/a~1b", "required", "This field is required."},
		{"body[0][12].x", "expected integer", 422, "", "/0/12/x", wire.CodeType, "Give a whole number."},
		{"body.x", "unexpected property", 422, "", "/x", wire.CodeUnknown, "There is no field of this name here."},
		{"body.x", "expected length <= 80", 422, "", "/x", "too_long", "Greatest length in characters: 80."},
		{"body.x", "expected string to be RFC 5322 email: mail: secret", 422, "", "/x", "format", "Give an e-mail address."},
		{"body.x", "some new text: secret", 422, "", "/x", wire.CodeValue, "The value is not valid for this field."},
		{"query.secret.name", "unknown query parameter", 400, "query", "/secret.name", "unknown_parameter", "There is no query parameter of this name here."},
		{"query.page_size", "invalid integer", 400, "query", "/page_size", wire.CodeType, "Give a whole number."},
		{"query.page_size", "expected number >= 0", 400, "query", "/page_size", "too_small", "Least value: 0."},
		{"header.X-Y", "required header parameter is missing", 400, "header", "/X-Y", "required", "This parameter is required."},
		{"body", (&wire.DecodeError{Pointer: "/a\"b", Code: wire.CodeDuplicate, Detail: "D."}).Error(), 400, "", "/a\"b", wire.CodeDuplicate, "D."},
		{"body", (&wire.DecodeError{Pointer: "/a", Code: wire.CodeValue, Detail: "D: e"}).Error(), 422, "", "/a", wire.CodeValue, "D: e"},
	} {
		p := wire.FromHuma(422, "validation failed", []error{&huma.ErrorDetail{Message: c.msg, Location: c.loc, Value: "secret value"}}, "r")
		require.Equal(t, c.status, p.Status, c.msg)
		require.Equal(t, []wire.FieldError{{In: c.in, Pointer: c.pointer, Code: c.code, Detail: c.text}}, p.Errors)
		require.NotContains(t, must(wire.Marshal(p)), "secret value")
	}
}

func TestFromHumaStatuses(t *testing.T) {
	require.Equal(t, 400, wire.FromHuma(500, "cannot read request body", []error{errors.New("unexpected EOF")}, "").Status)
	require.Equal(t, 400, wire.FromHuma(400, "request body is required", nil, "").Status)
	require.Equal(t, 413, wire.FromHuma(413, "request body is too large limit=5 bytes", nil, "").Status)
	require.Equal(t, 408, wire.FromHuma(408, "request body read timeout", nil, "").Status)
	require.Equal(t, 500, wire.FromHuma(0, "", nil, "").Status)
	p := wire.FromHuma(500, "unexpected error occurred", []error{errors.New("secret")}, "r-9")
	require.Equal(t, 500, p.Status)
	require.Equal(t, "r-9", p.RequestID)
	require.NotContains(t, must(wire.Marshal(p)), "secret")
	require.Equal(t, 409, wire.FromHuma(422, "validation failed", []error{domain.Errorf(domain.Conflict, "Taken.")}, "").Status,
		"a resolver may answer with an error of the domain")
}
