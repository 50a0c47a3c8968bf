package api

import (
	"context"
	"maps"
	"math"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/once"
)

// item is the answer that shows one versioned resource.
type item[T any] struct {
	ETag string `header:"ETag" doc:"Send it back in If-Match when changing the resource."`
	Body T
}

func itemOf[T any](version int64, body T) *item[T] {
	return &item[T]{ETag: wire.ETag(version), Body: body}
}

// made is the answer to a creating request.
type made[T any] struct {
	Location string `header:"Location" doc:"Where the new resource is."`
	ETag     string `header:"ETag" doc:"Send it back in If-Match when changing the resource."`
	Replayed string `header:"Idempotent-Replayed" doc:"true: this repeats the answer to an earlier request with the same key."`
	Body     T
}

// madeOf heads the answer; version 0 gives no ETag.
func madeOf[T any](path string, version int64, replayed bool, body T) *made[T] {
	m := &made[T]{Location: path, Body: body}
	if version > 0 {
		m.ETag = wire.ETag(version)
	}
	if replayed {
		m.Replayed = "true"
	}
	return m
}

// ByID is the input of an operation on one resource.
type ByID struct {
	ID domain.ID `path:"id" doc:"Id of the resource."`
}

// List is one page of resources.
type List[T any] struct {
	Items      []T    `json:"items" doc:"The resources of this page; may be empty."`
	NextCursor string `json:"next_cursor,omitempty" doc:"Send it as cursor for the next page; absent on the last."`
}

// page is the answer that shows a List.
type page[T any] struct {
	Link string `header:"Link" doc:"The next page, rel=next (RFC 8288)."`
	Body List[T]
}

// Paging is the part every list input shares.
type Paging struct {
	PageSize int    `query:"page_size" doc:"Resources a page: 0 or absent means 50, more than 200 means 200."`
	Cursor   string `query:"cursor" maxLength:"1000" doc:"next_cursor of the page before."`
}

// scope binds a cursor to this list with these parameters.
func scope(ctx context.Context) wire.Scope {
	f := factsOf(ctx)
	filter := maps.Clone(f.query)
	filter.Del("page_size")
	filter.Del("cursor")
	return wire.Scope{Shop: f.principal.Shop, Route: f.request.URL.Path, Filter: filter}
}

// list reads one page by keyset. key receives where the page begins; fetch
// gives up to n rows after it; keyOf says where the next page begins.
func list[T, D, K any](ctx context.Context, a *API, in Paging, key *K, fetch func(n int) ([]T, error), keyOf func(T) K, view func(T) D) (*page[D], error) {
	size, err := wire.PageSize(in.PageSize)
	if err != nil {
		return nil, err
	}
	if in.Cursor != "" {
		if err := a.Cursors.Open(scope(ctx), in.Cursor, key); err != nil {
			return nil, err
		}
	}
	rows, err := fetch(size + 1)
	if err != nil {
		return nil, err
	}
	out := &page[D]{Body: List[D]{Items: []D{}}}
	if len(rows) > size {
		rows = rows[:size]
		if out.Body.NextCursor, err = a.Cursors.Seal(scope(ctx), keyOf(rows[size-1])); err != nil {
			return nil, err
		}
		out.Link = nextLink(ctx, out.Body.NextCursor)
	}
	for _, r := range rows {
		out.Body.Items = append(out.Body.Items, view(r))
	}
	return out, nil
}

// onceKey names this request for the idempotency table: the operation, the
// caller's key, and the hash of path and body.
func onceKey(ctx context.Context, operation string, body []byte) once.Key {
	path := ""
	if r := factsOf(ctx).request; r != nil {
		path = r.URL.Path
	}
	return once.Key{Route: operation, Key: idempotencyKey(ctx), Request: once.Hash([]byte(path), body)}
}

// Quantity is a figure with its UCUM unit.
type Quantity struct {
	Value wire.Decimal `json:"value"`
	Unit  string       `json:"unit" maxLength:"20" doc:"UCUM code, e.g. [degF], Cel, Ohm, [ft_i]."`
}

// number shows an SI figure that may be absent.
func number(v *float64) *wire.Decimal {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	d := wire.NewDecimal(*v)
	return &d
}

// float reads a number that may be absent.
func float(d *wire.Decimal) *float64 {
	if d == nil {
		return nil
	}
	return &d.Value
}

// set applies a merge-patch member: absent keeps, null clears.
func set[T any](dst *T, o wire.Opt[T]) {
	if !o.Set {
		return
	}
	var zero T
	*dst = zero
	if !o.Null {
		*dst = o.V
	}
}

// setPtr applies a merge-patch member to an optional field.
func setPtr[T any](dst **T, o wire.Opt[T]) {
	if !o.Set {
		return
	}
	*dst = nil
	if !o.Null {
		v := o.V
		*dst = &v
	}
}

// setNumber applies a merge-patch number to an optional field.
func setNumber(dst **float64, o wire.Opt[wire.Decimal]) {
	if !o.Set {
		return
	}
	*dst = nil
	if !o.Null {
		v := o.V.Value
		*dst = &v
	}
}

// dateOrNone shows a date that may be "none".
func dateOrNone(d domain.Date) *domain.Date {
	if d.IsZero() {
		return nil
	}
	return &d
}

// idOrNone shows an id that may be "none".
func idOrNone(id domain.ID) *domain.ID {
	if id.IsZero() {
		return nil
	}
	return &id
}

// orZero reads an optional member.
func orZero[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

// Roles of the operations, as the table in the README has them.
var (
	anyone  = domain.Anyone()
	office  = domain.Roles{domain.Owner, domain.Dispatcher}
	field   = domain.Roles{domain.Owner, domain.Tech}
	ownerly = domain.Roles{domain.Owner}
)

// The shapes most operations have.

func create(id, path, tag string, roles domain.Roles, summary, description string) Op {
	return Op{ID: id, Method: http.MethodPost, Path: path, Tags: []string{tag}, Roles: roles, Status: http.StatusCreated, Idempotent: true,
		Summary: summary, Description: description, Errors: []int{http.StatusUnprocessableEntity}}
}

func show(id, path, tag string, roles domain.Roles, summary string) Op {
	return Op{ID: id, Method: http.MethodGet, Path: path, Tags: []string{tag}, Roles: roles, Summary: summary}
}

func change(id, path, tag string, roles domain.Roles, summary string) Op {
	return Op{ID: id, Method: http.MethodPatch, Path: path, Tags: []string{tag}, Roles: roles, Summary: summary, IfMatch: true,
		Description: "A merge patch (RFC 7396): an absent member is kept, null clears.", Errors: []int{http.StatusUnprocessableEntity}}
}

func retire(id, path, tag string, roles domain.Roles, summary string) Op {
	return Op{ID: id, Method: http.MethodDelete, Path: path, Tags: []string{tag}, Roles: roles, Summary: summary, IfMatch: true,
		Status: http.StatusNoContent, Description: "Retired records are kept and can still be read; they leave the lists.", Errors: []int{http.StatusConflict}}
}
