package api_test

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/care"
)

// makers make the things examples name, by the ordinary operations.
var makers map[string]func(*scene) string

func init() {
	makers = map[string]func(*scene) string{
		"customer": func(s *scene) string {
			return s.dispatcher.post("/v1/customers", map[string]any{"name": "Wren of " + s.code, "email": "wren@" + s.code + ".example", "phone": "555 0142"}).id()
		},
		"site": func(s *scene) string {
			return s.dispatcher.post("/v1/sites", map[string]any{"customer_id": s.get("customer"), "address": "14 Mill Road, " + s.code}).id()
		},
		"unit": func(s *scene) string {
			return s.dispatcher.post("/v1/units", map[string]any{"site_id": s.get("site"), "kind": "electric_dryer", "model": "M-" + domain.NewID(time.Now()).String()[20:],
				"supply_volts": 240, "rated_watts": 5200, "features": []string{"bias_heater", "low_setting"}, "installed_on": "2021-05-20"}).id()
		},
		"lone_customer": func(s *scene) string { return s.dispatcher.post("/v1/customers", map[string]any{"name": "Lone"}).id() },
		"lone_site": func(s *scene) string {
			return s.dispatcher.post("/v1/sites", map[string]any{"customer_id": s.get("customer"), "address": "empty"}).id()
		},
		"sheet": func(s *scene) string {
			model := s.dispatcher.get("/v1/units/" + s.get("unit")).str("model")
			id := s.tech.post("/v1/data-sheets", map[string]any{"kind": "electric_dryer", "model": model}).id()
			s.tech.do("PUT", "/v1/data-sheets/"+id+"/values/bias_heater_resistance", `{"low":5000,"high":7400,"unit":"Ohm","origin":"tech sheet"}`).want(200)
			return id
		},
		"instrument": func(s *scene) string {
			return s.tech.post("/v1/instruments", map[string]any{"name": "Meter", "accuracies": []any{map[string]any{"quantity": "resistance", "method": "meter",
				"percent_of_reading": 0.5, "counts": 2, "resolution": map[string]any{"value": 1, "unit": "Ohm"}}}}).id()
		},
		"person":     func(s *scene) string { return s.mate.id.String() },
		"tech":       func(s *scene) string { return s.tech.id.String() },
		"invitation": func(s *scene) string { s.get("invitation_token"); return s.made["invitation"] },
		"refresh_token": func(s *scene) string {
			return s.owner.do("POST", "/v1/sessions", map[string]any{"shop": s.code, "email": s.owner.email, "password": testPassword}).want(201).str("refresh_token")
		},
		"invitation_token": func(s *scene) string {
			a := s.owner.post("/v1/invitations", map[string]any{"name": "N", "email": domain.NewID(time.Now()).String()[20:] + "@new.example", "role": "tech"})
			s.made["invitation"] = a.id()
			return a.str("token")
		},
		"shop_code":   func(s *scene) string { return s.code },
		"owner_email": func(s *scene) string { return s.owner.email },
		"now":         func(s *scene) string { return s.owner.w.clock.now().UTC().Format(time.RFC3339) },
		"fresh_id":    func(*scene) string { return domain.NewID(time.Now()).String() },
		"sheet_etag":  func(s *scene) string { return s.dispatcher.get("/v1/data-sheets/" + s.get("sheet")).etag() },
		"call": func(s *scene) string {
			return s.dispatcher.post("/v1/calls", map[string]any{"unit_id": s.get("unit"), "complaint": "runs_too_hot", "triage": map[string]any{"setting": "every"}}).id()
		},
		"visit":      func(s *scene) string { return onSite(s, s.get("call")) },
		"live_visit": func(s *scene) string { return onSite(s, s.get("live_call")) }, // a call of its own: powering ends isolations
		"live_call": func(s *scene) string {
			return s.dispatcher.post("/v1/calls", map[string]any{"unit_id": s.get("unit"), "complaint": "runs_too_hot"}).id()
		},
		"booked_visit": func(s *scene) string {
			return s.dispatcher.post("/v1/calls/"+s.get("call")+"/visits", map[string]any{"tech_id": s.tech.id.String(),
				"starts_at": nextHour(s), "ends_at": s.made["next_end"]}).id()
		},
		"supplement": func(s *scene) string {
			return s.owner.post("/v1/catalogue/own", map[string]any{"kind": "dishwasher", "title": "Models of " + s.code + " " + domain.NewID(time.Now()).String()[20:],
				"models": []any{map[string]any{"model": "DW-" + domain.NewID(time.Now()).String()[20:]}}}).id()
		},
		"working_week": func(s *scene) string {
			s.dispatcher.do("PUT", "/v1/people/"+s.tech.id.String()+"/working-week", `{"spans":[{"weekday":1,"starts":"00:00","ends":"24:00"},{"weekday":2,"starts":"00:00","ends":"24:00"},{"weekday":3,"starts":"00:00","ends":"24:00"},{"weekday":4,"starts":"00:00","ends":"24:00"},{"weekday":5,"starts":"00:00","ends":"24:00"},{"weekday":6,"starts":"00:00","ends":"24:00"},{"weekday":7,"starts":"00:00","ends":"24:00"}]}`, "If-Match", "*").want(200)
			return s.tech.id.String()
		},
		"dispatch_rule": func(s *scene) string {
			s.owner.do("PATCH", "/v1/dispatch-rule", map[string]any{"hold_minutes": 12}, "If-Match", "*").want(200)
			return s.code
		},
		"finished_visit": func(s *scene) string {
			unit := s.dispatcher.post("/v1/units", map[string]any{"site_id": s.get("site"), "kind": "electric_dryer"}).id()
			call := s.dispatcher.post("/v1/calls", map[string]any{"unit_id": unit, "complaint": "runs_too_hot"}).id()
			visit := onSite(s, call)
			s.tech.do("POST", "/v1/visits/"+visit+"/status", map[string]any{"status": "done"}, "If-Match", "*").want(200)
			return visit
		},
		"calendar": func(s *scene) string { s.get("calendar_token"); return s.made["calendar"] },
		"calendar_token": func(s *scene) string {
			a := s.dispatcher.post("/v1/calendars", map[string]any{"name": "Visits of " + s.code})
			s.made["calendar"] = a.id()
			return strings.TrimPrefix(a.str("path"), "/v1/calendars/")
		},
		"time_off": func(s *scene) string {
			return s.dispatcher.post("/v1/time-off", map[string]any{"starts_on": "2031-01-01", "ends_on": "2031-01-01", "note": "closed at " + s.code}).id()
		},
		"waiting_call": func(s *scene) string {
			call := s.dispatcher.post("/v1/calls", map[string]any{"unit_id": s.get("unit"), "complaint": "runs_too_hot"}).id()
			onSite(s, call)
			s.dispatcher.do("PATCH", "/v1/calls/"+call, map[string]any{"status": "waiting_for_parts"}, "If-Match", "*").want(200)
			return call
		},
		"hold": func(s *scene) string {
			call := s.dispatcher.post("/v1/calls", map[string]any{"unit_id": s.get("unit"), "complaint": "runs_too_hot"}).id()
			return s.dispatcher.post("/v1/calls/"+call+"/holds", map[string]any{"tech_id": s.tech.id.String(), "starts_at": nextHour(s), "ends_at": s.made["next_end"]}).id()
		},
		"conclusion": func(s *scene) string {
			s.tech.do("POST", "/v1/calls/"+s.get("call_visited")+"/statements", map[string]any{"statements": []string{"in_place"}}).want(200)
			return s.tech.post("/v1/calls/"+s.get("call_visited")+"/conclusions", map[string]any{"visit_id": s.get("visit"), "part": "exhaust_run", "fault": "run_restricted",
				"readings": []string{s.get("reading")}, "parts": []any{map[string]any{"number": "HD-4", "source": "new_maker", "lot": "2610"}},
				"against_evidence": "The run was full of lint when it was opened."}).id()
		},
		"hazard": func(s *scene) string {
			return s.tech.post("/v1/visits/"+s.get("visit")+"/hazards", map[string]any{"what": "blocked_run", "level": "at_risk", "found": "Lint in the run",
				"done": "Cleaned", "told": "the customer"}).id()
		},
		"notice": func(s *scene) string {
			model := s.dispatcher.get("/v1/units/" + s.get("unit")).str("model")
			return s.owner.post("/v1/safety-notices", map[string]any{"kind": "electric_dryer", "model": model, "title": "The element can touch its case",
				"what_to_do": "Fit the new element.", "level": "danger_now", "reference": "Notice 2026-4 of " + s.code, "issued_on": "2026-01-15"}).id()
		},
		"notice_handling": func(s *scene) string {
			return s.tech.post("/v1/units/"+s.get("unit_visited")+"/safety-notices/"+s.get("notice")+"/handled",
				map[string]any{"done_on": "2026-02-03", "done_by": "Tam", "note": "New element fitted."}).id()
		},
		"call_visited":     func(s *scene) string { s.get("visit"); return s.get("call") },
		"customer_visited": func(s *scene) string { s.get("visit"); return s.get("customer") },
		"site_visited":     func(s *scene) string { s.get("visit"); return s.get("site") },
		"unit_visited":     func(s *scene) string { s.get("visit"); return s.get("unit") },
		"window_start":     func(s *scene) string { return nextHour(s) },
		"window_end":       func(s *scene) string { s.get("window_start"); return s.made["next_end"] },
		"cleaning": func(s *scene) string {
			return s.dispatcher.post("/v1/units/"+s.get("unit")+"/care/cleanings", map[string]any{"done_on": "2025-10-02", "scopes": []string{"run", "hood"}, "done_by": "customer"}).id()
		},
		"isolation": func(s *scene) string {
			return s.tech.post("/v1/visits/"+s.get("visit")+"/isolations", isolation()).id()
		},
		"reading": func(s *scene) string {
			s.get("isolation")
			return s.tech.post("/v1/visits/"+s.get("visit")+"/readings", map[string]any{"check": "blower_wheel", "phase": "as_found",
				"values": []any{map[string]any{"input": "result", "choice": "sound"}}}).str("reading", "id")
		},
		"live_reading": func(s *scene) string { // by a tech without the competence
			competent(s)
			return s.tech.post("/v1/visits/"+s.get("live_visit")+"/readings", map[string]any{"check": "supply_loaded", "phase": "as_found",
				"values": []any{map[string]any{"input": "line_to_line", "value": 231, "unit": "V"}}}).str("reading", "id")
		},
		"closed_call": func(s *scene) string {
			unit := s.dispatcher.post("/v1/units", map[string]any{"site_id": s.get("site"), "kind": "electric_dryer", "model": "LM-7"}).id() // of a model no notice names
			call := s.dispatcher.post("/v1/calls", map[string]any{"unit_id": unit, "complaint": "runs_too_hot"}).id()
			s.tech.post("/v1/visits/"+onSite(s, call)+"/readings", goodRun).want(201)
			s.tech.close(call, "no_fault_found").want(200)
			return call
		},
		"care_policy": func(s *scene) string { writes(s, m{"lead_days": []int{60}}); return s.code },
		"care_task": func(s *scene) string {
			return s.dispatcher.post("/v1/care/tasks", m{"kind": "refrigerator", "name": "Condenser of " + s.code, "whose": "us", "scopes": []string{"condenser_coil"}, "months": 12}).id()
		},
		"mail_token": func(s *scene) string { return mailed(s, func(site string) { dryer(s, site, 30) }) },
		"reminded_unit": func(s *scene) string {
			s.get("mail_token")
			return ledger(s, "")[0]["unit_id"].(string)
		},
		"report_token": func(s *scene) string {
			s.get("care_policy")
			return mailed(s, func(site string) {
				unit := s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "model": "LM-8"}).id()
				call := s.dispatcher.post("/v1/calls", m{"unit_id": unit, "complaint": "runs_too_hot"}).id()
				s.tech.post("/v1/visits/"+onSite(s, call)+"/readings", goodRun).want(201)
				s.tech.close(call, "no_fault_found").want(200)
			})
		},
		"wish": func(s *scene) string {
			token := s.get("mail_token")
			require.Equal(s.owner.w.t, 200, s.owner.w.visit("POST", "/v1/care-replies/"+token, "want=book&note=Mornings+at+"+s.code).status)
			return s.dispatcher.get("/v1/care-wishes").str("items", 0, "id")
		},
		"stopped_address": func(s *scene) string {
			s.dispatcher.do("POST", "/v1/stopped-addresses", m{"email": "gone@" + s.code + ".example", "scope": "all"}).want(204)
			return s.dispatcher.get("/v1/stopped-addresses").str("items", 0, "id")
		},
		"stale_unit": func(s *scene) string { // what else is made may have been settled
			for _, name := range slices.Sorted(maps.Keys(makers)) {
				if name != "stale_unit" {
					s.get(name)
				}
			}
			return s.dispatcher.post("/v1/units", m{"site_id": s.get("site"), "kind": "washer"}).id()
		},
		"bounce_body": func(s *scene) string {
			return `{"token":"` + bounceTo(s) + `","permanent":false,"detail":"mailbox full"}`
		},
		"bounce_signature": func(s *scene) string {
			s.get("mail_token")
			key, err := hex.DecodeString(s.owner.get("/v1/care/policy").str("bounce_key"))
			require.NoError(s.owner.w.t, err)
			mac := hmac.New(sha256.New, key)
			_, _ = mac.Write([]byte(s.get("bounce_body")))
			return hex.EncodeToString(mac.Sum(nil))
		},
		"come_back_call": comeBackCall,
		"come_back": func(s *scene) string {
			call := s.get("come_back_call")
			s.owner.do("PUT", "/v1/calls/"+call+"/come-back", m{"reason": "use", "note": "at " + s.code}, "If-Match", "*").want(200)
			s.owner.get("/v1/history/come-backs")
			return call
		},
		"action": func(s *scene) string {
			return s.tech.post("/v1/visits/"+s.get("visit")+"/actions", map[string]any{"action": "clean_run"}).id()
		},
	}
}

// mailed has the shop write to a new customer about what do has done at their
// site, and gives the token of the links.
func mailed(s *scene, do func(site string)) string {
	w := s.owner.w
	s.get("care_policy")
	to := "odile." + domain.NewID(time.Now()).String()[20:] + "@" + s.code + ".example" // one an earlier example has not stopped
	_, site := home(s, to)
	do(site)
	box := &postbox{}
	stopped := w.clock.now()
	w.noon() // messages leave by day
	k := w.worker(box)
	for range 20 {
		w.clock.add(1100 * time.Millisecond)
		_, err := k.See(w.t.Context(), s.id) // other shops are none of its business here
		require.NoError(w.t, err)
	}
	w.clock.add(-w.clock.now().Sub(stopped))
	var token string
	for _, msg := range box.mails() {
		if msg.To.Addr == to {
			token = tokenOf(w.t, msg)
			s.made["bounce_token"], _ = care.BounceToken(msg.EnvelopeFrom)
		}
	}
	require.NotEmpty(w.t, token)
	return token
}

// bounceTo is the token of the address that the mail of mail_token comes back
// to.
func bounceTo(s *scene) string {
	s.get("mail_token")
	return s.made["bounce_token"]
}

// isolation is a plug in the hand, proven dead live-dead-live.
func isolation() map[string]any {
	return map[string]any{"method": "plug_in_hand", "tester_before": true, "tester_after": true,
		"proven_dead": []string{"l1_l2", "l1_n", "l2_n", "l1_ground", "l2_ground", "n_ground"}}
}

// hours gives each booked window of a test an hour of its own.
var hours = map[*world]int{}

// nextHour is the start of a free hour; its end is left in made["next_end"].
func nextHour(s *scene) string {
	w := s.owner.w
	hours[w]++
	start := w.clock.now().UTC().Truncate(time.Hour).Add(time.Duration(hours[w]) * time.Hour)
	s.made["next_end"] = start.Add(time.Hour).Format(time.RFC3339)
	return start.Format(time.RFC3339)
}

// onSite books a visit of the tech and brings them there.
func onSite(s *scene, call string) string {
	id := s.dispatcher.post("/v1/calls/"+call+"/visits", map[string]any{"tech_id": s.tech.id.String(), "starts_at": nextHour(s), "ends_at": s.made["next_end"]}).id()
	for _, status := range []string{"on_the_way", "on_site"} {
		s.tech.do("POST", "/v1/visits/"+id+"/status", map[string]any{"status": status}, "If-Match", "*").want(200)
	}
	return id
}

// competent gives the owner the competence for live work.
func competent(s *scene) {
	at := "/v1/people/" + s.owner.id.String()
	s.owner.do("PATCH", at, map[string]any{"competences": []any{map[string]any{"name": "live", "expires_on": "2099-01-01"}}}, "If-Match", "*").want(200)
}

// htmlForm is how a browser posts a form and reads a page.
var htmlForm = []string{"Content-Type", "application/x-www-form-urlencoded", "Accept", "text/html"}

var anyETag = []string{"If-Match", "*"}

// examples holds a working request for each operation.
var examples = map[string]example{
	"sign-in":           {path: "/v1/sessions", body: `{"shop":"{shop_code}","email":"{owner_email}","password":"` + testPassword + `"}`, status: 201},
	"refresh-session":   {path: "/v1/sessions/refresh", body: `{"refresh_token":"{refresh_token}"}`},
	"sign-out":          {as: "leaver", path: "/v1/sessions/current", status: 204},
	"read-shop":         {as: "tech", path: "/v1/shop"},
	"change-shop":       {as: "owner", path: "/v1/shop", body: `{"name":"Renamed","decision_rule":{"accept":0.98}}`, header: anyETag},
	"list-people":       {as: "tech", path: "/v1/people"},
	"read-me":           {as: "tech", path: "/v1/people/me"},
	"read-person":       {as: "tech", path: "/v1/people/{person}"},
	"change-person":     {as: "owner", path: "/v1/people/{person}", body: `{"name":"Mika Renamed"}`, header: anyETag},
	"change-password":   {as: "leaver", path: "/v1/people/me/password", body: `{"old_password":"` + testPassword + `","password":"` + testPassword + `"}`, status: 204},
	"create-invitation": {as: "owner", path: "/v1/invitations", body: `{"name":"New","email":"new@alder.example","role":"tech"}`, status: 201},
	"list-invitations":  {as: "owner", path: "/v1/invitations"},
	"revoke-invitation": {as: "owner", path: "/v1/invitations/{invitation}", status: 204},
	"accept-invitation": {path: "/v1/invitations/accept", body: `{"token":"{invitation_token}","password":"` + testPassword + `"}`, status: 201},

	"create-customer": {as: "dispatcher", path: "/v1/customers", body: `{"name":"Ada"}`, status: 201},
	"list-customers":  {as: "dispatcher", path: "/v1/customers?q=wren"},
	"read-customer":   {as: "tech", path: "/v1/customers/{customer_visited}"},
	"change-customer": {as: "dispatcher", path: "/v1/customers/{customer}", body: `{"phone":null}`, header: anyETag},
	"retire-customer": {as: "dispatcher", path: "/v1/customers/{lone_customer}", header: anyETag, status: 204},

	"create-site": {as: "dispatcher", path: "/v1/sites", body: `{"customer_id":"{customer}","address":"2 Elm Road"}`, status: 201},
	"list-sites":  {as: "dispatcher", path: "/v1/sites?customer_id={customer}"},
	"read-site":   {as: "tech", path: "/v1/sites/{site_visited}"},
	"change-site": {as: "dispatcher", path: "/v1/sites/{site}", body: `{"label":"home"}`, header: anyETag},
	"retire-site": {as: "dispatcher", path: "/v1/sites/{lone_site}", header: anyETag, status: 204},

	"create-unit": {as: "tech", path: "/v1/units", body: `{"site_id":"{site_visited}","kind":"electric_dryer"}`, status: 201},
	"list-units":  {as: "tech", path: "/v1/units?site_id={site_visited}"},
	"read-unit":   {as: "tech", path: "/v1/units/{unit_visited}"},
	"change-unit": {as: "dispatcher", path: "/v1/units/{unit}", body: `{"site_id":"{site}","serial":"S9"}`, header: anyETag},
	"retire-unit": {as: "dispatcher", path: "/v1/units/{unit}", header: anyETag, status: 204},

	"create-data-sheet":   {as: "tech", path: "/v1/data-sheets", body: `{"kind":"electric_dryer","model":"{fresh_id}"}`, status: 201},
	"list-data-sheets":    {as: "tech", path: "/v1/data-sheets"},
	"read-data-sheet":     {as: "tech", path: "/v1/data-sheets/{sheet}"},
	"change-data-sheet":   {as: "dispatcher", path: "/v1/data-sheets/{sheet}", body: `{"title":"Tech sheet"}`, header: anyETag},
	"retire-data-sheet":   {as: "dispatcher", path: "/v1/data-sheets/{sheet}", header: anyETag, status: 204},
	"put-sheet-value":     {as: "tech", path: "/v1/data-sheets/{sheet}/values/cycling_thermostat_rating", body: `{"value":145,"unit":"[degF]","origin":"stamp"}`},
	"confirm-sheet-value": {as: "mate", path: "/v1/data-sheets/{sheet}/values/bias_heater_resistance/confirmation", header: []string{"If-Match", "{sheet_etag}"}},
	"drop-sheet-value":    {as: "dispatcher", path: "/v1/data-sheets/{sheet}/values/bias_heater_resistance", header: anyETag},

	"read-history-summary":   {as: "owner", path: "/v1/history/summary?tech_id={tech}"},
	"read-come-backs":        {as: "owner", path: "/v1/history/come-backs"},
	"read-time-to-come-back": {as: "owner", path: "/v1/history/time-to-come-back?by=part"},
	"read-repeats":           {as: "owner", path: "/v1/history/repeats"},
	"read-part-life":         {as: "owner", path: "/v1/history/part-life"},
	"read-trend":             {as: "owner", path: "/v1/history/trend"},
	"read-ranking":           {as: "owner", path: "/v1/history/ranking?by=tech"},
	"read-pareto":            {as: "owner", path: "/v1/history/pareto"},
	"read-week":              {as: "owner", path: "/v1/history/week"},
	"read-quarter":           {as: "owner", path: "/v1/history/quarter", header: []string{"Accept", "text/html"}},
	"read-come-back":         {as: "owner", path: "/v1/calls/{come_back}/come-back"},
	"put-come-back":          {as: "owner", path: "/v1/calls/{come_back_call}/come-back", body: `{"reason":"use"}`, header: anyETag},

	"read-care-policy":       {as: "dispatcher", path: "/v1/care/policy"},
	"change-care-policy":     {as: "owner", path: "/v1/care/policy", body: `{"enabled":true,"sender_name":"A","sender_address":"care@a.example","postal_address":"3 Alder Lane"}`, header: anyETag},
	"let-go-reminders":       {as: "owner", path: "/v1/care/policy/let-go", header: []string{"X-Shop", "{care_policy}"}, status: 204},
	"create-care-task":       {as: "dispatcher", path: "/v1/care/tasks", body: `{"unit_id":"{unit}","name":"Rinse the pump filter","whose":"customer","scopes":["pump_filter"],"months":3}`, status: 201},
	"list-care-tasks":        {as: "tech", path: "/v1/care/tasks"},
	"retire-care-task":       {as: "dispatcher", path: "/v1/care/tasks/{care_task}", header: anyETag, status: 204},
	"list-care-due":          {as: "dispatcher", path: "/v1/care?area=8"},
	"book-care":              {as: "dispatcher", path: "/v1/units/{unit}/care/visits", body: `{"tech_id":"{tech}","starts_at":"{window_start}","ends_at":"{window_end}"}`, status: 201},
	"list-reminders":         {as: "dispatcher", path: "/v1/reminders?unit_id={reminded_unit}"},
	"list-reminder-months":   {as: "dispatcher", path: "/v1/reminders/months"},
	"preview-reminders":      {as: "dispatcher", path: "/v1/reminders/preview?days=30"},
	"list-care-wishes":       {as: "dispatcher", path: "/v1/care-wishes"},
	"handle-care-wish":       {as: "dispatcher", path: "/v1/care-wishes/{wish}/handled"},
	"list-stopped-addresses": {as: "dispatcher", path: "/v1/stopped-addresses"},
	"stop-address":           {as: "dispatcher", path: "/v1/stopped-addresses", body: `{"email":"no@more.example","scope":"care"}`, status: 204},
	"lift-stopped-address":   {as: "dispatcher", path: "/v1/stopped-addresses/{stopped_address}/lift", status: 204},
	"read-care-reply":        {path: "/v1/care-replies/{mail_token}?want=book", header: htmlForm[2:]},
	"send-care-reply":        {path: "/v1/care-replies/{mail_token}", body: "want=call_me", header: htmlForm},
	"read-unsubscribe":       {path: "/v1/unsubscribe/{mail_token}", header: htmlForm[2:]},
	"unsubscribe":            {path: "/v1/unsubscribe/{mail_token}", body: "List-Unsubscribe=One-Click", header: htmlForm},
	"read-sent-report":       {path: "/v1/reports/{report_token}", header: htmlForm[2:]},
	"report-returned-mail":   {path: "/v1/returned-mails", body: "{bounce_body}", header: []string{"Signature", "{bounce_signature}"}, status: 204},

	"create-instrument": {as: "dispatcher", path: "/v1/instruments", body: `{"name":"Clamp","person_id":"{tech}","accuracies":[]}`, status: 201},
	"list-instruments":  {as: "tech", path: "/v1/instruments?person_id={tech}"},
	"read-instrument":   {as: "tech", path: "/v1/instruments/{instrument}"},
	"change-instrument": {as: "tech", path: "/v1/instruments/{instrument}", body: `{"serial":"4"}`, header: anyETag},
	"retire-instrument": {as: "tech", path: "/v1/instruments/{instrument}", header: anyETag, status: 204},

	"create-safety-notice": {as: "owner", path: "/v1/safety-notices", body: `{"kind":"electric_dryer","maker":"Alder Works","model":"QX-4*","serial_from":"AB100000","serial_to":"AB199999",` +
		`"title":"The element can touch its case","what_to_do":"Fit the new element.","level":"at_risk","reference":"Notice 2026-7","issued_on":"2026-03-02"}`, status: 201},
	"list-safety-notices":  {as: "tech", path: "/v1/safety-notices?kind=electric_dryer"},
	"read-safety-notice":   {as: "tech", path: "/v1/safety-notices/{notice}"},
	"change-safety-notice": {as: "owner", path: "/v1/safety-notices/{notice}", body: `{"serial_to":null,"level":"information"}`, header: anyETag},
	"retire-safety-notice": {as: "owner", path: "/v1/safety-notices/{notice}", header: anyETag, status: 204},
	"list-noticed-units":   {as: "dispatcher", path: "/v1/safety-notices/{notice}/units?include_handled=true"},
	"list-unit-notices":    {as: "tech", path: "/v1/units/{unit_visited}/safety-notices"},
	"handle-safety-notice": {as: "tech", path: "/v1/units/{unit_visited}/safety-notices/{notice}/handled", body: `{"done_on":"2026-02-03","done_by":"the maker's service","note":"New element, serial read."}`, status: 201},
	"void-notice-handling": {as: "dispatcher", path: "/v1/safety-notice-handlings/{notice_handling}/void", body: `{"reason":"the machine next to it"}`},

	"open-call":          {as: "dispatcher", path: "/v1/calls", body: `{"unit_id":"{unit}","complaint":"runs_too_hot","triage":{"setting":"every"}}`, status: 201},
	"list-calls":         {as: "dispatcher", path: "/v1/calls?unit_id={unit}"},
	"read-call":          {as: "dispatcher", path: "/v1/calls/{call}"},
	"change-call":        {as: "dispatcher", path: "/v1/calls/{call}", body: `{"status":"waiting_for_parts"}`, header: anyETag},
	"set-call-triage":    {as: "dispatcher", path: "/v1/calls/{call}/triage", body: `{"triage":{"setting":"low_only"}}`, header: anyETag},
	"cancel-call":        {as: "dispatcher", path: "/v1/calls/{call}/cancel", body: `{"note":"sold the machine"}`, header: anyETag},
	"book-visit":         {as: "dispatcher", path: "/v1/calls/{call}/visits", body: `{"tech_id":"{tech}","starts_at":"{window_start}","ends_at":"{window_end}"}`, status: 201},
	"list-visits":        {as: "dispatcher", path: "/v1/visits?tech_id={tech}&call_id={call}"},
	"read-visit":         {as: "tech", path: "/v1/visits/{visit}"},
	"change-visit":       {as: "dispatcher", path: "/v1/visits/{booked_visit}", body: `{"tech_id":"{tech}","note":"gate code at the desk"}`, header: anyETag},
	"set-visit-status":   {as: "tech", path: "/v1/visits/{booked_visit}/status", body: `{"status":"on_the_way"}`, header: anyETag},
	"list-visit-changes": {as: "dispatcher", path: "/v1/visit-changes?after=0"},

	"read-dispatch-rule":    {as: "tech", path: "/v1/dispatch-rule"},
	"change-dispatch-rule":  {as: "owner", path: "/v1/dispatch-rule", body: `{"window_minutes":180,"speed_km_per_hour":35}`, header: anyETag},
	"read-working-week":     {as: "tech", path: "/v1/people/{tech}/working-week"},
	"put-working-week":      {as: "dispatcher", path: "/v1/people/{tech}/working-week", body: `{"spans":[{"weekday":1,"starts":"00:00","ends":"24:00"},{"weekday":2,"starts":"00:00","ends":"24:00"},{"weekday":3,"starts":"00:00","ends":"24:00"},{"weekday":4,"starts":"00:00","ends":"24:00"},{"weekday":5,"starts":"00:00","ends":"24:00"},{"weekday":6,"starts":"00:00","ends":"24:00"},{"weekday":7,"starts":"00:00","ends":"24:00"}],"base":{"latitude":41.9,"longitude":-87.7}}`, header: anyETag},
	"create-time-off":       {as: "dispatcher", path: "/v1/time-off", body: `{"person_id":"{tech}","starts_on":"2031-05-02","ends_on":"2031-05-03","note":"away"}`, status: 201},
	"list-time-off":         {as: "tech", path: "/v1/time-off"},
	"drop-time-off":         {as: "dispatcher", path: "/v1/time-off/{time_off}", status: 204},
	"list-slots":            {as: "dispatcher", path: "/v1/slots?call={call}&days=7"},
	"hold-window":           {as: "dispatcher", path: "/v1/calls/{call}/holds", body: `{"tech_id":"{tech}","starts_at":"{window_start}","ends_at":"{window_end}"}`, status: 201},
	"list-holds":            {as: "dispatcher", path: "/v1/holds"},
	"release-hold":          {as: "dispatcher", path: "/v1/holds/{hold}", status: 204},
	"create-calendar":       {as: "tech", path: "/v1/calendars", body: `{"name":"My visits","person_id":"{tech}"}`, status: 201},
	"list-calendars":        {as: "dispatcher", path: "/v1/calendars"},
	"revoke-calendar":       {as: "dispatcher", path: "/v1/calendars/{calendar}/revoke", status: 204},
	"read-calendar":         {path: "/v1/calendars/{calendar_token}"},
	"read-day-sheet":        {as: "dispatcher", path: "/v1/day-sheets/{tech}/2026-12-01"},
	"plan-day":              {as: "dispatcher", path: "/v1/day-sheets/{tech}/2026-12-01/plan", body: `{"apply":true}`},
	"read-unit-at-a-glance": {as: "dispatcher", path: "/v1/units/{unit}/at-a-glance"},
	"record-parts-arrived":  {as: "tech", path: "/v1/calls/{waiting_call}/parts-arrived", header: anyETag},
	"list-visit-versions":   {as: "tech", path: "/v1/visits/{visit}/history"},

	"read-care":       {as: "tech", path: "/v1/units/{unit_visited}/care"},
	"record-cleaning": {as: "dispatcher", path: "/v1/units/{unit}/care/cleanings", body: `{"done_on":"2025-09-12","scopes":["run"],"done_by":"customer"}`, status: 201},
	"void-cleaning":   {as: "dispatcher", path: "/v1/units/{unit}/care/cleanings/{cleaning}/void", body: `{"reason":"wrong house"}`},

	"read-catalogue":           {as: "tech", path: "/v1/catalogue?kind=electric_dryer"},
	"create-supplement":        {as: "owner", path: "/v1/catalogue/own", body: `{"kind":"washer","title":"A model we see often","models":[{"model":"WM-1"}]}`, status: 201},
	"list-supplements":         {as: "tech", path: "/v1/catalogue/own?kind=dishwasher"},
	"read-supplement":          {as: "tech", path: "/v1/catalogue/own/{supplement}?version=1"},
	"list-supplement-versions": {as: "tech", path: "/v1/catalogue/own/{supplement}/versions"},
	"put-supplement":           {as: "owner", path: "/v1/catalogue/own/{supplement}", body: `{"kind":"dishwasher","title":"Put anew","models":[{"model":"DW-9"}]}`, header: anyETag},
	"retire-supplement":        {as: "owner", path: "/v1/catalogue/own/{supplement}", header: anyETag, status: 204},
	"export-supplements":       {as: "owner", path: "/v1/catalogue/own/file"},
	"import-supplements":       {as: "owner", path: "/v1/catalogue/own/file", body: `{"format":"drumline-supplements-1","supplements":[{"kind":"refrigerator","title":"From a file","models":[{"model":"RF-1"}]}]}`},

	"read-hazard-kinds":     {as: "tech", path: "/v1/catalogue/hazards"},
	"create-isolation":      {as: "tech", path: "/v1/visits/{visit}/isolations", body: `{"method":"plug_in_hand","tester_before":true,"tester_after":true,"proven_dead":["l1_l2","l1_n","l2_n","l1_ground","l2_ground","n_ground"]}`, status: 201},
	"list-isolations":       {as: "tech", path: "/v1/visits/{visit}/isolations"},
	"end-isolation":         {as: "tech", path: "/v1/visits/{visit}/isolations/{isolation}/end", body: `{"reason":"powering up"}`},
	"create-reading":        {as: "tech", path: "/v1/visits/{visit}/readings", body: `{"id":"{fresh_id}","check":"blower_wheel","phase":"as_found","isolation_id":"{isolation}","instrument_id":"{instrument}","values":[{"input":"result","choice":"sound"}]}`, status: 201},
	"list-readings":         {as: "tech", path: "/v1/calls/{call_visited}/readings"},
	"list-waiting-readings": {as: "owner", path: "/v1/waiting-readings"},
	"read-reading":          {as: "tech", path: "/v1/readings/{reading}"},
	"list-verdicts":         {as: "tech", path: "/v1/readings/{reading}/verdicts"},
	"void-reading":          {as: "tech", path: "/v1/readings/{reading}/void", body: `{"reason":"wrong machine"}`},
	"countersign-reading":   {as: "owner", path: "/v1/readings/{live_reading}/countersign"},
	"create-action":         {as: "tech", path: "/v1/visits/{visit}/actions", body: `{"action":"clean_run"}`, status: 201},
	"list-actions":          {as: "tech", path: "/v1/calls/{call_visited}/actions"},
	"void-action":           {as: "tech", path: "/v1/actions/{action}/void", body: `{"reason":"not done after all"}`},
	"read-assessment":       {as: "tech", path: "/v1/calls/{call_visited}/assessment"},
	"read-explanation":      {as: "tech", path: "/v1/calls/{call_visited}/explanation"},
	"rederive-verdicts":     {as: "tech", path: "/v1/calls/{call_visited}/rederive"},

	"read-calibration": {as: "owner", path: "/v1/history/calibration?from=2020-01-01T00:00:00Z"},

	"create-conclusion": {as: "tech", path: "/v1/calls/{call_visited}/conclusions", body: `{"visit_id":"{visit}","part":"exhaust_run","fault":"run_restricted","action_id":"{action}","readings":["{reading}"],"against_evidence":"seen with the hood off"}`, status: 201},
	"list-conclusions":  {as: "tech", path: "/v1/calls/{call_visited}/conclusions"},
	"void-conclusion":   {as: "tech", path: "/v1/conclusions/{conclusion}/void", body: `{"reason":"the other part"}`},
	"create-hazard":     {as: "tech", path: "/v1/visits/{visit}/hazards", body: `{"what":"scorching","level":"at_risk","found":"Brown lint","done":"Removed","told":"the customer"}`, status: 201},
	"list-hazards":      {as: "tech", path: "/v1/calls/{call_visited}/hazards"},
	"clear-hazard":      {as: "tech", path: "/v1/hazards/{hazard}/clear", body: `{"note":"cleaned and looked through"}`},
	"read-closing":      {as: "tech", path: "/v1/calls/{call_visited}/closing"},
	"state-closing":     {as: "tech", path: "/v1/calls/{call_visited}/statements", body: `{"statements":["in_place"]}`},
	"close-call":        {as: "dispatcher", path: "/v1/calls/{call}/close", body: `{"outcome":"no_access","note":"nobody there, twice"}`, header: anyETag},
	"read-report":       {as: "tech", path: "/v1/calls/{call_visited}/report"},
}
