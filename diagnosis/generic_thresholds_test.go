package diagnosis_test

import (
	"flag"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
)

// genDraws is how many machines each complaint of each kind draws. The figures
// to quote are those of 1,000:
//
//	go test ./diagnosis -run TestGenericBench -v -timeout 60m -args -generic.draws 1000
var genDraws = flag.Int("generic.draws", 40, "machines the generic bench draws for each complaint of each kind")

// genLimits is what following the engine must reach on every complaint of
// every kind, fixed before a figure was seen: three in four calls end with the
// blame on a part that has to be mended, whether or not anything was settled;
// nine in ten have such a part among the first three faults; a tenth of the minutes of the
// catalogue's own order saved; probabilities that mean what they say.
var genLimits = struct{ top1, top3, ratio, rel float64 }{0.75, 0.90, 0.90, 0.02}

// Few draws miss a limit by chance: they may be off by this many standard
// errors. Of many draws nothing is forgiven worth mention.
const genErrors = 2.5

// genSlack is that of a share of n draws.
func genSlack(share float64, n float64) float64 { return genErrors * math.Sqrt(share*(1-share)/n) }

// Following the engine, every complaint of the catalogue is diagnosed, from
// likelihoods that are not quite the engine's own; see genWorld.
func TestGenericBench(t *testing.T) {
	genEach(t, func(t *testing.T, k *catalogue.Kind, complaint string) {
		engine, fixed := playGen(t, newGenWorld(k, complaint), *genDraws)
		e, f := scoreGen(engine), scoreGen(fixed)
		e.tell(t, "engine")
		f.tell(t, "in order")
		genMistakes(t, engine)
		t.Logf("ROW %s | %s | %.1f %% | %.1f %% | %.1f %% | %.1f | %.0f %% | %.4f | %.3f", k.ID, complaint,
			100*e.top1/e.n, 100*e.top3/e.n, 100*e.enough/e.n, e.minutes/e.n, 100*e.minutes/f.minutes, e.all.rel, e.log/e.n)
		require.GreaterOrEqual(t, e.top1/e.n, genLimits.top1-genSlack(genLimits.top1, e.n), "the part blamed first is at fault")
		require.GreaterOrEqual(t, e.top3/e.n, genLimits.top3-genSlack(genLimits.top3, e.n), "one of the first three is")
		require.LessOrEqual(t, e.minutes/f.minutes, genLimits.ratio+ratioSlack(engine, fixed), "minutes against the catalogue's order")
		require.LessOrEqual(t, e.all.rel, genLimits.rel, "reliability")
	})
}

// genEach goes over the complaints of every kind of the catalogue.
func genEach(t *testing.T, do func(t *testing.T, k *catalogue.Kind, complaint string)) {
	c, err := catalogue.Open()
	require.NoError(t, err)
	for _, k := range c.Kinds {
		for i := range k.Complaints {
			id := k.Complaints[i].ID
			t.Run(k.ID+"/"+id, func(t *testing.T) { do(t, k, id) })
		}
	}
}
