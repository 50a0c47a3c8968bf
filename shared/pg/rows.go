package pg

import (
	"github.com/jackc/pgx/v5"

	"drumline/domain"
)

// One queues a statement that must give one row; its columns fill the fields
// of T by name (db tag). No row is domain.Absent.
func One[T any](b *pgx.Batch, dst *T, sql string, args ...any) {
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		v, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
		if err == nil {
			*dst = v
		}
		return err
	})
}

// Maybe queues a statement that gives one row or none; found says which.
func Maybe[T any](b *pgx.Batch, dst *T, found *bool, sql string, args ...any) {
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		vs, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
		*found = err == nil && len(vs) > 0
		if *found {
			*dst = vs[0]
		}
		return err
	})
}

// All queues a statement that gives any number of rows. dst is never nil
// afterwards.
func All[T any](b *pgx.Batch, dst *[]T, sql string, args ...any) {
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		vs, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
		if err == nil {
			*dst = vs
		}
		return err
	})
}

// Changed queues a statement that must change exactly one row; otherwise miss
// is returned.
func Changed(b *pgx.Batch, miss error, sql string, args ...any) {
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		for rows.Next() { // a RETURNING list is allowed and not needed here
		}
		if err := rows.Err(); err != nil {
			return err
		}
		if rows.CommandTag().RowsAffected() != 1 {
			return miss
		}
		return nil
	})
}

// Stale is the answer for a row whose version is not the one named.
func Stale() error {
	return domain.Errorf(domain.PreconditionFailed, "This has changed since you read it. Read it again and repeat your change.")
}
