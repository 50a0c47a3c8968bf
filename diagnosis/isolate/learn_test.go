package isolate_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/isolate"
)

// rats are the 70 groups of rat_tumour.csv (from memory, as it says).
func rats(t testing.TB) []isolate.Tally {
	t.Helper()
	f, err := os.Open("../../testdata/inference/rat_tumour.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	var out []isolate.Tally
	for _, row := range rows[1:] {
		y, n, times := number(t, row[0]), number(t, row[1]), number(t, row[2])
		for range int(times) {
			out = append(out, isolate.Tally{Jobs: int(n), Counts: []int{int(y)}})
		}
	}
	require.Len(t, out, 70)
	return out
}

// likeliestMean finds the mean share at which the groups are likeliest, each
// with the strength that FitStrength finds for it, by golden section.
func likeliestMean(t testing.TB, groups []isolate.Tally) (mean float64, s isolate.Strength) {
	t.Helper()
	at := func(mean float64) isolate.Strength {
		s, err := isolate.FitStrength([]float64{mean}, groups)
		require.NoError(t, err)
		return s
	}
	low, high := 0.01, 0.6
	for high-low > 1e-10 {
		a, b := high-(high-low)*0.6180339887498949, low+(high-low)*0.6180339887498949
		if at(a).LogLikelihood > at(b).LogLikelihood {
			high = b
		} else {
			low = a
		}
	}
	return (low + high) / 2, at((low + high) / 2)
}

// TestLearning: every row of learning.csv.
func TestLearning(t *testing.T) {
	rows := checkRows(t, "learning.csv")
	require.Len(t, rows, 10)
	mean, s := likeliestMean(t, rats(t))
	require.Equal(t, isolate.Fitted, s.Basis)
	require.Equal(t, 70, s.Groups)
	alpha, beta := s.K*mean, s.K*(1-mean)
	share := func(r, n int, k, above float64) float64 {
		l, err := isolate.Learn([]float64{above}, []isolate.Level{{Tally: isolate.Tally{Jobs: n, Counts: []int{r}}, Strength: k}})
		require.NoError(t, err)
		return l.Priors()[0]
	}
	for _, row := range rows {
		switch row["check"] {
		case "beta_binomial_mle_alpha":
			require.InEpsilon(t, number(t, row["published"]), alpha, 2e-5)
			require.InEpsilon(t, number(t, row["computed"]), alpha, 1e-6)
		case "beta_binomial_mle_beta":
			require.InEpsilon(t, number(t, row["published"]), beta, 2e-5)
			require.InEpsilon(t, number(t, row["computed"]), beta, 1e-6)
		case "posterior_mean_new_group":
			require.InEpsilon(t, number(t, row["computed"]), share(4, 14, s.K, mean), 1e-6)
		case "laplace_succession":
			require.InEpsilon(t, number(t, row["computed"]), share(0, 10, 2, 0.5), 1e-11)
		case "jeffreys":
			require.InEpsilon(t, number(t, row["computed"]), share(0, 10, 1, 0.5), 1e-11)
		case "three_level_shrinkage":
			threeLevels(t, row)
		default:
			t.Fatalf("no test for %s", row["check"])
		}
	}
}

// threeLevels checks one fault of the worked example: five faults, 1/5 each
// before anything is known.
func threeLevels(t *testing.T, row map[string]string) {
	t.Helper()
	words := strings.Fields(row["input"])
	var levels []isolate.Level
	for k, strength := range []float64{5, 8, 12} {
		var c, n int
		_, err := fmt.Sscanf(words[2+2*k], "%d/%d", &c, &n)
		require.NoError(t, err)
		levels = append(levels, isolate.Level{Name: words[1+2*k], Tally: isolate.Tally{Jobs: n, Counts: []int{c, 0, 0, 0, 0}}, Strength: strength})
	}
	require.Equal(t, "5,8,12", words[len(words)-1])
	l, err := isolate.Learn([]float64{0.2, 0.2, 0.2, 0.2, 0.2}, levels)
	require.NoError(t, err)
	for k, s := range strings.Split(row["computed"], ";") {
		name, want, _ := strings.Cut(s, "=")
		require.Equal(t, name, l.Levels[k].Name)
		require.InEpsilon(t, number(t, want), l.Levels[k].Shares[0], 1e-11)
		require.Equal(t, isolate.Given, l.Levels[k].Basis)
	}
	require.Equal(t, l.Levels[2].Shares, l.Priors())
}

// TestStrengthOfTheRats: with the mean known the strength is α + β of the fit
// with both free: 2.30478323 + 14.0798092 (learning.csv).
func TestStrengthOfTheRats(t *testing.T) {
	mean := 2.30478323 / (2.30478323 + 14.0798092)
	s, err := isolate.FitStrength([]float64{mean}, rats(t))
	require.NoError(t, err)
	require.InEpsilon(t, 2.30478323+14.0798092, s.K, 1e-5)
	require.Equal(t, 1725, s.Jobs) // all rats of the table, without the group of 14
	l, err := isolate.Learn([]float64{mean}, []isolate.Level{{Tally: isolate.Tally{Jobs: 14, Counts: []int{4}}, Groups: rats(t)}})
	require.NoError(t, err)
	require.Equal(t, isolate.Fitted, l.Levels[0].Basis)
	require.InEpsilon(t, 0.207499351, l.Priors()[0], 1e-5)
}

// TestStrengthWhenJobsAreFew: ten until five groups and thirty jobs; 5 to 20
// until twenty groups.
func TestStrengthWhenJobsAreFew(t *testing.T) {
	alike := func(groups, jobs, count int) []isolate.Tally {
		var out []isolate.Tally
		for range groups {
			out = append(out, isolate.Tally{Jobs: jobs, Counts: []int{count}})
		}
		return out
	}
	for name, c := range map[string]struct {
		groups []isolate.Tally
		k      float64
		basis  isolate.Basis
	}{
		"none":                {nil, 10, isolate.Usual},
		"four groups":         {alike(4, 20, 10), 10, isolate.Usual},
		"few jobs":            {alike(6, 4, 2), 10, isolate.Usual},
		"one job each":        {alike(50, 1, 1), 10, isolate.Usual},
		"alike":               {alike(6, 20, 10), 20, isolate.Bounded},
		"unlike":              {append(alike(4, 20, 0), alike(4, 20, 20)...), 5, isolate.Bounded},
		"alike, many groups":  {alike(30, 20, 10), 1000, isolate.Bounded},
		"unlike, many groups": {append(alike(15, 20, 0), alike(15, 20, 20)...), 1, isolate.Bounded},
	} {
		s, err := isolate.FitStrength([]float64{0.5}, c.groups)
		require.NoError(t, err, name)
		require.InDelta(t, c.k, s.K, 1e-12, name)
		require.Equal(t, c.basis, s.Basis, name)
	}
	require.Equal(t, []string{"given", "usual", "fitted", "bounded", "unknown"}, []string{isolate.Given.String(), isolate.Usual.String(),
		isolate.Fitted.String(), isolate.Bounded.String(), isolate.Basis(9).String()})
}

// TestStrengthOfManyJobs: 30 groups of some thousand jobs, spread about 0.5 as
// a beta distribution of strength 20 (variance 1/84) gives a strength near 20.
func TestStrengthOfManyJobs(t *testing.T) {
	var groups []isolate.Tally
	for i := range 30 { // even steps of ±1.73 standard deviations have the same variance
		x := 0.5 + math.Sqrt(3.0/84)*(float64(2*i+1)/30-1)
		groups = append(groups, isolate.Tally{Jobs: 4000, Counts: []int{int(4000 * x)}})
	}
	s, err := isolate.FitStrength([]float64{0.5}, groups)
	require.NoError(t, err)
	require.Equal(t, isolate.Fitted, s.Basis)
	require.InDelta(t, 20, s.K, 3)
}

// TestCountJobs: one job counts a fault once; two faults count one each; a job
// nobody verified is no job; an unlisted fault counts for none.
func TestCountJobs(t *testing.T) {
	got := isolate.CountJobs([]string{"fuse", "element", "lint"}, [][]string{{"fuse"}, {"fuse", "fuse"}, {"fuse", "lint"}, {}, {"belt"}})
	require.Equal(t, isolate.Tally{Jobs: 4, Counts: []int{3, 0, 1}}, got)
}

func TestLearningIsChecked(t *testing.T) {
	for name, c := range map[string]struct {
		priors []float64
		level  isolate.Level
	}{
		"prior 0":         {[]float64{0}, isolate.Level{Tally: isolate.Tally{Counts: []int{0}}}},
		"prior NaN":       {[]float64{math.NaN()}, isolate.Level{Tally: isolate.Tally{Counts: []int{0}}}},
		"more than one":   {[]float64{0.6, 0.5}, isolate.Level{Tally: isolate.Tally{Counts: []int{0, 0}}}},
		"other length":    {[]float64{0.6}, isolate.Level{Tally: isolate.Tally{Counts: []int{0, 0}}}},
		"below 0":         {[]float64{0.6}, isolate.Level{Tally: isolate.Tally{Jobs: 1, Counts: []int{-1}}}},
		"above the jobs":  {[]float64{0.6}, isolate.Level{Tally: isolate.Tally{Jobs: 1, Counts: []int{2}}}},
		"jobs below 0":    {nil, isolate.Level{Tally: isolate.Tally{Jobs: -1}}},
		"strength":        {[]float64{0.6}, isolate.Level{Tally: isolate.Tally{Counts: []int{0}}, Strength: -1}},
		"strength NaN":    {[]float64{0.6}, isolate.Level{Tally: isolate.Tally{Counts: []int{0}}, Strength: math.NaN()}},
		"group of others": {[]float64{0.6}, isolate.Level{Tally: isolate.Tally{Counts: []int{0}}, Groups: []isolate.Tally{{}}}},
	} {
		_, err := isolate.Learn(c.priors, []isolate.Level{c.level})
		require.Error(t, err, name)
	}
	_, err := isolate.FitStrength([]float64{math.Inf(1)}, nil)
	require.Error(t, err)
}

// drawTally draws jobs of exactly one of n faults each.
func drawTally(t *rapid.T, n, most int) isolate.Tally {
	out := isolate.Tally{Counts: make([]int, n)}
	for i := range n {
		out.Counts[i] = rapid.IntRange(0, most).Draw(t, "count")
		out.Jobs += out.Counts[i]
	}
	return out
}

func drawPriors(t *rapid.T) []float64 {
	ps := rapid.SliceOfN(rapid.Float64Range(0.01, 1), 1, 6).Draw(t, "priors")
	sum := total(ps)
	for i := range ps {
		ps[i] /= sum
	}
	return ps
}

// TestLearningShrinks: no jobs give the built-in priors; every share lies
// between the one above and the frequency; the shares add up to one; a hundred
// million jobs give the frequency; the same input gives the same bits.
func TestLearningShrinks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ps := drawPriors(t)
		none := isolate.Level{Tally: isolate.Tally{Counts: make([]int, len(ps))}}
		l, err := isolate.Learn(ps, []isolate.Level{none, none})
		require.NoError(t, err)
		require.InDeltaSlice(t, ps, l.Priors(), 1e-15)

		var levels []isolate.Level
		for i := range rapid.IntRange(1, 3).Draw(t, "levels") {
			x := isolate.Level{Name: strconv.Itoa(i), Tally: drawTally(t, len(ps), 40)}
			for range rapid.IntRange(0, 25).Draw(t, "groups") {
				x.Groups = append(x.Groups, drawTally(t, len(ps), 9))
			}
			levels = append(levels, x)
		}
		l, err = isolate.Learn(ps, levels)
		require.NoError(t, err)
		above := ps
		for i, x := range l.Levels {
			between(t, above, levels[i].Tally, x.Shares)
			require.InDelta(t, 1, total(x.Shares), 1e-12)
			require.GreaterOrEqual(t, x.Strength, 1.0)
			require.LessOrEqual(t, x.Strength, 1000.0)
			above = x.Shares
		}
		again, err := isolate.Learn(ps, levels)
		require.NoError(t, err)
		require.Equal(t, l, again)

		many := drawTally(t, len(ps), 9)
		for i := range many.Counts {
			many.Counts[i] *= 1e8
		}
		many.Jobs *= 1e8
		l, err = isolate.Learn(ps, []isolate.Level{{Tally: many, Strength: 20}})
		require.NoError(t, err)
		for i, c := range many.Counts {
			if many.Jobs > 0 {
				require.InDelta(t, float64(c)/float64(many.Jobs), l.Priors()[i], 1e-6)
			}
		}
	})
}

func between(t *rapid.T, above []float64, tally isolate.Tally, shares []float64) {
	for i, s := range shares {
		if tally.Jobs == 0 {
			require.InDelta(t, above[i], s, 1e-15)
			continue
		}
		f := float64(tally.Counts[i]) / float64(tally.Jobs)
		require.GreaterOrEqual(t, s, math.Min(above[i], f)-1e-15)
		require.LessOrEqual(t, s, math.Max(above[i], f)+1e-15)
	}
}

// TestStrengthIsTheLikeliest: no other strength within the bounds is likelier,
// by the gamma functions themselves.
func TestStrengthIsTheLikeliest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ps := drawPriors(t)
		var groups []isolate.Tally
		for range 25 {
			groups = append(groups, drawTally(t, len(ps), 300))
		}
		s, err := isolate.FitStrength(ps, groups)
		require.NoError(t, err)
		if s.Basis == isolate.Usual {
			return
		}
		require.InDelta(t, byGamma(ps, groups, s.K), s.LogLikelihood, 1e-7*(1+math.Abs(s.LogLikelihood)))
		other := rapid.Float64Range(5, 20).Draw(t, "other")
		require.GreaterOrEqual(t, s.LogLikelihood, byGamma(ps, groups, other)-1e-6*(1+math.Abs(s.LogLikelihood)))
	})
}

func byGamma(ps []float64, groups []isolate.Tally, k float64) float64 {
	gamma := func(x float64) float64 { y, _ := math.Lgamma(x); return y }
	sum := 0.0
	for _, g := range groups {
		if g.Jobs < 2 {
			continue
		}
		sum += gamma(k) - gamma(float64(g.Jobs)+k)
		for i, c := range g.Counts {
			sum += gamma(float64(c)+k*ps[i]) - gamma(k*ps[i])
		}
	}
	return sum
}
