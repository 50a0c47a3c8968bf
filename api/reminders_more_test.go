package api_test

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/mail"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A customer hears when a visit is booked, moved and cancelled, and the day
// before it.
func TestVisitsAreConfirmed(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.noon()
	writes(s, nil)
	_, site := home(s, "odile@fenn.example")
	unit := s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "washer"}).id()
	box := &postbox{}
	k := w.worker(box)
	w.works(k)
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(t, err)
	now := w.clock.now().In(zone)
	at := func(days, hour int) string {
		return time.Date(now.Year(), now.Month(), now.Day()+days, hour, 0, 0, 0, zone).UTC().Format(time.RFC3339)
	}
	call := s.dispatcher.post("/v1/calls", m{"unit_id": unit, "complaint": "does_not_drain"}).id()
	visit := s.dispatcher.post("/v1/calls/"+call+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": at(3, 10), "ends_at": at(3, 11),
		"arrive_from": at(3, 9), "arrive_until": at(3, 12)}).id()
	w.works(k)
	require.Len(t, box.mails(), 1)
	require.Contains(t, box.mails()[0].Subject, "between 9:00 am and 12:00 pm")
	require.Empty(t, box.mails()[0].UnsubscribeURL, "what a customer has asked for is not to be unsubscribed from")
	require.Len(t, box.mails()[0].Attachments, 1)
	require.Contains(t, string(box.mails()[0].Attachments[0].Body), "SEQUENCE:0\r\n")

	s.dispatcher.do("PATCH", "/v1/visits/"+visit, m{"starts_at": at(4, 14), "ends_at": at(4, 15), "arrive_from": at(4, 13), "arrive_until": at(4, 16), "reason": "They asked for it."}, "If-Match", "*").want(200)
	w.works(k)
	require.Len(t, box.mails(), 2)
	require.Contains(t, box.mails()[1].Subject, "between 1:00 pm and 4:00 pm")
	require.NotEqual(t, box.mails()[0].MessageID, box.mails()[1].MessageID)

	s.dispatcher.do("PATCH", "/v1/visits/"+visit, m{"note": "Ring twice."}, "If-Match", "*").want(200)
	w.works(k)
	require.Len(t, box.mails(), 2, "a note is ours")

	w.clock.add(72 * time.Hour)
	w.works(k)
	require.Len(t, box.mails(), 3)
	require.Contains(t, box.mails()[2].Subject, "Tomorrow")

	s.dispatcher.do("POST", "/v1/visits/"+visit+"/status", m{"status": "cancelled", "reason": "They found the fuse."}, "If-Match", "*").want(200)
	w.works(k)
	require.Len(t, box.mails(), 4)
	require.Contains(t, box.mails()[3].Subject, "Cancelled")
	require.Contains(t, string(box.mails()[3].Attachments[0].Body), "STATUS:CANCELLED\r\n")
	w.clock.add(48 * time.Hour)
	w.works(k)
	require.Len(t, box.mails(), 4)
}

// The report of a closed call is read by the link of a message, and by nothing
// like it.
func TestTheReportIsSent(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	token := s.get("report_token")
	page := w.visit("GET", "/v1/reports/"+token, "")
	require.Equal(t, 200, page.status)
	require.Contains(t, string(page.raw), "Odile Fenn")
	require.Contains(t, string(page.raw), "Service report")
	require.Equal(t, "private, no-store", page.header.Get("Cache-Control"))
	require.Equal(t, "no-referrer", page.header.Get("Referrer-Policy"))
	other := newScene(w.b)
	for name, wrong := range map[string]string{"of a message about care": s.get("mail_token"), "cut short": token[:len(token)-1], "nothing": "x",
		"with another shop's name": other.get("report_token")[:20] + token[20:]} {
		require.Equal(t, 404, w.visit("GET", "/v1/reports/"+wrong, "").status, name)
	}
	require.Equal(t, 404, w.visit("GET", "/v1/care-replies/"+token, "").status)
	require.Equal(t, 404, w.visit("POST", "/v1/unsubscribe/"+token, "List-Unsubscribe=One-Click").status)
}

// RFC 8058, 3.1 and 3.2: a POST of List-Unsubscribe=One-Click ends the
// messages without more being asked; a GET changes nothing.
func TestOneClickUnsubscribe(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	token := s.get("mail_token")
	stopped := func() int { return len(s.dispatcher.get("/v1/stopped-addresses").at("items").([]any)) }
	require.Equal(t, 200, w.visit("GET", "/v1/unsubscribe/"+token, "").status)
	require.Zero(t, stopped())
	require.Equal(t, 422, w.visit("POST", "/v1/unsubscribe/"+token, "x=1").status)
	require.Zero(t, stopped())
	for range 2 {
		require.Equal(t, 200, w.visit("POST", "/v1/unsubscribe/"+token, "List-Unsubscribe=One-Click").status)
	}
	require.Equal(t, 1, stopped())
	entry := s.dispatcher.get("/v1/stopped-addresses")
	require.Equal(t, "unsubscribed", entry.str("items", 0, "reason"))
	require.Equal(t, "care", entry.str("items", 0, "scope"))
	s.dispatcher.do("POST", "/v1/stopped-addresses/"+entry.str("items", 0, "id")+"/lift", nil).want(204)
	require.Zero(t, stopped())
}

// What a customer asks for stands in the office's list until it is seen to,
// and becomes a call with a visit at once.
func TestAWishBecomesAVisit(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	s.get("wish")
	wishes := s.dispatcher.get("/v1/care-wishes")
	require.Len(t, wishes.at("items"), 1)
	require.Equal(t, "book", wishes.str("items", 0, "what"))
	require.Contains(t, wishes.str("items", 0, "note"), "Mornings")
	unit := wishes.str("items", 0, "unit_ids", 0)
	w.noon()
	booked := s.dispatcher.post("/v1/units/"+unit+"/care/visits", m{"tech_id": s.tech.id.String(), "starts_at": nextHour(s), "ends_at": s.made["next_end"]})
	call, visit := booked.str("call", "id"), booked.str("visit", "id")
	require.Equal(t, "care", booked.str("call", "complaint"))
	s.dispatcher.do("POST", "/v1/care-wishes/"+wishes.str("items", 0, "id")+"/handled", nil).want(200)
	require.Empty(t, s.dispatcher.get("/v1/care-wishes").at("items"))

	// Both or neither: the window is taken now.
	before := len(s.dispatcher.get("/v1/calls").at("items").([]any))
	v := s.dispatcher.get("/v1/visits/" + visit)
	s.dispatcher.do("POST", "/v1/units/"+unit+"/care/visits", m{"tech_id": s.tech.id.String(), "starts_at": v.str("starts_at"), "ends_at": v.str("ends_at")}).want(409)
	require.Len(t, s.dispatcher.get("/v1/calls").at("items"), before)

	// The tech cleans; only then the call is done, and the date moves.
	s.tech.do("GET", "/v1/calls/"+call+"/assessment", nil).want(200)
	for _, status := range []string{"on_the_way", "on_site"} {
		s.tech.do("POST", "/v1/visits/"+visit+"/status", m{"status": status}, "If-Match", "*").want(200)
	}
	require.Equal(t, 409, s.tech.close(call, "care_done").status)
	s.tech.post("/v1/visits/"+visit+"/actions", m{"action": "clean_run"})
	s.tech.close(call, "care_done").want(200)
	plan := s.dispatcher.get("/v1/units/" + unit + "/care")
	require.Len(t, plan.at("cleanings"), 1)
	require.Equal(t, "us", plan.str("cleanings", 0, "done_by"))
	s.tech.get("/v1/calls/" + call + "/report")
	other := s.dispatcher.post("/v1/calls", m{"unit_id": unit, "complaint": "runs_too_hot"}).id()
	onSite(s, other)
	require.Equal(t, 409, s.tech.close(other, "care_done").status, "a complaint is not closed as care")
}

// Many late at once wait for the owner's word; a few do not.
func TestAFloodWaitsForTheOwner(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.noon()
	writes(s, m{"lead_days": []int{7}, "flood": 3})
	for i := range 5 {
		_, site := home(s, fmt.Sprintf("flood%d@fenn.example", i))
		dryer(s, site, 8)
	}
	box := &postbox{}
	k := w.worker(box)
	w.works(k)
	require.Empty(t, box.mails())
	w.clock.add(3 * 24 * time.Hour) // nobody was at work
	w.works(k)
	w.works(k)
	require.Empty(t, box.mails())
	policy := s.owner.get("/v1/care/policy")
	require.True(t, policy.at("held_back").(bool))
	require.Equal(t, 5.0, policy.at("late"))
	s.dispatcher.do("POST", "/v1/care/policy/let-go", nil).want(403)
	s.owner.do("POST", "/v1/care/policy/let-go", nil).want(204)
	w.works(k)
	require.Len(t, box.mails(), 5)
}

// A bounce with the shop's signature stops the address for good; one without
// does nothing (RFC 3463: 5.1.1, no such mailbox).
func TestReturnedMail(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	s.get("mail_token")
	key, err := hex.DecodeString(s.owner.get("/v1/care/policy").str("bounce_key"))
	require.NoError(t, err)
	require.Empty(t, s.dispatcher.get("/v1/care/policy").body["bounce_key"], "the owner's alone")
	nobody := &client{w: w}
	tell := func(body string, key []byte) answer {
		mac := hmac.New(sha256.New, key)
		_, _ = mac.Write([]byte(body))
		return nobody.do("POST", "/v1/returned-mails", body, "Signature", hex.EncodeToString(mac.Sum(nil)), "Idempotency-Key", "")
	}
	body := `{"token":"` + bounceTo(s) + `","permanent":true,"detail":"5.1.1 no such mailbox"}`
	tell(body, []byte("another key")).want(401)
	require.Empty(t, s.dispatcher.get("/v1/stopped-addresses").at("items"))
	tell(body, key).want(204)
	tell(body, key).want(204)
	stopped := s.dispatcher.get("/v1/stopped-addresses")
	require.Len(t, stopped.at("items"), 1)
	require.Equal(t, "bounced", stopped.str("items", 0, "reason"))
	require.Equal(t, "all", stopped.str("items", 0, "scope"))
	require.Equal(t, map[string]int{"hard_failed": 1}, states(ledger(s, "?unit_id="+s.get("reminded_unit"))))
}

// Hostile names reach no header and no markup (RFC 5322, 2.2: a header field
// ends with its line; RFC 2047: what is not ASCII is encoded).
func TestHostileNamesAreHarmless(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.noon()
	names := []string{`"Odile" <x@evil.example>`, "<script>alert(1)</script>", "Odile \u202egnp.exe", strings.Repeat("Wren ", 23) + "Fenn", "Zoë Łukasz 👩‍🔧", "{{.Token}} %s %d", "a,b;c:d@e"}
	greeting := "<b>Hi</b>\n{{.}} \u202e %s https://evil.example"
	writes(s, m{"lead_days": []int{7}, "greeting": greeting, "sender_name": `Alder "Lane" <b>`})
	for i, name := range names {
		c := s.dispatcher.post("/v1/customers", m{"name": name, "email": fmt.Sprintf("h%d@fenn.example", i)}).id()
		site := s.dispatcher.post("/v1/sites", m{"customer_id": c, "address": "1 <i>Way</i>\nUnit \"2\""}).id()
		s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "model": "<img src=x onerror=1>", "installed_on": w.dueIn(5)})
	}
	for _, bad := range []string{"Odile\r\nBcc: all@evil.example", "Odile\x00"} {
		require.Contains(t, []int{400, 422}, s.dispatcher.do("POST", "/v1/customers", m{"name": bad, "email": "odile@fenn.example"}).status)
	}
	box := &postbox{}
	k := w.worker(box)
	w.works(k)
	w.works(k)
	require.Len(t, box.mails(), len(names))
	for _, msg := range box.mails() {
		raw, err := msg.Bytes()
		require.NoError(t, err)
		read, err := mail.ReadMessage(strings.NewReader(string(raw))) // the standard library's reader
		require.NoError(t, err)
		to, err := read.Header.AddressList("To")
		require.NoError(t, err)
		require.Len(t, to, 1)
		require.Equal(t, msg.To.Addr, to[0].Address)
		require.Empty(t, read.Header["Bcc"])
		for name, values := range read.Header {
			require.Len(t, values, 1, name)
			require.NotContains(t, values[0], "\n")
		}
		for _, tag := range []string{"<script", "<img", "<b>Hi", "<i>Way"} {
			require.NotContains(t, msg.HTML, tag)
		}
		require.NotContains(t, msg.HTML, "%!")
		require.NotContains(t, msg.Text, "%!")
	}
}

// A shop's own tasks: another kind, a shorter interval, a season. Each is due
// from its own scope.
func TestOwnCareTasks(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2027-03-10 12:00")
	_, site := home(s, "odile@fenn.example")
	fridge := s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "refrigerator", "installed_on": "2026-09-15"}).id()
	unit := s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "installed_on": "2026-06-15"}).id()
	dates := func(unit string) map[string]string {
		out := map[string]string{}
		for _, x := range s.dispatcher.get("/v1/units/" + unit + "/care").at("tasks").([]any) {
			if on, ok := x.(m)["due_on"].(string); ok {
				out[x.(m)["name"].(string)] = on
			}
		}
		return out
	}
	lint := "Clean the lint path, from heater box to hood"
	require.Empty(t, dates(fridge))
	require.Equal(t, map[string]string{lint: "2027-06-15"}, dates(unit))
	coil := s.dispatcher.post("/v1/care/tasks", m{"kind": "refrigerator", "name": "Clean the condenser coil", "whose": "us", "scopes": []string{"condenser_coil"}, "months": 12}).id()
	s.dispatcher.post("/v1/care/tasks", m{"unit_id": unit, "name": "Two dogs", "whose": "us", "shortens": "lint_path", "months": 9})
	require.Equal(t, map[string]string{"Clean the condenser coil": "2027-09-15"}, dates(fridge))
	require.Equal(t, map[string]string{lint: "2027-03-15"}, dates(unit))
	s.dispatcher.do("POST", "/v1/care/tasks", m{"kind": "electric_dryer", "name": "x", "whose": "us", "shortens": "lint_path", "months": 13}).want(422)

	// Cleaning the coil counts for the coil alone.
	s.dispatcher.do("POST", "/v1/units/"+unit+"/care/cleanings", m{"done_on": "2027-03-09", "scopes": []string{"condenser_coil"}, "done_by": "us"}).want(422)
	s.dispatcher.post("/v1/units/"+fridge+"/care/cleanings", m{"done_on": "2027-03-09", "scopes": []string{"condenser_coil"}, "done_by": "us"})
	require.Equal(t, map[string]string{"Clean the condenser coil": "2028-03-09"}, dates(fridge))

	// The shop would rather clean in autumn: what is due in March 2028 is due by
	// the end of November before.
	writes(s, m{"season_from": 9, "season_to": 11})
	require.Equal(t, map[string]string{"Clean the condenser coil": "2027-11-30"}, dates(fridge))
	due := s.dispatcher.get("/v1/care?from=2027-11-01")
	require.Len(t, due.at("items"), 1, "the list follows at once")
	require.Equal(t, "Clean the condenser coil", due.str("items", 0, "name"))
	s.dispatcher.do("DELETE", "/v1/care/tasks/"+coil, nil, "If-Match", "*").want(204)
	require.Empty(t, dates(fridge))
	require.Empty(t, s.dispatcher.get("/v1/care?from=2027-11-01").at("items"))
}

// Due dates as a calendar feed: whole days, one entry a task (RFC 5545, 3.3.4
// and 3.6.1: an event of a DATE lasts that day).
func TestDueDatesAsACalendar(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.at("2028-02-01 12:00")
	_, site := home(s, "odile@fenn.example")
	s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "installed_on": "2024-02-29"})
	s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "installed_on": "2027-02-28"})
	s.dispatcher.get("/v1/care")
	path := s.dispatcher.post("/v1/calendars", m{"name": "Care", "shows": "care_due"}).str("path")
	feed := s.dispatcher.do("GET", path, nil, "Accept", "text/calendar").want(200)
	require.Contains(t, string(feed.raw), "DTSTART;VALUE=DATE:20280228\r\n")
	require.Equal(t, 1, strings.Count(string(feed.raw), "BEGIN:VEVENT"), "what is long overdue is no appointment")
	s.dispatcher.do("POST", "/v1/calendars", m{"name": "Care", "shows": "care_due", "person_id": s.tech.id.String()}).want(422)
}

// What would be written is what then is written.
func TestPreviewTellsWhatComes(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.noon()
	writes(s, m{"lead_days": []int{21, 7}})
	for i, days := range []int{5, 10, 28, 60} {
		_, site := home(s, fmt.Sprintf("p%d@fenn.example", i))
		dryer(s, site, days)
	}
	var promised []string
	for _, x := range s.dispatcher.get("/v1/reminders/preview?days=30").at("items").([]any) {
		promised = append(promised, x.(m)["unit_id"].(string)+x.(m)["due_on"].(string)+fmt.Sprint(x.(m)["lead_days"]))
	}
	box := &postbox{}
	k := w.worker(box)
	for range 31 {
		w.works(k)
		w.clock.add(24*time.Hour - 10*time.Second)
	}
	var got []string
	for _, e := range ledger(s, "?kind=care&page_size=100") {
		if e["state"] == "accepted" {
			got = append(got, e["unit_id"].(string)+e["due_on"].(string)+fmt.Sprint(e["lead_days"]))
		}
	}
	require.ElementsMatch(t, promised, got)
	require.Len(t, box.mails(), len(got))
	months := s.dispatcher.get("/v1/reminders/months")
	require.NotEmpty(t, months.at("items"))
}
