package survival

import "math"

// root finds x in [lo, hi] with f(x) = 0 by secant steps that keep the bracket
// ("Illinois"), with a bisection now and then, to some 11 digits. ok is false
// unless f changes sign over the bracket.
func root(f func(float64) float64, lo, hi float64) (x float64, ok bool) {
	flo, fhi := f(lo), f(hi)
	switch {
	case flo == 0:
		return lo, true
	case fhi == 0:
		return hi, true
	case !(flo*fhi < 0): // NaN included
		return 0, false
	}
	side, before := 0, math.Inf(1)
	for i := range 300 {
		mid := (lo*fhi - hi*flo) / (fhi - flo)
		if i%4 == 3 || !(mid > lo && mid < hi) {
			mid = lo + (hi-lo)/2
		}
		fmid := f(mid)
		tol := 1e-12 + 1e-11*math.Abs(mid)
		if fmid == 0 || hi-lo <= tol || math.Abs(mid-before) <= tol {
			return mid, true
		}
		before = mid
		switch {
		case fmid*fhi < 0:
			lo, flo = mid, fmid
			if side == -1 {
				fhi /= 2
			}
			side = -1
		case fmid*flo < 0:
			hi, fhi = mid, fmid
			if side == 1 {
				flo /= 2
			}
			side = 1
		default:
			return 0, false
		}
	}
	return lo + (hi-lo)/2, true
}

// bracket walks from start by steps that double until f changes sign, at most
// so many times, and finds the root in between.
func bracket(f func(float64) float64, start, step float64, most int) (x float64, ok bool) {
	at, fat := start, f(start)
	for range most {
		next := at + step
		fnext := f(next)
		if math.IsNaN(fnext) {
			return 0, false
		}
		if fat == 0 || fat*fnext <= 0 {
			return root(f, min(at, next), max(at, next))
		}
		at, fat, step = next, fnext, 2*step
	}
	return 0, false
}
