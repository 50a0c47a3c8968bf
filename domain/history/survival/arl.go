package survival

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// maxStates bounds the Markov chain of a chart (and the work of solving it).
const maxStates = 512

// maxGrid bounds how fine the grid of a chart may be.
const maxGrid = 1_000_000

// PoissonARL is the mean number of periods to an alarm of a Poisson CUSUM with k,
// h and the head start all multiples of 1/m, when a period brings mean events on
// the average. From the Markov chain of the chart (Brook and Evans 1972; Lucas
// 1985). The state is the chart before the first period.
func PoissonARL(k, h, start float64, m int, mean float64) Number {
	ks, ok1 := onGrid(k, m)
	hs, ok2 := onGrid(h, m)
	ss, ok3 := onGrid(start, m)
	if !ok1 || !ok2 || !ok3 || ks < 1 {
		return none(Undefined)
	}
	return poissonARL(ks, hs, m, ss, mean)
}

// BernoulliARL is the mean number of repairs to an alarm of a Bernoulli CUSUM
// with k = 1/m and h and the head start multiples of 1/m, each repair coming back
// with chance p.
func BernoulliARL(m int, h, start, p float64) Number {
	hs, ok1 := onGrid(h, m)
	ss, ok2 := onGrid(start, m)
	if !ok1 || !ok2 {
		return none(Undefined)
	}
	return bernoulliARL(m, hs, ss, p)
}

// onGrid is x in steps of 1/m.
func onGrid(x float64, m int) (int, bool) {
	steps := math.Round(x * float64(m))
	return int(steps), m >= 1 && m <= maxGrid && steps >= 0 && steps <= maxStates && math.Abs(steps-x*float64(m)) < 1e-9
}

func poissonARL(k, h, m, start int, mean float64) Number {
	if !(mean > 0 && mean < 1e6) || k < 1 || m < 1 || m > maxGrid {
		return none(Undefined)
	}
	p := distuv.Poisson{Lambda: mean}
	return chainARL(h, start, func(from int, put func(to int, chance float64)) {
		for x := 0; from+x*m-k < h; x++ {
			put(max(0, from+x*m-k), p.Prob(float64(x)))
		}
	})
}

func bernoulliARL(m, h, start int, p float64) Number {
	if !(p > 0 && p < 1) || m < 1 {
		return none(Undefined)
	}
	return chainARL(h, start, func(from int, put func(to int, chance float64)) {
		put(max(0, from-1), 1-p)
		if from+m-1 < h {
			put(from+m-1, p)
		}
	})
}

// chainARL solves (I - Q) L = 1 over the states 0..h-1 that are not alarms.
func chainARL(h, start int, row func(from int, put func(to int, chance float64))) Number {
	if h < 1 || h > maxStates || start < 0 || start >= h {
		return none(Undefined)
	}
	a := mat.NewDense(h, h, nil)
	ones := mat.NewVecDense(h, nil)
	for from := range h {
		ones.SetVec(from, 1)
		a.Set(from, from, 1)
		row(from, func(to int, chance float64) { a.Set(from, to, a.At(from, to)-chance) })
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil {
		return none(Undefined)
	}
	if x := l.AtVec(start); x >= 1 {
		return number(x)
	}
	return none(Undefined)
}

// NormalARL is the mean run length of the one-sided CUSUM of standardised
// figures with mean mu (hours over plan, say), from Page's integral equation.
func NormalARL(k, h, mu float64) Number {
	const nodes = 64
	if !(h > 0 && h <= 20 && k >= 0 && k <= 20 && math.Abs(mu) <= 20) {
		return none(Undefined)
	}
	x, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	x = append([]float64{0}, x...)
	w = append([]float64{0}, w...)
	n := len(x)
	a, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		ones.SetVec(i, 1)
		for j := range n {
			a.Set(i, j, -w[j]*distuv.UnitNormal.Prob(x[j]+k-x[i]-mu))
		}
		a.Set(i, 0, a.At(i, 0)-distuv.UnitNormal.CDF(k-x[i]-mu))
		a.Set(i, i, a.At(i, i)+1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil || !(l.AtVec(0) >= 1) {
		return none(Undefined)
	}
	return number(l.AtVec(0))
}

// NormalARLBothSides is that of two charts, one for each side: 1/L = 1/up + 1/down.
func NormalARLBothSides(k, h, mu float64) Number {
	up, down := NormalARL(k, h, mu), NormalARL(k, h, -mu)
	if !up.OK() {
		return none(Undefined)
	}
	if !down.OK() { // its run length is beyond what can be solved
		return up
	}
	return number(1 / (1/up.Value + 1/down.Value))
}
