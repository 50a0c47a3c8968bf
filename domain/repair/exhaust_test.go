package repair

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/airflow"
	"drumline/domain/customers"
)

// The engine sees the run as the shop described it, in SI; what nobody said
// stays unsaid.
func TestTheEngineSeesTheDescribedRun(t *testing.T) {
	require.Nil(t, engineUnit(customers.Unit{}).Exhaust)
	require.Equal(t, &airflow.Exhaust{Termination: "unknown", Booster: "unknown"},
		engineUnit(customers.Unit{Exhaust: &customers.Exhaust{Termination: "unknown", Booster: "unknown"}}).Exhaust)
	u := customers.Unit{Exhaust: &customers.Exhaust{
		Transition: &customers.Duct{Material: "foil_flexible", Length: &customers.Measure{Text: "6.5", Unit: "[ft_i]", SI: 1.9812}},
		Concealed: &customers.Duct{Material: "rigid_metal", Length: &customers.Measure{SI: 7.62}, Diameter: &customers.Measure{SI: 0.1016},
			Bends: []customers.Bend{{Degrees: 90, Radius: customers.Measure{SI: 0.1524}, Count: 2}, {Degrees: 45, Count: 1}}},
		Termination: "roof", Screen: ptr(true), Booster: "listed", SharedRiser: ptr(false)}}
	require.Equal(t, &airflow.Exhaust{
		Transition: &airflow.Duct{Material: "foil_flexible", Length: 1.9812},
		Concealed: &airflow.Duct{Material: "rigid_metal", Length: 7.62, Diameter: 0.1016,
			Bends: []airflow.Bend{{Degrees: 90, Radius: 0.1524, Count: 2}, {Degrees: 45, Count: 1}}},
		Termination: "roof", Screen: true, Booster: "listed"}, engineUnit(u).Exhaust)
	u.Exhaust.SharedRiser, u.Exhaust.Screen = ptr(true), nil
	e := engineUnit(u).Exhaust
	require.True(t, e.SharedRiser)
	require.False(t, e.Screen)
}

// A run described anew is another basis for the verdicts.
func TestTheDescribedRunIsPartOfTheBasis(t *testing.T) {
	c, basis := someCase(t, dryer(t), 5600, 8400)
	c.dossier.Unit.Exhaust = &customers.Exhaust{Termination: "wall", Booster: "none"}
	next, err := c.basis()
	require.NoError(t, err)
	require.NotEqual(t, basis, next)
}
