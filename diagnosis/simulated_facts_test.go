package diagnosis_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/airflow"
)

// simSome draws single-fault machines.
func simSome(t testing.TB, fault string, n int) []*simMachine {
	curve := simCurve(t)
	out := make([]*simMachine, n)
	for i := range out {
		out[i] = drawSim(simSeed+2, uint64(i), curve, fault)
	}
	return out
}

// simPart is the share of the machines of which something holds.
func simPart(ms []*simMachine, holds func(*simMachine) bool) float64 {
	n := 0.0
	for _, m := range ms {
		if holds(m) {
			n++
		}
	}
	return n / float64(len(ms))
}

func fahr(k float64) float64 { return k*1.8 - 459.67 }

// The heater box at 5,400 W, a room of 75 °F and all air through the heater has
// a mean of 189 °F at 150 scfm, 211 at 125 and 246 at 100 (own arithmetic,
// 1.08 Btu/(h·cfm·°F)).
func TestSimulatedBoxBalances(t *testing.T) {
	for cfm, want := range map[float64]float64{150: 189, 125: 211, 100: 246} {
		box := airflow.Standard().Box(degF(75), 5400, cfm*simCFM)
		require.InDelta(t, want, fahr(box), 1)
	}
}

// A sound dryer goes off near its rating and comes on 10 to 30 °F lower, and
// its air passes 1,200 feet a minute with no more than 0.6 inches of water at
// the collar (common practice, no source).
func TestSimulatedSoundDryers(t *testing.T) {
	ms := simSome(t, "no_fault", 200)
	for _, m := range ms {
		require.GreaterOrEqual(t, m.air.flow/airflow.Area(simDuct)/(simFoot/60), 1200.0)
		require.LessOrEqual(t, m.air.collar, 0.6*inchWater)
		require.Zero(t, m.high().limit)
	}
	require.Greater(t, simPart(ms, func(m *simMachine) bool {
		return len(m.high().offs) > 1 && len(m.high().ons) > 1
	}), 0.9)
	require.Greater(t, simPart(ms, func(m *simMachine) bool {
		a := simAnswer{m: m}
		off, on := fahr(a.offs(m.high())[0]), fahr(extreme(m.high().bead[200:], math.Min))
		return off > m.heat.rating-10 && off < m.heat.rating+14 && off-on > 10 && off-on < 35
	}), 0.8)
}

// A thermostat stuck closed in good air, on 240 V, gives 165 to 190 °F at the outlet and
// no cycling; short air cycles on the high limit with the outlet no hotter than
// usual (common practice, no source).
func TestSimulatedFaultsShowAsTheTradeSays(t *testing.T) {
	stuck := simSome(t, "cycling_thermostat_never", 100)
	good := slices.DeleteFunc(stuck, func(m *simMachine) bool { return m.mains < 220 || m.air.flow < 131*simCFM })
	require.Greater(t, len(good), 30)
	require.Greater(t, simPart(good, func(m *simMachine) bool {
		peak := fahr(m.high().peak)
		return peak > 165 && peak < 193 && len(m.high().offs) == 0
	}), 0.85)
	for _, fault := range []string{"run_restricted", "hood_blocked", "transition_crushed"} {
		short := simSome(t, fault, 100)
		require.Greater(t, simPart(short, func(m *simMachine) bool { return m.high().limit > 1 && fahr(m.high().peak) < 172 }), 0.75, fault)
		require.Greater(t, simPart(short, func(m *simMachine) bool { return m.air.collar > 0.6*inchWater }), 0.95, fault)
	}
	for _, m := range simSome(t, "blower_slips", 50) {
		require.Less(t, m.air.collar, 0.6*inchWater)
	}
}

// A coil of 10.67 Ω that touches in the middle makes 2.7 kW at 22.5 A from one
// leg of 120 V, whatever the thermostats say (own arithmetic).
func TestSimulatedGroundedCoil(t *testing.T) {
	m := simSome(t, "coil_grounded", 1)[0]
	m.heat.ohm, m.heat.touch, m.heat.contact, m.heat.hotOnly, m.heat.motorLeg = 240.0*240/5400, 0.5, 1e-9, false, false
	m.mains, m.drop, m.heat.motorAmps = 240, 0, 5
	m.runs = map[string]*simRun{}
	require.InDelta(t, 2700, m.airOnly().coil, 1)
	require.InDelta(t, 22.5, m.airOnly().legs[1], 0.01)
	require.InDelta(t, 5, m.airOnly().legs[0], 0.01)
}

// First causes and pairs come as often as they are said to.
func TestSimulatedShares(t *testing.T) {
	curve, total := simCurve(t), 0.0
	for _, s := range simShares {
		total += s.share
	}
	require.InDelta(t, 100, total, 1e-9)
	const n = 1500
	first, pairs := map[string]float64{}, 0.0
	for i := range n {
		m := drawSim(simSeed+3, uint64(i), curve, "")
		first[m.first] += 100.0 / n
		if len(m.faults) > 1 {
			pairs += 1.0 / n
		}
	}
	for _, s := range simShares {
		// Drawing again what cannot meet in one machine moves a share a little.
		require.InDelta(t, s.share, first[s.fault], 4, s.fault)
	}
	require.InDelta(t, 0.165, pairs, 0.035)
}
