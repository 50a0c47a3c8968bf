package customers

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// Unit is one appliance.
type Unit struct {
	Head
	SiteID      domain.ID   `db:"site_id"`
	Kind        string      `db:"kind"` // of the catalogue
	Maker       string      `db:"maker"`
	Model       string      `db:"model"`
	Serial      string      `db:"serial"`
	Fuel        string      `db:"fuel"` // electric, gas
	SupplyVolts *float64    `db:"supply_volts"`
	SupplyWires *int        `db:"supply_wires"` // 2, 3 or 4
	BreakerAmps *float64    `db:"breaker_amps"`
	RatedWatts  *float64    `db:"rated_watts"`
	Features    []string    `db:"features"` // of the catalogue's kind, e.g. bias_heater
	Exhaust     *Exhaust    `db:"exhaust"`
	InstalledOn domain.Date `db:"installed_on"`
	Note        string      `db:"note"`
}

const unitColumns = `site_id, kind, maker, model, serial, fuel, supply_volts, supply_wires, breaker_amps, rated_watts,
	features, exhaust, installed_on, note`

var unitKind = kind[Unit]{
	entity: "unit",
	column: unitColumns,
	head:   func(v *Unit) *Head { return &v.Head },
	fill:   fillUnit,
	check:  checkUnit,
	insert: func(b *pgx.Batch, shop domain.ID, v Unit) {
		pg.Changed(b, domain.Field("/site_id", "unknown", "There is no such site in use."),
			`INSERT INTO unit (shop_id, id, `+unitColumns+`, created_at, updated_at)
			SELECT $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18
			WHERE EXISTS (SELECT 1 FROM site WHERE shop_id = $1 AND id = $3 AND retired_at IS NULL)`,
			shop, v.ID, v.SiteID, v.Kind, v.Maker, v.Model, v.Serial, v.Fuel, v.SupplyVolts, v.SupplyWires, v.BreakerAmps, v.RatedWatts,
			v.Features, v.Exhaust, v.InstalledOn, v.Note, v.CreatedAt, v.UpdatedAt)
	},
	update: func(b *pgx.Batch, shop domain.ID, v Unit) {
		pg.Changed(b, domain.Field("/site_id", "unknown", "There is no such site in use."),
			`UPDATE unit SET site_id = $3, maker = $4, model = $5, serial = $6, fuel = $7, supply_volts = $8, supply_wires = $9,
				breaker_amps = $10, rated_watts = $11, features = $12, exhaust = $13, installed_on = $14, note = $15, updated_at = $16, version = $17
			WHERE shop_id = $1 AND id = $2 AND EXISTS (SELECT 1 FROM site s WHERE s.shop_id = $1 AND s.id = $3)`,
			shop, v.ID, v.SiteID, v.Maker, v.Model, v.Serial, v.Fuel, v.SupplyVolts, v.SupplyWires, v.BreakerAmps, v.RatedWatts,
			v.Features, v.Exhaust, v.InstalledOn, v.Note, v.UpdatedAt, v.Version)
	},
	inUse: func(s *Service) string { return s.UnitInUse },
	after: func(s *Service) string { return s.UnitChanged },
	seen:  func(s *Service) string { return `site_id = ANY (ARRAY(` + s.sitesOfTech() + `))` },
	busy:  "A call about this unit is still open. Close it first.",
}

// fillUnit takes over what the shop's own content knows of the model, where
// nothing was said about the unit itself.
func fillUnit(c *catalogue.Catalogue, v *Unit) {
	if k, ok := c.Kind(v.Kind); ok {
		if v.Fuel == "" {
			v.Fuel = k.Fuel
		}
		if m, ok := k.Model(v.Model); ok {
			fillModel(m, v)
		}
	}
	if v.Features == nil {
		v.Features = []string{}
	}
	if v.Fuel == "" {
		v.Fuel = "electric"
	}
}

func fillModel(m *catalogue.Model, v *Unit) {
	if v.Features == nil {
		v.Features = slices.Clone(m.Features)
	}
	if v.Fuel == "" {
		v.Fuel = m.Fuel
	}
	if v.Maker == "" {
		v.Maker = m.Maker
	}
	if v.RatedWatts == nil {
		v.RatedWatts = m.Watts
	}
	if v.SupplyVolts == nil {
		v.SupplyVolts = m.Volts
	}
}

func checkUnit(c *catalogue.Catalogue, before *Unit, v Unit) error {
	var ps domain.Problems
	if v.SiteID.IsZero() {
		ps.Add("/site_id", "required", "Say where the unit stands.")
	}
	ps.Text("/maker", v.Maker, 0, 80, false)
	ps.Text("/model", v.Model, 0, 80, false)
	ps.Text("/serial", v.Serial, 0, 80, false)
	ps.Text("/note", v.Note, 0, 2000, true)
	if v.Fuel != "electric" && v.Fuel != "gas" {
		ps.Add("/fuel", "unknown", "A unit heats with electric or gas.")
	}
	if v.SupplyWires != nil && !slices.Contains([]int{2, 3, 4}, *v.SupplyWires) {
		ps.Add("/supply_wires", "range", "A supply has 2, 3 or 4 wires.")
	}
	for _, n := range []struct {
		pointer string
		value   *float64
		most    float64
	}{{"/supply_volts", v.SupplyVolts, 1000}, {"/breaker_amps", v.BreakerAmps, 400}, {"/rated_watts", v.RatedWatts, 100000}} {
		if n.value != nil && !(*n.value > 0 && *n.value <= n.most) {
			ps.Add(n.pointer, "range", "Give a number above 0 and at most %g.", n.most)
		}
	}
	checkKind(&ps, c, before, v)
	v.Exhaust.check(&ps)
	return ps.Err()
}

// checkKind holds a unit against the catalogue. A feature the unit has already
// may stay: what the shop added for it may have been retired since.
func checkKind(ps *domain.Problems, c *catalogue.Catalogue, before *Unit, v Unit) {
	k, ok := c.Kind(v.Kind)
	if !ok {
		ps.Add("/kind", "unknown", "The catalogue has no such kind of appliance. This service does not work on microwave ovens.")
		return
	}
	if k.Fuel != "" && v.Fuel != k.Fuel {
		ps.Add("/fuel", "kind", "A unit of this kind heats with %s.", k.Fuel)
	}
	for i, f := range v.Features {
		_, known := k.Feature(f)
		known = known || before != nil && slices.Contains(before.Features, f)
		if !known || slices.Contains(v.Features[:i], f) {
			ps.Add(fmt.Sprintf("/features/%d", i), "unknown", "The catalogue lists no such feature of this kind, or it stands twice.")
		}
	}
}

// CreateUnit stores a new unit. A tech stores one at a site they have been
// sent to. Features that are nil are those of the model, if the shop's own
// content knows it, else none.
func (s *Service) CreateUnit(ctx context.Context, p domain.Principal, key once.Key, v Unit) (Unit, bool, error) {
	if p.Role == domain.Tech {
		if _, err := s.ReadSite(ctx, p, v.SiteID); err != nil {
			return v, false, noSite(err)
		}
	}
	return create(ctx, s, p, key, unitKind, v)
}

// ReadUnit gives one unit.
func (s *Service) ReadUnit(ctx context.Context, p domain.Principal, id domain.ID) (Unit, error) {
	return read(ctx, s, p, unitKind, id)
}

// ChangeUnit applies edit if the version is still version. The kind of a unit
// is fixed; it may move to another site, by the office: a tech's move is not
// taken.
func (s *Service) ChangeUnit(ctx context.Context, p domain.Principal, id domain.ID, version int64, edit func(*Unit)) (Unit, error) {
	return change(ctx, s, p, unitKind, id, version, func(v *Unit) {
		kept := v.Kind
		site := v.SiteID
		edit(v)
		if p.Role == domain.Tech {
			v.SiteID = site
		}
		v.Kind = kept
		if v.Features == nil {
			v.Features = []string{}
		}
	})
}

// RetireUnit takes a unit without open calls out of use.
func (s *Service) RetireUnit(ctx context.Context, p domain.Principal, id domain.ID, version int64) error {
	return retire(ctx, s, p, unitKind, id, version)
}

// noSite is what a tech hears of a site that is absent or not theirs.
func noSite(err error) error {
	if domain.KindOf(err) == domain.NotFound {
		return domain.Field("/site_id", "unknown", "There is no such site in use.")
	}
	return err
}

// UnitFilter chooses units; zero values choose all.
type UnitFilter struct {
	Site    domain.ID
	Kind    string
	Model   string // compared without case, spaces and punctuation
	Retired bool   // retired ones too
}

// ListUnits gives up to size units after the id.
func (s *Service) ListUnits(ctx context.Context, p domain.Principal, f UnitFilter, after domain.ID, size int) ([]Unit, error) {
	var vs []Unit
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &vs, `SELECT `+headColumns+`, `+unitColumns+` FROM unit
			WHERE shop_id = $1 AND ($2::uuid IS NULL OR `+unitKind.seen(s)+`)
			AND ($8::uuid IS NULL OR site_id = $8) AND ($3 = '' OR kind = $3)
			AND ($4 = '' OR model_norm = upper(regexp_replace($4 COLLATE "C", '[^A-Za-z0-9]', '', 'g')))
			AND ($5 OR retired_at IS NULL) AND ($6::uuid IS NULL OR id > $6)
			ORDER BY id LIMIT $7`, p.Shop, only(p), f.Kind, f.Model, f.Retired, after, size, f.Site)
	})
	return vs, err
}
