package isolate_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/isolate"
)

// tape deals out the bytes of a fuzz input; zeros when it is at its end.
type tape struct{ left []byte }

func (x *tape) byte() int {
	if len(x.left) == 0 {
		return 0
	}
	b := x.left[0]
	x.left = x.left[1:]
	return int(b)
}

// float is any number at all, NaN and infinities too, or one from 0 to 1.
func (x *tape) float() float64 {
	if x.byte()%4 > 0 || len(x.left) < 8 {
		return float64(x.byte()) / 255
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(x.left))
	x.left = x.left[8:]
	return v
}

// floats deals n numbers.
func (x *tape) floats(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = x.float()
	}
	return out
}

func (x *tape) planner(n int) (*isolate.Planner, error) {
	var repairs []isolate.Repair
	panels := []isolate.Panel{{ID: "a", Cost: x.float()}, {ID: "b", Cost: x.float(), Open: x.byte()%2 == 1}}
	for i := range n {
		repairs = append(repairs, isolate.Repair{ID: strconv.Itoa(i), Cost: x.float(), Panel: []string{"", "a", "b"}[x.byte()%3], Faults: []int{i}})
	}
	return isolate.NewPlanner(repairs, panels)
}

// sane refuses what nobody may see: NaN, an infinity, a number below 0.
func sane(t *testing.T, xs ...float64) {
	t.Helper()
	for _, x := range xs {
		require.False(t, math.IsNaN(x) || math.IsInf(x, 0) || x < 0, "%v", x)
	}
}

// seeds are inputs that fit: every number from 0 to 1.
func seeds(f *testing.F) {
	for _, pattern := range [][]byte{{1}, {3, 77, 45}, {5, 131, 17, 9, 241}, {7, 53, 201, 67}} {
		f.Add(bytes.Repeat(pattern, 120))
	}
}

// FuzzPlan: whatever the numbers, planning says what is wrong with them or
// gives finite costs, an order of known repairs, and no order that costs less
// by ratio than the best.
func FuzzPlan(f *testing.F) {
	seeds(f)
	f.Add([]byte{3, 1, 200, 1, 90, 1, 1, 80, 2, 1, 70, 0, 1, 60, 1, 1, 50, 1, 40, 1, 30, 1, 1, 20, 1, 128, 1, 64, 1, 32})
	f.Add([]byte{9, 0, 255, 255, 255, 255, 255, 255, 239, 127, 1, 255, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		x := &tape{data}
		n := x.byte() % 14
		p, err := x.planner(n)
		if err != nil {
			return
		}
		b, err := p.Single(x.floats(n))
		if err != nil {
			return
		}
		best, ratio := p.Best(b), p.ByRatio(b)
		sane(t, best.Cost, ratio.Cost)
		require.LessOrEqual(t, best.Cost, ratio.Cost*(1+1e-9))
		require.LessOrEqual(t, len(best.Order), n)
		test := isolate.Test{Cost: x.float(), Panel: []string{"", "a", "b"}[x.byte()%3], Outcomes: [][]float64{x.floats(n)}}
		rest := make([]float64, n)
		for i, l := range test.Outcomes[0] {
			rest[i] = 1 - l
		}
		test.Outcomes = append(test.Outcomes, rest)
		a, err := p.LookAhead(b, []isolate.Test{test})
		if err != nil {
			return
		}
		sane(t, a.Looks[0].After, a.Looks[0].Cost)
		require.LessOrEqual(t, a.Looks[0].After, best.Cost*(1+1e-9))
		require.False(t, math.IsNaN(a.Looks[0].Saves))
		require.Equal(t, a.Enough(), a.Best == -1)
	})
}

// FuzzPlanOfAModel: the same for several faults and the evidence of a model.
func FuzzPlanOfAModel(f *testing.F) {
	seeds(f)
	f.Add([]byte{4, 1, 200, 1, 90, 1, 1, 80, 2, 1, 70, 0, 1, 60, 1, 1, 50, 1, 40, 1, 30, 1, 1, 20, 1, 128, 1, 64, 1, 32, 1, 16, 1, 200, 1, 100})
	f.Fuzz(func(t *testing.T, data []byte) {
		x := &tape{data}
		n := 1 + x.byte()%6
		p, err := x.planner(n)
		if err != nil {
			return
		}
		faults := make([]isolate.Fault, n)
		findings := make([]isolate.Finding, 3)
		for i := range faults {
			faults[i] = isolate.Fault{Prior: x.float(), Group: []string{"", "", "g"}[x.byte()%3]}
		}
		for k := range findings {
			findings[k].Leak = x.float()
			for i := range faults {
				if x.byte()%2 == 1 {
					findings[k].Links = append(findings[k].Links, isolate.Link{Fault: i, Weight: x.float()})
				}
			}
		}
		m, err := isolate.New(faults, findings)
		if err != nil {
			return
		}
		es := []isolate.Evidence{{Finding: 0, Abnormal: x.float(), Normal: x.float()}, {Finding: 1, Abnormal: x.float(), Normal: x.float()}}
		b, err := p.Weighed(m, es)
		if err != nil {
			return
		}
		sane(t, b.Missed, p.Best(b).Cost, p.ByRatio(b).Cost)
		all, err := p.PlanAll(m, es)
		require.NoError(t, err)
		sane(t, all.Cost)
		rows, err := b.Outcomes(2)
		require.NoError(t, err)
		a, err := p.LookAhead(b, []isolate.Test{{Outcomes: rows}})
		require.NoError(t, err)
		sane(t, a.Looks[0].After)
	})
}

// FuzzLearnAndCalibrate: shares stay from 0 to 1 and scores finite, or the
// error says what is wrong.
func FuzzLearnAndCalibrate(f *testing.F) {
	seeds(f)
	f.Add([]byte{3, 1, 80, 1, 80, 1, 80, 30, 9, 8, 7, 30, 1, 1, 1, 1, 100, 1, 200, 7})
	f.Fuzz(func(t *testing.T, data []byte) {
		x := &tape{data}
		n := x.byte() % 6
		priors := x.floats(n)
		if sum := total(priors); x.byte()%4 > 0 && sum > 1 {
			for i := range priors {
				priors[i] /= sum
			}
		}
		level := isolate.Level{Tally: x.tally(n)}
		if x.byte()%3 == 0 {
			level.Strength = x.float()
		}
		for range x.byte() % 30 {
			level.Groups = append(level.Groups, x.tally(n))
		}
		if l, err := isolate.Learn(priors, []isolate.Level{level}); err == nil {
			sane(t, l.Priors()...)
			sane(t, l.Levels[0].Strength)
			for _, s := range l.Priors() {
				require.LessOrEqual(t, s, 1+1e-12)
			}
		}
		var fs []isolate.Forecast
		for range x.byte() % 20 {
			fs = append(fs, isolate.Forecast{P: x.float(), True: x.byte()%2 == 1})
		}
		c, err := isolate.Calibrate(fs, x.byte())
		if err != nil {
			return
		}
		sane(t, c.Brier, c.Log, c.Reliability, c.Resolution, c.Uncertainty, c.Gap)
		require.InDelta(t, c.Brier, c.Reliability-c.Resolution+c.Uncertainty+c.Within, 1e-9)
	})
}

// tally deals counts, some of them great, and now and then one that does not
// fit the jobs.
func (x *tape) tally(n int) isolate.Tally {
	out := isolate.Tally{Jobs: x.byte() << (x.byte() % 24), Counts: make([]int, n)}
	for i := range out.Counts {
		out.Counts[i] = min(x.byte()<<(x.byte()%24), out.Jobs+x.byte()/255)
	}
	return out
}
