package api_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var beltFix = fix{"belt", "belt_broken", "B-9", "used", "L1"}

// Civil days are those of the shop's zone: when the shop moves to another, its
// rows follow.
func TestTheHistoryFollowsTheZoneOfTheShop(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2027-06-30 12:00")
	p := newPast(s)
	p.call(p.unit("A"), "runs_too_hot", "2027-03-01", "2027-03-01", "returned_to_service", "", 1, s.tech.id, beltFix) // closed at 11, Denver
	require.Equal(t, 1.0, answerOf(s, "come-backs?until=2027-03-01").at("repairs"))
	s.owner.do("PATCH", "/v1/shop", m{"time_zone": "Pacific/Auckland"}, "If-Match", "*").want(200)
	require.Equal(t, 0.0, answerOf(s, "come-backs?until=2027-03-01").at("repairs"))
	require.Equal(t, 1.0, answerOf(s, "come-backs?from=2027-03-02&until=2027-03-02").at("repairs"))
}

// What comes back on the day of the repair has come back on day 1.
func TestASecondRepairOnTheSameDayIsARepeat(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2027-06-30 12:00")
	p := newPast(s)
	u := p.unit("A")
	p.call(u, "runs_too_hot", "2027-03-01", "2027-03-01", "returned_to_service", "", 1, s.tech.id, beltFix)
	again, _ := p.call(u, "runs_too_hot", "2027-03-02", "2027-03-02", "returned_to_service", "", 1, s.tech.id, beltFix)
	p.exec(`UPDATE call SET opened_at = $2, closed_at = $3 WHERE id = $1`, again, p.at("2027-03-01").Add(2*time.Hour), p.at("2027-03-01").Add(5*time.Hour))
	require.Equal(t, 1.0, answerOf(s, "come-backs").at("events"))
	require.Equal(t, 1.0, answerOf(s, "repeats").at("events"))
	require.Equal(t, 1.0, answerOf(s, "repeats").at("points", 0, "day"))
}

// Names of people are in no answer that is kept: one who is renamed is renamed
// everywhere at once.
func TestKeptAnswersHoldNoNames(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2027-06-30 12:00")
	p := newPast(s)
	p.call(p.unit("A"), "runs_too_hot", "2027-01-01", "2027-01-01", "returned_to_service", "", 1, s.tech.id, beltFix)
	for _, name := range []string{"Tamsin Once", "Tamsin Now"} {
		s.owner.do("PATCH", "/v1/people/"+s.tech.id.String(), m{"name": name}, "If-Match", "*").want(200)
		require.Contains(t, string(answerOf(s, "ranking?by=tech").raw), name)
		require.Contains(t, string(answerOf(s, "time-to-come-back?by=tech").raw), name)
	}
	answerOf(s, "summary")
	var kept string
	require.NoError(t, p.admin.QueryRow(t.Context(), `SELECT string_agg(convert_from(answer, 'UTF8'), '') FROM history_answer`).Scan(&kept))
	require.NotEmpty(t, kept)
	require.False(t, strings.Contains(kept, "Tamsin"))
}

// A unit left out of service stays on the Friday page until it is back in
// service or out of use.
func TestTheFridayPageNamesUnitsLeftOutOfService(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2027-06-30 12:00")
	p := newPast(s)
	mended, left := p.unit("A"), p.unit("B")
	for _, u := range []string{mended, left} {
		p.call(u, "runs_too_hot", "2027-06-01", "2027-06-02", "left_out_of_service", "", 1, s.tech.id)
	}
	p.call(mended, "runs_too_hot", "2027-06-20", "2027-06-21", "returned_to_service", "", 1, s.tech.id, beltFix)
	week := answerOf(s, "week")
	require.Len(t, week.at("left_unsafe"), 1)
	require.Equal(t, left, week.str("left_unsafe", 0, "unit_id"))
	require.Len(t, answerOf(s, "week?until=2027-06-19").at("left_unsafe"), 2)
	s.dispatcher.do("DELETE", "/v1/units/"+left, nil, "If-Match", "*").want(204)
	require.Empty(t, answerOf(s, "week").at("left_unsafe"))
}
