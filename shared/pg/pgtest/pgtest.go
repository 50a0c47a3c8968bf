// Package pgtest gives a test a PostgreSQL database of its own with the whole
// schema in it, cloned from a template. Tests sign in as the runtime roles,
// never as a superuser: row-level security binds nobody else, and a leak test
// run by a superuser passes for nothing.
//
// The server is TEST_DATABASE_URL, or a container where an engine answers, or a
// private cluster from the PostgreSQL programs of the machine. Test programs
// that run side by side share one; a watchdog removes it when none has used it
// for a minute. They meet in drumline-pgtest-<uid> of the temporary directory;
// the cluster lies there, or in /dev/shm where that has room. With no server at
// all the test fails with one sentence; it does not skip.
//
// A test that needs no commit is cheaper still: begin a transaction on a shared
// database and roll it back.
package pgtest

import (
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"drumline/shared/pg/roles"
)

// password is what every sign-in role of a test server has.
const password = "drumline-test"

// patience bounds each step here; a test that hangs says less than one that fails.
const patience = 2 * time.Minute

// DB is one test's database. Each URL signs in to it as another role.
type DB struct {
	// Name is the database's name.
	Name string
	// AppURL and WorkerURL sign in as the roles the service runs under.
	AppURL, WorkerURL string
	// MigratorURL signs in as the migrator, who acts as the owner.
	MigratorURL string
	// AdminURL signs in as the server's administrator; for arranging what no
	// other role may, never for the statements under test.
	AdminURL string
}

// New returns a migrated database that lasts until the test ends.
func New(t testing.TB) *DB {
	t.Helper()
	return open(t, (*session).clone)
}

// Empty returns a database without any schema that lasts until the test ends;
// for testing migrations.
func Empty(t testing.TB) *DB {
	t.Helper()
	return open(t, func(s *session, ctx context.Context, name string) error {
		return roles.CreateDatabase(ctx, s.admin, name)
	})
}

// counter numbers the databases of this process.
var counter atomic.Int64

// open makes a database with create and drops it when the test ends.
func open(t testing.TB, create func(*session, context.Context, string) error) *DB {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	s, err := shared(ctx)
	if err != nil {
		t.Fatalf("no test database: %v", err)
	}
	name := fmt.Sprintf("%s%d_%d", databasePrefix, s.run, counter.Add(1))
	if err := s.locked(func() error { return create(s, ctx, name) }); err != nil {
		t.Fatalf("making a test database: %v", err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		if err := s.locked(func() error { return s.drop(ctx, name) }); err != nil {
			t.Errorf("dropping the test database %s: %v", name, err)
		}
	})
	db, err := s.urls(name)
	if err != nil {
		t.Fatalf("no test database: %v", err)
	}
	return db
}

// urls derives the sign-ins to one database.
func (s *session) urls(name string) (*DB, error) {
	db := &DB{Name: name}
	for _, u := range []struct {
		to   *string
		role string
	}{{&db.AppURL, roles.App}, {&db.WorkerURL, roles.Worker}, {&db.MigratorURL, roles.Migrator}} {
		var err error
		if *u.to, err = roles.URL(s.url, u.role, password, name); err != nil {
			return nil, err
		}
	}
	var err error
	db.AdminURL, err = adminOf(s.url, name)
	return db, err
}
