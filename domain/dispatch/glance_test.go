package dispatch

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/repair"
)

// mended is a call closed at an instant, with one conclusion that was acted on.
func mended(closed time.Time, outcome calls.Outcome, sources ...string) PastCall {
	v := repair.Conclusion{ID: domain.NewID(closed), ActionID: domain.NewID(closed)}
	for _, s := range sources {
		v.Fitted = append(v.Fitted, repair.FittedPart{Source: s})
	}
	return PastCall{Call: calls.Call{ID: domain.NewID(closed), Status: calls.Closed, Outcome: outcome, ClosedAt: &closed},
		Conclusions: []PastConclusion{{Conclusion: v, FaultName: "Fault"}}}
}

func day(text string) domain.Date {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		panic(err)
	}
	return domain.DateOf(t)
}

// Labour 90 days and part 365 are common practice, no source. The day of
// closing is the site's: 05:30 UTC on 1 March is still 29 February in Denver.
func TestGuarantees(t *testing.T) {
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(t, err)
	rule := Rule{LabourDays: 90, PartDays: 365}
	closed := time.Date(2024, 3, 1, 5, 30, 0, 0, time.UTC)
	for _, c := range []struct {
		name         string
		call         PastCall
		today        string
		labour, part string // until; empty: none runs
	}{
		{"no part of ours", mended(closed, calls.ReturnedToService), "2024-05-29", "2024-05-29", ""},
		{"the day after", mended(closed, calls.ReturnedToService), "2024-05-30", "", ""},
		{"a part fitted", mended(closed, calls.ReturnedToService, "new_maker"), "2025-02-28", "2024-05-29", "2025-02-28"},
		{"a part fitted, the day after", mended(closed, calls.ReturnedToService, "new_maker"), "2025-03-01", "", ""},
		{"the customer's own part", mended(closed, calls.ReturnedToService, "customer"), "2024-05-29", "2024-05-29", ""},
		{"one of two is ours", mended(closed, calls.Limited, "customer", "used"), "2024-12-01", "2024-05-29", "2025-02-28"},
		{"not repaired", mended(closed, calls.NotWorthRepairing, "new_maker"), "2024-03-02", "", ""},
	} {
		g := glancing{rule: rule}
		g.guarantees(c.call, zone, day(c.today))
		if c.labour == "" {
			require.Empty(t, g.out.Guarantees, c.name)
			require.False(t, g.out.ComeBack, c.name)
			continue
		}
		require.Len(t, g.out.Guarantees, 1, c.name)
		require.True(t, g.out.ComeBack, c.name)
		require.Equal(t, c.labour, g.out.Guarantees[0].LabourUntil.String(), c.name)
		if c.part == "" {
			require.True(t, g.out.Guarantees[0].PartUntil.IsZero(), c.name)
		} else {
			require.Equal(t, c.part, g.out.Guarantees[0].PartUntil.String(), c.name)
		}
	}
	open := mended(closed, "")
	open.ClosedAt = nil
	g := glancing{rule: rule}
	g.guarantees(open, zone, day("2024-03-02"))
	require.Empty(t, g.out.Guarantees, "the call is still open")
	found := mended(closed, calls.ReturnedToService)
	found.Conclusions[0].ActionID = domain.ID{}
	g.guarantees(found, zone, day("2024-03-02"))
	require.Empty(t, g.out.Guarantees, "nothing was mended")
}

// A repair not long ago is a possible come-back by the rule calls are opened
// by: to the instant, and after returned to service alone.
func TestRepairedNotLongAgo(t *testing.T) {
	now := time.Date(2026, 11, 3, 9, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		closed  time.Time
		outcome calls.Outcome
		want    bool
	}{
		{now.Add(-calls.ComesBackWithin), calls.ReturnedToService, true},
		{now.Add(-calls.ComesBackWithin - time.Second), calls.ReturnedToService, false},
		{now.Add(-time.Hour), calls.NoFaultFound, false},
		{now.Add(-time.Hour), calls.Declined, false},
	} {
		var g glancing
		g.recently(mended(c.closed, c.outcome).Call, now)
		require.Equal(t, c.want, g.out.ComeBack, "%s %s", c.closed, c.outcome)
	}
}

// The sentence names what is gravest first, and of several guarantees and
// waiting calls the longest.
func TestSentence(t *testing.T) {
	now := time.Date(2026, 11, 3, 9, 0, 0, 0, time.UTC)
	g := glancing{out: Glance{Kind: "Electric clothes dryer"}}
	require.Equal(t, "Electric clothes dryer: nothing is open.", g.sentence(now))
	for _, days := range []int{2, 9, 4} { // calls stand latest first, their statuses in any order
		g.standing(calls.Call{Status: calls.WaitingForParts, StatusSince: now.AddDate(0, 0, -days)})
	}
	g.out.Hazards = []repair.Hazard{{}}
	require.Equal(t, "Electric clothes dryer: 1 hazard not cleared; a call has waited for parts for 9 days.", g.sentence(now))
	require.Equal(t, "less than a day", waited(23*time.Hour))
	require.Equal(t, "1 day", waited(47*time.Hour))
}

// The guarantee that runs longest comes first, be it on labour or on a part.
func TestLongestGuaranteeFirst(t *testing.T) {
	gs := []Guarantee{
		{FaultName: "labour only", LabourUntil: day("2027-01-10")},
		{FaultName: "part", LabourUntil: day("2026-09-01"), PartUntil: day("2027-06-01")},
		{FaultName: "old", LabourUntil: day("2026-12-01")},
	}
	longestFirst(gs)
	require.Equal(t, []string{"part", "labour only", "old"}, []string{gs[0].FaultName, gs[1].FaultName, gs[2].FaultName})
}
