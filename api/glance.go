package api

import (
	"context"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/dispatch"
	"drumline/domain/repair"
)

// Glance is what to know of a unit while its owner is on the phone.
type Glance struct {
	Sentence      string            `json:"sentence" doc:"The gravest first."`
	Unit          Unit              `json:"unit"`
	Kind          string            `json:"kind_name"`
	ModelKnown    bool              `json:"model_known" doc:"The shop has a data sheet for the model."`
	Customer      GlanceCustomer    `json:"customer"`
	Site          Site              `json:"site"`
	Calls         []GlanceCall      `json:"calls" doc:"The last three, latest first."`
	ComeBack      bool              `json:"possible_come_back" doc:"A guarantee runs, or a repair was closed in the last 90 days."`
	Guarantees    []GlanceGuarantee `json:"guarantees" doc:"That still run, the longest first."`
	Hazards       []Hazard          `json:"hazards" doc:"Not cleared."`
	Notices       []UnitNotice      `json:"safety_notices"`
	Visits        []Visit           `json:"visits" doc:"Booked or under way; a tech sees their own."`
	WaitingSince  *wire.Time        `json:"waiting_for_parts_since,omitempty"`
	PartsHaveCome bool              `json:"parts_have_come" doc:"And no return visit is booked."`
	CareDueOn     *domain.Date      `json:"care_due_on,omitempty"`
	CareOverdue   bool              `json:"care_overdue"`
}

// GlanceCustomer is who is on the phone.
type GlanceCustomer struct {
	ID    domain.ID `json:"id"`
	Name  string    `json:"name"`
	Phone string    `json:"phone"`
}

// GlanceCall is one call with what came of it.
type GlanceCall struct {
	CallSummary
	ComplaintName string             `json:"complaint_name"`
	Conclusions   []GlanceConclusion `json:"conclusions"`
}

// GlanceConclusion is what was at fault.
type GlanceConclusion struct {
	PartName  string       `json:"part_name"`
	FaultName string       `json:"fault_name"`
	Mended    bool         `json:"mended"`
	Parts     []FittedPart `json:"parts"`
}

// GlanceGuarantee is what the shop still answers for.
type GlanceGuarantee struct {
	CallID      domain.ID    `json:"call_id"`
	FaultName   string       `json:"fault_name"`
	LabourUntil domain.Date  `json:"labour_until"`
	PartUntil   *domain.Date `json:"part_until,omitempty" doc:"Absent: no part of the shop's was fitted."`
}

func viewGlance(g dispatch.Glance) Glance {
	d := g.Dossier
	out := Glance{Sentence: g.Sentence, Unit: viewUnit(d.Unit, g.Notices), Kind: g.Kind, ModelKnown: g.ModelKnown,
		Customer: GlanceCustomer{d.Customer.ID, d.Customer.Name, d.Customer.Phone}, Site: viewSite(d.Site), Calls: []GlanceCall{},
		ComeBack: g.ComeBack, Guarantees: []GlanceGuarantee{}, Hazards: viewed(g.Hazards, func(h *repair.Hazard) Hazard { return viewHazard(*h) }), Notices: viewNotices(g.Notices),
		Visits: []Visit{}, WaitingSince: timeOrNone(g.WaitingSince), PartsHaveCome: g.PartsHaveCome, CareDueOn: dateOrNone(g.CareDue), CareOverdue: g.CareOverdue}
	for _, c := range g.Calls {
		one := GlanceCall{CallSummary: viewCallSummary(c.Call), ComplaintName: c.ComplaintName, Conclusions: []GlanceConclusion{}}
		for _, v := range c.Conclusions {
			one.Conclusions = append(one.Conclusions, GlanceConclusion{PartName: v.PartName, FaultName: v.FaultName, Mended: !v.ActionID.IsZero(), Parts: viewFitted(v.Fitted)})
		}
		out.Calls = append(out.Calls, one)
	}
	for _, w := range g.Guarantees {
		out.Guarantees = append(out.Guarantees, GlanceGuarantee{w.CallID, w.FaultName, w.LabourUntil, dateOrNone(w.PartUntil)})
	}
	for _, v := range g.Visits {
		out.Visits = append(out.Visits, viewVisit(v))
	}
	return out
}

func (a *API) registerGlance(e *Edge) {
	op := show("read-unit-at-a-glance", "/v1/units/{id}/at-a-glance", "dispatch", anyone, "Show what to know of a unit while its owner is on the phone")
	op.Description = "In one answer: the last three calls with what came of them, guarantees that run, hazards, safety notices, visits booked, care due."
	register(e, op, func(ctx context.Context, in *ByID) (*struct{ Body Glance }, error) {
		g, err := a.Dispatch.AtAGlance(ctx, principal(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return &struct{ Body Glance }{viewGlance(g)}, nil
	})
}
