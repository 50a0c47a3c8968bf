package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"slices"

	"drumline/api"
	"drumline/domain"
)

// checkCommand is a client for a terminal. It knows no check: every form is
// drawn from what the service's catalogue says.
type checkCommand struct {
	Visit domain.ID `arg:"" help:"Id of the visit; its status must be on_site."`
	URL   string    `help:"Address of the service, e.g. http://127.0.0.1:8080. Else DRUMLINE_URL." placeholder:"URL"`
	Shop  string    `help:"Sign-in code of the shop. Else DRUMLINE_SHOP." placeholder:"CODE"`
	Email string    `help:"E-mail address to sign in with. Else DRUMLINE_EMAIL." placeholder:"ADDRESS"`
	Phase string    `help:"Phase of the readings: as_found, after_action or verification." enum:"as_found,after_action,verification" default:"as_found"`
}

// Help is what drumline check --help adds.
func (checkCommand) Help() string {
	return `Goes from check to check at one machine: what to do and how to do it safely, its form, what the reading means, and what comes next,
until enough is known. Forms, units, choices and cautions come from the service's catalogue.

The password is read from DRUMLINE_PASSWORD, else it is asked.

Every question takes /b (back to the choice of the check), /n (the check in hand cannot be done, and why) and /q (leave). A number is
entered as the meter shows it, with its unit after it where it is not the first one named: 151, or 66 Cel. OL is over range. A logged
run is a file with a line for each point: seconds, value and, for a contact, 1 for closed or 0, divided by commas.

Local codes, licensed trades and the maker's instructions come before everything it says.`
}

// Run goes from check to check until enough is known or the person leaves.
func (c checkCommand) Run(ctx context.Context, p *program) error {
	if err := c.complete(p.getenv); err != nil {
		return err
	}
	t := newTerminal(ctx, p.stdin, p.stdout)
	v := &visiting{terminal: t, visit: c.Visit, phase: c.Phase}
	err := c.signIn(ctx, p, v)
	if err == nil {
		err = v.load()
	}
	if err == nil {
		err = v.work()
	}
	if errors.Is(err, errLeave) {
		return nil
	}
	return err
}

// complete takes from the environment what the command line does not say.
func (c *checkCommand) complete(getenv func(string) string) error {
	for _, s := range []struct {
		value      *string
		flag, name string
	}{{&c.URL, "--url", "DRUMLINE_URL"}, {&c.Shop, "--shop", "DRUMLINE_SHOP"}, {&c.Email, "--email", "DRUMLINE_EMAIL"}} {
		if *s.value == "" {
			*s.value = getenv(s.name)
		}
		if *s.value == "" {
			return fmt.Errorf("give %s, or set %s", s.flag, s.name)
		}
	}
	return nil
}

func (c checkCommand) signIn(ctx context.Context, p *program, v *visiting) error {
	if readable(c.URL) {
		v.say("! %s is not encrypted: others on the way can read the password. Use https where there is a network between.", c.URL)
	}
	password := p.getenv("DRUMLINE_PASSWORD")
	if password == "" {
		var err error
		if password, err = v.secret("Password of " + c.Email + ": "); errors.Is(err, io.EOF) {
			return errors.New("give the password when it is asked for, or in DRUMLINE_PASSWORD")
		}
		if err != nil {
			return err
		}
	}
	var err error
	v.session, err = signedIn(ctx, c.URL, api.SignIn{Shop: c.Shop, Email: c.Email, Password: password})
	return err
}

// readable says that the address leads over a network without encryption.
func readable(address string) bool {
	at, err := url.Parse(address)
	if err != nil || at.Scheme != "http" || at.Hostname() == "localhost" {
		return false
	}
	ip := net.ParseIP(at.Hostname())
	return ip == nil || !ip.IsLoopback()
}

// visiting is one person at one machine.
type visiting struct {
	*terminal
	*session
	visit       domain.ID
	phase       string
	call        domain.ID
	unit        api.Unit
	kind        api.CatalogueKind
	instruments []api.CatalogueName // by id
	instrument  string              // the one used last
	lead        string              // what it last showed with its leads shorted
	now         api.Assessment
}

// load reads what does not change while the person works.
func (v *visiting) load() error {
	var visit api.Visit
	if err := v.get("/v1/visits/"+v.visit.String(), &visit); err != nil {
		return err
	}
	v.call = visit.CallID
	var call api.CallSummary
	if err := v.get("/v1/calls/"+v.call.String(), &call); err != nil {
		return err
	}
	if err := v.get("/v1/units/"+call.UnitID.String(), &v.unit); err != nil {
		return err
	}
	var cat api.Catalogue
	if err := v.get("/v1/catalogue?kind="+url.QueryEscape(v.unit.Kind), &cat); err != nil {
		return err
	}
	if len(cat.Kinds) != 1 {
		return fmt.Errorf("the service's catalogue does not show the kind %q", v.unit.Kind)
	}
	v.kind = cat.Kinds[0]
	v.say("%s %s %s. Type /q to leave, /b to choose another check, /n when a check cannot be done.", v.kind.Name, v.unit.Maker, v.unit.Model)
	return v.loadInstruments()
}

// loadInstruments reads the shop's instruments and the person's own.
func (v *visiting) loadInstruments() error {
	for cursor := ""; ; {
		var page api.List[api.Instrument]
		if err := v.get("/v1/instruments?page_size=100&cursor="+url.QueryEscape(cursor), &page); err != nil {
			return err
		}
		for _, i := range page.Items {
			if i.PersonID == nil || *i.PersonID == v.tokens.PersonID {
				v.instruments = append(v.instruments, api.CatalogueName{ID: i.ID.String(), Name: i.Name})
			}
		}
		if cursor = page.NextCursor; cursor == "" {
			return nil
		}
	}
}

func (v *visiting) check(id string) (api.CatalogueCheck, bool) {
	i := slices.IndexFunc(v.kind.Checks, func(c api.CatalogueCheck) bool { return c.ID == id })
	if i < 0 {
		return api.CatalogueCheck{}, false
	}
	return v.kind.Checks[i], true
}

// fits says whether the machine has what is needed and lacks what is in the way.
func (v *visiting) fits(has, lacks string) bool {
	return (has == "" || slices.Contains(v.unit.Features, has)) && (lacks == "" || !slices.Contains(v.unit.Features, lacks))
}
