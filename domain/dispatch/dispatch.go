// Package dispatch plans who goes where and when: working time, how long a
// visit will take, free windows with their reasons, holds while somebody is on
// the phone, booking by the shop's rules, the ordered day of a tech, and
// calendar feeds. The visits themselves belong to package calls.
//
// Two times of a visit stand apart: when the tech means to begin, and the
// window in which the customer was told to expect them.
package dispatch

import (
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/repair"
	"drumline/shared/pg"
)

// Service is the use cases of this slice. All fields are required.
type Service struct {
	DB        *pg.DB
	Customers *customers.Service
	Calls     *calls.Service
	Repair    *repair.Service
	Now       func() time.Time
}

// Rule is how a shop drives and books. Version 0 is the default of a shop that
// has set nothing.
type Rule struct {
	Detour         float64 `db:"detour"`          // road to great circle
	Speed          float64 `db:"speed"`           // m/s on the way
	UnknownMinutes float64 `db:"unknown_minutes"` // travel to or from a place nobody has located
	WindowMinutes  float64 `db:"window_minutes"`  // of the arrival window offered
	HoldMinutes    float64 `db:"hold_minutes"`    // how long a window is held
	LabourDays     int     `db:"labour_days"`     // guarantee on the shop's work
	PartDays       int     `db:"part_days"`       // guarantee on parts
	Version        int64   `db:"version"`
}

// DefaultRule is common practice, no source: roads a third longer than the
// great circle, 40 km/h door to door in a town, two hours of window, 90 days on
// labour and a year on parts.
func DefaultRule() Rule {
	return Rule{Detour: 1.3, Speed: 40.0 / 3.6, UnknownMinutes: 20, WindowMinutes: 120, HoldMinutes: 10, LabourDays: 90, PartDays: 365}
}

const ruleColumns = `detour, speed, unknown_minutes, window_minutes, hold_minutes, labour_days, part_days, version`

// queueRule reads the shop's rule, the default where it has none.
func queueRule(b *pgx.Batch, shop domain.ID, dst *Rule) {
	*dst = DefaultRule()
	b.Queue(`SELECT `+ruleColumns+` FROM dispatch_rule WHERE shop_id = $1`, shop).Query(func(rows pgx.Rows) error {
		found, err := pgx.CollectRows(rows, pgx.RowToStructByName[Rule])
		if len(found) > 0 {
			*dst = found[0]
		}
		return err
	})
}
