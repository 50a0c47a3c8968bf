package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/cmd/drumline/seed"
	"drumline/domain/people"
	"drumline/migrations"
	"drumline/shared/pg"
	"drumline/shared/pg/local"
	"drumline/shared/pg/roles"
)

// demoDatabase is the name of the demo's database, on whatever server.
const demoDatabase = "drumline_demo"

// base is the demo's database, migrated.
type base struct {
	server      *local.Server
	how         string // which server, in one line
	appURL      string
	migratorURL string
	workerURL   string
}

// openBase takes the first database server there is, and makes roles, database
// and schema on it.
func openBase(ctx context.Context, p *program, dir string, fresh bool) (*base, error) {
	server, err := local.Open(ctx, local.Options{Getenv: p.getenv, Dir: filepath.Join(dir, "cluster"), Fresh: fresh,
		Log: func(line string) { p.note("%s", line) }})
	if err != nil {
		return nil, err
	}
	b := &base{server: server, how: server.How}
	p.note("Database: %s", b.how)
	if err := b.setUp(ctx, dir, fresh); err != nil {
		return nil, errors.Join(err, server.Close(context.WithoutCancel(ctx)))
	}
	return b, nil
}

func (b *base) setUp(ctx context.Context, dir string, fresh bool) error {
	admin, err := pgx.Connect(ctx, b.server.AdminURL)
	if err != nil {
		return fmt.Errorf("database server: %w", err)
	}
	defer func() { _ = admin.Close(context.WithoutCancel(ctx)) }() // nothing is lost with it
	passwords, err := b.passwords(ctx, admin, dir)
	if err != nil {
		return err
	}
	if err := roles.Ensure(ctx, admin, passwords); err != nil {
		return err
	}
	if fresh && b.server.Dir == "" {
		if err := drop(ctx, admin); err != nil {
			return err
		}
	}
	if b.appURL, err = roles.URL(b.server.AdminURL, roles.App, passwords.App, demoDatabase); err != nil {
		return err
	}
	if b.migratorURL, err = roles.URL(b.server.AdminURL, roles.Migrator, passwords.Migrator, demoDatabase); err != nil {
		return err
	}
	if b.workerURL, err = roles.URL(b.server.AdminURL, roles.Worker, passwords.Worker, demoDatabase); err != nil {
		return err
	}
	return b.schema(ctx, admin)
}

// schema makes the database and brings it up to date.
func (b *base) schema(ctx context.Context, admin *pgx.Conn) error {
	if err := roles.CreateDatabase(ctx, admin, demoDatabase); err != nil {
		return err
	}
	return migrations.Up(ctx, b.migratorURL)
}

func drop(ctx context.Context, admin *pgx.Conn) error {
	if _, err := admin.Exec(ctx, "DROP DATABASE IF EXISTS "+demoDatabase+" WITH (FORCE)"); err != nil {
		return fmt.Errorf("dropping the demo's database: %w", err)
	}
	return nil
}

// passwords are those of the sign-in roles. A private cluster trusts who can
// reach its socket and needs none. On a named server they are drawn once and
// kept in dir; roles that are there already and not ours are left alone, since
// a service may be using them.
func (b *base) passwords(ctx context.Context, admin *pgx.Conn, dir string) (roles.Passwords, error) {
	var p roles.Passwords
	if b.server.Dir != "" {
		return p, nil
	}
	file := filepath.Join(dir, "roles.json")
	text, err := os.ReadFile(file)
	if err == nil {
		err = json.Unmarshal(text, &p)
		return p, wrap("passwords of the demo's roles", err)
	}
	var there bool
	if err := admin.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)`, roles.App).Scan(&there); err != nil {
		return p, wrap("looking for roles", err)
	}
	if there {
		return p, fmt.Errorf("the server already has the role %s, and the demo will not change its password: "+
			"name another server, or unset DRUMLINE_DATABASE_URL and let the demo make its own", roles.App)
	}
	p = roles.Passwords{Migrator: rand.Text(), App: rand.Text(), Worker: rand.Text()}
	if text, err = json.Marshal(p); err != nil {
		return p, err
	}
	return p, wrap("passwords of the demo's roles", os.WriteFile(file, text, 0o600))
}

// wrap says what failed, if something did.
func wrap(what string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", what, err)
}

// look says whether the database holds the invented shops, and all of them.
func (b *base) look(ctx context.Context) (there, complete bool, err error) {
	db, err := pg.Open(ctx, b.appURL, pg.Options{Access: people.Access, MaxConns: 1})
	if err != nil {
		return false, false, err
	}
	defer db.Close()
	return seed.Complete(ctx, db)
}

// again throws the database away and makes it anew.
func (b *base) again(ctx context.Context) error {
	admin, err := pgx.Connect(ctx, b.server.AdminURL)
	if err != nil {
		return fmt.Errorf("database server: %w", err)
	}
	defer func() { _ = admin.Close(context.WithoutCancel(ctx)) }() // nothing is lost with it
	if err := drop(ctx, admin); err != nil {
		return err
	}
	return b.schema(ctx, admin)
}

// analyse tells the server how full the tables are, so that it plans the first
// requests well.
func (b *base) analyse(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, b.migratorURL)
	if err != nil {
		return fmt.Errorf("database: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }() // nothing is lost with it
	_, err = conn.Exec(ctx, "ANALYZE")
	return wrap("analysing the tables", err)
}

// close stops a server the demo has started. It has time of its own: ctx has
// usually ended.
func (b *base) close(ctx context.Context, p *program) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
	defer cancel()
	if err := b.server.Close(ctx); err != nil {
		p.note("The database server did not stop: %v", err)
	}
}
