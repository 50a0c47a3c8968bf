package measure

import "math"

// Outcome is what a measured value says of a limit.
type Outcome string

// The outcomes. The strings are those of a verdict.
const (
	Conforms       Outcome = "conforms"
	DoesNotConform Outcome = "does_not_conform"
	Inconclusive   Outcome = "inconclusive"
)

// Conformity is the probability that the true value meets the limit, given
// what was measured, and what the decision rule makes of it.
type Conformity struct {
	Probability float64
	Outcome     Outcome
}

// Rule is a decision rule: conforms when the probability of conformity is at
// least Accept, does not conform when it is at most Reject, inconclusive
// between. The zero value is the default rule.
type Rule struct {
	Accept float64
	Reject float64
}

// DefaultRule is the rule used unless another is stated: 0.95 and 0.05. For a
// one-sided limit it is a guard band of 1.645 standard uncertainties on either
// side of the limit.
func DefaultRule() Rule { return Rule{Accept: 0.95, Reject: 0.05} }

// GuardRule is the rule whose guard band is r times the expanded uncertainty
// U = 2u on both sides of a limit (ILAC-G8:09/2019, Table 1): r = 1 is the
// classic guarded acceptance, r = 0 accepts and rejects at the limit itself.
func GuardRule(r float64) Rule {
	r = math.Abs(r)
	return Rule{Accept: phi(2 * r), Reject: phi(-2 * r)}
}

// orDefault fills the zero value, and a rule that would decide both ways at
// once.
func (r Rule) orDefault() Rule {
	if r.Accept > 0 && r.Accept <= 1 && r.Reject >= 0 && r.Accept >= r.Reject {
		return r
	}
	return DefaultRule()
}

// Decides says whether a probability of conformity settles anything by the
// rule, either way.
func (r Rule) Decides(p float64) bool { return r.decide(p).Outcome != Inconclusive }

// Guard gives the guard bands of the rule at standard uncertainty u: a value
// is accepted that far inside a one-sided limit, rejected that far outside
// (JCGM 106:2012, clause 8).
func (r Rule) Guard(u float64) (accept, reject float64) {
	if u == 0 {
		return 0, 0
	}
	r = r.orDefault()
	return Quantile(r.Accept) * u, -Quantile(r.Reject) * u
}

// Upper is the conformity of the measured y, with standard uncertainty u, to
// an upper limit: Φ((tu−y)/u) (JCGM 106:2012, 7.3). With u zero the value
// itself decides, the limit belonging to the good side.
func Upper(y, u, tu float64, r Rule) Conformity {
	if !usable(y, u) || math.IsNaN(tu) {
		return Conformity{Probability: 0.5, Outcome: Inconclusive}
	}
	return r.decide(below(y, u, tu))
}

// Lower is Upper for a lower limit: Φ((y−tl)/u).
func Lower(y, u, tl float64, r Rule) Conformity {
	return Upper(-y, u, -tl, r)
}

// Between is the conformity to two limits: Φ((tu−y)/u) − Φ((tl−y)/u)
// (JCGM 106:2012, 7.4). A value is only rejected for lying beyond one of the
// limits by that limit's own guard band: a reading too coarse to tell the two
// limits apart has a low probability wherever it lies, yet says nothing, and
// is inconclusive. So are limits in the wrong order.
func Between(y, u, tl, tu float64, r Rule) Conformity {
	if !usable(y, u) || !(tl <= tu) {
		return Conformity{Probability: 0.5, Outcome: Inconclusive}
	}
	r = r.orDefault()
	low, high := below(-y, u, -tl), below(y, u, tu)
	p := inside(y, u, tl, tu)
	c := Conformity{Probability: p, Outcome: Inconclusive}
	switch {
	case p >= r.Accept:
		c.Outcome = Conforms
	case low <= r.Reject || high <= r.Reject:
		c.Outcome = DoesNotConform
	}
	return c
}

// CanAccept says whether any reading with standard uncertainty u could be
// accepted between the limits; when not, a better instrument is needed.
func (r Rule) CanAccept(u, tl, tu float64) bool {
	return Between(tl+(tu-tl)/2, u, tl, tu, r).Outcome == Conforms
}

func usable(y, u float64) bool { return finite(y) && finite(u) && u >= 0 }

// below is the probability that the value lies at or below the limit.
func below(y, u, limit float64) float64 {
	if u == 0 {
		if y <= limit {
			return 1
		}
		return 0
	}
	return phi((limit - y) / u)
}

// inside is the probability of lying between the limits, computed in the tail
// that keeps its digits.
func inside(y, u, tl, tu float64) float64 {
	if w := tu - tl; w > 0 && w < slim*u {
		return min(1, slice(y, u, tl, w))
	}
	if u == 0 {
		return below(y, 0, tu) * below(-y, 0, -tl)
	}
	if y > tu {
		return math.Max(0, phi((tu-y)/u)-phi((tl-y)/u))
	}
	return math.Max(0, phi((y-tl)/u)-phi((y-tu)/u))
}

func (r Rule) decide(p float64) Conformity {
	r = r.orDefault()
	switch {
	case p >= r.Accept:
		return Conformity{p, Conforms}
	case p <= r.Reject:
		return Conformity{p, DoesNotConform}
	}
	return Conformity{p, Inconclusive}
}

// slim is the width, in u, below which the probability between two limits is
// integrated: as the difference of two it would lose its digits.
const slim = 0.01

// slice is the probability in [tl, tl+w] by the five points of Gauss and
// Legendre: exact to the last digits for so slim a one.
func slice(y, u, tl, w float64) float64 {
	sum := 0.0
	for i, x := range [...]float64{-0.9061798459386640, -0.5384693101056831, 0, 0.5384693101056831, 0.9061798459386640} {
		weight := [...]float64{0.2369268850561891, 0.4786286704993665, 0.5688888888888889, 0.4786286704993665, 0.2369268850561891}[i]
		sum += weight / 2 * normalDensity(y-(tl+w/2*(1+x)), u)
	}
	return w * sum
}
