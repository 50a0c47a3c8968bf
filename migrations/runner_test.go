package migrations_test

import (
	"context"
	"io/fs"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/golang-migrate/migrate/v4"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/migrations"
	"drumline/shared/pg/pgtest"
	"drumline/shared/pg/roles"
)

// emptyDatabase returns the migrator's and the app's URL of a database without
// a schema.
func emptyDatabase(t testing.TB) (migratorURL, appURL string) {
	t.Helper()
	db := pgtest.Empty(t)
	return db.MigratorURL, db.AppURL
}

// sqlFiles makes a set of files from names and texts.
func sqlFiles(pairs ...string) fs.FS {
	files := fstest.MapFS{}
	for i := 0; i < len(pairs); i += 2 {
		files[pairs[i]] = &fstest.MapFile{Data: []byte(pairs[i+1])}
	}
	return files
}

func TestVerdict(t *testing.T) {
	for _, c := range []struct {
		name          string
		version, need uint
		dirty         bool
		want          string
	}{
		{"equal", 5, 5, false, ""},
		{"never migrated", 0, 5, false, "at version 0, this program needs 5: run drumline migrate"},
		{"behind", 4, 5, false, "run drumline migrate"},
		{"ahead", 6, 5, false, "newer than the 5 this program knows: start the newer program"},
		{"dirty", 5, 5, true, "migration 5 failed"},
		{"dirty first", 1, 5, true, "empty schema_migrations"},
	} {
		err := migrations.Verdict(c.version, c.dirty, c.need)
		if c.want == "" {
			require.NoError(t, err, c.name)
			continue
		}
		require.ErrorContains(t, err, c.want, c.name)
	}
}

func TestLatest(t *testing.T) {
	require.EqualValues(t, 0, migrations.LatestOf(sqlFiles()))
	require.EqualValues(t, 12, migrations.LatestOf(sqlFiles("000002_b.up.sql", "", "000012_a.up.sql", "", "000013_a.down.sql", "", "x.up.sql", "")))
	require.NotZero(t, migrations.Latest())
}

func TestFailedFileLeavesTheSchemaDirty(t *testing.T) {
	t.Parallel()
	migrator, app := emptyDatabase(t)
	broken := sqlFiles(
		"000001_a.up.sql", "CREATE TABLE a (n int);",
		"000002_b.up.sql", "CREATE TABLE b (n int);\nCREATE TABLE a (n int);\n",
	)
	err := migrations.RunFiles(t.Context(), migrator, broken, (*migrate.Migrate).Up)
	require.ErrorContains(t, err, `relation "a" already exists`)
	require.ErrorContains(t, err, "file 000002 failed")
	require.NotContains(t, err.Error(), "CREATE TABLE", "the file itself is not repeated")

	version, dirty, err := migrations.Version(t.Context(), migrator)
	require.NoError(t, err)
	require.EqualValues(t, 2, version)
	require.True(t, dirty)
	require.ErrorContains(t, migrations.Check(t.Context(), migrator), "migration 2 failed")
	require.ErrorContains(t, migrations.RunFiles(t.Context(), migrator, broken, (*migrate.Migrate).Up), "Dirty")

	// One file is one transaction: nothing of it stays. What Check advises works.
	conn, err := pgx.Connect(t.Context(), migrator)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	var left *string
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT to_regclass('b')::text`).Scan(&left))
	require.Nil(t, left)
	_, err = conn.Exec(t.Context(), `UPDATE schema_migrations SET version = 1, dirty = false`)
	require.NoError(t, err)
	mended := sqlFiles("000001_a.up.sql", "x", "000002_b.up.sql", "CREATE TABLE b (n int);")
	require.NoError(t, migrations.RunFiles(t.Context(), migrator, mended, (*migrate.Migrate).Up))
	version, dirty, err = migrations.Version(t.Context(), app)
	require.NoError(t, err, "the app may read the version")
	require.EqualValues(t, 2, version)
	require.False(t, dirty)
}

func TestFailedFileNamesTheLine(t *testing.T) {
	t.Parallel()
	migrator, _ := emptyDatabase(t)
	err := migrations.RunFiles(t.Context(), migrator, sqlFiles("000001_a.up.sql", "SELECT 1;\n\nSELCT 1;"), (*migrate.Migrate).Up)
	require.ErrorContains(t, err, "file 000001 failed at line 3")
	require.ErrorContains(t, migrations.Check(t.Context(), migrator), "DELETE FROM schema_migrations")
}

func TestUpTwiceAndSideBySide(t *testing.T) {
	t.Parallel()
	migrator, _ := emptyDatabase(t)
	slow := sqlFiles("000001_a.up.sql", "SELECT pg_sleep(1); CREATE TABLE a (n int);")
	var group sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		group.Go(func() {
			errs[i] = migrations.RunFiles(context.Background(), impatient(migrator), slow, (*migrate.Migrate).Up)
		})
	}
	group.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
	require.NoError(t, migrations.RunFiles(t.Context(), migrator, slow, (*migrate.Migrate).Up), "nothing to do is no error")
}

// impatient gives a migrator's URL a lock timeout far below what the others take.
func impatient(url string) string {
	return strings.Replace(url, "lock_timeout="+roles.LockTimeout, "lock_timeout=100ms", 1)
}

func TestWaitingEndsWithTheContext(t *testing.T) {
	t.Parallel()
	migrator, _ := emptyDatabase(t)
	go func() {
		_ = migrations.RunFiles(context.Background(), migrator, sqlFiles("000001_a.up.sql", "SELECT pg_sleep(2);"), (*migrate.Migrate).Up)
	}()
	require.Eventually(t, func() bool {
		version, _, err := migrations.Version(t.Context(), migrator)
		return err == nil && version == 1
	}, 10*time.Second, 10*time.Millisecond)
	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	err := migrations.RunFiles(ctx, impatient(migrator), sqlFiles("000001_a.up.sql", "x"), (*migrate.Migrate).Up)
	require.ErrorContains(t, err, "another migration is running")
	require.ErrorIs(t, err, context.DeadlineExceeded)
}

func TestConnectionErrors(t *testing.T) {
	t.Parallel()
	require.ErrorContains(t, migrations.Up(t.Context(), "postgres://x@127.0.0.1:1/x"), "connecting")
	require.ErrorContains(t, migrations.Up(t.Context(), "postgres://x@127.0.0.1:port/x"), "database URL")
	require.ErrorContains(t, migrations.Check(t.Context(), "postgres://x@127.0.0.1:1/x"), "connecting")
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(dir+"/000001_a.up.sql", nil, 0o600))
	require.NoError(t, os.WriteFile(dir+"/000001_b.up.sql", nil, 0o600))
	migrator, _ := emptyDatabase(t)
	require.ErrorContains(t, migrations.RunFiles(t.Context(), migrator, os.DirFS(dir), (*migrate.Migrate).Up), "duplicate")
}

func TestObjectsBelongToTheOwner(t *testing.T) {
	t.Parallel()
	migrator, app := emptyDatabase(t)
	require.NoError(t, migrations.Up(t.Context(), migrator))
	require.NoError(t, migrations.Check(t.Context(), app))
	conn, err := pgx.Connect(t.Context(), migrator)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	rows, err := conn.Query(t.Context(), `
		SELECT relname FROM pg_class
		WHERE relnamespace = 'public'::regnamespace AND pg_get_userbyid(relowner) <> $1`, roles.Owner)
	require.NoError(t, err)
	strays, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Empty(t, strays)
}
