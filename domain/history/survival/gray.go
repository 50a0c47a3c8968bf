package survival

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Gray is a test that groups have the same share struck by one cause.
type Gray struct {
	Status    Status
	ChiSq     Number
	DF        int
	P         Number
	Clustered bool // a unit has several rows: P is withheld
}

// GrayTest compares the cumulative incidence of one cause between k groups
// (Gray 1988, weight 1, with his correction of the variance for ties). Rows
// must start at 0: left truncation is undefined here. It is too_few when the
// cause never strikes or a group adds nothing.
func GrayTest(groups [][]Row, cause int) Gray {
	res := Gray{Status: Undefined, ChiSq: none(Undefined), P: none(Undefined), DF: len(groups) - 1}
	if len(groups) < 2 || cause < 1 {
		return res
	}
	var all []Row
	for _, g := range groups {
		if len(g) == 0 || !valid(g) {
			return res
		}
		all = append(all, g...)
	}
	for i := range all {
		if all[i].Entry != 0 {
			return res
		}
	}
	res.Clustered = units(all) < len(all)
	t := newGray(groups, all, cause)
	for j := range t.days {
		t.day(j)
	}
	chisq, ok := quadratic(t.covariance(), t.score)
	if !ok {
		res.Status, res.ChiSq, res.P = TooFew, none(TooFew), none(TooFew)
		return res
	}
	res.Status, res.ChiSq = OK, number(chisq)
	if !res.Clustered {
		res.P = number(chiSqTail(chisq, res.DF))
	}
	return res
}

// grayGroup is one group just before a day.
type grayGroup struct {
	risk      []int32
	own, rest []int32 // events of the cause and of the others
	surv, cif float64
}

// grayState holds the running sums of the score and of its variance, which is
// written as a sum over the groups' martingales: a jump in group k moves score i
// by first[i][k] and, through what comes later, by drift[i][k].
type grayState struct {
	days   []dayCount
	groups []grayGroup
	pooled float64 // share struck, under the hypothesis
	score  []float64
	drift  *mat.Dense // k x k
	direct *mat.SymDense
	cross  *mat.Dense
	jump   []float64
}

func newGray(groups [][]Row, all []Row, cause int) *grayState {
	k := len(groups)
	both := &scores{pooled: countDays(all, AnyCause)}
	t := &grayState{days: both.pooled, score: make([]float64, k), drift: mat.NewDense(k, k, nil),
		direct: mat.NewSymDense(k, nil), cross: mat.NewDense(k, k, nil), jump: make([]float64, k)}
	for _, g := range groups {
		risk, any := both.align(g, AnyCause)
		_, own := both.align(g, cause)
		rest := make([]int32, len(any))
		for j := range any {
			rest[j] = any[j] - own[j]
		}
		t.groups = append(t.groups, grayGroup{risk: risk, own: own, rest: rest, surv: 1})
	}
	return t
}

// day moves the sums over one day.
func (t *grayState) day(j int) {
	own, rest, total, adjusted := 0.0, 0.0, 0.0, 0.0
	for i := range t.groups {
		g := &t.groups[i]
		own += float64(g.own[j])
		rest += float64(g.rest[j])
		if g.risk[j] > 0 {
			h := float64(g.risk[j]) / g.surv
			total += h
			adjusted += h * (1 - g.cif)
		}
	}
	if own+rest == 0 {
		return
	}
	weights := t.weights(j, total)
	t.drift.Apply(func(a, b int, x float64) float64 {
		return x + weights.At(a, b)*own/(total*(1-t.pooled))
	}, t.drift)
	pooled := t.pooled + own/total
	t.addScores(j, own, adjusted)
	after := t.after(j)
	if own > 0 {
		t.ownJumps(j, own, total, pooled, weights, after)
	}
	if rest > 0 {
		t.otherJumps(j, pooled, after)
	}
	t.advance(j, pooled, after)
}

// weights are how a jump of the cause in one group moves the scores at once.
func (t *grayState) weights(j int, total float64) *mat.Dense {
	k := len(t.groups)
	w := mat.NewDense(k, k, nil)
	for a := range t.groups {
		ha := float64(t.groups[a].risk[j]) / t.groups[a].surv
		if t.groups[a].risk[j] == 0 {
			continue
		}
		for b := range t.groups {
			if t.groups[b].risk[j] == 0 {
				continue
			}
			w.Set(a, b, -ha*float64(t.groups[b].risk[j])/t.groups[b].surv/total)
		}
		w.Set(a, a, ha*(1-ha/total))
	}
	return w
}

func (t *grayState) addScores(j int, own, adjusted float64) {
	for i := range t.groups {
		g := &t.groups[i]
		if g.risk[j] > 0 && adjusted > 0 {
			t.score[i] += float64(g.own[j]) - own*float64(g.risk[j])*(1-g.cif)/(g.surv*adjusted)
		}
	}
}

// after are the groups' survivals from the day on.
func (t *grayState) after(j int) []float64 {
	s := make([]float64, len(t.groups))
	for i := range t.groups {
		g := &t.groups[i]
		s[i] = g.surv
		if g.risk[j] > 0 {
			s[i] *= float64(g.risk[j]-g.own[j]-g.rest[j]) / float64(g.risk[j])
		}
	}
	return s
}

// ownJumps adds the variance of the events of the cause; ties are spread as
// without replacement.
func (t *grayState) ownJumps(j int, own, total, pooled float64, weights *mat.Dense, after []float64) {
	for k := range t.groups {
		g := &t.groups[k]
		if g.risk[j] == 0 {
			continue
		}
		lasting := 1.0
		if after[k] > 0 {
			lasting = 1 - (1-pooled)/after[k]
		}
		ties := 1.0
		if own > 1 {
			ties = 1 - (own-1)/(total*g.surv-1)
		}
		size := ties * g.surv * own / (total * float64(g.risk[j]))
		t.add(k, lasting, size, func(i int) float64 { return weights.At(i, k) - lasting*t.drift.At(i, k) })
	}
}

// otherJumps adds the variance of the events of the other causes.
func (t *grayState) otherJumps(j int, pooled float64, after []float64) {
	for k := range t.groups {
		g := &t.groups[k]
		if after[k] <= 0 || g.rest[j] == 0 {
			continue
		}
		lasting, ties := (1-pooled)/after[k], 1.0
		if g.rest[j] > 1 {
			ties = 1 - float64(g.rest[j]-1)/float64(g.risk[j]-1)
		}
		size := ties * g.surv * g.surv * float64(g.rest[j]) / (float64(g.risk[j]) * float64(g.risk[j]))
		t.add(k, -lasting, size, func(i int) float64 { return lasting * t.drift.At(i, k) })
	}
}

// add takes in jumps of the given size in group k.
func (t *grayState) add(k int, lasting, size float64, first func(i int) float64) {
	t.jump[k] += lasting * lasting * size
	for a := range t.groups {
		t.cross.Set(a, k, t.cross.At(a, k)+first(a)*lasting*size)
		for b := a; b < len(t.groups); b++ {
			t.direct.SetSym(a, b, t.direct.At(a, b)+first(a)*first(b)*size)
		}
	}
}

func (t *grayState) advance(j int, pooled float64, after []float64) {
	for i := range t.groups {
		g := &t.groups[i]
		if g.risk[j] > 0 {
			g.cif += g.surv * float64(g.own[j]) / float64(g.risk[j])
		}
		// A group with nobody left has no survival to divide by; its risk is 0.
		if after[i] > 0 {
			g.surv = after[i]
		}
	}
	t.pooled = pooled
}

// covariance joins what a jump does at once with what it does through the drift
// left at the end.
func (t *grayState) covariance() *mat.SymDense {
	n := len(t.groups)
	v := mat.NewSymDense(n, nil)
	for a := range n {
		for b := a; b < n; b++ {
			x := t.direct.At(a, b)
			for k := range n {
				x += t.drift.At(a, k)*t.drift.At(b, k)*t.jump[k] + t.drift.At(a, k)*t.cross.At(b, k) + t.drift.At(b, k)*t.cross.At(a, k)
			}
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return mat.NewSymDense(n, nil)
			}
			v.SetSym(a, b, x)
		}
	}
	return v
}
