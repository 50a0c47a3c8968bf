package diagnosis_test

import (
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// The unit a tech speaks in changes how the sentence is written, never what is
// found: not the outcome, not the probability, not a figure.
func TestTheUnitOfEntryNeverMatters(t *testing.T) {
	ofEachKind(t, func(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet) {
		rapid.Check(t, func(t *rapid.T) {
			u, complaint := drawUnit(t, k), drawComplaint(t, k)
			c := &k.Checks[rapid.IntRange(0, len(k.Checks)-1).Draw(t, "check")]
			r := drawReading(t, c)
			want, err := diagnosis.Judge(k, complaint, r, s, u)
			for i := range c.Inputs {
				in := &c.Inputs[i]
				for n := range r.Values[in.ID] {
					if in.Quantity != "" {
						r.Values[in.ID][n].Unit = rapid.SampledFrom(in.Units).Draw(t, "other unit")
					}
				}
			}
			got, again := diagnosis.Judge(k, complaint, r, s, u)
			require.Equal(t, err == nil, again == nil)
			require.Equal(t, bare(want), bare(got))
		})
	})
}

// bare is what verdicts find, without the words.
func bare(vs []diagnosis.Verdict) []diagnosis.Verdict {
	var out []diagnosis.Verdict
	for _, v := range vs {
		v.Sentence, v.Do, v.Limit = "", "", nil
		out = append(out, v)
	}
	return out
}

// By any rule of a shop: a verdict with finite numbers on its own side of the
// rule, or a refusal that names a field.
func TestJudgeAnswersByAnyRule(t *testing.T) {
	ofEachKind(t, func(t *testing.T, k *catalogue.Kind, s diagnosis.Sheet) {
		rapid.Check(t, func(t *rapid.T) {
			u, complaint := drawUnit(t, k), drawComplaint(t, k)
			u.Rule = measure.Rule{Accept: rapid.Float64Range(0.501, 0.9999).Draw(t, "accept"), Reject: rapid.Float64Range(0.0001, 0.499).Draw(t, "reject")}
			r := drawReading(t, &k.Checks[rapid.IntRange(0, len(k.Checks)-1).Draw(t, "check")])
			vs, err := diagnosis.Judge(k, complaint, r, s, u)
			var bad *diagnosis.InputError
			require.True(t, err == nil || errors.As(err, &bad), "%v", err)
			for _, v := range vs {
				require.True(t, v.Probability >= 0 && v.Probability <= 1 && !math.IsNaN(v.Uncertainty), "%+v", v)
				switch v.Outcome {
				case diagnosis.Conforms:
					require.Greater(t, v.Probability, 0.5, "%+v", v)
				case diagnosis.DoesNotConform:
					require.Less(t, v.Probability, 0.5, "%+v", v)
				default:
					require.NotEmpty(t, v.Do, "%+v", v)
				}
			}
		})
	})
}
