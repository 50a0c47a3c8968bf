package survival

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// grouped splits a data set by the labels, each group with its own units.
func grouped(t *testing.T, name string, labels []string) [][]Row {
	t.Helper()
	file, column := name, "group"
	if name == "shop_model3" {
		file, column = "shop_sim", "model"
	}
	var groups [][]Row
	for k, label := range labels {
		g := rowsOf(t, file, where(column, label))
		for i := range g {
			g[i].Unit += 1e6 * k
		}
		groups = append(groups, g)
	}
	return groups
}

// Source: R, survdiff with rho 0 and 1.
func TestLogRankAgainstR(t *testing.T) {
	rows := expected(t, "logrank")
	for i := range rows {
		rows[i]["key"] = rows[i]["case"] + rows[i]["rho"]
	}
	names, tests := cases(rows, "key")
	require.Len(t, names, 8)
	for _, name := range names {
		rs := tests[name]
		var labels []string
		for _, r := range rs {
			labels = append(labels, r["group"][strings.Index(r["group"], "=")+1:])
		}
		groups := grouped(t, rs[0]["case"], labels)
		got := LogRankTest(groups, 1, rs[0].int(t, "rho"))
		require.Equal(t, OK, got.Status)
		for g, r := range rs {
			require.Equal(t, r.int(t, "n"), got.Groups[g].Repairs)
			same(t, r, "observed", number(got.Groups[g].Observed), closedForm)
			same(t, r, "expected", number(got.Groups[g].Expected), closedForm)
			same(t, r, "var_diag", number(got.Groups[g].Variance), closedForm)
			same(t, r, "chisq", got.ChiSq, closedForm)
			require.Equal(t, r.int(t, "df"), got.DF)
			close(t, r.float(t, "p"), chiSqTail(got.ChiSq.Value, got.DF), closedForm)
			same(t, r, "p", got.P, closedForm)
			require.False(t, got.Crossing)
		}
	}
}

func TestLogRankWithholdsWhatMisleads(t *testing.T) {
	few := [][]Row{endings(1, 1, 2, 0, 5, 1), {followed(7, 0, 3, 1), followed(8, 0, 9, 0)}}
	got := LogRankTest(few, 1, 0)
	require.Equal(t, OK, got.ChiSq.Status)
	require.Equal(t, TooFew, got.P.Status)

	var early, late []Row // early breaks at once, late holds and then breaks as one
	for i := range 40 {
		early = append(early, followed(i, 0, 1+i%5, i%2), followed(100+i, 0, 300, 0))
		late = append(late, followed(200+i, 0, 100+i, 1), followed(300+i, 0, 300, 0))
	}
	crossing := LogRankTest([][]Row{early, late}, 1, 0)
	require.True(t, crossing.Crossing)
	require.Equal(t, Undefined, crossing.P.Status)

	for i := range late {
		late[i].Unit = 200 + i/2
	}
	clustered := LogRankTest([][]Row{early[:40], late}, 1, 0)
	require.True(t, clustered.Clustered)
	require.Equal(t, Undefined, clustered.P.Status)

	require.Equal(t, Undefined, LogRankTest([][]Row{early}, 1, 0).Status)
	require.Equal(t, Undefined, LogRankTest([][]Row{early, nil}, 1, 0).Status)
	require.Equal(t, Undefined, LogRankTest([][]Row{early, late}, 1, 2).Status)
	require.Equal(t, TooFew, LogRankTest([][]Row{endings(3, 0), {followed(5, 0, 4, 0)}}, 1, 0).Status)
}

// incidenceRows are the cases of the competing-cause table.
func incidenceRows(t *testing.T, name string) []Row {
	t.Helper()
	switch name {
	case "mgus2_all":
		return rowsOf(t, "mgus2", nil)
	case "mgus2_F", "mgus2_M":
		return rowsOf(t, "mgus2", where("sex", name[6:]))
	case "crtoy":
		return rowsOf(t, "crtoy", nil)
	case "shop":
		return rowsOf(t, "shop_sim", nil)
	}
	require.Fail(t, "no rows for the case", name)
	return nil
}

// Source: R, survfit of a multi-state Surv (infinitesimal jackknife); cmprsk's
// estimates are the same, its Aalen-type errors within 1 % where n is large.
func TestIncidenceAgainstR(t *testing.T) {
	for _, r := range expected(t, "cif") {
		rows := incidenceRows(t, r["case"])
		c := CumulativeIncidence(rows, 0.95)
		cause, day := r.int(t, "cause"), r.int(t, "time")
		got := c.At(cause, day)
		require.Equal(t, OK, got.Status)
		require.Equal(t, r.int(t, "n_risk"), got.AtRisk, "%v", r)
		same(t, r, "cif", got.F, closedForm)
		same(t, r, "cmprsk_est", got.F, closedForm)
		if r.float(t, "cif") > 0 {
			same(t, r, "se_ij", got.SE, closedForm)
		} else {
			require.Equal(t, Undefined, got.SE.Status)
		}
		if len(rows) > 100 {
			require.InEpsilon(t, r.float(t, "cmprsk_se_aalen"), got.SE.Value, 0.01)
		}
		naive := RepeatWithin(rows, cause, day, 0.95)
		same(t, r, "naive_1_minus_km", naive.F, closedForm)
		require.GreaterOrEqual(t, naive.F.Value, got.F.Value-1e-15, "the net rate is never below the share")
	}
}

func TestIncidenceAddsUpToOne(t *testing.T) {
	for _, name := range []string{"mgus2_all", "mgus2_F", "crtoy", "shop"} {
		for _, s := range CumulativeIncidence(incidenceRows(t, name), 0.95).Steps {
			sum := s.S
			for _, f := range s.CIF {
				sum += f
			}
			require.InDelta(t, 1, sum, 1e-12)
		}
	}
	c := CumulativeIncidence(incidenceRows(t, "mgus2_all"), 0.95)
	require.Equal(t, []int{115, 860}, c.Events, "R survival, compete vignette")
	require.Equal(t, 409, c.N-115-860)
}

func TestIncidenceSaysWhyItIsMissing(t *testing.T) {
	c := CumulativeIncidence(incidenceRows(t, "crtoy"), 0.95)
	require.Equal(t, NotReached, c.At(1, 9).Status)
	require.Equal(t, NotReached, c.RestrictedMeans(9).Status)
	require.Equal(t, Undefined, c.At(0, 3).Status)
	unseen := c.At(4, 8)
	require.Equal(t, OK, unseen.Status)
	require.Zero(t, unseen.F.Value)
	require.Positive(t, unseen.Interval.Hi.Value)
	bad := CumulativeIncidence(endings(3, 5000), 0.95)
	require.Equal(t, Undefined, bad.At(1, 3).Status)
	require.Equal(t, Undefined, bad.RestrictedMeans(3).Status)
	all := CumulativeIncidence(endings(1, 1, 2, 2), 0.95)
	require.Equal(t, OK, all.At(1, 50).Status, "nothing is left to follow")
}

// Source: R, cmprsk::cuminc.
func TestGrayAgainstR(t *testing.T) {
	groups := [][]Row{incidenceRows(t, "mgus2_F"), incidenceRows(t, "mgus2_M")}
	for _, r := range expected(t, "gray") {
		require.Equal(t, "mgus2_sex", r["case"])
		got := GrayTest(groups, r.int(t, "cause"))
		same(t, r, "gray_stat", got.ChiSq, closedForm)
		same(t, r, "p", got.P, closedForm)
		require.Equal(t, r.int(t, "df"), got.DF)
		turned := GrayTest([][]Row{groups[1], groups[0]}, r.int(t, "cause"))
		require.InEpsilon(t, got.ChiSq.Value, turned.ChiSq.Value, 1e-9)
	}
}

func TestGrayRefuses(t *testing.T) {
	one := endings(1, 1, 2, 0, 5, 1)
	require.Equal(t, Undefined, GrayTest([][]Row{one}, 1).Status)
	require.Equal(t, Undefined, GrayTest([][]Row{one, {}}, 1).Status)
	require.Equal(t, Undefined, GrayTest([][]Row{one, {followed(9, 2, 3, 1)}}, 1).Status)
	require.Equal(t, TooFew, GrayTest([][]Row{one, {followed(9, 0, 3, 1)}}, 7).Status)
	require.Equal(t, Undefined, GrayTest([][]Row{one, endings(1, 2, 4, 1)}, 1).P.Status, "units of both groups")
}

// Late entries: the numbers at risk by counting every row on every day.
func TestLogRankWithLateEntries(t *testing.T) {
	rng := shop(10)
	groups := make([][]Row, 2)
	for i := range 80 {
		entry := rng.IntN(30)
		groups[i%2] = append(groups[i%2], followed(i, entry, entry+1+rng.IntN(40), rng.IntN(3)))
	}
	wanted, observed := 0.0, 0.0
	for day := 1; day <= 70; day++ {
		var risk, events [2]float64
		for g := range groups {
			for _, r := range groups[g] {
				if r.Entry < day && day <= r.Exit {
					risk[g]++
				}
				if r.Exit == day && r.Cause == 1 {
					events[g]++
				}
			}
		}
		observed += events[0]
		if n := risk[0] + risk[1]; n > 0 {
			wanted += (events[0] + events[1]) * risk[0] / n
		}
	}
	got := LogRankTest(groups, 1, 0)
	require.InDelta(t, observed, got.Groups[0].Observed, 1e-12)
	require.InDelta(t, wanted, got.Groups[0].Expected, 1e-12)
}
