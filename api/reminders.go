package api

import (
	"context"
	"net/http"
	"strings"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/care"
)

// DueUnit is one care task of one unit with its date, and where and whose it
// is.
type DueUnit struct {
	UnitID     domain.ID   `json:"unit_id"`
	Task       string      `json:"task"`
	Name       string      `json:"name" doc:"Of the task."`
	DueOn      domain.Date `json:"due_on"`
	Overdue    bool        `json:"overdue"`
	Kind       string      `json:"kind"`
	Maker      string      `json:"maker"`
	Model      string      `json:"model"`
	SiteID     domain.ID   `json:"site_id"`
	Address    string      `json:"address"`
	PostalCode string      `json:"postal_code"`
	CustomerID domain.ID   `json:"customer_id"`
	Customer   string      `json:"customer"`
	Phone      string      `json:"phone"`
	RemindedAt *wire.Time  `json:"reminded_at,omitempty" doc:"When a mail server last took a message about this date."`
}

func viewDueUnit(d care.DueUnit) DueUnit {
	name := d.Name
	if name == "" {
		name = care.NameOf(d.Task)
	}
	return DueUnit{UnitID: d.UnitID, Task: d.Task, Name: name, DueOn: d.DueOn, Overdue: care.Overdue(d.DueOn, d.Today), Kind: d.Kind, Maker: d.Maker, Model: d.Model,
		SiteID: d.SiteID, Address: d.Address, PostalCode: d.PostalCode, CustomerID: d.CustomerID, Customer: d.Customer, Phone: d.Phone, RemindedAt: timeOrNone(d.Reminded)}
}

// PlannedMessage is a message the policy has written on a day to come.
type PlannedMessage struct {
	On         domain.Date `json:"planned_on"`
	CustomerID domain.ID   `json:"customer_id"`
	UnitID     domain.ID   `json:"unit_id"`
	Task       string      `json:"task"`
	DueOn      domain.Date `json:"due_on"`
	LeadDays   int         `json:"lead_days"`
}

// ReminderEntry is an entry of the ledger of messages.
type ReminderEntry struct {
	ID         domain.ID   `json:"id"`
	Kind       string      `json:"kind" doc:"care, visit, visit_tomorrow or report."`
	State      string      `json:"state" doc:"planned, claimed, handed (given to the mail server, its answer not known yet), accepted, soft_failed (to be tried again), hard_failed, suppressed, superseded, missed, or ambiguous (nobody knows whether it arrived)."`
	CustomerID domain.ID   `json:"customer_id"`
	UnitID     domain.ID   `json:"unit_id"`
	Task       string      `json:"task,omitempty"`
	DueOn      domain.Date `json:"due_on" doc:"Of the task; the day of the visit or of the report."`
	LeadDays   int         `json:"lead_days"`
	VisitID    *domain.ID  `json:"visit_id,omitempty"`
	CallID     *domain.ID  `json:"call_id,omitempty"`
	NotBefore  wire.Time   `json:"not_before_at"`
	PlannedAt  wire.Time   `json:"planned_at"`
	MailID     *domain.ID  `json:"mail_id,omitempty" doc:"One mail may carry several entries."`
	MessageID  string      `json:"message_id,omitempty"`
	Attempts   int         `json:"attempts,omitempty"`
	Ambiguous  int         `json:"ambiguous_attempts,omitempty" doc:"Attempts whose end nobody knows."`
	HandedAt   *wire.Time  `json:"handed_at,omitempty"`
	SettledAt  *wire.Time  `json:"settled_at,omitempty"`
	RetryAt    *wire.Time  `json:"retry_at,omitempty"`
	Reason     string      `json:"reason,omitempty" doc:"What the mail server said, or why it was not sent."`
}

func viewEntry(v care.Entry) ReminderEntry {
	reason := v.Reason
	if v.Reply != "" {
		reason = v.Reply
	}
	return ReminderEntry{ID: v.ID, Kind: string(v.Kind), State: v.Stands(), CustomerID: v.CustomerID, UnitID: v.UnitID, Task: v.Task, DueOn: v.DueOn, LeadDays: v.LeadDays,
		VisitID: idOrNone(v.VisitID), CallID: idOrNone(v.CallID), NotBefore: wire.At(v.NotBefore), PlannedAt: wire.At(v.PlannedAt), MailID: idOrNone(v.MailID),
		MessageID: v.MessageID, Attempts: v.Attempt, Ambiguous: v.Ambiguous, HandedAt: timeOrNone(v.HandedAt), SettledAt: timeOrNone(v.SettledAt),
		RetryAt: timeOrNone(v.RetryAfter), Reason: reason}
}

// ReminderMonth counts what became of the messages planned in one month.
type ReminderMonth struct {
	Month      string `json:"month" doc:"YYYY-MM, UTC."`
	Planned    int    `json:"planned" doc:"All entries."`
	Waiting    int    `json:"waiting"`
	Sent       int    `json:"sent" doc:"A mail server took them."`
	Failed     int    `json:"failed"`
	Missed     int    `json:"missed"`
	Suppressed int    `json:"suppressed"`
	Superseded int    `json:"superseded"`
	Ambiguous  int    `json:"ambiguous" doc:"Of all of these, those with an attempt whose end nobody knows."`
}

func viewMonth(v care.Month) ReminderMonth {
	return ReminderMonth{v.Month, v.Planned, v.Waiting, v.Sent, v.Failed, v.Missed, v.Stopped, v.Dropped, v.Ambiguous}
}

// CareWish is what a customer asked for by the link of a message.
type CareWish struct {
	ID         domain.ID  `json:"id"`
	What       string     `json:"what" doc:"book (a visit) or call_me."`
	CustomerID domain.ID  `json:"customer_id"`
	Customer   string     `json:"customer"`
	Phone      string     `json:"phone"`
	Units      []string   `json:"unit_ids"`
	Note       string     `json:"note"`
	MadeAt     wire.Time  `json:"made_at"`
	HandledAt  *wire.Time `json:"handled_at,omitempty"`
	HandledBy  *domain.ID `json:"handled_by,omitempty"`
}

func viewWish(w care.Wish) CareWish {
	return CareWish{ID: w.ID, What: string(w.What), CustomerID: w.CustomerID, Customer: w.Customer, Phone: w.Phone, Units: w.Units, Note: w.Note,
		MadeAt: wire.At(w.MadeAt), HandledAt: timeOrNone(w.HandledAt), HandledBy: idOrNone(w.HandledBy)}
}

// StoppedAddress is an address nothing is sent to.
type StoppedAddress struct {
	ID        domain.ID `json:"id"`
	Email     string    `json:"email"`
	Scope     string    `json:"scope" doc:"care: no messages about care; all: none at all."`
	Reason    string    `json:"reason" doc:"unsubscribed, bounced or by_shop."`
	Detail    string    `json:"detail"`
	CreatedAt wire.Time `json:"created_at"`
}

func viewStopped(v care.Stopped) StoppedAddress {
	return StoppedAddress{ID: v.ID, Email: v.Email, Scope: v.Scope, Reason: v.Reason, Detail: v.Detail, CreatedAt: wire.At(v.CreatedAt)}
}

// NewStop stops messages to an address.
type NewStop struct {
	Email string `json:"email" maxLength:"254"`
	Scope string `json:"scope" enum:"care,all"`
}

// NewCareVisit books a visit for care.
type NewCareVisit struct {
	Description string `json:"description,omitempty" maxLength:"2000"`
	NewVisit
}

// CareVisit is a call about care alone with its first visit.
type CareVisit struct {
	Call  Call  `json:"call"`
	Visit Visit `json:"visit"`
}

func (a *API) registerReminders(e *Edge) {
	const tag = "care"
	a.registerDue(e)
	log := show("list-reminders", "/v1/reminders", tag, office, "List the ledger of messages, latest first")
	log.Description = "Each message that was planned, with what became of it and what the mail server said. An entry that was handed over, and whose answer was lost, is tried once more under the same Message-ID."
	register(e, log, func(ctx context.Context, in *struct {
		Paging
		CustomerID domain.ID `query:"customer_id"`
		UnitID     domain.ID `query:"unit_id"`
		VisitID    domain.ID `query:"visit_id"`
		Kind       string    `query:"kind" enum:"care,visit,visit_tomorrow,report"`
	}) (*page[ReminderEntry], error) {
		var before domain.ID
		f := care.LogFilter{CustomerID: in.CustomerID, UnitID: in.UnitID, VisitID: in.VisitID, Kind: care.Kind(in.Kind)}
		return list(ctx, a, in.Paging, &before, func(n int) ([]care.Entry, error) { return a.Care.Log(ctx, principal(ctx), f, before, n) },
			func(v care.Entry) domain.ID { return v.ID }, viewEntry)
	})
	register(e, show("list-reminder-months", "/v1/reminders/months", tag, office, "Count what became of the messages of each month"),
		func(ctx context.Context, in *struct {
			Months int `query:"months" minimum:"1" maximum:"60" default:"12"`
		}) (*page[ReminderMonth], error) {
			ms, err := a.Care.Months(ctx, principal(ctx), in.Months)
			return everything(ms, viewMonth), err
		})
	register(e, show("preview-reminders", "/v1/reminders/preview", tag, office, "Show what would be written about care in the next days"),
		func(ctx context.Context, in *struct {
			Days int `query:"days" minimum:"1" maximum:"120" default:"30"`
		}) (*page[PlannedMessage], error) {
			as, err := a.Care.Preview(ctx, principal(ctx), in.Days)
			return everything(as, func(v care.Ahead) PlannedMessage { return PlannedMessage(v) }), err
		})
	a.registerWishes(e)
	a.registerStopped(e)
}

func (a *API) registerDue(e *Edge) {
	due := show("list-care-due", "/v1/care", "care", office, "List due and overdue care, by date")
	due.Description = "By date and, with area, by the beginning of the postal code. Ask with until = yesterday for what is overdue. Units of which no date is known are not listed."
	register(e, due, func(ctx context.Context, in *struct {
		Paging
		From  domain.Date `query:"from"`
		Until domain.Date `query:"until"`
		Area  string      `query:"area" maxLength:"16"`
		Task  string      `query:"task" maxLength:"40"`
	}) (*page[DueUnit], error) {
		var after care.DueKey
		f := care.DueFilter{From: in.From, Until: in.Until, Area: in.Area, Task: in.Task}
		return list(ctx, a, in.Paging, &after, func(n int) ([]care.DueUnit, error) { return a.Care.ListDue(ctx, principal(ctx), f, after, n) },
			func(d care.DueUnit) care.DueKey { return care.DueKey{DueOn: d.DueOn, UnitID: d.UnitID, Task: d.Task} }, viewDueUnit)
	})
	const op = "book-care"
	register(e, create(op, "/v1/units/{id}/care/visits", "care", office, "Open a call about care with its first visit, both or neither",
		"The complaint of the call is care: nothing is diagnosed. It closes as care_done once a cleaning is on record. The same rules hold as for any booking (409, 422)."),
		func(ctx context.Context, in *struct {
			ByID
			RawBody []byte
			Body    NewCareVisit
		}) (*made[CareVisit], error) {
			d, v, replayed, err := a.Dispatch.BookCare(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, in.Body.Description, in.Body.visit())
			if err != nil {
				return nil, err
			}
			return madeOf("/v1/calls/"+d.ID.String(), 0, replayed, CareVisit{a.viewCall(ctx, d), viewVisit(v)}), nil
		})
}

func (a *API) registerWishes(e *Edge) {
	const base, tag = "/v1/care-wishes", "care"
	register(e, show("list-care-wishes", base, tag, office, "List what customers asked for by the links of messages"),
		func(ctx context.Context, in *struct {
			Paging
			Handled bool `query:"handled" doc:"Those seen to, too."`
		}) (*page[CareWish], error) {
			var after domain.ID
			return list(ctx, a, in.Paging, &after, func(n int) ([]care.Wish, error) { return a.Care.ListWishes(ctx, principal(ctx), in.Handled, after, n) },
				func(w care.Wish) domain.ID { return w.ID }, viewWish)
		})
	register(e, Op{ID: "handle-care-wish", Method: http.MethodPost, Path: base + "/{id}/handled", Roles: office, Tags: []string{tag},
		Summary: "Put down that a wish has been seen to", Description: "Again changes nothing."},
		func(ctx context.Context, in *ByID) (*struct{ Body CareWish }, error) {
			w, err := a.Care.HandleWish(ctx, principal(ctx), in.ID)
			return &struct{ Body CareWish }{viewWish(w)}, err
		})
}

func (a *API) registerStopped(e *Edge) {
	const base, tag = "/v1/stopped-addresses", "care"
	register(e, show("list-stopped-addresses", base, tag, office, "List the addresses nothing is sent to"),
		func(ctx context.Context, in *struct{ Paging }) (*page[StoppedAddress], error) {
			var after domain.ID
			return list(ctx, a, in.Paging, &after, func(n int) ([]care.Stopped, error) { return a.Care.ListStopped(ctx, principal(ctx), after, n) },
				func(v care.Stopped) domain.ID { return v.ID }, viewStopped)
		})
	register(e, Op{ID: "stop-address", Method: http.MethodPost, Path: base, Roles: office, Tags: []string{tag}, Status: http.StatusNoContent,
		Summary: "Send nothing more to an address", Description: "At the customer's word. Again changes nothing.", Errors: []int{http.StatusUnprocessableEntity}},
		func(ctx context.Context, in *struct{ Body NewStop }) (*struct{}, error) {
			return nil, a.Care.Stop(ctx, principal(ctx), strings.TrimSpace(in.Body.Email), in.Body.Scope)
		})
	register(e, Op{ID: "lift-stopped-address", Method: http.MethodPost, Path: base + "/{id}/lift", Roles: office, Tags: []string{tag}, Status: http.StatusNoContent,
		Summary: "Write to an address again", Description: "Only when the customer has asked for it, or the address has been put right."},
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Care.Lift(ctx, principal(ctx), in.ID)
		})
}
