package pgtest_test

import (
	"context"
	"testing"

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
	t.Cleanup(func() { require.NoError(t, conn.Close(context.Background())) })
	return conn
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
		err := signIn(t, c.url).QueryRow(context.Background(), `
			SELECT session_user, current_user, current_database(), rolsuper, rolbypassrls
			FROM pg_roles WHERE rolname = session_user`).Scan(&session, &current, &name, &super, &bypass)
		require.NoError(t, err)
		require.Equal(t, c.session, session)
		require.Equal(t, c.current, current)
		require.Equal(t, db.Name, name)
		require.False(t, super)
		require.False(t, bypass)
	}
	require.NoError(t, migrations.Check(context.Background(), db.AppURL))
}
