package measure

import "math"

// Mean is the mean of repeated readings, the standard uncertainty s/√n of that
// mean and its n−1 degrees of freedom (JCGM 100:2008, 4.2). One reading has an
// unknown uncertainty, +Inf, with no degrees of freedom; none gives zeros.
func Mean(x []float64) (mean, u, nu float64) {
	n := float64(len(x))
	switch len(x) {
	case 0:
		return 0, 0, 0
	case 1:
		return x[0], math.Inf(1), 0
	}
	for _, v := range x {
		mean += v / n
	}
	return mean, math.Sqrt(CovarianceOfMeans(x, x)), n - 1
}

// CovarianceOfMeans is the covariance of the means of two quantities read
// together, zero for fewer than two pairs (JCGM 100:2008, 5.2.3). Pairs beyond
// the shorter slice are left out.
func CovarianceOfMeans(x, y []float64) float64 {
	n := min(len(x), len(y))
	if n < 2 {
		return 0
	}
	var mx, my float64
	for i := range n {
		mx += x[i] / float64(n)
		my += y[i] / float64(n)
	}
	var sum float64
	for i := range n {
		sum += (x[i] - mx) * (y[i] - my)
	}
	return sum / float64(n) / float64(n-1)
}

// Propagate is the covariance of two results with the sensitivities a and b to
// inputs whose covariances are cov: aᵀ·cov·b (JCGM 100:2008, 5.2.2). With
// a == b its square root is the standard uncertainty of the result.
func Propagate(a, b []float64, cov [][]float64) float64 {
	var sum float64
	for i := range a {
		for j := range b {
			sum += a[i] * cov[i][j] * b[j]
		}
	}
	return sum
}
