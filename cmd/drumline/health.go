package main

import (
	"context"
	"fmt"
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
// schema is new enough, and the process is not about to end.
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

// schema refuses a database older than this program. A newer one is fine: it
// is migrated while processes of the version before still run.
func (s *server) schema(ctx context.Context) error {
	var version uint
	if err := s.db.Pool.QueryRow(ctx, `SELECT version FROM schema_migrations LIMIT 1`).Scan(&version); err != nil {
		return err
	}
	if version < migrations.Latest() {
		return fmt.Errorf("the schema is at version %d, this program needs %d", version, migrations.Latest())
	}
	return nil
}

func say(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = io.WriteString(w, text) // the client may have gone
}
