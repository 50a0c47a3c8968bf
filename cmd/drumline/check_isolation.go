package main

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"drumline/api"
	"drumline/domain/repair"
)

// isolated makes sure that an isolation of the visit is open.
func (v *visiting) isolated() error {
	path := "/v1/visits/" + v.visit.String() + "/isolations"
	var known api.List[api.Isolation]
	if err := v.get(path, &known); err != nil {
		return err
	}
	if slices.ContainsFunc(known.Items, func(i api.Isolation) bool { return i.EndedAt == nil }) {
		v.say("  An isolation is on record. If the machine was powered since, do not reach in: leave by /b, and isolate and prove dead again.")
		return nil
	}
	v.say("This check needs the machine dead, and proven so.")
	for {
		n, err := v.askIsolation()
		if err != nil {
			return err
		}
		var made api.Isolation
		err = v.post(path, newKey(), n, &made)
		said, refused := errors.AsType[*refusal](err)
		if !refused || said.status != http.StatusUnprocessableEntity {
			return err
		}
		v.say("! %s", said.Error())
	}
}

func (v *visiting) askIsolation() (api.NewIsolation, error) {
	var n api.NewIsolation
	var err error
	if n.Method, err = v.pick("How is it isolated", repair.Methods()); err != nil {
		return n, err
	}
	if n.TesterBefore, err = v.yes("Was the tester tried on a known live source before"); err != nil {
		return n, err
	}
	for _, pair := range repair.Pairs() {
		dead, err := v.yes("Is " + strings.ReplaceAll(pair, "_", " to ") + " measured dead")
		if err != nil {
			return n, err
		}
		if dead {
			n.ProvenDead = append(n.ProvenDead, pair)
		}
	}
	n.TesterAfter, err = v.yes("Was the tester tried on the live source again afterwards")
	return n, err
}
