package api_test

import (
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/api"
	"drumline/domain"
	"drumline/shared/pg/pgtest"
)

// example is a request that works for the shop its ids belong to. {names} in
// path, body and headers stand for ids; see makers.
type example struct {
	as     string // owner, dispatcher, tech; empty: nobody
	path   string
	body   string
	header []string
	status int // of success; 0 = any 2xx
}

// scene makes the things an example names, each once, for one shop.
type scene struct {
	shop
	made map[string]string
}

func newScene(s shop) *scene { return &scene{shop: s, made: map[string]string{}} }

// get gives the id of the thing called name, making it first if need be.
func (s *scene) get(name string) string {
	s.owner.w.t.Helper()
	if id, ok := s.made[name]; ok {
		return id
	}
	f, ok := makers[name]
	require.True(s.owner.w.t, ok, "no maker for {%s}", name)
	s.made[name] = "" // a maker that needs itself would not end
	s.made[name] = f(s)
	return s.made[name]
}

// fill puts ids in the place of {names}; name alone gets id instead of its own.
func (s *scene) fill(text, name, id string) string {
	return placeholder.ReplaceAllStringFunc(text, func(m string) string {
		if n := m[1 : len(m)-1]; n != name {
			return s.get(n)
		}
		return id
	})
}

var placeholder = regexp.MustCompile(`\{[a-z_]+\}`)

// names lists the placeholders of the example that stand for ids.
func (e example) names() []string {
	found := map[string]bool{}
	for _, text := range append([]string{e.path, e.body}, e.header...) {
		for _, m := range placeholder.FindAllString(text, -1) {
			if n := m[1 : len(m)-1]; !notIDs[n] {
				found[n] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(found))
}

// notIDs are placeholders that are no ids of a shop's things.
var notIDs = map[string]bool{"invitation_token": true, "refresh_token": true, "shop_code": true, "owner_email": true,
	"window_start": true, "window_end": true, "now": true, "sheet_etag": true, "call_etag": true, "fresh_id": true,
	"care_policy": true, "bounce_body": true, "bounce_signature": true}

// keys are placeholders of tokens: whoever has one may read what it is for.
var keys = map[string]bool{"calendar_token": true, "mail_token": true, "report_token": true}

func (s *scene) as(role string) *client {
	switch role {
	case "owner":
		return s.owner
	case "dispatcher":
		return s.dispatcher
	case "tech":
		return s.tech
	case "mate":
		return s.mate
	case "leaver": // somebody whose access may end
		return s.owner.w.join(s.owner, "leaver"+domain.NewID(time.Now()).String()[24:], "tech", s.code)
	}
	return &client{w: s.owner.w}
}

// ask sends the example with name replaced by id.
func (s *scene) ask(op api.Op, e example, name, id string) answer {
	s.owner.w.t.Helper()
	var body any
	if e.body != "" {
		body = s.fill(e.body, name, id)
	}
	header := make([]string, len(e.header))
	for i, h := range e.header {
		header[i] = s.fill(h, name, id)
	}
	return s.as(e.as).do(op.Method, s.fill(e.path, name, id), body, header...)
}

// TestNoOperationLeaks goes over every operation with another shop's ids.
// First with row-level security, as it is; then without it, so that the
// conditions of the statements stand alone.
func TestNoOperationLeaks(t *testing.T) {
	t.Run("with row-level security", func(t *testing.T) { walk(t, newWorld(t)) })
	t.Run("with the statements' own conditions only", func(t *testing.T) {
		db := pgtest.New(t)
		withoutRowSecurity(t, db)
		walk(t, newWorldOn(t, db, 8))
	})
}

// walk asks each operation three times: with one id of another shop, with that
// id absent, and with the shop's own. The first two must not be told apart,
// the third must work, and the other shop must not have changed.
func walk(t *testing.T, w *world) {
	foreign := newScene(w.b)
	for name := range makers {
		foreign.get(name)
	}
	before := dump(t, w, w.b.id)
	defer func() { w.t = t }()
	seen := map[string]bool{}
	for _, op := range w.edge.Routes() {
		seen[op.ID] = true
		t.Run(op.ID, func(t *testing.T) {
			e, ok := examples[op.ID]
			require.True(t, ok, "the operation has no working example")
			w.t = t
			own := newScene(w.a)
			for _, name := range e.names() {
				absent := own.ask(op, e, name, domain.NewID(time.Now()).String())
				if op.Public && keys[name] {
					require.Equal(t, http.StatusNotFound, absent.status, "%s", absent.raw)
					continue
				}
				leak := own.ask(op, e, name, foreign.get(name))
				require.Equal(t, absent.status, leak.status, "{%s} of another shop: %s", name, leak.raw)
				require.Equal(t, string(absent.raw), string(leak.raw), "{%s} of another shop", name)
				require.Equal(t, stable(absent.header), stable(leak.header), "{%s} of another shop", name)
				inPath, inQuery := strings.Contains(e.path, "/{"+name+"}"), strings.Contains(e.path, "={"+name+"}")
				if inPath {
					require.Equal(t, http.StatusNotFound, leak.status, "{%s} of another shop: %s", name, leak.raw)
				}
				filters := inQuery && op.ID != "list-slots" // those are of one call, which must exist
				require.Equal(t, filters, leak.status < 400, "{%s} of another shop: %s", name, leak.raw)
			}
			got := own.ask(op, e, "", "")
			if got.status >= 500 {
				t.Log(w.logs.String())
			}
			require.True(t, got.status >= 200 && got.status < 300 && (e.status == 0 || got.status == e.status), "own ids: %d %s", got.status, got.raw)
		})
	}
	w.t = t
	for id := range examples {
		require.True(t, seen[id], "example %s is of no operation", id)
	}
	require.Empty(t, w.valid.Unseen(), "operations no answer was checked for")
	require.Equal(t, before, dump(t, w, w.b.id), "the other shop changed")
}

// stable leaves out the headers that differ between any two answers.
func stable(h http.Header) http.Header {
	c := h.Clone()
	for _, name := range []string{"X-Request-Id", "Date"} {
		c.Del(name)
	}
	return c
}

// shopTables lists the tables that hold shops' rows.
func shopTables(t *testing.T, conn *pgx.Conn) []string {
	t.Helper()
	rows, err := conn.Query(t.Context(), `SELECT c.relname::text FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
		WHERE c.relkind = 'r' AND a.attname = 'shop_id' AND NOT a.attisdropped AND c.relnamespace = 'public'::regnamespace ORDER BY 1`)
	require.NoError(t, err)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Greater(t, len(names), 20)
	return names
}

func admin(t *testing.T, db *pgtest.DB) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), db.AdminURL)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(t.Context()) })
	return conn
}

// dump is every row of a shop as text, read past row-level security.
func dump(t *testing.T, w *world, shop domain.ID) map[string]string {
	t.Helper()
	conn := admin(t, w.db)
	out := map[string]string{}
	for _, table := range shopTables(t, conn) {
		var text string
		err := conn.QueryRow(t.Context(), fmt.Sprintf(`SELECT coalesce(string_agg(x::text, E'\n' ORDER BY x::text), '') FROM %s x WHERE shop_id = $1`,
			pgx.Identifier{table}.Sanitize()), shop.String()).Scan(&text)
		require.NoError(t, err)
		out[table] = text
	}
	return out
}

func withoutRowSecurity(t *testing.T, db *pgtest.DB) {
	t.Helper()
	conn := admin(t, db)
	for _, table := range shopTables(t, conn) {
		_, err := conn.Exec(t.Context(), `ALTER TABLE `+pgx.Identifier{table}.Sanitize()+` DISABLE ROW LEVEL SECURITY`)
		require.NoError(t, err)
	}
}

// policyHoles signs in as the runtime role, sets one shop and counts what it
// sees of the other: table → rows. It also tries without a shop.
func policyHoles(t *testing.T, w *world) map[string]int {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), w.db.AppURL)
	require.NoError(t, err)
	defer func() { _ = conn.Close(t.Context()) }()
	holes := map[string]int{}
	for _, table := range shopTables(t, admin(t, w.db)) {
		for _, setting := range []string{w.a.id.String(), ""} {
			tx, err := conn.Begin(t.Context())
			require.NoError(t, err)
			_, err = tx.Exec(t.Context(), `SELECT set_config('app.shop', $1, true)`, setting)
			require.NoError(t, err)
			var n int
			require.NoError(t, tx.QueryRow(t.Context(), `SELECT count(*) FROM `+pgx.Identifier{table}.Sanitize()+
				` WHERE shop_id::text <> $1`, setting).Scan(&n), table)
			require.NoError(t, tx.Rollback(t.Context()))
			if n > 0 {
				holes[table] += n
			}
		}
	}
	return holes
}

// TestPoliciesHideOtherShops asks each table for another shop's rows as the
// runtime role, and shows that a lost policy would be seen.
func TestPoliciesHideOtherShops(t *testing.T) {
	w := newWorld(t)
	other := newScene(w.b)
	for name := range makers {
		other.get(name)
	}
	filled := dump(t, w, w.b.id)
	for table, text := range filled {
		require.NotEmpty(t, text, "table %s holds nothing of the other shop, so hiding it proves nothing", table)
	}
	require.Empty(t, policyHoles(t, w))
	conn := admin(t, w.db)
	for _, table := range slices.Sorted(maps.Keys(filled)) {
		name := pgx.Identifier{table}.Sanitize()
		_, err := conn.Exec(t.Context(), `ALTER TABLE `+name+` DISABLE ROW LEVEL SECURITY`)
		require.NoError(t, err)
		require.Contains(t, policyHoles(t, w), table, "a table without its policies goes unnoticed")
		_, err = conn.Exec(t.Context(), `ALTER TABLE `+name+` ENABLE ROW LEVEL SECURITY`)
		require.NoError(t, err)
	}
}

// TestRuntimeRoleCannotGetAround tries what SQL alone might offer.
func TestRuntimeRoleCannotGetAround(t *testing.T) {
	w := newWorld(t)
	w.b.newHouse()
	conn, err := pgx.Connect(t.Context(), w.db.AppURL)
	require.NoError(t, err)
	defer func() { _ = conn.Close(t.Context()) }()
	for _, sql := range []string{`SET ROLE drumline_owner`, `SET SESSION AUTHORIZATION postgres`, `TRUNCATE customer`, `ALTER TABLE customer DISABLE ROW LEVEL SECURITY`,
		`DROP POLICY own ON customer`, `COPY customer TO '/tmp/x'`, `UPDATE audit SET action = 'x'`, `DELETE FROM audit`, `CREATE TABLE x (a int)`,
		`SET row_security = off; SELECT * FROM customer`, `UPDATE verdict SET outcome = 'conforms'`, `INSERT INTO schema_migrations VALUES (99, false)`} {
		_, err := conn.Exec(t.Context(), sql)
		require.Error(t, err, sql)
	}
	var n int
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT count(*) FROM customer`).Scan(&n))
	require.Zero(t, n, "no shop set: no rows")
}
