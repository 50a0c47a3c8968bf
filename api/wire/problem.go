package wire

import (
	"cmp"
	"errors"
	"net/http"
	"slices"
	"strings"

	"drumline/domain"
)

// ProblemType is the media type of every error body (RFC 9457).
const ProblemType = "application/problem+json"

// maxFieldErrors bounds the errors named in one answer.
const maxFieldErrors = 50

// FieldError names one part of the request that is wrong. It never repeats the
// value that was sent.
type FieldError struct {
	In      string `json:"in,omitzero" doc:"Where the part is: body, query, path or header; body when absent"`
	Pointer string `json:"pointer" doc:"JSON pointer (RFC 6901) to the part; the empty pointer is the whole"`
	Code    string `json:"code" doc:"Stable code of the rule"`
	Detail  string `json:"detail" doc:"What to do about it"`
}

// Problem is the body of every answer that is an error. Type identifies the
// kind of problem; Detail is for people and must not be parsed.
type Problem struct {
	Type      string         `json:"type" doc:"Identifies the kind of problem"`
	Title     string         `json:"title" doc:"Short text of the kind"`
	Status    int            `json:"status" doc:"HTTP status code of the answer"`
	Detail    string         `json:"detail,omitzero" doc:"What happened and what to do about it"`
	RequestID string         `json:"request_id,omitzero" doc:"Only with status 500 and above: name it when you report the problem"`
	Errors    []FieldError   `json:"errors,omitempty" doc:"The parts of the request that are wrong"`
	Extra     map[string]any `json:"extra,omitempty" doc:"Facts for programs, by name"`

	// ViolatedPolicies is spelt as the draft has it.
	ViolatedPolicies []string `json:"violated-policies,omitempty" doc:"Only with status 429: the quotas that are used up, by their names in RateLimit-Policy"`

	headers http.Header
	kind    string
}

// Error gives the detail: huma asks for it, and never sends it elsewhere.
func (p *Problem) Error() string { return p.kind + ": " + p.Detail }

// GetStatus gives the HTTP status.
func (p *Problem) GetStatus() int { return p.Status }

// GetHeaders gives the headers to send with the problem.
func (p *Problem) GetHeaders() http.Header { return p.headers }

// ContentType is application/problem+json whatever was negotiated.
func (p *Problem) ContentType(string) string { return ProblemType }

// Kind is the word for logs and metrics: the last part of Type, where the type
// is one of ours.
func (p *Problem) Kind() string { return p.kind }

// WithHeader adds a header to send with the problem, and returns p.
func (p *Problem) WithHeader(name, value string) *Problem {
	if p.headers == nil {
		p.headers = http.Header{}
	}
	p.headers.Set(name, value)
	return p
}

// WithErrors sets the parts that are wrong, in a stable order and at most 50,
// and returns p.
func (p *Problem) WithErrors(errs ...FieldError) *Problem {
	slices.SortStableFunc(errs, func(a, b FieldError) int {
		return cmp.Or(strings.Compare(a.In, b.In), strings.Compare(a.Pointer, b.Pointer), strings.Compare(a.Code, b.Code))
	})
	p.Errors = errs[:min(len(errs), maxFieldErrors)]
	return p
}

// kindStatus is the one place where a kind of error becomes a status.
var kindStatus = map[domain.Kind]int{
	domain.Internal:             http.StatusInternalServerError,
	domain.Invalid:              http.StatusUnprocessableEntity,
	domain.Unreadable:           http.StatusBadRequest,
	domain.Unauthenticated:      http.StatusUnauthorized,
	domain.Forbidden:            http.StatusForbidden,
	domain.NotFound:             http.StatusNotFound,
	domain.Conflict:             http.StatusConflict,
	domain.PreconditionFailed:   http.StatusPreconditionFailed,
	domain.PreconditionRequired: http.StatusPreconditionRequired,
	domain.TooMany:              http.StatusTooManyRequests,
	domain.Unavailable:          http.StatusServiceUnavailable,
}

// retryAfterSeconds goes with 429 and 503 unless the error names its own
// number in Extra["retry_after_s"].
const retryAfterSeconds = "5"

// FromError turns any error into the problem to send. The message of an
// internal error, and of one nobody classed, is never sent: the request id
// stands for it. A nil err is a mistake of the caller and gives status 500.
func FromError(err error, requestID string) *Problem {
	if p, ok := errors.AsType[*Problem](err); ok {
		return p
	}
	e, ok := errors.AsType[*domain.Error](err)
	if !ok || e.Kind == domain.Internal {
		return internalProblem(requestID)
	}
	status, known := kindStatus[e.Kind]
	if !known {
		return internalProblem(requestID)
	}
	p := problem(status, e.Kind.String(), e.Message).WithErrors(fieldErrors(e.Fields)...)
	p.Extra = e.Extra
	if status >= http.StatusInternalServerError {
		p.RequestID = requestID
	}
	return addKindHeaders(p)
}

func addKindHeaders(p *Problem) *Problem {
	switch p.Status {
	case http.StatusUnauthorized:
		p.WithHeader("WWW-Authenticate", `Bearer realm="drumline"`)
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		p.WithHeader("Retry-After", retryAfter(p.Extra))
	}
	return p
}

func retryAfter(extra map[string]any) string {
	if s, ok := extra["retry_after_s"]; ok {
		if n, ok := s.(int); ok && n >= 0 {
			return itoa(int64(n))
		}
	}
	return retryAfterSeconds
}

func fieldErrors(fields []domain.FieldError) []FieldError {
	var out []FieldError
	for _, f := range fields {
		e := FieldError{Pointer: f.Pointer, Code: f.Code, Detail: f.Detail}
		if f.Pointer != "" && f.Pointer[0] != '/' {
			e.In, e.Pointer = parameterPlace(f.Pointer), "/"+escapePointer(f.Pointer)
		}
		out = append(out, e)
	}
	return out
}

// parameterPlace tells a header from a query parameter: our query parameters
// are snake_case, our headers begin with a capital.
func parameterPlace(name string) string {
	if c := name[0]; c >= 'A' && c <= 'Z' {
		return "header"
	}
	return "query"
}

func internalProblem(requestID string) *Problem {
	p := problem(http.StatusInternalServerError, "internal", "Something went wrong on our side. Try again; if it stays, report it with the request id.")
	p.RequestID = requestID
	return p
}

// problem builds a problem of a status; kind is snake_case.
func problem(status int, kind, detail string) *Problem {
	return &Problem{
		Type:   "urn:drumline:problem:" + kind,
		Title:  http.StatusText(status),
		Status: status,
		Detail: detail,
		kind:   kind,
	}
}

// edgeKinds are the problems that arise before any rule is asked.
var edgeKinds = map[int][2]string{
	http.StatusBadRequest:                  {"unreadable", "The request cannot be read."},
	http.StatusUnauthorized:                {"unauthenticated", "Sign in, and send the access token in one Authorization header."},
	http.StatusForbidden:                   {"forbidden", "Your role does not allow this."},
	http.StatusNotFound:                    {"not_found", domain.Absent().Message},
	http.StatusMethodNotAllowed:            {"method_not_allowed", "The resource does not know this method; the Allow header lists those it knows."},
	http.StatusNotAcceptable:               {"not_acceptable", "None of the media types in the Accept header can be made here."},
	http.StatusRequestTimeout:              {"timeout", "The request body did not arrive in time."},
	http.StatusConflict:                    {"conflict", "The state of the resource forbids this now."},
	http.StatusPreconditionFailed:          {"precondition_failed", "The resource has changed since you read it. Read it again."},
	http.StatusPreconditionRequired:        {"precondition_required", "Send If-Match with the ETag you read."},
	http.StatusRequestEntityTooLarge:       {"too_large", "The request body is too large for this operation."},
	http.StatusRequestURITooLong:           {"too_large", "The request address is too long."},
	http.StatusUnsupportedMediaType:        {"unsupported_media_type", "The body must be of a media type this operation reads, in UTF-8, without content coding."},
	http.StatusUnprocessableEntity:         {"invalid", "The request breaks a rule; errors names the parts."},
	http.StatusTooManyRequests:             {"too_many", "Too many requests. Wait, then try again."},
	http.StatusRequestHeaderFieldsTooLarge: {"too_large", "The request headers are too large."},
	http.StatusServiceUnavailable:          {"unavailable", "The service cannot answer now. Try again shortly."},
}

// NewProblem gives the problem of a status met at the edge, with the usual text
// of that status; an unknown status becomes 500.
func NewProblem(status int) *Problem {
	k, ok := edgeKinds[status]
	if !ok {
		return internalProblem("")
	}
	return addKindHeaders(problem(status, k[0], k[1]))
}

// quotaType is the problem type that draft-ietf-httpapi-ratelimit-headers-09
// registers (from memory).
const quotaType = "https://iana.org/assignments/http-problem-types#quota-exceeded"

// QuotaExceeded is the problem of a quota of that name that is used up, and has
// room again after so many seconds.
func QuotaExceeded(policy string, after int) *Problem {
	p := Refuse(http.StatusTooManyRequests, "Too many requests. Wait as long as Retry-After says, then try again.")
	p.Type, p.ViolatedPolicies = quotaType, []string{policy}
	return p.WithHeader("Retry-After", itoa(int64(max(after, 1))))
}

// Refuse is NewProblem with a text of its own.
func Refuse(status int, detail string) *Problem {
	p := NewProblem(status)
	if p.Status == status {
		p.Detail = detail
	}
	return p
}
