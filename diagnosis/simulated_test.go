package diagnosis_test

import (
	"flag"
	"testing"

	"github.com/stretchr/testify/require"
)

// simDraws is how many machines the bench draws. The figures to quote are those
// of 5,000:
//
//	go test ./diagnosis -run TestSimulatedBench -v -timeout 60m -args -sim.draws 5000
var simDraws = flag.Int("sim.draws", 200, "machines the simulated bench draws")

const simSeed = 20300304

// Following the engine, a call ends, and what it says with nine in ten or more
// is so at least that often.
func TestSimulatedBench(t *testing.T) {
	ends := playSims(t, *simDraws, simSeed)
	engine, fixed := scoreSims(ends.engine), scoreSims(ends.fixed)
	engine.tell(t, "engine")
	fixed.tell(t, "table")
	t.Logf("minutes against the table: %.3f", engine.minutes/fixed.minutes)
	simMistakes(t, ends.engine)
	require.GreaterOrEqual(t, engine.shownRight, 0.9*engine.shown)
	require.LessOrEqual(t, engine.all.rel, 0.01)
}

// The same seed is the same bench.
func TestSimulatedBenchRepeats(t *testing.T) {
	a, b := playSims(t, 4, simSeed), playSims(t, 4, simSeed)
	require.Equal(t, a, b)
}
