package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
)

// NewCall is a call to open.
type NewCall struct {
	UnitID      domain.ID         `json:"unit_id" doc:"The unit complained about; it must be in use."`
	Complaint   string            `json:"complaint" minLength:"1" maxLength:"60" doc:"Id of a complaint in the catalogue of the unit's kind."`
	Description string            `json:"description,omitempty" maxLength:"2000" doc:"The customer's own words."`
	Triage      map[string]string `json:"triage,omitempty" doc:"Answers to the catalogue's telephone questions: question id to answer id."`
}

// CallPatch changes a call.
type CallPatch struct {
	Description wire.Opt[string] `json:"description,omitzero" maxLength:"2000"`
	Status      wire.Opt[string] `json:"status,omitzero" enum:"open,waiting_for_parts" doc:"Closing and cancelling have their own operations."`
}

// CallTriage is the whole of a call's triage answers.
type CallTriage struct {
	Triage map[string]string `json:"triage" doc:"Question id to answer id; what is left out is taken back."`
}

// CallCancel ends a call nobody came for.
type CallCancel struct {
	Note string `json:"note,omitempty" maxLength:"2000" doc:"Why, for the shop."`
}

// CallSummary is a call without its triage.
type CallSummary struct {
	ID            domain.ID  `json:"id"`
	UnitID        domain.ID  `json:"unit_id"`
	Complaint     string     `json:"complaint"`
	Description   string     `json:"description"`
	Status        string     `json:"status" doc:"open, waiting_for_parts or closed."`
	Outcome       string     `json:"outcome,omitempty" doc:"How it ended: returned_to_service, left_out_of_service, limited, declined, not_worth_repairing, no_fault_found, no_access, cancelled."`
	OutcomeNote   string     `json:"outcome_note,omitempty"`
	ComesBackFrom *domain.ID `json:"comes_back_from,omitempty" doc:"The call of the same complaint that was closed as repaired not long before: this one is a come-back."`
	OpenedBy      domain.ID  `json:"opened_by"`
	OpenedAt      wire.Time  `json:"opened_at"`
	ClosedBy      *domain.ID `json:"closed_by,omitempty"`
	ClosedAt      *wire.Time `json:"closed_at,omitempty"`
	StatusSince   wire.Time  `json:"status_since" doc:"Since when it stands where it stands: how long it has waited for parts."`
	PartsArrived  *wire.Time `json:"parts_arrived_at,omitempty" doc:"The parts it waited for have come: it is time for the return visit."`
}

// Call is one complaint about one unit.
type Call struct {
	CallSummary
	Advice  []string       `json:"advice" doc:"Tell the customer at once, the first first: what a safety notice of level danger_now calls for, then what the answers call for, then what every caller is told."`
	Triage  []TriageAnswer `json:"triage" doc:"In the order of the catalogue."`
	Notices []UnitNotice   `json:"safety_notices" doc:"Notices that touch the unit and are not yet handled, the gravest first."`
}

// TriageAnswer is one answer in the catalogue's words.
type TriageAnswer struct {
	Question string    `json:"question"`
	Ask      string    `json:"ask"`
	Answer   string    `json:"answer"`
	Text     string    `json:"text"`
	Advice   string    `json:"advice,omitempty"`
	AskedBy  domain.ID `json:"asked_by"`
	AskedAt  wire.Time `json:"asked_at"`
}

func viewCallSummary(c calls.Call) CallSummary {
	return CallSummary{ID: c.ID, UnitID: c.UnitID, Complaint: c.Complaint, Description: c.Description, Status: string(c.Status),
		Outcome: string(c.Outcome), OutcomeNote: c.OutcomeNote, ComesBackFrom: idOrNone(c.ComesBackFrom),
		OpenedBy: c.OpenedBy, OpenedAt: wire.At(c.OpenedAt), ClosedBy: idOrNone(c.ClosedBy), ClosedAt: timeOrNone(c.ClosedAt),
		StatusSince: wire.At(c.StatusSince), PartsArrived: timeOrNone(c.PartsArrivedAt)}
}

func (a *API) viewCall(ctx context.Context, d calls.Detail) Call {
	c := Call{CallSummary: viewCallSummary(d.Call), Advice: texts(customers.NoticeAdvice(d.Notices)), Triage: []TriageAnswer{}, Notices: viewNotices(d.Notices)}
	k, ok := a.words(ctx, d.Edition).Kind(d.Kind)
	if !ok {
		return c
	}
	c.Advice = append(c.Advice, calls.Advice(k, d.Complaint, d.Answers)...)
	for _, s := range calls.Words(k, d.Complaint, d.Answers) {
		c.Triage = append(c.Triage, TriageAnswer{Question: s.Question, Ask: s.Ask, Answer: s.Answer.Answer, Text: s.Text, Advice: s.Advice,
			AskedBy: s.AskedBy, AskedAt: wire.At(s.AskedAt)})
	}
	return c
}

func (a *API) callItem(ctx context.Context) func(calls.Detail, error) (*item[Call], error) {
	return func(d calls.Detail, err error) (*item[Call], error) {
		return itemOf(d.Version, a.viewCall(ctx, d)), err
	}
}

func callPath(id domain.ID) string { return "/v1/calls/" + id.String() }

// given is nil for an absent member of a merge patch, else a pointer to its
// value; null gives the zero value.
func given[T any](o wire.Opt[T]) *T {
	if !o.Set {
		return nil
	}
	var v T
	if !o.Null {
		v = o.V
	}
	return &v
}

const openCallText = `The triage answers are evidence gathered before anyone drives. Read the advice of the answer to the customer at once: a unit
that smells of burning, heats while off or heats on the air-only setting is to be unplugged and left alone. safety_notices names what a
maker or an authority warns of for this unit; a notice of level danger_now puts the advice to stop using it first. A call about the same
complaint within 90 days of a repair closed as returned to service names that call in comes_back_from.`

func (a *API) registerCalls(e *Edge) {
	const op = "open-call"
	register(e, create(op, "/v1/calls", "calls", office, "Open a call", openCallText),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewCall
		}) (*made[Call], error) {
			n := in.Body
			d, replayed, err := a.Calls.OpenCall(ctx, principal(ctx), onceKey(ctx, op, in.RawBody),
				calls.NewCall{UnitID: n.UnitID, Complaint: n.Complaint, Description: n.Description, Triage: n.Triage})
			return madeOf(callPath(d.ID), d.Version, replayed, a.viewCall(ctx, d)), err
		})
	register(e, show("list-calls", "/v1/calls", "calls", anyone, "List calls, latest first; a tech's are those with a visit of theirs"), a.listCalls)
	register(e, show("read-call", "/v1/calls/{id}", "calls", anyone, "Show a call with its triage and advice"),
		func(ctx context.Context, in *ByID) (*item[Call], error) {
			return a.callItem(ctx)(a.Calls.ReadCall(ctx, principal(ctx), in.ID))
		})
	a.registerCallChanges(e)
}

type callsQuery struct {
	Paging
	Status       string    `query:"status" enum:"open,waiting_for_parts,closed"`
	UnitID       domain.ID `query:"unit_id"`
	OpenedAfter  wire.Time `query:"opened_after" doc:"At or after this instant."`
	OpenedBefore wire.Time `query:"opened_before" doc:"Before this instant."`
	WithoutVisit bool      `query:"without_visit" doc:"Only calls that are not closed and have no visit booked or under way."`
}

func (a *API) listCalls(ctx context.Context, in *callsQuery) (*page[CallSummary], error) {
	f := calls.Filter{Status: calls.Status(in.Status), UnitID: in.UnitID, OpenedAfter: instant(in.OpenedAfter), OpenedBefore: instant(in.OpenedBefore), WithoutVisit: in.WithoutVisit}
	var after calls.Key
	return list(ctx, a, in.Paging, &after, func(n int) ([]calls.Call, error) {
		return a.Calls.ListCalls(ctx, principal(ctx), f, after, n)
	}, func(c calls.Call) calls.Key { return calls.Key{OpenedAt: c.OpenedAt, ID: c.ID} }, viewCallSummary)
}

func (a *API) registerCallChanges(e *Edge) {
	patch := change("change-call", "/v1/calls/{id}", "calls", anyone, "Change a call's description, or whether it waits for parts")
	patch.Description += " A tech may set the status of a call with a visit of theirs. A closed call stays as it is."
	patch.Errors = append(patch.Errors, http.StatusConflict)
	register(e, patch, func(ctx context.Context, in *struct {
		ByID
		Body CallPatch
	}) (*item[Call], error) {
		c := calls.Change{Description: given(in.Body.Description)}
		if s := given(in.Body.Status); s != nil {
			c.Status = new(calls.Status(*s))
		}
		return a.callItem(ctx)(a.Calls.ChangeCall(ctx, principal(ctx), in.ID, ifMatch(ctx), c))
	})
	register(e, Op{ID: "set-call-triage", Method: http.MethodPut, Path: "/v1/calls/{id}/triage", Tags: []string{"calls"}, Roles: office,
		IfMatch: true, Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}, Summary: "Set the triage answers of a call",
		Description: "Give all answers: those left out are taken back. An answer that stays keeps who asked it and when. The ETag is the call's."},
		func(ctx context.Context, in *struct {
			ByID
			Body CallTriage
		}) (*item[Call], error) {
			return a.callItem(ctx)(a.Calls.Triage(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Body.Triage))
		})
	register(e, Op{ID: "record-parts-arrived", Method: http.MethodPost, Path: "/v1/calls/{id}/parts-arrived", Tags: []string{"calls"}, Roles: anyone,
		IfMatch: true, Errors: []int{http.StatusConflict}, Summary: "Say that the parts a call waited for have come",
		Description: "The call is open again, for the return visit."},
		func(ctx context.Context, in *ByID) (*item[Call], error) {
			return a.callItem(ctx)(a.Calls.PartsArrived(ctx, principal(ctx), in.ID, ifMatch(ctx)))
		})
	register(e, Op{ID: "cancel-call", Method: http.MethodPost, Path: "/v1/calls/{id}/cancel", Tags: []string{"calls"}, Roles: office,
		IfMatch: true, Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}, Summary: "Cancel a call nobody has come for",
		Description: "Closes the call as cancelled and cancels its booked visits. Once a visit is under way or has been made, close the call with its outcome instead."},
		func(ctx context.Context, in *struct {
			ByID
			Body CallCancel
		}) (*item[Call], error) {
			return a.callItem(ctx)(a.Calls.CancelCall(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Body.Note))
		})
}
