package once_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/domain/once"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
)

var at = time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)

type answer struct {
	ID   domain.ID
	Text string
}

type bench struct {
	t  *testing.T
	db *pg.DB
	p  domain.Principal
}

func newBench(t *testing.T) *bench {
	t.Helper()
	db, err := pg.Open(t.Context(), pgtest.New(t).AppURL, pg.Options{})
	require.NoError(t, err)
	t.Cleanup(db.Close)
	p := domain.System(domain.NewID(at), "test")
	p.Person = domain.NewID(at)
	return &bench{t, db, p}
}

// do writes one row of the trail as its effect, so effects can be counted.
func (b *bench) do(now time.Time, k once.Key, fail error) (answer, bool, error) {
	return once.Do(b.t.Context(), b.db, b.p, now, k, nil, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (answer, error) {
		if fail != nil {
			return answer{}, fail
		}
		a := answer{domain.NewID(now), "made"}
		out.Queue(`INSERT INTO audit (shop_id, id, at, actor, action, entity, entity_id) VALUES ($1, $2, $3, 'x', 'made', 'x', $2)`, tx.P.Shop, a.ID, now)
		return a, nil
	})
}

func (b *bench) effects() int {
	b.t.Helper()
	var n int
	require.NoError(b.t, b.db.Read(b.t.Context(), b.p, func(q *pgx.Batch) {
		q.Queue(`SELECT count(*) FROM audit WHERE shop_id = $1`, b.p.Shop).QueryRow(func(r pgx.Row) error { return r.Scan(&n) })
	}))
	return n
}

func key(name, body string) once.Key {
	return once.Key{Route: "make", Key: name, Request: once.Hash([]byte(body))}
}

func TestRepeatGivesTheFirstAnswer(t *testing.T) {
	b := newBench(t)
	first, replayed, err := b.do(at, key("k", "a"), nil)
	require.NoError(t, err)
	require.False(t, replayed)
	again, replayed, err := b.do(at.Add(time.Hour), key("k", "a"), nil)
	require.NoError(t, err)
	require.True(t, replayed)
	require.Equal(t, first, again)
	_, _, err = b.do(at, key("k", "another body"), nil)
	require.Equal(t, domain.Invalid, domain.KindOf(err))
	require.Equal(t, 1, b.effects())
	other := key("k", "a")
	other.Route = "make-something-else"
	_, replayed, err = b.do(at, other, nil)
	require.NoError(t, err)
	require.False(t, replayed, "a key belongs to its operation")
}

func TestFailureLeavesTheKeyFree(t *testing.T) {
	b := newBench(t)
	boom := errors.New("boom")
	_, _, err := b.do(at, key("k", "a"), boom)
	require.ErrorIs(t, err, boom)
	_, replayed, err := b.do(at, key("k", "a"), nil)
	require.NoError(t, err)
	require.False(t, replayed)
	require.Equal(t, 1, b.effects())
}

func TestKeyIsForgottenAfterItsLife(t *testing.T) {
	b := newBench(t)
	_, _, err := b.do(at, key("k", "a"), nil)
	require.NoError(t, err)
	_, replayed, err := b.do(at.Add(once.Life), key("k", "a"), nil)
	require.NoError(t, err)
	require.True(t, replayed)
	_, replayed, err = b.do(at.Add(once.Life+time.Second), key("k", "another body"), nil)
	require.NoError(t, err)
	require.False(t, replayed)
	require.Equal(t, 2, b.effects())
}

// TestAHundredAtOnce: one works, the others get its answer or hear that it is
// under way.
func TestAHundredAtOnce(t *testing.T) {
	b := newBench(t)
	var mu sync.Mutex
	made, replays, busy := map[domain.ID]bool{}, 0, 0
	var wg sync.WaitGroup
	for range 100 {
		wg.Go(func() {
			a, replayed, err := b.do(at, key("k", "a"), nil)
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err != nil && domain.KindOf(err) == domain.Conflict:
				busy++
			case err == nil:
				made[a.ID] = true
				if replayed {
					replays++
				}
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	require.Len(t, made, 1)
	require.Equal(t, 99, replays+busy)
	require.Equal(t, 1, b.effects())
}

func TestHashKeepsItsPartsApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.SliceOf(rapid.Byte()).Draw(t, "a"), rapid.SliceOf(rapid.Byte()).Draw(t, "b")
		joined := append(append([]byte{}, a...), b...)
		require.NotEqual(t, once.Hash(a, b), once.Hash(joined))
		if len(b) > 0 {
			require.NotEqual(t, once.Hash(a, b), once.Hash(joined[:len(a)+1], joined[len(a)+1:]))
		}
		require.Equal(t, once.Hash(a, b), once.Hash(a, b))
	})
}
