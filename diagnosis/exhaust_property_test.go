package diagnosis_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/airflow"
)

// airMachine draws a dryer with a lawful described run and the blower it
// really has: the generic flow, two thirds to all of the generic pressure.
func airMachine(t *rapid.T) (diagnosis.Unit, airflow.Run, airflow.Blower) {
	elbows := rapid.IntRange(0, 4).Draw(t, "elbows")
	u := described(rapid.Float64Range(1, 8).Draw(t, "transition"), rapid.Float64Range(1, 35-5*float64(elbows)).Draw(t, "concealed"), elbows)
	u.Exhaust.Transition.Material = rapid.SampledFrom([]string{"rigid_metal", "semi_rigid_metal"}).Draw(t, "material")
	run, _, err := u.Exhaust.Run()
	require.NoError(t, err)
	return u, run, airflow.Rated(rapid.Float64Range(170, 210).Draw(t, "free")*cfmOf, rapid.Float64Range(1.34, 2).Draw(t, "shut off")*waterU)
}

// onAgainstOff is what a good vane shows of a run and a blower.
func onAgainstOff(t *rapid.T, run airflow.Run, b airflow.Blower) done {
	p, err := airflow.Operate(b, run, airflow.Standard())
	require.NoError(t, err)
	area := airflow.Area(4 * inchOf)
	return fresh("duct_off_run", "", "", vane(), values{"velocity_on": value(p.Flow/area, "m/s"), "velocity_off": value(b.Free()/area, "m/s")})
}

// Whatever blower of usual strength a machine has, a clean lawful run is not
// blamed for what it takes by itself, and one nine tenths blocked is.
func TestALawfulRunIsNotBlamedAndABlockedOneIs(t *testing.T) {
	k := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		u, run, b := airMachine(t)
		clean := dryerVerdict(t, k, onAgainstOff(t, run, b), nil, u)
		require.NotEqual(t, "duct_restricted", clean.Finding, clean.Sentence)
		run.Pieces[1].Bends += orifice(rapid.Float64Range(0.8, 0.95).Draw(t, "blocked"))
		blocked := dryerVerdict(t, k, onAgainstOff(t, run, b), nil, u)
		require.Equal(t, "duct_restricted", blocked.Finding, blocked.Sentence)
	})
}

// The collar tells a blocked run from a weak blower at the flow that was
// measured, whatever blower there is: it never blames a clean run, and always
// a blocked one.
func TestTheCollarTellsBlockageFromAWeakBlower(t *testing.T) {
	k := builtIn(t)
	gauge := &diagnosis.Instrument{Method: "manometer", Percent: 1, Counts: 1, Resolution: 1}
	rapid.Check(t, func(rt *rapid.T) {
		u, run, _ := airMachine(rt)
		b := airflow.Rated(rapid.Float64Range(80, 210).Draw(rt, "flow")*cfmOf, rapid.Float64Range(0.6, 2).Draw(rt, "pressure")*waterU)
		blocked := rapid.Bool().Draw(rt, "blocked")
		if blocked {
			run.Pieces[1].Bends += orifice(rapid.Float64Range(0.8, 0.95).Draw(rt, "share"))
		}
		p, err := airflow.Operate(b, run, airflow.Standard())
		require.NoError(rt, err)
		c := judgedCase(t, u, nil, hood(p.Flow/airflow.Area(4*inchOf)/0.00508, ""),
			fresh("collar_pressure", "", "", gauge, values{"pressure": value(p.Collar, "[in_i'H2O]")}))
		a, err := diagnosis.Assess(k, c)
		require.NoError(rt, err)
		if a.Air.Blockage.Blocked != blocked {
			rt.Fatalf("blocked %v: %s", blocked, a.Air.Sentence)
		}
	})
}
