package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/people"
)

// SignIn asks for a session.
type SignIn struct {
	Shop     string `json:"shop" maxLength:"40" doc:"The shop's sign-in code."`
	Email    string `json:"email" maxLength:"254"`
	Password string `json:"password" maxLength:"128"`
}

// RefreshToken carries a refresh token.
type RefreshToken struct {
	RefreshToken string `json:"refresh_token" maxLength:"200"`
}

// Session is what a signed-in client holds.
type Session struct {
	AccessToken      string      `json:"access_token" doc:"Send it as Authorization: Bearer …"`
	TokenType        string      `json:"token_type" doc:"Always Bearer."`
	ExpiresAt        wire.Time   `json:"expires_at" doc:"Of the access token: refresh before."`
	RefreshToken     string      `json:"refresh_token" doc:"Good for one use; each use gives a new one. Using an old one again ends the session."`
	RefreshExpiresAt wire.Time   `json:"refresh_expires_at"`
	PersonID         domain.ID   `json:"person_id"`
	ShopID           domain.ID   `json:"shop_id"`
	Role             domain.Role `json:"role"`
}

type sessionAnswer struct{ Body Session }

func session(t people.Tokens, err error) (*sessionAnswer, error) {
	if err != nil {
		return nil, err
	}
	return &sessionAnswer{Body: Session{AccessToken: t.Access, TokenType: "Bearer", ExpiresAt: wire.At(t.AccessUntil), RefreshToken: t.Refresh,
		RefreshExpiresAt: wire.At(t.RefreshUntil), PersonID: t.Person, ShopID: t.Shop, Role: t.Role}}, nil
}

func (a *API) registerSessions(e *Edge) {
	tags := []string{"sessions"}
	register(e, Op{ID: "sign-in", Method: http.MethodPost, Path: "/v1/sessions", Public: true, Tags: tags, Status: http.StatusCreated,
		Summary: "Sign in", Description: "Wrong shop, e-mail and password are told alike.", Errors: []int{http.StatusUnauthorized}},
		func(ctx context.Context, in *struct{ Body SignIn }) (*sessionAnswer, error) {
			return session(a.People.SignIn(ctx, in.Body.Shop, in.Body.Email, in.Body.Password))
		})
	register(e, Op{ID: "refresh-session", Method: http.MethodPost, Path: "/v1/sessions/refresh", Public: true, Tags: tags,
		Summary:     "Renew the tokens",
		Description: "If the answer was lost, the same token may be sent again within ten seconds and gives the same new one.",
		Errors:      []int{http.StatusUnauthorized}},
		func(ctx context.Context, in *struct{ Body RefreshToken }) (*sessionAnswer, error) {
			return session(a.People.Refresh(ctx, in.Body.RefreshToken))
		})
	register(e, Op{ID: "sign-out", Method: http.MethodDelete, Path: "/v1/sessions/current", Roles: anyone, Tags: tags, Status: http.StatusNoContent,
		Summary: "Sign out", Description: "Access and refresh tokens of this session stop working at once."},
		func(ctx context.Context, _ *struct{}) (*struct{}, error) {
			return nil, a.People.SignOut(ctx, principal(ctx))
		})
}
