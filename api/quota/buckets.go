package quota

import (
	"container/list"
	"math"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Rate is a quota: Requests in a Window, saved up to Requests. One with fewer
// than one request or no window grants everything.
type Rate struct {
	Requests int
	Window   time.Duration
}

// Unlimited says whether r grants everything.
func (r Rate) Unlimited() bool { return r.Requests < 1 || r.Window <= 0 }

// Grant is the answer to one request.
type Grant struct {
	OK   bool          // a token was taken
	Left int           // requests that may follow at once
	Full time.Duration // until the whole quota is there again
	Next time.Duration // until one request is granted; 0 when Left > 0
}

// Buckets are token buckets by key, at most a fixed number of them. Safe for
// concurrent use.
type Buckets[K comparable] struct {
	rate Rate
	most int

	mu    sync.Mutex
	items map[K]*list.Element
	order *list.List // of *bucket[K], the one used last in front
}

type bucket[K comparable] struct {
	key   K
	limit *rate.Limiter
	used  time.Time
}

// NewBuckets makes buckets of a rate for at most most keys. A key that asks
// nothing for a window has its whole quota again and is forgotten. When more
// keys than most ask within a window the one that has been quiet longest is
// forgotten early: memory stays bounded, and a forgotten key starts full, so
// that many invented keys lock nobody out.
func NewBuckets[K comparable](r Rate, most int) *Buckets[K] {
	return &Buckets[K]{rate: r, most: max(most, 1), items: map[K]*list.Element{}, order: list.New()}
}

// Rate gives the quota of each key.
func (b *Buckets[K]) Rate() Rate { return b.rate }

// Len gives how many keys are remembered.
func (b *Buckets[K]) Len() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.order.Len()
}

// Take asks for one request of key at now. A refused request costs nothing.
func (b *Buckets[K]) Take(key K, now time.Time) Grant {
	if b.rate.Unlimited() {
		return Grant{OK: true, Left: math.MaxInt}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.find(key, now)
	ok := l.AllowN(now, 1)
	return b.grant(ok, l.TokensAt(now))
}

// find gives the bucket of key, now the one used last.
func (b *Buckets[K]) find(key K, now time.Time) *rate.Limiter {
	if e, ok := b.items[key]; ok {
		b.order.MoveToFront(e)
		item := e.Value.(*bucket[K])
		item.used = now
		return item.limit
	}
	b.forget(now)
	every := rate.Limit(float64(b.rate.Requests) / b.rate.Window.Seconds())
	item := &bucket[K]{key: key, limit: rate.NewLimiter(every, b.rate.Requests), used: now}
	b.items[key] = b.order.PushFront(item)
	return item.limit
}

// forget drops keys that are full again, and the quietest when there is no room
// for one more. Two a call at least keep it ahead of what comes.
func (b *Buckets[K]) forget(now time.Time) {
	for range 2 {
		e := b.order.Back()
		if e == nil {
			return
		}
		item := e.Value.(*bucket[K])
		if b.order.Len() < b.most && now.Sub(item.used) < b.rate.Window {
			return
		}
		delete(b.items, item.key)
		b.order.Remove(e)
	}
}

func (b *Buckets[K]) grant(ok bool, tokens float64) Grant {
	perToken := b.rate.Window.Seconds() / float64(b.rate.Requests)
	g := Grant{OK: ok, Left: max(int(tokens), 0), Full: seconds((float64(b.rate.Requests) - tokens) * perToken)}
	if g.Left == 0 {
		g.Next = seconds((1 - tokens) * perToken)
	}
	return g
}

func seconds(s float64) time.Duration { return time.Duration(max(s, 0) * float64(time.Second)) }
