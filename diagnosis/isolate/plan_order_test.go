package isolate_test

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/isolate"
)

// checkRows reads a table of check values; each row names its source.
func checkRows(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("../../testdata/inference", name))
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, head := range all[0] {
			row[head] = cells[i]
		}
		require.NotEmpty(t, row["source"])
		out = append(out, row)
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}

// problem is a single fault among actions, some behind panels.
type problem struct {
	Actions []struct {
		ID   string
		P, C float64
	}
	Access map[string]float64
	Group  map[string]string
}

func (x problem) planner(t testing.TB) (*isolate.Planner, []float64) {
	t.Helper()
	var repairs []isolate.Repair
	var panels []isolate.Panel
	var chances []float64
	for _, a := range x.Actions {
		g := x.Group[a.ID]
		if g != "" && !named(panels, g) {
			panels = append(panels, isolate.Panel{ID: g, Cost: x.Access[g]})
		}
		repairs = append(repairs, isolate.Repair{ID: a.ID, Cost: a.C, Panel: g})
		chances = append(chances, a.P)
	}
	p, err := isolate.NewPlanner(repairs, panels)
	require.NoError(t, err)
	return p, chances
}

func named(panels []isolate.Panel, id string) bool {
	for _, x := range panels {
		if x.ID == id {
			return true
		}
	}
	return false
}

func ids(p *isolate.Planner, plan isolate.Plan) []string {
	var out []string
	for _, i := range plan.Order {
		out = append(out, p.Repairs()[i].ID)
	}
	return out
}

// TestRepairOrder: every row of repair_order.csv, by ratio, best and worst.
func TestRepairOrder(t *testing.T) {
	rows := checkRows(t, "repair_order.csv")
	require.Len(t, rows, 4)
	for _, row := range rows {
		t.Run(row["check"], func(t *testing.T) {
			var x problem
			require.NoError(t, json.Unmarshal([]byte(row["problem"]), &x))
			p, chances := x.planner(t)
			b, err := p.Single(chances)
			require.NoError(t, err)
			ratio, best := p.ByRatio(b), p.Best(b)
			require.Equal(t, strings.Fields(row["pc_order"]), ids(p, ratio))
			require.InEpsilon(t, number(t, row["pc_ecr"]), ratio.Cost, 1e-9)
			require.Equal(t, strings.Fields(row["best_order"]), ids(p, best))
			require.InEpsilon(t, number(t, row["best_ecr"]), best.Cost, 1e-9)
			require.True(t, best.Best)
			least, most := allOrders(t, p, b, chances)
			require.InEpsilon(t, number(t, row["best_ecr"]), least, 1e-9)
			require.InEpsilon(t, number(t, row["worst_ecr"]), most, 1e-9)
		})
	}
}

// allOrders tries every order of a single fault.
func allOrders(t require.TestingT, p *isolate.Planner, b *isolate.Belief, chances []float64) (least, most float64) {
	sum := 0.0
	for _, x := range chances {
		sum += x
	}
	broken := func(done []int) (float64, error) {
		left := 1.0
		for _, i := range done {
			left -= chances[i] / sum
		}
		return math.Max(left, 0), nil
	}
	return extremes(t, p, len(chances), broken)
}

// extremes are the least and the greatest expected cost of all orders of n.
func extremes(t require.TestingT, p *isolate.Planner, n int, broken func([]int) (float64, error)) (least, most float64) {
	least = math.Inf(1)
	var order []int
	var walk func(used int)
	walk = func(used int) {
		if len(order) == n {
			cost, err := p.ExpectedCost(order, broken)
			require.NoError(t, err)
			least, most = math.Min(least, cost), math.Max(most, cost)
			return
		}
		for i := range n {
			if used>>i&1 == 0 {
				order = append(order, i)
				walk(used | 1<<i)
				order = order[:len(order)-1]
			}
		}
	}
	walk(0)
	return least, most
}

// drawPlanner draws repairs of faults 0..n-1, one each, some behind panels.
func drawPlanner(t *rapid.T, n int) (*isolate.Planner, []isolate.Repair) {
	panels := []isolate.Panel{
		{ID: "front", Cost: rapid.Float64Range(0, 40).Draw(t, "front"), Open: rapid.Bool().Draw(t, "open")},
		{ID: "back", Cost: rapid.Float64Range(0, 40).Draw(t, "back")},
	}
	var repairs []isolate.Repair
	for i := range n {
		repairs = append(repairs, isolate.Repair{
			ID: strconv.Itoa(i), Cost: rapid.Float64Range(0.5, 90).Draw(t, "cost"), Faults: []int{i},
			Panel: rapid.SampledFrom([]string{"", "front", "back"}).Draw(t, "panel"),
		})
	}
	p, err := isolate.NewPlanner(repairs, panels)
	require.NoError(t, err)
	return p, repairs
}

// TestBestOfASingleFault: no order of up to six costs less than Best, and no
// order costs less than the one by ratio without panels.
func TestBestOfASingleFault(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "repairs")
		p, repairs := drawPlanner(t, n)
		chances := rapid.SliceOfN(rapid.Float64Range(0.001, 1), n, n).Draw(t, "chances")
		b, err := p.Single(chances)
		require.NoError(t, err)
		best := p.Best(b)
		least, _ := allOrders(t, p, b, chances)
		require.InEpsilon(t, least, best.Cost, 1e-9)
		require.LessOrEqual(t, best.Cost, p.ByRatio(b).Cost*(1+1e-12))

		for i := range repairs {
			repairs[i].Panel = ""
		}
		free, err := isolate.NewPlanner(repairs, nil)
		require.NoError(t, err)
		least, _ = allOrders(t, free, b, chances)
		require.InEpsilon(t, least, free.ByRatio(b).Cost, 1e-9)
		require.True(t, free.ByRatio(b).Best)
	})
}

// TestManyRepairs: above MaxOrdered the order by ratio is still best without
// shared panels, and says that it may not be with them.
func TestManyRepairs(t *testing.T) {
	var repairs []isolate.Repair
	var chances []float64
	for i := range 40 {
		repairs = append(repairs, isolate.Repair{ID: strconv.Itoa(i), Cost: 1 + float64(i*7%11)})
		chances = append(chances, 1+float64(i*5%13))
	}
	p, err := isolate.NewPlanner(repairs, nil)
	require.NoError(t, err)
	b, err := p.Single(chances)
	require.NoError(t, err)
	require.True(t, p.Best(b).Best)
	require.Len(t, p.Best(b).Order, 40)
	for k := range 39 {
		i, j := p.Best(b).Order[k], p.Best(b).Order[k+1]
		require.GreaterOrEqual(t, chances[i]/repairs[i].Cost, chances[j]/repairs[j].Cost)
	}
	var panels []isolate.Panel
	for i := range repairs {
		repairs[i].Panel = strconv.Itoa(i / 2)
		if i%2 == 0 {
			panels = append(panels, isolate.Panel{ID: repairs[i].Panel, Cost: 5})
		}
	}
	p, err = isolate.NewPlanner(repairs, panels) // 3^20 states
	require.NoError(t, err)
	require.False(t, p.Best(b).Best)
	for i := range repairs {
		repairs[i].Panel = strconv.Itoa(i / 20)
	}
	p, err = isolate.NewPlanner(repairs, panels) // 21 by 21
	require.NoError(t, err)
	require.True(t, p.Best(b).Best)
	require.Less(t, p.Best(b).Cost, p.ByRatio(b).Cost)
}

// TestNothingLeftIsNotOrdered: a repair that cannot be needed is left out.
func TestNothingLeftIsNotOrdered(t *testing.T) {
	p, err := isolate.NewPlanner([]isolate.Repair{{ID: "a", Cost: 5}, {ID: "b", Cost: 7}, {ID: "c", Cost: 1}}, nil)
	require.NoError(t, err)
	b, err := p.Single([]float64{0, 3, 1})
	require.NoError(t, err)
	plan := p.Best(b)
	require.Equal(t, []int{2, 1}, plan.Order) // 0.25/1 is more than 0.75/7
}

func TestPlannersAreChecked(t *testing.T) {
	ok := isolate.Repair{ID: "a", Cost: 1}
	for name, c := range map[string]struct {
		repairs []isolate.Repair
		panels  []isolate.Panel
	}{
		"cost 0":           {[]isolate.Repair{{ID: "a"}}, nil},
		"cost NaN":         {[]isolate.Repair{{ID: "a", Cost: math.NaN()}}, nil},
		"cost infinite":    {[]isolate.Repair{{ID: "a", Cost: math.Inf(1)}}, nil},
		"panel not listed": {[]isolate.Repair{{ID: "a", Cost: 1, Panel: "x"}}, nil},
		"panel twice":      {[]isolate.Repair{ok}, []isolate.Panel{{ID: "x"}, {ID: "x"}}},
		"panel no name":    {[]isolate.Repair{ok}, []isolate.Panel{{Cost: 1}}},
		"panel negative":   {[]isolate.Repair{ok}, []isolate.Panel{{ID: "x", Cost: -1}}},
		"fault twice":      {[]isolate.Repair{{ID: "a", Cost: 1, Faults: []int{0}}, {ID: "b", Cost: 1, Faults: []int{0}}}, nil},
		"too many":         {make([]isolate.Repair, isolate.MaxRepairs+1), nil},
	} {
		_, err := isolate.NewPlanner(c.repairs, c.panels)
		require.Error(t, err, name)
	}
	p, err := isolate.NewPlanner([]isolate.Repair{ok, {ID: "b", Cost: 1}}, nil)
	require.NoError(t, err)
	for name, chances := range map[string][]float64{"too few": {1}, "negative": {1, -1}, "NaN": {1, math.NaN()}, "infinite": {1, math.Inf(1)}, "none": {0, 0}} {
		_, err := p.Single(chances)
		require.Error(t, err, name)
	}
	never := func([]int) (float64, error) { return 0.5, nil }
	for name, order := range map[string][]int{"unknown": {2}, "negative": {-1}, "twice": {0, 0}} {
		_, err := p.ExpectedCost(order, never)
		require.Error(t, err, name)
	}
	_, err = p.ExpectedCost([]int{0}, func([]int) (float64, error) { return math.NaN(), nil })
	require.Error(t, err)
	_, err = p.ExpectedCost([]int{0}, func([]int) (float64, error) { return 0, isolate.ErrWide })
	require.ErrorIs(t, err, isolate.ErrWide)
}

// TestLikeliest: the greatest first, equal ones in order, never more than asked.
func TestLikeliest(t *testing.T) {
	require.Equal(t, []int{2, 0, 1}, isolate.Likeliest([]float64{0.2, 0.2, 0.5}, 9))
	require.Equal(t, []int{2, 0}, isolate.Likeliest([]float64{0.2, 0.2, 0.5}, 2))
	require.Empty(t, isolate.Likeliest([]float64{0.2}, -1))
}

// TestConclusions: the limits of the conclusion at and around them.
func TestConclusions(t *testing.T) {
	for _, c := range []struct {
		p, replace, miss float64
		want             isolate.Standing
	}{
		{0.9, 50, 200, isolate.BadPart}, // 0.9 is above 50/250
		{0.8999, 50, 200, isolate.SuspectPart},
		{0.94, 190, 10, isolate.SuspectPart}, // an expensive part: 0.95
		{0.95, 190, 10, isolate.BadPart},
		{0.02, 50, 200, isolate.GoodPart},
		{0.0201, 50, 200, isolate.SuspectPart},
		{1, 1, 0, isolate.BadPart},
	} {
		got, err := isolate.Conclude(c.p, c.replace, c.miss)
		require.NoError(t, err)
		require.Equal(t, c.want, got, "%+v", c)
	}
	for _, bad := range [][3]float64{{-0.1, 1, 1}, {1.1, 1, 1}, {math.NaN(), 1, 1}, {0.5, 0, 0}, {0.5, -1, 2}, {0.5, math.Inf(1), 1}, {0.5, 1, math.NaN()}} {
		_, err := isolate.Conclude(bad[0], bad[1], bad[2])
		require.Error(t, err, "%v", bad)
	}
	require.Equal(t, []string{"suspect", "good", "bad", "unknown"},
		[]string{isolate.SuspectPart.String(), isolate.GoodPart.String(), isolate.BadPart.String(), isolate.Standing(9).String()})
}

// TestWald: every row of sprt.csv; the published columns where there are some.
func TestWald(t *testing.T) {
	rows := checkRows(t, "sprt.csv")
	require.Len(t, rows, 5)
	for _, row := range rows {
		alpha, beta := pair(t, row["input"])
		a, b, err := isolate.Wald(alpha, beta)
		require.NoError(t, err)
		require.InEpsilon(t, number(t, row["A"]), a, 1e-9)
		require.InEpsilon(t, number(t, row["B"]), b, 1e-9)
		require.InEpsilon(t, number(t, row["lnA"]), math.Log(a), 1e-9)
		require.InEpsilon(t, number(t, row["lnB"]), math.Log(b), 1e-9)
		if row["pub_A"] != "" {
			require.InDelta(t, number(t, row["pub_A"]), a, 1e-7)
		}
		if row["pub_B"] != "" {
			require.InDelta(t, number(t, row["pub_B"]), b, 1e-7)
		}
	}
	for _, x := range [][2]float64{{0, 0.1}, {0.1, 0}, {0.5, 0.5}, {math.NaN(), 0.1}, {5e-324, 0.1}} {
		_, _, err := isolate.Wald(x[0], x[1])
		require.Error(t, err, "%v", x)
	}
}

// pair reads "alpha=0.05 beta=0.2".
func pair(t testing.TB, s string) (float64, float64) {
	t.Helper()
	words := strings.Fields(s)
	return number(t, strings.TrimPrefix(words[0], "alpha=")), number(t, strings.TrimPrefix(words[1], "beta="))
}
