package sensors_test

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

	"drumline/diagnosis/sensors"
)

const ice = 273.15

// table reads a table of published figures; its first line, the source, is a
// comment.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "measurement", name))
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

func material(t testing.TB, r25 float64) sensors.Curve {
	t.Helper()
	c, err := sensors.Material3977(r25)
	require.NoError(t, err)
	return c
}

// guide is the 3977 K material of a component maker's reference guide, Rev. C,
// November 2014: another curve than data sheet 29049.
func guide(t testing.TB, r25 float64) sensors.Curve {
	t.Helper()
	c, err := sensors.NewFourTerm(sensors.FourTerm{
		Forward: [4]float64{-14.195576, 4407.4785, -5165.8730, -1.4017368e7},
		Inverse: [4]float64{3.3539438e-3, 2.5646095e-4, 2.5158166e-6, 1.0503069e-7},
		R25:     r25,
	})
	require.NoError(t, err)
	return c
}

// TestNTC10k: data sheet 29049; resistances recalled from memory, the computed
// column from its confirmed polynomial.
func TestNTC10k(t *testing.T) {
	c := material(t, 10000)
	only, err := sensors.NewBeta(10000, 3977)
	require.NoError(t, err)
	for _, row := range table(t, "ntc_10k_b3977.csv") {
		cel := num(t, row["t_Cel"])
		require.InEpsilon(t, num(t, row["r_datasheet_memory_ohm"]), c.Ohm(cel+ice), 1e-3, "%v °C", cel)
		require.InEpsilon(t, num(t, row["r_computed_ext_poly_ohm"]), c.Ohm(cel+ice), 3e-5, "%v °C", cel)
		require.InDelta(t, num(t, row["ext_inverse_error_K"]), c.Kelvin(c.Ohm(cel+ice))-cel-ice, 5e-4, "%v °C", cel)
		require.InEpsilon(t, num(t, row["r_beta_only_ohm"]), only.Ohm(cel+ice), 3e-4, "%v °C", cel)
	}
}

// TestNTC5k: the same material scaled, computed.
func TestNTC5k(t *testing.T) {
	c := material(t, 5000)
	for _, row := range table(t, "ntc_5k_b3977.csv") {
		require.InEpsilon(t, num(t, row["r_computed_ohm"]), c.Ohm(num(t, row["t_Cel"])+ice), 1e-3)
	}
}

// TestNTCRatio: the guide's printed ratios, temperature coefficients and
// deviations from the tolerance of B (±0.75 %).
func TestNTCRatio(t *testing.T) {
	c := guide(t, 1)
	tolerance := sensors.Tolerance{B: 0.0075 * 3977}
	for _, row := range table(t, "ntc_ratio_b3977_published.csv") {
		kelvin := num(t, row["t_Cel"]) + ice
		ratio := num(t, row["Rt_R25_table"])
		require.InEpsilon(t, ratio, c.Ohm(kelvin), 1e-3, "%v K", kelvin)
		require.InDelta(t, kelvin, c.Kelvin(ratio), 0.05, "%v K", kelvin)
		require.InDelta(t, num(t, row["alpha_pct_per_K_table"]), 100*sensors.Slope(c, kelvin), 0.006, "%v K", kelvin)
		require.InDelta(t, num(t, row["beta_tol_dev_pct_table"]), 100*tolerance.OhmFraction(kelvin), 0.15, "%v K", kelvin)
	}
}

// TestNTC10k3: a published precision table and its Steinhart-Hart triple.
func TestNTC10k3(t *testing.T) {
	c, err := sensors.NewSteinhartHart(1.129241e-3, 2.341077e-4, 8.775468e-8)
	require.NoError(t, err)
	for _, row := range table(t, "ntc_10k3_steinhart_hart.csv") {
		cel := num(t, row["t_Cel"])
		require.InDelta(t, cel, c.Kelvin(num(t, row["r_table_ohm"]))-ice, 0.01)
		require.InEpsilon(t, num(t, row["r_computed_ohm"]), c.Ohm(cel+ice), 1e-5)
	}
}

// TestNTC3974: a script-made table that equals the two-figure formula.
func TestNTC3974(t *testing.T) {
	c, err := sensors.NewBeta(10000, 3974)
	require.NoError(t, err)
	for _, row := range table(t, "ntc_10k_b3974.csv") {
		require.InEpsilon(t, num(t, row["r_table_ohm"]), c.Ohm(num(t, row["t_Cel"])+ice), 2e-3)
	}
}

// TestSteinhartExample: a published worked example, fitted through 0, 20 and
// 50 °C. The 40 °C row is printed 5331 Ω, a misprint for 5231 Ω.
func TestSteinhartExample(t *testing.T) {
	rows := table(t, "ntc_10k_steinhart_example.csv")
	at := func(cel string) sensors.Point {
		for _, row := range rows {
			if row["t_Cel"] == cel {
				return sensors.Point{Kelvin: num(t, cel) + ice, Ohm: num(t, row["r_ohm"])}
			}
		}
		require.FailNow(t, "no row", cel)
		return sensors.Point{}
	}
	c, err := sensors.FitSteinhartHart(at("0"), at("20"), at("50"))
	require.NoError(t, err)
	for _, row := range rows {
		require.InDelta(t, num(t, row["T_own_fit_Cel"]), c.Kelvin(num(t, row["r_ohm"]))-ice, 1e-3, row["t_Cel"])
		require.InDelta(t, num(t, row["t_Cel"]), c.Kelvin(num(t, row["r_ohm"]))-ice, 0.003, row["t_Cel"])
	}
}

// TestOtherCurves: published tables as carried in an operating system's driver
// for thermistors. Every table is read both ways through its own points, and
// the fit through 0, 25 and 85 °C leaves the residual stated.
func TestOtherCurves(t *testing.T) {
	points := map[string][]sensors.Point{}
	r25 := map[string]float64{}
	rows := table(t, "ntc_other_curves.csv")
	for _, row := range rows {
		name := row["curve"]
		r25[name] = num(t, row["r25_ohm"])
		points[name] = append(points[name], sensors.Point{Kelvin: num(t, row["t_Cel"]) + ice, Ohm: num(t, row["r_table_ohm"])})
	}
	require.Len(t, points, 5)
	for name, ps := range points {
		c, err := sensors.NewTable(ps)
		require.NoError(t, err, name)
		for _, p := range ps {
			require.InEpsilon(t, p.Ohm, c.Ohm(p.Kelvin), 1e-12, name)
			require.InDelta(t, p.Kelvin, c.Kelvin(p.Ohm), 1e-9, name)
		}
		require.InEpsilon(t, r25[name], c.Ohm(298.15), 4e-3, "%s at 25 °C, between two points", name)
	}
	for _, row := range rows {
		only, err := sensors.NewBeta(num(t, row["r25_ohm"]), num(t, row["b25_85_from_table_K"]))
		require.NoError(t, err)
		require.InEpsilon(t, num(t, row["r_beta_only_ohm"]), only.Ohm(num(t, row["t_Cel"])+ice), 3e-4, row["curve"])
		fit, err := sensors.FitSteinhartHart(zero(t, points[row["curve"]]), sensors.Point{Kelvin: 298.15, Ohm: r25[row["curve"]]},
			sensors.Point{Kelvin: 358.15, Ohm: only.Ohm(358.15)})
		require.NoError(t, err)
		dT := fit.Kelvin(num(t, row["r_table_ohm"])) - num(t, row["t_Cel"]) - ice
		require.InDelta(t, num(t, row["sh_fit_dT_K"]), dT, 0.003, "%s at %s °C", row["curve"], row["t_Cel"])
	}
}

// zero is the point at 0 °C.
func zero(t testing.TB, points []sensors.Point) sensors.Point {
	for _, p := range points {
		if math.Abs(p.Kelvin-ice) < 1e-9 {
			return p
		}
	}
	require.FailNow(t, "no point at 0 °C")
	return sensors.Point{}
}

// TestRTD: IEC 60751:2008 (ITS-90).
func TestRTD(t *testing.T) {
	for _, row := range table(t, "rtd_pt100.csv") {
		kelvin := num(t, row["t_Cel"]) + ice
		ohm, err := sensors.RTDOhm(100, kelvin)
		require.NoError(t, err)
		require.InDelta(t, num(t, row["r_table_ohm"]), ohm, 0.01, "%v K", kelvin)
		require.InDelta(t, num(t, row["r_computed_ohm"]), ohm, 6e-5, "%v K", kelvin)
		ohm, err = sensors.RTDOhm(1000, kelvin)
		require.NoError(t, err)
		require.InDelta(t, num(t, row["pt1000_ohm"]), ohm, 6e-4, "%v K", kelvin)
		back, err := sensors.RTDKelvin(1000, ohm)
		require.NoError(t, err)
		require.InDelta(t, kelvin, back, 1e-6)
	}
}

// TestTypeK: NIST Monograph 175 / SRD 60; rows read and from memory.
func TestTypeK(t *testing.T) {
	for _, row := range table(t, "thermocouple_k.csv") {
		v, err := sensors.TypeKVolt(num(t, row["t_Cel"]) + ice)
		require.NoError(t, err)
		require.InDelta(t, num(t, row["e_table_mV"]), v*1000, 0.00101, "%s °C (%s)", row["t_Cel"], row["status"])
		require.InDelta(t, num(t, row["e_computed_mV"]), v*1000, 6e-5, "%s °C", row["t_Cel"])
	}
}

// TestDiscFacts holds the published figures of bimetal discs against the
// constants, and each test rate against the lag of the default response.
func TestDiscFacts(t *testing.T) {
	low, high := sensors.TypicalTolerance()
	facts := map[string]float64{
		"opening tolerance per temperature, typical range low":               low / (5.0 / 9),
		"opening tolerance per temperature, typical range high":              high / (5.0 / 9),
		"example: opens at 95 degF ±5 -> lower":                              95 - sensors.ExampleTolerance/(5.0/9),
		"tolerance classes ±3, ±5, ±8, ±10":                                  sensors.DiscClasses()[3],
		"standard test rate low":                                             sensors.SlowTestRate * 60,
		"standard test rate high":                                            sensors.FastTestRate * 60,
		"contact resistance maximum (initial)":                               sensors.ContactOhm,
		"open-close differential 10..25":                                     sensors.MostDifferential,
		"heating rate while testing opening temperature, below":              sensors.FastTestRate * 60,
		"start ramp this far below nominal":                                  sensors.StartBelow,
		"indicator current through contacts, not above":                      sensors.TestCurrent,
		"chamber temperature uniformity":                                     sensors.ChamberUniformity,
		"rate of change for operating-value test: 0.5 K/min unless declared": sensors.OperatingTestRate * 60,
	}
	rows := table(t, "thermostat.csv")
	require.Len(t, rows, len(facts))
	for _, row := range rows {
		got, ok := facts[row["quantity"]]
		require.True(t, ok, row["quantity"])
		require.InDelta(t, num(t, row["value"]), got, 1e-9, "%s: %s (%s)", row["source"], row["quantity"], row["status"])
	}
	for _, class := range sensors.DiscClasses() {
		require.Less(t, sensors.FastTestRate, sensors.MaxRate(class, sensors.DefaultResponse()), "a published test is slow enough for ±%v K", class)
	}
}

type inputs struct {
	t testing.TB
	m map[string]float64
}

func (in inputs) f(name string) float64 {
	in.t.Helper()
	v, ok := in.m[name]
	require.True(in.t, ok, "input %s", name)
	return v
}

// covered are the areas of checks.csv this package answers for.
var covered = map[string]func(inputs, string) (float64, bool){
	"2 NTC":          ntcCheck,
	"3 RTD":          rtdCheck,
	"3 thermocouple": thermocoupleCheck,
	"8 lag":          lagCheck,
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
			tolerance := 0.0
			if text := strings.TrimPrefix(row["tolerance"], "±"); text != "" {
				tolerance = num(t, text)
			}
			require.InDelta(t, num(t, row["value"]), got, tolerance, "%s, %s (%s)", row["source"], row["clause_table_example"], row["status"])
		})
	}
	require.Equal(t, 42, seen, "rows of the covered areas")
}

func ntcCheck(in inputs, id string) (float64, bool) {
	switch {
	case strings.HasPrefix(id, "N-01-"):
		c, err := sensors.NewBeta(in.f("R25"), in.f("B"))
		require.NoError(in.t, err)
		return c.Ohm(in.f("t_Cel") + ice), true
	case id == "N-02":
		return sensors.BetaOf(sensors.Point{Kelvin: 298.15, Ohm: in.f("R25")}, sensors.Point{Kelvin: 358.15, Ohm: in.f("R85_memory")}), true
	case id == "N-04" || id == "N-05":
		c, err := sensors.NewSteinhartHart(in.f("A"), in.f("B"), in.f("C"))
		require.NoError(in.t, err)
		return c.Ohm(in.f("t_Cel") + ice), true
	case id == "N-08":
		return sensors.BeadTimeConstant, true
	case id == "N-09":
		return sensors.BeadDissipation * 1000, true
	case id == "N-11":
		return sensors.SelfHeating(in.f("I_A"), in.f("R"), in.f("delta_mW_K")/1000), true
	}
	c := guide(in.t, 1)
	at := func(name string) sensors.Point {
		kelvin := in.f(name) + ice
		return sensors.Point{Kelvin: kelvin, Ohm: c.Ohm(kelvin)}
	}
	switch {
	case strings.HasPrefix(id, "N-20-"):
		return sensors.BetaOf(at("t1"), at("t2")), true
	case strings.HasPrefix(id, "N-21-"):
		return at("t1").Ohm / at("t2").Ohm, true
	}
	return 0, false
}

func rtdCheck(in inputs, id string) (float64, bool) {
	switch {
	case id == "R-B":
		return sensors.RTDTolerance(sensors.ClassB, in.f("t_Cel")+ice), true
	case id == "R-alpha":
		r100, err := sensors.RTDOhm(100, 373.15)
		require.NoError(in.t, err)
		return (r100 - 100) / (100 * 100), true
	case id == "R-1k25":
		r, err := sensors.RTDOhm(in.f("R0"), in.f("t_Cel")+ice)
		require.NoError(in.t, err)
		return r, true
	case strings.HasPrefix(id, "R-A") && strings.HasSuffix(id, "K"):
		return sensors.RTDTolerance(sensors.ClassA, in.f("t_Cel")+ice), true
	case strings.HasPrefix(id, "R-A") && strings.HasSuffix(id, "O"):
		return sensors.RTDToleranceOhm(sensors.ClassA, 100, in.f("t_Cel")+ice), true
	}
	return 0, false
}

func thermocoupleCheck(in inputs, id string) (float64, bool) {
	switch {
	case strings.HasPrefix(id, "TC-1-"):
		return sensors.TypeKTolerance(1, in.f("t_Cel")+ice), true
	case strings.HasPrefix(id, "TC-2-"):
		return sensors.TypeKTolerance(2, in.f("t_Cel")+ice), true
	}
	return 0, false
}

func lagCheck(in inputs, id string) (float64, bool) {
	switch id {
	case "T-01":
		return sensors.TimeConstant(0.98, 60), true
	case "T-02":
		return sensors.RampLag(in.f("rate_K_min")/60, in.f("tau_s"), 1e6), true
	case "T-03":
		return sensors.RampLag(in.f("r_K_s"), in.f("tau_s"), in.f("t_s")), true
	case "T-05":
		return sensors.MaxRate(5, sensors.Response{Disc: in.f("tau_s")}) * 60, true
	}
	return math.NaN(), false
}
