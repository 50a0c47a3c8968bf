package survival

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// windows are the cases of the trend tables.
func windows(t testing.TB, name string) []Window {
	t.Helper()
	switch name {
	case "two_systems_unequal": // a public benchmark file of power-law fits
		return []Window{{To: 4, Events: []float64{0.5, 1, 1.5, 2, 3}}, {To: 100, Events: []float64{50}}}
	case "two_systems_equal":
		// The second unit's three events are worked back from the table's U and
		// chi-square (their sum and product); the other columns confirm them.
		return append(windows(t, "nist_case1"), Window{To: 1500, Events: []float64{100, 600, 1400}})
	case "valveseat_pooled":
		var ws []Window
		for _, h := range histories(t, "valveseat") {
			w := Window{To: float64(h.To)}
			for _, e := range h.Events {
				w.Events = append(w.Events, float64(e))
			}
			ws = append(ws, w)
		}
		return ws
	}
	w := Window{}
	for _, r := range data(t, "trend_series") {
		if r["series"] == name {
			w.To, w.FailureTerminated = r.float(t, "end"), r["failure_terminated"] == "TRUE"
			w.Events = append(w.Events, r.float(t, "time"))
		}
	}
	return []Window{w}
}

func checkTrend(t *testing.T, r record) {
	t.Helper()
	ws := windows(t, r["case"])
	got, law := TestTrend(ws, 0.95), FitPowerLaw(ws, 0.95)
	require.Equal(t, []Status{OK, OK}, []Status{got.Status, law.Status}, r["case"])
	require.Equal(t, []int{r.int(t, "systems"), r.int(t, "n_events"), r.int(t, "laplace_m"), r.int(t, "milhdbk_df"), r.int(t, "cvm_M")},
		[]int{got.Windows, got.Events, got.Used, got.DF, law.CramerVonMisesOf}, r["case"])
	same(t, r, "laplace_u", got.Laplace, closedForm)
	same(t, r, "laplace_p2", got.LaplaceP, closedForm)
	same(t, r, "milhdbk_chisq", got.MILHDBK, closedForm)
	same(t, r, "milhdbk_p2", got.MILHDBKP, closedForm)
	same(t, r, "milhdbk_p_lower", number(chiSqBelow(got.MILHDBK.Value, got.DF)), closedForm)
	same(t, r, "milhdbk_p_upper", number(chiSqTail(got.MILHDBK.Value, got.DF)), closedForm)
	for column, figure := range map[string]float64{"beta": law.Shape, "lambda": law.Lambda, "eta": law.Scale, "beta_unb": law.ReducedShape,
		"lambda_from_beta_unb": law.ReducedLambda, "cvm_beta": law.FitShape, "T": law.Longest, "loglik": law.LogLik} {
		same(t, r, column, number(figure), rooted)
	}
	sameInterval(t, r, "beta_lo", "beta_hi", law.ShapeLimits, rooted)
	same(t, r, "intensity_T", law.Intensity, rooted)
	same(t, r, "mtbf_T", law.MTBF, rooted)
	same(t, r, "mtbf_T_unb", law.ReducedMTBF, rooted)
	same(t, r, "cum_mtbf", law.CumulativeMTBF, closedForm)
	same(t, r, "cvm", law.CramerVonMises, rooted)
}

// Source: R; the data are NIST's case 1, a published growth example and the
// rate-of-occurrence example of a public documentation page.
func TestTrendsAgainstR(t *testing.T) {
	for _, r := range expected(t, "trend") {
		checkTrend(t, r)
	}
	for _, r := range expected(t, "trend_valveseat") {
		checkTrend(t, r)
	}
}

func TestTrendDirections(t *testing.T) {
	require.Equal(t, NoEvidence, TestTrend(windows(t, "nist_case1"), 0.95).Direction, "its two tests disagree")
	require.Equal(t, Better, TestTrend(windows(t, "crow22"), 0.95).Direction)
	rocof := TestTrend(windows(t, "rocof30"), 0.95)
	require.Greater(t, rocof.Laplace.Value, 1.96, "late failures: worse")
	require.Equal(t, rocof.Direction == Worse, rocof.LewisRobinson.Value > zFor(0.95))
	var steady Window
	steady.To = 100
	for i := range 20 {
		steady.Events = append(steady.Events, float64(5*i+3))
	}
	require.Equal(t, NoEvidence, TestTrend([]Window{steady}, 0.95).Direction)
}

// Bursts look like a trend to Laplace's test; the guard sees the gaps.
func TestLewisRobinsonGuardsAgainstBursts(t *testing.T) {
	burst := Window{To: 1000, Events: []float64{100, 800, 801, 802, 803, 804, 805, 806, 807}}
	got := TestTrend([]Window{burst}, 0.95)
	require.Less(t, got.LaplaceP.Value, 0.05)
	require.Greater(t, got.LewisRobinsonP.Value, 0.05)
	require.Equal(t, NoEvidence, got.Direction)
}

func TestTrendRefuses(t *testing.T) {
	three := []Window{{To: 10, Events: []float64{1, 2, 3}}}
	require.Equal(t, TooFew, TestTrend(three, 0.95).Status)
	require.Equal(t, TooFew, FitPowerLaw(three, 0.95).Status)
	for _, bad := range [][]Window{nil, {{To: 10, Events: []float64{0}}}, {{From: 5, To: 5}}, {{To: 10, Events: []float64{11}}}} {
		require.Equal(t, Undefined, TestTrend(bad, 0.95).Status)
		require.Equal(t, Undefined, FitPowerLaw(bad, 0.95).Status)
	}
	both := []Window{{To: 10, Events: []float64{1, 2, 3, 4}}, {To: 4, Events: []float64{1, 4}, FailureTerminated: true}}
	require.Equal(t, OK, TestTrend(both, 0.95).Status)
	require.Equal(t, Undefined, FitPowerLaw(both, 0.95).Status)
	end := []Window{{To: 10, Events: []float64{10, 10, 10, 10}}}
	require.Equal(t, Undefined, FitPowerLaw(end, 0.95).Status, "all at the end: no shape")
	crow := FitPowerLaw(windows(t, "crow22"), 0.95)
	require.Equal(t, noInterval(Undefined), crow.MTBFLimits(0.8), "only for a watch that ended by the calendar")
}
