// Package isolate weighs faults exactly: independent causes, findings that are
// leaky noisy-OR of their causes, evidence as pairs of likelihoods. It is pure
// arithmetic, and nothing in it is subtracted, so no digits are lost.
package isolate

import (
	"errors"
	"fmt"
	"math"
)

// Fault is one failure mode with its prior probability, above 0 and below 1.
// Faults of one Group are modes of one part: at most one of them is there. An
// empty Group stands for a group of its own.
type Fault struct {
	ID    string
	Prior float64
	Group string
}

// Link ties a finding to a fault (by index into Model.Faults): the chance,
// above 0 and at most 1, that the fault alone makes the finding abnormal.
type Link struct {
	Fault  int
	Weight float64
}

// Finding is something that can be found abnormal. Leak is the chance, 0 to
// below 1, that it is though none of its faults is there.
type Finding struct {
	ID    string
	Leak  float64
	Links []Link
}

// Evidence is what was found (by index into Model.Findings), as the likelihood
// of what was seen if the finding is abnormal and if it is normal. Only their
// ratio matters. A plain yes is (1, 0), a plain no (0, 1), an inconclusive
// reading (1, 1): it weighs nothing.
type Evidence struct {
	Finding          int
	Abnormal, Normal float64
}

// Model is a fault model. It is not changed by weighing and may be shared.
type Model struct {
	Faults   []Fault
	Findings []Finding

	priors []float64 // by fault
	groups []group
	groupO []int     // group of each fault
	links  [][]flink // by fault: its findings, in order
}

// group is the modes of one part, and the chance that it has none.
type group struct {
	faults []int
	none   float64
}

// flink is a link seen from its fault.
type flink struct {
	Finding int32
	Weight  float64
}

// New checks a model and lays it out. The error names what is wrong.
func New(faults []Fault, findings []Finding) (*Model, error) {
	m := &Model{Faults: faults, Findings: findings, groupO: make([]int, len(faults)), priors: make([]float64, len(faults))}
	at := map[string]int{}
	for i, f := range faults {
		if !(f.Prior > 0 && f.Prior < 1) {
			return nil, fmt.Errorf("isolate: prior of fault %s is not above 0 and below 1", f.ID)
		}
		m.priors[i] = f.Prior
		g, known := at[f.Group]
		if !known || f.Group == "" {
			g = len(m.groups)
			m.groups = append(m.groups, group{})
			at[f.Group] = g
		}
		m.groups[g].faults = append(m.groups[g].faults, i)
		m.groupO[i] = g
	}
	for i := range m.groups {
		g := &m.groups[i]
		sum := 0.0
		for _, f := range g.faults {
			sum += faults[f].Prior
		}
		g.none = 1 - sum
		if !(sum < 1) {
			return nil, fmt.Errorf("isolate: the modes of %s leave no chance that the part is good", faults[g.faults[0]].Group)
		}
	}
	seen, count, all := make([]int, len(faults)), make([]int, len(faults)), 0
	for i := range findings {
		if err := findings[i].check(seen, i+1); err != nil {
			return nil, err
		}
		for _, l := range findings[i].Links {
			count[l.Fault]++
		}
		all += len(findings[i].Links)
	}
	m.links = make([][]flink, len(faults))
	backing := make([]flink, all)
	for f, n := range count {
		m.links[f], backing = backing[:0:n], backing[n:]
	}
	for i := range findings {
		for _, l := range findings[i].Links {
			m.links[l.Fault] = append(m.links[l.Fault], flink{int32(i), l.Weight})
		}
	}
	return m, nil
}

// check looks a finding through. seen is by fault the number of the finding
// that named it last.
func (f Finding) check(seen []int, number int) error {
	if !(f.Leak >= 0 && f.Leak < 1) {
		return fmt.Errorf("isolate: leak of finding %s is not from 0 to below 1", f.ID)
	}
	for _, l := range f.Links {
		if l.Fault < 0 || l.Fault >= len(seen) || seen[l.Fault] == number {
			return fmt.Errorf("isolate: finding %s names an unknown fault, or one twice", f.ID)
		}
		if !(l.Weight > 0 && l.Weight <= 1) {
			return fmt.Errorf("isolate: a weight of finding %s is not above 0 and at most 1", f.ID)
		}
		seen[l.Fault] = number
	}
	return nil
}

// Errors of weighing.
var (
	// ErrImpossible: these findings cannot all be, whatever is at fault.
	ErrImpossible = errors.New("isolate: these findings are impossible together")
	// ErrWide: too many findings hang together to be weighed exactly.
	ErrWide = errors.New("isolate: too many findings hang together")
)

// MaxFrontier is the greatest number of findings weighed together, in bits.
const MaxFrontier = 20

// errTwice refuses evidence that names a finding twice.
var errTwice = errors.New("isolate: evidence names an unknown finding, or one twice")

func (m *Model) fits(e *Evidence) error {
	if e.Finding < 0 || e.Finding >= len(m.Findings) {
		return errTwice
	}
	if !(e.Abnormal >= 0 && e.Normal >= 0 && e.Abnormal+e.Normal > 0) || math.IsInf(e.Abnormal+e.Normal, 0) {
		return fmt.Errorf("isolate: likelihoods of finding %s are not two numbers from 0, one above it", m.Findings[e.Finding].ID)
	}
	return nil
}
