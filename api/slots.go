package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/dispatch"
)

// Slot is a free window of one tech.
type Slot struct {
	TechID      domain.ID `json:"tech_id"`
	Tech        string    `json:"tech"`
	StartsAt    wire.Time `json:"starts_at" doc:"When the tech means to begin."`
	EndsAt      wire.Time `json:"ends_at"`
	ArriveFrom  wire.Time `json:"arrive_from" doc:"The window to promise to the customer."`
	ArriveUntil wire.Time `json:"arrive_until"`
	Added       float64   `json:"added_driving_minutes"`
	TravelKnown bool      `json:"travel_known" doc:"false: one of the places is not located, the driving is a guess."`
	Slack       float64   `json:"slack_minutes" doc:"How much later it may begin with everything else met."`
	Reason      string    `json:"reason"`
}

// Slots is what can be offered for a call.
type Slots struct {
	Minutes       float64  `json:"minutes" doc:"How long the visit is likely to take."`
	MinutesReason string   `json:"minutes_reason"`
	Located       bool     `json:"located" doc:"false: nobody has entered where the site is."`
	Slots         []Slot   `json:"slots" doc:"Best first, at most 40."`
	WithoutHours  []string `json:"without_hours" doc:"Techs nothing can be offered for: enter when they work."`
}

func viewSlots(o dispatch.Offer) Slots {
	out := Slots{Minutes: o.Minutes, MinutesReason: o.MinutesReason, Located: o.Located, Slots: []Slot{}, WithoutHours: o.WithoutHours}
	for _, s := range o.Slots {
		out.Slots = append(out.Slots, Slot{TechID: s.TechID, Tech: s.Tech, StartsAt: wire.At(s.StartsAt), EndsAt: wire.At(s.EndsAt),
			ArriveFrom: wire.At(s.ArriveFrom), ArriveUntil: wire.At(s.ArriveUntil), Added: s.Added.Minutes(), TravelKnown: s.TravelKnown,
			Slack: s.Slack.Minutes(), Reason: s.Reason})
	}
	return out
}

// NewHold is a window to keep free for a call.
type NewHold struct {
	TechID      domain.ID  `json:"tech_id"`
	StartsAt    wire.Time  `json:"starts_at"`
	EndsAt      wire.Time  `json:"ends_at"`
	ArriveFrom  *wire.Time `json:"arrive_from,omitempty"`
	ArriveUntil *wire.Time `json:"arrive_until,omitempty"`
}

// Hold is a window kept free.
type Hold struct {
	ID          domain.ID  `json:"id"`
	CallID      domain.ID  `json:"call_id"`
	TechID      domain.ID  `json:"tech_id"`
	StartsAt    wire.Time  `json:"starts_at"`
	EndsAt      wire.Time  `json:"ends_at"`
	ArriveFrom  *wire.Time `json:"arrive_from,omitempty"`
	ArriveUntil *wire.Time `json:"arrive_until,omitempty"`
	HeldBy      domain.ID  `json:"held_by"`
	ExpiresAt   wire.Time  `json:"expires_at"`
}

func viewHold(h dispatch.Hold) Hold {
	return Hold{ID: h.ID, CallID: h.CallID, TechID: h.TechID, StartsAt: wire.At(h.StartsAt), EndsAt: wire.At(h.EndsAt),
		ArriveFrom: timeOrNone(h.ArriveFrom), ArriveUntil: timeOrNone(h.ArriveUntil), HeldBy: h.HeldBy, ExpiresAt: wire.At(h.ExpiresAt)}
}

// VisitVersion is one state a visit was in.
type VisitVersion struct {
	Version     int64      `json:"version"`
	TechID      *domain.ID `json:"tech_id,omitempty"`
	StartsAt    wire.Time  `json:"starts_at"`
	EndsAt      wire.Time  `json:"ends_at"`
	ArriveFrom  *wire.Time `json:"arrive_from,omitempty"`
	ArriveUntil *wire.Time `json:"arrive_until,omitempty"`
	Status      string     `json:"status"`
	Reason      string     `json:"reason,omitempty"`
	ChangedBy   *domain.ID `json:"changed_by,omitempty" doc:"Absent: the service itself."`
	ChangedAt   wire.Time  `json:"changed_at"`
}

func viewVisitVersion(v calls.VisitVersion) VisitVersion {
	return VisitVersion{Version: v.Version, TechID: idOrNone(v.TechID), StartsAt: wire.At(v.StartsAt), EndsAt: wire.At(v.EndsAt),
		ArriveFrom: timeOrNone(v.ArriveFrom), ArriveUntil: timeOrNone(v.ArriveUntil), Status: string(v.Status), Reason: v.Reason,
		ChangedBy: idOrNone(v.ChangedBy), ChangedAt: wire.At(v.ChangedAt)}
}

const slotsText = `Free windows for a call, ranked by the driving they add and by how soon they are; each says why. A window is free when the tech
works then, holds the competence the unit needs, has no visit and no hold in it, and can still drive to all others. Travel is the great circle times a
detour at an average speed, see the dispatch rule.`

const holdText = `Keeps a window free for some minutes while somebody is on the phone: nobody else can book or hold it. A call has one hold; booking the
call ends it. A window that is taken is refused with 409, which names up to three free ones (free_windows).`

func (a *API) registerSlots(e *Edge, tag string) {
	slots := show("list-slots", "/v1/slots", tag, office, "Find free windows for a call")
	slots.Description, slots.Errors = slotsText, []int{http.StatusConflict}
	register(e, slots, func(ctx context.Context, in *struct {
		Call   domain.ID   `query:"call" required:"true"`
		From   domain.Date `query:"from" doc:"First day, in the shop's zone; absent: today."`
		Days   int         `query:"days" minimum:"1" maximum:"31" default:"7"`
		TechID domain.ID   `query:"tech_id" doc:"Only this tech."`
	}) (*struct{ Body Slots }, error) {
		o, err := a.Dispatch.Slots(ctx, principal(ctx), dispatch.SlotQuery{Call: in.Call, From: in.From, Days: in.Days, TechID: in.TechID})
		return &struct{ Body Slots }{viewSlots(o)}, err
	})
	const op = "hold-window"
	hold := create(op, "/v1/calls/{id}/holds", tag, office, "Hold a window", holdText)
	hold.Errors = append(hold.Errors, http.StatusConflict)
	register(e, hold, func(ctx context.Context, in *struct {
		ByID
		RawBody []byte
		Body    NewHold
	}) (*made[Hold], error) {
		n := in.Body
		h, replayed, err := a.Dispatch.HoldWindow(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, dispatch.NewHold{TechID: n.TechID,
			StartsAt: n.StartsAt.Time, EndsAt: n.EndsAt.Time, ArriveFrom: instantOf(n.ArriveFrom), ArriveUntil: instantOf(n.ArriveUntil)})
		return madeOf("/v1/holds/"+h.ID.String(), 0, replayed, viewHold(h)), err
	})
	register(e, show("list-holds", "/v1/holds", tag, office, "List the windows that are held, by start"),
		func(ctx context.Context, _ *struct{}) (*page[Hold], error) {
			hs, err := a.Dispatch.ListHolds(ctx, principal(ctx))
			return everything(hs, viewHold), err
		})
	register(e, Op{ID: "release-hold", Method: http.MethodDelete, Path: "/v1/holds/{id}", Roles: office, Tags: []string{tag}, Status: http.StatusNoContent,
		Summary: "Let a window go"},
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Dispatch.ReleaseHold(ctx, principal(ctx), in.ID)
		})
	register(e, show("list-visit-versions", "/v1/visits/{id}/history", "visits", anyone, "List every state a visit was in, with who changed it and why"),
		func(ctx context.Context, in *ByID) (*page[VisitVersion], error) {
			vs, err := a.Calls.VisitHistory(ctx, principal(ctx), in.ID)
			return everything(vs, viewVisitVersion), err
		})
}
