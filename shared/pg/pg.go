// Package pg is the one way to PostgreSQL: a pool that signs in as a role
// without rights over the schema, and two transactions, Read and Write, that
// set the shop, check the person's access and only then touch rows.
//
// Row-level security is the second net: each statement still carries
// shop_id = $1.
package pg

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"drumline/domain"
)

// Access queues the statement that compares p with the stored person and
// session, and fills p.Role from the row; its callback refuses by returning an
// error. It runs before any statement of the caller.
type Access func(b *pgx.Batch, p *domain.Principal)

// Options of Open. Zero values work.
type Options struct {
	MaxConns         int32         // pool size; 0 = 16
	StatementTimeout time.Duration // of one statement on the server; 0 = 10 s
	AcquireTimeout   time.Duration // waiting for a connection; 0 = 3 s
	Access           Access        // nil: every principal with a person is refused
}

// DB is the pool with its access check. Safe for concurrent use.
type DB struct {
	Pool    *pgxpool.Pool
	access  Access
	acquire time.Duration
}

// Open connects to url and pings. The caller closes with Close.
func Open(ctx context.Context, url string, o Options) (*DB, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("database url: %w", err)
	}
	cfg.MaxConns = or(o.MaxConns, 16)
	cfg.MaxConnLifetime = time.Hour
	cfg.MaxConnLifetimeJitter = 5 * time.Minute
	rp := cfg.ConnConfig.RuntimeParams
	rp["application_name"] = "drumline"
	rp["statement_timeout"] = milliseconds(or(o.StatementTimeout, 10*time.Second))
	rp["lock_timeout"] = milliseconds(5 * time.Second)
	rp["idle_in_transaction_session_timeout"] = milliseconds(15 * time.Second)
	rp["timezone"] = "UTC"
	cfg.AfterConnect = func(_ context.Context, c *pgx.Conn) error {
		RegisterTypes(c.TypeMap())
		return nil
	}
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("database pool: %w", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("database does not answer: %w", err)
	}
	return &DB{Pool: pool, access: o.Access, acquire: or(o.AcquireTimeout, 3*time.Second)}, nil
}

// Close ends all connections.
func (db *DB) Close() { db.Pool.Close() }

func or[T comparable](v, fallback T) T {
	var zero T
	if v == zero {
		return fallback
	}
	return v
}

func milliseconds(d time.Duration) string { return fmt.Sprintf("%d", d.Milliseconds()) }

// txTime bounds a transaction from the wait for its connection to its end. A
// server that has stopped answering holds nobody longer.
const txTime = 15 * time.Second

// Read runs what load queues in one implicit transaction, one round trip:
// set the shop, check access, then the caller's statements. A callback's error
// ends it. It has a deadline of 15 s of its own.
func (db *DB) Read(ctx context.Context, p domain.Principal, load func(b *pgx.Batch)) error {
	ctx, cancel := context.WithTimeout(ctx, txTime)
	defer cancel()
	return retry(ctx, func() error {
		conn, err := db.conn(ctx)
		if err != nil {
			return err
		}
		defer conn.Release()
		b := &pgx.Batch{}
		if err := db.enter(b, &p); err != nil {
			return err
		}
		load(b)
		return conn.SendBatch(ctx, b).Close()
	})
}

// Write runs a transaction. Its first round trip begins it, sets the shop,
// checks access and runs what load queues (nil for nothing); then fn works and
// the transaction commits. fn may run twice (serialization failure, deadlock),
// so it collects results afresh. A client that hangs up does not undo a commit
// under way: the transaction has its own deadline of 15 s.
func (db *DB) Write(ctx context.Context, p domain.Principal, load func(b *pgx.Batch), fn func(ctx context.Context, tx *Tx) error) error {
	if _, nested := ctx.Value(inTx{}).(bool); nested {
		return fmt.Errorf("pg: a transaction inside a transaction")
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), txTime)
	defer cancel()
	ctx = context.WithValue(ctx, inTx{}, true)
	return retry(ctx, func() error { return db.write(ctx, p, load, fn) })
}

type inTx struct{}

func (db *DB) write(ctx context.Context, p domain.Principal, load func(b *pgx.Batch), fn func(ctx context.Context, tx *Tx) error) error {
	conn, err := db.conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	tx := &Tx{P: p}
	b := &pgx.Batch{}
	b.BeginTx(pgx.TxOptions{})
	if err := db.enter(b, &tx.P); err != nil {
		return err
	}
	if load != nil {
		load(b)
	}
	br := conn.SendBatch(ctx, b)
	tx.tx = br.Tx()
	defer func() { _ = tx.tx.Rollback(ctx) }() // after Commit this does nothing
	if err := br.Close(); err != nil {
		return err
	}
	if err := fn(ctx, tx); err != nil {
		return err
	}
	return tx.tx.Commit(ctx)
}

func (db *DB) conn(ctx context.Context) (*pgxpool.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, db.acquire)
	defer cancel()
	c, err := db.Pool.Acquire(ctx)
	if err != nil {
		return nil, domain.Wrap(domain.Unavailable, err, "The service is busy. Try again in a few seconds.")
	}
	return c, nil
}

// enter queues what comes before any statement of the caller. The shop is
// local to the transaction: a session setting would survive in the pool.
func (db *DB) enter(b *pgx.Batch, p *domain.Principal) error {
	if p.Shop.IsZero() {
		return fmt.Errorf("pg: principal without a shop")
	}
	b.Queue(`SELECT set_config('app.shop', $1, true)`, p.Shop.String())
	switch {
	case p.SystemReason() != "":
	case db.access == nil || p.Person.IsZero():
		return domain.Errorf(domain.Unauthenticated, "Sign in first.")
	default:
		db.access(b, p)
	}
	return nil
}

// Tx is an open transaction with the principal it runs for. It can neither
// be committed nor nested by a slice.
type Tx struct {
	P  domain.Principal // Role is the stored one, not the token's
	tx pgx.Tx
}

// Exec runs a statement that returns no rows.
func (tx *Tx) Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	return tx.tx.Exec(ctx, sql, args...)
}

// Query runs a statement that returns rows; collect them with pgx.CollectRows.
func (tx *Tx) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	return tx.tx.Query(ctx, sql, args...)
}

// Send runs queued statements in one round trip.
func (tx *Tx) Send(ctx context.Context, b *pgx.Batch) error {
	if b.Len() == 0 {
		return nil
	}
	return tx.tx.SendBatch(ctx, b).Close()
}

// RegisterTypes teaches m the domain's types: ID as uuid, Date as date, with
// the zero value standing for NULL both ways.
func RegisterTypes(m *pgtype.Map) {
	m.TryWrapEncodePlanFuncs = append([]pgtype.TryWrapEncodePlanFunc{wrapEncode}, m.TryWrapEncodePlanFuncs...)
	m.TryWrapScanPlanFuncs = append([]pgtype.TryWrapScanPlanFunc{wrapScan}, m.TryWrapScanPlanFuncs...)
}
