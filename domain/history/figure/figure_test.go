package figure

import (
	"encoding/csv"
	"flag"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/domain/history/survival"
)

// keep writes every example into a folder, to be looked at.
var keep = flag.String("keep", "", "folder the example pictures are written to")

// table reads columns of a reference data set; its source stands in
// testdata/statistics/SOURCES.md.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("../../../testdata/statistics", name+".csv"))
	require.NoError(t, err)
	defer f.Close()
	in := csv.NewReader(f)
	in.Comment = '#'
	lines, err := in.ReadAll()
	require.NoError(t, err)
	var rows []map[string]string
	for _, line := range lines[1:] {
		r := map[string]string{}
		for i, cell := range line {
			r[lines[0][i]] = cell
		}
		rows = append(rows, r)
	}
	return rows
}

func float(t testing.TB, cell string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(cell, 64)
	require.NoError(t, err)
	return x
}

func whole(t testing.TB, cell string) int { return int(float(t, cell)) }

func rowsOf(t testing.TB, name, column string) map[string][]survival.Row {
	groups := map[string][]survival.Row{}
	for i, r := range table(t, "data/"+name) {
		cause := r["status"] + r["cause"]
		groups[r[column]] = append(groups[r[column]], survival.Row{Exit: whole(t, r["time"]), Cause: whole(t, cause), Unit: i})
	}
	return groups
}

// The examples, on the reference data sets.

func amlCurves(t testing.TB) []NamedCurve {
	var out []NamedCurve
	groups := rowsOf(t, "aml", "group")
	for _, name := range []string{"Maintained", "Nonmaintained"} {
		out = append(out, NamedCurve{name, survival.KaplanMeier(groups[name], 1, 0.95, survival.LogLog)})
	}
	return out
}

func valveSeats(t testing.TB) survival.MCF {
	at := map[string]int{}
	var units []survival.History
	for _, r := range table(t, "data/valveseat") {
		i, seen := at[r["id"]]
		if !seen {
			i, at[r["id"]] = len(units), len(units)
			units = append(units, survival.History{})
		}
		day := whole(t, r["time"])
		units[i].To = max(units[i].To, day)
		if r["status"] == "1" {
			units[i].Events = append(units[i].Events, day)
		}
	}
	return survival.MeanCumulative(units, 0.95)
}

func lives(t testing.TB, name string) []survival.Life {
	var all []survival.Life
	for _, r := range table(t, "data/"+name) {
		count := 1
		if r["count"] != "" {
			count = whole(t, r["count"])
		}
		for range count {
			all = append(all, survival.Life{Exit: float(t, r["time"]), Failed: r["status"] == "1"})
		}
	}
	return all
}

func toyPareto(t testing.TB) survival.Pareto {
	var causes []survival.Cause
	for _, r := range table(t, "expected/pareto_toy") {
		causes = append(causes, survival.Cause{Name: r["part"], Count: whole(t, r["repeats"]), Exposure: float(t, r["exposure_unit_days"]) / 1000})
	}
	return survival.ParetoOf(causes, 0.95)
}

func cusumRun(t testing.TB) (survival.Cusum, []survival.ChartPoint) {
	rows := table(t, "expected/cusum_run")
	chart := survival.Cusum{K: float(t, rows[0]["k"]), H: float(t, rows[0]["h"])}
	var xs []survival.Observation
	for _, r := range rows {
		xs = append(xs, survival.Observation{Events: float(t, r["x"]), Exposure: 1})
	}
	return chart, chart.Run(xs)
}

// techs are invented: two of them stand out.
var techs = []FunnelGroup{{"Tech A", 9, 30}, {"Tech B", 1, 1}, {"Tech C", 12, 120}, {"Tech D", 30, 110}, {"Tech E", 0, 60},
	{"Tech F", 8, 75}, {"Tech G", 1, 9}, {"Tech H", 11, 95}, {"Tech I", 3, 14}, {"Tech J", 16, 64}}

func examples(t testing.TB) map[string][]byte {
	days := Labels{Title: "Repairs that have not come back", X: "days since the repair", Y: "share not come back", Level: 0.95}
	chart, path := cusumRun(t)
	bearings := lives(t, "bearingcage")
	fans := lives(t, "genfan")
	shop := rowsOf(t, "shop_sim", "model")
	var many []NamedCurve
	for _, m := range []string{"M-A", "M-B", "M-C"} {
		many = append(many, NamedCurve{m, survival.KaplanMeier(shop[m], 1, 0.95, survival.LogLog)})
	}
	return map[string][]byte{
		"curve":     Curve(days, amlCurves(t)),
		"curves":    Curve(days, many),
		"mcf":       MeanCumulative(Labels{Title: "Valve seats replaced", X: "days of watch", Y: "replacements per unit", Level: 0.95}, []NamedMCF{{"engines", valveSeats(t)}}),
		"bearings":  WeibullPlot(Labels{Title: "Bearing cages", X: "hours", Y: "share failed", Level: 0.95}, survival.FitWeibull(bearings, 0.95), bearings),
		"fans":      WeibullPlot(Labels{Title: "Generator fans", X: "hours", Y: "share failed", Level: 0.95}, survival.FitWeibull(fans, 0.95), fans),
		"incidence": Incidence(Labels{Title: "What comes first", X: "days since the repair", Y: "share struck first"}, survival.CumulativeIncidence(shop["M-B"], 0.95), []string{"same fault", "other fault"}),
		"funnel":    Funnel(Labels{Title: "Repairs that came back within 90 days, by tech", X: "repairs", Y: "share that came back"}, 0.13, techs),
		"cusum":     Cusum(Labels{Title: "Door latches", X: "week", Y: "sum beyond expectation"}, chart, path),
		"pareto":    Pareto(Labels{Title: "Causes", X: "failures", Y: "failures per 1000 unit-days", Level: 0.95}, toyPareto(t)),
		"hostile":   Curve(Labels{Title: strings.Repeat("<script>long words ", 20), X: strings.Repeat("days ", 60), Y: strings.Repeat("share ", 60)}, []NamedCurve{{strings.Repeat("W", 300), amlCurves(t)[0].Curve}, {`"><b onload="x">`, amlCurves(t)[1].Curve}}),
		"too_few":   WeibullPlot(Labels{Title: "Two failures"}, survival.FitWeibull([]survival.Life{{Exit: 3, Failed: true}, {Exit: 5, Failed: true}}, 0.95), nil),
	}
}

func TestKeepExamples(t *testing.T) {
	for name, svg := range examples(t) {
		require.NotEmpty(t, svg, name)
		if *keep != "" {
			require.NoError(t, os.WriteFile(filepath.Join(*keep, name+".svg"), svg, 0o644))
		}
	}
}
