package diagnosis

import "drumline/diagnosis/catalogue"

// UsualStrength is how many cases the level above counts for where a shop has
// too few to tell: ten (judgement, no source; 5 to 20 are usual).
const UsualStrength = 10

// Counts is how often each fault was verified behind one complaint. A case
// with two faults counts once for each.
type Counts struct {
	Cases  int
	Faults map[string]int
}

// Experience is what a shop's own verified repairs say of a complaint: of all
// machines of the kind, and of this model. Strength is how many cases each
// level counts for against the one below it; 0 stands for UsualStrength. The
// zero value is a shop without any.
type Experience struct {
	Kind, Model Counts
	Strength    float64
}

// Weight is the strength in use, never 0.
func (e Experience) Weight() float64 {
	if e.Strength > 0 && finite(e.Strength) {
		return e.Strength
	}
	return UsualStrength
}

// share is a fault's share of the complaints: the catalogue's, drawn towards
// what the shop has verified of the kind, and that towards what it has of the
// model (the mean of a Dirichlet prior at each level):
//
//	(count + K·share above) / (cases + K)
func (e Experience) share(cs *catalogue.Cause) float64 {
	k, p := e.Weight(), cs.Prior
	for _, c := range []Counts{e.Kind, e.Model} {
		p = (float64(c.Faults[cs.Fault]) + k*p) / (float64(c.Cases) + k)
	}
	return p
}
