// Package care holds what keeps a unit safe between repairs: cleanings with
// their scopes, the tasks of a kind of unit, and when each is due. Due dates
// are derived from what is on record; the Worker writes to customers about them
// in time, and once.
package care

import (
	"time"

	"drumline/domain"
	"drumline/shared/pg"
)

// Service is the use cases of this slice. All fields are required.
type Service struct {
	DB    *pg.DB
	Now   func() time.Time
	Knows func(kind string) bool // whether the catalogue has a kind of unit
}

// The scopes of a cleaning: what exactly was cleaned.
const (
	Screen         = "screen"          // the lint screen, washed
	Blower         = "blower"          // screen housing and blower
	Cabinet        = "cabinet"         // heater box and cabinet
	TransitionDuct = "transition_duct" // the piece of duct behind the unit
	Run            = "run"             // the duct to the outside
	Hood           = "hood"            // the outlet outside
)

// Scopes lists every scope, in the order of the air.
func Scopes() []string { return []string{Screen, Cabinet, Blower, TransitionDuct, Run, Hood} }

// Who did a cleaning.
const (
	ByUs        = "us"
	ByCustomer  = "customer"
	ByOtherFirm = "other_firm"
)

// Cleaning is one cleaning of a unit.
type Cleaning struct {
	ID         domain.ID   `db:"id"`
	UnitID     domain.ID   `db:"unit_id"`
	ActionID   domain.ID   `db:"action_id"` // the action of a call it was; zero for the customer's word
	DoneOn     domain.Date `db:"done_on"`
	Scopes     []string    `db:"scopes"`
	DoneBy     string      `db:"done_by"`
	Note       string      `db:"note"`
	RecordedBy domain.ID   `db:"recorded_by"`
	RecordedAt time.Time   `db:"recorded_at"`
	VoidedAt   *time.Time  `db:"voided_at"`
	VoidedBy   domain.ID   `db:"voided_by"`
	VoidReason string      `db:"void_reason"`
}
