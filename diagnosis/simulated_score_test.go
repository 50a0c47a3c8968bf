package diagnosis_test

import (
	"math"
	"runtime"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/sensors"
)

// simEnd is how one visit ended.
type simEnd struct {
	first   string
	faults  map[string]bool
	ranking []diagnosis.Ranked
	enough  bool
	shown   bool // the first fault has 0.9 or more
	minutes float64
	done    []simDone
}

func (v *simVisit) end() simEnd {
	e := simEnd{first: v.m.first, faults: v.m.faults, ranking: v.last.Ranking, enough: v.last.Enough, minutes: v.minutes, done: v.done}
	e.shown = len(e.ranking) > 0 && e.ranking[0].Probability >= 0.9
	return e
}

// right says whether the fault ranked first is there.
func (e *simEnd) right() bool { return e.faults[e.ranking[0].Fault] }

// rightPart says whether the part ranked first has a fault: the same repair,
// whatever the fault is called.
func (e *simEnd) rightPart() bool {
	for _, s := range simShares {
		if e.faults[s.fault] && s.group == e.ranking[0].Part {
			return true
		}
	}
	return false
}

// among counts the faults there among the first three.
func (e *simEnd) among() int {
	n := 0
	for _, r := range e.ranking[:min(3, len(e.ranking))] {
		if e.faults[r.Fault] {
			n++
		}
	}
	return n
}

// logScore is the mean logarithm of the chance given to what is so, over the
// faults of the ranking.
func (e *simEnd) logScore() float64 {
	sum := 0.0
	for _, r := range e.ranking {
		p := r.Probability
		if !e.faults[r.Fault] {
			p = 1 - p
		}
		sum += math.Log(math.Max(p, 1e-6))
	}
	return sum / float64(len(e.ranking))
}

// simBoth plays one machine by the engine and by the table.
func simBoth(k *catalogue.Kind, curve *sensors.Table, seed, index uint64) (engine, fixed simEnd, err error) {
	m := drawSim(seed, index, curve, "")
	v := newSimVisit(k, m)
	if err = v.follow(); err != nil {
		return
	}
	w := newSimVisit(k, m)
	err = w.inOrder()
	return v.end(), w.end(), err
}

// simSpread does n things on every processor there is, in any order.
func simSpread(n int, do func(i int) error) error {
	errs := make([]error, n)
	var wg sync.WaitGroup
	work := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range work {
				errs[i] = do(i)
			}
		}()
	}
	for i := range n {
		work <- i
	}
	close(work)
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// simEnds are the visits of many machines.
type simEnds struct{ engine, fixed []simEnd }

func playSims(t testing.TB, draws int, seed uint64) simEnds {
	k, curve := builtIn(t), simCurve(t)
	out := simEnds{make([]simEnd, draws), make([]simEnd, draws)}
	err := simSpread(draws, func(i int) (err error) {
		out.engine[i], out.fixed[i], err = simBoth(k, curve, seed, uint64(i))
		return err
	})
	require.NoError(t, err)
	return out
}

func simCurve(t testing.TB) *sensors.Table {
	var ps []sensors.Point
	for _, p := range curve3977(t) {
		ps = append(ps, sensors.Point(p))
	}
	c, err := sensors.NewTable(ps)
	require.NoError(t, err)
	return c
}

// simBin is one tenth of the scale of probability.
type simBin struct{ n, said, so float64 }

// simMurphy is the Brier score and its parts by ten bins (Murphy 1973, from
// memory): Brier ≈ REL − RES + UNC, but for the spread within a bin.
type simMurphy struct {
	n                    float64
	brier, rel, res, unc float64
	bins                 [10]simBin
}

func (s *simMurphy) add(p float64, so bool) {
	y := 0.0
	if so {
		y = 1
	}
	b := &s.bins[min(int(p*10), 9)]
	b.n, b.said, b.so = b.n+1, b.said+p, b.so+y
	s.n++
	s.brier += (p - y) * (p - y)
}

func (s *simMurphy) finish() {
	base := 0.0
	for _, b := range s.bins {
		base += b.so / s.n
	}
	for _, b := range s.bins {
		if b.n > 0 {
			said, so := b.said/b.n, b.so/b.n
			s.rel += b.n / s.n * (said - so) * (said - so)
			s.res += b.n / s.n * (so - base) * (so - base)
		}
	}
	s.brier /= s.n
	s.unc = base * (1 - base)
}

// simScore is what the bench says of one way through the calls.
type simScore struct {
	draws, enough, right, shown, shownRight float64
	part                                    float64
	top3, pairs, bothTop3                   float64
	log, minutes, checks                    float64
	all, top                                simMurphy
}

func scoreSims(es []simEnd) *simScore {
	s := &simScore{draws: float64(len(es))}
	for i := range es {
		s.add(&es[i])
	}
	s.log, s.minutes, s.checks = s.log/s.draws, s.minutes/s.draws, s.checks/s.draws
	s.all.finish()
	s.top.finish()
	return s
}

func (s *simScore) add(e *simEnd) {
	s.minutes += e.minutes
	s.checks += float64(len(e.done))
	s.log += e.logScore()
	for i, r := range e.ranking {
		s.all.add(r.Probability, e.faults[r.Fault])
		if i == 0 {
			s.top.add(r.Probability, e.faults[r.Fault])
		}
	}
	count := func(to *float64, yes bool) {
		if yes {
			*to++
		}
	}
	count(&s.enough, e.enough)
	count(&s.right, e.enough && e.right())
	count(&s.part, e.enough && e.rightPart())
	count(&s.shown, e.enough && e.shown)
	count(&s.shownRight, e.enough && e.shown && e.right())
	count(&s.top3, e.among() > 0)
	count(&s.pairs, len(e.faults) > 1)
	count(&s.bothTop3, len(e.faults) > 1 && e.among() > 1)
}

func (s *simScore) tell(t testing.TB, name string) {
	share := func(a, b float64) float64 { return a / math.Max(b, 1) }
	t.Logf("%s: enough %.3f; top-1 when enough %.3f, of the part %.3f (shown at 0.9: %.3f of calls, right %.3f); top-3 %.3f; pairs %.0f, both in top-3 %.3f; log score %.4f; checks %.1f; minutes %.1f",
		name, s.enough/s.draws, share(s.right, s.enough), share(s.part, s.enough), s.shown/s.draws, share(s.shownRight, s.shown), s.top3/s.draws, s.pairs, share(s.bothTop3, s.pairs), s.log, s.checks, s.minutes)
	for _, c := range []struct {
		what string
		m    *simMurphy
	}{{"every fault", &s.all}, {"first fault", &s.top}} {
		t.Logf("%s, %s: Brier %.4f = REL %.4f − RES %.4f + UNC %.4f", name, c.what, c.m.brier, c.m.rel, c.m.res, c.m.unc)
		for i, b := range c.m.bins {
			if b.n > 0 {
				t.Logf("   %.1f–%.1f: %6.0f said %.3f so %.3f", float64(i)/10, float64(i+1)/10, b.n, b.said/b.n, b.so/b.n)
			}
		}
	}
}
