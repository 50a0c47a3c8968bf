// Package migrations holds the schema as numbered pairs of SQL files and runs
// them. Each file is one transaction of its own (golang-migrate sends it as one
// query), so no file says BEGIN or COMMIT. A file is never edited once merged.
package migrations

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"time"

	"github.com/golang-migrate/migrate/v4"
	"github.com/golang-migrate/migrate/v4/database"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"

	"drumline/shared/pg/roles"
)

// SQLSTATE codes told apart here.
const (
	undefinedTable   = "42P01"
	lockNotAvailable = "55P03"
)

//go:embed *.sql
var files embed.FS

// FS returns the embedded SQL files, for checks and for naming a template after
// their contents.
func FS() fs.FS { return files }

// Up brings the database of migratorURL to the latest version and lets the
// runtime roles read the version. Of several runs at once one works and the
// others wait, until ctx ends. After an error in a file the version stays dirty
// and the next run refuses; Check says what to do.
func Up(ctx context.Context, migratorURL string) error {
	return run(ctx, migratorURL, files, (*migrate.Migrate).Up)
}

// Down takes every migration back, newest first. It destroys all data; tests
// use it to prove that the down files work.
func Down(ctx context.Context, migratorURL string) error {
	return run(ctx, migratorURL, files, (*migrate.Migrate).Down)
}

// run does one step on the files of fsys, and waits where another run holds the
// migration lock.
func run(ctx context.Context, url string, fsys fs.FS, step func(*migrate.Migrate) error) error {
	for {
		err := runOnce(ctx, url, fsys, step)
		if !isLocked(err) {
			return err
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("migrations: another migration is running: %w", ctx.Err())
		case <-time.After(200 * time.Millisecond):
		}
	}
}

func runOnce(ctx context.Context, url string, fsys fs.FS, step func(*migrate.Migrate) error) error {
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return fmt.Errorf("migrations: database URL: %w", err)
	}
	source, err := iofs.New(fsys, ".")
	if err != nil {
		return fmt.Errorf("migrations: reading the files: %w", err)
	}
	db := stdlib.OpenDB(*config)
	if err := db.PingContext(ctx); err != nil {
		return errors.Join(fmt.Errorf("migrations: connecting: %w", err), db.Close())
	}
	driver, err := migratepgx.WithInstance(db, &migratepgx.Config{})
	if err != nil {
		return errors.Join(fmt.Errorf("migrations: preparing: %w", err), db.Close())
	}
	m, err := migrate.NewWithInstance("iofs", source, config.Database, driver)
	if err != nil {
		return errors.Join(fmt.Errorf("migrations: preparing: %w", err), driver.Close())
	}
	defer m.Close()
	stop := context.AfterFunc(ctx, func() { m.GracefulStop <- true })
	defer stop()
	if err := step(m); err != nil && !errors.Is(err, migrate.ErrNoChange) {
		return explain(m, err)
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("migrations: stopped between two files: %w", err)
	}
	return grant(ctx, config)
}

// explain names the file that failed and the line where the server gave one; the
// library's own message repeats the whole file.
func explain(m *migrate.Migrate, err error) error {
	var failed database.Error
	if !errors.As(err, &failed) {
		return fmt.Errorf("migrations: %w", err)
	}
	where := ""
	if failed.Line > 1 {
		where = fmt.Sprintf(" at line %d", failed.Line)
	}
	version, _, versionErr := m.Version()
	if versionErr != nil {
		return fmt.Errorf("migrations: a file failed%s: %w", where, failed.OrigErr)
	}
	return fmt.Errorf("migrations: file %06d failed%s: %w", version, where, failed.OrigErr)
}

// grant lets the runtime roles read which version the schema has.
func grant(ctx context.Context, config *pgx.ConnConfig) error {
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return fmt.Errorf("migrations: connecting: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	_, err = conn.Exec(ctx, "GRANT SELECT ON schema_migrations TO "+roles.App+", "+roles.Worker)
	if err != nil {
		return fmt.Errorf("migrations: letting the service read the version: %w", err)
	}
	return nil
}

// isLocked tells whether the run gave up waiting for the migration lock, which
// counts under lock_timeout like any other. A lock a file itself waited for is
// another matter: that file has failed.
func isLocked(err error) bool {
	var dbErr *database.Error
	if !errors.As(err, &dbErr) || !strings.Contains(string(dbErr.Query), "pg_advisory_lock") {
		return false
	}
	var pgErr *pgconn.PgError
	return errors.As(dbErr.OrigErr, &pgErr) && pgErr.Code == lockNotAvailable
}

// Latest returns the highest version among the embedded files, 0 for none.
func Latest() uint { return latest(files) }

func latest(fsys fs.FS) uint {
	names, err := fs.Glob(fsys, "*.up.sql")
	if err != nil {
		return 0
	}
	var highest uint
	for _, name := range names {
		number, _, _ := strings.Cut(name, "_")
		n, err := strconv.ParseUint(number, 10, 32)
		if err == nil {
			highest = max(highest, uint(n))
		}
	}
	return highest
}

// Version returns the version of the database's schema, 0 before the first
// migration. dirty means that a migration failed half-way. Any role that may
// read schema_migrations will do.
func Version(ctx context.Context, url string) (version uint, dirty bool, err error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return 0, false, fmt.Errorf("migrations: connecting: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	err = conn.QueryRow(ctx, `SELECT version, dirty FROM schema_migrations LIMIT 1`).Scan(&version, &dirty)
	var pgErr *pgconn.PgError
	switch {
	case errors.Is(err, pgx.ErrNoRows), errors.As(err, &pgErr) && pgErr.Code == undefinedTable:
		return 0, false, nil
	case err != nil:
		return 0, false, fmt.Errorf("migrations: reading the version: %w", err)
	}
	return version, dirty, nil
}

// Check returns nil where the schema is the one this program was built for, and
// otherwise an error that says what to do.
func Check(ctx context.Context, url string) error {
	version, dirty, err := Version(ctx, url)
	if err != nil {
		return err
	}
	return verdict(version, dirty, Latest())
}

// verdict compares what the database has with what the program needs.
func verdict(version uint, dirty bool, need uint) error {
	switch {
	case dirty:
		return fmt.Errorf("migrations: migration %d failed and left the schema marked dirty: its file was rolled back, "+
			"so correct the cause, %s and run drumline migrate again", version, cleaning(version))
	case version < need:
		return fmt.Errorf("migrations: the schema is at version %d, this program needs %d: run drumline migrate", version, need)
	case version > need:
		return fmt.Errorf("migrations: the schema is at version %d, newer than the %d this program knows: "+
			"start the newer program", version, need)
	}
	return nil
}

// cleaning tells how to take the mark of a failed migration away.
func cleaning(version uint) string {
	if version <= 1 {
		return "empty schema_migrations (DELETE FROM schema_migrations)"
	}
	return fmt.Sprintf("UPDATE schema_migrations SET version = %d, dirty = false", version-1)
}
