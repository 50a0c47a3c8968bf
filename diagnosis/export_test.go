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

// Found gives the verdicts of a reading that came to a finding, whatever its
// figures: what Judge gives once its rule has decided.
func Found(k *catalogue.Kind, complaint string, r Reading, finding string, u Unit) ([]Verdict, error) {
	j := &job{kind: k, reading: r, unit: u}
	var known bool
	if j.complaint, known = k.Complaint(complaint); !known {
		return nil, refuse("complaint", "unknown", "%q", complaint)
	}
	if j.check, known = k.Check(r.Check); !known {
		return nil, refuse("check", "unknown", "%q", r.Check)
	}
	if p, ok := j.check.Position(r.Position); ok {
		j.position = p
	}
	return j.verdicts(result{finding: finding, probability: foundAt})
}

// foundAt is how sure a reading is of the side of its limit in Found.
const foundAt = 0.99
