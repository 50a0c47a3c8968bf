package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strconv"
	"strings"

	"drumline/api"
	"drumline/api/wire"
)

// maxSeriesFile bounds a logged run in bytes.
const maxSeriesFile = 2 << 20

// startsNumber tells the figures at the head of an answer from the unit at its
// end.
var startsNumber = regexp.MustCompile(`^([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)[,;]?(?:\s+|$|([^0-9\s.,;].*$))`)

// readFigures reads numbers and the unit after them: the first of units when
// none is named.
func readFigures(given string, units []string) ([]wire.Decimal, string, error) {
	var out []wire.Decimal
	rest := strings.TrimSpace(given)
	for {
		m := startsNumber.FindStringSubmatch(rest)
		if m == nil {
			break
		}
		d, err := wire.ParseDecimal(jsonNumber(m[1]))
		if err != nil {
			return nil, "", errors.New("a number has at most 40 digits, and a size a meter can show")
		}
		out = append(out, d)
		rest = strings.TrimSpace(m[2] + rest[len(m[0]):])
	}
	if len(out) == 0 {
		return nil, "", errors.New("give a number, such as 1.5")
	}
	if rest == "" {
		return out, units[0], nil
	}
	unit, ok := unitNamed(rest, units)
	if !ok {
		return nil, "", fmt.Errorf("%q is no unit of this: give %s", rest, unitsOf(units))
	}
	return out, unit, nil
}

// jsonNumber writes a number the way JSON does: without a plus, and with a
// digit before the point.
func jsonNumber(text string) string {
	text = strings.TrimPrefix(text, "+")
	sign, digits := "", text
	if strings.HasPrefix(text, "-") {
		sign, digits = "-", text[1:]
	}
	if strings.HasPrefix(digits, ".") {
		digits = "0" + digits
	}
	return sign + digits
}

// unitNamed is the unit a person means: its code, or the code without its
// brackets. Capitals count: MOhm is not mOhm.
func unitNamed(given string, units []string) (string, bool) {
	for _, u := range units {
		if given == u || given == strings.NewReplacer("[", "", "]", "").Replace(u) {
			return u, true
		}
	}
	return "", false
}

// cutUnit takes a unit off the end of an answer: the first of units when none
// is named.
func cutUnit(given string, units []string) (rest, unit string) {
	if i := strings.LastIndexByte(given, ' '); i > 0 {
		if u, ok := unitNamed(given[i+1:], units); ok {
			return strings.TrimSpace(given[:i]), u
		}
	}
	return given, units[0]
}

func unitsOf(units []string) string { return strings.Join(units, " or ") }

// hintOf says what an input takes.
func hintOf(in api.CatalogueInput) string {
	hints := []string{unitsOf(in.Units)}
	if in.Low != nil && in.High != nil {
		hints = append(hints, number(*in.Low)+" to "+number(*in.High))
	}
	if in.OverRange {
		hints = append(hints, "OL for over range")
	}
	if in.Many {
		hints = append(hints, "several, in order")
	}
	return strings.Join(hints, "; ")
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// readSeries reads a logged run from a file: seconds, value and, for a
// contact, 1 for closed or 0, divided by commas.
func readSeries(file, unit string, closed bool) (*api.ReadingSeries, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	text, err := io.ReadAll(io.LimitReader(f, maxSeriesFile+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, err
	}
	if len(text) > maxSeriesFile {
		return nil, errors.New("the file is too long for one run: thin it out")
	}
	s := &api.ReadingSeries{Unit: unit}
	for i, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		if err := addPoint(s, strings.Split(line, ","), closed); err != nil {
			return nil, fmt.Errorf("line %d: %w", i+1, err)
		}
	}
	return s, nil
}

// addPoint reads one line of a logged run.
func addPoint(s *api.ReadingSeries, cells []string, closed bool) error {
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	if want := map[bool]int{false: 2, true: 3}[closed]; len(cells) != want {
		return fmt.Errorf("give %d columns", want)
	}
	at, err := wire.ParseDecimal(jsonNumber(cells[0]))
	value, err2 := wire.ParseDecimal(jsonNumber(cells[1]))
	if errors.Join(err, err2) != nil {
		return errors.New("give seconds and a number")
	}
	s.Seconds, s.Value = append(s.Seconds, at.Value), append(s.Value, value.Value)
	if !closed {
		return nil
	}
	if cells[2] != "0" && cells[2] != "1" {
		return errors.New("give 1 for a closed contact or 0")
	}
	s.Closed = append(s.Closed, cells[2] == "1")
	return nil
}
