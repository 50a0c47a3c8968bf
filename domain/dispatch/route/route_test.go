package route_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/domain/dispatch/route"
)

var morning = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func after(minutes int) time.Time { return morning.Add(time.Duration(minutes) * time.Minute) }

// geo is the GEO distance of TSPLIB 95 (section 2.5): DDD.MM degrees and
// minutes, pi 3.141592, radius 6378.388, the integer part of the sum with 1.
func geo(a, b [2]float64) int {
	rad := func(x float64) float64 {
		deg := math.Trunc(x)
		return 3.141592 * (deg + 5*(x-deg)/3) / 180
	}
	q1 := math.Cos(rad(a[1]) - rad(b[1]))
	q2 := math.Cos(rad(a[0]) - rad(b[0]))
	q3 := math.Cos(rad(a[0]) + rad(b[0]))
	return int(6378.388*math.Acos(0.5*((1+q1)*q2-(1-q1)*q3)) + 1)
}

// TestBurma14 is the published optimal tour of TSPLIB's burma14, 3323, found by
// the programme that plans days: a second is a unit of length.
func TestBurma14(t *testing.T) {
	f, err := os.Open("../../../testdata/dispatch/burma14.csv")
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	var at [][2]float64
	for _, row := range rows[1:] {
		x, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		y, err := strconv.ParseFloat(row[2], 64)
		require.NoError(t, err)
		at = append(at, [2]float64{x, y})
	}
	require.Len(t, at, 14)
	d := route.Day{Opens: morning, Closes: after(24 * 60), End: &route.Place{}}
	for i := range at[1:] {
		d.Stops = append(d.Stops, route.Stop{ID: fmt.Sprint(100 + i)})
	}
	at = append(at, at[0])
	m := make(route.Matrix, len(at))
	for i := range at {
		m[i] = make([]time.Duration, len(at))
		for k := range at {
			if i != k {
				m[i][k] = time.Duration(geo(at[i], at[k])) * time.Second
			}
		}
	}
	p, err := d.Exactly(m)
	require.NoError(t, err)
	require.Equal(t, 3323*time.Second, p.Driving)
	rough, err := d.PlanOn(m)
	require.NoError(t, err)
	require.False(t, rough.Exact)
	require.GreaterOrEqual(t, rough.Driving, p.Driving)
	require.LessOrEqual(t, rough.Driving, p.Driving*105/100)
}

// someDay is a day of n stops in whole minutes on a grid of one minute a step,
// its windows short enough to fail now and then.
func someDay(r *rand.Rand, n, width int) (route.Day, route.Matrix) {
	d := route.Day{Opens: morning, Closes: after(180 + 40*n)}
	if r.IntN(3) > 0 {
		d.End = &route.Place{}
	}
	for range r.IntN(3) {
		from := 60 + r.IntN(300)
		d.Breaks = append(d.Breaks, route.Break{From: after(from), To: after(from + 10 + r.IntN(40))})
	}
	at := [][2]int{{30, 30}}
	for i := range n {
		s := route.Stop{ID: fmt.Sprintf("s%02d", i), Service: time.Duration(r.IntN(40)) * time.Minute}
		from := r.IntN(120 + 40*n)
		switch r.IntN(6) {
		case 0:
		case 1:
			s.Fixed, s.Earliest = true, after(from)
		case 2:
			s.Latest = after(from + width)
		default:
			s.Earliest, s.Latest = after(from), after(from+width)
		}
		d.Stops = append(d.Stops, s)
		at = append(at, [2]int{r.IntN(60), r.IntN(60)})
	}
	at = append(at, at[0])
	m := make(route.Matrix, len(at))
	for i, a := range at {
		for _, b := range at {
			m[i] = append(m[i], time.Duration(max(a[0]-b[0], b[0]-a[0])+max(a[1]-b[1], b[1]-a[1]))*time.Minute/2)
		}
	}
	return d, m
}

// walk is one order, walked half a minute at a time: nothing of the planner is
// used. It gives the stops whose window is missed when those of free have none.
func walk(d route.Day, m route.Matrix, order []int, free int) (missed int, driving, finish time.Duration) {
	const step = 30 * time.Second
	now, at := time.Duration(0), 0
	resting := func() bool {
		return slices.ContainsFunc(d.Breaks, func(b route.Break) bool {
			t := d.Opens.Add(now)
			return !t.Before(b.From) && t.Before(b.To)
		})
	}
	drive := func(to int) {
		for left := m[at][to]; left > 0; now += step {
			if !resting() {
				left -= step
			}
		}
		driving, at = driving+m[at][to], to
	}
	for _, k := range order {
		drive(k + 1)
		s := d.Stops[k]
		now = begin(d, s, now, free>>k&1 == 1)
		if free>>k&1 == 0 && (s.Fixed && d.Opens.Add(now).After(s.Earliest) || !s.Fixed && !s.Latest.IsZero() && d.Opens.Add(now).After(s.Latest)) {
			missed |= 1 << k
		}
		now += s.Service
	}
	if d.End != nil {
		drive(len(d.Stops) + 1)
	}
	if free>>len(d.Stops)&1 == 0 && d.Opens.Add(now).After(d.Closes) {
		missed |= 1 << len(d.Stops)
	}
	return missed, driving, now
}

func begin(d route.Day, s route.Stop, now time.Duration, free bool) time.Duration {
	for ; ; now += 30 * time.Second {
		from := d.Opens.Add(now)
		cut := slices.ContainsFunc(d.Breaks, func(b route.Break) bool { return from.Before(b.To) && b.From.Before(from.Add(s.Service)) })
		early := !free && from.Before(s.Earliest)
		if !cut && !early {
			return now
		}
	}
}

func permutations(n int, visit func([]int)) {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	var swap func(int)
	swap = func(k int) {
		if k == n {
			visit(order)
			return
		}
		for i := k; i < n; i++ {
			order[k], order[i] = order[i], order[k]
			swap(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	swap(0)
}

// TestEqualsEveryOrder holds 60 random days of up to 8 stops against all
// orders: the same answer whether it can be done, the least driving and the
// earliest finish of those.
func TestEqualsEveryOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	feasible := 0
	for i := range 60 {
		n := 1 + i%7
		if i >= 57 {
			n = 8
		}
		d, m := someDay(r, n, 120+60*(i%3))
		p, err := d.PlanOn(m)
		require.NoError(t, err)
		require.True(t, p.Exact)
		found, driving, finish := false, time.Duration(0), time.Duration(0)
		permutations(n, func(order []int) {
			missed, dr, f := walk(d, m, order, 0)
			if missed == 0 && (!found || dr < driving || dr == driving && f < finish) {
				found, driving, finish = true, dr, f
			}
		})
		require.Equal(t, found, p.Feasible, "day %d", i)
		if found {
			feasible++
			require.Equal(t, driving, p.Driving, "day %d", i)
			require.Equal(t, d.Opens.Add(finish), p.Finish, "day %d", i)
			require.Empty(t, p.Sentence)
		}
	}
	require.Greater(t, feasible, 20)
	require.Less(t, feasible, 55)
}

// TestSmallestUnmetSet holds infeasible days against every set of windows and
// every order: no smaller set does, the set named does, no equally small one
// has fewer dear windows (fixed stops, the end of work) or, with as many,
// less driving.
func TestSmallestUnmetSet(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	seen := map[int]int{}
	for i := range 60 {
		n := 2 + i%4
		d, m := someDay(r, n, 10+r.IntN(40))
		if i%5 == 0 {
			d.Closes = after(60 + r.IntN(60))
		}
		p, err := d.PlanOn(m)
		require.NoError(t, err)
		named := 0
		for _, k := range p.Unmet {
			named |= 1 << k
		}
		if p.EndUnmet {
			named |= 1 << n
		}
		best, enough := [3]int{99}, false
		permutations(n, func(order []int) {
			for set := range 1 << (n + 1) {
				missed, dr, _ := walk(d, m, order, set)
				if missed != 0 {
					continue
				}
				enough = enough || set == named
				if c := [3]int{bits.OnesCount(uint(set)), dear(d, set), int(dr)}; slices.Compare(c[:], best[:]) < 0 {
					best = c
				}
			}
		})
		require.True(t, enough, "day %d: giving up %b must do", i, named)
		require.Equal(t, best, [3]int{bits.OnesCount(uint(named)), dear(d, named), int(p.Driving)}, "day %d", i)
		require.Equal(t, named == 0, p.Feasible)
		require.Equal(t, named == 0, p.Sentence == "")
		seen[best[0]]++
	}
	require.Greater(t, seen[1], 5)
	require.Greater(t, seen[2]+seen[3], 5)
}

func dear(d route.Day, set int) int {
	n := set >> len(d.Stops) & 1
	for k, s := range d.Stops {
		if s.Fixed {
			n += set >> k & 1
		}
	}
	return n
}

// checkTimes walks a plan's visits: in order, all stops once, windows met unless
// named, slack that is really there and not a second more.
func checkTimes(t require.TestingT, d route.Day, m route.Matrix, p route.Plan) {
	order, free := []int{}, 0
	for _, v := range p.Visits {
		order = append(order, v.Stop)
		if v.Unmet {
			free |= 1 << v.Stop
		}
		require.False(t, v.Starts.Before(v.Arrives))
		require.Equal(t, v.Starts.Sub(v.Arrives), v.Wait)
		require.Equal(t, v.Starts.Add(d.Stops[v.Stop].Service), v.Ends)
		require.GreaterOrEqual(t, v.Slack, time.Duration(0))
	}
	if p.EndUnmet {
		free |= 1 << len(d.Stops)
	}
	missed, driving, finish := walk(d, m, order, free)
	require.Zero(t, missed)
	require.Equal(t, driving, p.Driving)
	require.Equal(t, d.Opens.Add(finish), p.Finish)
	slices.Sort(order)
	for i, k := range order {
		require.Equal(t, i, k)
	}
}

func TestPlansHold(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for i := range 120 {
		d, m := someDay(r, i%26, 90)
		p, err := d.PlanOn(m)
		require.NoError(t, err)
		require.Equal(t, len(d.Stops) <= route.ExactStops, p.Exact)
		checkTimes(t, d, m, p)
		checkSlack(t, d, m, p)
	}
}

// checkSlack delays each stop by its slack, then by half a minute more.
func checkSlack(t *testing.T, d route.Day, m route.Matrix, p route.Plan) {
	for i, v := range p.Visits {
		order, free := []int{}, 0
		for _, w := range p.Visits {
			order = append(order, w.Stop)
			if w.Unmet {
				free |= 1 << w.Stop
			}
		}
		if p.EndUnmet {
			free |= 1 << len(d.Stops)
		}
		if v.Slack > 100*time.Hour {
			continue // nothing after it bounds it
		}
		late := d
		late.Stops = slices.Clone(d.Stops)
		delay := func(by time.Duration) int {
			s := &late.Stops[v.Stop]
			*s = d.Stops[v.Stop]
			start := v.Starts.Add(by)
			if last := s.Latest; !v.Unmet && (s.Fixed && by > 0 || !last.IsZero() && start.After(last)) {
				return 1
			}
			if s.Fixed {
				s.Latest = s.Earliest
			}
			s.Fixed, s.Earliest = false, start
			if v.Unmet {
				s.Latest = time.Time{}
			}
			missed, _, _ := walk(late, m, order, free&^(1<<v.Stop))
			return missed
		}
		require.Zero(t, delay(v.Slack), "stop %d", i)
		if v.Slack%(30*time.Second) == 0 {
			require.NotZero(t, delay(v.Slack+30*time.Second), "stop %d", i)
		}
	}
}

// TestHeuristicIsNear: over days that can be solved exactly, the order without
// proof drives little more, and finds a way on nearly all.
func TestHeuristicIsNear(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	var exact, rough time.Duration
	both, lost := 0, 0
	for range 60 {
		d, m := someDay(r, 10, 240)
		e, err := d.Exactly(m)
		require.NoError(t, err)
		h, err := d.Roughly(m)
		require.NoError(t, err)
		checkTimes(t, d, m, h)
		switch {
		case e.Feasible && h.Feasible:
			both++
			require.GreaterOrEqual(t, h.Driving, e.Driving)
			exact, rough = exact+e.Driving, rough+h.Driving
		case e.Feasible:
			lost++
		default:
			require.False(t, h.Feasible)
		}
	}
	t.Logf("%d days both ways, %d lost, %.2f %% more driving", both, lost, 100*(float64(rough)/float64(exact)-1))
	require.Greater(t, both, 20)
	require.LessOrEqual(t, lost, both/20)
	require.Less(t, float64(rough), 1.05*float64(exact))
}

func TestOrderOfInputDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		d, _ := someDay(r, rapid.IntRange(0, 16).Draw(t, "n"), 100)
		scatter(r, &d)
		other := d
		other.Stops = slices.Clone(d.Stops)
		r.Shuffle(len(d.Stops), func(i, k int) { other.Stops[i], other.Stops[k] = other.Stops[k], other.Stops[i] })
		a, err := d.Plan(route.Roads{})
		require.NoError(t, err)
		b, err := other.Plan(route.Roads{})
		require.NoError(t, err)
		require.Equal(t, a.Sentence, b.Sentence)
		for i := range a.Visits {
			a.Visits[i].Stop, b.Visits[i].Stop = 0, 0
		}
		require.Equal(t, a.Visits, b.Visits)
	})
}

// scatter puts the day's places within some 20 km.
func scatter(r *rand.Rand, d *route.Day) {
	place := func() route.Place { return route.At(40+0.2*r.Float64(), -75+0.2*r.Float64()) }
	d.Start = place()
	if d.End != nil {
		end := place()
		d.End = &end
	}
	for i := range d.Stops {
		d.Stops[i].Place = place()
	}
}

func TestOneMoreStopNeverDrivesLess(t *testing.T) {
	more := 0
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		d, _ := someDay(r, rapid.IntRange(1, 9).Draw(t, "n"), 300)
		scatter(r, &d)
		with, err := d.Plan(route.Roads{})
		require.NoError(t, err)
		if !with.Feasible {
			return
		}
		more++
		d.Stops = d.Stops[1:]
		without, err := d.Plan(route.Roads{})
		require.NoError(t, err)
		require.True(t, without.Feasible, "with a stop less it can still be done")
		require.LessOrEqual(t, without.Driving, with.Driving)
	})
	require.Positive(t, more)
}

func TestTravel(t *testing.T) {
	a, b := route.At(0, 0), route.At(0, 1)
	require.InDelta(t, 111.195, route.Km(a, b), 0.001, "a degree of a great circle: 2 pi 6371.0088 / 360")
	require.InDelta(t, math.Pi*route.EarthKm, route.Km(route.At(90, 0), route.At(-90, 77)), 1e-6, "pole to pole")
	way, known := route.Roads{}.Travel(a, b)
	require.True(t, known)
	require.Equal(t, 13010*time.Second, way, "111.195 km x 1.3 / 40 km/h, up to whole seconds")
	way, known = route.Roads{Unknown: 7 * time.Minute}.Travel(a, route.Place{})
	require.False(t, known)
	require.Equal(t, 7*time.Minute, way)
	way, known = route.Roads{}.Travel(a, a)
	require.True(t, known)
	require.Zero(t, way)
}

func TestUnknownPlacesAreMarked(t *testing.T) {
	d := route.Day{Start: route.At(40, -75), Opens: morning, Closes: after(480), Stops: []route.Stop{
		{ID: "a", Place: route.At(40.1, -75), Latest: after(30)}, {ID: "b", Earliest: after(60)}, {ID: "c", Place: route.At(40, -75), Earliest: after(120)}}}
	p, err := d.Plan(route.Roads{})
	require.NoError(t, err)
	require.Equal(t, []bool{true, false, false}, []bool{p.Visits[0].TravelKnown, p.Visits[1].TravelKnown, p.Visits[2].TravelKnown})
	require.Equal(t, route.UsualTravel, p.Visits[1].Travel)
}

func TestSentence(t *testing.T) {
	zone := time.FixedZone("", -5*3600)
	d := route.Day{Opens: morning.In(zone), Closes: after(100), Stops: []route.Stop{
		{ID: "1", Name: "Oak Street", Service: time.Hour, Earliest: after(30), Latest: after(40)},
		{ID: "2", Service: time.Hour, Earliest: after(30), Fixed: true}}}
	p, err := d.Plan(route.Roads{})
	require.NoError(t, err)
	require.Equal(t, []int{0}, p.Unmet[:1])
	require.Equal(t, "No order of the stops meets every window; at least 2 must move: Oak Street (03:30 to 03:40) and the end of work (04:40).", p.Sentence)
	d.Closes = after(300)
	p, err = d.Plan(route.Roads{})
	require.NoError(t, err)
	require.Equal(t, "No order of the stops meets every window; at least one must move: Oak Street (03:30 to 03:40).", p.Sentence)
}

func TestRefusedDays(t *testing.T) {
	good := func() route.Day {
		return route.Day{Opens: morning, Closes: after(480), Stops: []route.Stop{{ID: "a"}, {ID: "b"}}}
	}
	for _, c := range []struct {
		pointer string
		change  func(*route.Day)
	}{
		{"/closes", func(d *route.Day) { d.Closes = d.Opens }},
		{"/stops", func(d *route.Day) { d.Stops = make([]route.Stop, 41) }},
		{"/start", func(d *route.Day) { d.Start = route.At(math.NaN(), 0) }},
		{"/end", func(d *route.Day) { d.End = &route.Place{Lat: 91, Known: true} }},
		{"/breaks/0", func(d *route.Day) { d.Breaks = []route.Break{{From: morning, To: morning}} }},
		{"/stops/1/id", func(d *route.Day) { d.Stops[1].ID = "a" }},
		{"/stops/0/place", func(d *route.Day) { d.Stops[0].Place = route.At(0, math.Inf(1)) }},
		{"/stops/0/service", func(d *route.Day) { d.Stops[0].Service = -1 }},
		{"/stops/0/earliest", func(d *route.Day) { d.Stops[0].Fixed = true }},
		{"/stops/0/latest", func(d *route.Day) { d.Stops[0].Earliest, d.Stops[0].Latest = after(2), after(1) }},
	} {
		d := good()
		c.change(&d)
		_, err := d.Plan(route.Roads{})
		var de *domain.Error
		require.ErrorAs(t, err, &de)
		require.Equal(t, c.pointer, de.Fields[0].Pointer)
		_, err = d.Sequence(route.Roads{})
		require.Equal(t, domain.Invalid, domain.KindOf(err))
	}
	for _, r := range []route.Roads{{Detour: 0.5}, {KmPerHour: math.NaN()}, {Unknown: -1}} {
		_, err := good().Plan(r)
		require.Equal(t, domain.Invalid, domain.KindOf(err))
	}
	_, err := good().PlanOn(route.Matrix{})
	require.Equal(t, domain.Invalid, domain.KindOf(err))
}
