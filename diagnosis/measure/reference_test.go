package measure_test

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"

	"drumline/diagnosis/measure"
)

// table reads a table of published figures; its first line, the source, is a
// comment.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	return tableIn(t, "measurement", name)
}

func tableIn(t testing.TB, folder, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", folder, name))
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment, r.FieldsPerRecord = '#', -1
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1, name)
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			if i < len(row) {
				m[h] = row[i]
			}
		}
		out = append(out, m)
	}
	return out
}

func num(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// inputs are the inputs of a check row: numbers and lists of numbers.
type inputs struct {
	t testing.TB
	m map[string]any
}

func (in inputs) f(name string) float64 {
	in.t.Helper()
	v, ok := in.m[name].(float64)
	require.True(in.t, ok, "input %s", name)
	return v
}

func (in inputs) list(name string) []float64 {
	in.t.Helper()
	raw, ok := in.m[name].([]any)
	require.True(in.t, ok, "input %s", name)
	var out []float64
	for _, v := range raw {
		out = append(out, v.(float64))
	}
	return out
}

// covered are the areas of checks.csv this package answers for.
var covered = map[string]func(inputs, string) (float64, bool){
	"1 uncertainty": uncertaintyCheck,
	"1 conformity":  conformityCheck,
	"1 meter spec":  meterCheck,
}

// TestChecks computes every published figure of the covered areas. The sources
// stand in the rows; status says which figures are quoted from memory.
func TestChecks(t *testing.T) {
	seen := 0
	for _, row := range table(t, "checks.csv") {
		check, ok := covered[row["area"]]
		if !ok {
			continue
		}
		seen++
		t.Run(row["id"], func(t *testing.T) {
			in := inputs{t: t}
			require.NoError(t, json.Unmarshal([]byte(row["inputs"]), &in.m))
			got, ok := check(in, row["id"])
			require.True(t, ok, "%s: no code computes %s", row["source"], row["output"])
			want := num(t, row["value"])
			tolerance, exact := strings.CutPrefix(row["tolerance"], "±")
			if !exact {
				require.LessOrEqual(t, got, want, row["source"])
				return
			}
			require.InDelta(t, want, got, num(t, tolerance), "%s, %s (%s)", row["source"], row["clause_table_example"], row["status"])
		})
	}
	require.Equal(t, 46, seen, "rows of the covered areas")
}

func uncertaintyCheck(in inputs, id string) (float64, bool) {
	switch id {
	case "U-01":
		return measure.Rectangular(in.f("half_width_a")), true
	case "U-03":
		a := measure.Accuracy{Percent: in.f("ppm_rdg") * 1e-4, Counts: in.f("ppm_rng"), Resolution: in.f("range_V") * 1e-6}
		return a.Limit(in.f("reading_V")), true
	case "U-04":
		return measure.Rectangular(in.f("half_width_V")), true
	case "U-05":
		return measure.Combine(in.f("uA_V"), in.f("uB_V")), true
	case "U-06":
		return measure.Combine(in.list("u_rel_pct")...), true
	case "U-07":
		return measure.EffectiveDOF(in.list("u_rel_pct"), in.list("dof")), true
	case "U-08":
		return measure.T95(in.f("nu")), true
	case "U-09":
		return measure.Combine(in.list("u_nm")...), true
	case "U-10":
		return measure.EffectiveDOF(in.list("u_nm"), in.list("dof")), true
	case "U-12":
		expansion := in.f("ls_nm") * in.f("alpha_s") * in.f("u(dtheta)")
		return measure.Combine(in.f("u(ls)"), in.f("u(d)"), expansion, in.f("ls_nm")*in.f("theta")*in.f("u(dalpha)")), true
	case "U-13":
		return measure.EffectiveDOF(in.list("components_nm"), in.list("dof")), true
	case "U-14":
		return measure.T(in.f("p"), in.f("nu")), true
	case "U-15":
		return measure.T(0.99, 16.7) * in.f("u_c_nm"), true
	case "U-21":
		return measure.Resolution(in.f("resolution_dx")), true
	}
	return impedanceCheck(id)
}

// impedanceCheck is the example H.2 of JCGM 100:2008: resistance, reactance
// and impedance from voltage, current and phase read together five times.
func impedanceCheck(id string) (float64, bool) {
	read := [][]float64{
		{5.007, 4.994, 5.005, 4.990, 4.999},
		{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3},
		{1.0456, 1.0438, 1.0468, 1.0428, 1.0433},
	}
	cov := make([][]float64, 3)
	for i := range read {
		for j := range read {
			cov[i] = append(cov[i], measure.CovarianceOfMeans(read[i], read[j]))
		}
	}
	v, _, _ := measure.Mean(read[0])
	i, _, _ := measure.Mean(read[1])
	phi, _, _ := measure.Mean(read[2])
	z, sin, cos := v/i, math.Sin(phi), math.Cos(phi)
	dr := []float64{cos / i, -z * cos / i, -z * sin}
	dx := []float64{sin / i, -z * sin / i, z * cos}
	dz := []float64{1 / i, -z / i, 0}
	u := func(d []float64) float64 { return math.Sqrt(measure.Propagate(d, d, cov)) }
	switch id {
	case "U-17R":
		return z * cos, true
	case "U-18R":
		return u(dr), true
	case "U-17Z":
		return z, true
	case "U-18Z":
		return u(dz), true
	case "U-19":
		return measure.Propagate(dr, dx, cov) / u(dr) / u(dx), true
	case "U-20b":
		return measure.Propagate(dr, dz, cov) / u(dr) / u(dz), true
	}
	return 0, false
}

func conformityCheck(in inputs, id string) (float64, bool) {
	rule := measure.DefaultRule()
	switch id {
	case "C-01":
		return measure.Between(in.f("y"), in.f("u"), in.f("TL"), in.f("TU"), rule).Probability, true
	case "C-02":
		return measure.Upper(in.f("y"), in.f("u"), in.f("TU"), rule).Probability, true
	case "C-04-0.8", "C-04-0.9", "C-04-0.95":
		return measure.Quantile(in.f("p_c")), true
	case "C-05":
		return radar(in), true
	case "C-15":
		return 1 - measure.Between(in.f("mean"), in.f("sd"), in.f("LL"), in.f("UL"), rule).Probability, true
	case "C-17-6 sigma", "C-17-3 sigma", "C-17-ILAC-G8:2009 rule", "C-17-simple acceptance":
		guard, _ := measure.GuardRule(in.f("r")).Guard(1)
		return 1 - measure.Upper(-guard, 1, 0, rule).Probability, true
	case "C-18":
		guard, _ := measure.GuardRule(in.f("r")).Guard(in.f("U") / 2)
		return in.f("TU") - guard, true
	}
	return riskCheck(in, id)
}

// radar is the speed above which the limit was exceeded with probability p.
func radar(in inputs) float64 {
	low, high := in.f("limit_km_h"), 2*in.f("limit_km_h")
	for range 60 {
		mid := (low + high) / 2
		if measure.Upper(mid, in.f("u_rel")*mid, in.f("limit_km_h"), measure.Rule{}).Probability > 1-in.f("p") {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

func riskCheck(in inputs, id string) (float64, bool) {
	inf := math.Inf(1)
	gamma := distuv.Gamma{Alpha: 4, Beta: 4}.Prob
	wide, upper := measure.Interval{High: 20}, measure.Interval{Low: -inf, High: 2}
	switch id {
	case "C-06":
		return measure.GlobalRisk(gamma, wide, upper, measure.Interval{Low: -inf, High: inf}, 1).Consumer, true
	case "C-07":
		return measure.GlobalRisk(gamma, wide, upper, upper, in.f("um")).Consumer, true
	case "C-09":
		return deaver(in, 1).Consumer, true
	case "C-10":
		return deaver(in, 1).Producer, true
	case "C-13":
		return deaver(in, in.f("k")).Consumer, true
	}
	return 0, false
}

// deaver is the risk for a normal product whose limits lie SL deviations out.
func deaver(in inputs, k float64) measure.Risk {
	sl := in.f("SL_sigma")
	tolerance := measure.Interval{Low: -sl, High: sl}
	accept := measure.Interval{Low: -k * sl, High: k * sl}
	return measure.GlobalRisk(distuv.UnitNormal.Prob, measure.Interval{Low: -9, High: 9}, tolerance, accept, 1/in.f("ratio"))
}

func meterCheck(in inputs, id string) (float64, bool) {
	if id == "M-08" {
		a := measure.Accuracy{Percent: in.f("pct"), Counts: in.f("counts"), Resolution: in.f("resolution_ohm")}
		return a.Standard(in.f("reading_ohm")), true
	}
	a := measure.Accuracy{Percent: in.f("pct"), Counts: in.f("counts"), Resolution: in.f("resolution")}
	switch {
	case strings.HasSuffix(id, "lo"):
		return in.f("reading") - a.Limit(in.f("reading")), true
	case strings.HasSuffix(id, "hi"):
		return in.f("reading") + a.Limit(in.f("reading")), true
	}
	return 0, false
}

// TestT95Table: JCGM 100:2008 Table G.2, 95 % column, from memory.
func TestT95Table(t *testing.T) {
	for _, row := range table(t, "t95_quantiles.csv") {
		require.InDelta(t, num(t, row["t95_table"]), measure.T95(num(t, row["nu"])), 0.00501, "nu %s", row["nu"])
	}
}

// TestConversions: NIST SP 811 (2008) Appendix B.
func TestConversions(t *testing.T) {
	for _, row := range table(t, "conversions.csv") {
		t.Run(row["from"]+" to "+row["to"], func(t *testing.T) {
			q := bothUnits(t, row["from"], row["to"])
			si, err := measure.ToSI(num(t, row["value"]), row["from"], q)
			require.NoError(t, err)
			got, err := measure.FromSI(si, row["to"], q)
			require.NoError(t, err)
			require.InDelta(t, num(t, row["expected"]), got, num(t, row["abs_tol"]), row["sp811_note"])
		})
	}
}

// bothUnits is the quantity that has both units.
func bothUnits(t *testing.T, a, b string) measure.Quantity {
	for _, q := range measure.Quantities() {
		codes := strings.Join(measure.Units(q), " ") + " "
		if strings.Contains(" "+codes, " "+a+" ") && strings.Contains(" "+codes, " "+b+" ") {
			return q
		}
	}
	require.FailNow(t, "no quantity", "%s and %s", a, b)
	return ""
}

// TestUCUMCodes: verdicts of the public-domain UCUM reference validator 7.1.10.
func TestUCUMCodes(t *testing.T) {
	ofTable := map[string]measure.Quantity{
		"temperature": measure.Temperature, "temperature rate": measure.TemperatureRate,
		"resistance": measure.Resistance, "voltage": measure.Voltage, "current": measure.Current,
		"power": measure.Power, "pressure": measure.Pressure, "length": measure.Length,
		"flow": measure.Flow, "velocity": measure.Speed, "capacitance": measure.Capacitance,
		"density": measure.Density, "ratio": measure.Ratio, "frequency": measure.Frequency, "time": measure.Time,
	}
	for _, row := range table(t, "ucum_units.csv") {
		code := row["ucum_code"]
		if row["validator"] == "invalid" {
			require.False(t, measure.Valid(code), code)
			for _, q := range measure.Quantities() {
				_, err := measure.ToSI(1, code, q)
				require.ErrorIs(t, err, measure.ErrUnit, "%s as %s", code, q)
			}
			continue
		}
		q, ok := ofTable[row["quantity"]]
		require.True(t, ok, row["quantity"])
		_, err := measure.ToSI(1, code, q)
		require.NoError(t, err, "%s as %s", code, q)
	}
}
