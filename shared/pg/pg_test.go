package pg_test

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
	"drumline/shared/pg/roles"
)

var at = time.Date(2026, 4, 2, 9, 0, 0, 0, time.UTC)

func open(t *testing.T, o pg.Options) (*pg.DB, *pgtest.DB) {
	t.Helper()
	tdb := pgtest.New(t)
	db, err := pg.Open(t.Context(), tdb.AppURL, o)
	require.NoError(t, err)
	t.Cleanup(db.Close)
	return db, tdb
}

// newShop stores a shop and gives a principal of the service in it.
func newShop(t *testing.T, db *pg.DB, code string) domain.Principal {
	t.Helper()
	p := domain.System(domain.NewID(at), "test")
	require.NoError(t, db.Write(t.Context(), p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		b.Queue(`INSERT INTO shop_directory (code, id) VALUES ($1, $2)`, code, p.Shop)
		b.Queue(`INSERT INTO shop (shop_id, name, time_zone, created_at) VALUES ($1, $2, 'UTC', $3)`, p.Shop, code, at)
		return tx.Send(ctx, b)
	}))
	return p
}

func names(t *testing.T, db *pg.DB, p domain.Principal) []string {
	t.Helper()
	var got []struct {
		Name string `db:"name"`
	}
	require.NoError(t, db.Read(t.Context(), p, func(b *pgx.Batch) { pg.All(b, &got, `SELECT name FROM shop`) }))
	var out []string
	for _, g := range got {
		out = append(out, g.Name)
	}
	return out
}

func TestReadAndWriteSeeOneShop(t *testing.T) {
	db, _ := open(t, pg.Options{})
	a, b := newShop(t, db, "aa"), newShop(t, db, "bb")
	require.Equal(t, []string{"aa"}, names(t, db, a))
	require.Equal(t, []string{"bb"}, names(t, db, b))
	err := db.Write(t.Context(), a, nil, func(ctx context.Context, tx *pg.Tx) error {
		tag, err := tx.Exec(ctx, `UPDATE shop SET name = 'x' WHERE shop_id = $1`, b.Shop)
		require.Zero(t, tag.RowsAffected())
		return err
	})
	require.NoError(t, err)
	err = db.Write(t.Context(), a, nil, func(ctx context.Context, tx *pg.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO shop_feed (shop_id) VALUES ($1)`, b.Shop)
		return err
	})
	require.Equal(t, domain.NotFound, domain.KindOf(err), "row-level security refuses the row of another shop")
}

func TestNoPrincipalNoTransaction(t *testing.T) {
	db, _ := open(t, pg.Options{})
	require.Error(t, db.Read(t.Context(), domain.Principal{}, func(*pgx.Batch) {}), "no shop")
	person := domain.Principal{Shop: domain.NewID(at), Person: domain.NewID(at)}
	err := db.Read(t.Context(), person, func(*pgx.Batch) {})
	require.Equal(t, domain.Unauthenticated, domain.KindOf(err), "no access check set: nobody gets in")
	require.Equal(t, domain.Unauthenticated, domain.KindOf(db.Write(t.Context(), domain.Principal{Shop: domain.NewID(at)}, nil, nil)))
}

func TestAccessRunsFirstAndCanRefuse(t *testing.T) {
	refused := domain.Errorf(domain.Forbidden, "no")
	db, _ := open(t, pg.Options{Access: func(b *pgx.Batch, p *domain.Principal) {
		b.Queue(`SELECT 1`).QueryRow(func(pgx.Row) error {
			if p.Role == domain.Tech {
				return refused
			}
			p.Role = domain.Owner
			return nil
		})
	}})
	p := domain.Principal{Shop: domain.NewID(at), Person: domain.NewID(at), Role: domain.Tech}
	touched := false
	err := db.Read(t.Context(), p, func(b *pgx.Batch) {
		b.Queue(`SELECT 1`).QueryRow(func(pgx.Row) error { touched = true; return nil })
	})
	require.ErrorIs(t, err, refused)
	require.False(t, touched)
	require.ErrorIs(t, db.Write(t.Context(), p, nil, func(context.Context, *pg.Tx) error { touched = true; return nil }), refused)
	require.False(t, touched)
	p.Role = domain.Dispatcher
	require.NoError(t, db.Write(t.Context(), p, nil, func(_ context.Context, tx *pg.Tx) error {
		require.Equal(t, domain.Owner, tx.P.Role, "the stored role, not the token's")
		return nil
	}))
}

func TestNestingIsAnError(t *testing.T) {
	db, _ := open(t, pg.Options{})
	p := newShop(t, db, "aa")
	require.Error(t, db.Write(t.Context(), p, nil, func(ctx context.Context, _ *pg.Tx) error {
		return db.Write(ctx, p, nil, func(context.Context, *pg.Tx) error { return nil })
	}))
}

func TestErrorsRollBack(t *testing.T) {
	db, _ := open(t, pg.Options{MaxConns: 1})
	p := newShop(t, db, "aa")
	boom := errors.New("boom")
	require.ErrorIs(t, db.Write(t.Context(), p, nil, func(ctx context.Context, tx *pg.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE shop SET name = 'changed' WHERE shop_id = $1`, p.Shop)
		require.NoError(t, err)
		return boom
	}), boom)
	require.Panics(t, func() {
		_ = db.Write(t.Context(), p, nil, func(ctx context.Context, tx *pg.Tx) error {
			_, _ = tx.Exec(ctx, `UPDATE shop SET name = 'changed' WHERE shop_id = $1`, p.Shop)
			panic("in a use case")
		})
	})
	require.Equal(t, []string{"aa"}, names(t, db, p), "the one connection is back in the pool and clean")
	var setting *string
	require.NoError(t, db.Pool.QueryRow(t.Context(), `SELECT nullif(current_setting('app.shop', true), '')`).Scan(&setting))
	require.Nil(t, setting, "the shop ended with its transaction")
}

func TestDeadlockIsTriedAgain(t *testing.T) {
	db, _ := open(t, pg.Options{})
	p := newShop(t, db, "aa")
	var attempts atomic.Int32
	first := make(chan struct{}, 2)
	lock := func(keys [2]int64) error {
		tried := false
		return db.Write(t.Context(), p, nil, func(ctx context.Context, tx *pg.Tx) error {
			attempts.Add(1)
			if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, keys[0]); err != nil {
				return err
			}
			if !tried {
				tried = true
				first <- struct{}{}
				for len(first) < 2 { // both hold their first lock
					time.Sleep(time.Millisecond)
				}
			}
			_, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, keys[1])
			return err
		})
	}
	var wg sync.WaitGroup
	errs := make([]error, 2)
	for i, keys := range [][2]int64{{1, 2}, {2, 1}} {
		wg.Go(func() { errs[i] = lock(keys) })
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
	require.EqualValues(t, 3, attempts.Load())
}

func TestHangUpDoesNotUndoACommit(t *testing.T) {
	db, _ := open(t, pg.Options{})
	p := newShop(t, db, "aa")
	ctx, cancel := context.WithCancel(t.Context())
	require.NoError(t, db.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		cancel()
		_, err := tx.Exec(ctx, `UPDATE shop SET name = 'kept' WHERE shop_id = $1`, p.Shop)
		return err
	}))
	require.Equal(t, []string{"kept"}, names(t, db, p))
}

func TestBusyPoolIsUnavailable(t *testing.T) {
	db, _ := open(t, pg.Options{MaxConns: 1, AcquireTimeout: 50 * time.Millisecond})
	p := newShop(t, db, "aa")
	require.NoError(t, db.Write(t.Context(), p, nil, func(context.Context, *pg.Tx) error {
		err := db.Read(t.Context(), p, func(*pgx.Batch) {})
		require.Equal(t, domain.Unavailable, domain.KindOf(err))
		return nil
	}))
}

// A statement that sleeps is ended by the server; the connection goes on.
func TestStatementTimeout(t *testing.T) {
	db, _ := open(t, pg.Options{MaxConns: 1, StatementTimeout: 50 * time.Millisecond})
	p := newShop(t, db, "aa")
	err := db.Read(t.Context(), p, func(b *pgx.Batch) { b.Queue(`SELECT pg_sleep(30)`) })
	require.Equal(t, "57014", pg.Code(err))
	require.Equal(t, domain.Unavailable, domain.KindOf(err))
	err = db.Write(t.Context(), p, nil, func(ctx context.Context, tx *pg.Tx) error {
		_, err := tx.Exec(ctx, `SELECT pg_sleep(30)`)
		return err
	})
	require.Equal(t, "57014", pg.Code(err))
	require.Equal(t, []string{"aa"}, names(t, db, p))
}

// Every connection of the pool carries the server's own bounds.
func TestEveryConnectionHasItsBounds(t *testing.T) {
	db, _ := open(t, pg.Options{})
	for name, want := range map[string]string{"statement_timeout": "10s", "lock_timeout": "5s", "idle_in_transaction_session_timeout": "15s"} {
		var got string
		require.NoError(t, db.Pool.QueryRow(t.Context(), `SELECT current_setting($1)`, name).Scan(&got))
		require.Equal(t, want, got, name)
	}
}

// A transaction whose program has gone to sleep is ended by the server, and its
// locks with it.
func TestIdleTransactionIsEnded(t *testing.T) {
	db, _ := open(t, pg.Options{})
	p := newShop(t, db, "aa")
	err := db.Write(t.Context(), p, nil, func(ctx context.Context, tx *pg.Tx) error {
		if _, err := tx.Exec(ctx, `SET LOCAL idle_in_transaction_session_timeout = 50`); err != nil {
			return err
		}
		time.Sleep(300 * time.Millisecond)
		_, err := tx.Exec(ctx, `SELECT 1`)
		return err
	})
	require.Error(t, err)
	require.Equal(t, []string{"aa"}, names(t, db, p), "the pool has put another connection in its place")
}

func TestTypesGoThereAndBack(t *testing.T) {
	db, _ := open(t, pg.Options{})
	p := newShop(t, db, "aa")
	id, day := domain.NewID(at), domain.Date{Year: 2024, Month: 2, Day: 29}
	var got struct {
		ID    domain.ID   `db:"id"`
		None  domain.ID   `db:"none"`
		Day   domain.Date `db:"day"`
		Never domain.Date `db:"never"`
		IDs   []domain.ID `db:"ids"`
	}
	require.NoError(t, db.Read(t.Context(), p, func(b *pgx.Batch) {
		pg.One(b, &got, `SELECT $1::uuid AS id, $2::uuid AS none, $3::date AS day, $4::date AS never, $5::uuid[] AS ids`,
			id, domain.ID{}, day, domain.Date{}, []domain.ID{id, id})
	}))
	require.Equal(t, id, got.ID)
	require.True(t, got.None.IsZero())
	require.Equal(t, day, got.Day)
	require.True(t, got.Never.IsZero())
	require.Equal(t, []domain.ID{id, id}, got.IDs)
	var isNull bool
	require.NoError(t, db.Read(t.Context(), p, func(b *pgx.Batch) {
		b.Queue(`SELECT $1::uuid IS NULL`, domain.ID{}).QueryRow(func(r pgx.Row) error { return r.Scan(&isNull) })
	}))
	require.True(t, isNull)
}

// TestClassify holds the SQLSTATE table (PostgreSQL 15 documentation,
// Appendix A).
func TestClassify(t *testing.T) {
	for code, want := range map[string]domain.Kind{"23505": domain.Conflict, "23P01": domain.Conflict, "23503": domain.Invalid, "23514": domain.Invalid,
		"22P02": domain.Unreadable, "22021": domain.Unreadable, "22008": domain.Unreadable, "42501": domain.NotFound, "40001": domain.Unavailable,
		"57014": domain.Unavailable, "53300": domain.Unavailable, "08006": domain.Unavailable, "42P01": domain.Internal} {
		err := pg.Classify(&pgconn.PgError{Code: code, Message: "secret", Detail: "Key (email)=(x@y)"})
		require.Equal(t, want, domain.KindOf(err), code)
		var e *domain.Error
		if errors.As(err, &e) {
			require.NotContains(t, e.Message, "secret")
			require.NotContains(t, e.Message, "x@y")
		}
	}
	require.NoError(t, pg.Classify(nil))
	require.Equal(t, domain.NotFound, domain.KindOf(pg.Classify(pgx.ErrNoRows)))
}

func TestBootCheck(t *testing.T) {
	db, tdb := open(t, pg.Options{})
	require.NoError(t, pg.BootCheck(t.Context(), db))
	for name, url := range map[string]string{"superuser": tdb.AdminURL, "owner's member": tdb.MigratorURL} {
		other, err := pg.Open(t.Context(), url, pg.Options{})
		require.NoError(t, err, name)
		require.ErrorContains(t, pg.BootCheck(t.Context(), other), "will not start", name)
		other.Close()
	}
	admin, err := pgx.Connect(t.Context(), tdb.AdminURL)
	require.NoError(t, err)
	defer func() { _ = admin.Close(t.Context()) }()
	for _, sql := range []string{`ALTER TABLE person DISABLE ROW LEVEL SECURITY`, `ALTER TABLE person ENABLE ROW LEVEL SECURITY; DROP POLICY own ON person`} {
		_, err = admin.Exec(t.Context(), sql)
		require.NoError(t, err)
		require.ErrorContains(t, pg.BootCheck(t.Context(), db), "table person", sql)
	}
	_, err = admin.Exec(t.Context(), `SET ROLE `+roles.App)
	require.NoError(t, err)
}
