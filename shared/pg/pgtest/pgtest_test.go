package pgtest_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/migrations"
	"drumline/shared/pg/pgtest"
	"drumline/shared/pg/roles"
)

// signIn connects and closes when the test ends.
func signIn(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// exists tells whether the server of admin has a database of that name.
func exists(t testing.TB, admin *pgx.Conn, name string) bool {
	t.Helper()
	var found bool
	err := admin.QueryRow(context.Background(), `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, name).Scan(&found)
	require.NoError(t, err)
	return found
}

func TestNewSignsInAsTheRuntimeRoles(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	for _, c := range []struct{ url, session, current string }{
		{db.AppURL, roles.App, roles.App},
		{db.WorkerURL, roles.Worker, roles.Worker},
		{db.MigratorURL, roles.Migrator, roles.Owner},
	} {
		var session, current, name string
		var super, bypass bool
		err := signIn(t, c.url).QueryRow(t.Context(), `
			SELECT session_user, current_user, current_database(), rolsuper, rolbypassrls
			FROM pg_roles WHERE rolname = session_user`).Scan(&session, &current, &name, &super, &bypass)
		require.NoError(t, err)
		require.Equal(t, c.session, session)
		require.Equal(t, c.current, current)
		require.Equal(t, db.Name, name)
		require.False(t, super)
		require.False(t, bypass)
	}
	require.NoError(t, migrations.Check(t.Context(), db.AppURL))
}

func TestRowLevelSecurityBindsTheTestsSignIn(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	owner := signIn(t, db.MigratorURL)
	_, err := owner.Exec(t.Context(), `
		CREATE TABLE secret (shop_id uuid NOT NULL);
		ALTER TABLE secret ENABLE ROW LEVEL SECURITY;
		GRANT SELECT ON secret TO `+roles.App+`;
		INSERT INTO secret VALUES (gen_random_uuid())`)
	require.NoError(t, err)
	for url, want := range map[string]int{db.AppURL: 0, db.AdminURL: 1} {
		var seen int
		require.NoError(t, signIn(t, url).QueryRow(t.Context(), `SELECT count(*) FROM secret`).Scan(&seen))
		require.Equal(t, want, seen)
	}
}

func TestEmptyHasNoSchema(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	version, dirty, err := migrations.Version(t.Context(), db.MigratorURL)
	require.NoError(t, err)
	require.Zero(t, version)
	require.False(t, dirty)
	_, err = signIn(t, db.AppURL).Exec(t.Context(), `SELECT 1`)
	require.NoError(t, err)
}

// Each test has a database to itself, which goes with the test, sessions and all.
func TestDatabasesAreApartAndDropped(t *testing.T) {
	admin := signIn(t, pgtest.New(t).AdminURL)
	names := make(chan string, 4)
	t.Run("group", func(t *testing.T) {
		for i := range cap(names) {
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				t.Parallel()
				db := pgtest.New(t)
				names <- db.Name
				_, err := signIn(t, db.MigratorURL).Exec(t.Context(), `CREATE TABLE mine (a int)`)
				require.NoError(t, err)
				// Left open: the drop must not wait for it.
				_, err = pgx.Connect(t.Context(), db.AppURL)
				require.NoError(t, err)
			})
		}
	})
	seen := map[string]bool{}
	for range cap(names) {
		name := <-names
		require.False(t, seen[name])
		seen[name] = true
		require.False(t, exists(t, admin, name))
	}
}

// A clone is to cost less than a test minds: some 20 ms in memory and 70 ms on
// disk were seen. The bound only notices when clones turn into migrations.
func TestClonesAreCheap(t *testing.T) {
	pgtest.New(t)
	var best time.Duration
	for range 5 {
		start := time.Now()
		pgtest.New(t)
		if took := time.Since(start); best == 0 || took < best {
			best = took
		}
	}
	t.Logf("best of five clones: %v", best)
	require.Less(t, best, 400*time.Millisecond)
}
