package dispatch

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch/hours"
	"drumline/domain/dispatch/route"
	"drumline/domain/repair"
)

func clockOf(hour, minute int) time.Time { return time.Date(2026, 12, 1, hour, minute, 0, 0, time.UTC) }

func TestWhatStays(t *testing.T) {
	from, until := clockOf(8, 0), clockOf(12, 0)
	for _, c := range []struct {
		name           string
		status         calls.VisitStatus
		window         bool
		now            time.Time
		stays, movable bool
	}{
		{"ahead, with a window", calls.Booked, true, clockOf(7, 0), false, true},
		{"ahead, told the hour", calls.Booked, false, clockOf(7, 0), false, false},
		{"its time runs", calls.Booked, true, clockOf(9, 30), true, false},
		{"its time begins this moment", calls.Booked, true, clockOf(9, 0), true, false},
		{"missed, the window still open", calls.Booked, true, clockOf(10, 0), false, true},
		{"missed, the window over", calls.Booked, true, clockOf(12, 0), true, false},
		{"missed, told the hour", calls.Booked, false, clockOf(10, 30), true, false},
		{"under way early", calls.OnTheWay, true, clockOf(8, 30), true, false},
		{"done before its hour", calls.Done, true, clockOf(7, 0), true, false},
	} {
		v := calls.Appointment{Visit: calls.Visit{Status: c.status, StartsAt: clockOf(9, 0), EndsAt: clockOf(10, 0)}}
		if c.window {
			v.ArriveFrom, v.ArriveUntil = &from, &until
		}
		require.Equal(t, c.stays, stays(v, c.now), c.name)
		require.Equal(t, c.movable, movable(v, c.now), c.name)
	}
}

// Breaks pause the way; who sets out within one waits for its end.
func TestReach(t *testing.T) {
	work := []hours.Interval{{From: clockOf(8, 0), To: clockOf(12, 0)}, {From: clockOf(13, 0), To: clockOf(15, 0)}, {From: clockOf(15, 30), To: clockOf(17, 0)}}
	for _, c := range []struct {
		from time.Time
		way  time.Duration
		want time.Time
	}{
		{clockOf(11, 0), time.Hour, clockOf(12, 0)},
		{clockOf(11, 30), time.Hour, clockOf(13, 30)},
		{clockOf(12, 20), 10 * time.Minute, clockOf(13, 10)},
		{clockOf(11, 30), 3 * time.Hour, clockOf(16, 0)},
		{clockOf(16, 0), 2 * time.Hour, clockOf(18, 0)},
	} {
		require.Equal(t, c.want, reach(c.from, c.way, work), "%v on the road from %v", c.way, c.from)
	}
	require.Equal(t, clockOf(9, 0), reach(clockOf(8, 0), time.Hour, nil))
}

func TestWhatIsBookedIntoABreakKeepsItsTime(t *testing.T) {
	noon := []route.Break{{From: clockOf(12, 0), To: clockOf(13, 0)}}
	booked := fixed("a", route.Place{}, clockOf(12, 15), clockOf(12, 45))
	require.Equal(t, []route.Break{{From: clockOf(12, 0), To: clockOf(12, 15)}, {From: clockOf(12, 45), To: clockOf(13, 0)}}, apart(noon, []route.Stop{booked}))
	booked.Fixed = false
	require.Equal(t, noon, apart(noon, []route.Stop{booked}), "what may move moves out of the break")
}

func TestNumbersOfTheSameModelComeFirst(t *testing.T) {
	cat, err := catalogue.Open()
	require.NoError(t, err)
	k, _ := cat.Kind("electric_dryer")
	late, _ := k.Fault("cycling_thermostat_late")
	before := []repair.FittedBefore{
		{Fault: late.ID, Model: "AB1", Number: "T-9", Name: "Thermostat", Times: 7},
		{Fault: late.ID, Model: "QX40", Number: "T-1", Name: "Thermostat", Times: 1},
		{Fault: late.ID, Model: "AB1", Number: "T-1", Name: "Thermostat", Times: 2},
		{Fault: "transition_crushed", Model: "QX40", Number: "TD-1", Name: "Duct", Times: 9},
		{Fault: "of_an_older_catalogue", Model: "QX40", Number: "X", Times: 9},
	}
	require.Equal(t, []FittedNumber{{"T-1", "Thermostat", 3, 1}, {"T-9", "Thermostat", 7, 0}}, numbersFor(k, late.Part, "QX40", before))
	require.Equal(t, []FittedNumber{{"T-9", "Thermostat", 7, 0}, {"T-1", "Thermostat", 3, 0}}, numbersFor(k, late.Part, "", before), "no model: none is the same")
}

func TestASheetValueInOneLine(t *testing.T) {
	for want, v := range map[string]customers.SheetValue{
		"20 to 24 Ω":        {Unit: "Ohm", Entered: customers.EnteredValue{Low: "20", High: "24"}},
		"at most 0.6 Ω":     {Unit: "Ohm", Entered: customers.EnteredValue{High: "0.6"}},
		"at least 1.50 Ω":   {Unit: "Ohm", Entered: customers.EnteredValue{Low: "1.50"}},
		"10.7 Ω ± 10 %":     {Unit: "Ohm", Entered: customers.EnteredValue{Value: "10.7", Percent: "10"}},
		"blue to red":       {Words: "blue to red"},
		"curve of 2 points": {Unit: "Ohm", Entered: customers.EnteredValue{Curve: make([]customers.EnteredPoint, 2)}},
	} {
		require.Equal(t, want, written(v, measure.Resistance))
	}
}
