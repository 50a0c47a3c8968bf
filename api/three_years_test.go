package api_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const (
	newYork = "America/New_York"
	berlin  = "Europe/Berlin"
)

// homes are the customers and units of the three years; most were installed so
// that a day to write on is one of interest.
func (r *replay) homes() {
	for _, c := range []struct {
		name, zone string
		answers    bool
	}{{"Ada", newYork, false}, {"Bo", newYork, true}, {"Cleo", berlin, true}, {"Dov", newYork, false}, {"Eve", berlin, false}, {"Finn", berlin, false},
		{"Gus", newYork, false}, {"Hal", newYork, false}, {"Ida", newYork, true}, {"Jon", newYork, false}, {"Kim", berlin, false}, {"Lea", berlin, true},
		{"Max", newYork, true}, {"Nia", newYork, true}, {"Oda", newYork, true}, {"Pia", berlin, false}, {"Quin", newYork, false}} {
		r.customer(c.name, c.zone, c.answers)
	}
	for _, u := range []struct {
		name, whose, installed string
		more                   m
	}{
		{"plain", "Ada", "2027-02-10", nil},
		{"roof", "Bo", "2027-10-11", m{"exhaust": m{"termination": "roof"}}}, // 30 days ahead: 2028-03-12, clocks go forward
		{"left twin", "Cleo", "2027-04-25", nil},                             // 30 days ahead: 2028-03-26, clocks go forward
		{"right twin", "Cleo", "2027-04-02", nil},                            // 7 days ahead: the same day
		{"washer", "Eve", "2027-10-31", m{"kind": "washer"}},
		{"moved", "Finn", "2027-07-01", nil},     // 7 days ahead: 2028-06-24
		{"voided", "Gus", "2027-06-05", nil},     // 7 days ahead: 2028-05-29
		{"dark", "Hal", "2027-09-09", nil},       // 7 days ahead and 5 after while nobody looks
		{"on the eve", "Ida", "2027-09-08", nil}, // 7 days ahead is planned, and not sent, when nobody looks any more
		{"too late", "Jon", "2027-08-30", nil},   // 5 days after, and the grace, while nobody looks
		{"silent", "Kim", "2027-12-01", nil},
		{"autumn", "Lea", "2027-11-28", nil},  // 30 days ahead: 2028-10-29, clocks go back
		{"day one", "Nia", "2027-07-14", nil}, // 30 days ahead: 2028-06-14 and -15, lived twice
		{"day two", "Nia", "2027-07-15", nil},
	} {
		r.unit(u.name, u.whose, u.installed, u.more)
	}
	task := r.dispatcher.post("/v1/care/tasks", m{"unit_id": r.units["washer"], "name": "Clean the drain filter", "whose": "us", "scopes": []string{"drain_filter"}, "months": 3}).id()
	r.tasks[task] = "drain filter"
}

// years is what happens in the three years.
func (r *replay) years() {
	for _, c := range [][3]string{{"plain", "2028-02-29"}, {"plain", "2029-02-26"}, {"plain", "2030-02-28"}, {"moved", "2028-07-03"}, {"moved", "2029-07-03"},
		{"voided", "2028-06-20"}, {"voided", "2029-06-01"}, {"dark", "2028-09-20"}, {"dark", "2029-09-18"}, {"leap", "2029-03-20"}, {"silent", "2028-12-03"},
		{"silent", "2029-12-01"}, {"too late", "2028-09-20"}, {"washer", "2028-01-31", "drain_filter"}, {"washer", "2028-04-30", "drain_filter"}, {"washer", "2028-08-31", "drain_filter"},
		{"washer", "2028-11-30", "drain_filter"}, {"washer", "2029-02-28", "drain_filter"}, {"washer", "2030-05-31", "drain_filter"}, {"washer", "2030-08-31", "drain_filter"}} {
		var scopes []string
		if c[2] != "" {
			scopes = []string{c[2]}
		}
		r.on(c[1]+" 21:30", func() { r.cleaned(c[0], c[1], scopes...) })
	}
	r.on("2027-12-05 12:00", func() { r.unit("winter", "Max", "2027-12-05", nil) }) // 30 days ahead: 2028-11-05, clocks go back
	r.on("2028-02-29 15:00", func() { r.unit("leap", "Dov", "2028-02-29", nil) })
	r.on("2028-05-10 12:00", func() { r.unit("hour back", "Oda", "2028-05-10", nil) }) // 30 days ahead: 2029-04-10, an hour lived twice
	r.on("2028-06-20 12:00", func() { r.unit("new leads", "Quin", "2028-06-20", nil) })
	// A cleaning recorded by mistake when the message of the next morning is
	// planned, taken back before it would have left; and one for a few weeks.
	r.mistaken("voided", "2028-05-28 16:00", "2028-05-28 22:00")
	r.mistaken("dark", "2029-08-20 16:00", "2029-09-10 16:00")
	// Berlin's message is planned for 08:00 there when the unit moves to New York.
	r.on("2028-06-23 22:00", func() {
		other := r.dispatcher.post("/v1/sites", m{"customer_id": r.customers["Finn"], "address": "2 Harbour Row", "time_zone": newYork}).id()
		r.dispatcher.do("PATCH", "/v1/units/"+r.units["moved"], m{"site_id": other}, "If-Match", "*").want(200)
		r.zones["finn@homes.example"] = newYork
	})
	r.on("2028-11-03 12:00", func() {
		for _, s := range r.sent {
			if s.to == "kim@homes.example" {
				require.Equal(r.w.t, 200, r.w.visit("POST", "/v1/unsubscribe/"+tokenOf(r.w.t, s.msg), "List-Unsubscribe=One-Click").status)
			}
		}
	})
	r.on("2029-06-01 12:00", func() { writes(r.scene, m{"lead_days": []int{21, 3}, "grace_days": 14}) })
}

// mistaken records a cleaning and takes it back.
func (r *replay) mistaken(unit, from, until string) {
	var id string
	r.on(from, func() { id = r.cleaned(unit, from[:10]) })
	r.on(until, func() {
		r.dispatcher.do("POST", "/v1/units/"+r.units[unit]+"/care/cleanings/"+id+"/void", m{"reason": "the wrong unit"}).want(200)
	})
}

// TestThreeYears lives three years of a shop with homes in two zones, across a
// leap day and the changes of both clocks, two weeks in which nobody looks, and
// clocks set back by a day and by an hour; and holds the whole ledger against
// one that was read line by line.
func TestThreeYears(t *testing.T) {
	r := newReplay(t, "2027-12-01 00:00")
	writes(r.scene, m{"lead_days": []int{30, 7, -5}, "grace_days": 7})
	r.homes()
	r.years()
	r.run("2030-12-01 00:00", [2]string{"2028-09-01 00:00", back}, map[string]time.Duration{"2028-06-15 18:00": 24 * time.Hour, "2029-04-10 12:00": time.Hour})

	entries := r.entries()
	golden(t, "testdata/three_years.txt", r.text(entries))
	r.holds(entries)
	t.Logf("%d looks, %d entries, %d messages", r.looks, len(entries), len(r.sent))
}

// back is when the worker looks again after two weeks.
const back = "2028-09-15 00:00"

// holds holds what has been sent against the words of the service.
func (r *replay) holds(entries []m) {
	t := r.w.t
	sent, days := map[string]sending{}, map[string]bool{}
	for _, s := range r.sent {
		require.NotContains(t, sent, s.id, "one Message-ID, sent twice")
		sent[s.id] = s
		require.True(t, 8 <= s.at.Hour() && s.at.Hour() < 20, "quiet hours: %s to %s", s.at, s.to)
		onDay := s.to + s.at.Format(" 2006-01-02")
		require.NotContains(t, days, onDay, "two messages to a customer on one civil day")
		days[onDay] = true
		require.False(t, s.again, "sent when clocks had been set back: %s to %s", s.at, s.to)
	}
	carried, keys, dates := map[string]bool{}, map[string]bool{}, map[string]bool{}
	afterwards := 0
	for _, e := range entries {
		if e["state"] != "accepted" {
			continue
		}
		date := fmt.Sprint(e["kind"], e["unit_id"], e["task"], e["due_on"])
		key := fmt.Sprint(date, e["lead_days"])
		require.NotContains(t, keys, key, "a reminder sent twice")
		id := e["message_id"].(string)
		require.NotContains(t, dates, id+date, "one message says two things of one date: %v", e)
		keys[key], dates[id+date], carried[id] = true, true, true
		if on := sent[id].at.Format("2006-01-02"); on == back[:10] {
			afterwards++
			require.Equal(t, r.mostUrgent(e["due_on"].(string), on), int(e["lead_days"].(float64)), "%v", e)
		}
	}
	require.Len(t, carried, len(sent), "what was sent is in the ledger")
	require.Equal(t, 3, afterwards, "two weeks are made up for")
}

// mostUrgent is the last of the days ahead, as they were at first, that had
// come by a day.
func (r *replay) mostUrgent(due, by string) int {
	for _, lead := range []int{-5, 7, 30} {
		if !civil(r.w.t, due).AddDate(0, 0, -lead).After(civil(r.w.t, by)) {
			return lead
		}
	}
	r.w.t.Fatalf("nothing to be said of %s by %s", due, by)
	return 0
}
