package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http/httptest"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"drumline/api"
	"drumline/diagnosis/catalogue"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// sent is one statement as the service sent it. Texts are the arguments in text
// form, nil for NULL.
type sent struct {
	sql   string
	args  []any
	texts []*string
	fresh []bool // the argument is an id made for this request
}

// trip is what went to the server in one round trip.
type trip []sent

// recorder notes the statements of a pool.
type recorder struct {
	mu    sync.Mutex
	on    bool
	trips []trip
}

// start forgets what was noted and notes from now on.
func (r *recorder) start() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.on, r.trips = true, nil
}

func (r *recorder) stop() []trip {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.on = false
	return r.trips
}

func (r *recorder) trip(ss ...sent) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.on {
		r.trips = append(r.trips, ss)
	}
}

// TraceQueryStart notes a statement sent alone.
func (r *recorder) TraceQueryStart(ctx context.Context, _ *pgx.Conn, q pgx.TraceQueryStartData) context.Context {
	r.trip(sent{sql: q.SQL, args: q.Args})
	return ctx
}

// TraceQueryEnd does nothing.
func (r *recorder) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// TraceBatchStart begins a trip.
func (r *recorder) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	r.trip()
	return ctx
}

// TraceBatchQuery notes a statement of the trip under way.
func (r *recorder) TraceBatchQuery(_ context.Context, _ *pgx.Conn, q pgx.TraceBatchQueryData) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.on {
		last := len(r.trips) - 1
		r.trips[last] = append(r.trips[last], sent{sql: q.SQL, args: q.Args})
	}
}

// TraceBatchEnd does nothing.
func (r *recorder) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

// capture lets the service store two readings and gives the statements of the
// second, by round trip. What differs between the two is made for each request.
func capture(ctx context.Context, d *database, data *dataset) ([]trip, error) {
	db, rec, err := tracedPool(ctx, d)
	if err != nil {
		return nil, err
	}
	defer db.Close()
	edge, err := newEdge(db, data.keyFile, io.Discard)
	if err != nil {
		return nil, err
	}
	post := func(key string) error {
		w := httptest.NewRecorder()
		req := httptest.NewRequestWithContext(ctx, "POST", path(0), strings.NewReader(body(data.techs[0])))
		for _, h := range headers(data.techs[0], key) {
			req.Header.Set(h[0], h[1])
		}
		if edge.Handler().ServeHTTP(w, req); w.Code != 201 {
			return fmt.Errorf("the service answered %d: %s", w.Code, w.Body)
		}
		return nil
	}
	if err := post("warm"); err != nil {
		return nil, err
	}
	rec.start()
	if err := post(captureKey + "1"); err != nil {
		return nil, err
	}
	first := rec.stop()
	rec.start()
	if err := post(captureKey + "2"); err != nil {
		return nil, err
	}
	trips := rec.stop()
	if err := markFresh(first, trips); err != nil {
		return nil, err
	}
	return trips, spell(ctx, db.Pool, trips)
}

// captureKey begins the idempotency keys of captured requests.
const captureKey = "captured-request-"

func tracedPool(ctx context.Context, d *database) (*pg.DB, *recorder, error) {
	db, err := pg.Open(ctx, d.appURL, pg.Options{Access: people.Access, MaxConns: 1})
	if err != nil {
		return nil, nil, err
	}
	rec := &recorder{}
	config := db.Pool.Config()
	config.ConnConfig.Tracer = rec
	db.Close()
	db.Pool, err = pgxpool.NewWithConfig(ctx, config)
	return db, rec, err
}

// newEdge wires the service.
func newEdge(db *pg.DB, keyFile string, log io.Writer) (*api.Edge, error) {
	cat, err := catalogue.Open()
	if err != nil {
		return nil, err
	}
	keys, err := people.LoadKeyring(issuer, keyFile, time.Now())
	if err != nil {
		return nil, err
	}
	a := api.New(api.Deps{DB: db, Keys: keys, Hasher: people.NewHasher(), Catalogue: cat, Now: time.Now, AccessLife: time.Hour})
	return a.Edge("bench", slog.New(slog.NewJSONHandler(log, nil))), nil
}

// markFresh compares two requests of the same kind argument by argument.
func markFresh(a, b []trip) error {
	different := fmt.Errorf("two equal requests ran different statements: %d and %d round trips", len(a), len(b))
	if len(a) != len(b) {
		return different
	}
	for i := range b {
		if len(a[i]) != len(b[i]) {
			return different
		}
		for j := range b[i] {
			s, old := &b[i][j], a[i][j]
			if s.sql != old.sql || len(s.args) != len(old.args) {
				return fmt.Errorf("%w: %s", different, s.sql)
			}
			s.fresh = make([]bool, len(s.args))
			for n := range s.args {
				s.fresh[n] = isFresh(s.args[n], old.args[n])
			}
		}
	}
	return nil
}

// spell writes every argument as text, as its statement's parameter wants it.
func spell(ctx context.Context, pool *pgxpool.Pool, trips []trip) error {
	conn, err := pool.Acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	for _, t := range trips {
		for i := range t {
			s := &t[i]
			if len(s.args) == 0 {
				continue
			}
			d, err := conn.Conn().Prepare(ctx, "", s.sql)
			if err != nil {
				return fmt.Errorf("%s: %w", s.sql, err)
			}
			if s.texts, err = texts(conn.Conn().TypeMap(), d.ParamOIDs, s.args); err != nil {
				return fmt.Errorf("%s: %w", s.sql, err)
			}
		}
	}
	return nil
}

func texts(m *pgtype.Map, oids []uint32, args []any) ([]*string, error) {
	out := make([]*string, len(args))
	for i, a := range args {
		buf, err := m.Encode(oids[i], pgtype.TextFormatCode, a, []byte{}) // nil would make "" look like NULL
		if err != nil {
			return nil, fmt.Errorf("argument %d: %w", i+1, err)
		}
		if buf != nil {
			s := string(buf)
			out[i] = &s
		}
	}
	return out, nil
}
