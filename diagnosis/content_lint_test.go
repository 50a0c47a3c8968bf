package diagnosis_test

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// The lint of all content. What a single file must keep is refused when it is
// loaded (references, units, marks, states, competences, text that defeats a
// safety device); here stands what takes the engine or all words.

// lintKinds goes over the kinds that are built in.
func lintKinds(t *testing.T, do func(t *testing.T, k *catalogue.Kind)) {
	c, err := catalogue.Open()
	require.NoError(t, err)
	require.Len(t, c.Kinds, 6)
	for _, k := range c.Kinds {
		t.Run(k.ID, func(t *testing.T) { do(t, k) })
	}
}

// Every fault is a cause of some complaint, and some check speaks of it there.
func TestEveryFaultIsReached(t *testing.T) {
	lintKinds(t, func(t *testing.T, k *catalogue.Kind) {
		for i := range k.Faults {
			f := &k.Faults[i]
			tied, reached := false, false
			for n := range k.Complaints {
				if _, ok := k.Complaints[n].Cause(f.ID); ok {
					tied = true
					reached = reached || reachedBy(k, k.Complaints[n].ID, f.ID)
				}
			}
			assert.True(t, tied, "%s is a cause of no complaint", f.ID)
			assert.True(t, reached, "no check that is asked for its complaint speaks of %s", f.ID)
		}
	})
}

func reachedBy(k *catalogue.Kind, complaint, fault string) bool {
	return slices.ContainsFunc(k.Checks, func(ch catalogue.Check) bool {
		return askedFor(&ch, complaint) && slices.ContainsFunc(ch.Findings, func(f catalogue.Finding) bool {
			w, ok := f.Weights[fault]
			return ok && math.Abs(math.Log(w/f.Otherwise)) > 0.05
		})
	})
}

func askedFor(ch *catalogue.Check, complaint string) bool {
	return len(ch.For) == 0 || slices.Contains(ch.For, complaint)
}

// Every check can change what is believed: some finding of it moves the
// probability of some fault, of some complaint it is asked for, by a tenth of
// itself or more.
func TestEveryCheckCanChangeSomePosterior(t *testing.T) {
	lintKinds(t, func(t *testing.T, k *catalogue.Kind) {
		for i := range k.Checks {
			ch := &k.Checks[i]
			moved := 0.0
			for n := range k.Complaints {
				if askedFor(ch, k.Complaints[n].ID) {
					moved = max(moved, movedBy(t, k, k.Complaints[n].ID, ch))
				}
			}
			assert.Greater(t, moved, 0.1, "%s changes nothing", ch.ID)
		}
	})
}

// movedBy is the largest relative change of a probability that a finding of
// the check makes.
func movedBy(t *testing.T, k *catalogue.Kind, complaint string, ch *catalogue.Check) float64 {
	c := diagnosis.Case{Complaint: complaint, Unit: lintUnit(k, ch)}
	before := lintChances(t, k, c)
	most := 0.0
	for i := range ch.Findings {
		f := &ch.Findings[i]
		if len(f.Weights) == 0 {
			continue
		}
		j := diagnosis.Judged{Reading: diagnosis.Reading{ID: "r", Check: ch.ID, Phase: diagnosis.AsFound, At: time.Unix(0, 0)}}
		if len(ch.Positions) > 0 {
			j.Reading.Position = ch.Positions[0].ID
		}
		for _, s := range f.Verdicts {
			j.Verdicts = append(j.Verdicts, diagnosis.Verdict{Part: s.Part, Outcome: diagnosis.Outcome(s.Outcome), Fault: s.Fault, Finding: f.ID})
		}
		c.Readings = []diagnosis.Judged{j}
		for fault, p := range lintChances(t, k, c) {
			most = max(most, math.Abs(p/before[fault]-1))
		}
		most = max(most, besideMoved(k, complaint, f))
	}
	return most
}

// besideMoved is the change of a fault that is found beside the complaint and
// never ranks: a bad ground, a drip. Its cause is independent of the others.
func besideMoved(k *catalogue.Kind, complaint string, f *catalogue.Finding) float64 {
	cp, _ := k.Complaint(complaint)
	most := 0.0
	for _, x := range cp.Causes {
		w, ok := f.Weights[x.Fault]
		if x.Explains == catalogue.ExplainsNo && ok {
			most = max(most, math.Abs(w/(x.Prior*w+(1-x.Prior)*f.Otherwise)-1))
		}
	}
	return most
}

// lintUnit has what the check needs and lacks what is in its way.
func lintUnit(k *catalogue.Kind, ch *catalogue.Check) diagnosis.Unit {
	u := diagnosis.Unit{Kind: k.ID, Gas: k.Fuel == "gas", Has: map[string]bool{}}
	for _, f := range k.Features {
		u.Has[f.ID] = f.ID != ch.Lacks
	}
	if len(ch.Positions) > 0 {
		u.Has[ch.Positions[0].Lacks] = false
	}
	return u
}

func lintChances(t *testing.T, k *catalogue.Kind, c diagnosis.Case) map[string]float64 {
	a, err := diagnosis.Assess(k, c)
	require.NoError(t, err)
	out := map[string]float64{}
	for _, r := range slices.Concat(a.Ranking, a.Barriers) {
		out[r.Fault] = r.Probability
	}
	return out
}

// lintTexts visits every text a person reads, with its path.
func lintTexts(k *catalogue.Kind, do func(path, text string)) {
	lintValue(k.ID, reflect.ValueOf(k).Elem(), do)
}

func lintValue(path string, v reflect.Value, do func(path, text string)) {
	switch v.Kind() {
	case reflect.String:
		do(path, v.String())
	case reflect.Pointer:
		if !v.IsNil() {
			lintValue(path, v.Elem(), do)
		}
	case reflect.Slice:
		for i := range v.Len() {
			lintValue(fmt.Sprintf("%s[%d]", path, i), v.Index(i), do)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() {
				lintValue(path+"."+f.Name, v.Field(i), do)
			}
		}
	}
}

var lintEnd = regexp.MustCompile(`[.!?:;]+(\s+|$)`)

// Plain words: no sentence of more than 20 words, wherever a person reads it.
// The note on the figures and the sources are for who checks them.
func TestEverySentenceIsShort(t *testing.T) {
	lintKinds(t, func(t *testing.T, k *catalogue.Kind) {
		lintTexts(k, func(path, text string) {
			if strings.HasSuffix(path, ".Note") || strings.HasSuffix(path, ".Source") {
				return
			}
			for _, s := range lintEnd.Split(text, -1) {
				assert.LessOrEqual(t, len(strings.Fields(s)), 20, "%s: %s", path, s)
			}
		})
	})
}

// lintNames are the capitalised words that may stand within a sentence: marks
// on a panel, terms and standards of the trade. A maker's or a person's name
// is none of them.
var lintNames = strings.Fields(`HIGH MEDIUM LOW AC DC CAT NEC EN IEC UL JCGM CFR PTC NTC GFCI LP CO Clean Air Act Annex R-600a R-290 R S C
	III Pt1000 Pt100 L1 L2 N L1-L2 L1-N L2-N R-S C-R C-S Ohm Kelvin V A W Hz F Off On AL V² I NO NC M MΩ NOW Hall L B K R-134a IEC 60751:2008`)

var lintWord = regexp.MustCompile(`[^\s(),"/]+`)

// No brand: a capitalised word within a sentence is a term that is listed.
func TestNoBrandIsNamed(t *testing.T) {
	lintKinds(t, func(t *testing.T, k *catalogue.Kind) {
		lintTexts(k, func(path, text string) {
			for _, s := range lintEnd.Split(text, -1) {
				for i, w := range lintWord.FindAllString(s, -1) {
					w = strings.Trim(w, "'’.,;:%-+")
					if i > 0 && w != "" && w[0] >= 'A' && w[0] <= 'Z' {
						assert.Contains(t, lintNames, w, "%s: %s", path, s)
					}
				}
			}
		})
	})
}
