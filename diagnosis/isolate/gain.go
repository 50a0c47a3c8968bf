package isolate

import (
	"errors"
	"math"
)

// Gain is what one finding not yet looked at is expected to tell.
type Gain struct {
	Finding  int
	Abnormal float64 // chance that it is abnormal
	Bits     float64 // expected fall of Entropy, never below 0
}

// Gain computes what looking at a finding is expected to tell, exactly. Errors:
// those of Weigh, and a finding that the evidence names already.
func (m *Model) Gain(es []Evidence, finding int) (Gain, error) {
	if finding < 0 || finding >= len(m.Findings) {
		return Gain{}, errTwice
	}
	var w Workspace
	if _, err := w.Weigh(m, es); err != nil {
		return Gain{}, err
	}
	if w.at[finding] != 0 {
		return Gain{}, errTwice
	}
	w.keepNow()
	g := w.gain(m, finding)
	return g, w.direct(m, es, &g)
}

// Gains computes what looking at each finding is expected to tell that the
// evidence does not name, in the order of the model, and appends it to out. An
// inconclusive reading names its finding. Errors: those of Weigh.
func (w *Workspace) Gains(m *Model, es []Evidence, out []Gain) ([]Gain, error) {
	if _, err := w.Weigh(m, es); err != nil {
		return out, err
	}
	w.keepNow()
	from := len(out)
	for f, named := range w.at {
		if named == 0 {
			out = append(out, w.gain(m, f))
		}
	}
	for i := range out[from:] {
		if err := w.direct(m, es, &out[from+i]); err != nil {
			return out, err
		}
	}
	return out, nil
}

// now is the posterior that gains are told against, and what the frontier was
// laid for.
type now struct {
	Posterior
	entropy float64
	keep    []float64
	scale   product
}

func (w *Workspace) keepNow() {
	n := &w.now
	n.Fault = append(n.Fault[:0], w.p.Fault...)
	n.Absent = append(n.Absent[:0], w.p.Absent...)
	n.LogEvidence, n.Frontier = w.p.LogEvidence, w.p.Frontier
	n.keep = append(n.keep[:0], w.keep...)
	n.entropy, n.scale = n.Entropy(), w.scale
}

// gain weighs the finding as normal on the frontier as laid, for a normal one
// only changes the chances of its faults. What follows from an abnormal one is
// the rest.
func (w *Workspace) gain(m *Model, finding int) Gain {
	w.absorb(m, &m.Findings[finding])
	normal, left := 0.0, 0.0
	if w.sweep(m) {
		normal = min(1, math.Exp(w.p.LogEvidence-w.now.LogEvidence))
		left = normal * w.p.Entropy()
	}
	abnormal := 1 - normal
	if abnormal > 0 {
		left += abnormal * w.rest(normal, abnormal)
	}
	copy(w.keep, w.now.keep)
	w.scale = w.now.scale
	return Gain{Finding: finding, Abnormal: abnormal, Bits: max(0, w.now.entropy-left)}
}

// rest is the entropy after an abnormal finding, from what is known now and
// what follows from a normal one.
func (w *Workspace) rest(normal, abnormal float64) float64 {
	h := 0.0
	for i, x := range w.now.Fault {
		x, absent := x/abnormal, w.now.Absent[i]/abnormal
		if normal > 0 {
			x -= normal / abnormal * w.p.Fault[i]
			absent -= normal / abnormal * w.p.Absent[i]
		}
		h += entropy(min(1, x)) + entropy(min(1, absent))
	}
	return h
}

// rare is the chance of an abnormal finding below which the rest has lost its
// digits.
const rare = 1e-6

// direct weighs a rare abnormal finding for itself.
func (w *Workspace) direct(m *Model, es []Evidence, g *Gain) error {
	if g.Abnormal >= rare {
		return nil
	}
	g.Abnormal = 0
	left := 0.0
	w.others = append(append(w.others[:0], es...), Evidence{g.Finding, 1, 0})
	switch p, err := w.Weigh(m, w.others); {
	case err == nil:
		g.Abnormal = math.Exp(p.LogEvidence - w.now.LogEvidence)
		left = g.Abnormal * p.Entropy()
	case !errors.Is(err, ErrImpossible):
		return err
	}
	w.others[len(es)] = Evidence{g.Finding, 0, 1}
	p, err := w.Weigh(m, w.others)
	if err != nil {
		return err
	}
	left += (1 - g.Abnormal) * p.Entropy()
	g.Bits = max(0, w.now.entropy-left)
	return nil
}
