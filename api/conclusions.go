package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/repair"
)

// FittedPart is one part fitted to the unit.
type FittedPart struct {
	Number      string `json:"number" minLength:"1" maxLength:"80" doc:"The maker's part number, as printed."`
	Name        string `json:"name,omitempty" maxLength:"120"`
	Source      string `json:"source" enum:"new_maker,new_other_maker,used,customer" doc:"Without source and lot nobody can tell later whose parts fail."`
	Lot         string `json:"lot,omitempty" maxLength:"80" doc:"Lot or date code."`
	OldPartKept bool   `json:"old_part_kept,omitempty" doc:"The old part was left with the customer or kept for a claim."`
}

// NewConclusion says what was wrong.
type NewConclusion struct {
	VisitID         domain.ID    `json:"visit_id" doc:"The visit of the call at which it was found out."`
	Part            string       `json:"part" minLength:"1" maxLength:"80" doc:"A part of the catalogue."`
	Fault           string       `json:"fault" minLength:"1" maxLength:"80" doc:"A fault of that part."`
	ActionID        *domain.ID   `json:"action_id,omitempty" doc:"The action of the call that mended it; absent when nothing is done yet."`
	Note            string       `json:"note,omitempty" maxLength:"2000"`
	Readings        []domain.ID  `json:"readings,omitempty" maxItems:"100" doc:"The readings it rests on. Required unless against_evidence is given."`
	Parts           []FittedPart `json:"parts,omitempty" maxItems:"20"`
	AgainstEvidence string       `json:"against_evidence,omitempty" maxLength:"2000" doc:"Why it is concluded although the evidence does not carry it. Required then."`
}

// Conclusion says what was wrong, on what evidence, and what was done.
type Conclusion struct {
	ID              domain.ID          `json:"id"`
	CallID          domain.ID          `json:"call_id"`
	VisitID         domain.ID          `json:"visit_id"`
	Part            string             `json:"part"`
	PartName        string             `json:"part_name"`
	Fault           string             `json:"fault"`
	FaultName       string             `json:"fault_name"`
	ActionID        *domain.ID         `json:"action_id,omitempty"`
	Note            string             `json:"note"`
	Readings        []domain.ID        `json:"readings"`
	Parts           []FittedPart       `json:"parts"`
	Supported       bool               `json:"supported" doc:"The evidence carried it at that moment."`
	AgainstEvidence string             `json:"against_evidence,omitempty"`
	Probability     float64            `json:"probability" doc:"What the engine gave the fault at that moment; 0 for one that is no cause of the complaint."`
	Assessment      ConclusionEvidence `json:"assessment" doc:"What the engine said at that moment."`
	EngineVersion   string             `json:"engine_version"`
	ConcludedBy     domain.ID          `json:"concluded_by"`
	ConcludedAt     wire.Time          `json:"concluded_at"`
	VoidedAt        *wire.Time         `json:"voided_at,omitempty"`
	VoidedBy        *domain.ID         `json:"voided_by,omitempty"`
	VoidReason      string             `json:"void_reason,omitempty"`
}

// ConclusionEvidence is what the engine said when a conclusion was drawn.
type ConclusionEvidence struct {
	Why              string            `json:"why"`
	Coverage         float64           `json:"coverage"`
	Ranking          []ConclusionFault `json:"ranking" doc:"The likeliest ten."`
	Barriers         []ConclusionFault `json:"barriers"`
	CatalogueVersion string            `json:"catalogue_version" doc:"Hash of the whole catalogue."`
}

// ConclusionFault is one fault of a ConclusionEvidence.
type ConclusionFault struct {
	Fault       string  `json:"fault"`
	Part        string  `json:"part"`
	Probability float64 `json:"probability"`
	Tested      bool    `json:"tested"`
}

func (a *API) viewConclusion(ctx context.Context, v repair.Conclusion) Conclusion {
	out := Conclusion{ID: v.ID, CallID: v.CallID, VisitID: v.VisitID, Part: v.Part, PartName: v.Part, Fault: v.Fault, FaultName: v.Fault,
		ActionID: idOrNone(v.ActionID), Note: v.Note, Readings: v.Readings, Parts: viewFitted(v.Fitted), Supported: v.Supported,
		AgainstEvidence: v.AgainstEvidence, Probability: v.Probability, Assessment: viewEvidence(v.Snapshot), EngineVersion: v.EngineVersion,
		ConcludedBy: v.ConcludedBy, ConcludedAt: wire.At(v.ConcludedAt), VoidedAt: timeOrNone(v.VoidedAt), VoidedBy: idOrNone(v.VoidedBy),
		VoidReason: v.VoidReason}
	for _, k := range a.words(ctx, v.Edition).Kinds { // fault ids are of one kind's part; the first that knows both names them
		p, known := k.Part(v.Part)
		if f, ok := k.Fault(v.Fault); ok && known && f.Part == p.ID {
			out.PartName, out.FaultName = p.Name, f.Name
			break
		}
	}
	return out
}

func viewFitted(fs []repair.FittedPart) []FittedPart {
	out := make([]FittedPart, 0, len(fs))
	for _, f := range fs {
		out = append(out, FittedPart{Number: f.Number, Name: f.Name, Source: f.Source, Lot: f.Lot, OldPartKept: f.OldPartKept})
	}
	return out
}

func viewEvidence(s repair.Snapshot) ConclusionEvidence {
	return ConclusionEvidence{Why: s.Why, Coverage: s.Coverage, Ranking: viewConclusionFaults(s.Ranking), Barriers: viewConclusionFaults(s.Barriers),
		CatalogueVersion: s.Catalogue}
}

func viewConclusionFaults(fs []repair.SnapshotFault) []ConclusionFault {
	out := make([]ConclusionFault, 0, len(fs))
	for _, f := range fs {
		out = append(out, ConclusionFault(f))
	}
	return out
}

func (n NewConclusion) read() repair.NewConclusion {
	out := repair.NewConclusion{VisitID: n.VisitID, Part: n.Part, Fault: n.Fault, ActionID: orZero(n.ActionID), Note: n.Note,
		AgainstEvidence: n.AgainstEvidence, Readings: n.Readings}
	for _, f := range n.Parts {
		out.Fitted = append(out.Fitted, repair.FittedPart{Number: f.Number, Name: f.Name, Source: f.Source, Lot: f.Lot, OldPartKept: f.OldPartKept})
	}
	return out
}

const concludeText = `A call can have several conclusions: the first cause, and a second barrier that failed as well. The evidence carries a fault when a
reading shows it directly or when the ranking leaves little else; otherwise the answer is 422 and asks for against_evidence with the reason. The
conclusion keeps what the engine said at that moment.`

func (a *API) registerConclusions(e *Edge) {
	const op = "create-conclusion"
	register(e, create(op, "/v1/calls/{id}/conclusions", "closing", field, "Conclude what was wrong", concludeText),
		func(ctx context.Context, in *struct {
			ByID
			RawBody []byte
			Body    NewConclusion
		}) (*made[Conclusion], error) {
			v, replayed, err := a.Repair.Conclude(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, in.Body.read())
			return madeOf(callPath(in.ID)+"/conclusions", 0, replayed, a.viewConclusion(ctx, v)), err
		})
	register(e, show("list-conclusions", "/v1/calls/{id}/conclusions", "closing", anyone, "List the conclusions of a call, oldest first, voided ones among them"),
		func(ctx context.Context, in *ByID) (*page[Conclusion], error) {
			vs, err := a.Repair.ListConclusions(ctx, principal(ctx), in.ID)
			return everything(vs, func(v repair.Conclusion) Conclusion { return a.viewConclusion(ctx, v) }), err
		})
	register(e, Op{ID: "void-conclusion", Method: http.MethodPost, Path: "/v1/conclusions/{id}/void", Tags: []string{"closing"}, Roles: field,
		Errors:  []int{http.StatusConflict, http.StatusUnprocessableEntity},
		Summary: "Take back a conclusion of an open call", Description: "Voiding it again changes nothing."},
		func(ctx context.Context, in *struct {
			ByID
			Body VoidReason
		}) (*struct{ Body Conclusion }, error) {
			v, err := a.Repair.VoidConclusion(ctx, principal(ctx), in.ID, in.Body.Reason)
			return &struct{ Body Conclusion }{a.viewConclusion(ctx, v)}, err
		})
}
