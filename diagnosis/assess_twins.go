package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
)

// quietTwins keeps one of the readings of different checks that give the same
// answers: they look at one thing twice, and multiplying both would count it
// twice. The one that moves the ranking more, measured from the priors, stays;
// of two that move it alike, the later. The other is only shown.
func (m *model) quietTwins() {
	var quiet []int
	for i := range m.found {
		for k := range m.found {
			if twins(m.found[i].check, m.found[k].check) && m.found[i].work == m.found[k].work && m.weaker(i, k) {
				quiet = append(quiet, i)
				break
			}
		}
	}
	for _, i := range quiet {
		m.found[i].quiet = true
	}
}

// weaker says whether the reading at i moves the ranking less than that at k.
func (m *model) weaker(i, k int) bool {
	a, b := m.divergence(m.chances(m.found[i].finding)), m.divergence(m.chances(m.found[k].finding))
	return a < b || (a == b && i < k)
}

// twins says whether two checks give the same answers, in whatever order.
func twins(a, b *catalogue.Check) bool {
	return a != b && len(a.Answers) > 0 && subset(a.Answers, b.Answers) && subset(b.Answers, a.Answers)
}

// subset says whether all of a is in b.
func subset(a, b []string) bool {
	for _, x := range a {
		if !contains(b, x) {
			return false
		}
	}
	return true
}

// divergence is how far a reading alone moves the priors, in bits: the
// relative entropy of what comes out against them.
func (m *model) divergence(chance []float64) float64 {
	mass := 0.0
	for i := range m.ranked {
		mass += m.causes[i].prior * chance[i]
	}
	d := 0.0
	for i := range m.ranked {
		if p := m.causes[i].prior * chance[i] / mass; p > 0 {
			d += p * math.Log2(chance[i]/mass)
		}
	}
	return d
}

// answered says whether a reading that weighs already gives the answers of the
// check: doing it as well would tell little more.
func (m *model) answered(ch *catalogue.Check) bool {
	for i := range m.found {
		if e := &m.found[i]; e.work == m.worked && len(e.finding.Weights) > 0 && twins(e.check, ch) {
			return true
		}
	}
	return false
}
