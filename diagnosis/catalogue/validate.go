package catalogue

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"drumline/diagnosis/measure"
)

// Flaw is one rule that content breaks: the path of the value, as in
// checks[3].inputs[0].units, and what is wrong with it.
type Flaw struct {
	Path    string
	Message string
}

// validator collects every rule a kind breaks.
type validator struct {
	kind  *Kind
	own   bool // the shop's own figures may stand in it
	flaws []Flaw
}

// validate gives every rule k breaks, nil for none.
func validate(k *Kind) []Flaw {
	v := &validator{kind: k}
	v.all()
	return v.flaws
}

func (v *validator) all() {
	k := v.kind
	v.head()
	v.parameters()
	v.parts()
	v.faults()
	v.actions()
	for i := range k.Checks {
		v.check(at("checks", i), &k.Checks[i])
	}
	for i := range k.Complaints {
		v.complaint(at("complaints", i), &k.Complaints[i])
	}
	v.uniqueAll()
	v.lint()
}

// inFile words flaws as errors of a file, one line each, nil for none.
func inFile(file string, l lines, flaws []Flaw) error {
	var errs []error
	for _, f := range flaws {
		errs = append(errs, fmt.Errorf("%s:%d: %s: %s", file, l.at(f.Path), f.Path, f.Message))
	}
	return errors.Join(errs...)
}

// at is the path of an element of a list.
func at(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i) }

func (v *validator) fail(path, format string, args ...any) {
	v.flaws = append(v.flaws, Flaw{path, fmt.Sprintf(format, args...)})
}

func (v *validator) head() {
	k := v.kind
	v.id("kind", k.ID)
	v.text("name", k.Name)
	if strings.Contains(k.ID, "microwave") {
		v.fail("kind", "microwave ovens are not worked on: high voltage stays in the capacitor")
	}
	oneOf(v, "fuel", k.Fuel, "", "electric", "gas")
	if len(k.Models) > 0 && !v.own {
		v.fail("models", "nothing built in knows a model")
	}
	if k.Version < 1 {
		v.fail("version", "must be 1 or more")
	}
	for _, part := range []struct {
		path string
		n    int
	}{{"parts", len(k.Parts)}, {"faults", len(k.Faults)}, {"checks", len(k.Checks)}, {"complaints", len(k.Complaints)}} {
		if part.n == 0 {
			v.fail(part.path, "must not be empty")
		}
	}
}

func (v *validator) uniqueAll() {
	k := v.kind
	unique(v, "features", k.Features, func(x *Feature) string { return x.ID })
	unique(v, "as_found", k.AsFound, func(x *Feature) string { return x.ID })
	unique(v, "parameters", k.Parameters, func(x *Parameter) string { return x.ID })
	unique(v, "parts", k.Parts, func(x *Part) string { return x.ID })
	unique(v, "faults", k.Faults, func(x *Fault) string { return x.ID })
	unique(v, "actions", k.Actions, func(x *Action) string { return x.ID })
	unique(v, "checks", k.Checks, func(x *Check) string { return x.ID })
	unique(v, "complaints", k.Complaints, func(x *Complaint) string { return x.ID })
}

// unique checks that every id of a list is well formed and there once.
func unique[T any](v *validator, path string, items []T, id func(*T) string) {
	seen := map[string]bool{}
	for i := range items {
		p, x := join(at(path, i), "id"), id(&items[i])
		v.id(p, x)
		if seen[x] {
			v.fail(p, "%q is there twice", x)
		}
		seen[x] = true
	}
}

var snake = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)

func (v *validator) id(path, id string) {
	if !snake.MatchString(id) {
		v.fail(path, "id %q is not snake_case", id)
	}
}

func (v *validator) text(path, s string) {
	if strings.TrimSpace(s) == "" {
		v.fail(path, "must not be empty")
	}
}

func (v *validator) texts(path string, list []string) {
	for i, s := range list {
		v.text(at(path, i), s)
	}
}

// positive checks a figure that must be above zero and finite.
func (v *validator) positive(path string, x float64) {
	if !(x > 0) || math.IsInf(x, 0) {
		v.fail(path, "must be above 0, is %g", x)
	}
}

// chance checks a probability that may be neither 0 nor 1.
func (v *validator) chance(path string, x float64) {
	if !(x > 0 && x < 1) {
		v.fail(path, "must lie between 0 and 1, is %g", x)
	}
}

func oneOf[T ~string](v *validator, path string, x T, allowed ...T) {
	if !slices.Contains(allowed, x) {
		v.fail(path, "%q is none of %v", x, allowed)
	}
}

func (v *validator) mark(path string, m Mark, source string) {
	if m != Own || !v.own {
		oneOf(v, path, m, Sheet, Published, CommonPractice, Computed)
	}
	if m == Published && strings.TrimSpace(source) == "" {
		v.fail(path, "a published figure names its source")
	}
}

// refer checks that a reference, unless empty, leads somewhere.
func refer[T any](v *validator, path, what, id string, look func(string) (*T, bool)) {
	if id == "" {
		return
	}
	if _, ok := look(id); !ok {
		v.fail(path, "there is no %s %q", what, id)
	}
}

// feature checks the feature a thing needs or gives way to.
func (v *validator) feature(path, has, lacks string) {
	refer(v, join(path, "has"), "feature", has, v.kind.Feature)
	refer(v, join(path, "lacks"), "feature", lacks, v.kind.Feature)
	if has != "" && has == lacks {
		v.fail(path, "needs and gives way to the same feature %q", has)
	}
}

func (v *validator) asFound(path string, states []string) {
	for i, s := range states {
		if !slices.ContainsFunc(v.kind.AsFound, func(f Feature) bool { return f.ID == s }) {
			v.fail(at(path, i), "there is no as-found state %q", s)
		}
	}
}

// units checks a quantity and the codes accepted for it.
func (v *validator) units(path, quantity string, units []string) {
	if !measure.Quantity(quantity).Known() {
		v.fail(join(path, "quantity"), "%q is not a quantity", quantity)
		return
	}
	if len(units) == 0 {
		v.fail(path, "names no unit")
	}
	for i, u := range units {
		v.unit(at(join(path, "units"), i), quantity, u)
	}
}

func (v *validator) unit(path, quantity, unit string) {
	if _, err := measure.ToSI(1, unit, measure.Quantity(quantity)); err != nil {
		v.fail(path, "%v", err)
	}
}
