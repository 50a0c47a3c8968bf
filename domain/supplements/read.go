package supplements

import (
	"context"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Read gives one supplement, retired or not, at a version; 0 is the newest.
func (s *Service) Read(ctx context.Context, p domain.Principal, id domain.ID, version int64) (Supplement, error) {
	var row versionRow
	var live []versionRow
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		queueVersion(b, p.Shop, id, version, &row)
		queueLive(b, p.Shop, &live)
	})
	if err != nil {
		return Supplement{}, err
	}
	out := row.supplement()
	out.Flaws = s.flaws(live)[id]
	return out, nil
}

// List gives up to size supplements after the id.
func (s *Service) List(ctx context.Context, p domain.Principal, kind string, retired bool, after domain.ID, size int) ([]Supplement, error) {
	var rows, live []versionRow
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		queueLive(b, p.Shop, &live)
		pg.All(b, &rows, `SELECT `+versionColumns+` FROM supplement s
			JOIN supplement_version v ON v.shop_id = s.shop_id AND v.supplement_id = s.id AND v.version = s.version
			WHERE s.shop_id = $1 AND ($2 = '' OR s.kind = $2) AND ($3 OR s.retired_at IS NULL) AND ($4::uuid IS NULL OR s.id > $4)
			ORDER BY s.id LIMIT $5`, p.Shop, kind, retired, after, size)
	})
	flaws := s.flaws(live)
	var out []Supplement
	for _, r := range rows {
		v := r.supplement()
		v.Flaws = flaws[v.ID]
		out = append(out, v)
	}
	return out, err
}

// Versions gives every version of a supplement, oldest first, with the bodies.
func (s *Service) Versions(ctx context.Context, p domain.Principal, id domain.ID) ([]Supplement, error) {
	var rows []versionRow
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &rows, `SELECT `+versionColumns+` FROM supplement s
			JOIN supplement_version v ON v.shop_id = s.shop_id AND v.supplement_id = s.id
			WHERE s.shop_id = $1 AND s.id = $2 ORDER BY v.version`, p.Shop, id)
	})
	if err == nil && len(rows) == 0 {
		err = domain.Absent()
	}
	var out []Supplement
	for _, r := range rows {
		out = append(out, r.supplement())
	}
	return out, err
}

// Export gives the bodies of all supplements in use, in the order in which
// they are applied, and the edition they make up.
func (s *Service) Export(ctx context.Context, p domain.Principal) ([]catalogue.Supplement, int64, error) {
	var rows []versionRow
	var edition int64
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		people.QueueEdition(b, p.Shop, &edition)
		queueLive(b, p.Shop, &rows)
	})
	return bodies(rows), edition, err
}

// queueLive reads the supplements in use, in the order in which they are
// applied.
func queueLive(b *pgx.Batch, shop domain.ID, dst *[]versionRow) {
	pg.All(b, dst, `SELECT `+versionColumns+` FROM supplement s
		JOIN supplement_version v ON v.shop_id = s.shop_id AND v.supplement_id = s.id AND v.version = s.version
		WHERE s.shop_id = $1 AND s.retired_at IS NULL ORDER BY s.id`, shop)
}

// flaws gives what keeps supplements out of the catalogue, by id.
func (s *Service) flaws(live []versionRow) map[domain.ID][]catalogue.Flaw {
	out := map[domain.ID][]catalogue.Flaw{}
	if len(live) == 0 {
		return out
	}
	_, flaws := s.Catalogues.base.Extend(bodies(live))
	for i, f := range flaws {
		if len(f) > 0 {
			out[live[i].ID] = f
		}
	}
	return out
}

// At gives the shop's catalogue of an edition.
func (s *Service) At(ctx context.Context, p domain.Principal, edition int64) (*catalogue.Catalogue, error) {
	return s.Catalogues.Of(ctx, s.DB, p, edition)
}

// Current gives the shop's catalogue as it is now.
func (s *Service) Current(ctx context.Context, p domain.Principal) (*catalogue.Catalogue, error) {
	return s.Catalogues.Current(ctx, s.DB, p)
}
