package airflow_test

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

	"drumline/diagnosis/airflow"
)

// The units the published figures are in.
const (
	foot     = 0.3048
	inch     = 0.0254
	fpm      = foot / 60
	cfm      = foot * foot * foot / 60
	inchH2O  = 249.08891 // conventional
	inchAt68 = 248.64    // of water at 68 °F, the one behind the 1096.7 and 4005 of the handbooks
	fahr     = 5.0 / 9
	ice      = 273.15
	galv     = airflow.RigidMetal
	oldGalv  = 0.0005 * foot
	hundred  = 100 * foot
	sqft     = foot * foot
	seaLevel = 101325
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
	require.NotEmpty(t, out, name)
	return out
}

func num(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// gradient is the friction in Pa/m of a straight duct.
func gradient(diameter, flow, roughness float64) float64 {
	air := airflow.Standard()
	v := flow / airflow.Area(diameter)
	return airflow.Friction(air.Reynolds(diameter, v), roughness/diameter) / diameter * air.VelocityPressure(v)
}

// fit is a published empirical fit of duct friction, inches of water in 100 ft
// for diameter in inches and flow in cubic feet a minute: an oracle of its own.
func fit(d, q float64) float64 { return 0.109136 * math.Pow(q, 1.9) / math.Pow(d, 5.02) }

// checks computes one published figure, in the unit of its row.
var checks = map[string]func(in map[string]float64) float64{
	"I-01": func(map[string]float64) float64 { return airflow.CodeLength / foot },
	"I-02": func(map[string]float64) float64 { return airflow.CodeMetal / inch },
	"I-04": func(map[string]float64) float64 { return airflow.CodeDiameter / inch },
	"I-05": func(map[string]float64) float64 { return airflow.CodeTransition / foot },
	"I-08": func(map[string]float64) float64 { return airflow.CodeClearance / foot },
	"I-11": func(map[string]float64) float64 { return airflow.CodeLength / foot },
	"I-20": func(map[string]float64) float64 {
		return (airflow.CodeLength - airflow.Length(0, []airflow.Bend{{Degrees: 90, Count: 2}})) / foot
	},
	"F-01": func(in map[string]float64) float64 { return airflow.Friction(in["Re"], in["e/D"]) },
	"F-02": func(in map[string]float64) float64 { return airflow.Friction(in["Re"], in["e/D"]) },
	"F-04": func(in map[string]float64) float64 { return airflow.Friction(in["Re"], 0) },
	"D-01": func(map[string]float64) float64 { return gradient(20*inch, 4000*cfm, oldGalv) * hundred / inchH2O },
	"D-02": func(map[string]float64) float64 { return 4000 * cfm / airflow.Area(20*inch) / fpm },
	"D-05": func(in map[string]float64) float64 { return fit(in["D_in"], in["cfm"]) },
	"D-07": func(in map[string]float64) float64 {
		return airflow.Standard().Reynolds(in["D_in"]*inch, in["V_fpm"]*fpm)
	},
	"P-01": func(in map[string]float64) float64 {
		return airflow.Standard().Velocity(in["VP_inH2O"]*inchAt68) / fpm
	},
	"P-02": func(in map[string]float64) float64 {
		return airflow.Standard().Velocity(in["VP_inH2O"]*inchH2O) / fpm
	},
	"P-03": func(in map[string]float64) float64 {
		return airflow.Standard().Velocity(in["VP_inH2O"]*inchAt68) / fpm
	},
	"P-04": func(in map[string]float64) float64 { return airflow.At(in["t_Cel"]+ice, 0).Density },
	"P-06": func(in map[string]float64) float64 { return airflow.Area(in["D_in"]*inch) / sqft },
	"P-07": func(in map[string]float64) float64 {
		q, _ := airflow.Flow(in["V_fpm"]*fpm, in["D_in"]*inch, 0, 0)
		return q / cfm
	},
	"P-08": func(map[string]float64) float64 { return airflow.Standard().Density },
	"L-01": func(in map[string]float64) float64 {
		air, v := airflow.Standard(), 100*cfm/airflow.Area(4*inch)
		return in["C"] * air.VelocityPressure(v) / gradient(4*inch, 100*cfm, galv) / foot
	},
	"S-01": func(map[string]float64) float64 { return airflow.Standard().Power(cfm, fahr) / 1055.05585262 * 3600 },
	"S-06": func(in map[string]float64) float64 {
		return airflow.Standard().Rise(in["P_W"], in["cfm"]*cfm) / fahr
	},
	"S-07": func(map[string]float64) float64 { return airflow.Standard().Power(0.001, 1) },
	"S-04": func(map[string]float64) float64 { // at a humidity of 0.01, as the handbook's 1.23
		kelvin := airflow.Enthalpy(294, 0.01) - airflow.Enthalpy(293, 0.01)
		return airflow.Standard().Density * 0.001 * kelvin / 1000
	},
	"S-03": func(in map[string]float64) float64 {
		return airflow.Air{Density: in["rho"]}.Power(in["m3_h"]/3600, in["dT_K"]) / 1000
	},
	"Y-01": func(in map[string]float64) float64 { return airflow.SaturationPressure(in["t_Cel"] + ice) },
	"Y-02": func(in map[string]float64) float64 {
		return airflow.HumidityRatio(airflow.SaturationPressure(in["t_Cel"]+ice), seaLevel)
	},
	"Y-03": func(in map[string]float64) float64 {
		w := airflow.HumidityRatio(airflow.SaturationPressure(in["t_Cel"]+ice), seaLevel)
		return airflow.Enthalpy(in["t_Cel"]+ice, w)
	},
	"Y-04": func(in map[string]float64) float64 { return 1 / airflow.At(in["t_Cel"]+ice, 0).Density },
	"Y-05": func(in map[string]float64) float64 { return airflow.Enthalpy(in["t_Cel"]+ice, in["W"]) },
	"Y-07": func(in map[string]float64) float64 { return airflow.Moist(in["t_Cel"]+ice, in["W"], in["p"]).Density },
	"Y-08": func(in map[string]float64) float64 {
		return airflow.HumidityFromWetBulb(in["t_Cel"]+ice, in["twb"]+ice, in["p"])
	},
	"Y-09": func(in map[string]float64) float64 { return airflow.Pressure(in["m"]) },
	"Y-10": func(in map[string]float64) float64 {
		return airflow.HumidityFromWetBulb(in["t_Cel"]+ice, in["twb"]+ice, seaLevel)
	},
	"Y-11": func(in map[string]float64) float64 {
		w := airflow.HumidityFromWetBulb(in["t_Cel"]+ice, in["twb"]+ice, seaLevel)
		return w / (0.621945 + w) * seaLevel / airflow.SaturationPressure(in["t_Cel"]+ice)
	},
}

// words are the rows of these areas that are rules in words, or another
// formula than the one used here, and are told apart for that reason.
var words = map[string]string{
	"I-03": "gauge of the sheet", "I-09": "no screens: a rule", "I-13": "a listing", "I-15": "a former edition",
	"I-17": "a commercial booklet, not for domestic machines", "F-05": "Blasius, smooth pipes only", "F-07": "Swamee-Jain, the first guess here; see TestFrictionSolvesColebrook",
	"D-06": "a temperature factor of friction charts",
}

// TestChecks computes every published figure on ducts and air; the sources
// stand in the rows, status says which are quoted from memory.
func TestChecks(t *testing.T) {
	seen := 0
	for _, row := range table(t, "checks.csv") {
		if !strings.HasPrefix(row["area"], "5 ") {
			continue
		}
		seen++
		id := row["id"]
		if len(id) > 4 {
			id = id[:4]
		}
		if _, told := words[id]; told {
			continue
		}
		check, ok := checks[id]
		require.True(t, ok, "%s: no code computes %s", row["id"], row["output"])
		in := map[string]float64{}
		var raw map[string]any
		require.NoError(t, json.Unmarshal([]byte(row["inputs"]), &raw))
		for k, v := range raw {
			if f, isNumber := v.(float64); isNumber {
				in[k] = f
			}
		}
		want := num(t, row["value"])
		require.InDelta(t, want, check(in), within(t, row["tolerance"], want), "%s %s, %s (%s)", row["id"], row["source"], row["clause_table_example"], row["status"])
	}
	require.Equal(t, 63, seen, "rows of these areas")
}

// within reads ±0.1 or ±0.03 %; no tolerance means the figure itself.
func within(t testing.TB, text string, want float64) float64 {
	t.Helper()
	text, percent := strings.CutSuffix(strings.TrimPrefix(text, "±"), " %")
	if text == "" {
		return 1e-9 * math.Abs(want)
	}
	if percent {
		return num(t, text) / 100 * want
	}
	return num(t, text)
}

// TestDuctFriction: derived rows (Darcy-Weisbach with Colebrook from published
// inputs), and the published empirical fit within the 10 % its source gives
// for 4-inch ducts.
func TestDuctFriction(t *testing.T) {
	for _, row := range table(t, "duct_friction.csv") {
		d, q := num(t, row["D_in"])*inch, num(t, row["cfm"])*cfm
		got := gradient(d, q, galv)
		require.InEpsilon(t, num(t, row["dp_Pa_per_m_e0.0003ft"]), got, 0.006, "%v", row)
		require.InEpsilon(t, num(t, row["dp_per_100ft_inH2O_e0.0005ft"]), gradient(d, q, oldGalv)*hundred/inchH2O, 0.006, "%v", row)
		require.InEpsilon(t, num(t, row["dp_empirical_fit"]), fit(num(t, row["D_in"]), num(t, row["cfm"])), 2e-3, "%v", row)
		if num(t, row["cfm"]) <= 200 { // a dryer moves no more
			require.InEpsilon(t, num(t, row["dp_empirical_fit"]), got*hundred/inchH2O, 0.10, "%v", row)
		}
	}
}

// fittings gives the bend of a row of duct_fitting_loss.csv; x is the row's
// diameter in mm, of the three-ring elbow its radius over the diameter.
var fittings = map[string]struct {
	make    airflow.Make
	degrees float64
}{
	"CD3-1": {airflow.Stamped, 90}, "CD3-3": {airflow.Stamped, 45}, "CD3-5": {airflow.Pleated, 90}, "CD3-7": {airflow.Pleated, 45},
	"CD3-9": {airflow.Gored5, 90}, "CD3-10": {airflow.Gored7, 90}, "CD3-12": {airflow.Gored3, 90},
}

// TestBendCoefficients: every row of 2009 ASHRAE Handbook Fundamentals (SI),
// pp. 21.26-27.
func TestBendCoefficients(t *testing.T) {
	seen := map[string]int{}
	for _, row := range table(t, "duct_fitting_loss.csv") {
		id, _, _ := strings.Cut(row["fitting"], " ")
		f, ok := fittings[id]
		require.True(t, ok, "no code computes %s", row["fitting"])
		x := num(t, row["x"])
		b, d := airflow.Bend{Degrees: f.degrees, Count: 1, Make: f.make}, x/1000
		if row["variable"] == "r/D" {
			d = 4 * inch
			b.Radius = x * d
		}
		seen[id]++
		require.InDelta(t, num(t, row["C0"]), b.Coefficient(d), 1e-9, "%v", row)
		b.Count = 3
		require.InDelta(t, 3*num(t, row["C0"]), b.Coefficient(d), 1e-9, "%v", row)
	}
	require.Equal(t, map[string]int{"CD3-1": 6, "CD3-3": 5, "CD3-5": 5, "CD3-7": 4, "CD3-9": 4, "CD3-10": 3, "CD3-12": 3}, seen)
}

// TestCodeTable: International Residential Code, Table M1502.4.6.1.
func TestCodeTable(t *testing.T) {
	for _, row := range table(t, "irc_m1502_fittings.csv") {
		f := strings.Fields(row["fitting"])
		b := airflow.Bend{Degrees: num(t, f[len(f)-2]), Count: 1}
		if strings.Contains(row["fitting"], "smooth") {
			b.Radius = num(t, f[0]) * inch
		}
		require.InDelta(t, num(t, row["equivalent_ft"]), b.EquivalentLength()/foot, 1e-9, row["fitting"])
	}
}

// TestHeaterBox: mean temperature of the heater box of a 5,400 W machine in a
// room of 75 °F; own arithmetic from the heat balance at standard air.
func TestHeaterBox(t *testing.T) {
	air, room := airflow.Standard(), (75-32)*fahr+ice
	for _, c := range []struct{ cfm, rise, box float64 }{{150, 114, 189}, {125, 136, 211}, {100, 171, 246}, {75, 227, 302}} {
		require.InDelta(t, c.rise, air.Rise(5400, c.cfm*cfm)/fahr, 0.8)
		require.InDelta(t, c.box, (air.Box(room, 5400, c.cfm*cfm)-ice)/fahr+32, 0.8)
	}
	limit := (246-32)*fahr + ice
	require.InDelta(t, 0, air.Margin(limit, room, 5400, 100*cfm), 0.5, "a limit rated 246 °F starts to cycle near 100 cfm")
}
