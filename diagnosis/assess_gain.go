package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
)

// gains computes what checks would tell about the ranking as it stands. It is
// made for speed: a check's findings name few of the causes, and for all the
// others one sum does.
type gains struct {
	posterior []float64
	bits      []float64 // −p·log₂ p of each posterior
	entropy   float64
	m         *model

	named []bool      // causes some finding of the check tells from the others
	rows  [][]float64 // chance of each finding under each cause
	total []float64
}

func newGains(m *model) *gains {
	n := len(m.causes)
	g := &gains{m: m, posterior: make([]float64, n), bits: make([]float64, n),
		named: make([]bool, n), total: make([]float64, n)}
	for i := range m.causes {
		p := m.causes[i].posterior
		g.posterior[i], g.bits[i] = p, plogp(p)
		g.entropy += g.bits[i]
	}
	return g
}

// of is the expected fall of the entropy by doing the check once, in bits. The
// chances of its findings are scaled to one for each fault, since the
// catalogue states them as judgement. A finding without weights does not
// happen, as far as the gain goes.
func (g *gains) of(ch *catalogue.Check) float64 {
	findings, tells := g.lay(ch)
	if !tells {
		return 0
	}
	clear(g.total)
	others := 0.0 // sum of the chances of a cause no finding names
	for k, f := range findings {
		others += rest(f)
		for i, x := range g.rows[k] {
			g.total[i] += x
		}
	}
	mass, bits := 0.0, 0.0 // of the causes no finding names
	for i, named := range g.named {
		if !named {
			mass, bits = mass+g.posterior[i], bits+g.bits[i]
		}
	}
	left := 0.0
	for k, f := range findings {
		share := rest(f) / others
		left += g.remaining(g.rows[k], share*mass, share*bits+plogp(share)*mass)
	}
	return math.Max(0, g.entropy-left)
}

// lay fills the chances of the check's weighing findings, false when none of
// them tells any two causes apart.
func (g *gains) lay(ch *catalogue.Check) ([]*catalogue.Finding, bool) {
	clear(g.named)
	findings, tells := make([]*catalogue.Finding, 0, len(ch.Findings)), false
	for i := range ch.Findings {
		f := &ch.Findings[i]
		if len(f.Weights) == 0 {
			continue
		}
		row := g.row(len(findings))
		g.m.fill(row, f)
		for i, x := range row {
			if x != rest(f) {
				g.named[i], tells = true, true
			}
		}
		findings = append(findings, f)
	}
	return findings, tells
}

func (g *gains) row(k int) []float64 {
	if k == len(g.rows) {
		g.rows = append(g.rows, make([]float64, len(g.posterior)))
	}
	return g.rows[k]
}

// remaining is the entropy left after one finding times its chance,
// −Σ x·log₂(x/Σx) over the joint chances x. mass and bits are Σx and
// −Σ x·log₂ x of the causes no finding names.
func (g *gains) remaining(row []float64, mass, bits float64) float64 {
	for i, named := range g.named {
		if named {
			x := g.posterior[i] * row[i] / g.total[i]
			mass += x
			bits += plogp(x)
		}
	}
	return bits - plogp(mass)
}

// entropy of the ranking now, in bits.
func (m *model) entropy() float64 {
	h := 0.0
	for _, c := range m.causes {
		h += plogp(c.posterior)
	}
	return h
}

func plogp(p float64) float64 {
	if p <= 0 {
		return 0
	}
	return -p * math.Log2(p)
}
