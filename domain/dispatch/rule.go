package dispatch

import (
	"context"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/shared/pg"
)

// ReadRule gives how the shop drives and books.
func (s *Service) ReadRule(ctx context.Context, p domain.Principal) (Rule, error) {
	var r Rule
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queueRule(b, p.Shop, &r) })
	return r, err
}

// ChangeRule applies edit if the version is still version.
func (s *Service) ChangeRule(ctx context.Context, p domain.Principal, version int64, edit func(*Rule)) (Rule, error) {
	var r Rule
	err := s.DB.Write(ctx, p, func(b *pgx.Batch) { queueRule(b, p.Shop, &r) }, func(ctx context.Context, tx *pg.Tx) error {
		if !domain.SameVersion(version, r.Version) {
			return pg.Stale()
		}
		before := r
		edit(&r)
		r.Version = before.Version + 1
		if err := r.check(); err != nil {
			return err
		}
		b := &pgx.Batch{}
		// Two first changes at once meet at the key: the later one finds a version it did not read.
		pg.Changed(b, pg.Stale(), `INSERT INTO dispatch_rule (shop_id, `+ruleColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
			ON CONFLICT (shop_id) DO UPDATE SET detour = excluded.detour, speed = excluded.speed, unknown_minutes = excluded.unknown_minutes,
				window_minutes = excluded.window_minutes, hold_minutes = excluded.hold_minutes, labour_days = excluded.labour_days,
				part_days = excluded.part_days, version = excluded.version
			WHERE dispatch_rule.version = $10`,
			p.Shop, r.Detour, r.Speed, r.UnknownMinutes, r.WindowMinutes, r.HoldMinutes, r.LabourDays, r.PartDays, r.Version, before.Version)
		audit.Queue(b, tx.P, s.Now(), audit.Entry{Action: "changed", Entity: "dispatch_rule", ID: p.Shop, Fields: audit.Diff(before, r)})
		return tx.Send(ctx, b)
	})
	return r, err
}

func (r Rule) check() error {
	var ps domain.Problems
	for _, x := range []struct {
		pointer     string
		value       float64
		least, most float64
	}{
		{"/detour", r.Detour, 1, 5}, {"/speed", r.Speed, 1, 60}, {"/unknown_travel_minutes", r.UnknownMinutes, 0, 480},
		{"/window_minutes", r.WindowMinutes, 15, 720}, {"/hold_minutes", r.HoldMinutes, 1, 120},
		{"/guarantee_labour_days", float64(r.LabourDays), 0, 3650}, {"/guarantee_part_days", float64(r.PartDays), 0, 3650},
	} {
		if !(x.value >= x.least && x.value <= x.most) {
			ps.Add(x.pointer, "range", "Give a number from %g to %g.", x.least, x.most)
		}
	}
	return ps.Err()
}
