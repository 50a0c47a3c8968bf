package care

import (
	"context"
	"regexp"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// OwnTask is a care task of the shop's own: of every unit of a kind, or of one
// unit. One that shortens a built-in task sets its interval and nothing else; it
// can never lengthen it.
type OwnTask struct {
	ID        domain.ID  `db:"id"`
	Kind      string     `db:"kind"`    // empty: of UnitID alone
	UnitID    domain.ID  `db:"unit_id"` // zero: of Kind
	Shortens  string     `db:"shortens"`
	Name      string     `db:"name"`
	Whose     string     `db:"whose"` // us or customer
	Scopes    []string   `db:"scopes"`
	Months    int        `db:"months"`
	Advice    string     `db:"advice"` // what the householder may do, for the message
	Version   int64      `db:"version"`
	CreatedAt time.Time  `db:"created_at"`
	UpdatedAt time.Time  `db:"updated_at"`
	RetiredAt *time.Time `db:"retired_at"`
}

func (o OwnTask) concerns(u customers.Unit) bool {
	return o.UnitID == u.ID && !o.UnitID.IsZero() || o.Kind != "" && o.Kind == u.Kind
}

// Rules is what a shop adds to the care that is built in: its own tasks, and
// the season it would rather clean in. A date outside the season (months 1 to
// 12, zero for none; it may pass the new year) moves forward to the last day of
// the season before it, but never by more than half of the interval.
type Rules struct {
	Own                  []OwnTask
	SeasonFrom, SeasonTo int
}

const taskColumns = `id, kind, unit_id, shortens, name, whose, scopes, months, advice, version, created_at, updated_at, retired_at`

// QueueRules reads what the shop adds to the care that is built in.
func QueueRules(b *pgx.Batch, shop domain.ID, dst *Rules) {
	*dst = Rules{}
	pg.All(b, &dst.Own, `SELECT `+taskColumns+` FROM care_task WHERE shop_id = $1 AND retired_at IS NULL ORDER BY id`, shop)
	b.Queue(`SELECT coalesce(season_from, 0), coalesce(season_to, 0) FROM care_policy WHERE shop_id = $1`, shop).Query(func(rows pgx.Rows) error {
		_, err := pgx.ForEachRow(rows, []any{&dst.SeasonFrom, &dst.SeasonTo}, func() error { return nil })
		return err
	})
}

var scopeName = regexp.MustCompile(`^[a-z][a-z_]{1,39}$`)

func (o OwnTask) check(kinds func(string) bool) error {
	var ps domain.Problems
	ps.Text("/name", o.Name, 1, 120, false)
	ps.Text("/advice", o.Advice, 0, 400, true)
	if (o.Kind == "") == o.UnitID.IsZero() {
		ps.Add("/kind", "one_of", "A task is of a kind of unit or of one unit: give kind or unit_id.")
	}
	if o.Kind != "" && !kinds(o.Kind) {
		ps.Add("/kind", "unknown", "The catalogue has no such kind of unit.")
	}
	if o.Months < 1 || o.Months > 60 {
		ps.Add("/months", "range", "Give a number of months from 1 to 60.")
	}
	if !slices.Contains([]string{ByUs, ByCustomer}, o.Whose) {
		ps.Add("/whose", "not_listed", "A task is done by us or by the customer.")
	}
	o.checkScopes(&ps)
	return ps.Err()
}

func (o OwnTask) checkScopes(ps *domain.Problems) {
	if o.Shortens != "" {
		if o.Shortens != LintPath || o.Months > Months || len(o.Scopes) > 0 {
			ps.Add("/shortens", "not_listed", "What can be done more often is %s: at least every %d months, with the scopes it has.", LintPath, Months)
		}
		return
	}
	if len(o.Scopes) == 0 || len(o.Scopes) > 8 {
		ps.Add("/scopes", "required", "Say what is done, in one to eight scopes.")
	}
	for i, s := range o.Scopes {
		if !scopeName.MatchString(s) || slices.Contains(o.Scopes[:i], s) {
			ps.Add("/scopes", "scope", "A scope is a short name in small letters and underscores, e.g. condenser_coil; each at most once.")
			return
		}
	}
}

// AddTask stores a task of the shop's own. Due dates of the units it concerns
// follow.
func (s *Service) AddTask(ctx context.Context, p domain.Principal, key once.Key, o OwnTask) (OwnTask, bool, error) {
	if err := o.check(s.Knows); err != nil {
		return o, false, err
	}
	now := s.Now()
	kind := ""
	load := func(b *pgx.Batch) {
		if !o.UnitID.IsZero() {
			customers.QueueUnitInUse(b, p.Shop, o.UnitID, &kind)
		}
	}
	return once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (OwnTask, error) {
		o := o
		if !o.UnitID.IsZero() && kind == "" {
			return o, domain.Field("/unit_id", "unknown", "There is no such unit in use.")
		}
		o.ID, o.Version, o.CreatedAt, o.UpdatedAt = domain.NewID(now), 1, now, now
		out.Queue(`INSERT INTO care_task (shop_id, id, kind, unit_id, shortens, name, whose, scopes, months, advice, created_at, updated_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $11)`,
			p.Shop, o.ID, o.Kind, o.UnitID, o.Shortens, o.Name, o.Whose, o.Scopes, o.Months, o.Advice, now)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "care_task", ID: o.ID})
		o.stale(out, p.Shop)
		return o, nil
	})
}

// stale marks the units a task concerns.
func (o OwnTask) stale(b *pgx.Batch, shop domain.ID) {
	if o.UnitID.IsZero() {
		b.Queue(staleUnits+` AND ($2 = '' OR kind = $2)`+staleOnce, shop, o.Kind)
		return
	}
	b.Queue(StaleUnit, shop, o.UnitID)
}

// RetireTask takes a task of the shop's own out of use; again changes nothing.
func (s *Service) RetireTask(ctx context.Context, p domain.Principal, id domain.ID, version int64) (OwnTask, error) {
	now := s.Now()
	var o OwnTask
	load := func(b *pgx.Batch) {
		pg.One(b, &o, `SELECT `+taskColumns+` FROM care_task WHERE shop_id = $1 AND id = $2 FOR UPDATE`, p.Shop, id)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if !domain.SameVersion(version, o.Version) {
			return pg.Stale()
		}
		if o.RetiredAt != nil {
			return nil
		}
		o.RetiredAt, o.UpdatedAt, o.Version = &now, now, o.Version+1
		b := &pgx.Batch{}
		b.Queue(`UPDATE care_task SET retired_at = $3, updated_at = $3, version = $4 WHERE shop_id = $1 AND id = $2`, p.Shop, id, now, o.Version)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "retired", Entity: "care_task", ID: id})
		o.stale(b, p.Shop)
		return tx.Send(ctx, b)
	})
	return o, err
}

// ListTasks gives the shop's own tasks, retired ones among them.
func (s *Service) ListTasks(ctx context.Context, p domain.Principal) ([]OwnTask, error) {
	var ts []OwnTask
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &ts, `SELECT `+taskColumns+` FROM care_task WHERE shop_id = $1 ORDER BY id`, p.Shop)
	})
	return ts, err
}
