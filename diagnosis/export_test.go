package diagnosis

import (
	"errors"
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
)

// RankOnly weighs a case and ranks its causes: what remains of Assess without
// the reasons, the doubts and the recommendation. For the benchmark.
func RankOnly(k *catalogue.Kind, c Case) (int, error) {
	m, err := newModel(k, c)
	if err != nil {
		return 0, err
	}
	defer func() { m.net.done() }()
	if err := m.posteriors(); err != nil {
		return 0, err
	}
	return m.first(m.posterior.Fault), nil
}

// NoneOf is the probability that none of the faults named is there.
func NoneOf(k *catalogue.Kind, c Case, faults map[string]float64) (float64, error) {
	m, err := newModel(k, c)
	if err != nil {
		return 0, err
	}
	defer func() { m.net.done() }()
	if err := m.posteriors(); err != nil {
		return 0, err
	}
	n := m.net.copy()
	x := item{finding: isolate.Finding{ID: "any of them"}, normal: 1}
	for f := range faults {
		if i, ok := m.index[f]; ok {
			x.finding.Links = append(x.finding.Links, isolate.Link{Fault: i, Weight: 1})
		}
	}
	n.add(x)
	if err := n.laid(); err != nil {
		return 0, err
	}
	p, err := n.weigh(n.evidence)
	if errors.Is(err, isolate.ErrImpossible) {
		return 0, nil
	}
	return math.Exp(p.LogEvidence - m.posterior.LogEvidence), err
}
