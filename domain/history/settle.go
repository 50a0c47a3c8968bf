package history

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// chunk is how many units are put together in one transaction.
const chunk = 2000

// Settle puts together anew what is kept of the units that have changed, until
// none is left that no other transaction has in hand.
func (s *Service) Settle(ctx context.Context, p domain.Principal) error {
	for {
		n, err := s.settleSome(ctx, p)
		if err != nil || n < chunk {
			return err
		}
	}
}

func (s *Service) settleSome(ctx context.Context, p domain.Principal) (int, error) {
	var units []string
	var shop people.Shop
	load := func(b *pgx.Batch) {
		b.Queue(`DELETE FROM history_stale WHERE shop_id = $1 AND unit_id = ANY (ARRAY(
			SELECT unit_id FROM history_stale WHERE shop_id = $1 LIMIT $2 FOR UPDATE SKIP LOCKED)) RETURNING unit_id::text`, p.Shop, chunk).Query(func(rows pgx.Rows) error {
			var err error
			units, err = pgx.CollectRows(rows, pgx.RowTo[string])
			return err
		})
		people.QueueShop(b, p.Shop, &shop)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if len(units) == 0 {
			return nil
		}
		zone, err := time.LoadLocation(shop.TimeZone)
		if err != nil {
			return fmt.Errorf("history: zone of shop %s: %w", shop.ID, err)
		}
		return renew(ctx, tx, units, zone)
	})
	return len(units), err
}

// renew replaces what is kept of units.
func renew(ctx context.Context, tx *pg.Tx, units []string, zone *time.Location) error {
	var us []rawUnit
	var cs []rawCall
	var ns []rawConclusion
	b, shop := &pgx.Batch{}, tx.P.Shop
	pg.All(b, &us, `SELECT unit_id, kind, model, retired_at FROM history_unit WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	pg.All(b, &cs, `SELECT call_id, unit_id, complaint, coalesce(outcome, '') AS outcome, opened_at, closed_at, closed_by, visits FROM history_call
		WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	pg.All(b, &ns, `SELECT conclusion_id, call_id, unit_id, part, fault, mended, concluded_by, part_number, part_source, lot FROM history_conclusion
		WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	if err := tx.Send(ctx, b); err != nil {
		return err
	}
	of := map[domain.ID]*unitHistory{}
	for _, u := range us {
		of[u.UnitID] = &unitHistory{unit: u, zone: zone}
	}
	for _, c := range cs {
		of[c.UnitID].calls = append(of[c.UnitID].calls, c)
	}
	for _, n := range ns {
		of[n.UnitID].conclusions = append(of[n.UnitID].conclusions, n)
	}
	var calls []CallRow
	var repairs []RepairRow
	for _, h := range of {
		cr, rr := h.rows()
		calls, repairs = append(calls, cr...), append(repairs, rr...)
	}
	return replace(ctx, tx, units, calls, repairs)
}

// array gives one value of each row as text, for unnest; an empty one that may
// be absent is null.
func array[T any](rows []T, value func(*T) string) []*string {
	out := make([]*string, len(rows))
	for i := range rows {
		if v := value(&rows[i]); v != absent {
			out[i] = &v
		}
	}
	return out
}

const absent = "\x00"

func idText(id domain.ID) string {
	if id.IsZero() {
		return absent
	}
	return id.String()
}

func dayText(d domain.Date) string {
	if d.IsZero() {
		return absent
	}
	return d.String()
}

func replace(ctx context.Context, tx *pg.Tx, units []string, calls []CallRow, repairs []RepairRow) error {
	out, shop := &pgx.Batch{}, tx.P.Shop
	out.Queue(`DELETE FROM call_row WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	out.Queue(`DELETE FROM repair_row WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	out.Queue(`INSERT INTO call_row (shop_id, call_id, unit_id, kind, model, complaint, tech_id, closed_on, ended_on, cause, next_call, visits)
		SELECT $1, * FROM unnest($2::uuid[], $3::uuid[], $4::text[], $5::text[], $6::text[], $7::uuid[], $8::date[], $9::date[], $10::smallint[], $11::uuid[], $12::int[])`,
		shop, array(calls, func(r *CallRow) string { return idText(r.CallID) }), array(calls, func(r *CallRow) string { return idText(r.UnitID) }),
		array(calls, func(r *CallRow) string { return r.Kind }), array(calls, func(r *CallRow) string { return r.Model }),
		array(calls, func(r *CallRow) string { return r.Complaint }), array(calls, func(r *CallRow) string { return idText(r.TechID) }),
		array(calls, func(r *CallRow) string { return dayText(r.ClosedOn) }), array(calls, func(r *CallRow) string { return dayText(r.EndedOn) }),
		array(calls, func(r *CallRow) string { return strconv.Itoa(r.Cause) }), array(calls, func(r *CallRow) string { return idText(r.NextCall) }),
		array(calls, func(r *CallRow) string { return strconv.Itoa(r.Visits) }))
	out.Queue(`INSERT INTO repair_row (shop_id, conclusion_id, call_id, unit_id, kind, model, complaint, part, fault, part_number, part_source, lot, tech_id, fixed_on, ended_on, cause)
		SELECT $1, * FROM unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::text[], $6::text[], $7::text[], $8::text[], $9::text[], $10::text[], $11::text[], $12::text[], $13::uuid[],
			$14::date[], $15::date[], $16::smallint[])`,
		shop, array(repairs, func(r *RepairRow) string { return idText(r.ConclusionID) }), array(repairs, func(r *RepairRow) string { return idText(r.CallID) }),
		array(repairs, func(r *RepairRow) string { return idText(r.UnitID) }), array(repairs, func(r *RepairRow) string { return r.Kind }),
		array(repairs, func(r *RepairRow) string { return r.Model }), array(repairs, func(r *RepairRow) string { return r.Complaint }),
		array(repairs, func(r *RepairRow) string { return r.Part }), array(repairs, func(r *RepairRow) string { return r.Fault }),
		array(repairs, func(r *RepairRow) string { return r.PartNumber }), array(repairs, func(r *RepairRow) string { return r.PartSource }),
		array(repairs, func(r *RepairRow) string { return r.Lot }), array(repairs, func(r *RepairRow) string { return idText(r.TechID) }),
		array(repairs, func(r *RepairRow) string { return dayText(r.FixedOn) }), array(repairs, func(r *RepairRow) string { return dayText(r.EndedOn) }),
		array(repairs, func(r *RepairRow) string { return strconv.Itoa(r.Cause) }))
	out.Queue(`INSERT INTO history_state (shop_id, version) VALUES ($1, 1) ON CONFLICT (shop_id) DO UPDATE SET version = history_state.version + 1`, shop)
	return tx.Send(ctx, out)
}

// Stale gives the shops with units that have changed, for a worker signed in as
// one: ids only, which a policy of its own shows it.
func (s *Service) Stale(ctx context.Context) ([]domain.ID, error) {
	rows, err := s.DB.Pool.Query(ctx, acrossShops)
	if err != nil {
		return nil, pg.Classify(err)
	}
	shops, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
	return shops, pg.Classify(err)
}

const acrossShops = `SELECT DISTINCT shop_id FROM history_stale`
