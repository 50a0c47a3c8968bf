package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/care"
)

// CarePlan is the care of one unit as of today at the unit.
type CarePlan struct {
	UnitID    domain.ID    `json:"unit_id"`
	TodayOn   domain.Date  `json:"today_on" doc:"Today in the time zone of the unit's site."`
	DueOn     *domain.Date `json:"due_on,omitempty" doc:"The earliest due date of all tasks; absent when none is known."`
	Overdue   bool         `json:"overdue" doc:"due_on has passed; the day itself is not late."`
	Tasks     []CareTask   `json:"tasks" doc:"Empty for a kind of unit without care tasks."`
	Cleanings []Cleaning   `json:"cleanings" doc:"Latest first, voided ones among them."`
}

// CareTask is one care task.
type CareTask struct {
	ID      string       `json:"id"`
	Name    string       `json:"name"`
	Whose   string       `json:"whose" doc:"Who does it: us or customer."`
	DueOn   *domain.Date `json:"due_on,omitempty" doc:"The earliest of its scopes."`
	Overdue bool         `json:"overdue"`
	Months  int          `json:"months,omitempty" doc:"The longest it may go: 12, 6 where the run ends on the roof or is longer than 25 ft with its bends, or what the shop's own task says; absent for what the customer does with every load."`
	Reason  string       `json:"reason" doc:"What the date rests on, and what nobody knows."`
	Advice  string       `json:"advice,omitempty" doc:"Of a task of the shop's own: what the householder may do."`
	Scopes  []CareScope  `json:"scopes"`
}

// CareScope is one scope of a care task, due from its own last cleaning.
type CareScope struct {
	Scope      string       `json:"scope"`
	LastDoneOn *domain.Date `json:"last_done_on,omitempty"`
	LastDoneBy string       `json:"last_done_by,omitempty"`
	DueOn      *domain.Date `json:"due_on,omitempty"`
	Overdue    bool         `json:"overdue"`
	Basis      string       `json:"basis" doc:"What the date rests on: cleaning, installed_on, unknown, or each_load for what the customer does with every load."`
}

// NewCleaning is a cleaning somebody told of.
type NewCleaning struct {
	DoneOn domain.Date `json:"done_on" doc:"Not after today at the unit."`
	Scopes []string    `json:"scopes" minItems:"1" maxItems:"20" uniqueItems:"true" doc:"Of screen, cabinet, blower, transition_duct, run, hood, and those the shop's own tasks of the unit name."`
	DoneBy string      `json:"done_by" enum:"us,customer,other_firm"`
	Note   string      `json:"note,omitempty" maxLength:"2000"`
}

// CleaningVoid takes a cleaning back.
type CleaningVoid struct {
	Reason string `json:"reason" minLength:"1" maxLength:"400"`
}

// Cleaning is one cleaning of a unit.
type Cleaning struct {
	ID         domain.ID   `json:"id"`
	UnitID     domain.ID   `json:"unit_id"`
	ActionID   *domain.ID  `json:"action_id,omitempty" doc:"The action of a call it was; absent when somebody told of it."`
	DoneOn     domain.Date `json:"done_on"`
	Scopes     []string    `json:"scopes"`
	DoneBy     string      `json:"done_by"`
	Note       string      `json:"note"`
	RecordedBy *domain.ID  `json:"recorded_by,omitempty" doc:"Absent: the customer, by the link of a message."`
	RecordedAt wire.Time   `json:"recorded_at"`
	VoidedAt   *wire.Time  `json:"voided_at,omitempty"`
	VoidedBy   *domain.ID  `json:"voided_by,omitempty"`
	VoidReason string      `json:"void_reason,omitempty"`
}

func viewCleaning(c care.Cleaning) Cleaning {
	return Cleaning{ID: c.ID, UnitID: c.UnitID, ActionID: idOrNone(c.ActionID), DoneOn: c.DoneOn, Scopes: c.Scopes, DoneBy: c.DoneBy, Note: c.Note,
		RecordedBy: idOrNone(c.RecordedBy), RecordedAt: wire.At(c.RecordedAt), VoidedAt: timeOrNone(c.VoidedAt), VoidedBy: idOrNone(c.VoidedBy), VoidReason: c.VoidReason}
}

func viewPlan(p care.Plan) CarePlan {
	out := CarePlan{UnitID: p.UnitID, TodayOn: p.Today, DueOn: dateOrNone(p.DueOn()), Overdue: care.Overdue(p.DueOn(), p.Today),
		Tasks: []CareTask{}, Cleanings: []Cleaning{}}
	for _, t := range p.Tasks {
		out.Tasks = append(out.Tasks, viewTask(t, p.Today))
	}
	for _, c := range p.Cleanings {
		out.Cleanings = append(out.Cleanings, viewCleaning(c))
	}
	return out
}

func viewTask(t care.Task, today domain.Date) CareTask {
	out := CareTask{ID: t.ID, Name: t.Name, Whose: t.Whose, DueOn: dateOrNone(t.DueOn), Overdue: care.Overdue(t.DueOn, today), Reason: t.Reason, Months: t.Months, Advice: t.Advice,
		Scopes: []CareScope{}}
	for _, s := range t.Scopes {
		out.Scopes = append(out.Scopes, CareScope{Scope: s.Scope, LastDoneOn: dateOrNone(s.LastDoneOn), LastDoneBy: s.LastDoneBy,
			DueOn: dateOrNone(s.DueOn), Overdue: care.Overdue(s.DueOn, today), Basis: string(s.Basis)})
	}
	return out
}

const cleaningText = `For what was cleaned outside of a call: by the customer, by another firm, or by the shop before it kept records here. Each scope
is due 12 months after its own last cleaning at the latest, 6 where the run ends on the roof or is long. Washing the screen moves no date. The maker's instructions may ask for more.`

func (a *API) registerCare(e *Edge) {
	const op = "record-cleaning"
	register(e, show("read-care", "/v1/units/{id}/care", "care", anyone, "Show what care a unit needs and when"),
		func(ctx context.Context, in *ByID) (*struct{ Body CarePlan }, error) {
			if _, err := a.Customers.ReadUnit(ctx, principal(ctx), in.ID); err != nil { // a tech sees the units of their visits
				return nil, err
			}
			p, err := a.Care.ReadPlan(ctx, principal(ctx), in.ID)
			return &struct{ Body CarePlan }{viewPlan(p)}, err
		})
	register(e, create(op, "/v1/units/{id}/care/cleanings", "care", office, "Record a cleaning somebody told of", cleaningText),
		func(ctx context.Context, in *struct {
			ByID
			RawBody []byte
			Body    NewCleaning
		}) (*made[Cleaning], error) {
			n := in.Body
			c, replayed, err := a.Care.Record(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID,
				care.Cleaning{DoneOn: n.DoneOn, Scopes: n.Scopes, DoneBy: n.DoneBy, Note: n.Note})
			return madeOf("/v1/units/"+in.ID.String()+"/care", 0, replayed, viewCleaning(c)), err
		})
	register(e, Op{ID: "void-cleaning", Method: http.MethodPost, Path: "/v1/units/{id}/care/cleanings/{cleaning_id}/void", Tags: []string{"care"}, Roles: office,
		Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}, Summary: "Take back a cleaning that was recorded by mistake",
		Description: "Due dates fall back to what stays on record. Voiding it again changes nothing. A cleaning that was an action of a call is voided with that action (409 here)."},
		func(ctx context.Context, in *struct {
			ByID
			CleaningID domain.ID `path:"cleaning_id"`
			Body       CleaningVoid
		}) (*struct{ Body Cleaning }, error) {
			c, err := a.Care.Void(ctx, principal(ctx), in.ID, in.CleaningID, in.Body.Reason)
			return &struct{ Body Cleaning }{viewCleaning(c)}, err
		})
}
