package pg

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"drumline/domain"
)

// retry runs once whole transactions again after a serialization failure, a
// deadlock or a plan made stale by a migration, at most three times in all,
// and classes what is left.
func retry(ctx context.Context, attempt func() error) error {
	var err error
	for i := range 3 {
		if err = attempt(); err == nil || !again(err) {
			break
		}
		select {
		case <-ctx.Done():
			return Classify(err)
		case <-time.After(time.Duration(1+i*i) * 5 * time.Millisecond):
		}
	}
	return Classify(err)
}

func again(err error) bool {
	switch Code(err) {
	case "40001", "40P01", "0A000":
		return true
	}
	return false
}

// Code is the SQLSTATE of err, empty when it has none.
func Code(err error) string {
	if e, ok := errors.AsType[*pgconn.PgError](err); ok {
		return e.Code
	}
	return ""
}

// Violates says whether err is the violation of the named constraint.
func Violates(err error, constraint string) bool {
	e, ok := errors.AsType[*pgconn.PgError](err)
	return ok && e.ConstraintName == constraint
}

// Classify gives err a Kind by its SQLSTATE (PostgreSQL 15, Appendix A). An
// error that has one already is left alone. No text of the server reaches the
// message: it can carry another row's values.
func Classify(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := errors.AsType[*domain.Error](err); ok {
		return err
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return domain.Absent()
	}
	code := Code(err)
	switch {
	case code == "23505":
		return domain.Wrap(domain.Conflict, err, "Another record already has this value.")
	case code == "23P01":
		return domain.Wrap(domain.Conflict, err, "This overlaps something already booked.")
	case code == "23503":
		return domain.Wrap(domain.Invalid, err, "A record named here does not exist.")
	case code == "23514", code == "23502":
		return domain.Wrap(domain.Invalid, err, "A value breaks a rule of the record.")
	case code == "22P02", code == "22003", code == "22008", code == "22021":
		return domain.Wrap(domain.Unreadable, err, "A value cannot be read.")
	case code == "42501":
		return domain.Wrap(domain.NotFound, err, "There is no such resource.")
	case busy(code), errors.Is(err, context.DeadlineExceeded):
		return domain.Wrap(domain.Unavailable, err, "The service is busy. Try again in a few seconds.")
	}
	return err
}

func busy(code string) bool {
	switch code {
	case "40001", "40P01", "55P03", "57014", "57P01", "57P03", "53300":
		return true
	}
	return strings.HasPrefix(code, "08")
}
