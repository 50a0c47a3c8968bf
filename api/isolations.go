package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/repair"
)

// NewIsolation says how a unit was made dead and proven so.
type NewIsolation struct {
	Method       string    `json:"method" enum:"plug_in_hand,plug_in_sight,plug_locked,breaker_locked,gas_cock_and_plug" doc:"A plug in the hand or in sight of the one who works needs no lock. gas_cock_and_plug is for gas units."`
	TesterBefore bool      `json:"tester_before" doc:"The tester was tried on a known live source before. Must be true."`
	ProvenDead   []string  `json:"proven_dead" maxItems:"6" enum:"l1_l2,l1_n,l2_n,l1_ground,l2_ground,n_ground" doc:"Pairs of points measured dead. A 240 V unit needs l1_l2, l1_ground and l2_ground at least; a 120 V unit l1_n and l1_ground."`
	TesterAfter  bool      `json:"tester_after" doc:"The tester was tried on the known live source again afterwards. Must be true."`
	IsolatedAt   wire.Time `json:"isolated_at,omitzero" doc:"Absent: now."`
	Note         string    `json:"note,omitempty" maxLength:"2000"`
}

// IsolationEnd ends an isolation.
type IsolationEnd struct {
	Reason string `json:"reason,omitempty" maxLength:"400"`
}

// Isolation is how a unit was made dead and proven so. It covers readings
// until ended_at.
type Isolation struct {
	ID           domain.ID  `json:"id"`
	CallID       domain.ID  `json:"call_id"`
	VisitID      domain.ID  `json:"visit_id"`
	Method       string     `json:"method"`
	TesterBefore bool       `json:"tester_before"`
	ProvenDead   []string   `json:"proven_dead"`
	TesterAfter  bool       `json:"tester_after"`
	Note         string     `json:"note"`
	IsolatedBy   domain.ID  `json:"isolated_by"`
	IsolatedAt   wire.Time  `json:"isolated_at"`
	EndedAt      *wire.Time `json:"ended_at,omitempty" doc:"Absent: it is open."`
	EndedBecause string     `json:"ended_because,omitempty"`
}

func viewIsolation(i repair.Isolation) Isolation {
	return Isolation{ID: i.ID, CallID: i.CallID, VisitID: i.VisitID, Method: i.Method, TesterBefore: i.TesterBefore, ProvenDead: i.ProvenDead,
		TesterAfter: i.TesterAfter, Note: i.Note, IsolatedBy: i.IsolatedBy, IsolatedAt: wire.At(i.IsolatedAt), EndedAt: timeOrNone(i.EndedAt),
		EndedBecause: i.EndedBecause}
}

// everything is the answer that shows a list which is short by its nature.
func everything[T, D any](rows []T, view func(T) D) *page[D] {
	out := &page[D]{Body: List[D]{Items: make([]D, 0, len(rows))}}
	for _, r := range rows {
		out.Body.Items = append(out.Body.Items, view(r))
	}
	return out
}

const isolateText = `Live, dead, live: try the tester on a known live source, prove each pair of points dead, try the tester again (NFPA 70E, 120.5(7)).
One leg of a two-pole breaker can stay live, so each pair counts. The record covers isolated readings of the visit until the next powered check,
or the tech, ends it. It does not replace local codes, a lock where the plug or breaker is out of sight, or the maker's instructions.`

func (a *API) registerIsolations(e *Edge) {
	const op = "create-isolation"
	register(e, create(op, "/v1/visits/{id}/isolations", "readings", field, "Record that the unit was made dead and proven so", isolateText),
		func(ctx context.Context, in *struct {
			ByID
			RawBody []byte
			Body    NewIsolation
		}) (*made[Isolation], error) {
			n := in.Body
			i, replayed, err := a.Repair.Isolate(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, repair.NewIsolation{Method: n.Method,
				TesterBefore: n.TesterBefore, ProvenDead: n.ProvenDead, TesterAfter: n.TesterAfter, IsolatedAt: n.IsolatedAt.Time, Note: n.Note})
			return madeOf("/v1/visits/"+in.ID.String()+"/isolations", 0, replayed, viewIsolation(i)), err
		})
	register(e, show("list-isolations", "/v1/visits/{id}/isolations", "readings", anyone, "List the isolations of a visit, oldest first"),
		func(ctx context.Context, in *ByID) (*page[Isolation], error) {
			is, err := a.Repair.ListIsolations(ctx, principal(ctx), in.ID)
			return everything(is, viewIsolation), err
		})
	register(e, Op{ID: "end-isolation", Method: http.MethodPost, Path: "/v1/visits/{id}/isolations/{isolation_id}/end", Tags: []string{"readings"}, Roles: field,
		Errors: []int{http.StatusUnprocessableEntity}, Summary: "End an isolation before the unit is powered",
		Description: "Ending it again changes nothing. After this, isolated readings need a new isolation."},
		func(ctx context.Context, in *struct {
			ByID
			IsolationID domain.ID `path:"isolation_id"`
			Body        IsolationEnd
		}) (*struct{ Body Isolation }, error) {
			i, err := a.Repair.EndIsolation(ctx, principal(ctx), in.ID, in.IsolationID, in.Body.Reason)
			return &struct{ Body Isolation }{viewIsolation(i)}, err
		})
}
