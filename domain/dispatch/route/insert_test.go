package route_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain/dispatch/route"
)

// TestInsertEqualsTrying holds an insertion against putting the stop at every
// place and walking the day.
func TestInsertEqualsTrying(t *testing.T) {
	fits := 0
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		d, _ := someDay(r, rapid.IntRange(1, 9).Draw(t, "n"), 200)
		scatter(r, &d)
		roads := route.Roads{Detour: 1.2, KmPerHour: 35}
		p, err := d.Plan(roads)
		require.NoError(t, err)
		if !p.Feasible {
			return
		}
		var stops []route.Stop
		for _, v := range p.Visits {
			stops = append(stops, d.Stops[v.Stop])
		}
		s := stops[len(stops)/2]
		d.Stops = append(stops[:len(stops)/2:len(stops)/2], stops[len(stops)/2+1:]...)
		q, err := d.Sequence(roads)
		require.NoError(t, err)
		got, ok := q.Insert(s)
		want, least, can := try(t, d, s, roads)
		require.Equal(t, can, ok)
		if can {
			fits++
			require.Equal(t, want, got.Before)
			require.Equal(t, least, got.Added)
			checkInsertion(t, d, s, roads, got)
		}
	})
	require.Positive(t, fits)
}

func try(t require.TestingT, d route.Day, s route.Stop, roads route.Roads) (place int, least time.Duration, can bool) {
	_, before, ok := inOrder(t, d, roads)
	if !ok {
		return 0, 0, false
	}
	for i := 0; i <= len(d.Stops); i++ {
		e := d
		e.Stops = slices.Insert(slices.Clone(d.Stops), i, s)
		if _, dr, ok := inOrder(t, e, roads); ok && (!can || dr-before < least) {
			place, least, can = i, dr-before, true
		}
	}
	return place, least, can
}

// inOrder walks a day by the second in the order of its stops.
func inOrder(t require.TestingT, d route.Day, roads route.Roads) (starts []time.Time, driving time.Duration, ok bool) {
	now, at, ok := d.Opens, d.Start, true
	drive := func(to route.Place) {
		way, known := roads.Travel(at, to)
		require.True(t, known)
		driving, at = driving+way, to
		for ; way > 0; now = now.Add(time.Second) {
			if !slices.ContainsFunc(d.Breaks, func(b route.Break) bool { return !now.Before(b.From) && now.Before(b.To) }) {
				way -= time.Second
			}
		}
	}
	for _, s := range d.Stops {
		drive(s.Place)
		for now.Before(s.Earliest) || slices.ContainsFunc(d.Breaks, func(b route.Break) bool { return now.Before(b.To) && b.From.Before(now.Add(s.Service)) }) {
			now = now.Add(time.Second)
		}
		ok = ok && !(s.Fixed && now.After(s.Earliest)) && (s.Fixed || s.Latest.IsZero() || !now.After(s.Latest))
		starts = append(starts, now)
		now = now.Add(s.Service)
	}
	if d.End != nil {
		drive(*d.End)
	}
	return starts, driving, ok && !now.After(d.Closes)
}

func checkInsertion(t require.TestingT, d route.Day, s route.Stop, roads route.Roads, in route.Insertion) {
	d.Stops = slices.Insert(slices.Clone(d.Stops), in.Before, s)
	starts, _, _ := inOrder(t, d, roads)
	require.Equal(t, starts[in.Before], in.Starts)
	require.Equal(t, in.Starts.Add(s.Service), in.Ends)
	require.True(t, in.TravelKnown)
	d.Stops[in.Before].Fixed, d.Stops[in.Before].Latest = false, s.Latest
	d.Stops[in.Before].Earliest = in.Starts.Add(in.Slack)
	if s.Fixed {
		require.Zero(t, in.Slack)
		d.Stops[in.Before].Latest = s.Earliest
	}
	_, _, ok := inOrder(t, d, roads)
	require.True(t, ok, "the slack is there")
	d.Stops[in.Before].Earliest = in.Starts.Add(in.Slack + time.Second)
	_, _, ok = inOrder(t, d, roads)
	require.False(t, ok, "and no more")
}
