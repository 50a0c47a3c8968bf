package isolate

import "math"

// Begin is Weigh, and makes IfNormal ready to be asked about the same model and
// evidence. The slices of the result hold until Begin or Gains is called again.
func (w *Workspace) Begin(m *Model, es []Evidence) (Posterior, error) {
	if _, err := w.Weigh(m, es); err != nil {
		return Posterior{}, err
	}
	w.keepNow()
	return w.now.Posterior, nil
}

// IfNormal is the posterior if a finding that the evidence given to Begin does
// not name were normal, and the chance of that; a chance of 0 has no posterior.
// It costs less than Weigh: a normal finding only changes the chances of its
// faults. The slices hold until the next call.
func (w *Workspace) IfNormal(m *Model, finding int) (p Posterior, chance float64) {
	w.absorb(m, &m.Findings[finding])
	if w.sweep(m) {
		p, chance = w.p, min(1, math.Exp(w.p.LogEvidence-w.now.LogEvidence))
	}
	copy(w.keep, w.now.keep)
	w.scale = w.now.scale
	return p, chance
}
