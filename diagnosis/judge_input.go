package diagnosis

import (
	"math"
	"sort"
	"strconv"
	"strings"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// Bounds on what is taken at all.
const (
	maxSeries = 50_000 // points: three hours, four a second
	maxValues = 200    // of one input
	maxLead   = 10.0   // ohm: above, the leads are broken
	maxValue  = 1e15   // SI: no instrument shows more of anything
	maxCounts = 1e6    // last digits an instrument may be off
	maxDigit  = 1e9    // SI, worth of a last digit
)

// validate holds the reading against the check it names and sets check and
// position.
func (j *job) validate() *InputError {
	r := &j.reading
	c, ok := j.kind.Check(r.Check)
	if !ok {
		return refuse("check", "unknown", "%q is not a check of %s.", r.Check, j.kind.ID)
	}
	j.check = c
	if bad := j.validatePosition(); bad != nil {
		return bad
	}
	if r.NotDone != "" {
		if len(r.Values) > 0 || r.Series != nil {
			return refuse("not_done", "forbidden", "A check that was not done has no values: leave them out, or leave the reason out.")
		}
		return nil
	}
	if bad := validateInstrument(r); bad != nil {
		return bad
	}
	if bad := j.validateValues(); bad != nil {
		return bad
	}
	if r.Series != nil {
		return j.validateSeries()
	}
	return j.validateRequired()
}

func (j *job) validatePosition() *InputError {
	id := j.reading.Position
	if len(j.check.Positions) == 0 {
		if id != "" {
			return refuse("position", "forbidden", "%s is done once: leave the position out.", j.check.Name)
		}
		return nil
	}
	if id == "" {
		return refuse("position", "required", "Say where: %s.", j.positionIDs())
	}
	p, ok := j.check.Position(id)
	if !ok {
		return refuse("position", "unknown", "%q is not a position of %s. Choose one of: %s.", id, j.check.Name, j.positionIDs())
	}
	if !fitted(j.unit, p.Has, p.Lacks) {
		return refuse("position", "forbidden", "This machine has no %s. Correct the unit's features if it has. Here: %s.", p.Name, j.positionIDs())
	}
	j.position = p
	return nil
}

func (j *job) positionIDs() string {
	ids := make([]string, 0, len(j.check.Positions))
	for i := range j.check.Positions {
		if p := &j.check.Positions[i]; fitted(j.unit, p.Has, p.Lacks) {
			ids = append(ids, p.ID)
		}
	}
	return strings.Join(ids, ", ")
}

func validateInstrument(r *Reading) *InputError {
	if !within(r.Lead, maxLead) {
		return refuse("lead", "range", "The leads shorted must read between 0 and %g ohm. Clean or change the leads.", maxLead)
	}
	if i := r.Instrument; i != nil {
		if !within(i.Percent, 100) || !within(i.Counts, maxCounts) || !within(i.Resolution, maxDigit) {
			return refuse("instrument", "range", "The instrument's accuracy must be 0 to 100 %% of reading, with counts and resolution of 0 or more.")
		}
	}
	return nil
}

// within says whether x is a number from 0 to top.
func within(x, top float64) bool { return x >= 0 && x <= top }

// validateValues goes by input name, so that of several slips the same one is
// always told.
func (j *job) validateValues() *InputError {
	ids := make([]string, 0, len(j.reading.Values))
	for id := range j.reading.Values {
		ids = append(ids, id)
	}
	sort.Strings(ids)
	for _, id := range ids {
		in, ok := j.check.Input(id)
		if !ok {
			return refuse("values."+id, "unknown", "%s does not ask for %q.", j.check.Name, id)
		}
		if bad := validateInput(in, j.reading.Values[id]); bad != nil {
			return bad
		}
	}
	return nil
}

func validateInput(in *catalogue.Input, vs []Value) *InputError {
	field := "values." + in.ID
	switch {
	case len(vs) == 0:
		return refuse(field, "shape", "%s has no value: give one or leave it out.", in.Name)
	case len(vs) > 1 && !in.Many:
		return refuse(field, "shape", "%s takes one value, not %d.", in.Name, len(vs))
	case len(vs) > maxValues:
		return refuse(field, "shape", "%s takes at most %d values.", in.Name, maxValues)
	}
	for i, v := range vs {
		at := field
		if in.Many {
			at += "[" + strconv.Itoa(i) + "]"
		}
		if bad := validateValue(in, at, v); bad != nil {
			return bad
		}
	}
	return nil
}

func validateValue(in *catalogue.Input, field string, v Value) *InputError {
	if in.Quantity == "" {
		return validateChoice(in, field, v)
	}
	switch {
	case v.Choice != "":
		return refuse(field, "shape", "%s is a number with a unit, not a choice.", in.Name)
	case v.Over && !in.OverRange:
		return refuse(field, "range", "%s cannot be over range: take a higher range and read it again.", in.Name)
	case v.Unit != "" && !contains(in.Units, v.Unit):
		return refuse(field, "unit", "%s is entered in %s, not in %q.", in.Name, strings.Join(in.Units, " or "), v.Unit)
	case v.Over:
		return nil
	}
	if math.IsNaN(v.SI) || math.IsInf(v.SI, 0) {
		return refuse(field, "finite", "%s is not a number.", in.Name)
	}
	if math.Abs(v.SI) > maxValue {
		return refuse(field, "range", "%s is larger than any instrument shows.", in.Name)
	}
	if err := measure.CheckPhysical(v.SI, measure.Quantity(in.Quantity)); err != nil {
		return refuse(field, "range", "%s: %s.", in.Name, err)
	}
	return validatePlausible(in, field, v)
}

func validateChoice(in *catalogue.Input, field string, v Value) *InputError {
	ids := make([]string, 0, len(in.Choices))
	for _, c := range in.Choices {
		if c.ID == v.Choice {
			return nil
		}
		ids = append(ids, c.ID)
	}
	return refuse(field, "choice", "%s is one of: %s.", in.Name, strings.Join(ids, ", "))
}

// validatePlausible refuses a slip of the pen by the range the catalogue
// gives in the input's first unit.
func validatePlausible(in *catalogue.Input, field string, v Value) *InputError {
	if (in.Low == nil && in.High == nil) || len(in.Units) == 0 {
		return nil
	}
	q, unit := measure.Quantity(in.Quantity), in.Units[0]
	x, err := measure.FromSI(v.SI, unit, q)
	if err != nil {
		return refuse(field, "unit", "%s: %s.", in.Name, err)
	}
	const slack = 1e-9
	if (in.Low != nil && x < *in.Low-slack) || (in.High != nil && x > *in.High+slack) {
		return refuse(field, "range", "%s of %s is not plausible. Check the figure and its unit.", in.Name, measure.Format(v.SI, shown(v, unit), q, 0))
	}
	return nil
}

func shown(v Value, usual string) string {
	if v.Unit != "" {
		return v.Unit
	}
	return usual
}

func (j *job) validateRequired() *InputError {
	for i := range j.check.Inputs {
		in := &j.check.Inputs[i]
		if in.Required && len(j.reading.Values[in.ID]) == 0 {
			return refuse("values."+in.ID, "required", "%s is needed to judge this check.", in.Name)
		}
	}
	return nil
}

func (j *job) validateSeries() *InputError {
	s, form := j.reading.Series, j.check.Series
	switch {
	case form == nil:
		return refuse("series", "forbidden", "%s takes no series: enter the values.", j.check.Name)
	case len(s.T) < 2:
		return refuse("series.t", "shape", "A series has at least two points.")
	case len(s.T) > maxSeries:
		return refuse("series.t", "shape", "A series has at most %d points: thin it out.", maxSeries)
	case len(s.Value) != len(s.T):
		return refuse("series.value", "shape", "The series has %d times and %d values: they must be as many.", len(s.T), len(s.Value))
	case form.Closed && len(s.Closed) != len(s.T):
		return refuse("series.closed", "shape", "The series has %d times and %d states of the contact: they must be as many.", len(s.T), len(s.Closed))
	case !form.Closed && len(s.Closed) != 0:
		return refuse("series.closed", "forbidden", "%s has no contact to log.", j.check.Name)
	}
	if bad := validatePoints(s, measure.Quantity(form.Quantity)); bad != nil {
		return bad
	}
	return j.validateRequiredChoices()
}

func validatePoints(s *Series, q measure.Quantity) *InputError {
	for i, t := range s.T {
		at := "[" + strconv.Itoa(i) + "]"
		if !within(t, maxValue) {
			return refuse("series.t"+at, "finite", "Times are seconds from the start, 0 or more.")
		}
		if i > 0 && t <= s.T[i-1] {
			return refuse("series.t"+at, "order", "Times must rise from point to point: %g s comes after %g s.", t, s.T[i-1])
		}
		if err := measure.CheckPhysical(s.Value[i], q); err != nil {
			return refuse("series.value"+at, "range", "A value of the series is %s.", err)
		}
	}
	return nil
}

// validateRequiredChoices asks for what a series cannot tell, such as the
// setting and the load.
func (j *job) validateRequiredChoices() *InputError {
	for i := range j.check.Inputs {
		in := &j.check.Inputs[i]
		if in.Required && in.Quantity == "" && len(j.reading.Values[in.ID]) == 0 {
			return refuse("values."+in.ID, "required", "%s is needed beside the series.", in.Name)
		}
	}
	return nil
}
