package diagnosis_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// genEnd is how one visit ended.
type genEnd struct {
	m         *genMachine
	ranking   []diagnosis.Ranked
	enough    bool
	exhausted bool
	minutes   float64
	done      []simDone
}

func (v *genVisit) end() genEnd {
	return genEnd{v.m, v.last.Ranking, v.last.Enough, v.last.Exhausted, v.minutes, v.done}
}

// mends says whether mending the fault at a place of the ranking mends a cause
// of the complaint that is there: the same action on the same part, whatever
// the fault is called, or one that takes the part of the cause in (a talk about
// load, detergent and setting; a hose and its standpipe).
func (e *genEnd) mends(place int) bool {
	if place >= len(e.ranking) {
		return false
	}
	k := e.m.world.kind
	blamed, _ := k.Fault(e.ranking[place].Fault)
	action, ok := k.Action(blamed.Fix)
	for _, id := range e.m.first {
		f, _ := k.Fault(id)
		if f.Fix == blamed.Fix && (f.Part == blamed.Part || ok && slices.Contains(action.Touches, f.Part)) {
			return true
		}
	}
	return false
}

// playGen plays each machine by the engine and in the catalogue's order.
func playGen(t testing.TB, w *genWorld, draws int) (engine, fixed []genEnd) {
	engine, fixed = make([]genEnd, draws), make([]genEnd, draws)
	require.NoError(t, simSpread(draws, func(i int) error {
		m := w.draw(uint64(i))
		v, o := newGenVisit(m), newGenVisit(m)
		if err := v.follow(); err != nil {
			return err
		}
		if err := o.inOrder(); err != nil {
			return err
		}
		engine[i], fixed[i] = v.end(), o.end()
		return nil
	}))
	return engine, fixed
}

// genScore is what the bench says of one way through the calls of a complaint.
type genScore struct {
	n, enough, exhausted, top1, top1Enough, top3 float64
	minutes, checks, log, pairs                  float64
	all                                          simMurphy
}

func scoreGen(es []genEnd) *genScore {
	s := &genScore{}
	for i := range es {
		s.add(&es[i])
	}
	s.all.finish()
	return s
}

func (s *genScore) add(e *genEnd) {
	count := func(to *float64, yes bool) {
		if yes {
			*to++
		}
	}
	s.n++
	s.minutes += e.minutes
	s.checks += float64(len(e.done))
	count(&s.enough, e.enough)
	count(&s.exhausted, e.exhausted)
	count(&s.top1, e.mends(0))
	count(&s.top1Enough, e.enough && e.mends(0))
	count(&s.top3, e.mends(0) || e.mends(1) || e.mends(2))
	count(&s.pairs, len(e.m.first) > 1)
	log := 0.0
	for _, r := range e.ranking {
		so := e.m.faults[r.Fault]
		s.all.add(r.Probability, so)
		p := r.Probability
		if !so {
			p = 1 - p
		}
		log += math.Log(math.Max(p, 1e-6)) / float64(len(e.ranking))
	}
	s.log += log
}

func (s *genScore) tell(t testing.TB, name string) {
	t.Logf("%s: enough %.3f, exhausted %.3f; top-1 %.3f (%.3f when enough); top-3 %.3f; several causes %.3f; checks %.1f; minutes %.1f; log score %.4f; Brier %.4f, REL %.4f",
		name, s.enough/s.n, s.exhausted/s.n, s.top1/s.n, s.top1Enough/math.Max(s.enough, 1), s.top3/s.n, s.pairs/s.n, s.checks/s.n, s.minutes/s.n, s.log/s.n, s.all.brier, s.all.rel)
}

// ratioSlack is how far chance may move the ratio of the minutes of two ways
// through the same calls.
func ratioSlack(a, b []genEnd) float64 {
	sa, sb, n := 0.0, 0.0, float64(len(a))
	for i := range a {
		sa, sb = sa+a[i].minutes, sb+b[i].minutes
	}
	ratio, square := sa/sb, 0.0
	for i := range a {
		d := a[i].minutes - ratio*b[i].minutes
		square += d * d
	}
	return genErrors * math.Sqrt(square) / sb * math.Sqrt(n/(n-1))
}

// genMistakes tells which faults are taken for which and where the minutes go.
func genMistakes(t testing.TB, es []genEnd) {
	wrong, of, found, spent := simTally{}, simTally{}, simTally{}, simTally{}
	for i := range es {
		e := &es[i]
		truth := strings.Join(e.m.first, "+")
		of[e.m.first[0]]++
		if e.mends(0) {
			found[e.m.first[0]]++
		} else {
			wrong[fmt.Sprintf("%s taken for %s (enough %v)", truth, e.ranking[0].Fault, e.enough)]++
		}
		for _, d := range e.done {
			spent[d.check] += d.minutes / float64(len(es))
		}
	}
	for _, c := range es[0].m.world.complaint.Causes {
		if of[c.Fault] > 0 {
			t.Logf("   %-26s %5.0f drawn first, %.3f right", c.Fault, of[c.Fault], found[c.Fault]/of[c.Fault])
		}
	}
	wrong.tell(t, "mistakes:", 20)
	spent.tell(t, "minutes a call by check:", 12)
}

// The same seed is the same bench; what it draws is what it says it draws.
func TestGenericBenchRepeats(t *testing.T) {
	genEach(t, func(t *testing.T, k *catalogue.Kind, complaint string) {
		w, again := newGenWorld(k, complaint), newGenWorld(k, complaint)
		const n = 400
		pairs := 0.0
		for i := range n {
			m := w.draw(uint64(i))
			require.Equal(t, m.faults, again.draw(uint64(i)).faults)
			if len(m.first) > 1 {
				pairs += 1.0 / n
			}
		}
		require.InDelta(t, 0.15, pairs, 0.07, "calls with several causes")
	})
}
