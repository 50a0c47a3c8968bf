package diagnosis_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
)

// golden compares verdicts and assessment with the file of the call.
func golden(t *testing.T, name string, w worked, cs diagnosis.Case, a diagnosis.Assessment) {
	type said struct{ Check, Position, Finding, Part, Outcome, Fault, Sentence, Do string }
	out := struct {
		worked
		Verdicts   []said
		Assessment diagnosis.Assessment
	}{worked: w, Assessment: a}
	for _, j := range cs.Readings {
		for _, v := range j.Verdicts {
			out.Verdicts = append(out.Verdicts, said{j.Reading.Check, j.Reading.Position, v.Finding, v.Part, string(v.Outcome), v.Fault, v.Sentence, v.Do})
		}
	}
	out.Assessment.Ranking = out.Assessment.Ranking[:5]
	short(&out.Assessment)
	rounded(&out.Assessment)
	roundedSteps(w.Explanation)
	got, err := json.MarshalIndent(out, "", "  ")
	require.NoError(t, err)
	goldenText(t, name+".json", string(got)+"\n")
}

// goldenText compares a text with its golden file and names the first line
// that differs.
func goldenText(t *testing.T, name, got string) {
	path := filepath.Join("..", "testdata", "calls", name)
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	data, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to write it")
	want, have := strings.Split(string(data), "\n"), strings.Split(got, "\n")
	for i := range min(len(want), len(have)) {
		require.Equal(t, want[i], have[i], "%s, line %d: run the test with -update if the change is meant", path, i+1)
	}
	require.Len(t, have, len(want), path)
}

// short leaves out the parts nobody has read and the barriers nobody has
// tested: they stand as in every other call.
func short(a *diagnosis.Assessment) {
	a.Parts = slices.DeleteFunc(slices.Clone(a.Parts), func(p diagnosis.PartState) bool { return p.Reading == "" })
	a.Barriers = slices.DeleteFunc(slices.Clone(a.Barriers), func(r diagnosis.Ranked) bool { return !r.Tested })
}

// roundedSteps keeps a hundredth of a deciban, for the same reason.
func roundedSteps(e *diagnosis.Explanation) {
	if e == nil {
		return
	}
	round := func(x *float64, unit float64) { *x = math.Round(*x*unit) / unit }
	for _, x := range []*float64{&e.Start, &e.Probability, &e.Coverage} {
		round(x, 1e6)
	}
	round(&e.Conflict, 100)
	for i := range e.Steps {
		round(&e.Steps[i].Decibans, 100)
		round(&e.Steps[i].Alone, 100)
		round(&e.Steps[i].Probability, 1e6)
	}
}

// rounded keeps six digits, so that the last bit of another processor does not
// show in a golden file.
func rounded(a *diagnosis.Assessment) {
	six := func(x *float64) { *x = math.Round(*x*1e6) / 1e6 }
	six(&a.Coverage)
	for _, list := range [][]diagnosis.Ranked{a.Ranking, a.Barriers} {
		for i := range list {
			six(&list[i].Probability)
		}
	}
	for i := range a.Next {
		six(&a.Next[i].Gain)
	}
}
