package diagnosis_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// oracle weighs a case by going through every set of causes, with the
// probabilities taken from the catalogue by the definition: independent causes
// at 1 − exp(−0.35·share), other faults at their own chance, at least one first
// cause, one mode of a part at most; of several causes the
// finding listed last shows; a telephone answer multiplies. It knows hard
// findings only.
type oracle struct {
	faults []string
	parts  []string
	prior  []float64
	first  []bool // explains the complaint
	answer []map[string]float64
	seen   []sighting
}

type sighting struct {
	rungs []catalogue.Finding
	at    int
}

func oracleOf(t require.TestingT, k *catalogue.Kind, c diagnosis.Case) *oracle {
	o := &oracle{}
	cp, ok := k.Complaint(c.Complaint)
	require.True(t, ok)
	total := 0.0
	for _, cs := range cp.Causes {
		f, _ := k.Fault(cs.Fault)
		p, _ := k.Part(f.Part)
		if (p.Has != "" && !c.Unit.Has[p.Has]) || (p.Lacks != "" && c.Unit.Has[p.Lacks]) || cs.Explains == catalogue.ExplainsBarrier || p.Role == catalogue.SecondBarrier {
			continue
		}
		o.faults, o.parts, o.prior = append(o.faults, f.ID), append(o.parts, p.ID), append(o.prior, cs.Prior)
		o.first = append(o.first, cs.Explains == catalogue.ExplainsYes)
		if cs.Explains == catalogue.ExplainsYes {
			total += cs.Prior
		}
	}
	for i := range o.prior {
		if o.first[i] {
			o.prior[i] = 1 - math.Exp(-0.35*o.prior[i]/total)
		}
	}
	for id, given := range c.Triage {
		q, _ := cp.Question(id)
		a, _ := q.Answer(given)
		o.answer = append(o.answer, a.Weights)
	}
	return o
}

func (o *oracle) see(ch *catalogue.Check, finding string) {
	s := sighting{at: -1}
	for _, f := range ch.Findings {
		if len(f.Weights) > 0 {
			if f.ID == finding {
				s.at = len(s.rungs)
			}
			s.rungs = append(s.rungs, f)
		}
	}
	if s.at >= 0 {
		o.seen = append(o.seen, s)
	}
}

// upTo is the chance that a check comes out at or below a rung.
func (o *oracle) upTo(s sighting, y int, set uint) float64 {
	sum := func(fault string, y int) float64 {
		part, all := 0.0, 0.0
		for i, f := range s.rungs {
			w, ok := f.Weights[fault]
			if !ok {
				w = f.Otherwise
			}
			w = math.Max(w, 0.005)
			all += w
			if i <= y {
				part += w
			}
		}
		return part / all
	}
	p := sum("", y)
	for i, f := range o.faults {
		if set>>i&1 == 1 && y < len(s.rungs)-1 {
			worst := 0.0
			for z := 0; z <= y; z++ {
				worst = math.Max(worst, math.Min(1, sum(f, z)/sum("", z)))
			}
			p *= worst
		}
	}
	return p
}

func (o *oracle) chance(s sighting, set uint) float64 {
	if s.at == 0 {
		return o.upTo(s, 0, set)
	}
	return o.upTo(s, s.at, set) - o.upTo(s, s.at-1, set)
}

// said: below one a ratio multiplies; those above one are a noisy-OR of the
// strongest.
func (o *oracle) said(weights map[string]float64, set uint) float64 {
	most := 1.0
	for _, w := range weights {
		most = math.Max(most, w)
	}
	p, not := 1.0, 1.0
	for i, f := range o.faults {
		w, ok := weights[f]
		switch {
		case !ok || set>>i&1 == 0:
		case w < 1:
			p *= math.Max(w, 0.005)
		case w > 1:
			not *= 1 - (w-1)/(most-1)
		}
	}
	return p * (not + most*(1-not))
}

// weigh gives the chance of the evidence and that of each fault with it.
func (o *oracle) weigh() (evidence float64, fault map[string]float64) {
	fault = map[string]float64{}
	groups := map[string]float64{}
	for i, p := range o.parts {
		groups[p] += o.prior[i]
	}
	for set := uint(1); set < 1<<len(o.faults); set++ {
		p, taken, explained := 1.0, map[string]bool{}, 0.0
		for i := range o.faults {
			if set>>i&1 == 1 {
				if o.first[i] {
					explained = 1
				}
				if taken[o.parts[i]] {
					p = 0
				}
				taken[o.parts[i]] = true
				p *= o.prior[i]
			}
		}
		p *= explained
		for part, mass := range groups {
			if !taken[part] {
				p *= 1 - mass
			}
		}
		for _, s := range o.seen {
			p *= o.chance(s, set)
		}
		for _, a := range o.answer {
			p *= o.said(a, set)
		}
		evidence += p
		for i, f := range o.faults {
			if set>>i&1 == 1 {
				fault[f] += p
			}
		}
	}
	for f := range fault {
		fault[f] /= evidence
	}
	return evidence, fault
}

func entropyOf(fault map[string]float64) float64 {
	h := 0.0
	for _, p := range fault {
		for _, x := range []float64{p, 1 - p} {
			if x > 0 {
				h -= x * math.Log2(x)
			}
		}
	}
	return h
}

func smallFinding(t *rapid.T, ch *catalogue.Check) string {
	ids := []string{}
	for _, f := range ch.Findings {
		if len(f.Weights) > 0 {
			ids = append(ids, f.ID)
		}
	}
	return rapid.SampledFrom(ids).Draw(t, "finding")
}

// Any findings of any checks, with any answers, on any machine: the ranking is
// what going through every set of causes gives.
func TestTheRankingIsExact(t *testing.T) {
	k := smallKind()
	rapid.Check(t, func(t *rapid.T) {
		c := diagnosis.Case{Complaint: "too_hot", Unit: diagnosis.Unit{Has: map[string]bool{}}, Triage: map[string]string{}}
		for _, f := range k.Features {
			c.Unit.Has[f.ID] = rapid.Bool().Draw(t, f.ID)
		}
		if rapid.Bool().Draw(t, "asked") {
			c.Triage["onset"] = rapid.SampledFrom([]string{"sudden", "slow"}).Draw(t, "answer")
		}
		o := oracleOf(t, k, c)
		done := []string{}
		for range rapid.IntRange(0, 8).Draw(t, "readings") {
			ch := &k.Checks[rapid.IntRange(0, len(k.Checks)-1).Draw(t, "check")]
			weighs := slices.ContainsFunc(ch.Findings, func(f catalogue.Finding) bool { return len(f.Weights) > 0 })
			if !weighs || slices.Contains(done, ch.ID) || slices.ContainsFunc(k.Checks, func(x catalogue.Check) bool {
				return slices.Contains(done, x.ID) && slices.ContainsFunc(x.Answers, func(a string) bool { return slices.Contains(ch.Answers, a) })
			}) {
				continue
			}
			done = append(done, ch.ID)
			f := smallFinding(t, ch)
			o.see(ch, f)
			c.Readings = append(c.Readings, diagnosis.Judged{Reading: diagnosis.Reading{ID: ch.ID, Check: ch.ID, Phase: diagnosis.AsFound, At: at(len(done))},
				Verdicts: []diagnosis.Verdict{{Finding: f, Outcome: diagnosis.Inconclusive}}})
		}
		a, err := diagnosis.Assess(k, c)
		require.NoError(t, err)
		_, want := o.weigh()
		require.Len(t, a.Ranking, len(slices.DeleteFunc(slices.Clone(o.first), func(f bool) bool { return !f })))
		for _, r := range a.Ranking {
			require.InEpsilon(t, want[r.Fault], r.Probability, 1e-9, r.Fault)
		}
	})
}

// What a check is expected to tell is the mean fall of the entropy over all
// the ways it can come out.
func TestNextGainIsTheExpectedFallOfEntropy(t *testing.T) {
	k := smallKind()
	c := smallCase(t, found(t, "a", 0, weakHood()))
	a := assess(t, c)
	require.NotEmpty(t, a.Next)
	i := slices.Index(checks(assess(t, smallCase(t)).Next), "hood")
	require.GreaterOrEqual(t, i, 0)
	require.Contains(t, assess(t, smallCase(t)).Next[i].Reason, "of what is still open in 4 minutes, and moving the machine would destroy it.")
	before := oracleOf(t, k, c)
	hood, _ := k.Check("hood")
	before.see(hood, c.Readings[0].Verdicts[0].Finding)
	now, fault := before.weigh()
	for _, n := range a.Next {
		ch, _ := k.Check(n.Check)
		gain, sum := entropyOf(fault), 0.0
		for _, f := range ch.Findings {
			if len(f.Weights) == 0 {
				continue
			}
			o := *before
			o.see(ch, f.ID)
			p, then := o.weigh()
			sum += p / now
			gain -= p / now * entropyOf(then)
		}
		require.InDelta(t, 1, sum, 1e-12, n.Check)
		require.InDelta(t, gain, n.Gain, 1e-9, n.Check)
	}
}

// Two causes at once are seen as two: a coil that touches the case and a
// blocked duct, each shown by its own reading, both rank high.
func TestTwoFaultsAtOnce(t *testing.T) {
	coil := diagnosis.Reading{Check: "coil", Position: "terminal_1", Values: values{"resistance": value(6, "Ohm"), "wires_off": chosen("yes")}}
	duct := diagnosis.Reading{Check: "duct_off", Values: values{"cycling": chosen("normal_now")}}
	a := assess(t, smallCase(t, found(t, "a", 0, warmAirOnly()), found(t, "b", 5, weakHood()), found(t, "c", 9, duct), found(t, "d", 20, coil)))
	require.Greater(t, probabilityOf(a, "duct_blocked"), 0.9)
	require.Greater(t, probabilityOf(a, "coil_grounded"), 0.9)
}

// A clamp on the wrong conductor: heat on air-only that nothing else bears
// out. The reading is doubted, is to be repeated first, and nothing is
// concluded until then; repeated alike, it stands.
func TestAReadingThatDoesNotFitIsRepeatedFirst(t *testing.T) {
	sound := func(position string) diagnosis.Reading {
		return diagnosis.Reading{Check: "coil", Position: position, Values: values{"resistance": {{Over: true}}, "wires_off": chosen("yes")}}
	}
	rest := diagnosis.Reading{Check: "relay", Values: values{"resistance": {{Over: true}}, "wires_off": chosen("yes")}}
	c := smallCase(t, found(t, "b", 5, weakHood()), found(t, "c", 9, diagnosis.Reading{Check: "duct_off", Values: values{"cycling": chosen("normal_now")}}),
		found(t, "d", 20, sound("terminal_1")), found(t, "e", 21, sound("terminal_2")), found(t, "f", 22, rest))
	require.Nil(t, assess(t, c).Doubt)
	c.Readings = append(c.Readings, found(t, "a", 0, warmAirOnly()))
	a := assess(t, c)
	require.NotNil(t, a.Doubt)
	require.Equal(t, "a", a.Doubt.Reading)
	require.Equal(t, "air_only", a.Next[0].Check)
	require.Greater(t, a.Next[0].Gain, 0.0)
	require.False(t, a.Enough)
	require.Contains(t, a.Sentence, "Air-only run does not fit the other readings: it would come out so in")

	c.Readings = append(c.Readings, found(t, "g", 30, warmAirOnly()))
	require.Nil(t, assess(t, c).Doubt, "twice alike is no slip")
}

// One meter shows everything open or closed the wrong way round: the leads are
// in question, not three parts.
func TestAMeterThatDisagreesWithTheRestIsDoubted(t *testing.T) {
	meter := goodMeter()
	meter.ID = "meter 7"
	with := func(r diagnosis.Reading) diagnosis.Reading { r.Instrument = meter; return r }
	closed := with(diagnosis.Reading{Check: "relay", Values: values{"resistance": value(0.2, "Ohm"), "wires_off": chosen("yes")}})
	low := with(diagnosis.Reading{Check: "coil", Position: "terminal_1", Values: values{"resistance": value(0.3, "Ohm"), "wires_off": chosen("yes")}})
	cold := diagnosis.Reading{Check: "air_only", Instrument: goodBead(), Values: values{
		"start_temperature": fahrenheits(70), "end_temperature": fahrenheits(73), "minutes": seconds(300), "already_warm": chosen("no")}}
	c := smallCase(t, found(t, "a", 0, cold), found(t, "b", 5, weakHood()), found(t, "c", 9, diagnosis.Reading{Check: "duct_off", Values: values{"cycling": chosen("normal_now")}}),
		found(t, "d", 20, low))
	require.Empty(t, assess(t, c).Doubt.Meter, "one reading is no case against a meter")
	c.Readings = append(c.Readings, found(t, "e", 21, closed))
	a := assess(t, c)
	require.NotNil(t, a.Doubt)
	require.Equal(t, "meter 7", a.Doubt.Meter)
	require.Greater(t, a.Doubt.Probability, 0.5)
	require.False(t, a.Enough)
}
