package survival

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// lives are the cases of the Weibull table.
func lives(t testing.TB, name string) []Life {
	t.Helper()
	file, column, keep := name, "status", func(record) bool { return true }
	switch name {
	case "aml_all":
		file = "aml"
	case "ifluid30", "ifluid34", "ifluid38":
		file, column, keep = "ifluid", "", where("voltage", name[6:])
	}
	var all []Life
	for _, r := range data(t, file) {
		if !keep(r) {
			continue
		}
		count := 1
		if r["count"] != "" {
			count = r.int(t, "count")
		}
		for range count {
			all = append(all, Life{Exit: r.float(t, "time"), Failed: column == "" || r[column] == "1"})
		}
	}
	return all
}

// Source: R, survreg and profile likelihoods by uniroot.
func TestWeibullAgainstR(t *testing.T) {
	for _, r := range expected(t, "weibull") {
		w := FitWeibull(lives(t, r["case"]), 0.95)
		require.Equal(t, OK, w.Status)
		require.Equal(t, []int{r.int(t, "n"), r.int(t, "r")}, []int{w.N, w.Failures})
		k := newLikelihood(lives(t, r["case"]), w.Longest)
		for column, got := range map[string]float64{
			"mu": w.Location, "se_mu": w.LocationSE, "sigma": w.Spread, "se_sigma": w.SpreadSE, "cov_mu_logsigma": w.Covariance,
			"eta": w.Scale.Value, "se_eta": w.Scale.SE, "beta": w.Shape.Value, "se_beta": w.Shape.SE,
			"loglik_time": w.LogLik, "loglik_logtime": w.LogLik + k.failureLogs,
			"b10": w.B10.Value, "se_log_b10": w.B10.SE / w.B10.Value, "b50": w.B50.Value,
		} {
			same(t, r, column, number(got), rooted)
		}
		same(t, r, "loglik_exp", w.ShapeIsOne.LogLik, rooted)
		same(t, r, "exp_mean", w.MeanIfExponential, closedForm)
		same(t, r, "lr_shape1", w.ShapeIsOne.Statistic, rooted)
		same(t, r, "p_shape1", w.ShapeIsOne.P, rooted)
		sameInterval(t, r, "beta_wald_lo", "beta_wald_hi", w.Shape.Wald, rooted)
		sameInterval(t, r, "eta_wald_lo", "eta_wald_hi", w.Scale.Wald, rooted)
		sameInterval(t, r, "b10_wald_lo", "b10_wald_hi", w.B10.Wald, rooted)
		sameInterval(t, r, "b50_wald_lo", "b50_wald_hi", w.B50.Wald, rooted)
		sameInterval(t, r, "beta_prof_lo", "beta_prof_hi", w.Shape.Profile, profiled)
		sameInterval(t, r, "eta_prof_lo", "eta_prof_hi", w.Scale.Profile, profiled)
		sameInterval(t, r, "b10_prof_lo", "b10_prof_hi", w.B10.Profile, profiled)
	}
}

func TestWeibullRefuses(t *testing.T) {
	two := FitWeibull([]Life{{0, 5, true}, {0, 9, true}, {0, 9, false}}, 0.95)
	require.Equal(t, TooFew, two.Status)
	require.InDelta(t, 23.0/2, two.MeanIfExponential.Value, 1e-12)
	none := FitWeibull([]Life{{0, 5, false}, {0, 9, false}}, 0.95)
	require.Equal(t, TooFew, none.Status)
	require.Equal(t, Undefined, none.MeanIfExponential.Status)
	require.InEpsilon(t, 14/-math.Log(0.05), none.AtLeastIfExponential.Value, 1e-9, "no failure leaves a bound")
	equal := FitWeibull([]Life{{0, 5, true}, {0, 5, true}, {0, 5, true}}, 0.95)
	require.Equal(t, Undefined, equal.Status, "no shape")
	for _, bad := range []Life{{0, 0, true}, {5, 5, true}, {-1, 5, true}, {0, math.NaN(), true}, {0, math.Inf(1), true}, {math.NaN(), 4, false}} {
		require.Equal(t, Undefined, FitWeibull([]Life{bad}, 0.95).Status)
	}
	require.Equal(t, Undefined, FitWeibull(nil, 0.95).Status)
}

func TestB10BeyondTheFollowUpIsFlagged(t *testing.T) {
	require.True(t, FitWeibull(lives(t, "bearingcage"), 0.95).B10.Extrapolated)
	require.False(t, FitWeibull(lives(t, "genfan"), 0.95).B10.Extrapolated)
}

// Lives that entered late: the likelihood of S(t)/S(entry), here searched by
// brute force.
func TestLeftTruncatedWeibull(t *testing.T) {
	var all []Life
	for i := range 40 {
		entry := float64(i%8) * 1.5
		all = append(all, Life{Entry: entry, Exit: entry + 0.5 + float64((i*7)%13)*0.8, Failed: i%3 != 0})
	}
	w := FitWeibull(all, 0.95)
	require.Equal(t, OK, w.Status)
	loglik := func(b, eta float64) float64 {
		sum := 0.0
		for _, l := range all {
			sum += math.Pow(l.Entry/eta, b) - math.Pow(l.Exit/eta, b)
			if l.Failed {
				sum += math.Log(b/eta) + (b-1)*math.Log(l.Exit/eta)
			}
		}
		return sum
	}
	best := loglik(w.Shape.Value, w.Scale.Value)
	require.InEpsilon(t, best, w.LogLik, 1e-9)
	for _, d := range []float64{0.999, 1.001} {
		require.Less(t, loglik(w.Shape.Value*d, w.Scale.Value), best)
		require.Less(t, loglik(w.Shape.Value, w.Scale.Value*d), best)
	}
	for _, end := range []Number{w.Shape.Profile.Lo, w.Shape.Profile.Hi} {
		top := math.Inf(-1)
		for ln := math.Log(w.Scale.Value) - 2; ln < math.Log(w.Scale.Value)+2; ln += 1e-3 {
			top = max(top, loglik(end.Value, math.Exp(ln)))
		}
		require.InDelta(t, 3.841459/2, best-top, 1e-4)
	}
	require.Less(t, w.Shape.Profile.Lo.Value, w.Shape.Value)
}
