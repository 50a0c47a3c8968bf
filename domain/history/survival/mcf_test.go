package survival

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// histories reads rows (id, time, status): status 0 ends the watch.
func histories(t testing.TB, name string) []History {
	t.Helper()
	names, groups := cases(data(t, name), "id")
	var units []History
	for _, id := range names {
		h := History{}
		for _, r := range groups[id] {
			h.To = max(h.To, r.int(t, "time"))
			if r["status"] == "1" {
				h.Events = append(h.Events, r.int(t, "time"))
			}
		}
		units = append(units, h)
	}
	return units
}

// conventions are the other variances of the tables. They are kept here only, to
// show what is not offered: they are wrong for units that differ, or depend on
// the order of ties.
type conventions struct{ poisson, nelson, nocov, greenwoodTies, seqTies float64 }

func otherConventions(units []History, day int) conventions {
	var days []int
	for _, u := range units {
		days = append(days, u.Events...)
	}
	slices.Sort(days)
	days = slices.DeleteFunc(slices.Compact(days), func(d int) bool { return d > day })
	var c conventions
	for i, d := range days {
		n, total, spread := joint(units, d, d)
		c.poisson += total / (n * n)
		c.nocov += spread / (n * n)
		for range int(total) { // one after the other, the unit staying at risk
			c.greenwoodTies += 1 / (n * (n - 1))
			c.seqTies += (math.Pow(1-1/n, 2) + (n-1)/(n*n)) / (n * n)
		}
		c.nelson += spread / (n - 1) / n
		for _, later := range days[i+1:] {
			m, _, cross := joint(units, d, later)
			c.nelson += 2 * cross / (m - 1) / n
		}
	}
	return c
}

// joint looks at the units at risk on the later of two days: how many, their
// failures on the first day, and the sum of products of the deviations.
func joint(units []History, d, later int) (n, first, products float64) {
	second := 0.0
	for _, u := range units {
		if u.From < later && later <= u.To {
			n++
			a, b := failuresOn(u, d), failuresOn(u, later)
			first, second, products = first+a, second+b, products+a*b
		}
	}
	return n, first, products - first*second/n
}

func failuresOn(u History, day int) (count float64) {
	for _, e := range u.Events {
		if e == day {
			count++
		}
	}
	return count
}

// Source: R, survfit with id and robust = TRUE; valve seats of Nelson 1995, the
// five systems of a public documentation page.
func TestMCFAgainstR(t *testing.T) {
	for name, rows := range map[string][]record{"valveseat": expected(t, "mcf_valveseat"), "mcf5": expected(t, "mcf_mcf5")} {
		units := histories(t, name)
		m := MeanCumulative(units, 0.95)
		require.Len(t, m.Steps, len(rows))
		for i, r := range rows {
			s := m.Steps[i]
			require.Equal(t, []int{r.int(t, "time"), r.int(t, "n_risk"), r.int(t, "d")}, []int{s.Day, s.AtRisk, s.Events})
			same(t, r, "mcf", number(s.MCF), closedForm)
			same(t, r, "se_robust_ln", number(s.SE), closedForm)
			sameInterval(t, r, "robust_log_lo", "robust_log_hi", s.Interval, closedForm)
			z := zFor(0.95)
			same(t, r, "robust_plain_lo", number(s.MCF-z*s.SE), 1e-8)
			same(t, r, "robust_plain_hi", number(s.MCF+z*s.SE), closedForm)
			require.Equal(t, s.AtRisk < 10, s.Small)
			other := otherConventions(units, s.Day)
			same(t, r, "se_poisson", number(math.Sqrt(other.poisson)), closedForm)
			same(t, r, "se_nocov", number(math.Sqrt(other.nocov)), closedForm)
			same(t, r, "se_nelson_unbiased", number(math.Sqrt(other.nelson)), closedForm)
		}
	}
}

// The robust variance is the jackknife by infinitesimal weights: the derivative
// of the estimate by the weight of each unit, here by central differences.
func TestRobustVarianceIsTheJackknife(t *testing.T) {
	units := histories(t, "mcf5")
	weighted := func(day int, which int, extra float64) float64 {
		m := 0.0
		var days []int
		for _, u := range units {
			days = append(days, u.Events...)
		}
		slices.Sort(days)
		for _, d := range slices.Compact(days) {
			if d > day {
				break
			}
			n, fails := 0.0, 0.0
			for i, u := range units {
				w := 1.0
				if i == which {
					w += extra
				}
				if d <= u.To {
					n += w
				}
				for _, e := range u.Events {
					if e == d {
						fails += w
					}
				}
			}
			m += fails / n
		}
		return m
	}
	for _, s := range MeanCumulative(units, 0.95).Steps {
		sum := 0.0
		for i := range units {
			const h = 1e-5
			d := (weighted(s.Day, i, h) - weighted(s.Day, i, -h)) / (2 * h)
			sum += d * d
		}
		require.InEpsilon(t, sum, s.SE*s.SE, 1e-6)
	}
}

func TestMCFBoundaries(t *testing.T) {
	require.Equal(t, Undefined, MeanCumulative(nil, 0.95).Status)
	require.Equal(t, Undefined, MeanCumulative([]History{{From: 5, To: 9, Events: []int{5}}}, 0.95).Status, "the failure that opens the watch")
	atEnd := MeanCumulative([]History{{From: 0, To: 9, Events: []int{9}}, {From: 9, To: 12}}, 0.95)
	require.Equal(t, OK, atEnd.Status)
	require.Equal(t, 1, atEnd.Steps[0].AtRisk, "a unit that enters on the day is not at risk on it")
	require.Equal(t, TooFew, atEnd.YearlySlope.Status)
	require.Equal(t, 12, atEnd.Exposure)
	none := MeanCumulative([]History{{From: 0, To: 9}}, 0.95)
	require.Equal(t, OK, none.Status)
	require.Empty(t, none.Steps)
	valve := MeanCumulative(histories(t, "valveseat"), 0.95)
	require.Equal(t, 48, valve.Events)
	last, before := valve.Steps[45], valve.Steps[24]
	for _, s := range valve.Steps {
		if s.Day*3 <= last.Day*2 {
			before = s
		}
	}
	require.InEpsilon(t, (last.MCF-before.MCF)/(653.0/3)*365, valve.YearlySlope.Value, 1e-12)
}
