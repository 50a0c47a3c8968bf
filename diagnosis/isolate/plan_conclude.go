package isolate

import (
	"errors"
	"math"
)

// Limits of a conclusion. Both are judgement, no source.
const (
	ConcludeBad  = 0.9  // least probability at which a part is called bad, whatever the costs
	ConcludeGood = 0.02 // greatest probability at which a part is called good
)

// Standing is what a probability says of a part.
type Standing uint8

// The standings. SuspectPart is the zero value: not concluded either way.
const (
	SuspectPart Standing = iota
	GoodPart
	BadPart
)

// String names the standing for logs.
func (s Standing) String() string {
	if s > BadPart {
		return "unknown"
	}
	return [...]string{"suspect", "good", "bad"}[s]
}

// BadAt is the probability from which a part is called bad. Replacing a good
// part wastes replace, leaving a bad one loses miss (both from 0, same unit), so
// replacing pays from replace/(replace+miss); never below ConcludeBad. It is an
// error when both are 0 or one is not a finite number from 0.
func BadAt(replace, miss float64) (float64, error) {
	if !costs(replace) || !costs(miss) || replace+miss == 0 {
		return 0, errors.New("isolate: the costs of replacing and of missing must be numbers from 0, one above it")
	}
	return max(ConcludeBad, replace/(replace+miss)), nil
}

// Conclude says what a probability of a fault makes of its part: bad from
// BadAt(replace, miss), good up to ConcludeGood, else suspect. It is an error
// when p is not from 0 to 1, and where BadAt is one.
func Conclude(p, replace, miss float64) (Standing, error) {
	at, err := BadAt(replace, miss)
	switch {
	case err != nil:
		return SuspectPart, err
	case !(p >= 0 && p <= 1):
		return SuspectPart, errors.New("isolate: a probability is not from 0 to 1")
	case p >= at:
		return BadPart, nil
	case p <= ConcludeGood:
		return GoodPart, nil
	}
	return SuspectPart, nil
}

// Wald gives the limits of a sequential test as likelihood ratios: bad is
// accepted at a ratio from a, good at one up to b. alpha is the chance of
// calling a good part bad, beta of calling a bad part good; both above 0 and
// together below 1. Their logarithms are the limits for a weight of evidence
// (Wald 1945: a = (1−β)/α, b = β/(1−α), neglecting the overshoot).
func Wald(alpha, beta float64) (a, b float64, err error) {
	if !(alpha > 0 && beta > 0 && alpha+beta < 1) {
		return 0, 0, errors.New("isolate: alpha and beta must be above 0 and together below 1")
	}
	a, b = (1-beta)/alpha, beta/(1-alpha)
	if math.IsInf(a, 0) {
		return 0, 0, errors.New("isolate: alpha is too small")
	}
	return a, b, nil
}
