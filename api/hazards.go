package api

import (
	"context"
	"crypto/sha256"
	"fmt"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/repair"
)

// NewHazard is a danger found at the unit or its place.
type NewHazard struct {
	What        string    `json:"what" enum:"safety_device_bypassed,safety_device_failed,not_isolated,capacitor_charge,inverter_bus,damaged_cord_or_receptacle,strap_wrong,three_wire_supply,missing_ground,aluminium_wiring,wet_floor,gas_smell,gas_leak,gas_connector,carbon_monoxide,hydrocarbon_refrigerant,refrigerant_leak,lint_fire,scorching,plastic_or_foil_duct,blocked_run,vents_indoors,hot_parts,sharp_edges,water_leak,water_damage,tip_over,unstable_stack,two_person_lift,ladder_or_roof,other" doc:"A kind of /v1/catalogue/hazards."`
	Level       string    `json:"level" enum:"danger_now,at_risk,below_present_code" doc:"danger_now: must not be used as it is. gas_smell, gas_leak, carbon_monoxide and refrigerant_leak are always danger_now."`
	Found       string    `json:"found" minLength:"1" maxLength:"2000" doc:"What was seen, in words the customer can read."`
	Done        string    `json:"done" minLength:"1" maxLength:"2000" doc:"What was done about it at once."`
	Told        string    `json:"told" minLength:"1" maxLength:"200" doc:"Who was told."`
	ToldAt      wire.Time `json:"told_at,omitzero" doc:"Absent: now."`
	NoticeGiven bool      `json:"notice_given,omitempty" doc:"A written notice was left."`
}

// HazardClearing says why a hazard is no more.
type HazardClearing struct {
	Note string `json:"note" minLength:"1" maxLength:"2000" doc:"What was done, by whom, and how it was proven."`
}

// Hazard is a danger found at the unit or its place.
type Hazard struct {
	ID          domain.ID  `json:"id"`
	CallID      domain.ID  `json:"call_id"`
	VisitID     domain.ID  `json:"visit_id"`
	What        string     `json:"what"`
	Plain       string     `json:"plain" doc:"In words a customer understands."`
	Ask         string     `json:"ask" doc:"What to ask of the customer while it is not cleared."`
	Level       string     `json:"level"`
	Stops       bool       `json:"stops" doc:"It keeps the unit out of use: not cleared, and danger_now or a safety device."`
	Found       string     `json:"found"`
	Done        string     `json:"done"`
	Told        string     `json:"told"`
	ToldAt      wire.Time  `json:"told_at"`
	NoticeGiven bool       `json:"notice_given"`
	FoundBy     domain.ID  `json:"found_by"`
	FoundAt     wire.Time  `json:"found_at"`
	ClearedAt   *wire.Time `json:"cleared_at,omitempty"`
	ClearedBy   *domain.ID `json:"cleared_by,omitempty"`
	ClearedNote string     `json:"cleared_note,omitempty"`
}

func viewHazard(h repair.Hazard) Hazard {
	return Hazard{ID: h.ID, CallID: h.CallID, VisitID: h.VisitID, What: h.What, Plain: h.Kind().Plain, Ask: h.Kind().Ask, Level: string(h.Level),
		Stops: h.Stops(), Found: h.Found, Done: h.Done, Told: h.Told, ToldAt: wire.At(h.ToldAt), NoticeGiven: h.NoticeGiven, FoundBy: h.FoundBy,
		FoundAt: wire.At(h.FoundAt), ClearedAt: timeOrNone(h.ClearedAt), ClearedBy: idOrNone(h.ClearedBy), ClearedNote: h.ClearedNote}
}

const hazardText = `Every danger counts, also one outside of the complaint. One that is danger_now, or a safety device found failed or bypassed, keeps the
call from closing as returned to service, limited or no_fault_found until it is cleared. Smell of gas: touch no switch, everybody out, shut the cock if it is safe, call the
gas supplier from outside, and record it afterwards. Local codes, licensed trades and the maker's instructions come first.`

func (a *API) registerHazards(e *Edge) {
	a.registerHazardKinds(e)
	const op = "create-hazard"
	register(e, create(op, "/v1/visits/{id}/hazards", "closing", field, "Record a hazard found at a visit", hazardText),
		func(ctx context.Context, in *struct {
			ByID
			RawBody []byte
			Body    NewHazard
		}) (*made[Hazard], error) {
			n := in.Body
			h, replayed, err := a.Repair.FoundHazard(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, repair.NewHazard{What: n.What,
				Level: repair.Level(n.Level), Found: n.Found, Done: n.Done, Told: n.Told, ToldAt: n.ToldAt.Time, NoticeGiven: n.NoticeGiven})
			return madeOf(callPath(h.CallID)+"/hazards", 0, replayed, viewHazard(h)), err
		})
	register(e, show("list-hazards", "/v1/calls/{id}/hazards", "closing", anyone, "List the hazards found on a call, oldest first, cleared ones among them"),
		func(ctx context.Context, in *ByID) (*page[Hazard], error) {
			hs, err := a.Repair.ListHazards(ctx, principal(ctx), in.ID)
			return everything(hs, viewHazard), err
		})
	register(e, Op{ID: "clear-hazard", Method: http.MethodPost, Path: "/v1/hazards/{id}/clear", Tags: []string{"closing"}, Roles: field,
		Errors: []int{http.StatusUnprocessableEntity}, Summary: "Say that a hazard is no more",
		Description: "Also after the call was closed: an electrician may come later. Clearing it again changes nothing."},
		func(ctx context.Context, in *struct {
			ByID
			Body HazardClearing
		}) (*struct{ Body Hazard }, error) {
			h, err := a.Repair.ClearHazard(ctx, principal(ctx), in.ID, in.Body.Note)
			return &struct{ Body Hazard }{viewHazard(h)}, err
		})
}

// HazardKind is one kind of hazard.
type HazardKind struct {
	ID         string   `json:"id"`
	Name       string   `json:"name" doc:"In the words of the trade."`
	Plain      string   `json:"plain" doc:"In words a customer understands."`
	Ask        string   `json:"ask" doc:"What to ask of the customer while it is not cleared."`
	LookAt     []string `json:"look_at" doc:"What the tech asks or looks at."`
	WhatToDo   []string `json:"what_to_do" doc:"What the tech does."`
	UsualLevel string   `json:"usual_level" doc:"How grave it mostly is: danger_now, at_risk or below_present_code."`
	LeastLevel string   `json:"least_level,omitempty" doc:"A lower level is refused."`
	OutOfUse   string   `json:"keeps_out_of_service" doc:"always, or when_danger_now: when it keeps the unit out of service while it is not cleared."`
	Mark       string   `json:"mark" doc:"published, common_practice or from_memory."`
	Source     string   `json:"source,omitempty" doc:"What it rests on; absent for common practice."`
}

// HazardKinds is the catalogue of hazards.
type HazardKinds struct {
	Items []HazardKind `json:"items"`
}

func viewHazardKind(k repair.HazardKind) HazardKind {
	return HazardKind{ID: k.ID, Name: k.Name, Plain: k.Plain, Ask: k.Ask, LookAt: texts(k.Look), WhatToDo: texts(k.Do), UsualLevel: string(k.Usual),
		LeastLevel: string(k.Least), OutOfUse: string(k.Keeps()), Mark: string(k.Mark), Source: k.Source}
}

// registerHazardKinds serves the catalogue of hazards. It is part of the
// program, so its tag is a hash of its text.
func (a *API) registerHazardKinds(e *Edge) {
	out := HazardKinds{Items: []HazardKind{}}
	for _, k := range repair.HazardKinds() {
		out.Items = append(out.Items, viewHazardKind(k))
	}
	tag := fmt.Sprintf(`"%x"`, sha256.Sum256(fmt.Appendf(nil, "%+v", out)))
	op := show("read-hazard-kinds", "/v1/catalogue/hazards", "catalogue", anyone, "Show the catalogue of hazards")
	op.Description = `What can hurt people or the house: what to look at, what to do, what to tell the customer, and whether it keeps the unit out of
service. It changes only with a new version of the service: keep it, and ask again with If-None-Match. Local codes, licensed trades and the
maker's instructions come first.`
	register(e, op, func(context.Context, *struct{}) (*item[HazardKinds], error) {
		return &item[HazardKinds]{ETag: tag, Body: out}, nil
	})
}
