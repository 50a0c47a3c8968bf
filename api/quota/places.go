package quota

import (
	"context"
	"sync"
	"time"
)

// Places bound how many requests are under way at one time, in all and for
// each key. Safe for concurrent use.
type Places[K comparable] struct {
	all  int
	each int
	wait time.Duration

	mu   sync.Mutex
	used int // including those who wait
	keys map[K]*queue
}

// queue is the line of one key. It exists while somebody is in it.
type queue struct {
	held int             // including those who wait
	free []chan struct{} // of those who wait, the first in front; closed when a place is theirs
}

// NewPlaces makes places: all in total, each for one key; 0 bounds nothing.
// With a wait, as many as have a place may wait so long for one of their key.
func NewPlaces[K comparable](all, each int, wait time.Duration) *Places[K] {
	return &Places[K]{all: all, each: each, wait: wait, keys: map[K]*queue{}}
}

// Enter takes a place for key. When ok the caller must call leave once. It is
// not ok when all places are taken, those of the key have not come free within
// the wait, or ctx ended.
func (p *Places[K]) Enter(ctx context.Context, key K) (leave func(), ok bool) {
	turn, ok := p.join(key)
	if !ok {
		return nil, false
	}
	leave = func() { p.leave(key) }
	if turn == nil {
		return leave, true
	}
	timer := time.NewTimer(p.wait)
	defer timer.Stop()
	select {
	case <-turn:
		return leave, true
	case <-timer.C:
	case <-ctx.Done():
	}
	if p.giveUp(key, turn) {
		return nil, false
	}
	return leave, true // the place came at the same moment
}

// join puts a request into the line of key. turn is nil when it has a place.
func (p *Places[K]) join(key K) (turn chan struct{}, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	q := p.keys[key]
	held := 0
	if q != nil {
		held = q.held
	}
	most := p.each
	if p.wait > 0 {
		most *= 2
	}
	if p.all > 0 && p.used >= p.all || p.each > 0 && held >= most {
		return nil, false
	}
	if q == nil {
		q = &queue{}
		p.keys[key] = q
	}
	p.used++
	q.held++
	if p.each > 0 && q.held > p.each {
		turn = make(chan struct{})
		q.free = append(q.free, turn)
	}
	return turn, true
}

// leave gives the place to the first who waits.
func (p *Places[K]) leave(key K) {
	p.mu.Lock()
	defer p.mu.Unlock()
	q := p.keys[key]
	if len(q.free) > 0 {
		close(q.free[0])
		q.free = q.free[1:]
	}
	p.drop(key, q)
}

// giveUp takes a waiting request out of the line; false when it is no longer
// waiting.
func (p *Places[K]) giveUp(key K, turn chan struct{}) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	q := p.keys[key]
	for i, other := range q.free {
		if other == turn {
			q.free = append(q.free[:i], q.free[i+1:]...)
			p.drop(key, q)
			return true
		}
	}
	return false
}

func (p *Places[K]) drop(key K, q *queue) {
	p.used--
	if q.held--; q.held == 0 {
		delete(p.keys, key)
	}
}

// Used gives how many requests have a place or wait for one.
func (p *Places[K]) Used() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.used
}
