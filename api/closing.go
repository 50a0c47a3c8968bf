package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/repair"
)

// Missing is one thing that keeps a call from closing.
type Missing struct {
	ID   string `json:"id" doc:"Of a closing item, part:, fault:, hazard: or notice: with an id, or a word such as note."`
	Text string `json:"text" doc:"What is missing and what to do."`
}

// OutcomeGaps is what is missing for one outcome.
type OutcomeGaps struct {
	Outcome string    `json:"outcome"`
	Missing []Missing `json:"missing" doc:"Empty: the call can be closed so. note is given with the closing itself."`
}

// ClosingStatement is one thing the tech confirms when closing.
type ClosingStatement struct {
	ID       string     `json:"id"`
	Text     string     `json:"text"`
	Counts   bool       `json:"counts" doc:"Stated, and nothing was done to the unit since."`
	StatedBy *domain.ID `json:"stated_by,omitempty"`
	StatedAt *wire.Time `json:"stated_at,omitempty"`
}

// Closing is what keeps a call from closing, outcome by outcome.
type Closing struct {
	CallID     domain.ID          `json:"call_id"`
	Status     string             `json:"status"`
	Outcomes   []OutcomeGaps      `json:"outcomes" doc:"Empty for a closed call."`
	Statements []ClosingStatement `json:"statements"`
}

// Statements are closing statements by id.
type Statements struct {
	Statements []string `json:"statements" minItems:"1" maxItems:"50" doc:"Each is true of the unit as it stands now."`
}

// CallEnd says how a call ends.
type CallEnd struct {
	Outcome    string   `json:"outcome" enum:"returned_to_service,left_out_of_service,limited,declined,not_worth_repairing,no_fault_found,no_access,cancelled,care_done"`
	Note       string   `json:"note,omitempty" maxLength:"2000" doc:"Needed for every outcome but returned_to_service, and no_fault_found after an as-found run. The customer reads it in the report."`
	Statements []string `json:"statements,omitempty" maxItems:"50" doc:"Closing statements confirmed with this."`
}

func viewCallClosing(c repair.Closing) Closing {
	out := Closing{CallID: c.Call.ID, Status: string(c.Call.Status), Outcomes: []OutcomeGaps{}, Statements: []ClosingStatement{}}
	for _, o := range c.Outcomes {
		g := OutcomeGaps{Outcome: string(o.Outcome), Missing: []Missing{}}
		for _, m := range o.Missing {
			g.Missing = append(g.Missing, Missing(m))
		}
		out.Outcomes = append(out.Outcomes, g)
	}
	for _, s := range c.Statements {
		out.Statements = append(out.Statements, ClosingStatement{ID: s.ID, Text: s.Text, Counts: s.Counts, StatedBy: idOrNone(s.StatedBy),
			StatedAt: timeOrNone(s.StatedAt)})
	}
	return out
}

const closeText = `returned_to_service needs all that the closing list of the complaint asks for, proven on the repaired unit: verification readings that
conform, each statement, a conclusion with its action, no failed second barrier, no open danger. What is missing comes as 409 with extra.missing, a
list of id and text; nothing is stored then. limited and left_out_of_service need a hazard with a written notice left. A reading that waits for a countersignature proves nothing. A dispatcher closes as
no_access or cancelled only. A closed call takes no more readings, actions or conclusions. Visits on site are left as they are.
Local codes, licensed trades and the maker's instructions come before this list.`

func (a *API) registerClosing(e *Edge) {
	register(e, show("read-closing", "/v1/calls/{id}/closing", "closing", anyone, "Show what keeps a call from closing, outcome by outcome"),
		func(ctx context.Context, in *ByID) (*struct{ Body Closing }, error) {
			c, err := a.Repair.ReadClosing(ctx, principal(ctx), in.ID)
			return &struct{ Body Closing }{viewCallClosing(c)}, err
		})
	register(e, Op{ID: "state-closing", Method: http.MethodPost, Path: "/v1/calls/{id}/statements", Tags: []string{"closing"}, Roles: field,
		Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}, Summary: "Confirm items of the closing list",
		Description: "A statement counts until an action is recorded after it; stated again it counts from then."},
		func(ctx context.Context, in *struct {
			ByID
			Body Statements
		}) (*struct{ Body Closing }, error) {
			c, err := a.Repair.State(ctx, principal(ctx), in.ID, in.Body.Statements)
			return &struct{ Body Closing }{viewCallClosing(c)}, err
		})
	register(e, Op{ID: "close-call", Method: http.MethodPost, Path: "/v1/calls/{id}/close", Tags: []string{"closing"}, Roles: anyone, IfMatch: true,
		Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}, Summary: "Close a call with its outcome", Description: closeText},
		func(ctx context.Context, in *struct {
			ByID
			Body CallEnd
		}) (*item[CallSummary], error) {
			c, err := a.Repair.Close(ctx, principal(ctx), in.ID, ifMatch(ctx), repair.End{Outcome: calls.Outcome(in.Body.Outcome), Note: in.Body.Note,
				Statements: in.Body.Statements})
			return itemOf(c.Version, viewCallSummary(c)), err
		})
}
