package api

import (
	"context"
	"net/http"
	"time"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/calls"
)

// NewVisit is a visit to book.
type NewVisit struct {
	TechID   domain.ID `json:"tech_id,omitzero" doc:"An active tech, or an owner who works on visits too; absent: assigned later."`
	StartsAt wire.Time `json:"starts_at"`
	EndsAt   wire.Time `json:"ends_at" doc:"After starts_at, at most 24 hours. The next visit may begin at this very instant."`
	Note     string    `json:"note,omitempty" maxLength:"2000"`
	// The window promised to the customer.
	ArriveFrom  *wire.Time `json:"arrive_from,omitempty" doc:"The window the customer is told; starts_at lies within it. Absent: they are told starts_at."`
	ArriveUntil *wire.Time `json:"arrive_until,omitempty"`
	Override    string     `json:"override,omitempty" maxLength:"400" doc:"Why it is booked outside working hours or without a competence the unit needs."`
}

// VisitPatch changes a visit.
type VisitPatch struct {
	TechID   wire.Opt[domain.ID] `json:"tech_id,omitzero" doc:"null takes the visit from its tech."`
	StartsAt wire.Opt[wire.Time] `json:"starts_at,omitzero"`
	EndsAt   wire.Opt[wire.Time] `json:"ends_at,omitzero"`
	Note     wire.Opt[string]    `json:"note,omitzero" maxLength:"2000"`

	ArriveFrom  wire.Opt[wire.Time] `json:"arrive_from,omitzero" doc:"With arrive_until: the window promised anew; both null: none."`
	ArriveUntil wire.Opt[wire.Time] `json:"arrive_until,omitzero"`
	Override    wire.Opt[string]    `json:"override,omitzero" maxLength:"400"`
	Reason      string              `json:"reason,omitempty" maxLength:"400" doc:"Why it is moved or changes hands; kept with its history."`
}

// window is the promise as the patch gives it, nil when it says nothing of it.
func (p VisitPatch) window() *calls.Window {
	if !p.ArriveFrom.Set && !p.ArriveUntil.Set {
		return nil
	}
	w := &calls.Window{}
	if p.ArriveFrom.Set && !p.ArriveFrom.Null {
		w.From = &p.ArriveFrom.V.Time
	}
	if p.ArriveUntil.Set && !p.ArriveUntil.Null {
		w.Until = &p.ArriveUntil.V.Time
	}
	return w
}

// instantOf is a time that may be absent.
func instantOf(t *wire.Time) *time.Time {
	if t == nil {
		return nil
	}
	return &t.Time
}

// VisitStep takes a visit one step on.
type VisitStep struct {
	Status string `json:"status" enum:"on_the_way,on_site,done,cancelled,no_access"`
	Reason string `json:"reason,omitempty" maxLength:"400" doc:"Required for cancelled, allowed for no_access."`
}

// Visit is one appointment of a call.
type Visit struct {
	ID          domain.ID  `json:"id"`
	CallID      domain.ID  `json:"call_id"`
	TechID      *domain.ID `json:"tech_id,omitempty" doc:"Absent: nobody is assigned yet."`
	StartsAt    wire.Time  `json:"starts_at"`
	EndsAt      wire.Time  `json:"ends_at"`
	Status      string     `json:"status" doc:"booked, on_the_way, on_site, done, cancelled or no_access."`
	Note        string     `json:"note"`
	ArriveFrom  *wire.Time `json:"arrive_from,omitempty" doc:"The window promised to the customer; absent: they were told starts_at."`
	ArriveUntil *wire.Time `json:"arrive_until,omitempty"`
	Override    string     `json:"override,omitempty" doc:"Why it was booked outside working hours or without a competence."`
	Returning   bool       `json:"return_visit" doc:"It comes back to a call that was visited before."`
	Reason      string     `json:"reason,omitempty" doc:"Why it was cancelled, or why there was no access."`
	CreatedAt   wire.Time  `json:"created_at"`
	UpdatedAt   wire.Time  `json:"updated_at"`

	Notices []UnitNotice `json:"safety_notices" doc:"Notices that touch the unit and are not yet handled, the gravest first."`
}

// VisitChange is one entry of the change feed.
type VisitChange struct {
	Seq       int64     `json:"seq" doc:"Counts up by one, in the order of commits."`
	VisitID   domain.ID `json:"visit_id"`
	Change    string    `json:"change" doc:"booked, moved, assigned, status, cancelled or noted. Read the visit for its state now."`
	ChangedAt wire.Time `json:"changed_at"`
}

// VisitChanges is a stretch of the change feed.
type VisitChanges struct {
	Items     []VisitChange `json:"items"`
	NextAfter int64         `json:"next_after" doc:"Send it as after next time."`
}

func (n NewVisit) visit() calls.NewVisit {
	return calls.NewVisit{TechID: n.TechID, StartsAt: n.StartsAt.Time, EndsAt: n.EndsAt.Time, Note: n.Note, Override: n.Override,
		ArriveFrom: instantOf(n.ArriveFrom), ArriveUntil: instantOf(n.ArriveUntil)}
}

func viewVisit(v calls.Visit) Visit {
	return Visit{ID: v.ID, CallID: v.CallID, TechID: idOrNone(v.TechID), StartsAt: wire.At(v.StartsAt), EndsAt: wire.At(v.EndsAt),
		Status: string(v.Status), Note: v.Note, Reason: v.Reason, ArriveFrom: timeOrNone(v.ArriveFrom), ArriveUntil: timeOrNone(v.ArriveUntil),
		Override: v.Override, Returning: v.ReturnVisit, CreatedAt: wire.At(v.CreatedAt), UpdatedAt: wire.At(v.UpdatedAt),
		Notices: viewNotices(v.Notices)}
}

func visitItem(v calls.Visit, err error) (*item[Visit], error) {
	return itemOf(v.Version, viewVisit(v)), err
}

// instant is nil for the zero time, which stands for "not given".
func instant(t wire.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t.Time
}

// givenTime is given for an instant.
func givenTime(o wire.Opt[wire.Time]) *time.Time {
	if t := given(o); t != nil {
		return &t.Time
	}
	return nil
}

const bookText = `A tech has one visit at a time: a window that overlaps another visit of theirs, or one held for another call, is 409, also when two
bookings race; the refusal names up to three free windows (extra.free_windows). Outside the tech's working time, or without the gas competence for a
unit that burns gas, it takes an override that says why. A closed call takes no visits (409). Booking a call ends its hold.
safety_notices of the answer names what a maker or an authority warns of for this unit: tell the customer what its say holds.`

func (a *API) registerVisits(e *Edge) {
	const op = "book-visit"
	register(e, create(op, "/v1/calls/{id}/visits", "visits", office, "Book a visit", bookText),
		func(ctx context.Context, in *struct {
			ByID
			RawBody []byte
			Body    NewVisit
		}) (*made[Visit], error) {
			v, replayed, err := a.Dispatch.Book(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, in.Body.visit())
			return madeOf("/v1/visits/"+v.ID.String(), v.Version, replayed, viewVisit(v)), err
		})
	register(e, show("list-visits", "/v1/visits", "visits", anyone, "List visits by start; a tech gets their own"), a.listVisits)
	register(e, show("read-visit", "/v1/visits/{id}", "visits", anyone, "Show a visit"),
		func(ctx context.Context, in *ByID) (*item[Visit], error) {
			return visitItem(a.Calls.ReadVisit(ctx, principal(ctx), in.ID))
		})
	a.registerVisitChanges(e)
	a.registerFeed(e)
}

type visitsQuery struct {
	Paging
	TechID domain.ID `query:"tech_id"`
	CallID domain.ID `query:"call_id"`
	Status string    `query:"status" enum:"booked,on_the_way,on_site,done,cancelled,no_access"`
	From   wire.Time `query:"from" doc:"Visits that end after this instant."`
	To     wire.Time `query:"to" doc:"Visits that begin before this instant."`

	Date       string `query:"date" pattern:"^(today|[0-9]{4}-[0-9]{2}-[0-9]{2})$" doc:"Only visits of this day in the shop's zone: today or YYYY-MM-DD. In place of from and to."`
	Unassigned bool   `query:"unassigned" doc:"Only booked visits that nobody has."`
	Overdue    bool   `query:"overdue" doc:"Only visits that should be over by now and are not."`
}

func (a *API) listVisits(ctx context.Context, in *visitsQuery) (*page[Visit], error) {
	f := calls.VisitFilter{TechID: in.TechID, CallID: in.CallID, Status: calls.VisitStatus(in.Status), From: instant(in.From), To: instant(in.To)}
	f.Unassigned = in.Unassigned
	if in.Overdue {
		now := a.Now()
		f.LateAt = &now
	}
	if in.Date != "" {
		from, to, err := a.Dispatch.DayOf(ctx, principal(ctx), in.Date)
		if err != nil {
			return nil, err
		}
		f.From, f.To = &from, &to
	}
	var after calls.VisitKey
	return list(ctx, a, in.Paging, &after, func(n int) ([]calls.Visit, error) {
		return a.Calls.ListVisits(ctx, principal(ctx), f, after, n)
	}, func(v calls.Visit) calls.VisitKey { return calls.VisitKey{StartsAt: v.StartsAt, ID: v.ID} }, viewVisit)
}

func (a *API) registerVisitChanges(e *Edge) {
	patch := change("change-visit", "/v1/visits/{id}", "visits", anyone, "Move, reassign or note a visit")
	patch.Description += " Only a booked visit moves or changes hands, and not by a tech, who may change the note of their own."
	patch.Errors = append(patch.Errors, http.StatusConflict)
	register(e, patch, func(ctx context.Context, in *struct {
		ByID
		Body VisitPatch
	}) (*item[Visit], error) {
		c := calls.VisitChange{TechID: given(in.Body.TechID), StartsAt: givenTime(in.Body.StartsAt), EndsAt: givenTime(in.Body.EndsAt), Note: given(in.Body.Note),
			Override: given(in.Body.Override), Reason: in.Body.Reason, Window: in.Body.window()}
		return visitItem(a.Dispatch.Change(ctx, principal(ctx), in.ID, ifMatch(ctx), c))
	})
	register(e, Op{ID: "set-visit-status", Method: http.MethodPost, Path: "/v1/visits/{id}/status", Tags: []string{"visits"}, Roles: anyone,
		IfMatch: true, Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}, Summary: "Take a visit one step on",
		Description: "booked to on_the_way to on_site to done; cancelled (with a reason) while nobody is there yet; no_access when nobody let the tech in. " +
			"A tech steps their own visits; cancelling is the dispatcher's or the owner's. Any other step is 409. " +
			"done says only that the tech has left: whether the unit may be used is told by the closing of the call."},
		func(ctx context.Context, in *struct {
			ByID
			Body VisitStep
		}) (*item[Visit], error) {
			return visitItem(a.Calls.SetVisitStatus(ctx, principal(ctx), in.ID, ifMatch(ctx), calls.VisitStatus(in.Body.Status), in.Body.Reason))
		})
}

func (a *API) registerFeed(e *Edge) {
	op := show("list-visit-changes", "/v1/visit-changes", "visits", office, "Follow what changes in the shop's visits")
	op.Description = "Numbers count up without gaps in the order of commits, so whoever has read up to a number has missed nothing up to it. " +
		"An empty answer means nothing new: ask again with the same after. With wait the answer is held until there is something new, or that long; " +
		"32 requests of a shop may wait at once, one more is 503."
	op.Errors, op.Waits = append(op.Errors, http.StatusServiceUnavailable), true
	register(e, op, func(ctx context.Context, in *struct {
		After int64 `query:"after" minimum:"0" doc:"Changes numbered above this; 0 or absent begins at the first."`
		Limit int   `query:"limit" minimum:"0" doc:"At most this many: 0 or absent means 50, more than 200 means 200."`
		Wait  int   `query:"wait" minimum:"0" maximum:"25" doc:"Seconds to wait for something new."`
	}) (*struct{ Body VisitChanges }, error) {
		limit, err := wire.PageSize(in.Limit)
		if err != nil {
			return nil, err
		}
		cs, err := a.Calls.AwaitChanges(ctx, principal(ctx), calls.Following{After: in.After, Limit: limit, Wait: time.Duration(in.Wait) * time.Second, Stop: e.stopping})
		out := &struct{ Body VisitChanges }{VisitChanges{Items: []VisitChange{}, NextAfter: in.After}}
		for _, c := range cs {
			out.Body.Items = append(out.Body.Items, VisitChange{Seq: c.Seq, VisitID: c.VisitID, Change: c.What, ChangedAt: wire.At(c.At)})
			out.Body.NextAfter = c.Seq
		}
		return out, err
	})
}
