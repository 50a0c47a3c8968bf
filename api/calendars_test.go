package api_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/stretchr/testify/require"
)

// subscribed reads a feed as a calendar program does: without signing in, by
// a reader that is none of ours.
func subscribed(t *testing.T, w *world, path string) (*ics.Calendar, answer) {
	t.Helper()
	got := (&client{w: w}).do("GET", path, nil).want(200)
	require.Equal(t, "text/calendar; charset=utf-8; method=PUBLISH", got.header.Get("Content-Type"))
	c, err := ics.ParseCalendar(bytes.NewReader(got.raw))
	require.NoError(t, err, "%s", got.raw)
	return c, got
}

// A feed holds each visit under one UID (RFC 5545, 3.8.4.7), its SEQUENCE
// raised by a move (3.8.7.4), and a cancelled one as CANCELLED (3.8.1.11).
func TestACalendarFollowsItsVisits(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	call := callOn(s, located(s, 39.7, -104.9, nil))
	start := time.Now().UTC().AddDate(0, 0, 2).Truncate(time.Hour)
	at := func(h int) string { return start.Add(time.Duration(h) * time.Hour).Format(time.RFC3339) }
	visit := s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": at(0), "ends_at": at(1),
		"arrive_from": at(0), "arrive_until": at(2), "note": "Ring twice;\nSTATUS:CANCELLED"})
	s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": s.mate.id.String(), "starts_at": at(0), "ends_at": at(1)})
	made := s.tech.post("/v1/calendars", m{"name": "Tam, visits", "person_id": s.tech.id.String()})

	c, first := subscribed(t, w, made.str("path"))
	require.Len(t, c.Events(), 1, "the mate's visit is not in it")
	e := c.Events()[0]
	require.Equal(t, visit.id()+"@drumline", e.Id())
	require.Equal(t, "0", e.GetProperty(ics.ComponentPropertySequence).Value)
	require.Equal(t, "CONFIRMED", e.GetProperty(ics.ComponentPropertyStatus).Value)
	require.Contains(t, e.GetProperty(ics.ComponentPropertySummary).Value, "Electric clothes dryer: ")
	starts, err := e.GetStartAt()
	require.NoError(t, err)
	require.True(t, start.Equal(starts))
	about := e.GetProperty(ics.ComponentPropertyDescription).Value
	require.Contains(t, about, "Gate code 4711, dog.")
	require.Contains(t, about, "Promised: between")
	require.NotContains(t, string(first.raw), "Wren of", "the customer stays out of it")
	require.Equal(t, 1, strings.Count(string(first.raw), "\r\nSTATUS:"), "no text begins a property")
	(&client{w: w}).do("GET", made.str("path"), nil, "If-None-Match", first.etag()).want(304)

	moved := s.dispatcher.do("PATCH", "/v1/visits/"+visit.id(), m{"starts_at": at(1), "ends_at": at(2)}, "If-Match", "*").want(200)
	c, _ = subscribed(t, w, made.str("path"))
	require.Equal(t, visit.id()+"@drumline", c.Events()[0].Id())
	require.Equal(t, "1", c.Events()[0].GetProperty(ics.ComponentPropertySequence).Value)
	s.dispatcher.do("POST", "/v1/visits/"+visit.id()+"/status", m{"status": "cancelled", "reason": "sold the machine"}, "If-Match", moved.etag()).want(200)
	c, _ = subscribed(t, w, made.str("path"))
	require.Equal(t, "CANCELLED", c.Events()[0].GetProperty(ics.ComponentPropertyStatus).Value)

	whole := s.dispatcher.post("/v1/calendars", m{"name": "Shop"})
	c, _ = subscribed(t, w, whole.str("path"))
	require.Len(t, c.Events(), 2)
}

// A revoked, an unknown and a malformed address are told alike; a tech makes
// and sees feeds of their own visits only; the address is shown once and is in
// no log.
func TestACalendarCanBeRevoked(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	s.tech.do("POST", "/v1/calendars", m{"name": "All"}).want(403)
	s.tech.do("POST", "/v1/calendars", m{"name": "Mika", "person_id": s.mate.id.String()}).want(403)
	shop := s.dispatcher.post("/v1/calendars", m{"name": "Shop"})
	own := s.tech.post("/v1/calendars", m{"name": "Mine", "person_id": s.tech.id.String()})
	list := s.tech.get("/v1/calendars")
	require.Len(t, list.at("items"), 1)
	require.NotContains(t, string(list.raw), "path")
	s.tech.do("POST", "/v1/calendars/"+shop.id()+"/revoke", nil).want(404)

	subscribed(t, w, own.str("path"))
	s.tech.do("POST", "/v1/calendars/"+own.id()+"/revoke", nil).want(204)
	s.tech.do("POST", "/v1/calendars/"+own.id()+"/revoke", nil).want(204)
	anyone := &client{w: w}
	gone := anyone.do("GET", own.str("path"), nil).want(404)
	token := strings.TrimPrefix(own.str("path"), "/v1/calendars/")
	for _, path := range []string{"/v1/calendars/x", "/v1/calendars/" + token[:len(token)-1] + "A", "/v1/calendars/" + strings.Repeat("A", len(token))} {
		require.Equal(t, string(gone.raw), string(anyone.do("GET", path, nil).want(404).raw))
	}
	require.NotContains(t, w.logs.String(), token)
}
