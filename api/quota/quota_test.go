package quota_test

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/api/quota"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func TestBucketsGrantAQuotaAndRefill(t *testing.T) {
	b := quota.NewBuckets[string](quota.Rate{Requests: 3, Window: time.Minute}, 10)
	for left := 2; left >= 0; left-- {
		g := b.Take("a", noon)
		require.True(t, g.OK)
		require.Equal(t, left, g.Left)
	}
	g := b.Take("a", noon)
	require.False(t, g.OK)
	require.Equal(t, 0, g.Left)
	require.InDelta(t, 20, g.Next.Seconds(), 1e-6)
	require.InDelta(t, 60, g.Full.Seconds(), 1e-6)
	require.True(t, b.Take("b", noon).OK, "another key has its own")
	require.False(t, b.Take("a", noon.Add(19*time.Second)).OK)
	require.True(t, b.Take("a", noon.Add(20*time.Second)).OK, "a refused request costs nothing")
}

func TestUnlimited(t *testing.T) {
	for _, r := range []quota.Rate{{}, {Requests: 5}, {Window: time.Minute}} {
		b := quota.NewBuckets[int](r, 1)
		for i := range 100 {
			require.True(t, b.Take(i, noon).OK)
		}
		require.Zero(t, b.Len())
	}
}

func TestBucketsForgetTheQuiet(t *testing.T) {
	b := quota.NewBuckets[int](quota.Rate{Requests: 2, Window: time.Minute}, 1000)
	for i := range 500 {
		b.Take(i, noon)
	}
	require.Equal(t, 500, b.Len())
	for i := range 300 {
		b.Take(1000+i, noon.Add(time.Minute))
	}
	require.Equal(t, 300, b.Len(), "each newcomer takes up to two quiet ones away")
}

// Many invented keys cannot grow the memory, and lock nobody out.
func TestBucketsAreBounded(t *testing.T) {
	b := quota.NewBuckets[int](quota.Rate{Requests: 2, Window: time.Minute}, 50)
	for i := range 10_000 {
		require.True(t, b.Take(i, noon).OK)
		require.LessOrEqual(t, b.Len(), 50)
	}
	busy := quota.NewBuckets[int](quota.Rate{Requests: 2, Window: time.Minute}, 50)
	granted := 0
	for i := range 10_000 {
		busy.Take(100+i, noon)
		if busy.Take(7, noon).OK {
			granted++
		}
	}
	require.Equal(t, 2, granted, "a key in use is not forgotten for newcomers")
}

// Whatever the order of keys and times, a key gets at most its quota plus what
// flows in, and the numbers told are true.
func TestBucketsKeepTheirRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := quota.Rate{Requests: rapid.IntRange(1, 20).Draw(t, "requests"), Window: time.Duration(rapid.IntRange(1, 120).Draw(t, "window")) * time.Second}
		b := quota.NewBuckets[int](r, 100)
		now, granted := noon, map[int]int{}
		for range 200 {
			now = now.Add(time.Duration(rapid.IntRange(0, 3000).Draw(t, "pause")) * time.Millisecond)
			key := rapid.IntRange(0, 3).Draw(t, "key")
			g := b.Take(key, now)
			require.Equal(t, g.Left == 0, g.Next > 0)
			require.LessOrEqual(t, g.Full, r.Window+time.Millisecond)
			if g.OK {
				granted[key]++
			}
			most := float64(r.Requests) * (1 + now.Sub(noon).Seconds()/r.Window.Seconds())
			require.LessOrEqual(t, float64(granted[key]), most+1e-6)
		}
	})
}

func TestPlacesBoundEachAndAll(t *testing.T) {
	p := quota.NewPlaces[string](3, 2, 0)
	a1, ok := p.Enter(t.Context(), "a")
	require.True(t, ok)
	_, ok = p.Enter(t.Context(), "a")
	require.True(t, ok)
	_, ok = p.Enter(t.Context(), "a")
	require.False(t, ok, "a has two")
	b1, ok := p.Enter(t.Context(), "b")
	require.True(t, ok, "b has a place whatever a does")
	_, ok = p.Enter(t.Context(), "c")
	require.False(t, ok, "all are taken")
	a1()
	_, ok = p.Enter(t.Context(), "c")
	require.True(t, ok)
	b1()
	require.Equal(t, 2, p.Used())
}

func TestPlacesWaitInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := quota.NewPlaces[string](0, 1, 2*time.Second)
		first, ok := p.Enter(t.Context(), "a")
		require.True(t, ok)
		came := make(chan bool, 1)
		go func() {
			leave, ok := p.Enter(t.Context(), "a")
			if ok {
				leave()
			}
			came <- ok
		}()
		synctest.Wait()
		_, ok = p.Enter(t.Context(), "a")
		require.False(t, ok, "as many wait as may work")
		time.Sleep(time.Second)
		first()
		require.True(t, <-came)
		require.Zero(t, p.Used())
	})
}

func TestPlacesGiveUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := quota.NewPlaces[string](0, 1, 2*time.Second)
		leave, _ := p.Enter(t.Context(), "a")
		start := time.Now()
		_, ok := p.Enter(t.Context(), "a")
		require.False(t, ok)
		require.Equal(t, 2*time.Second, time.Since(start))
		gone, cancel := context.WithCancel(t.Context())
		cancel()
		_, ok = p.Enter(gone, "a")
		require.False(t, ok, "a client that has gone waits for nothing")
		leave()
		require.Zero(t, p.Used())
	})
}

// Under load no more than each work at one time, and nothing is left over.
func TestPlacesUnderLoad(t *testing.T) {
	p := quota.NewPlaces[int](0, 3, 5*time.Millisecond)
	var working [4]atomic.Int32
	var wg sync.WaitGroup
	for i := range 400 {
		wg.Go(func() {
			leave, ok := p.Enter(t.Context(), i%4)
			if !ok {
				return
			}
			defer leave()
			if n := working[i%4].Add(1); n > 3 {
				t.Errorf("%d work at one time", n)
			}
			time.Sleep(time.Millisecond)
			working[i%4].Add(-1)
		})
	}
	wg.Wait()
	require.Zero(t, p.Used())
}
