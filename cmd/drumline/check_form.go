package main

import (
	"errors"
	"slices"
	"strconv"
	"strings"

	"drumline/api"
	"drumline/api/wire"
)

// form asks what one check wants, drawn from its entry in the catalogue.
type form struct {
	*visiting
	of       api.CatalogueCheck
	head     api.NewReading // all but the values
	position *field         // nil for a check done once
	fields   []*field       // the others, in the order of asking
	sent     []*field       // whose value went out, in order
	dead     bool           // the isolation it needs is on record
}

func newForm(v *visiting, ch api.CatalogueCheck, position string) *form {
	f := &form{visiting: v, of: ch, head: api.NewReading{Check: ch.ID, Position: position, Phase: v.phase}}
	if len(ch.Positions) > 0 {
		f.position = f.positionField()
	}
	if ch.Series != nil {
		f.fields = append(f.fields, f.seriesField(*ch.Series))
	}
	for _, in := range ch.Inputs {
		f.fields = append(f.fields, inputField(in))
	}
	if len(v.instruments) > 0 && f.measures(func(string) bool { return true }) {
		f.fields = append(f.fields, f.instrumentField())
	}
	if f.measures(func(quantity string) bool { return quantity == "resistance" }) {
		f.fields = append(f.fields, f.leadField())
	}
	return f
}

// measures says whether an instrument shows one of the quantities.
func (f *form) measures(one func(quantity string) bool) bool {
	return f.of.Series != nil && one(f.of.Series.Quantity) ||
		slices.ContainsFunc(f.of.Inputs, func(in api.CatalogueInput) bool { return in.Quantity != "" && one(in.Quantity) })
}

// where asks for the place, before all else: a check that was not done was not
// done somewhere.
func (f *form) where() error {
	for f.position != nil && f.position.open {
		if err := f.put(f.position); !errors.Is(err, errNotDone) {
			return err
		}
		f.say("! Say first where it cannot be done.")
	}
	return nil
}

// answers asks what is open. When nothing that was refused was changed, the
// slip is elsewhere: the whole form is asked again.
func (f *form) answers() error {
	if f.of.State == "isolated" && !f.dead {
		if err := f.isolated(); err != nil {
			return err
		}
		f.dead = true
	}
	before, again := f.typed(), len(f.sent) > 0
	if err := f.putOpen(); err != nil {
		return err
	}
	if !again || !slices.Equal(before, f.typed()) {
		return nil
	}
	f.say("Nothing was changed: here is the whole form.")
	for _, d := range f.fields {
		d.open = true
	}
	return f.putOpen()
}

func (f *form) putOpen() error {
	for _, d := range f.fields {
		if !d.open || f.replaced(d) {
			continue
		}
		if err := f.put(d); err != nil {
			return err
		}
	}
	return nil
}

// replaced says that the logged series tells what the field asks.
func (f *form) replaced(d *field) bool { return d.inSeries && f.head.Series != nil }

func (f *form) typed() []string {
	out := []string{}
	for _, d := range f.fields {
		out = append(out, d.given)
	}
	return out
}

// because asks why the check cannot be done; the reading then says nothing else.
func (f *form) because() error {
	for f.head.NotDone == "" {
		given, err := f.ask("Why can it not be done? ")
		if err != nil && !errors.Is(err, errNotDone) {
			return err
		}
		if err == nil {
			f.head.NotDone = given
		}
	}
	return nil
}

// reading is the body to post.
func (f *form) reading() api.NewReading {
	if why := f.head.NotDone; why != "" {
		return api.NewReading{Check: f.head.Check, Position: f.head.Position, Phase: f.head.Phase, NotDone: why}
	}
	out := f.head
	f.sent = nil
	for _, d := range f.fields {
		if d.value != nil && !f.replaced(d) {
			out.Values, f.sent = append(out.Values, *d.value), append(f.sent, d)
		}
	}
	return out
}

// mark puts what was refused beside the field it is about, and opens it again.
// It reports whether there is one; what is about none is said at once.
func (f *form) mark(said *refusal) bool {
	f.head.NotDone = ""
	marked := false
	for _, e := range said.problem.Errors {
		about := f.about(e)
		for _, d := range about {
			d.open, d.marks, marked = true, append(d.marks, e.Detail), true
		}
	}
	if !marked {
		return false
	}
	for _, e := range said.problem.Errors {
		if len(f.about(e)) == 0 {
			f.say("! %s", e.Detail)
		}
	}
	return true
}

// about are the fields a part of the refusal is about.
func (f *form) about(e wire.FieldError) []*field {
	if e.In != "" && e.In != "body" {
		return nil
	}
	steps := strings.Split(strings.TrimPrefix(e.Pointer, "/"), "/")
	if steps[0] != "values" {
		return slices.DeleteFunc(slices.Concat([]*field{f.position}, f.fields), func(d *field) bool { return d == nil || d.pointer != steps[0] })
	}
	if len(steps) > 1 {
		if i, err := strconv.Atoi(steps[1]); err == nil && i < len(f.sent) {
			return f.sent[i : i+1]
		}
	}
	return f.missing()
}

// missing are the inputs that were left out.
func (f *form) missing() []*field {
	return slices.DeleteFunc(slices.Clone(f.fields), func(d *field) bool { return d.pointer != "values" || d.value != nil || f.replaced(d) })
}
