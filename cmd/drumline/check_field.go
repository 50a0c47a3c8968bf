package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"drumline/api"
	"drumline/domain"
)

// field is one question of a form.
type field struct {
	name     string
	hint     string // what can be given
	help     string
	pointer  string // its part of the reading; values for an input
	needed   bool
	inSeries bool // a logged series tells it
	choices  []api.CatalogueName
	take     func(given string) error // reads an answer; "" drops it
	given    string                   // as it was typed
	value    *api.ReadingValue        // of an input
	marks    []string                 // what was wrong with it
	open     bool                     // to be asked
}

// put asks one question until its answer can be read.
func (f *form) put(d *field) error {
	for _, m := range d.marks {
		f.say("  ! %s: %s", d.name, m)
	}
	if d.help != "" {
		f.say("    %s", d.help)
	}
	f.list(d.choices)
	for {
		given, err := f.ask(d.question())
		if err != nil {
			return err
		}
		if err = d.answer(given); err == nil {
			d.open, d.marks = false, nil
			return nil
		}
		f.say("  ! %s: %s", d.name, err.Error())
	}
}

func (d *field) question() string {
	hints := []string{}
	if d.hint != "" {
		hints = append(hints, d.hint)
	}
	switch {
	case d.given != "" && d.needed:
		hints = append(hints, "Enter keeps "+d.shown())
	case d.given != "":
		hints = append(hints, "Enter keeps "+d.shown(), "- leaves it out")
	case !d.needed:
		hints = append(hints, "Enter leaves it out")
	}
	if len(hints) == 0 {
		return "  " + d.name + ": "
	}
	return "  " + d.name + " (" + strings.Join(hints, "; ") + "): "
}

// shown is the last answer in words.
func (d *field) shown() string {
	if i := slices.IndexFunc(d.choices, func(c api.CatalogueName) bool { return c.ID == d.given }); i >= 0 {
		return d.choices[i].Name
	}
	return d.given
}

// answer takes what was typed.
func (d *field) answer(given string) error {
	switch {
	case given == "" && (d.given != "" || !d.needed):
		return nil
	case given == "":
		return errors.New("this is needed; when the check cannot be done, type /n")
	case given == "-" && !d.needed:
		given = ""
	case len(d.choices) > 0:
		id, ok := chosen(d.choices, given)
		if !ok {
			return fmt.Errorf("give a number from 1 to %d", len(d.choices))
		}
		given = id
	}
	if err := d.take(given); err != nil {
		return err
	}
	d.given = given
	return nil
}

// inputField asks one input of a check.
func inputField(in api.CatalogueInput) *field {
	d := &field{name: in.Name, help: in.Help, pointer: "values", needed: in.Required, choices: in.Choices, open: true}
	if in.Quantity == "" {
		d.take = d.keep(func(given string) (api.ReadingValue, error) {
			return api.ReadingValue{Input: in.ID, Choice: given}, nil
		})
		return d
	}
	d.inSeries = in.Required || in.Many
	d.hint = hintOf(in)
	d.take = d.keep(func(given string) (api.ReadingValue, error) { return readInput(in, given) })
	return d
}

// keep stores what read makes of an answer.
func (d *field) keep(read func(given string) (api.ReadingValue, error)) func(string) error {
	return func(given string) error {
		if given == "" {
			d.value = nil
			return nil
		}
		v, err := read(given)
		if err == nil {
			d.value = &v
		}
		return err
	}
}

func (f *form) positionField() *field {
	d := &field{name: "Where", pointer: "position", needed: true, open: true, take: func(given string) error { f.head.Position = given; return nil }}
	for _, p := range f.of.Positions {
		if f.fits(p.Has, p.Lacks) {
			d.choices = append(d.choices, api.CatalogueName{ID: p.ID, Name: p.Name})
		}
	}
	if f.head.Position == "" && len(d.choices) == 1 {
		f.head.Position = d.choices[0].ID
	}
	if d.given = f.head.Position; d.given != "" {
		d.open = false
		f.say("  Here: %s.", d.shown())
	}
	return d
}

func (f *form) seriesField(s api.CatalogueSeries) *field {
	columns := "seconds,value"
	if s.Closed {
		columns += ",1 or 0"
	}
	return &field{name: "File of the logged run", hint: columns + " a line; " + unitsOf(s.Units), pointer: "series", open: true, take: func(given string) error {
		f.head.Series = nil
		if given == "" {
			return nil
		}
		file, unit := cutUnit(given, s.Units)
		series, err := readSeries(file, unit, s.Closed)
		f.head.Series = series
		return err
	}}
}

// instrumentField asks what it is measured with. The one used last is kept.
func (f *form) instrumentField() *field {
	d := &field{name: "Instrument", pointer: "instrument_id", open: true, choices: f.instruments, take: func(given string) error {
		f.head.Instrument, f.instrument = nil, given
		if given == "" {
			return nil
		}
		id, err := domain.ParseID(given)
		f.head.Instrument = &id
		return err
	}}
	return d.preset(f.instrument)
}

// leadField asks what an ohmmeter adds of its own. The last answer is kept.
func (f *form) leadField() *field {
	units := []string{"Ohm", "mOhm"}
	d := &field{name: "Meter with its leads shorted", hint: unitsOf(units), pointer: "lead_resistance", open: true, take: func(given string) error {
		f.head.Lead, f.lead = nil, given
		if given == "" {
			return nil
		}
		figures, unit, err := readFigures(given, units)
		if err == nil && len(figures) != 1 {
			err = errors.New("give one number")
		}
		if err == nil {
			f.head.Lead = &api.Quantity{Value: figures[0], Unit: unit}
		}
		return err
	}}
	return d.preset(f.lead)
}

// preset answers the field as it was answered before.
func (d *field) preset(given string) *field {
	if given != "" && d.answer(given) != nil {
		d.given = ""
	}
	return d
}

// readInput reads the figures of an input.
func readInput(in api.CatalogueInput, given string) (api.ReadingValue, error) {
	out := api.ReadingValue{Input: in.ID}
	if first, unit := cutUnit(given, in.Units); isOver(first) {
		if !in.OverRange {
			return out, errors.New("over range is no answer here: give the number")
		}
		out.OverRange, out.Unit = true, unit
		return out, nil
	}
	figures, unit, err := readFigures(given, in.Units)
	if err != nil {
		return out, err
	}
	if out.Unit = unit; in.Many {
		out.Values = figures
		return out, nil
	}
	if len(figures) != 1 {
		return out, errors.New("give one number")
	}
	out.Value = &figures[0]
	return out, nil
}

func isOver(word string) bool {
	return strings.EqualFold(word, "OL") || strings.EqualFold(word, "over") || strings.EqualFold(word, "over range")
}
