// Package repair holds what happens at the machine: isolations, readings with
// the verdicts the engine derives from them, actions, and the assessment of a
// call; then conclusions, hazards, closing and the report.
//
// A verdict is append-only: when the data sheet, the unit or the engine
// changes, a new one is derived and supersedes the old.
package repair

import (
	"fmt"
	"time"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/supplements"
	"drumline/shared/pg"
)

// Service is the use cases of this slice. All fields are required.
type Service struct {
	DB         *pg.DB
	Catalogues *supplements.Book
	Now        func() time.Time
	Judged     func() // when set, called for each reading that was judged and stored
}

// Skew is how far a client's clock may be ahead or behind.
const Skew = 5 * time.Minute

// early is how long before a call was opened something may have been seen: a
// customer phones after the visit of a neighbour, a reading is carried over.
const early = 24 * time.Hour

// kindIn gives a kind of a catalogue. A unit of a kind that has left the
// catalogue can be read and no longer worked on.
func kindIn(c *catalogue.Catalogue, id string) (*catalogue.Kind, error) {
	k, ok := c.Kind(id)
	if !ok {
		return nil, domain.Errorf(domain.Conflict, "The catalogue has no such kind of appliance any more: no checks can be judged for it.")
	}
	return k, nil
}

// mustBeOpen refuses work on a closed call.
func mustBeOpen(c calls.Call) error {
	if c.Status == calls.Closed {
		return domain.Errorf(domain.Conflict, "This call is closed. Open a new call for the unit.")
	}
	return nil
}

// mustBeAttended refuses work on a visit that did not take place.
func mustBeAttended(v calls.Visit) error {
	if v.Status == calls.VisitCancelled || v.Status == calls.VisitNoAccess {
		return domain.Errorf(domain.Conflict, "This visit did not take place. Work is recorded on the visit at which it was done.")
	}
	return nil
}

// moment takes the instant something was done: now when none is given; not in
// the future, and not long before the call.
func moment(pointer string, at, now time.Time, c calls.Call) (time.Time, error) {
	switch {
	case at.IsZero():
		return now, nil
	case at.After(now.Add(Skew)):
		return at, domain.Field(pointer, "future", "This instant lies in the future. Check the clock of the device.")
	case at.Before(c.OpenedAt.Add(-early)):
		return at, domain.Field(pointer, "too_early", "This instant lies more than a day before the call was opened.")
	}
	return at.UTC().Truncate(time.Microsecond), nil
}

// checkReason refuses a missing or overlong reason of a voiding.
func checkReason(reason string) error {
	var ps domain.Problems
	ps.Text("/reason", reason, 1, 400, true)
	return ps.Err()
}

// pointerAt is the JSON pointer of the i-th item of a list.
func pointerAt(list string, i int) string { return fmt.Sprintf("%s/%d", list, i) }
