package api

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/dispatch"
	"drumline/domain/dispatch/ical"
)

// NewCalendar is a feed to make.
type NewCalendar struct {
	Name     string    `json:"name" minLength:"1" maxLength:"120" doc:"What calendar programs call it."`
	PersonID domain.ID `json:"person_id,omitzero" doc:"Whose visits; absent: the whole shop's. A tech gives their own."`
	Shows    string    `json:"shows,omitempty" enum:"visits,care_due" doc:"visits, or when care of the shop's units is due; absent: visits."`
}

// Calendar is a feed of visits.
type Calendar struct {
	ID        domain.ID  `json:"id"`
	Name      string     `json:"name"`
	PersonID  *domain.ID `json:"person_id,omitempty"`
	Shows     string     `json:"shows"`
	Path      string     `json:"path,omitempty" doc:"Where to subscribe, on this server; shown once, when it is made. Whoever has it can read the feed."`
	CreatedBy domain.ID  `json:"created_by"`
	CreatedAt wire.Time  `json:"created_at"`
	RevokedAt *wire.Time `json:"revoked_at,omitempty"`
}

func viewCalendar(c dispatch.Calendar) Calendar {
	out := Calendar{ID: c.ID, Name: c.Name, PersonID: idOrNone(c.PersonID), Shows: c.Shows, CreatedBy: c.CreatedBy, CreatedAt: wire.At(c.CreatedAt), RevokedAt: timeOrNone(c.RevokedAt)}
	if c.Token != "" {
		out.Path = "/v1/calendars/" + c.Token
	}
	return out
}

// feedOut is a calendar feed.
type feedOut struct {
	ContentType string `header:"Content-Type"`
	Cache       string `header:"Cache-Control"`
	ETag        string `header:"ETag"`
	Body        []byte
}

const calendarText = `A feed of visits, or of the days on which care is due, that any calendar program can subscribe to (RFC 5545): 30 days back and 180 ahead, cancelled ones marked. It holds the
appliance, the complaint, the address and the access notes, and neither the customer's name nor their telephone number. Its address is the only key:
it is shown once (not again when the request is repeated), and the feed can be revoked. It ends by itself when whoever made it, or whose visits it
shows, no longer works for the shop.`

func (a *API) registerCalendars(e *Edge) {
	const op, base, tag = "create-calendar", "/v1/calendars", "dispatch"
	register(e, create(op, base, tag, anyone, "Make a calendar feed", calendarText),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewCalendar
		}) (*made[Calendar], error) {
			c, replayed, err := a.Dispatch.CreateCalendar(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.Body.PersonID, in.Body.Name, cmp.Or(in.Body.Shows, dispatch.ShowsVisits))
			return madeOf(base, 0, replayed, viewCalendar(c)), err
		})
	register(e, show("list-calendars", base, tag, anyone, "List calendar feeds; a tech gets those of their own visits"),
		func(ctx context.Context, _ *struct{}) (*page[Calendar], error) {
			cs, err := a.Dispatch.ListCalendars(ctx, principal(ctx))
			return everything(cs, viewCalendar), err
		})
	register(e, Op{ID: "revoke-calendar", Method: http.MethodPost, Path: base + "/{id}/revoke", Roles: anyone, Tags: []string{tag}, Status: http.StatusNoContent,
		Summary: "End a calendar feed", Description: "Revoking it again changes nothing."},
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Dispatch.RevokeCalendar(ctx, principal(ctx), in.ID)
		})
	register(e, Op{ID: "read-calendar", Method: http.MethodGet, Path: base + "/{token}", Public: true, Tags: []string{tag}, Produces: []string{"text/calendar"},
		Summary: "Read a calendar feed", Description: calendarText, Errors: []int{http.StatusNotFound}},
		func(ctx context.Context, in *struct {
			Token string `path:"token" doc:"As it was shown when the feed was made."`
		}) (*feedOut, error) {
			text, err := a.Dispatch.Feed(ctx, in.Token)
			if err != nil {
				return nil, err
			}
			sum := sha256.Sum256(text)
			return &feedOut{ContentType: ical.ContentType, Cache: "private, no-cache", ETag: `"` + hex.EncodeToString(sum[:12]) + `"`, Body: text}, nil
		})
}
