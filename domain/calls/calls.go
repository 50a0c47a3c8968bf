// Package calls holds calls (one complaint about one unit, open until it is
// solved) and their visits (one appointment each): opening, triage answers,
// booking, moving, the two life cycles, and the feed of visit changes.
//
// No tech is in two places: an exclusion constraint of the database says so,
// and a lock per tech, taken first, makes racing bookings wait instead of
// deadlock.
package calls

import (
	"time"

	"drumline/domain"
	"drumline/domain/customers"
	"drumline/domain/supplements"
	"drumline/shared/pg"
)

// Service is the use cases of this slice. All fields are required.
type Service struct {
	DB         *pg.DB
	Catalogues *supplements.Book
	Now        func() time.Time
}

// Status is where a call stands.
type Status string

// The statuses of a call. A closed call has an Outcome and stays closed: the
// same complaint again is a new call that names the old one.
const (
	Open            Status = "open"
	WaitingForParts Status = "waiting_for_parts"
	Closed          Status = "closed"
)

// Outcome is how a call ended; empty while it is open.
type Outcome string

// The outcomes of a call.
const (
	ReturnedToService Outcome = "returned_to_service"
	LeftOutOfService  Outcome = "left_out_of_service"
	Limited           Outcome = "limited" // works with restrictions, a hazard notice was left
	Declined          Outcome = "declined"
	NotWorthRepairing Outcome = "not_worth_repairing"
	NoFaultFound      Outcome = "no_fault_found"
	NoAccess          Outcome = "no_access"
	Cancelled         Outcome = "cancelled"
	CareDone          Outcome = "care_done" // of a call about care alone
)

// Outcomes lists every outcome.
func Outcomes() []Outcome {
	return []Outcome{ReturnedToService, LeftOutOfService, Limited, Declined, NotWorthRepairing, NoFaultFound, NoAccess, Cancelled, CareDone}
}

// Call is one complaint about one unit.
type Call struct {
	ID            domain.ID  `db:"id"`
	UnitID        domain.ID  `db:"unit_id"`
	Complaint     string     `db:"complaint"` // id in the catalogue of the unit's kind
	Description   string     `db:"description"`
	Status        Status     `db:"status"`
	Outcome       Outcome    `db:"outcome"` // empty unless closed
	OutcomeNote   string     `db:"outcome_note"`
	ComesBackFrom domain.ID  `db:"comes_back_from"` // the earlier call whose repair did not hold, or zero
	OpenedBy      domain.ID  `db:"opened_by"`
	OpenedAt      time.Time  `db:"opened_at"`
	ClosedBy      domain.ID  `db:"closed_by"` // zero unless closed
	ClosedAt      *time.Time `db:"closed_at"` // nil unless closed
	Version       int64      `db:"version"`
	// Edition of the shop's own catalogue content the call is judged by: the
	// one it was opened under, or was taken to later.
	Edition int64 `db:"edition"`
	// StatusSince is when the call came to where it stands; PartsArrivedAt is
	// when the parts it waited for came, nil when it never waited or still does.
	StatusSince    time.Time  `db:"status_since"`
	PartsArrivedAt *time.Time `db:"parts_arrived_at"`
}

// Answer is what the customer said to one triage question of the complaint.
type Answer struct {
	Question string    `db:"question"` // ids in the catalogue
	Answer   string    `db:"answer"`
	AskedBy  domain.ID `db:"asked_by"`
	AskedAt  time.Time `db:"asked_at"`
}

// VisitStatus is where a visit stands.
type VisitStatus string

// The statuses of a visit. The last three are final.
const (
	Booked         VisitStatus = "booked"
	OnTheWay       VisitStatus = "on_the_way"
	OnSite         VisitStatus = "on_site"
	Done           VisitStatus = "done"
	VisitCancelled VisitStatus = "cancelled"
	VisitNoAccess  VisitStatus = "no_access"
)

// Visit is one appointment of a call. The window includes StartsAt and leaves
// EndsAt out, so one visit may begin the moment another ends.
type Visit struct {
	ID       domain.ID   `db:"id"`
	CallID   domain.ID   `db:"call_id"`
	TechID   domain.ID   `db:"tech_id"` // zero: nobody yet
	StartsAt time.Time   `db:"starts_at"`
	EndsAt   time.Time   `db:"ends_at"`
	Status   VisitStatus `db:"status"`
	Note     string      `db:"note"`
	Reason   string      `db:"cancel_reason"` // of a cancelled visit, or one that found nobody in
	// ArriveFrom and ArriveUntil are the window the customer was promised: the
	// tech begins within it. Nil: the customer was told StartsAt itself.
	ArriveFrom  *time.Time `db:"arrive_from"`
	ArriveUntil *time.Time `db:"arrive_until"`
	Override    string     `db:"override"`     // why it was booked outside hours or without a competence
	ReturnVisit bool       `db:"return_visit"` // comes back to a call that was visited before
	Version     int64      `db:"version"`
	CreatedAt   time.Time  `db:"created_at"`
	UpdatedAt   time.Time  `db:"updated_at"`
	// Notices are the safety notices of the unit not yet handled, the gravest
	// first. The use cases of visits fill it, QueueVisit and QueueVisits do not.
	Notices []customers.NoticeFlag `db:"-"`
}
