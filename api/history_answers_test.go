package api_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
)

// past writes calls of long ago straight into the tables, as no operation can.
type past struct {
	t     testing.TB
	s     *scene
	admin *pgx.Conn
	zone  *time.Location
}

func newPast(s *scene) *past {
	t := s.owner.w.t
	admin, err := pgx.Connect(t.Context(), s.owner.w.db.AdminURL)
	require.NoError(t, err)
	t.Cleanup(func() { _ = admin.Close(context.Background()) })
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(t, err)
	return &past{t, s, admin, zone}
}

func (p *past) exec(sql string, args ...any) {
	_, err := p.admin.Exec(p.t.Context(), sql, args...)
	require.NoError(p.t, err)
}

// at is ten o'clock of a day at the shop.
func (p *past) at(day string) time.Time {
	d, err := time.ParseInLocation("2006-01-02", day, p.zone)
	require.NoError(p.t, err)
	return d.Add(10 * time.Hour)
}

// fix is a repair of a fault on a call.
type fix struct{ part, fault, number, source, lot string }

// call is a call of the past with its repairs; closed "" leaves it open.
func (p *past) call(unit, complaint, opened, closed, outcome, from string, visits int, by domain.ID, fixes ...fix) (string, []string) {
	id, shop := domain.NewID(p.at(opened)).String(), p.s.id.String()
	var end, why, earlier any
	status := "open"
	if closed != "" {
		end, why, status = p.at(closed).Add(time.Hour), outcome, "closed"
	}
	if from != "" {
		earlier = from
	}
	p.exec(`INSERT INTO call (shop_id, id, unit_id, complaint, status, outcome, comes_back_from, opened_by, opened_at, closed_by, closed_at, status_since)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $9)`, shop, id, unit, complaint, status, why, earlier, by.String(), p.at(opened), by.String(), end)
	visit := ""
	for i := range max(visits, 1) {
		visit = domain.NewID(p.at(opened).Add(time.Duration(i) * time.Second)).String()
		p.exec(`INSERT INTO visit (shop_id, id, call_id, starts_at, ends_at, status, created_at, updated_at) VALUES ($1, $2, $3, $4, $5, $6, $4, $4)`, shop, visit, id,
			p.at(opened).Add(time.Duration(i)*time.Hour), p.at(opened).Add(time.Duration(i)*time.Hour+30*time.Minute), map[bool]string{true: "done", false: "booked"}[i < visits])
	}
	var made []string
	for i, f := range fixes {
		n := domain.NewID(p.at(opened).Add(time.Duration(i+1) * time.Minute)).String()
		action := domain.NewID(p.at(opened)).String()
		p.exec(`INSERT INTO action (shop_id, id, call_id, visit_id, action, part, done_by, done_at, recorded_at) VALUES ($1, $2, $3, $4, 'replace_part', $5, $6, $7, $7)`,
			shop, action, id, visit, f.part, by.String(), p.at(opened))
		p.exec(`INSERT INTO conclusion (shop_id, id, call_id, visit_id, part, fault, action_id, supported, probability, assessment, engine_version, concluded_by, concluded_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, true, 0.9, '{}', 'test', $8, $9)`, shop, n, id, visit, f.part, f.fault, action, by.String(), p.at(opened))
		if f.number != "" {
			p.exec(`INSERT INTO part_fitted (shop_id, conclusion_id, n, number, source, lot) VALUES ($1, $2, 0, $3, $4, $5)`, shop, n, f.number, f.source, f.lot)
		}
		made = append(made, n)
	}
	return id, made
}

func (p *past) unit(model string) string {
	return p.s.dispatcher.post("/v1/units", m{"site_id": p.s.get("site"), "kind": "electric_dryer", "model": model}).id()
}

// comeBackCall is a call that came back to a repair.
func comeBackCall(s *scene) string {
	p := newPast(s)
	unit := p.unit("CB-1")
	day := func(ago int) string { return s.owner.w.clock.now().In(p.zone).AddDate(0, 0, -ago).Format("2006-01-02") }
	first, _ := p.call(unit, "runs_too_hot", day(40), day(39), "returned_to_service", "", 1, s.tech.id, fix{"cycling_thermostat", "cycling_thermostat_opens_late", "CT-1", "new_maker", "L1"})
	again, _ := p.call(unit, "runs_too_hot", day(20), "", "", first, 0, s.tech.id)
	return again
}

func answerOf(s *scene, path string) answer { return s.owner.get("/v1/history/" + path) }

// A small shop whose answers can be worked out on paper: ten calls of ten
// units, each followed 100 days or more. Two come back about the same complaint
// (days 10 and 60), one about another (day 20).
func TestTheAnswersOfASmallShop(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2027-06-30 12:00")
	p := newPast(s)
	th := fix{"cycling_thermostat", "cycling_thermostat_opens_late", "CT-1", "new_maker", "L1"}
	var units []string
	for i := range 10 {
		units = append(units, p.unit(fmt.Sprintf("SM-%d", i)))
		p.call(units[i], "runs_too_hot", "2027-03-01", "2027-03-02", "returned_to_service", "", 1+i%2, s.tech.id, th)
	}
	p.call(units[0], "runs_too_hot", "2027-03-12", "2027-03-13", "no_fault_found", "", 1, s.mate.id)
	p.call(units[1], "no_heat", "2027-03-22", "2027-03-23", "declined", "", 1, s.mate.id)
	p.call(units[2], "runs_too_hot", "2027-05-01", "2027-05-02", "declined", "", 1, s.mate.id)
	p.call(units[3], "runs_too_hot", "2027-05-01", "2027-05-02", "cancelled", "", 0, s.mate.id) // never was
	p.call(units[4], "care", "2027-05-01", "2027-05-02", "care_done", "", 1, s.mate.id)         // no repair

	got := answerOf(s, "come-backs")
	require.Equal(t, "2027-06-29", got.str("data_cut_on"))
	require.Equal(t, 10.0, got.at("units"))
	require.Equal(t, 2.0, got.at("events"))
	// Kaplan-Meier by hand: day 10 one of ten; the other complaint of day 20 is
	// censored for it; day 60 one of eight. 1 - 9/10*7/8.
	require.InDelta(t, 0.1, got.at("calls", 0, "share", "value"), 1e-12)
	require.InDelta(t, 1-0.9*7/8, got.at("calls", 1, "share", "value"), 1e-12)
	// Aalen-Johansen by hand: the same 1/10 + 8/10*1/8, another 1/10.
	require.InDelta(t, 0.2, got.at("calls", 1, "same", "value"), 1e-12)
	require.InDelta(t, 0.1, got.at("calls", 1, "other", "value"), 1e-12)
	require.InDelta(t, 0.2, got.at("calls", 1, "naive", "value"), 1e-12)
	require.Equal(t, 0.5, got.at("first_visit_fixed", "value"))
	require.Equal(t, "unset", got.str("reasons", 0, "reason"))
	require.Equal(t, 2.0, got.at("reasons", 0, "count"))
	require.Equal(t, "ok", got.str("status"))

	// Of the fault nothing came back: three in the number at risk bounds it.
	require.Equal(t, 0.0, got.at("faults", 1, "share", "value"))
	require.Greater(t, got.at("faults", 1, "share", "high"), 0.2)
	// Nothing is extrapolated, and too few is said.
	life := answerOf(s, "part-life")
	require.Equal(t, "too_few", life.str("parts", 0, "head", "status"))
	require.Nil(t, life.body["parts"].([]any)[0].(m)["b10_days"].(m)["value"])
	require.Equal(t, "too_few", answerOf(s, "trend").str("status"))
	require.Equal(t, 0.0, answerOf(s, "come-backs?until=2027-01-01").at("repairs"))
	require.Equal(t, 1.0, answerOf(s, "come-backs?model=sm%200").at("units"))
	require.Equal(t, 0.0, answerOf(s, "come-backs?fault=heater_open").at("units"))

	// The same numbers as a table.
	table := s.owner.do("GET", "/v1/history/come-backs", nil, "Accept", "text/csv").want(200)
	lines, err := csv.NewReader(strings.NewReader(string(table.raw))).ReadAll()
	require.NoError(t, err)
	share, err := strconv.ParseFloat(lines[2][5], 64)
	require.NoError(t, err)
	require.Equal(t, got.at("calls", 1, "share", "value"), share)
	for _, path := range []string{"summary", "time-to-come-back?by=model", "repeats", "part-life?by=lot", "trend", "ranking?by=part_source", "pareto?per=day"} {
		answerOf(s, path)
		s.owner.do("GET", "/v1/history/"+path, nil, "Accept", "text/csv").want(200)
		s.dispatcher.do("GET", "/v1/history/"+path, nil).want(403)
	}
}

// What is kept of the shop equals what another reading of the raw rows gives,
// after a random history with voids, corrections, moves and retirements; and so
// do the answers that are kept.
func TestRollUpsEqualTheRawRows(t *testing.T) {
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			w := newLongWorld(t)
			s := newScene(w.a)
			w.at("2027-06-30 12:00")
			p := newPast(s)
			r := rand.New(rand.NewPCG(seed, 7))
			faults := []fix{{"cycling_thermostat", "f1", "CT-1", "new_maker", "L1"}, {"heater", "f2", "", "", ""}, {"belt", "f3", "B-9", "used", ""}}
			day := func() string {
				return time.Date(2027, 1, 1, 0, 0, 0, 0, p.zone).AddDate(0, 0, r.IntN(175)).Format("2006-01-02")
			}
			var units, conclusions []string
			for i := range 6 {
				units = append(units, p.unit(fmt.Sprintf("RM-%d", i%3)))
			}
			check := func() {
				t.Helper()
				a := answerOf(s, "come-backs")
				again := answerOf(s, "come-backs")
				require.Equal(t, string(a.raw), string(again.raw), "the answer that is kept")
				want := naively(t, p)
				got := kept(t, p)
				require.Equal(t, want, got)
			}
			for range 12 {
				for range 4 {
					on := day()
					end, err := time.Parse("2006-01-02", on)
					require.NoError(t, err)
					var fs []fix
					for _, f := range faults {
						if r.IntN(2) == 0 {
							fs = append(fs, f)
						}
					}
					closed := end.AddDate(0, 0, r.IntN(3)).Format("2006-01-02")
					outcome := []string{"returned_to_service", "returned_to_service", "declined", "cancelled"}[r.IntN(4)]
					_, made := p.call(units[r.IntN(len(units))], []string{"runs_too_hot", "no_heat", "care"}[r.IntN(3)], on, closed, outcome, "", 1+r.IntN(2), s.tech.id, fs...)
					conclusions = append(conclusions, made...)
				}
				check()
				if len(conclusions) > 0 {
					p.exec(`UPDATE conclusion SET voided_at = now(), void_reason = 'wrong' WHERE id = $1`, conclusions[r.IntN(len(conclusions))])
				}
				p.exec(`UPDATE unit SET model = 'MOVED-' || $2, version = version + 1 WHERE id = $1`, units[r.IntN(len(units))], fmt.Sprint(r.IntN(3)))
				if r.IntN(4) == 0 {
					p.exec(`UPDATE unit SET retired_at = $2 WHERE id = $1`, units[r.IntN(len(units))], p.at("2027-06-20"))
				}
				check()
			}
		})
	}
}

// kept is what the service keeps, one line a row.
func kept(t *testing.T, p *past) []string {
	var out []string
	rows, err := p.admin.Query(t.Context(), `SELECT 'call ' || call_id || ' ' || model || ' ' || closed_on || ' ' || coalesce(ended_on::text, '-') || ' ' || cause FROM call_row WHERE shop_id = $1
		UNION ALL SELECT 'repair ' || conclusion_id || ' ' || model || ' ' || fixed_on || ' ' || coalesce(ended_on::text, '-') || ' ' || cause FROM repair_row WHERE shop_id = $1 ORDER BY 1`, p.s.id.String())
	require.NoError(t, err)
	out, err = pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return out
}

// naively reads the raw tables anew, by another way: for each repair the
// database is asked for the first day on which anything came, and what.
func naively(t *testing.T, p *past) []string {
	const later = `SELECT (x.opened_at AT TIME ZONE 'America/Denver')::date AS on_day,
			bool_or(x.complaint = c.complaint OR EXISTS (SELECT FROM conclusion a JOIN conclusion b ON b.fault = a.fault AND b.call_id = x.id AND b.voided_at IS NULL
				WHERE a.call_id = c.id AND a.voided_at IS NULL AND a.action_id IS NOT NULL)) AS same
		FROM call x WHERE x.unit_id = c.unit_id AND x.opened_at > c.closed_at AND x.complaint <> 'care' AND x.outcome IS DISTINCT FROM 'cancelled'
		GROUP BY 1 ORDER BY 1 LIMIT 1`
	const found = `SELECT (x.opened_at AT TIME ZONE 'America/Denver')::date AS on_day, bool_or(b.fault = n.fault) AS same
		FROM call x JOIN conclusion b ON b.call_id = x.id AND b.voided_at IS NULL
		WHERE x.unit_id = c.unit_id AND x.opened_at > c.closed_at AND x.complaint <> 'care' AND x.outcome IS DISTINCT FROM 'cancelled'
		GROUP BY 1 ORDER BY 1 LIMIT 1`
	rows, err := p.admin.Query(t.Context(), `
		SELECT 'call ' || c.id || ' ' || u.model_norm || ' ' || (c.closed_at AT TIME ZONE 'America/Denver')::date, l.on_day, l.same, (u.retired_at AT TIME ZONE 'America/Denver')::date
		FROM call c JOIN unit u ON u.id = c.unit_id LEFT JOIN LATERAL (`+later+`) l ON true
		WHERE c.shop_id = $1 AND c.outcome = 'returned_to_service' AND c.complaint <> 'care'
		UNION ALL
		SELECT 'repair ' || n.id || ' ' || u.model_norm || ' ' || (c.closed_at AT TIME ZONE 'America/Denver')::date, l.on_day, l.same, (u.retired_at AT TIME ZONE 'America/Denver')::date
		FROM conclusion n JOIN call c ON c.id = n.call_id JOIN unit u ON u.id = c.unit_id LEFT JOIN LATERAL (`+found+`) l ON true
		WHERE c.shop_id = $1 AND c.outcome = 'returned_to_service' AND c.complaint <> 'care' AND n.voided_at IS NULL AND n.action_id IS NOT NULL`, p.s.id.String())
	require.NoError(t, err)
	defer rows.Close()
	out := []string{}
	for rows.Next() {
		var line string
		var on, retired *time.Time
		var same *bool
		require.NoError(t, rows.Scan(&line, &on, &same, &retired))
		end, cause := "-", "0"
		if on != nil {
			end, cause = on.Format("2006-01-02"), map[bool]string{true: "1", false: "2"}[*same]
		}
		if retired != nil && (on == nil || retired.Before(*on)) {
			end, cause = retired.Format("2006-01-02"), "0"
		}
		out = append(out, line+" "+end+" "+cause)
	}
	require.NoError(t, rows.Err())
	slices.Sort(out)
	return out
}

// The owner says why a call came back; the answers follow at once.
func TestWhyACallCameBack(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	call := s.get("come_back_call")
	path := "/v1/calls/" + call + "/come-back"
	require.Equal(t, s.tech.id.String(), s.owner.get(path).str("earlier_tech_id"))
	require.Equal(t, "unset", answerOf(s, "come-backs").str("reasons", 0, "reason"))
	s.dispatcher.do("PUT", path, m{"reason": "workmanship"}, "If-Match", "*").want(403)
	s.owner.do("PUT", path, m{"reason": "bad luck"}, "If-Match", "*").want(422)
	set := s.owner.do("PUT", path, m{"reason": "workmanship", "note": "A wire was pinched."}, "If-Match", s.owner.get(path).etag()).want(200)
	s.owner.do("PUT", path, m{"reason": "use"}, "If-Match", `"0"`).want(412)
	require.Equal(t, "workmanship", answerOf(s, "come-backs").str("reasons", 0, "reason"))
	require.NotEmpty(t, set.etag())
	s.owner.do("GET", "/v1/calls/"+s.get("call")+"/come-back", nil).want(404)
}

// The Friday page holds what the week left, and nothing a machine could run.
func TestTheFridayPage(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	p := newPast(s)
	day := func(ago int) string { return w.clock.now().In(p.zone).AddDate(0, 0, -ago).Format("2006-01-02") }
	unit := p.unit("FP-<b>")
	first, _ := p.call(unit, "runs_too_hot", day(50), day(49), "returned_to_service", "", 1, s.tech.id)
	p.call(unit, "runs_too_hot", day(3), day(2), "returned_to_service", first, 1, s.tech.id, fix{"belt", "f3", "", "", ""})
	p.call(p.unit("FP-2"), "no_heat", day(40), "", "", "", 0, s.tech.id)
	waiting, _ := p.call(p.unit("FP-3"), "no_heat", day(12), "", "", "", 0, s.tech.id)
	p.exec(`UPDATE call SET status = 'waiting_for_parts', status_since = $2 WHERE id = $1`, waiting, p.at(day(9)))
	s.owner.do("PATCH", "/v1/people/"+s.tech.id.String(), m{"competences": []any{m{"name": "gas", "expires_on": day(-10)}}}, "If-Match", "*").want(200)

	week := answerOf(s, "week")
	require.Equal(t, 1.0, week.at("closed", 0, "count"))
	require.Equal(t, waiting, week.str("waiting_for_parts", 0, "call_id"))
	require.Equal(t, 9.0, week.at("waiting_for_parts", 0, "days"))
	require.Len(t, week.at("come_backs"), 1)
	require.Len(t, week.at("without_verification"), 1)
	require.Equal(t, "gas", week.str("running_out", 0, "what"))
	var open float64
	for _, a := range week.at("open_by_age").([]any) {
		open += a.(m)["calls"].(float64)
	}
	require.Equal(t, 2.0, open)
	require.Equal(t, 1.0, week.at("open_by_age", 3, "calls"), "over 30 days")
	page := s.owner.do("GET", "/v1/history/week", nil, "Accept", "text/html").want(200)
	require.Contains(t, string(page.raw), "Came back")
	require.NotContains(t, string(page.raw), "<script")
	require.NotContains(t, page.header.Get("Content-Security-Policy"), "unsafe")
	before := answerOf(s, "week?until="+day(30))
	require.Empty(t, before.at("come_backs"))
	s.dispatcher.do("GET", "/v1/history/week", nil).want(403)
}

// A text that a spreadsheet would run is only a text.
func TestTablesHoldNoFormulas(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2027-06-30 12:00")
	p := newPast(s)
	for i := range 3 {
		p.call(p.unit("X"), "runs_too_hot", "2027-03-01", "2027-03-02", "returned_to_service", "", 1, s.tech.id, fix{"belt", "f", "=HYPERLINK(1)", "used", fmt.Sprint(i)})
	}
	table := s.owner.do("GET", "/v1/history/part-life", nil, "Accept", "text/csv").want(200)
	require.Contains(t, string(table.raw), "'=HYPERLINK(1)")
	require.NotContains(t, string(table.raw), "\n=")
}
