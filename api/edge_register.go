package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"drumline/api/wire"
	"drumline/domain"
)

// Op describes one operation. Public, or at least one role, must be set: an
// operation nobody thought about does not start.
type Op struct {
	ID          string // operationId, kebab-case, unique
	Method      string
	Path        string // with {name} for parameters
	Summary     string
	Description string
	Tags        []string
	Roles       domain.Roles  // who may call it; nil only when Public
	Public      bool          // asks for no token
	Status      int           // of success; 0 = 200 with a body, 204 without
	MaxBody     int64         // greatest body in bytes; 0 = 256 KiB
	BodyTimeout time.Duration // for reading the body; 0 = Edge.BodyTimeout
	SkipSchema  bool          // leaves rules of the body's schema to the operation: for long series, which huma would decode twice
	Idempotent  bool          // demands Idempotency-Key
	IfMatch     bool          // demands If-Match
	Consumes    []string      // media types of a streamed body that is no field of the input
	Produces    []string      // media types of success, most liked first; nil = application/json
	Errors      []int         // further statuses to document
	Waits       bool          // its answer may wait long without work: it takes no place at work
	Compress    bool          // packs the answer for clients that take gzip: for large answers without anything secret
}

// route is an Op with what the guard looks up for each request.
type route struct {
	Op
	accepts []string // media types of the body, empty = no body
	offers  []string // media types of success, empty = no body
}

var globals sync.Once

// setHuma sets the package variables of huma, which all edges share.
func setHuma() {
	globals.Do(func() {
		huma.ValidateStrictCasing = true
		huma.DefaultArrayNullable = false // an absent slice is written as []
		huma.NewError = func(status int, msg string, errs ...error) huma.StatusError {
			return wire.FromHuma(status, msg, errs, "")
		}
		huma.NewErrorWithContext = func(ctx huma.Context, status int, msg string, errs ...error) huma.StatusError {
			f := factsOf(ctx.Context())
			p := wire.FromHuma(status, msg, errs, f.id)
			f.kind = p.Kind()
			return p
		}
	})
}

// Routes lists the registered operations in the order of registration.
func (e *Edge) Routes() []Op { return slices.Clone(e.routes) }

// register adds an operation. It panics on a mistake of the wiring: neither
// public nor roles, a missing id, registration after Handler.
func register[I, O any](e *Edge, op Op, h func(context.Context, *I) (*O, error)) {
	e.mustBeOpen(op.ID)
	op.check()
	if op.MaxBody == 0 {
		op.MaxBody = defaultMaxBody
	}
	if op.BodyTimeout == 0 {
		op.BodyTimeout = e.BodyTimeout
	}
	r := &route{Op: op}
	hop := r.operation()
	hop.Middlewares = huma.Middlewares{e.guard(r)}
	huma.Register(e.api, hop, func(ctx context.Context, in *I) (*O, error) {
		leave, err := e.enterWork(ctx, &r.Op)
		if err != nil {
			return nil, e.problem(ctx, err)
		}
		defer leave()
		out, err := h(ctx, in)
		if err != nil {
			return nil, e.problem(ctx, r.readError(err))
		}
		return out, nil
	})
	r.learn(registered(e.api.OpenAPI(), op))
	e.routes = append(e.routes, op)
	if op.Compress {
		e.packed[op.Path] = true
	}
}

// readError gives what goes wrong in reading a streamed body its own status:
// to huma and to the domain it would be a fault of ours.
func (r *route) readError(err error) error {
	if _, classed := errors.AsType[*domain.Error](err); classed || len(r.Consumes) == 0 {
		return err
	}
	_, large := errors.AsType[*http.MaxBytesError](err)
	switch {
	case large:
		return tooLarge(r.MaxBody)
	case errors.Is(err, os.ErrDeadlineExceeded):
		return wire.NewProblem(http.StatusRequestTimeout)
	case errors.Is(err, io.ErrUnexpectedEOF):
		return wire.Refuse(http.StatusBadRequest, "The request body broke off before its end.")
	}
	return err
}

func (op Op) check() {
	switch {
	case op.ID == "" || op.Method == "" || !strings.HasPrefix(op.Path, "/"):
		panic(fmt.Sprintf("api: operation %q %s %s lacks id, method or path", op.ID, op.Method, op.Path))
	case op.Public && op.Roles != nil:
		panic("api: operation " + op.ID + " is public and has roles")
	case !op.Public && len(op.Roles) == 0:
		panic("api: operation " + op.ID + " is neither public nor has roles")
	}
}

// operation is the Op in huma's words.
func (r *route) operation() huma.Operation {
	hop := huma.Operation{
		OperationID: r.ID, Method: r.Method, Path: r.Path, Summary: r.Summary, Description: r.Description, Tags: r.Tags,
		DefaultStatus:    r.Status,
		MaxBodyBytes:     r.MaxBody + 1, // huma refuses a body of exactly the limit
		BodyReadTimeout:  r.BodyTimeout,
		SkipValidateBody: r.SkipSchema,
		Responses:        r.responses(),
		Security:         r.security(),
		Parameters:       r.parameters(),
		RequestBody:      r.streamedBody(),
	}
	return hop
}

func (r *route) security() []map[string][]string {
	if r.Public {
		return []map[string][]string{}
	}
	return []map[string][]string{{bearerScheme: {}}}
}

func (r *route) parameters() []*huma.Param {
	var out []*huma.Param
	header := func(name, text string) {
		out = append(out, &huma.Param{Name: name, In: "header", Required: true, Description: text, Schema: &huma.Schema{Type: huma.TypeString}})
	}
	if r.Idempotent {
		header("Idempotency-Key", "1 to 255 visible ASCII characters, new for each intent; a repeated request with the same key is done once.")
	}
	if r.IfMatch {
		header("If-Match", "The ETag you read, or * for any version.")
	}
	return out
}

func (r *route) streamedBody() *huma.RequestBody {
	if len(r.Consumes) == 0 {
		return nil
	}
	content := map[string]*huma.MediaType{}
	for _, kind := range r.Consumes {
		content[kind] = &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeString, Format: "binary"}}
	}
	return &huma.RequestBody{Required: true, Content: content}
}

// responses documents the problems an operation can answer, and the media
// types of success when they are not plain JSON.
func (r *route) responses() map[string]*huma.Response {
	out := map[string]*huma.Response{"default": {Ref: problemRef}}
	for _, status := range slices.Concat(r.statuses(), r.Errors) {
		out[strconv.Itoa(status)] = &huma.Response{Ref: problemRef}
	}
	out[strconv.Itoa(http.StatusTooManyRequests)] = &huma.Response{Ref: tooManyRef}
	if len(r.Produces) == 0 {
		return out
	}
	ok := &huma.Response{Description: http.StatusText(r.successStatus()), Content: map[string]*huma.MediaType{}}
	for _, kind := range r.Produces {
		media := &huma.MediaType{}
		if kind != jsonType {
			media.Schema = &huma.Schema{Type: huma.TypeString}
		}
		ok.Content[kind] = media
	}
	out[strconv.Itoa(r.successStatus())] = ok
	return out
}

func (r *route) successStatus() int {
	if r.Status == 0 {
		return http.StatusOK
	}
	return r.Status
}

// statuses are the problems that follow from what an operation demands.
func (r *route) statuses() []int {
	var out []int
	if !r.Public {
		out = append(out, http.StatusUnauthorized, http.StatusForbidden)
	}
	if strings.Contains(r.Path, "{") {
		out = append(out, http.StatusNotFound)
	}
	if r.Idempotent {
		out = append(out, http.StatusConflict)
	}
	if r.IfMatch {
		out = append(out, http.StatusPreconditionFailed, http.StatusPreconditionRequired)
	}
	return out
}

// registered finds the operation as huma completed it.
func registered(doc *huma.OpenAPI, op Op) *huma.Operation {
	item := doc.Paths[op.Path]
	for _, hop := range []*huma.Operation{item.Get, item.Post, item.Put, item.Patch, item.Delete} {
		if hop != nil && hop.Method == op.Method {
			return hop
		}
	}
	panic("api: operation " + op.ID + " has method " + op.Method + ", which the edge does not serve")
}

// learn notes the media types of an operation as huma completed it.
func (r *route) learn(hop *huma.Operation) {
	if hop.RequestBody != nil {
		r.learnBody(hop.RequestBody.Content)
	}
	ok := hop.Responses[strconv.Itoa(hop.DefaultStatus)]
	if r.offers = r.Produces; len(r.offers) == 0 {
		r.offers = slices.Sorted(maps.Keys(ok.Content))
	}
	if ok.Headers["ETag"] != nil && r.Method == http.MethodGet {
		hop.Responses["304"] = &huma.Response{Description: "If-None-Match names the ETag of what is there."}
	}
}

// learnBody takes back the octet-stream that a RawBody beside a JSON body adds,
// and lets a PATCH be sent as a merge patch (RFC 7396) too.
func (r *route) learnBody(content map[string]*huma.MediaType) {
	if media := content[jsonType]; media != nil {
		delete(content, "application/octet-stream")
		if r.Method == http.MethodPatch {
			content[mergePatchType] = media
		}
	}
	r.accepts = slices.Sorted(maps.Keys(content))
}
