package history

import (
	"context"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// unitsAtOnce is how many units one transaction brings up to date.
const unitsAtOnce = 2000

// mark is a unit whose rows are no longer what the views say.
type mark struct {
	ID   int64     `db:"id"`
	Unit domain.ID `db:"unit_id"`
}

// refresh brings the roll-up of the shop up to date. What is written while it
// runs leaves a mark of its own and comes with the next refresh.
func (s *Service) refresh(ctx context.Context, p domain.Principal) error {
	for {
		n, err := s.refreshSome(ctx, p)
		if err != nil || n < unitsAtOnce {
			return err
		}
	}
}

// refreshSome derives the rows of some marked units anew and says how many
// marks it took. Two refreshes of one shop wait for each other.
func (s *Service) refreshSome(ctx context.Context, p domain.Principal) (int, error) {
	var marks []mark
	load := func(b *pgx.Batch) {
		b.Queue(`INSERT INTO history_state (shop_id) VALUES ($1) ON CONFLICT (shop_id) DO NOTHING`, p.Shop)
		b.Queue(`SELECT seq FROM history_state WHERE shop_id = $1 FOR UPDATE`, p.Shop)
		pg.All(b, &marks, `SELECT id, unit_id FROM history_mark WHERE shop_id = $1 ORDER BY id LIMIT $2`, p.Shop, unitsAtOnce)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if len(marks) == 0 {
			return nil
		}
		b := &pgx.Batch{}
		queueDerive(b, p.Shop, marks)
		return tx.Send(ctx, b)
	})
	return len(marks), err
}

// queueDerive puts what the views say of the marked units in the place of
// their rows, and takes the marks away.
func queueDerive(b *pgx.Batch, shop domain.ID, marks []mark) {
	seen := map[domain.ID]bool{}
	var units []string
	ids := make([]int64, len(marks))
	for i, m := range marks {
		ids[i] = m.ID
		if !seen[m.Unit] {
			seen[m.Unit] = true
			units = append(units, m.Unit.String())
		}
	}
	b.Queue(`DELETE FROM history_repair WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	b.Queue(`DELETE FROM history_job WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	b.Queue(deriveRepairs, shop, units)
	b.Queue(deriveJobs, shop, units)
	b.Queue(`DELETE FROM history_mark WHERE shop_id = $1 AND id = ANY ($2::bigint[])`, shop, ids)
	b.Queue(`UPDATE history_state SET seq = seq + 1 WHERE shop_id = $1`, shop)
}

// foundSomething are the outcomes of a call that say its conclusions were true
// of the unit.
const foundSomething = `('returned_to_service', 'left_out_of_service', 'limited', 'declined', 'not_worth_repairing')`

// deriveRepairs makes the rows of history_repair of the units $2. A call that
// was open already when the repair was closed is no return. Of what came back
// on one day the same fault counts before another.
const deriveRepairs = `WITH found AS MATERIALIZED (
		SELECT c.unit_id, c.site_id, c.kind, c.model, c.complaint, c.outcome, c.opened_at, c.closed_at, c.opened_on, c.closed_on, c.retired_on,
			f.conclusion_id, f.call_id, f.part, f.fault, f.part_number, f.part_source, f.lot, f.tech_id
		FROM unnest($2::uuid[]) AS m (unit_id)
		JOIN history_call c ON c.shop_id = $1 AND c.unit_id = m.unit_id AND c.outcome IN ` + foundSomething + `
		JOIN history_fault f ON f.shop_id = $1 AND f.call_id = c.call_id
	), back AS (
		SELECT DISTINCT ON (r.conclusion_id) r.conclusion_id, n.opened_on, CASE WHEN n.fault = r.fault THEN 1 ELSE 2 END AS cause
		FROM found r JOIN found n ON n.unit_id = r.unit_id AND n.call_id <> r.call_id AND n.opened_at >= r.closed_at
		WHERE r.outcome = 'returned_to_service'
		ORDER BY r.conclusion_id, n.opened_on, (n.fault <> r.fault)
	), part_back AS (
		SELECT r.conclusion_id, min(n.opened_on) AS opened_on
		FROM found r JOIN found n ON n.unit_id = r.unit_id AND n.part = r.part AND n.call_id <> r.call_id AND n.opened_at >= r.closed_at
		WHERE r.outcome = 'returned_to_service' GROUP BY r.conclusion_id
	)
	INSERT INTO history_repair (shop_id, conclusion_id, call_id, unit_id, site_id, kind, model, complaint, part, fault, part_number, part_source, lot,
		tech_id, closed_on, ended_on, cause, part_ended_on, part_failed)
	SELECT $1, r.conclusion_id, r.call_id, r.unit_id, r.site_id, r.kind, r.model, r.complaint, r.part, r.fault, r.part_number, r.part_source, r.lot,
		r.tech_id, r.closed_on, coalesce(b.opened_on, r.retired_on), coalesce(b.cause, 0), coalesce(p.opened_on, r.retired_on), p.opened_on IS NOT NULL
	FROM found r LEFT JOIN back b ON b.conclusion_id = r.conclusion_id LEFT JOIN part_back p ON p.conclusion_id = r.conclusion_id
	WHERE r.outcome = 'returned_to_service'`

// deriveJobs makes the rows of history_job of the units $2. A job comes back
// with the first call about the same complaint opened after it was closed and
// not cancelled.
const deriveJobs = `INSERT INTO history_job (shop_id, call_id, unit_id, site_id, kind, model, complaint, parts, faults, part_sources, tech_id, returned,
		visits, opened_on, closed_on, retired_on, back_call_id, back_on)
	SELECT $1, c.call_id, c.unit_id, c.site_id, c.kind, c.model, c.complaint, coalesce(f.parts, '{}'), coalesce(f.faults, '{}'), coalesce(f.sources, '{}'),
		f.tech_id, c.outcome = 'returned_to_service', v.visits, c.opened_on, c.closed_on, c.retired_on, n.call_id, n.opened_on
	FROM unnest($2::uuid[]) AS m (unit_id)
	JOIN history_call c ON c.shop_id = $1 AND c.unit_id = m.unit_id AND c.outcome IN ` + foundSomething + `
	CROSS JOIN LATERAL (
		SELECT array_agg(x.part ORDER BY x.concluded_at, x.conclusion_id) AS parts, array_agg(x.fault ORDER BY x.concluded_at, x.conclusion_id) AS faults,
			array_agg(x.part_source ORDER BY x.concluded_at, x.conclusion_id) FILTER (WHERE x.part_source <> '') AS sources,
			(array_agg(x.tech_id ORDER BY x.concluded_at DESC, x.conclusion_id DESC))[1] AS tech_id
		FROM history_fault x WHERE x.shop_id = $1 AND x.call_id = c.call_id) f
	CROSS JOIN LATERAL (SELECT count(*) AS visits FROM history_visit y WHERE y.shop_id = $1 AND y.call_id = c.call_id AND y.status IN ('on_site', 'done')) v
	LEFT JOIN LATERAL (
		SELECT b.call_id, b.opened_on FROM history_call b
		WHERE c.outcome = 'returned_to_service' AND b.shop_id = $1 AND b.unit_id = c.unit_id AND b.complaint = c.complaint AND b.opened_at >= c.closed_at
			AND b.call_id <> c.call_id AND b.outcome IS DISTINCT FROM 'cancelled'
		ORDER BY b.opened_at, b.call_id LIMIT 1) n ON true`
