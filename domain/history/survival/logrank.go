package survival

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/mathext"
)

// minExpected is how many events a group should expect before the chi-square
// may be trusted (common rule, no source).
const minExpected = 5

// LogRankGroup is one group's share of a log-rank test. With rho 1 the counts
// are weighted.
type LogRankGroup struct {
	Repairs            int
	Observed, Expected float64
	Variance           float64 // of Observed - Expected
}

// LogRank is a test that groups come back at the same pace.
type LogRank struct {
	Status    Status
	Groups    []LogRankGroup
	ChiSq     Number
	DF        int
	P         Number
	Clustered bool // a unit has several rows
	Crossing  bool // the curves cross
}

// LogRankTest compares the pace at which the cause strikes in k groups, with
// the (k-1) covariance matrix of hypergeometric variances. rho 0 is the log-rank
// test; rho 1 weights the events by the survival before them (Peto and Prentice;
// Harrington and Fleming 1982). On one cause of several it compares hazards, not
// the shares that come back: GrayTest does that.
//
// P is withheld where it would mislead: too_few when a group expects fewer than
// 5 events, unweighted; undefined when units have several rows (the variance takes rows as
// independent) or when the curves cross, that is a group's running observed
// minus expected goes beyond one standard deviation both ways (judgement, no
// source).
func LogRankTest(groups [][]Row, cause int, rho int) LogRank {
	res := LogRank{Status: Undefined, ChiSq: none(Undefined), P: none(Undefined), DF: len(groups) - 1}
	if len(groups) < 2 || cause < 0 || (rho != 0 && rho != 1) {
		return res
	}
	var all []Row
	for _, g := range groups {
		if len(g) == 0 || !valid(g) {
			return res
		}
		all = append(all, g...)
	}
	res.Clustered = units(all) < len(all)
	s := newScores(groups, all, cause)
	s.run(float64(rho))
	s.fill(&res)
	return res
}

// scores are the running sums of a k-group test.
type scores struct {
	pooled             []dayCount
	risk, events       [][]int32 // by group, aligned with pooled
	observed, expected []float64
	plain              []float64 // expected events, without weight
	low, high          []float64 // of observed - expected on the way
	cov                *mat.SymDense
	repairs            []int
}

func newScores(groups [][]Row, all []Row, cause int) *scores {
	k := len(groups)
	s := &scores{pooled: countDays(all, cause), observed: make([]float64, k), expected: make([]float64, k), plain: make([]float64, k),
		low: make([]float64, k), high: make([]float64, k), cov: mat.NewSymDense(k, nil)}
	for _, g := range groups {
		risk, events := s.align(g, cause)
		s.risk, s.events = append(s.risk, risk), append(s.events, events)
		s.repairs = append(s.repairs, len(g))
	}
	return s
}

// align gives a group's numbers at risk and events on the pooled days.
func (s *scores) align(g []Row, cause int) (risk, events []int32) {
	last := lastDay(g)
	in, out, ev := make([]int32, last+2), make([]int32, last+2), make([]int32, last+2)
	for i := range g {
		in[g[i].Entry+1]++
		out[g[i].Exit+1]++
		if g[i].event(cause) {
			ev[g[i].Exit]++
		}
	}
	risk, events = make([]int32, len(s.pooled)), make([]int32, len(s.pooled))
	at, day := int32(0), 0
	for j, d := range s.pooled {
		for ; day <= min(d.day, last+1); day++ {
			at += in[day] - out[day]
		}
		if d.day <= last {
			risk[j], events[j] = at, ev[d.day]
		}
	}
	return risk, events
}

func (s *scores) run(rho float64) {
	left := 1.0 // pooled survival just before the day
	for j, d := range s.pooled {
		if d.events == 0 {
			continue
		}
		w := math.Pow(left, rho)
		s.day(j, d, w)
		left *= 1 - float64(d.events)/float64(d.risk)
	}
}

// day adds one day with weight w. When one row is at risk there is no variance.
func (s *scores) day(j int, d dayCount, w float64) {
	n, e := float64(d.risk), float64(d.events)
	spread := 0.0
	if d.risk > 1 {
		spread = w * w * e * (n - e) / (n - 1)
	}
	for g := range s.risk {
		share := float64(s.risk[g][j]) / n
		s.observed[g] += w * float64(s.events[g][j])
		s.expected[g] += w * e * share
		s.plain[g] += e * share
		s.low[g] = min(s.low[g], s.observed[g]-s.expected[g])
		s.high[g] = max(s.high[g], s.observed[g]-s.expected[g])
		if share == 0 || spread == 0 {
			continue
		}
		s.cov.SetSym(g, g, s.cov.At(g, g)+spread*share*(1-share))
		for h := g + 1; h < len(s.risk); h++ {
			s.cov.SetSym(g, h, s.cov.At(g, h)-spread*share*float64(s.risk[h][j])/n)
		}
	}
}

func (s *scores) fill(res *LogRank) {
	diff := make([]float64, len(s.observed))
	few := false
	for g := range s.observed {
		v := s.cov.At(g, g)
		res.Groups = append(res.Groups, LogRankGroup{s.repairs[g], s.observed[g], s.expected[g], v})
		diff[g] = s.observed[g] - s.expected[g]
		few = few || s.plain[g] < minExpected
		sd := math.Sqrt(v)
		res.Crossing = res.Crossing || (sd > 0 && s.low[g] < -sd && s.high[g] > sd)
	}
	chisq, ok := quadratic(s.cov, diff)
	if !ok {
		res.Status = TooFew
		res.ChiSq, res.P = none(TooFew), none(TooFew)
		return
	}
	res.Status, res.ChiSq = OK, number(chisq)
	switch {
	case res.Clustered || res.Crossing:
		res.P = none(Undefined)
	case few:
		res.P = none(TooFew)
	default:
		res.P = number(chiSqTail(chisq, res.DF))
	}
}

// quadratic is d' V^-1 d over all groups but the last.
func quadratic(cov *mat.SymDense, diff []float64) (float64, bool) {
	k := len(diff) - 1
	var chol mat.Cholesky
	if !chol.Factorize(cov.SliceSym(0, k)) || !(chol.Cond() < 1e12) {
		return 0, false
	}
	d, x := mat.NewVecDense(k, diff[:k]), mat.NewVecDense(k, nil)
	if err := chol.SolveVecTo(x, d); err != nil {
		return 0, false
	}
	return mat.Dot(d, x), true
}

// chiSqTail is the upper tail of chi-square, from the incomplete gamma function:
// one minus the distribution loses the far tail.
func chiSqTail(x float64, df int) float64 {
	return mathext.GammaIncRegComp(float64(df)/2, max(0, x)/2)
}

// chiSqBelow is the lower tail.
func chiSqBelow(x float64, df int) float64 {
	return mathext.GammaIncReg(float64(df)/2, max(0, x)/2)
}
