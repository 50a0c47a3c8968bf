package care

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
)

// The size the figures are for: a million units of half as many customers, in
// two hundred shops, each with the ledger of the year before; as of benchToday
// in the service's time.
const (
	manyShops    = 200
	unitsPerShop = 5000
)

var benchToday = time.Date(2028, 6, 15, 6, 0, 0, 0, time.UTC)

// million fills a database. Dates to come are spread evenly over a year from
// the day after $1 on, and have been seen to as leads of 30 and 7 days ask for.
var million = []string{
	`CREATE FUNCTION pg_temp.key(kind text, n bigint) RETURNS uuid IMMUTABLE LANGUAGE sql
		RETURN (lpad(to_hex(n), 8, '0') || '-0000-7000-8000-' || rpad(kind, 12, '0'))::uuid`,
	`CREATE TEMP TABLE shops AS SELECT n, pg_temp.key('a', n) AS shop FROM generate_series(1, 200) n`,
	`CREATE TEMP TABLE units AS SELECT s.shop, pg_temp.key('b', s.n * 5000 + i) AS unit, pg_temp.key('c', s.n * 5000 + i / 2) AS site, pg_temp.key('d', s.n * 5000 + i / 2) AS customer,
		pg_temp.key('e', s.n * 5000 + i / 2) AS mail, (hashint8(s.n * 5000 + i) & 1023) % 100 AS area, $1::date + 1 + (hashint8(s.n * 5000 + i) & 1048575) % 365 AS due, i
		FROM shops s, generate_series(0, 4999) i`,
	`INSERT INTO shop_directory SELECT 'shop-' || n, shop FROM shops`,
	`INSERT INTO shop (shop_id, name, time_zone, created_at) SELECT shop, 'Shop ' || n, 'America/New_York', now() FROM shops`,
	`INSERT INTO shop_feed (shop_id, seq) SELECT shop, 0 FROM shops`,
	`INSERT INTO care_policy (shop_id, enabled, paused, dry_run, language, sender_name, sender_address, reply_to, phone, postal_address, greeting, closing, lead_days,
			grace_days, window_from, window_to, tasks, per_minute, flood, confirm_visits, day_before, send_report, bounce_key, updated_at)
		SELECT shop, true, false, false, 'en', 'Shop', 'care@shop.example', '', '', '3 Alder Lane', '', '', '{30,7}', 14, 540, 1080, '{}', 60, 100, true, true, true,
			decode(repeat('00', 32), 'hex'), now() FROM shops`,
	`INSERT INTO care_agenda (shop_id, wake_at) SELECT shop, $1::date + CASE WHEN n % 10 = 0 THEN interval '5 hours' ELSE interval '7 hours' END FROM shops`,
	`INSERT INTO customer (shop_id, id, name, email, phone, created_at, updated_at)
		SELECT shop, customer, 'Customer ' || i, 'c' || i || '@homes.example', '555 0100', now(), now() FROM units WHERE i % 2 = 0`,
	`INSERT INTO site (shop_id, id, customer_id, address, postal_code, time_zone, created_at, updated_at)
		SELECT shop, site, customer, i || ' Aspen Way', '80' || lpad(area::text, 3, '0'), 'America/New_York', now(), now() FROM units WHERE i % 2 = 0`,
	`INSERT INTO unit (shop_id, id, site_id, kind, model, installed_on, created_at, updated_at)
		SELECT shop, unit, site, 'electric_dryer', 'QX-41', due - interval '1 year', now(), now() FROM units`,
	`INSERT INTO care_due (shop_id, unit_id, task, due_on, months, asked_on, derived_on, led_on, next_lead_on)
		SELECT shop, unit, 'lint_path', due, 12, due, due - 365, CASE WHEN due - 7 <= $1::date THEN due - 7 WHEN due - 30 <= $1::date THEN due - 30 END,
			CASE WHEN due - 30 > $1::date THEN due - 30 WHEN due - 7 > $1::date THEN due - 7 END FROM units`,
	`INSERT INTO mail (shop_id, id, kind, customer_id, day, message_id, token_hash, bounce_hash, state, attempt, next_at, useless_at, claimed_by, handed_at, created_at, settled_at)
		SELECT shop, mail, 'care', customer, due - 395, mail || '@shop.example', sha256(mail::text::bytea), sha256(('b' || mail::text)::bytea), 'accepted', 1, due - 395, due - 351, 'w', due - 395, due - 395, due - 395
		FROM units WHERE i % 2 = 0`,
	`INSERT INTO reminder (shop_id, id, kind, channel, customer_id, unit_id, task, due_on, lead_days, state, not_before, useless_at, mail_id, planned_at, settled_at)
		SELECT shop, unit, 'care', 'email', customer, unit, 'lint_path', due - 365, 30, 'mailed', due - 395, due - 351, mail, due - 396, due - 395 FROM units`,
	`VACUUM (ANALYZE)`,
}

// millionUnits is that database, signed in as the service's role and the
// worker's, and the shops in it.
func millionUnits(b *testing.B) (app, worker *pg.DB, admin *pgx.Conn, shops []domain.ID) {
	b.Helper()
	db := pgtest.New(b)
	admin, err := pgx.Connect(b.Context(), db.AdminURL)
	require.NoError(b, err)
	b.Cleanup(func() { _ = admin.Close(context.Background()) })
	began := time.Now()
	// Rows made here fit together; their foreign keys need no looking up.
	_, err = admin.Exec(b.Context(), `SET session_replication_role = replica`)
	require.NoError(b, err)
	on := benchToday.Format("date '2006-01-02'")
	for _, sql := range million {
		_, err := admin.Exec(b.Context(), strings.ReplaceAll(sql, "$1::date", on), pgx.QueryExecModeSimpleProtocol)
		require.NoError(b, err, sql)
	}
	_, err = admin.Exec(b.Context(), `SET session_replication_role = origin`)
	require.NoError(b, err)
	rows, err := admin.Query(b.Context(), `SELECT shop_id FROM shop ORDER BY shop_id`)
	require.NoError(b, err)
	for rows.Next() {
		var id domain.ID
		require.NoError(b, rows.Scan(&id))
		shops = append(shops, id)
	}
	require.NoError(b, rows.Err())
	require.Len(b, shops, manyShops)
	var units int
	require.NoError(b, admin.QueryRow(b.Context(), `SELECT count(*) FROM care_due`).Scan(&units))
	require.Equal(b, manyShops*unitsPerShop, units)
	b.Logf("a million units in %s", time.Since(began).Round(time.Second))
	for url, to := range map[string]**pg.DB{db.AppURL: &app, db.WorkerURL: &worker} {
		*to, err = pg.Open(b.Context(), url, pg.Options{MaxConns: 4})
		require.NoError(b, err)
		b.Cleanup((*to).Close)
	}
	return app, worker, admin, shops
}

// BenchmarkMillion measures what grows with all units of an installation. On
// two cores: who has something to do within 20 ms, a page of due dates within
// 5 ms, a day planned within 2 s (our own bounds).
func BenchmarkMillion(b *testing.B) {
	app, worker, admin, shops := millionUnits(b)
	w := &Worker{DB: worker, Now: func() time.Time { return benchToday }}
	waits := func(want int) func(*testing.B) {
		return func(b *testing.B) {
			for b.Loop() {
				got, err := w.Waiting(b.Context())
				require.NoError(b, err)
				require.Len(b, got, want)
			}
			milliseconds(b)
		}
	}
	b.Run("Waiting", waits(manyShops/10))
	s := &Service{DB: app, Now: w.Now}
	for name, f := range map[string]DueFilter{"Due": {}, "DueArea": {Area: "80042"}, "DueNoArea": {Area: "99"}, "DueTask": {Task: LintPath}, "DueFrom": {From: date("2029-03-01")}} {
		b.Run(name, func(b *testing.B) { benchDue(b, s, shops[:10], f) })
	}
	b.Run("PlanDay", func(b *testing.B) { benchPlan(b, worker, admin, shops) })
	_, err := admin.Exec(b.Context(), `INSERT INTO care_stale SELECT shop_id, id FROM unit`)
	require.NoError(b, err)
	b.Run("WaitingAllStale", waits(manyShops))
}

// milliseconds reports the time of one round in milliseconds.
func milliseconds(b *testing.B) {
	b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms/op")
}

// benchDue reads first pages of due dates, of one of a few shops after another.
func benchDue(b *testing.B, s *Service, shops []domain.ID, f DueFilter) {
	rows, n := 0, 0
	for b.Loop() {
		got, err := s.ListDue(b.Context(), domain.System(shops[n%len(shops)], "bench"), f, DueKey{}, 50)
		require.NoError(b, err)
		rows, n = rows+len(got), n+1
	}
	milliseconds(b)
	b.ReportMetric(float64(rows)/float64(n), "rows/op")
}

// benchPlan plans one day of all shops, a day later each round.
func benchPlan(b *testing.B, db *pg.DB, admin *pgx.Conn, shops []domain.ID) {
	days := 0
	w := &Worker{DB: db, Now: func() time.Time { return benchToday.AddDate(0, 0, days) }}
	for b.Loop() {
		days++
		require.Empty(b, w.Plan(b.Context(), shops))
	}
	milliseconds(b)
	var planned int
	require.NoError(b, admin.QueryRow(b.Context(), `SELECT count(*) FROM reminder WHERE planned_at >= $1`, benchToday).Scan(&planned))
	require.Positive(b, planned)
	b.ReportMetric(float64(planned)/float64(days), "planned/op")
}
