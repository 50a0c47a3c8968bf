package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/migrations"
	"drumline/shared/pg/local"
	"drumline/shared/pg/roles"
)

const databaseName = "drumline_bench"

// database is the private server with a migrated database.
type database struct {
	server   *local.Server
	dir      string
	admin    *pgx.Conn // of the database, as administrator
	appURL   string
	pgbench  string // path of the program
	version  string
	settings map[string]string
}

// openDatabase makes a cluster of its own, whatever the environment names, with
// durable commits unless o says otherwise.
func openDatabase(ctx context.Context, dir string, o Options, log func(string)) (*database, error) {
	where := local.Options{Dir: filepath.Join(dir, "db"), Ephemeral: o.Ephemeral, Log: log, Getenv: func(name string) string {
		if name == local.EnvURL || name == local.EnvSources {
			return ""
		}
		return os.Getenv(name)
	}}
	d := &database{}
	err := d.start(ctx, where)
	if err == nil {
		err = d.restartWith(ctx, where)
	}
	if err == nil {
		err = d.prepare(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, d.close(context.WithoutCancel(ctx)))
	}
	return d, nil
}

func (d *database) start(ctx context.Context, where local.Options) (err error) {
	if d.server, err = local.Open(ctx, where); err != nil {
		return err
	}
	d.dir = d.server.Dir
	return nil
}

// restartWith counts statements, and keeps the server from cleaning up in the
// middle of somebody's round: reset does that between rounds.
func (d *database) restartWith(ctx context.Context, where local.Options) error {
	admin, err := pgx.Connect(ctx, d.server.AdminURL)
	if err != nil {
		return err
	}
	for _, set := range []string{"shared_preload_libraries = 'pg_stat_statements'", "autovacuum = off", "checkpoint_timeout = '1h'", "max_wal_size = '4GB'"} {
		if _, err := admin.Exec(ctx, "ALTER SYSTEM SET "+set); err != nil {
			return errors.Join(noContrib(err), admin.Close(ctx))
		}
	}
	if err := errors.Join(admin.Close(ctx), d.server.Close(ctx)); err != nil {
		return err
	}
	return noContrib(d.start(ctx, where))
}

func noContrib(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("the server does not run with pg_stat_statements: install PostgreSQL's contrib modules: %w", err)
}

func (d *database) prepare(ctx context.Context) error {
	var err error
	if d.admin, err = pgx.Connect(ctx, d.server.AdminURL); err != nil {
		return err
	}
	if err := d.findPgbench(ctx); err != nil {
		return err
	}
	if err := roles.Ensure(ctx, d.admin, roles.Passwords{}); err != nil {
		return err
	}
	if err := roles.CreateDatabase(ctx, d.admin, databaseName); err != nil {
		return err
	}
	migrator, err := roles.URL(d.server.AdminURL, roles.Migrator, "", databaseName)
	if err != nil {
		return err
	}
	if d.appURL, err = roles.URL(d.server.AdminURL, roles.App, "", databaseName); err != nil {
		return err
	}
	if err := migrations.Up(ctx, migrator); err != nil {
		return err
	}
	return d.enter(ctx)
}

// enter moves the administrator into the migrated database.
func (d *database) enter(ctx context.Context) error {
	if err := d.admin.Close(ctx); err != nil {
		return err
	}
	config, err := pgx.ParseConfig(d.server.AdminURL)
	if err != nil {
		return err
	}
	config.Database = databaseName
	if d.admin, err = pgx.ConnectConfig(ctx, config); err != nil {
		return err
	}
	if _, err := d.admin.Exec(ctx, `CREATE EXTENSION pg_stat_statements`); err != nil {
		return noContrib(err)
	}
	return d.look(ctx)
}

// look reads what the report says about the server.
func (d *database) look(ctx context.Context) error {
	d.settings = map[string]string{}
	for _, name := range []string{"fsync", "synchronous_commit", "full_page_writes", "shared_buffers"} {
		var value string
		if err := d.admin.QueryRow(ctx, `SELECT current_setting($1)`, name).Scan(&value); err != nil {
			return err
		}
		d.settings[name] = value
	}
	return d.admin.QueryRow(ctx, `SELECT current_setting('server_version')`).Scan(&d.version)
}

// findPgbench takes the program beside the server's own, else one of the PATH.
func (d *database) findPgbench(ctx context.Context) error {
	var bin string
	if err := d.admin.QueryRow(ctx, `SELECT setting FROM pg_config WHERE name = 'BINDIR'`).Scan(&bin); err != nil {
		return err
	}
	var err error
	if d.pgbench, err = exec.LookPath(filepath.Join(bin, "pgbench")); err == nil {
		return nil
	}
	if d.pgbench, err = exec.LookPath("pgbench"); err != nil {
		return fmt.Errorf("there is no pgbench in %s or in the PATH: install PostgreSQL's contrib programs", bin)
	}
	return nil
}

func (d *database) close(ctx context.Context) error {
	var errs []error
	if d.admin != nil {
		errs = append(errs, d.admin.Close(ctx))
	}
	if d.server != nil {
		errs = append(errs, d.server.Close(ctx))
	}
	if d.dir != "" {
		errs = append(errs, os.RemoveAll(d.dir))
	}
	return errors.Join(errs...)
}

// grown are the tables a reading writes to, with the column that says when.
var grown = [][2]string{{"verdict", "derived_at"}, {"reading", "recorded_at"}, {"once", "created_at"}, {"audit", "at"}}

// reset takes away what was written after filled and starts counting anew, so
// that each round meets the same data.
func (d *database) reset(ctx context.Context, filled time.Time) error {
	do := []string{`SET session_replication_role = replica`, // the rows go with what refers to them
		`DELETE FROM reading_value v USING reading r WHERE r.shop_id = v.shop_id AND r.id = v.reading_id AND r.recorded_at > $1`}
	for _, t := range grown {
		do = append(do, `DELETE FROM `+t[0]+` WHERE `+t[1]+` > $1`)
	}
	do = append(do, `RESET session_replication_role`, `VACUUM (ANALYZE)`, `CHECKPOINT`, `SELECT pg_stat_statements_reset()`)
	for i, sql := range do {
		args := []any{}
		if i > 0 && i <= len(grown)+1 {
			args = append(args, filled)
		}
		if _, err := d.admin.Exec(ctx, sql, args...); err != nil {
			return fmt.Errorf("between rounds: %s: %w", sql, err)
		}
	}
	return nil
}

// statement is what the server counted for one statement of the app.
type statement struct {
	Query string  `db:"query"`
	Calls int64   `db:"calls"`
	Total float64 `db:"total"` // ms in execution
}

// statements gives what drumline_app ran since reset, without begin and commit:
// of those the server counts a prepared one only once (PostgreSQL 15). That
// each request committed is seen from stored.
func (d *database) statements(ctx context.Context) ([]statement, error) {
	rows, err := d.admin.Query(ctx, `SELECT query, calls, total_exec_time AS total FROM pg_stat_statements
		WHERE userid = $1::regrole AND dbid = (SELECT oid FROM pg_database WHERE datname = current_database())
		AND lower(btrim(query, '; ')) NOT IN ('begin', 'commit')`, roles.App)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[statement])
}

// stored counts the readings of a round that are in the database with verdict
// and idempotency key.
func (d *database) stored(ctx context.Context, filled time.Time) (n int, err error) {
	err = d.admin.QueryRow(ctx, `SELECT least((SELECT count(*) FROM reading r WHERE r.recorded_at > $1
			AND EXISTS (SELECT FROM verdict v WHERE v.shop_id = r.shop_id AND v.reading_id = r.id)),
		(SELECT count(*) FROM once WHERE created_at > $1))`, filled).Scan(&n)
	return n, err
}

// commitAlone is the median of a durable commit with nothing else at work, in
// milliseconds: the disk's share.
func (d *database) commitAlone(ctx context.Context) (float64, error) {
	var took []float64
	for range 200 {
		start := time.Now()
		if _, err := d.admin.Exec(ctx, `SELECT pg_logical_emit_message(true, 'bench', 'x')`); err != nil {
			return 0, err
		}
		took = append(took, milliseconds(time.Since(start)))
	}
	slices.Sort(took)
	return took[len(took)/2], nil
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
