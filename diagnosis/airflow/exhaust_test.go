package airflow_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/airflow"
)

func mitres(n int) []airflow.Bend { return []airflow.Bend{{Degrees: 90, Count: n}} }

// lawful is a run at the code's limit: 25 ft of metal and two mitred elbows,
// behind six feet of semi-rigid duct.
func lawful() *airflow.Exhaust {
	return &airflow.Exhaust{Termination: "wall", Booster: "none",
		Transition: &airflow.Duct{Material: "semi_rigid_metal", Length: 6 * foot, Diameter: 4 * inch},
		Concealed:  &airflow.Duct{Material: "rigid_metal", Length: 25 * foot, Diameter: 4 * inch, Bends: mitres(2)}}
}

func noteIDs(e *airflow.Exhaust) []string {
	ids := []string{}
	for _, n := range e.Notes() {
		ids = append(ids, n.ID)
	}
	return ids
}

// TestUndescribedBends: the radius tells how a bend that nobody described is
// made; the rows are those of the table.
func TestUndescribedBends(t *testing.T) {
	d := 0.1
	for _, c := range []struct {
		degrees, radius, want float64
	}{{90, 0, 0.54}, {90, 0.1, 0.4733}, {90, 0.15, 0.21}, {45, 0.15, 0.13}, {60, 0.15, 0.1567}, {180, 0.15, 0.42}, {45, 0, 0.27}, {30, 0.15, 0.0867}} {
		b := airflow.Bend{Degrees: c.degrees, Radius: c.radius, Count: 1}
		require.InDelta(t, c.want, b.Coefficient(d), 1e-4, "%+v", c)
	}
}

// TestLawfulRun: a run at the code's limit costs 20 to 30 % of the air by
// itself (common practice, no source).
func TestLawfulRun(t *testing.T) {
	e := lawful()
	require.Empty(t, e.Notes())
	length, ok := e.CodeLength()
	require.True(t, ok)
	require.InDelta(t, airflow.CodeLength, length, 1e-9)
	r, assumed, err := e.Run()
	require.NoError(t, err)
	require.Empty(t, assumed)
	share, err := airflow.Share(airflow.GenericBlower(), r, airflow.Standard())
	require.NoError(t, err)
	require.True(t, share > 0.70 && share < 0.80, "%v", share)
}

func TestWhatIsPutInForWhatNobodySaid(t *testing.T) {
	e := lawful()
	e.Transition, e.Concealed.Diameter = nil, 0
	r, assumed, err := e.Run()
	require.NoError(t, err)
	require.Equal(t, []string{"6 ft of semi-rigid transition duct", "4 in duct"}, assumed)
	whole, _, err := lawful().Run()
	require.NoError(t, err)
	require.Equal(t, whole, r)

	short := &airflow.Exhaust{Termination: "wall", Transition: &airflow.Duct{Material: "unknown", Length: 1, Diameter: 4 * inch}}
	r, assumed, err = short.Run()
	require.NoError(t, err)
	require.Empty(t, assumed)
	require.Equal(t, airflow.Run{Pieces: []airflow.Piece{{Diameter: 4 * inch, Length: 1, Roughness: airflow.SemiRigidMetal}}, Exit: airflow.HoodExit}, r)
	short.Concealed = &airflow.Duct{Material: "plastic", Length: 1, Diameter: 4 * inch, Bends: []airflow.Bend{{Degrees: 90, Radius: 0.3, Count: 1}}}
	short.Termination = "attic"
	r, _, err = short.Run()
	require.NoError(t, err)
	require.Equal(t, 1.0, r.Exit, "an open end")
	require.InDelta(t, 0.57, r.Pieces[1].Bends, 0.01, "flexible duct bends like a pleated elbow")
}

func TestRunsWithoutAModel(t *testing.T) {
	change := func(f func(*airflow.Exhaust)) *airflow.Exhaust {
		e := lawful()
		f(e)
		return e
	}
	for name, e := range map[string]*airflow.Exhaust{
		"not described":            nil,
		"is not described":         {Termination: "wall"},
		"shared riser":             change(func(e *airflow.Exhaust) { e.SharedRiser = true }),
		"booster fan":              change(func(e *airflow.Exhaust) { e.Booster = "listed" }),
		"without its length":       change(func(e *airflow.Exhaust) { e.Concealed.Length = 0 }),
		"is described without its": change(func(e *airflow.Exhaust) { e.Transition.Length = 0 }),
		"without its":              change(func(e *airflow.Exhaust) { e.Concealed, e.Termination = nil, "roof" }),
	} {
		_, _, err := e.Run()
		require.ErrorContains(t, err, name)
	}
	_, _, err := change(func(e *airflow.Exhaust) { e.Concealed.Length = math.Inf(1) }).Run()
	require.Error(t, err)
}

func TestWidth(t *testing.T) {
	e := lawful()
	e.Concealed.Diameter = 5 * inch
	d, known := e.Width()
	require.True(t, known)
	require.InDelta(t, 5*inch, d, 1e-12)
	for _, e := range []*airflow.Exhaust{nil, {}, {Transition: &airflow.Duct{}}} {
		d, known = e.Width()
		require.False(t, known)
		require.InDelta(t, 4*inch, d, 1e-12)
	}
}

// TestNotes: each thing the code is against gives its note, alone, with its
// edition; figures of the International Residential Code, sections M1502.3 and
// M1502.4.
func TestNotes(t *testing.T) {
	for _, c := range []struct {
		id   string
		says string
		with func(*airflow.Exhaust)
	}{
		{"transition_plastic", "plastic", func(e *airflow.Exhaust) { e.Transition.Material = "plastic" }},
		{"transition_foil", "UL 2158A", func(e *airflow.Exhaust) { e.Transition.Material = "foil_flexible" }},
		{"transition_long", "9 ft long; at most 8 ft", func(e *airflow.Exhaust) { e.Transition.Length = 9 * foot }},
		{"transition_narrow", "3 in wide", func(e *airflow.Exhaust) { e.Transition.Diameter = 3 * inch }},
		{"run_plastic", "plastic", func(e *airflow.Exhaust) { e.Concealed.Material = "plastic" }},
		{"run_flexible", "may not be", func(e *airflow.Exhaust) { e.Concealed.Material = "foil_flexible" }},
		{"run_flexible", "may not be", func(e *airflow.Exhaust) { e.Concealed.Material = "semi_rigid_metal" }},
		{"run_narrow", "3.5 in wide", func(e *airflow.Exhaust) { e.Concealed.Diameter = 3.5 * inch }},
		{"run_long", "counts 40 ft with its bends; 35 ft", func(e *airflow.Exhaust) { e.Concealed.Bends = mitres(3) }},
		{"booster_unlisted", "UL 705", func(e *airflow.Exhaust) { e.Booster = "unlisted" }},
		{"screen", "catches lint", func(e *airflow.Exhaust) { e.Screen = true }},
		{"ends_inside", "outdoors", func(e *airflow.Exhaust) { e.Termination = "crawl_space" }},
	} {
		e := lawful()
		c.with(e)
		require.Equal(t, []string{c.id}, noteIDs(e))
		n := e.Notes()[0]
		require.Contains(t, n.Text, c.says)
		require.Contains(t, n.Clause, "IRC 2021, M1502.")
		require.Contains(t, n.Clause, "check local code")
	}
	e := lawful()
	e.Transition.Length = airflow.CodeTransition
	require.Empty(t, e.Notes(), "eight feet are allowed")
	e.Concealed.Bends = mitres(3)
	require.Contains(t, e.Notes()[0].Clause, "the maker's figure wins")
	require.Empty(t, (*airflow.Exhaust)(nil).Notes())
	_, ok := (&airflow.Exhaust{Transition: &airflow.Duct{Length: 3}}).CodeLength()
	require.False(t, ok, "the transition piece is not counted")
}

// anyExhaust draws a run that has a model.
func anyExhaust(t *rapid.T) *airflow.Exhaust {
	duct := func(name string) *airflow.Duct {
		return &airflow.Duct{
			Material: rapid.SampledFrom([]string{"rigid_metal", "semi_rigid_metal", "foil_flexible", "plastic", "unknown"}).Draw(t, name+" material"),
			Length:   rapid.Float64Range(0.1, 30).Draw(t, name+" length"), Diameter: rapid.SampledFrom([]float64{0, 3 * inch, 4 * inch, 6 * inch}).Draw(t, name+" diameter"),
			Bends: []airflow.Bend{{Degrees: rapid.Float64Range(5, 180).Draw(t, name+" degrees"), Radius: rapid.Float64Range(0, 0.5).Draw(t, name+" radius"),
				Count: rapid.IntRange(1, 6).Draw(t, name+" bends")}}}
	}
	return &airflow.Exhaust{Transition: duct("transition"), Concealed: duct("concealed"),
		Termination: rapid.SampledFrom([]string{"wall", "roof", "attic", "unknown"}).Draw(t, "termination")}
}

func shareOf(t require.TestingT, e *airflow.Exhaust, b airflow.Blower) float64 {
	r, _, err := e.Run()
	require.NoError(t, err)
	s, err := airflow.Share(b, r, airflow.Standard())
	require.NoError(t, err)
	return s
}

// TestMoreDuctNeverGivesMoreAir: a foot or a bend more never raises the flow,
// of any described run with any blower.
func TestMoreDuctNeverGivesMoreAir(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := anyExhaust(t)
		b := airflow.Rated(rapid.Float64Range(0.03, 0.15).Draw(t, "free"), rapid.Float64Range(100, 900).Draw(t, "shut off"))
		require.False(t, b.Generic)
		before := shareOf(t, e, b)
		require.True(t, before > 0 && before <= 1)
		d := rapid.SampledFrom([]*airflow.Duct{e.Transition, e.Concealed}).Draw(t, "piece")
		d.Length += rapid.Float64Range(0, 10).Draw(t, "longer")
		d.Bends = append(d.Bends, airflow.Bend{Degrees: 90, Count: rapid.IntRange(0, 3).Draw(t, "more bends")})
		require.LessOrEqual(t, shareOf(t, e, b), before+2e-6)
	})
}

// TestRatedBlower: a blower drawn to its own figures has them.
func TestRatedBlower(t *testing.T) {
	b := airflow.Rated(200*cfm, 1.5*inchH2O)
	require.InDelta(t, 200*cfm, b.Free(), 1e-9)
	require.InDelta(t, 1.5*inchH2O, b.Pressure[0], 1e-9)
	require.NoError(t, b.Check())
	require.True(t, airflow.Rated(200*cfm, 0).Generic)
	require.Equal(t, airflow.GenericBlower(), airflow.Rated(0, 0))
}
