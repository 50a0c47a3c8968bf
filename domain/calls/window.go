package calls

import (
	"slices"
	"time"

	"drumline/domain"
)

// LongestVisit bounds a window: longer ones are mistakes, and the bound lets
// overlaps be searched by an index.
const LongestVisit = 24 * time.Hour

func checkWindow(ps *domain.Problems, starts, ends time.Time) {
	switch {
	case starts.IsZero():
		ps.Add("/starts_at", "required", "Say when the visit begins.")
	case ends.IsZero():
		ps.Add("/ends_at", "required", "Say when the visit ends.")
	case !ends.After(starts):
		ps.Add("/ends_at", "order", "A visit ends after it begins.")
	case ends.Sub(starts) > LongestVisit:
		ps.Add("/ends_at", "too_long", "A visit lasts at most 24 hours.")
	}
}

// checkPromise holds the window a customer was promised against the time the
// tech means to begin.
func checkPromise(ps *domain.Problems, v Visit) {
	from, until := v.ArriveFrom, v.ArriveUntil
	switch {
	case from == nil && until == nil:
	case from == nil || until == nil:
		ps.Add("/arrive_until", "pair", "An arrival window has both ends, or none.")
	case !until.After(*from):
		ps.Add("/arrive_until", "order", "The arrival window ends after it begins.")
	case until.Sub(*from) > LongestPromise:
		ps.Add("/arrive_until", "too_long", "An arrival window lasts at most 12 hours.")
	case v.StartsAt.Before(*from) || v.StartsAt.After(*until):
		ps.Add("/starts_at", "window", "The visit begins outside the window promised to the customer. Agree on a new window, or leave it out.")
	}
}

// LongestPromise bounds an arrival window.
const LongestPromise = 12 * time.Hour

// next lists where a visit may go from each status. Final ones lead nowhere.
var next = map[VisitStatus][]VisitStatus{
	Booked:   {OnTheWay, VisitCancelled},
	OnTheWay: {OnSite, VisitNoAccess, VisitCancelled},
	OnSite:   {Done, VisitNoAccess},
}

// checkStep refuses a step the life cycle of a visit does not have, in words
// for the person who tried it.
func checkStep(v Visit, call Status, to VisitStatus) error {
	switch {
	case !slices.Contains(next[v.Status], to):
		return step(v.Status, to)
	case to != VisitCancelled && v.TechID.IsZero():
		return domain.Errorf(domain.Conflict, "Nobody is assigned to this visit. Assign a tech first.")
	case call == Closed && (to == OnTheWay || to == OnSite):
		return closed()
	}
	return nil
}

func step(from, to VisitStatus) error {
	if len(next[from]) == 0 {
		return domain.Errorf(domain.Conflict, "This visit has ended as %s; that stays.", from)
	}
	words := string(next[from][0])
	for _, s := range next[from][1:] {
		words += " or " + string(s)
	}
	return domain.Errorf(domain.Conflict, "This visit is %s: from there it goes to %s, not to %s.", from, words, to)
}

// VisitStatuses lists every status of a visit.
func VisitStatuses() []VisitStatus {
	return []VisitStatus{Booked, OnTheWay, OnSite, Done, VisitCancelled, VisitNoAccess}
}
