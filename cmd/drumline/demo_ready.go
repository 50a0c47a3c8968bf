package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"drumline/api"
	"drumline/cmd/drumline/seed"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/once"
)

// demoLevel keeps the line of each request off the terminal, where the walk
// is to be read.
const demoLevel = slog.LevelWarn

// walkModel is the model of the walk's dryer: it has a bias heater, a LOW
// setting, and a data sheet.
const walkModel = "TW-310"

// ready is what somebody needs to work with the demo.
type ready struct {
	URL           string                 `json:"url"`
	Mailbox       string                 `json:"mailbox"` // page of the mail the demo has sent
	Shop          string                 `json:"shop"`
	Tokens        map[domain.Role]string `json:"tokens"`
	RefreshTokens map[domain.Role]string `json:"refresh_tokens"`
	Customer      domain.ID              `json:"customer"`
	Unit          domain.ID              `json:"unit"`
	Call          domain.ID              `json:"call"`
	Visit         domain.ID              `json:"visit"`
	meter         domain.ID              // the tech's meter, for the walk
}

// write puts the file in place in one step: who waits for it never reads half.
func (r *ready) write(file string) error {
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(file), ".ready-*") // mode 0600: it holds tokens
	if err != nil {
		return fmt.Errorf("ready file: %w", err)
	}
	_, err = f.Write(append(text, '\n'))
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return fmt.Errorf("ready file: %w", errors.Join(err, os.Remove(f.Name())))
	}
	return nil
}

// prepare signs three people in and makes sure that the tech stands at a dryer.
func prepare(ctx context.Context, a *api.API, url string) (*ready, error) {
	r := &ready{URL: url, Shop: seed.Find(domain.Owner).Shop, Tokens: map[domain.Role]string{}, RefreshTokens: map[domain.Role]string{}}
	who := map[domain.Role]domain.Principal{}
	for _, role := range domain.Anyone() {
		s := seed.Find(role)
		t, err := a.People.SignIn(ctx, s.Shop, s.Email, seed.Password)
		if err != nil {
			return nil, fmt.Errorf("%s cannot sign in (%w): the demo's people were changed; start with --fresh", s.Email, err)
		}
		p, err := a.People.Authenticate(t.Access)
		if err != nil {
			return nil, err
		}
		p.Needs = domain.Anyone()
		who[role], r.Tokens[role], r.RefreshTokens[role] = p, t.Access, t.Refresh
	}
	w := &walkMaker{api: a, dispatcher: who[domain.Dispatcher], tech: who[domain.Tech]}
	return r, w.prepare(ctx, r)
}

// walkMaker makes the call of the walk.
type walkMaker struct {
	api              *api.API
	dispatcher, tech domain.Principal
}

func (w *walkMaker) prepare(ctx context.Context, r *ready) error {
	u, err := w.dryer(ctx)
	if err != nil {
		return err
	}
	site, err := w.api.Customers.ReadSite(ctx, w.dispatcher, u.SiteID)
	if err != nil {
		return err
	}
	r.Customer, r.Unit = site.CustomerID, u.ID
	if r.meter, err = w.meter(ctx); err != nil {
		return err
	}
	v, found, err := w.waiting(ctx, u.ID)
	if err == nil && !found {
		v, err = w.open(ctx, u.ID)
	}
	r.Call, r.Visit = v.CallID, v.ID
	return err
}

func (w *walkMaker) dryer(ctx context.Context) (customers.Unit, error) {
	us, err := w.api.Customers.ListUnits(ctx, w.dispatcher, customers.UnitFilter{Model: walkModel}, domain.ID{}, 1)
	if err == nil && len(us) == 0 {
		err = errors.New("the demo's dryers of model " + walkModel + " are all retired; start with --fresh")
	}
	if err != nil {
		return customers.Unit{}, err
	}
	return us[0], nil
}

// meter is what the tech measures resistance with.
func (w *walkMaker) meter(ctx context.Context) (domain.ID, error) {
	is, err := w.api.Customers.ListInstruments(ctx, w.tech, w.tech.Person, false, domain.ID{}, 100)
	for _, i := range is {
		for _, a := range i.Accuracies {
			if a.Quantity == "resistance" {
				return i.ID, nil
			}
		}
	}
	if err == nil {
		err = errors.New("the demo's tech has no meter any more; start with --fresh")
	}
	return domain.ID{}, err
}

// waiting finds a visit of an earlier start that nobody has worked at yet.
func (w *walkMaker) waiting(ctx context.Context, unit domain.ID) (calls.Visit, bool, error) {
	vs, err := w.api.Calls.ListVisits(ctx, w.dispatcher, calls.VisitFilter{TechID: w.tech.Person, Status: calls.OnSite}, calls.VisitKey{}, 100)
	if err != nil {
		return calls.Visit{}, false, err
	}
	for _, v := range vs {
		c, err := w.api.Calls.ReadCall(ctx, w.dispatcher, v.CallID)
		if err != nil {
			return v, false, err
		}
		if c.UnitID != unit || c.Status == calls.Closed {
			continue
		}
		if idle, err := w.idle(ctx, v); err != nil || idle {
			return v, idle, err
		}
	}
	return calls.Visit{}, false, nil
}

// idle says that nothing has been done about the call of a visit.
func (w *walkMaker) idle(ctx context.Context, v calls.Visit) (bool, error) {
	rs, err := w.api.Repair.ListReadings(ctx, w.dispatcher, v.CallID)
	if err != nil || len(rs) > 0 {
		return false, err
	}
	is, err := w.api.Repair.ListIsolations(ctx, w.dispatcher, v.ID)
	if err != nil || len(is) > 0 {
		return false, err
	}
	as, err := w.api.Repair.ListActions(ctx, w.dispatcher, v.CallID)
	return len(as) == 0, err
}

// open opens a call about the dryer and brings the tech there.
func (w *walkMaker) open(ctx context.Context, unit domain.ID) (calls.Visit, error) {
	d, _, err := w.api.Calls.OpenCall(ctx, w.dispatcher, freshKey(), calls.NewCall{UnitID: unit, Complaint: "runs_too_hot",
		Description: "On LOW the clothes come out as hot as on HIGH.",
		Triage: map[string]string{"setting": "low_only", "scorch": "no", "stops_by_itself": "yes", "heat_on_air_only": "no", "warm_when_off": "no",
			"dry_time": "same", "onset": "suddenly", "last_cleaned": "within_year", "worked_on": "nobody", "fuse_before": "no", "drum_turns": "yes"}})
	if err != nil {
		return calls.Visit{}, err
	}
	v, err := w.book(ctx, d.ID)
	for _, to := range []calls.VisitStatus{calls.OnTheWay, calls.OnSite} {
		if err == nil {
			v, err = w.api.Calls.SetVisitStatus(ctx, w.tech, v.ID, domain.AnyVersion, to, "")
		}
	}
	return v, err
}

// book takes the first free half hour of the tech: a booked day or an earlier
// walk may be in the way.
func (w *walkMaker) book(ctx context.Context, call domain.ID) (calls.Visit, error) {
	const length = 30 * time.Minute
	at := time.Now().UTC().Truncate(time.Minute)
	for range 200 {
		v, _, err := w.api.Calls.Book(ctx, w.dispatcher, freshKey(), call, calls.NewVisit{TechID: w.tech.Person, StartsAt: at, EndsAt: at.Add(length)}, calls.Guard{})
		if domain.KindOf(err) != domain.Conflict {
			return v, err
		}
		at = at.Add(length)
	}
	return calls.Visit{}, errors.New("the demo's tech has no free half hour for days; start with --fresh")
}

// freshKey is a key of a request nobody repeats. Its empty hash makes the
// request sweep old keys away, those of the invented past among them.
func freshKey() once.Key {
	return once.Key{Route: "demo", Key: domain.NewID(time.Now()).String()}
}
