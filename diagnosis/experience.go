package diagnosis

import (
	"fmt"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
)

// Counts is how often each fault was verified behind one complaint. A case
// with two faults counts once for each.
type Counts struct {
	Cases  int
	Faults map[string]int
}

// Experience is what a shop's own verified repairs say of a complaint: of all
// machines of the kind, and of this model. Strength is how many cases each
// level counts for against the one below it; 0 stands for isolate.UsualStrength.
// The zero value is a shop without any.
type Experience struct {
	Kind, Model Counts
	Strength    float64
}

// Weight is the strength in use, never 0.
func (e Experience) Weight() float64 {
	if e.Strength > 0 && finite(e.Strength) {
		return e.Strength
	}
	return isolate.UsualStrength
}

// share is a fault's share of the complaints: the catalogue's, drawn towards
// what the shop has verified of the kind, and that towards what it has of the
// model (isolate.Learn).
func (e Experience) share(cs *catalogue.Cause) (float64, error) {
	if e.Kind.Cases == 0 && e.Model.Cases == 0 || !(cs.Prior > 0) {
		return cs.Prior, nil
	}
	level := func(name string, c Counts) isolate.Level {
		return isolate.Level{Name: name, Strength: e.Weight(), Tally: isolate.Tally{Jobs: c.Cases, Counts: []int{c.Faults[cs.Fault]}}}
	}
	l, err := isolate.Learn([]float64{cs.Prior}, []isolate.Level{level("kind", e.Kind), level("model", e.Model)})
	if err != nil {
		return 0, fmt.Errorf("assess: experience with %s: %w", cs.Fault, err)
	}
	return l.Priors()[0], nil
}
