package main

import (
	"context"
	"errors"
	"io"
	"net/http"
	"time"

	"drumline/migrations"
)

// live says that the process answers. It touches nothing: a database that is
// away is no reason to kill the process.
func live(w http.ResponseWriter, _ *http.Request) { say(w, http.StatusOK, "alive\n") }

// readyTime bounds the look at the database.
const readyTime = time.Second

// ready says whether requests should be sent here: the database answers, its
// schema is the one of this program, and the process is not about to end.
func (s *server) ready(w http.ResponseWriter, r *http.Request) {
	if s.draining.Load() {
		say(w, http.StatusServiceUnavailable, "draining\n")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), readyTime)
	defer cancel()
	if err := s.schema(ctx); err != nil {
		s.log.Warn("not ready", "error", err.Error())
		say(w, http.StatusServiceUnavailable, "database is not ready\n")
		return
	}
	say(w, http.StatusOK, "ready\n")
}

var errSchema = errors.New("the schema is not the one this program needs: see drumline migrate check")

func (s *server) schema(ctx context.Context) error {
	var version uint
	var dirty bool
	if err := s.db.Pool.QueryRow(ctx, `SELECT version, dirty FROM schema_migrations LIMIT 1`).Scan(&version, &dirty); err != nil {
		return err
	}
	if dirty || version != migrations.Latest() {
		return errSchema
	}
	return nil
}

func say(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = io.WriteString(w, text) // the client may have gone
}
