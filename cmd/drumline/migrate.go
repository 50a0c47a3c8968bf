package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"drumline/migrations"
)

// migrateCommand holds the commands on the schema.
type migrateCommand struct {
	Up      migrateUp      `cmd:"" help:"Run the migrations that are missing. Signs in with DRUMLINE_MIGRATOR_URL."`
	Version migrateVersion `cmd:"" help:"Print the version of the database's schema."`
	Check   migrateCheck   `cmd:"" help:"Fail, and say what to do, unless the schema is the one this program needs."`
}

type migrateUp struct {
	Within time.Duration `help:"Give up after this long." default:"15m"`
}

// Run migrates.
func (m migrateUp) Run(ctx context.Context, p *program) error {
	c, err := readConfig(p.getenv)
	if err != nil {
		return err
	}
	if c.MigratorURL == "" {
		return errors.New("set DRUMLINE_MIGRATOR_URL to a sign-in as drumline_migrator (postgres://drumline_migrator:…@host/database?role=drumline_owner&lock_timeout=5s)")
	}
	ctx, cancel := context.WithTimeout(ctx, m.Within)
	defer cancel()
	if err := migrations.Up(ctx, c.MigratorURL); err != nil {
		return err
	}
	_, err = fmt.Fprintf(p.stdout, "the schema is at version %d\n", migrations.Latest())
	return err
}

type migrateVersion struct{}

// Run prints the version.
func (migrateVersion) Run(ctx context.Context, p *program) error {
	url, err := anyURL(p.getenv)
	if err != nil {
		return err
	}
	v, dirty, err := migrations.Version(ctx, url)
	if err != nil {
		return err
	}
	mark := ""
	if dirty {
		mark = " (dirty: a migration failed half-way)"
	}
	_, err = fmt.Fprintf(p.stdout, "%d of %d%s\n", v, migrations.Latest(), mark)
	return err
}

type migrateCheck struct{}

// Run checks the version.
func (migrateCheck) Run(ctx context.Context, p *program) error {
	url, err := anyURL(p.getenv)
	if err != nil {
		return err
	}
	if err := migrations.Check(ctx, url); err != nil {
		return err
	}
	_, err = fmt.Fprintf(p.stdout, "the schema is at version %d, as it should be\n", migrations.Latest())
	return err
}

// anyURL takes the migrator's sign-in, or else the service's: both may read the
// version.
func anyURL(getenv func(string) string) (string, error) {
	c, err := readConfig(getenv)
	switch {
	case err != nil:
		return "", err
	case c.MigratorURL != "":
		return c.MigratorURL, nil
	case c.DatabaseURL != "":
		return c.DatabaseURL, nil
	}
	return "", errors.New("set DRUMLINE_MIGRATOR_URL or DRUMLINE_DATABASE_URL to the database to look at")
}
