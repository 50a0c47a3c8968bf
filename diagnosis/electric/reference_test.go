package electric_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/electric"
)

const (
	ice  = 273.15
	foot = 0.3048
)

// table reads published figures; the first line, their source, is a comment.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "measurement", name))
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
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

// got takes the number of an answer that must be there.
func (in inputs) got(x float64, ok bool) float64 {
	in.t.Helper()
	require.True(in.t, ok)
	return x
}

// covered are the areas of checks.csv this package answers for.
var covered = map[string]func(inputs, string) (float64, bool){
	"4 element":    elementCheck,
	"4 supply":     supplyCheck,
	"7 capacitor":  capacitorCheck,
	"7 insulation": insulationCheck,
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
			if row["id"] == "V-17" { // the nominal supply, in words
				leg, line := electric.SplitPhase()
				require.Equal(t, row["value"], strconv.Itoa(int(leg))+"/"+strconv.Itoa(int(line)))
				return
			}
			in := inputs{t: t}
			require.NoError(t, json.Unmarshal([]byte(row["inputs"]), &in.m))
			got, ok := check(in, row["id"])
			require.True(t, ok, "%s: no code computes %s", row["source"], row["output"])
			tolerance := 1e-9
			if text := strings.TrimPrefix(row["tolerance"], "±"); text != "" {
				tolerance = num(t, text)
			}
			require.InDelta(t, num(t, row["value"]), got, tolerance, "%s, %s (%s)", row["source"], row["clause_table_example"], row["status"])
		})
	}
	require.Equal(t, 28, seen, "rows of the covered areas")
}

func elementCheck(in inputs, id string) (float64, bool) {
	switch {
	case id == "H-01":
		return electric.Nichrome.At(in.f("t_Cel")+ice) / electric.Nichrome.At(20+ice), true
	case strings.HasPrefix(id, "H-02-"):
		d := in.got(electric.AWGDiameter(int(in.f("AWG"))))
		switch id[len("H-02-")+1:] {
		case "d":
			return d * 1000, true
		case "ni":
			return in.got(electric.Nichrome.PerMetre(d)), true
		case "cu":
			return in.got(electric.Copper.PerMetre(d)), true
		}
	case id == "H-03a":
		return in.got(electric.Current(in.f("P_W"), in.f("V"))), true
	case id == "H-03b":
		return in.got(electric.HotResistance(in.f("V")*in.f("I"), in.f("V"))), true
	case id == "H-04a", id == "H-04c":
		return in.got(electric.HotResistance(in.f("P_W"), in.f("V"))), true
	case id == "H-05":
		r := in.got(electric.HotResistance(5400, 240))
		return in.got(electric.Power(208, r)) / in.got(electric.Power(240, r)), true
	case id == "H-06":
		ct := in.got(electric.NiCr8020.Ct(500 + ice))
		require.InDelta(in.t, in.f("Ct"), ct, 1e-9)
		return in.got(electric.NiCr8020.Cold(in.f("R_hot"), 500+ice)), true
	}
	return 0, false
}

func supplyCheck(_ inputs, id string) (float64, bool) {
	low := func(b electric.Band, nominal float64) (float64, bool) { l, _ := b.Limits(nominal); return l, true }
	high := func(b electric.Band, nominal float64) (float64, bool) { _, h := b.Limits(nominal); return h, true }
	switch id {
	case "V-01":
		return low(electric.ServiceA, 120)
	case "V-02":
		return high(electric.ServiceA, 120)
	case "V-03":
		return low(electric.ServiceA, 240)
	case "V-05":
		return low(electric.ServiceB, 120)
	case "V-07":
		return low(electric.ServiceB, 240)
	case "V-09":
		return low(electric.UtilizationA, 120)
	case "V-10":
		return low(electric.UtilizationB, 120)
	case "V-11":
		return electric.StateMinimum, true
	case "V-13":
		return low(electric.Europe, 230)
	case "V-14":
		return high(electric.Europe, 230)
	}
	return 0, false
}

func capacitorCheck(in inputs, id string) (float64, bool) {
	switch id {
	case "K-01":
		require.InDelta(in.t, electric.RunTolerance*100, in.f("tol_pct"), 1e-9)
		return electric.Run(in.f("C_uF"), in.f("tol_pct")/100).HalfWidth(), true
	case "K-03": // the trade's formula, from memory
		return in.got(electric.Capacitance(1, 1, 60)) * 1e6, true
	case "K-04":
		return electric.Capacitor{Low: 43, High: 53}.Ratio(), true
	}
	return 0, false
}

func insulationCheck(in inputs, id string) (float64, bool) {
	return electric.LeakageLimit(in.f("kW")*1000) * 1000, id == "K-05"
}

// TestCopperWire: a published table of copper wire, and the column computed
// with 100 % IACS copper.
func TestCopperWire(t *testing.T) {
	for _, row := range table(t, "copper_wire_awg.csv") {
		d, ok := electric.AWGDiameter(int(num(t, row["awg"])))
		require.True(t, ok)
		require.InEpsilon(t, num(t, row["d_mil_table"]), d/25.4e-6, 1e-3, "%v", row)
		require.InEpsilon(t, num(t, row["d_mil_computed"]), d/25.4e-6, 1e-4, "%v", row)
		r, ok := electric.AnnealedCopper.PerMetre(d)
		require.True(t, ok)
		require.InEpsilon(t, num(t, row["ohm_per_kft_table"]), r*1000*foot, 2e-3, "%v", row)
		require.InEpsilon(t, num(t, row["ohm_per_kft_computed"]), r*1000*foot, 1e-4, "%v", row)
	}
}

// TestHeaterWire: a published table of NiCr heater wire by standard gauge.
func TestHeaterWire(t *testing.T) {
	for _, row := range table(t, "nicr_wire_swg.csv") {
		d, ok := electric.SWGDiameter(int(num(t, row["swg"])))
		require.True(t, ok)
		require.InDelta(t, num(t, row["d_mm"]), d*1000, 0.0006, "%v", row)
		r, ok := electric.HeaterWire.PerMetre(num(t, row["d_mm"]) / 1000)
		require.True(t, ok)
		require.InEpsilon(t, num(t, row["ohm_per_m_table"]), r, 2e-2, "%v", row)
		require.InEpsilon(t, num(t, row["ohm_per_m_computed"]), r, 1e-3, "%v", row)
	}
}

// TestAlloyTable: the published alloy table, attribution from memory.
func TestAlloyTable(t *testing.T) {
	for _, row := range table(t, "heater_alloy_ct.csv") {
		got, ok := electric.Alloy(row["alloy"]).Ct(num(t, row["t_Cel"]) + ice)
		require.True(t, ok, row["alloy"])
		require.InDelta(t, num(t, row["Ct"]), got, 1e-9, "%v", row)
	}
	require.Len(t, electric.Alloys(), 5)
}

// TestAlloyBetweenPoints: points of the same table that the package does not
// hold (from memory) come out of the straight line between their neighbours
// within its fair tolerance of 0.01.
func TestAlloyBetweenPoints(t *testing.T) {
	for alloy, points := range map[electric.Alloy]map[float64]float64{
		electric.NiCr8020: {200: 1.012, 800: 1.008, 1100: 1.021},
		electric.NiCr7030: {100: 1.007, 400: 1.038, 700: 1.030, 1000: 1.033},
		electric.NiCr6015: {300: 1.038, 600: 1.069, 900: 1.088},
		electric.NiCr3520: {300: 1.090, 600: 1.157, 900: 1.208},
		electric.FeCrAl:   {300: 1.008, 600: 1.030, 900: 1.042, 1200: 1.047},
	} {
		for cel, want := range points {
			got, ok := alloy.Ct(cel + ice)
			require.True(t, ok)
			require.InDelta(t, want, got, 0.01, "%s at %v °C", alloy, cel)
		}
	}
	_, ok := electric.Alloy("tin").Ct(300)
	require.False(t, ok)
	_, ok = electric.Alloy("tin").Cold(10, 300)
	require.False(t, ok)
	_, ok = electric.Alloy("tin").Hot(10, 300)
	require.False(t, ok)
}

// TestSafetyLimits holds the quoted facts against the constants; those in
// words are listed and looked at by people.
func TestSafetyLimits(t *testing.T) {
	facts := map[string]float64{
		"threshold voltage for the energized-work rules":                                             electric.EnergizedWork,
		"limited approach 3 ft 6 in (fixed circuit, to 750 V); restricted approach 12 in":            electric.RestrictedApproach / 0.0254,
		"leakage current, class II":                                                                  electric.LeakageClassII * 1000, // an older edition, unconfirmed copy
		"leakage current, class 0, 0I, III":                                                          electric.LeakageClass0 * 1000,
		"leakage current, portable class I":                                                          electric.LeakagePortable * 1000,
		"earth continuity resistance maximum":                                                        electric.EarthContinuity, // from memory
		"resistance halves per 10 Cel rise":                                                          electric.InsulationAt(1, 300, 310),
		"typical tolerance":                                                                          electric.RunTolerance * 100,
		"insulation resistance >= 100 MOhm at 500 V DC, contact resistance <= 50 mOhm":               electric.DiscInsulation / 1e6,
		"minimum IR at 40 Cel, armatures: 100 -> 5 MOhm (revision note); random-wound < 1 kV 5 MOhm": electric.MachineInsulation / 1e6, // random-wound row from memory
	}
	seen := 0
	for _, row := range table(t, "safety_limits.csv") {
		require.NotEmpty(t, row["source"])
		require.NotEmpty(t, row["status"], "%v", row)
		if row["value"] == "rule" || row["value"] == "scope" {
			continue
		}
		seen++
		if low, high, isRange := strings.Cut(row["value"], "-"); isRange {
			require.InDelta(t, 1.23, electric.Capacitor{Low: num(t, low), High: num(t, high)}.Ratio(), 0.005, row["statement"])
			continue
		}
		got, ok := facts[row["statement"]]
		require.True(t, ok, row["statement"])
		require.InDelta(t, num(t, strings.TrimPrefix(row["value"], "±")), got, 1e-9, "%s: %s (%s)", row["source"], row["statement"], row["status"])
	}
	require.Equal(t, len(facts)+1, seen)
}
