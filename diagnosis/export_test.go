package diagnosis

import "drumline/diagnosis/catalogue"

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
