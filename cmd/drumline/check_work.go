package main

import (
	"errors"
	"net/http"
	"strconv"

	"drumline/api"
)

// offered bounds the checks that are offered by number.
const offered = 3

// work shows where the call stands and does the check the person chooses.
func (v *visiting) work() error {
	if err := v.get("/v1/calls/"+v.call.String()+"/assessment", &v.now); err != nil {
		return err
	}
	for {
		v.stands()
		ch, position, err := v.choose()
		if err == nil {
			err = v.do(ch, position)
		}
		if said, ok := errors.AsType[*refusal](err); ok {
			v.say("! %s", said.Error())
			err = nil
		}
		if err != nil && !errors.Is(err, errBack) {
			return err
		}
	}
}

// next are the checks that are offered by number.
func (v *visiting) next() []api.NextCheck { return v.now.Next[:min(len(v.now.Next), offered)] }

// choose asks for a check: one of those offered, or any by its id. An empty
// answer takes the first, or leaves when enough is known.
func (v *visiting) choose() (api.CatalogueCheck, string, error) {
	question := "Next check: its number, an id, ? for all: "
	if v.now.Enough {
		question = "Enter to leave, or another check: "
	}
	for {
		given, err := v.ask(question)
		if given == "" && err == nil && v.now.Enough {
			err = errLeave
		}
		if errors.Is(err, errNotDone) {
			v.say("! Choose the check first.")
			continue
		}
		if err != nil {
			return api.CatalogueCheck{}, "", err
		}
		if ch, position, ok := v.named(given); ok {
			return ch, position, nil
		}
		v.every()
	}
}

// named is the check a person means; an empty answer is the first offered.
func (v *visiting) named(given string) (api.CatalogueCheck, string, bool) {
	if given == "" {
		given = "1"
	}
	n, err := strconv.Atoi(given)
	if next := v.next(); err == nil && n >= 1 && n <= len(next) {
		ch, ok := v.check(next[n-1].Check)
		return ch, next[n-1].Position, ok
	}
	ch, ok := v.check(given)
	return ch, "", ok
}

// every lists the checks this machine can have.
func (v *visiting) every() {
	v.say("The checks of this machine:")
	for _, ch := range v.kind.Checks {
		if v.fits(ch.Has, ch.Lacks) {
			v.say("  %-28s %s", ch.ID, ch.Name)
		}
	}
}

// do shows a check, asks its form and sends it until it is taken.
func (v *visiting) do(ch api.CatalogueCheck, position string) error {
	v.describe(ch)
	f := newForm(v, ch, position)
	for {
		err := f.where()
		if err == nil {
			err = f.answers()
		}
		if errors.Is(err, errNotDone) {
			err = f.because()
		}
		if err != nil {
			return err
		}
		var got api.RecordedReading
		taken, err := f.send(&got)
		if err != nil {
			return err
		}
		if taken {
			v.means(got)
			return nil
		}
		v.say("Not taken: nothing was stored.")
	}
}

// send posts the form; not taken is what the person can put right in it. What
// was entered is not lost with the network: the same request goes again.
func (f *form) send(got *api.RecordedReading) (taken bool, err error) {
	key := newKey()
	for {
		err := f.post("/v1/visits/"+f.visit.String()+"/readings", key, f.reading(), got)
		said, refused := errors.AsType[*refusal](err)
		_, lost := errors.AsType[*unreached](err)
		switch {
		case err == nil:
			return true, nil
		case refused && said.status == http.StatusUnprocessableEntity && f.mark(said):
			return false, nil
		case refused && said.status < http.StatusInternalServerError && said.status != http.StatusTooManyRequests, !refused && !lost:
			return false, err
		}
		f.say("! %s", err.Error())
		if _, err := f.ask("Enter sends it again, /b drops it: "); err != nil && !errors.Is(err, errNotDone) {
			return false, err
		}
	}
}
