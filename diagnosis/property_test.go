package diagnosis_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// Whatever is read at any check of the built-in catalogue: a verdict with
// finite numbers and a whole sentence, or a refusal that names a field.
func TestJudgeAnswersWhateverIsRead(t *testing.T) {
	ofEachKind(t, func(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet) {
		rapid.Check(t, func(t *rapid.T) {
			u, complaint := drawUnit(t, k), drawComplaint(t, k)
			r := drawReading(t, &k.Checks[rapid.IntRange(0, len(k.Checks)-1).Draw(t, "check")])
			sheet := s
			if rapid.Bool().Draw(t, "no sheet") {
				sheet = nil
			}
			vs, err := diagnosis.Judge(k, complaint, r, sheet, u)
			again, _ := diagnosis.Judge(k, complaint, r, sheet, u)
			require.Equal(t, vs, again)
			checkVerdicts(t, vs, err)
		})
	})
}

func checkVerdicts(t require.TestingT, vs []diagnosis.Verdict, err error) {
	if err != nil {
		var bad *diagnosis.InputError
		require.True(t, errors.As(err, &bad), "%v", err)
		require.NotEmpty(t, bad.Field)
		return
	}
	require.NotEmpty(t, vs)
	for _, v := range vs {
		require.True(t, v.Probability >= 0 && v.Probability <= 1, "%+v", v)
		require.True(t, v.Uncertainty >= 0 && !math.IsInf(v.Uncertainty, 0), "%+v", v)
		require.True(t, v.Measured == nil || !math.IsNaN(*v.Measured) && !math.IsInf(*v.Measured, 0))
		require.NotEmpty(t, v.Sentence)
		require.NotContains(t, v.Sentence, "{")
		require.NotContains(t, v.Sentence, "NaN")
		switch v.Outcome {
		case diagnosis.Conforms:
			require.GreaterOrEqual(t, v.Probability, 0.95, "%+v", v)
		case diagnosis.DoesNotConform:
			require.LessOrEqual(t, v.Probability, 0.05, "%+v", v)
		default:
			require.NotEmpty(t, v.Do, "%+v", v)
		}
	}
}

func TestTheOrderOfEntryNeverMatters(t *testing.T) {
	ofEachKind(t, func(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet) {
		rapid.Check(t, func(t *rapid.T) {
			c := drawCase(t, k, s)
			want, err := diagnosis.Assess(k, c)
			require.NoError(t, err)
			concluded := []string{k.Faults[0].ID}
			gaps := diagnosis.Open(k, c, nil, concluded)
			c.Readings = rapid.Permutation(c.Readings).Draw(t, "readings again")
			c.Done = rapid.Permutation(c.Done).Draw(t, "actions again")
			got, err := diagnosis.Assess(k, c)
			require.NoError(t, err)
			require.Equal(t, want, got)
			require.Equal(t, gaps, diagnosis.Open(k, c, nil, concluded))
		})
	})
}

func TestTheRankingExplainsTheComplaintAndNextIsSane(t *testing.T) {
	ofEachKind(t, func(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet) {
		rapid.Check(t, func(t *rapid.T) {
			a, err := diagnosis.Assess(k, drawCase(t, k, s))
			require.NoError(t, err)
			sum := 0.0
			for i, r := range a.Ranking {
				require.True(t, r.Probability >= 0 && r.Probability <= 1)
				require.True(t, i == 0 || r.Probability <= a.Ranking[i-1].Probability+1e-9)
				sum += r.Probability
			}
			require.GreaterOrEqual(t, sum, 1-1e-9, "something is at fault")
			require.True(t, a.Coverage >= 0 && a.Coverage <= 1)
			for _, n := range a.Next {
				require.True(t, n.Gain > 0 && !math.IsInf(n.Gain, 0) && n.Minutes > 0)
				require.NotEmpty(t, n.Reason)
			}
			require.True(t, a.Enough || len(a.Next) > 0)
			if a.Doubt != nil { // a doubted reading is repeated where its gain puts it, whatever answers the same
				a.Next = slices.DeleteFunc(a.Next, func(n diagnosis.Next) bool { return n.Check == a.Doubt.Check })
			}
			saferFirst(t, k, a.Next)
		})
	})
}

// saferFirst: no live work before an isolated check that answers the same, and
// no isolated check before a run with the covers on that does.
func saferFirst(t *rapid.T, k *catalogue.Kind, ns []diagnosis.Next) {
	for i, n := range ns {
		first, _ := k.Check(n.Check)
		for _, later := range ns[i+1:] {
			then, _ := k.Check(later.Check)
			if !slices.ContainsFunc(then.Answers, func(a string) bool { return slices.Contains(first.Answers, a) }) {
				continue
			}
			require.False(t, first.State == catalogue.LiveOpen && then.State == catalogue.Isolated, "%s before %s", first.ID, then.ID)
			require.False(t, first.State == catalogue.Isolated && then.State == catalogue.RunningClosed, "%s before %s", first.ID, then.ID)
		}
	}
}

// A conforming reading never makes it likelier that any of the faults it speaks
// against is there. Of one of several it may: where two of them explained the
// case together and both fall, what is left has to be explained by something.
func TestAConformingReadingNeverRaisesTheFaultItSpeaksAgainst(t *testing.T) {
	ofEachKind(t, func(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet) {
		rapid.Check(t, func(t *rapid.T) {
			c := drawCase(t, k, s)
			c.Done = nil
			r := drawReading(t, &k.Checks[rapid.IntRange(0, len(k.Checks)-1).Draw(t, "check")])
			r.ID, r.At, r.Phase = "z", at(30), diagnosis.AsFound
			vs, err := diagnosis.Judge(k, c.Complaint, r, s, c.Unit)
			if err != nil || vs[0].Outcome != diagnosis.Conforms {
				return
			}
			c.Readings = without(k, c.Readings, r)
			ch, _ := k.Check(r.Check)
			against := map[string]float64{}
			mildest := ch.Ladder().Rungs[0]
			if vs[0].Finding != mildest.ID {
				return
			}
			for fault, w := range mildest.Weights {
				if w < mildest.Otherwise {
					against[fault] = w
				}
			}
			before, err := diagnosis.NoneOf(k, c, against)
			require.NoError(t, err)
			c.Readings = append(c.Readings, diagnosis.Judged{Reading: r, Verdicts: vs})
			after, err := diagnosis.NoneOf(k, c, against)
			require.NoError(t, err)
			require.GreaterOrEqual(t, after, before-1e-9)
		})
	})
}

// without leaves out earlier readings of the same check and position, and those
// of checks that give the same answers, one of which would be quieted.
func without(k *catalogue.Kind, js []diagnosis.Judged, r diagnosis.Reading) []diagnosis.Judged {
	var out []diagnosis.Judged
	own, _ := k.Check(r.Check)
	for _, j := range js {
		ch, _ := k.Check(j.Reading.Check)
		twin := ch != own && slices.ContainsFunc(ch.Answers, func(a string) bool { return slices.Contains(own.Answers, a) })
		if !twin && (ch != own || j.Reading.Position != r.Position) {
			out = append(out, j)
		}
	}
	return out
}

// FuzzJudge feeds raw numbers into every rule.
func FuzzJudge(f *testing.F) {
	f.Add(0, 7000.0, 300.0, 0.2, 1.0, 2.0, false, uint8(0))
	f.Add(8, 1e300, -5.0, 0.0, 0.0, 0.0, true, uint8(1))
	f.Add(3, 5e-324, 1e-300, 9.9, 100.0, 1e9, false, uint8(3))
	k := builtIn(f)
	s := dryerSheet(f)
	f.Fuzz(func(t *testing.T, check int, x, y, lead, percent, counts float64, over bool, pick uint8) {
		u := diagnosis.Unit{Kind: k.ID, Has: map[string]bool{}, Watts: &x, Volts: num(240)}
		for i, feature := range k.Features {
			u.Has[feature.ID] = pick>>(i%8)&1 == 1
		}
		c := &k.Checks[int(uint(check)%uint(len(k.Checks)))]
		r := diagnosis.Reading{Check: c.ID, Lead: lead, Values: values{},
			Instrument: &diagnosis.Instrument{Percent: percent, Counts: counts, Resolution: math.Abs(y)}}
		if len(c.Positions) > 0 {
			r.Position = c.Positions[int(pick)%len(c.Positions)].ID
		}
		for i := range c.Inputs {
			in := &c.Inputs[i]
			if in.Quantity == "" {
				r.Values[in.ID] = chosen(in.Choices[int(pick)%len(in.Choices)].ID)
				continue
			}
			r.Values[in.ID] = []diagnosis.Value{{SI: x, Over: over && in.OverRange}}
			if in.Many {
				r.Values[in.ID] = append(r.Values[in.ID], diagnosis.Value{SI: y}, diagnosis.Value{SI: x})
			}
			x, y = y, x
		}
		vs, err := diagnosis.Judge(k, "runs_too_hot", r, s, u)
		checkVerdicts(t, vs, err)
	})
}
