package isolate_test

import (
	"math"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/isolate"
)

// forty are the 40 cases of calibration.csv, ten at .9 (9 true), ten at .3 (3
// true), twenty at .05 (1 true).
func forty() []isolate.Forecast {
	var out []isolate.Forecast
	for _, c := range []struct {
		p       float64
		n, true int
	}{{0.9, 10, 9}, {0.3, 10, 3}, {0.05, 20, 1}} {
		for i := range c.n {
			out = append(out, isolate.Forecast{P: c.p, True: i < c.true})
		}
	}
	return out
}

// listed reads "y=0110 p=.1,.9,.8,.3".
func listed(t testing.TB, input string) []isolate.Forecast {
	t.Helper()
	parts := regexp.MustCompile(`^y=([01]+) p=(\S+)`).FindStringSubmatch(input)
	require.Len(t, parts, 3)
	var out []isolate.Forecast
	for i, p := range strings.Split(parts[2], ",") {
		out = append(out, isolate.Forecast{P: number(t, p), True: parts[1][i] == '1'})
	}
	return out
}

// values reads "0;0.5;1", with or without names.
func values(t testing.TB, s string) []float64 {
	t.Helper()
	var out []float64
	for _, x := range strings.Split(s, ";") {
		_, v, named := strings.Cut(x, "=")
		if !named {
			v = x
		}
		out = append(out, number(t, v))
	}
	return out
}

// TestCalibration: every row of calibration.csv. Published values are given to
// five digits.
func TestCalibration(t *testing.T) {
	rows := checkRows(t, "calibration.csv")
	require.Len(t, rows, 7)
	var last []isolate.Forecast
	for _, row := range rows {
		t.Run(row["check"], func(t *testing.T) {
			bins := 10
			switch {
			case strings.Contains(row["input"], "40 cases"):
				last = forty()
			case row["input"] != "same":
				last = listed(t, row["input"])
			}
			if strings.HasPrefix(row["check"], "reliability_bins") {
				bins = 3
			}
			c, err := isolate.Calibrate(last, bins)
			require.NoError(t, err)
			want, got := values(t, row["computed"]), scores(t, row["check"], c)
			require.InDeltaSlice(t, want, got, 1e-12)
			if row["published"] != "" {
				require.InDeltaSlice(t, values(t, row["published"]), got, 5e-6)
			}
		})
	}
}

func scores(t testing.TB, check string, c isolate.Calibration) []float64 {
	t.Helper()
	var observed, predicted []float64
	for _, b := range c.Bins {
		observed, predicted = append(observed, b.Observed), append(predicted, b.Predicted)
	}
	switch check {
	case "brier":
		return []float64{c.Brier}
	case "log_loss":
		return []float64{c.Log}
	case "reliability_bins_obs":
		return observed
	case "reliability_bins_pred":
		return predicted
	case "murphy_decomposition":
		return []float64{c.Reliability, c.Resolution, c.Uncertainty, c.Brier}
	case "ece":
		return []float64{c.Gap}
	}
	t.Fatalf("no test for %s", check)
	return nil
}

// TestBinsHoldTheirBounds: a forecast lies in the bin whose bounds, as shown,
// hold it; 1 lies in the last; the counts are those of the cases.
func TestBinsHoldTheirBounds(t *testing.T) {
	c, err := isolate.Calibrate(forty(), isolate.UsualBins)
	require.NoError(t, err)
	require.Len(t, c.Bins, 10)
	require.Equal(t, isolate.Bin{Low: 0.9, High: 1, Count: 10, Predicted: 0.9, Observed: 0.9}, rounded(c.Bins[9]))
	require.Equal(t, isolate.Bin{Low: 0.3, High: 0.4, Count: 10, Predicted: 0.3, Observed: 0.3}, rounded(c.Bins[3]))
	require.Equal(t, 20, c.Bins[0].Count)
	require.Equal(t, isolate.Bin{Low: 0.5, High: 0.6}, c.Bins[5])
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "bins")
		p := rapid.OneOf(rapid.Float64Range(0, 1), rapid.Custom(func(t *rapid.T) float64 {
			return float64(rapid.IntRange(0, n).Draw(t, "edge")) / float64(n)
		})).Draw(t, "p")
		c, err := isolate.Calibrate([]isolate.Forecast{{P: p}}, n)
		require.NoError(t, err)
		found := 0
		for i, b := range c.Bins {
			if b.Count == 0 {
				continue
			}
			found++
			require.LessOrEqual(t, b.Low, p)
			require.True(t, p < b.High || i == n-1 && p == 1)
		}
		require.Equal(t, 1, found)
	})
}

func rounded(b isolate.Bin) isolate.Bin {
	b.Predicted, b.Observed = math.Round(b.Predicted*1e12)/1e12, math.Round(b.Observed*1e12)/1e12
	return b
}

func drawForecasts(t *rapid.T) []isolate.Forecast {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) isolate.Forecast {
		return isolate.Forecast{P: rapid.Float64Range(0, 1).Draw(t, "p"), True: rapid.Bool().Draw(t, "true")}
	}), 1, 80).Draw(t, "forecasts")
}

// TestBrierComesApart: the parts add up to the Brier score whatever the bins;
// no part but Within is below 0; a sure and right forecast scores 0, a sure and
// wrong one 1 and the floor.
func TestBrierComesApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fs := drawForecasts(t)
		c, err := isolate.Calibrate(fs, rapid.IntRange(1, 30).Draw(t, "bins"))
		require.NoError(t, err)
		require.InDelta(t, c.Brier, c.Reliability-c.Resolution+c.Uncertainty+c.Within, 1e-12)
		for _, x := range []float64{c.Brier, c.Log, c.Reliability, c.Resolution, c.Uncertainty, c.Gap} {
			require.GreaterOrEqual(t, x, 0.0)
		}
		require.LessOrEqual(t, c.Brier, 1.0)
		require.LessOrEqual(t, c.Log, -math.Log(isolate.LogFloor))
		require.LessOrEqual(t, c.Uncertainty, 0.25)
		require.LessOrEqual(t, square(c.Gap), c.Reliability+1e-12)
	})
	right, err := isolate.Calibrate([]isolate.Forecast{{P: 1, True: true}, {P: 0}}, 10)
	require.NoError(t, err)
	require.Zero(t, right.Brier)
	require.Zero(t, right.Log)
	wrong, err := isolate.Calibrate([]isolate.Forecast{{P: 0, True: true}, {P: 1}}, 10)
	require.NoError(t, err)
	require.InDelta(t, 1, wrong.Brier, 1e-15)
	require.InDelta(t, 13.815510557964274, wrong.Log, 1e-9) // ln 10⁶
}

func square(x float64) float64 { return x * x }

// TestBrierIsProper: of forecasts about events of a share, the true share
// scores best.
func TestBrierIsProper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 50).Draw(t, "cases")
		k := rapid.IntRange(0, n).Draw(t, "true")
		at := func(p float64) isolate.Calibration {
			var fs []isolate.Forecast
			for i := range n {
				fs = append(fs, isolate.Forecast{P: p, True: i < k})
			}
			c, err := isolate.Calibrate(fs, 10)
			require.NoError(t, err)
			return c
		}
		best, other := at(float64(k)/float64(n)), at(rapid.Float64Range(0, 1).Draw(t, "p"))
		require.LessOrEqual(t, best.Brier, other.Brier+1e-12)
		require.LessOrEqual(t, best.Log, other.Log+1e-5) // the floor gives up to 1e-6
		require.InDelta(t, 0, best.Reliability, 1e-15)
	})
}

// TestCalls by hand. First call: .7 and .3, the first was it: .09 + .09. Second:
// .6 and .4, the second and an unlisted one were it: .36 + .36 + 1.
func TestCalls(t *testing.T) {
	c, err := isolate.CalibrateCalls([]isolate.Ended{
		{Faults: []string{"fuse", "element"}, Probabilities: []float64{0.7, 0.3}, Found: []string{"fuse", "fuse"}},
		{Faults: []string{"fuse", "element"}, Probabilities: []float64{0.6, 0.4}, Found: []string{"element", "belt"}},
	}, 10)
	require.NoError(t, err)
	require.Equal(t, 2, c.Count)
	require.InDelta(t, (0.18+1.72)/2, c.Brier, 1e-12)
	require.Equal(t, 1, c.TopFound)
	require.Equal(t, 1, c.Unlisted)
	require.Equal(t, 2, c.Top.Count)
	require.InDelta(t, (0.09+0.36)/2, c.Top.Brier, 1e-12)
	require.Equal(t, 5, c.Every.Count)
	require.InDelta(t, c.Brier*2/5, c.Every.Brier, 1e-12)
}

// TestCallsAgree: the Brier over calls and that over forecasts are the same sum.
func TestCallsAgree(t *testing.T) {
	names := []string{"a", "b", "c", "d"}
	rapid.Check(t, func(t *rapid.T) {
		var calls []isolate.Ended
		for range rapid.IntRange(1, 12).Draw(t, "calls") {
			calls = append(calls, isolate.Ended{
				Faults: names[:3], Probabilities: rapid.SliceOfN(rapid.Float64Range(0, 1), 3, 3).Draw(t, "p"),
				Found: rapid.SliceOfN(rapid.SampledFrom(names), 1, 4).Draw(t, "found"),
			})
		}
		c, err := isolate.CalibrateCalls(calls, 10)
		require.NoError(t, err)
		require.InDelta(t, c.Every.Brier*float64(c.Every.Count), c.Brier*float64(c.Count), 1e-9)
		require.Equal(t, 3*len(calls)+c.Unlisted, c.Every.Count)
		found := 0
		for _, b := range c.Top.Bins {
			found += int(math.Round(b.Observed * float64(b.Count)))
		}
		require.Equal(t, c.TopFound, found)
	})
}

func TestCalibrationIsChecked(t *testing.T) {
	for _, p := range []float64{-0.1, 1.1, math.NaN(), math.Inf(1)} {
		_, err := isolate.Calibrate([]isolate.Forecast{{P: p}}, 10)
		require.Error(t, err, p)
		_, err = isolate.CalibrateCalls([]isolate.Ended{{Faults: []string{"a"}, Probabilities: []float64{p}, Found: []string{"a"}}}, 10)
		require.Error(t, err, p)
	}
	for _, n := range []int{0, -1, 1001} {
		_, err := isolate.Calibrate(nil, n)
		require.Error(t, err)
		_, err = isolate.CalibrateCalls(nil, n)
		require.Error(t, err)
	}
	for name, e := range map[string]isolate.Ended{
		"nothing found": {Faults: []string{"a"}, Probabilities: []float64{1}},
		"no fault":      {Found: []string{"a"}},
		"other numbers": {Faults: []string{"a"}, Probabilities: []float64{1, 0}, Found: []string{"a"}},
		"twice":         {Faults: []string{"a", "a"}, Probabilities: []float64{1, 0}, Found: []string{"a"}},
	} {
		_, err := isolate.CalibrateCalls([]isolate.Ended{e}, 10)
		require.Error(t, err, name)
	}
	none, err := isolate.Calibrate(nil, 10)
	require.NoError(t, err)
	require.Zero(t, none.Count)
	require.Zero(t, none.Brier)
	calls, err := isolate.CalibrateCalls(nil, 10)
	require.NoError(t, err)
	require.Zero(t, calls.Count)
}
