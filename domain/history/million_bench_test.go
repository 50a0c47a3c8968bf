package history_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/history"
	"drumline/domain/people"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
)

// id is the SQL of an id made of a number: entity tells kinds apart.
func id(entity, n string) string {
	return fmt.Sprintf("('%s-0000-7000-8000-' || lpad(to_hex((%s)::bigint), 12, '0'))::uuid", entity, n)
}

// fill invents one large shop: 250,000 units, 700,000 calls, 1,000,000 visits,
// 600,000 repairs and 5,000,000 readings over eight years.
func fill(b *testing.B, admin *pgx.Conn, shop, person domain.ID) {
	for _, sql := range []string{
		`SET session_replication_role = replica`, `SET synchronous_commit = off`, `SET maintenance_work_mem = '512MB'`,
		`INSERT INTO customer (shop_id, id, name, created_at, updated_at) VALUES ($1, ` + id("c0000000", "1") + `, 'C', now(), now())`,
		`INSERT INTO site (shop_id, id, customer_id, time_zone, address, created_at, updated_at) VALUES ($1, ` + id("50000000", "1") + `, ` + id("c0000000", "1") + `, 'UTC', 'A', now(), now())`,
		`INSERT INTO unit (shop_id, id, site_id, kind, model, created_at, updated_at) SELECT $1, ` + id("a0000000", "n") + `, ` + id("50000000", "1") + `,
			CASE n % 3 WHEN 0 THEN 'electric_dryer' WHEN 1 THEN 'washer' ELSE 'dishwasher' END, 'M' || n % 300, now(), now() FROM generate_series(1::bigint, 250000) n`,
		// Each unit has up to five calls some months apart.
		`INSERT INTO call (shop_id, id, unit_id, complaint, status, outcome, opened_by, opened_at, closed_by, closed_at, status_since)
			SELECT $1, ` + id("ca000000", "n") + `, ` + id("a0000000", "1 + n % 250000") + `, CASE n * 7 % 11 WHEN 0 THEN 'no_heat' ELSE 'runs_too_hot' END, 'closed', 'returned_to_service', $2,
				t, $2, t + interval '1 day', t FROM generate_series(1::bigint, 700000) n, LATERAL (SELECT now() - interval '2900 days' + (n / 250000) * interval '800 days'
				+ (n * 7919 % 700) * interval '1 day' AS t) x`,
		`INSERT INTO visit (shop_id, id, call_id, starts_at, ends_at, status, created_at, updated_at)
			SELECT $1, ` + id("b0000000", "n") + `, ` + id("ca000000", "1 + n % 700000") + `, now() - (n % 2900) * interval '1 day', now() - (n % 2900) * interval '1 day' + interval '1 hour',
				'done', now(), now() FROM generate_series(1::bigint, 1000000) n`,
		`INSERT INTO conclusion (shop_id, id, call_id, visit_id, part, fault, action_id, supported, probability, assessment, engine_version, concluded_by, concluded_at)
			SELECT $1, ` + id("d0000000", "n") + `, ` + id("ca000000", "n") + `, ` + id("b0000000", "n") + `, 'part_' || n % 12, 'fault_' || n % 23, ` + id("e0000000", "n") + `, true, 0.9, '{}', 'b', $2, now()
			FROM generate_series(1::bigint, 600000) n`,
		`INSERT INTO part_fitted (shop_id, conclusion_id, n, number, source, lot) SELECT $1, ` + id("d0000000", "n") + `, 0, 'N-' || n % 40, (ARRAY['new_maker', 'new_other_maker', 'used'])[1 + n % 3], 'L' || n % 9
			FROM generate_series(1::bigint, 600000, 2) n`,
		`INSERT INTO reading (shop_id, id, call_id, visit_id, check_id, phase, observed_at, recorded_at, person_id, catalogue_version)
			SELECT $1, ` + id("f0000000", "n") + `, ` + id("ca000000", "1 + n % 700000") + `, ` + id("b0000000", "1 + n % 1000000") + `, 'check', CASE n % 5 WHEN 0 THEN 'verification' ELSE 'as_found' END,
				now(), now(), $2, 1 FROM generate_series(1::bigint, 5000000) n`,
		`INSERT INTO history_stale (shop_id, unit_id) SELECT $1, id FROM unit WHERE shop_id = $1`,
		`SET session_replication_role = origin`, `ANALYZE`,
	} {
		var args []any
		for i, a := range []any{shop.String(), person.String()} {
			if containsParam(sql, i+1) {
				args = append(args, a)
			}
		}
		_, err := admin.Exec(b.Context(), sql, args...)
		require.NoError(b, err, "%.80s", sql)
	}
}

func containsParam(sql string, n int) bool {
	for i := 0; i+1 < len(sql); i++ {
		if sql[i] == '$' && int(sql[i+1]-'0') == n {
			return true
		}
	}
	return false
}

// BenchmarkMillion asks the owner's questions of a shop with 1,000,000 visits and
// 5,000,000 readings: the usual ones, kept and not, and with a filter. Making the
// shop takes minutes.
func BenchmarkMillion(b *testing.B) {
	test := pgtest.New(b)
	db, err := pg.Open(b.Context(), test.AppURL, pg.Options{Access: people.Access, MaxConns: 4})
	require.NoError(b, err)
	b.Cleanup(db.Close)
	desk := &people.Service{DB: db, Keys: people.NewKeyring("bench", "k"), Hasher: people.NewWeakHasher(), Now: time.Now, AccessLife: time.Hour}
	shop, _, err := desk.CreateShop(b.Context(), people.NewShop{Code: "million", Name: "M", TimeZone: "UTC", OwnerName: "O", Email: "o@million.example", Password: "correct horse 42"})
	require.NoError(b, err)
	token, err := desk.SignIn(b.Context(), "million", "o@million.example", "correct horse 42")
	require.NoError(b, err)
	p, err := desk.Authenticate(token.Access)
	require.NoError(b, err)
	p.Needs = domain.Anyone()
	p.Role = domain.Owner
	admin, err := pgx.Connect(b.Context(), test.AdminURL)
	require.NoError(b, err)
	defer func() { _ = admin.Close(context.Background()) }()
	fill(b, admin, shop.ID, p.Person)
	s := &history.Service{DB: db, Now: time.Now}
	began := time.Now()
	require.NoError(b, s.Settle(b.Context(), p))
	b.Logf("rows of 250,000 units put together in %s", time.Since(began).Round(time.Second))
	_, err = admin.Exec(b.Context(), "ANALYZE")
	require.NoError(b, err)
	for _, q := range []struct {
		name string
		ask  func(f history.Filter) error
	}{
		{"summary", func(f history.Filter) error { _, err := s.Summary(b.Context(), p, f); return err }},
		{"come-backs", func(f history.Filter) error { _, err := s.ComeBacks(b.Context(), p, f); return err }},
		{"curve", func(f history.Filter) error { _, err := s.TimeToComeBack(b.Context(), p, f, "part"); return err }},
		{"repeats", func(f history.Filter) error { _, err := s.Repeats(b.Context(), p, f); return err }},
		{"part-life", func(f history.Filter) error { _, err := s.PartLife(b.Context(), p, f, "part_source"); return err }},
		{"trend", func(f history.Filter) error { _, err := s.Trend(b.Context(), p, f); return err }},
		{"ranking", func(f history.Filter) error { _, err := s.Ranking(b.Context(), p, f, "model"); return err }},
		{"pareto", func(f history.Filter) error { _, err := s.Pareto(b.Context(), p, f, "fault", "day"); return err }},
	} {
		b.Run(q.name+"/live", func(b *testing.B) {
			for b.Loop() {
				require.NoError(b, q.ask(history.Filter{From: domain.Date{Year: 1990, Month: 1, Day: 1}}))
			}
		})
		require.NoError(b, q.ask(history.Filter{}))
		b.Run(q.name+"/kept", func(b *testing.B) {
			for b.Loop() {
				require.NoError(b, q.ask(history.Filter{}))
			}
		})
	}
	b.Run("week", func(b *testing.B) {
		for b.Loop() {
			_, err := s.ReadWeek(b.Context(), p, domain.Date{})
			require.NoError(b, err)
		}
	})
}
