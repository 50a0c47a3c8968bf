package api

import (
	"context"
	"net/http"
	"time"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/people"
)

// Shop is the business everything belongs to.
type Shop struct {
	ID        domain.ID    `json:"id"`
	Code      string       `json:"code" doc:"For signing in."`
	Name      string       `json:"name"`
	TimeZone  string       `json:"time_zone" doc:"IANA name."`
	Decision  DecisionRule `json:"decision_rule"`
	CreatedAt wire.Time    `json:"created_at"`
}

// DecisionRule is how sure a verdict must be.
type DecisionRule struct {
	Accept float64 `json:"accept" doc:"A value conforms when the probability that it is within its limits is at least this."`
	Reject float64 `json:"reject" doc:"It does not conform when that probability is at most this; between the two the service says it cannot tell."`
}

// ShopPatch changes a shop.
type ShopPatch struct {
	Name     *string                     `json:"name,omitempty" maxLength:"120"`
	TimeZone *string                     `json:"time_zone,omitempty" maxLength:"64"`
	Decision wire.Opt[DecisionRulePatch] `json:"decision_rule,omitzero" doc:"Judges what is read from now on, and the readings of open calls when they are judged anew. Earlier verdicts are kept. null: 0.95 and 0.05."`
}

// DecisionRulePatch changes a decision rule.
type DecisionRulePatch struct {
	Accept wire.Opt[float64] `json:"accept,omitzero" doc:"A value conforms when the probability that it is within its limits is at least this. Above 0.5 and below 1; null: 0.95. Higher is stricter."`
	Reject wire.Opt[float64] `json:"reject,omitzero" doc:"It does not conform when that probability is at most this; between the two the service says it cannot tell. Above 0 and below 0.5; null: 0.05. Lower is stricter."`
}

// change gives the change; a member that is null goes back to the default.
func (p ShopPatch) change() people.ShopChange {
	c := people.ShopChange{Name: p.Name, TimeZone: p.TimeZone}
	usual := people.DefaultDecision()
	if p.Decision.Null {
		c.Accept, c.Reject = &usual.Accept, &usual.Reject
		return c
	}
	c.Accept = orUsual(p.Decision.V.Accept, usual.Accept)
	c.Reject = orUsual(p.Decision.V.Reject, usual.Reject)
	return c
}

// orUsual is what a merge-patch number asks for: nil keeps, null is usual.
func orUsual(o wire.Opt[float64], usual float64) *float64 {
	switch {
	case !o.Set:
		return nil
	case o.Null:
		return &usual
	}
	return &o.V
}

// Competence is a licence or training that expires.
type Competence struct {
	Name        string      `json:"name" enum:"live,gas,refrigerant" doc:"live: work on live parts."`
	Certificate string      `json:"certificate,omitempty" maxLength:"120"`
	ExpiresOn   domain.Date `json:"expires_on" doc:"Good until the end of this day."`
}

// Person is someone who signs in.
type Person struct {
	ID          domain.ID    `json:"id"`
	Name        string       `json:"name"`
	Email       string       `json:"email"`
	Role        string       `json:"role" enum:"owner,dispatcher,tech"`
	Competences []Competence `json:"competences"`
	CreatedAt   wire.Time    `json:"created_at"`
	DisabledAt  *wire.Time   `json:"disabled_at,omitempty"`
}

// PersonPatch changes a person. Competences replaces the whole list.
type PersonPatch struct {
	Name        *string       `json:"name,omitempty" maxLength:"120"`
	Role        *string       `json:"role,omitempty" enum:"owner,dispatcher,tech"`
	Disabled    *bool         `json:"disabled,omitempty" doc:"true ends the person's access at once."`
	Competences *[]Competence `json:"competences,omitempty" maxItems:"3"`
}

// NewPassword changes the caller's own password.
type NewPassword struct {
	OldPassword string `json:"old_password" maxLength:"128"`
	Password    string `json:"password" maxLength:"128" doc:"10 to 128 characters."`
}

// NewInvitation asks somebody to join the shop.
type NewInvitation struct {
	Name  string `json:"name" maxLength:"120"`
	Email string `json:"email" maxLength:"254"`
	Role  string `json:"role" enum:"owner,dispatcher,tech"`
}

// Invitation asks somebody to join the shop.
type Invitation struct {
	ID        domain.ID  `json:"id"`
	Name      string     `json:"name"`
	Email     string     `json:"email"`
	Role      string     `json:"role" enum:"owner,dispatcher,tech"`
	CreatedAt wire.Time  `json:"created_at"`
	ExpiresAt wire.Time  `json:"expires_at"`
	UsedAt    *wire.Time `json:"used_at,omitempty"`
	RevokedAt *wire.Time `json:"revoked_at,omitempty"`
	Token     string     `json:"token,omitempty" doc:"Shown only when the invitation is made; pass it on by a safe way."`
}

// Acceptance takes up an invitation.
type Acceptance struct {
	Token    string `json:"token" maxLength:"200"`
	Password string `json:"password" maxLength:"128" doc:"10 to 128 characters."`
}

func timeOrNone(t *time.Time) *wire.Time {
	if t == nil {
		return nil
	}
	v := wire.At(*t)
	return &v
}

func viewShop(s people.Shop) Shop {
	return Shop{ID: s.ID, Code: s.Code, Name: s.Name, TimeZone: s.TimeZone, Decision: DecisionRule(s.Decision), CreatedAt: wire.At(s.CreatedAt)}
}

func viewPerson(p people.Person) Person {
	v := Person{ID: p.ID, Name: p.Name, Email: p.Email, Role: string(p.Role), Competences: []Competence{},
		CreatedAt: wire.At(p.CreatedAt), DisabledAt: timeOrNone(p.DisabledAt)}
	for _, c := range p.Competences {
		v.Competences = append(v.Competences, Competence(c))
	}
	return v
}

func viewInvitation(i people.Invitation) Invitation {
	return Invitation{ID: i.ID, Name: i.Name, Email: i.Email, Role: string(i.Role), CreatedAt: wire.At(i.CreatedAt), ExpiresAt: wire.At(i.ExpiresAt),
		UsedAt: timeOrNone(i.UsedAt), RevokedAt: timeOrNone(i.RevokedAt), Token: i.Token}
}

func (p PersonPatch) change() people.PersonChange {
	c := people.PersonChange{Name: p.Name, Role: (*domain.Role)(p.Role), Disabled: p.Disabled}
	if p.Competences != nil {
		list := []people.Competence{}
		for _, k := range *p.Competences {
			list = append(list, people.Competence(k))
		}
		c.Competences = &list
	}
	return c
}

func (a *API) registerPeople(e *Edge) {
	a.registerShop(e)
	a.registerPersons(e)
	a.registerInvitations(e)
}

func (a *API) registerShop(e *Edge) {
	register(e, show("read-shop", "/v1/shop", "shop", anyone, "Show the shop"),
		func(ctx context.Context, _ *struct{}) (*item[Shop], error) {
			s, err := a.People.ReadShop(ctx, principal(ctx))
			return itemOf(s.Version, viewShop(s)), err
		})
	register(e, change("change-shop", "/v1/shop", "shop", ownerly, "Change the shop"),
		func(ctx context.Context, in *struct{ Body ShopPatch }) (*item[Shop], error) {
			s, err := a.People.ChangeShop(ctx, principal(ctx), ifMatch(ctx), in.Body.change())
			return itemOf(s.Version, viewShop(s)), err
		})
}

func (a *API) registerPersons(e *Edge) {
	register(e, show("list-people", "/v1/people", "people", anyone, "List the people of the shop"),
		func(ctx context.Context, _ *struct{}) (*struct{ Body List[Person] }, error) {
			ps, err := a.People.ListPeople(ctx, principal(ctx))
			out := &struct{ Body List[Person] }{List[Person]{Items: []Person{}}}
			for _, p := range ps {
				out.Body.Items = append(out.Body.Items, viewPerson(p))
			}
			return out, err
		})
	register(e, show("read-me", "/v1/people/me", "people", anyone, "Show who is signed in"),
		func(ctx context.Context, _ *struct{}) (*item[Person], error) {
			p, err := a.People.ReadPerson(ctx, principal(ctx), principal(ctx).Person)
			return itemOf(p.Version, viewPerson(p)), err
		})
	register(e, show("read-person", "/v1/people/{id}", "people", anyone, "Show a person"),
		func(ctx context.Context, in *ByID) (*item[Person], error) {
			p, err := a.People.ReadPerson(ctx, principal(ctx), in.ID)
			return itemOf(p.Version, viewPerson(p)), err
		})
	register(e, change("change-person", "/v1/people/{id}", "people", ownerly, "Change a person's name, role, competences or access"),
		func(ctx context.Context, in *struct {
			ByID
			Body PersonPatch
		}) (*item[Person], error) {
			p, err := a.People.ChangePerson(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Body.change())
			return itemOf(p.Version, viewPerson(p)), err
		})
	register(e, Op{ID: "change-password", Method: http.MethodPost, Path: "/v1/people/me/password", Roles: anyone, Tags: []string{"people"},
		Status: http.StatusNoContent, Summary: "Change your own password", Description: "Ends all your sessions: sign in again.",
		Errors: []int{http.StatusUnprocessableEntity}},
		func(ctx context.Context, in *struct{ Body NewPassword }) (*struct{}, error) {
			return nil, a.People.ChangePassword(ctx, principal(ctx), in.Body.OldPassword, in.Body.Password)
		})
}

func (a *API) registerInvitations(e *Edge) {
	const op = "create-invitation"
	register(e, create(op, "/v1/invitations", "people", ownerly, "Invite somebody to the shop", "The token in the answer is not shown again."),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewInvitation
		}) (*made[Invitation], error) {
			v, replayed, err := a.People.Invite(ctx, principal(ctx), onceKey(ctx, op, in.RawBody),
				people.NewInvitation{Name: in.Body.Name, Email: in.Body.Email, Role: domain.Role(in.Body.Role)})
			return madeOf("/v1/invitations", 0, replayed, viewInvitation(v)), err
		})
	register(e, show("list-invitations", "/v1/invitations", "people", ownerly, "List the newest 200 invitations"),
		func(ctx context.Context, _ *struct{}) (*struct{ Body List[Invitation] }, error) {
			vs, err := a.People.ListInvitations(ctx, principal(ctx))
			out := &struct{ Body List[Invitation] }{List[Invitation]{Items: []Invitation{}}}
			for _, v := range vs {
				out.Body.Items = append(out.Body.Items, viewInvitation(v))
			}
			return out, err
		})
	register(e, Op{ID: "revoke-invitation", Method: http.MethodDelete, Path: "/v1/invitations/{id}", Roles: ownerly, Tags: []string{"people"},
		Status: http.StatusNoContent, Summary: "Take an invitation back", Errors: []int{http.StatusConflict}},
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.People.RevokeInvitation(ctx, principal(ctx), in.ID)
		})
	register(e, Op{ID: "accept-invitation", Method: http.MethodPost, Path: "/v1/invitations/accept", Public: true, Tags: []string{"people"},
		Status: http.StatusCreated, Summary: "Take up an invitation: set a password and be signed in",
		Errors: []int{http.StatusUnauthorized, http.StatusConflict, http.StatusUnprocessableEntity}},
		func(ctx context.Context, in *struct{ Body Acceptance }) (*sessionAnswer, error) {
			return session(a.People.Accept(ctx, in.Body.Token, in.Body.Password))
		})
}
