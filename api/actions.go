package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/repair"
)

// NewAction is something done to the unit.
type NewAction struct {
	Action string    `json:"action" minLength:"1" maxLength:"80" doc:"An action of the catalogue."`
	Part   string    `json:"part,omitempty" maxLength:"80" doc:"The part, for an action done to a chosen part."`
	DoneAt wire.Time `json:"done_at,omitzero" doc:"Absent: now."`
	Note   string    `json:"note,omitempty" maxLength:"2000"`
}

// VoidReason takes back what was recorded by mistake.
type VoidReason struct {
	Reason string `json:"reason" minLength:"1" maxLength:"400"`
}

// Action is something done to the unit.
type Action struct {
	ID         domain.ID  `json:"id"`
	CallID     domain.ID  `json:"call_id"`
	VisitID    domain.ID  `json:"visit_id"`
	Action     string     `json:"action"`
	Part       string     `json:"part,omitempty"`
	Note       string     `json:"note"`
	DoneBy     domain.ID  `json:"done_by"`
	DoneAt     wire.Time  `json:"done_at"`
	RecordedAt wire.Time  `json:"recorded_at"`
	VoidedAt   *wire.Time `json:"voided_at,omitempty"`
	VoidedBy   *domain.ID `json:"voided_by,omitempty"`
	VoidReason string     `json:"void_reason,omitempty"`
}

func viewAction(v repair.Action) Action {
	return Action{ID: v.ID, CallID: v.CallID, VisitID: v.VisitID, Action: v.Action, Part: v.Part, Note: v.Note, DoneBy: v.DoneBy,
		DoneAt: wire.At(v.DoneAt), RecordedAt: wire.At(v.RecordedAt), VoidedAt: timeOrNone(v.VoidedAt), VoidedBy: idOrNone(v.VoidedBy),
		VoidReason: v.VoidReason}
}

const actText = `An action ends the evidence of what it touches: readings taken before speak of the machine as it was, and the parts it touched count
as untested until a verification reading. An action that cleans moves the unit's due dates by its scopes.`

func (a *API) registerActions(e *Edge) {
	const op = "create-action"
	register(e, create(op, "/v1/visits/{id}/actions", "readings", field, "Record something done to the unit", actText),
		func(ctx context.Context, in *struct {
			ByID
			RawBody []byte
			Body    NewAction
		}) (*made[Action], error) {
			n := in.Body
			v, replayed, err := a.Repair.Act(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID,
				repair.NewAction{Action: n.Action, Part: n.Part, DoneAt: n.DoneAt.Time, Note: n.Note})
			return madeOf("/v1/calls/"+v.CallID.String()+"/actions", 0, replayed, viewAction(v)), err
		})
	register(e, show("list-actions", "/v1/calls/{id}/actions", "readings", anyone, "List the actions of a call by time, voided ones among them"),
		func(ctx context.Context, in *ByID) (*page[Action], error) {
			vs, err := a.Repair.ListActions(ctx, principal(ctx), in.ID)
			return everything(vs, viewAction), err
		})
	register(e, Op{ID: "void-action", Method: http.MethodPost, Path: "/v1/actions/{id}/void", Tags: []string{"readings"}, Roles: field,
		Errors:  []int{http.StatusConflict, http.StatusUnprocessableEntity},
		Summary: "Take back an action recorded by mistake", Description: "The cleaning it was is voided with it. Voiding it again changes nothing."},
		func(ctx context.Context, in *struct {
			ByID
			Body VoidReason
		}) (*struct{ Body Action }, error) {
			v, err := a.Repair.VoidAction(ctx, principal(ctx), in.ID, in.Body.Reason)
			return &struct{ Body Action }{viewAction(v)}, err
		})
}
