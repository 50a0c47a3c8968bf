package dispatch

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/customers"
	"drumline/domain/dispatch/ical"
	"drumline/domain/once"
)

// careFeed is a feed of due dates: whole days, each with one entry a task of a
// unit, the same one however often the date moves.
func (s *Service) careFeed(ctx context.Context, sys domain.Principal, c Calendar, now time.Time) ([]byte, error) {
	var due []care.Upcoming
	if err := s.DB.Read(ctx, sys, func(b *pgx.Batch) {
		care.QueueUpcoming(b, sys.Shop, domain.DateOf(now.Add(-feedPast)), domain.DateOf(now.Add(2*feedAhead)), feedVisits, &due)
	}); err != nil {
		return nil, err
	}
	out := ical.Calendar{Product: "-//drumline//care//EN", Name: c.Name, Refresh: feedAgain}
	for _, d := range due {
		kind, what := d.Kind, d.Name
		if k, ok := s.Calls.Catalogues.BuiltIn().Kind(d.Kind); ok {
			kind = k.Name
		}
		if what == "" {
			what = "cleaning is due"
		}
		out.Events = append(out.Events, ical.Event{UID: d.UnitID.String() + "-" + d.Task + "@drumline", Stamp: d.DerivedOn.Time(), FirstOn: d.DueOn, LastOn: d.DueOn,
			Sequence: int(d.DueOn.Time().Unix() / 86400), Status: ical.Confirmed, Summary: kind + ": " + what, Location: d.Address})
	}
	return ical.Encode(out)
}

// BookCare opens a call about care alone and books its first visit, both or
// neither, by the shop's rules.
func (s *Service) BookCare(ctx context.Context, p domain.Principal, key once.Key, unit domain.ID, description string, n calls.NewVisit) (calls.Detail, calls.Visit, bool, error) {
	d, v, replayed, err := s.Calls.OpenWithVisit(ctx, p, key, calls.NewCall{UnitID: unit, Complaint: catalogue.CareVisit, Description: description}, n,
		s.guard(p, customers.UnitByID, unit))
	return d, v, replayed, err
}
