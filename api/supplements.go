package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/supplements"
)

// Supplement is one addition of the shop to a kind of the catalogue.
type Supplement struct {
	ID        domain.ID            `json:"id"`
	Version   int64                `json:"version"`
	Edition   int64                `json:"edition" doc:"Of the shop's content as a whole: the first with this version."`
	Content   catalogue.Supplement `json:"content"`
	Flaws     []wire.FieldError    `json:"flaws" doc:"Why it is left out at present: something built in that it refers to has gone with a new version of the service. Normally empty."`
	ChangedBy domain.ID            `json:"changed_by"`
	ChangedAt wire.Time            `json:"changed_at"`
	CreatedAt wire.Time            `json:"created_at"`
	RetiredAt *wire.Time           `json:"retired_at,omitempty"`
}

// SupplementFile is a shop's own content as a file, to keep or to hand on.
type SupplementFile struct {
	Format      string                 `json:"format" enum:"drumline-supplements-1"`
	Edition     int64                  `json:"edition,omitempty" doc:"Of the shop it was taken from; not read."`
	Supplements []catalogue.Supplement `json:"supplements" maxItems:"100"`
}

const supplementFormat = "drumline-supplements-1"

// Imported is what taking over a file came to.
type Imported struct {
	Supplements []Supplement `json:"supplements" doc:"In the order of the file; one that was the same already keeps its version."`
}

func viewSupplement(s supplements.Supplement) Supplement {
	out := Supplement{ID: s.ID, Version: s.Version, Edition: s.Edition, Content: s.Body, Flaws: []wire.FieldError{}, ChangedBy: s.ChangedBy,
		ChangedAt: wire.At(s.ChangedAt), CreatedAt: wire.At(s.CreatedAt), RetiredAt: timeOrNone(s.RetiredAt)}
	for _, f := range s.Flaws {
		out.Flaws = append(out.Flaws, wire.FieldError{Pointer: supplements.Pointer(f.Path), Code: "catalogue_rule", Detail: f.Message})
	}
	return out
}

func supplementID(s supplements.Supplement) domain.ID { return s.ID }

// words is the catalogue of an edition of the shop's content, for names and
// texts. They are a courtesy: where it cannot be read just now the built-in
// ones stand, and the shop's own ids in place of their names.
func (a *API) words(ctx context.Context, edition int64) *catalogue.Catalogue {
	c, err := a.Supplements.At(ctx, principal(ctx), edition)
	if err != nil {
		return a.Catalogue
	}
	return c
}

const supplementText = `Own checks, limits, complaints and models, in the form of the catalogue with the chances beside it. What is added carries ids that
begin with own_ and may refer to everything of the kind. It is held to the rules of the built-in content, in the same words: a circuit state, the
competence for live or gas work, units, sentences of at most 20 words, no text that tells anyone to put a safety device out of action; findings stand
mildest first, and the chances of a check's findings add up to 1 for each fault and for otherwise. A figure with the mark published cannot be replaced.
Calls opened from now on are judged by it; one that is open is taken to it by rederive.`

func (a *API) registerSupplements(e *Edge) {
	const op, base, tag = "create-supplement", "/v1/catalogue/own", "catalogue"
	register(e, create(op, base, tag, ownerly, "Add to the catalogue", supplementText),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    catalogue.Supplement
		}) (*made[Supplement], error) {
			s, replayed, err := a.Supplements.Create(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.Body)
			return madeOf(base+"/"+s.ID.String(), s.Version, replayed, viewSupplement(s)), err
		})
	register(e, show("list-supplements", base, tag, anyone, "List what the shop added to the catalogue, oldest first"),
		func(ctx context.Context, in *struct {
			Paging
			Kind    string `query:"kind" maxLength:"80"`
			Retired bool   `query:"include_retired"`
		}) (*page[Supplement], error) {
			var after domain.ID
			return list(ctx, a, in.Paging, &after, func(n int) ([]supplements.Supplement, error) {
				return a.Supplements.List(ctx, principal(ctx), in.Kind, in.Retired, after, n)
			}, supplementID, viewSupplement)
		})
	register(e, show("read-supplement", base+"/{id}", tag, anyone, "Show one addition to the catalogue"),
		func(ctx context.Context, in *struct {
			ByID
			Version int64 `query:"version" minimum:"0" doc:"An earlier version; absent: the newest."`
		}) (*item[Supplement], error) {
			s, err := a.Supplements.Read(ctx, principal(ctx), in.ID, in.Version)
			return itemOf(s.Version, viewSupplement(s)), err
		})
	register(e, show("list-supplement-versions", base+"/{id}/versions", tag, anyone, "List every version of an addition, oldest first"),
		func(ctx context.Context, in *ByID) (*page[Supplement], error) {
			vs, err := a.Supplements.Versions(ctx, principal(ctx), in.ID)
			return everything(vs, viewSupplement), err
		})
	register(e, Op{ID: "put-supplement", Method: http.MethodPut, Path: base + "/{id}", Roles: ownerly, Tags: []string{tag}, IfMatch: true,
		Summary: "Put a new version in the place of an addition", Description: supplementText,
		Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}},
		func(ctx context.Context, in *struct {
			ByID
			Body catalogue.Supplement
		}) (*item[Supplement], error) {
			s, err := a.Supplements.Change(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Body)
			return itemOf(s.Version, viewSupplement(s)), err
		})
	leave := retire("retire-supplement", base+"/{id}", tag, ownerly, "Retire an addition to the catalogue")
	leave.Description = "Calls that were opened while it was in use keep it. One that another addition builds on is refused with 409."
	register(e, leave, func(ctx context.Context, in *ByID) (*struct{}, error) {
		return nil, a.Supplements.Retire(ctx, principal(ctx), in.ID, ifMatch(ctx))
	})
	a.registerSupplementFile(e, base+"/file", tag)
}

func (a *API) registerSupplementFile(e *Edge, path, tag string) {
	out := show("export-supplements", path, tag, ownerly, "Give what the shop added to the catalogue as a file")
	register(e, out, func(ctx context.Context, _ *struct{}) (*struct{ Body SupplementFile }, error) {
		ss, edition, err := a.Supplements.Export(ctx, principal(ctx))
		return &struct{ Body SupplementFile }{SupplementFile{Format: supplementFormat, Edition: edition, Supplements: ss}}, err
	})
	const op = "import-supplements"
	in := create(op, path, tag, ownerly, "Take over a file of additions to the catalogue",
		"All or none. One of the same kind and title becomes a new version of the shop's own; what is the same already stays as it is.")
	in.Status = http.StatusOK
	register(e, in, func(ctx context.Context, in *struct {
		RawBody []byte
		Body    SupplementFile
	}) (*made[Imported], error) {
		ss, replayed, err := a.Supplements.Import(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.Body.Supplements)
		body := Imported{Supplements: []Supplement{}}
		for _, s := range ss {
			body.Supplements = append(body.Supplements, viewSupplement(s))
		}
		return madeOf(path, 0, replayed, body), err
	})
}
