package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
)

// notice is a notice for the dryer of newHouse, which has the serial number S1.
func notice(pairs ...any) m {
	return with(m{"kind": "electric_dryer", "maker": "Alder Works", "model": "QX-410", "serial_from": "S1", "serial_to": "S5",
		"title": "The element can touch its case", "what_to_do": "Fit the new element.", "level": "danger_now",
		"reference": "Safety board, notice 2026-7", "issued_on": "2026-03-02"}, pairs...)
}

// flags lists "title certain" of the notices in an answer, with what to read.
func flags(v any) []string {
	out := []string{}
	for _, n := range v.([]any) {
		f := n.(map[string]any)
		out = append(out, strings.TrimSpace(fmt.Sprint(f["title"], " ", f["certain"], " ", strings.Join(texts(f["to_read"]), " "))))
	}
	return out
}

func TestNoticeFlagsAUnitFromBookingToHandled(t *testing.T) {
	w := newWorld(t)
	s, h := w.a, w.a.newHouse()
	s.owner.post("/v1/safety-notices", notice("title", "Tips over", "level", "at_risk", "serial_to", nil))
	made := s.owner.post("/v1/safety-notices", notice())
	s.owner.post("/v1/safety-notices", notice("title", "Another range", "serial_from", "S2"))
	want := []string{"The element can touch its case true", "Tips over true"} // the gravest first

	call := s.callFor(h.unit)
	require.Equal(t, want, flags(call.at("safety_notices")))
	require.Equal(t, "Fit the new element.", call.str("safety_notices", 0, "what_to_do"))
	require.Equal(t, made.id(), call.str("safety_notices", 0, "id"))
	require.Contains(t, call.str("advice", 0), "The element can touch its case. Stop using it now.")
	require.Equal(t, call.str("advice", 0), call.str("safety_notices", 0, "say"))
	require.NotContains(t, call.at("safety_notices", 1), "say", "at_risk is no reason to stop")
	require.Equal(t, call.at("safety_notices"), s.dispatcher.get("/v1/calls/"+call.id()).at("safety_notices"))
	require.Equal(t, call.at("advice"), s.dispatcher.get("/v1/calls/"+call.id()).at("advice"))
	visit := s.dispatcher.post("/v1/calls/"+call.id()+"/visits", m{"tech_id": s.tech.id.String(), "starts_at": nextHour(newScene(s)), "ends_at": w.clock.now().UTC().Add(24 * time.Hour).Format(time.RFC3339)})
	for _, got := range []answer{visit, s.tech.get("/v1/visits/" + visit.id()), s.dispatcher.get("/v1/units/" + h.unit),
		s.tech.step(visit.id(), "on_the_way").want(200),
		s.tech.do("PATCH", "/v1/visits/"+visit.id(), m{"note": "gate"}, "If-Match", "*").want(200)} {
		require.Equal(t, want, flags(got.at("safety_notices")), got.what)
	}
	require.Equal(t, want, flags(s.tech.get("/v1/visits").at("items", 0, "safety_notices")))
	require.Equal(t, want, flags(s.dispatcher.get("/v1/units").at("items", 0, "safety_notices")))

	at := "/v1/units/" + h.unit + "/safety-notices/" + made.id() + "/handled"
	done := s.tech.post(at, m{"done_on": "2026-02-03", "done_by": "Tam", "note": "New element fitted."})
	require.Equal(t, s.tech.id.String(), done.str("recorded_by"))
	require.Equal(t, want[1:], flags(s.tech.get("/v1/visits/"+visit.id()).at("safety_notices")))
	require.NotContains(t, s.dispatcher.get("/v1/calls/"+call.id()).str("advice", 0), "Stop using it now")
	list := s.tech.get("/v1/units/" + h.unit + "/safety-notices")
	require.Equal(t, want, flags(list.at("items")), "handled ones stay in the unit's own list")
	require.Equal(t, "New element fitted.", list.str("items", 0, "handled", "note"))
	require.NotContains(t, list.at("items", 1), "handled")
	s.tech.do("POST", at, m{"done_on": "2026-02-03", "done_by": "Tam", "note": "Again."}).want(409)

	void := "/v1/safety-notice-handlings/" + done.id() + "/void"
	s.tech.do("POST", void, m{"reason": "x"}).want(403)
	s.dispatcher.do("POST", void, m{"reason": " "}).want(422)
	first := s.dispatcher.do("POST", void, m{"reason": "It was the machine beside it."}).want(200)
	require.Equal(t, string(first.raw), string(s.dispatcher.do("POST", void, m{"reason": "Twice."}).want(200).raw))
	require.Equal(t, want, flags(s.tech.get("/v1/visits/"+visit.id()).at("safety_notices")), "it flags again")
	s.tech.post(at, m{"done_on": "2026-02-04", "done_by": "Tam", "note": "Now this one."})
	require.Equal(t, []string{"created", "voided", "created"}, trail(t, w, s.id, "safety_notice_handling"))

	s.owner.do("DELETE", "/v1/safety-notices/"+made.id(), nil, "If-Match", "*").want(204)
	require.Equal(t, want[1:], flags(s.dispatcher.get("/v1/units/"+h.unit+"/safety-notices").at("items")), "a retired notice flags nothing")
	s.tech.do("POST", at, m{"done_on": "2026-02-04", "done_by": "Tam", "note": "Late."}).want(409)
}

// trail lists the actions the audit trail holds of one kind of record.
func trail(t *testing.T, w *world, shop domain.ID, entity string) []string {
	t.Helper()
	rows, err := admin(t, w.db).Query(t.Context(), `SELECT action FROM audit WHERE shop_id = $1 AND entity = $2 ORDER BY at, id`, shop.String(), entity)
	require.NoError(t, err)
	got, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return got
}

func TestWhatCannotBeRuledOutIsFlagged(t *testing.T) {
	w := newWorld(t)
	s, h := w.a, w.a.newHouse()
	s.owner.post("/v1/safety-notices", notice("model", "QX-41*", "serial_from", "AB100000", "serial_to", "AB199999"))
	unit := func(change m) answer {
		return s.dispatcher.do("PATCH", "/v1/units/"+h.unit, change, "If-Match", "*").want(200)
	}
	for _, c := range []struct {
		change m
		want   []string
	}{
		{m{}, []string{"The element can touch its case false serial"}}, // S1 is built otherwise
		{m{"serial": nil}, []string{"The element can touch its case false serial"}},
		{m{"serial": "ab 150-000"}, []string{"The element can touch its case true"}},
		{m{"serial": "AB200000"}, []string{}},
		{m{"serial": "AB150000", "maker": "Birch"}, []string{"The element can touch its case false maker"}},
		{m{"maker": "ALDER"}, []string{"The element can touch its case true"}},
		{m{"model": "QX"}, []string{"The element can touch its case false model"}},
		{m{"model": nil, "serial": nil}, []string{"The element can touch its case false model serial"}},
		{m{"maker": "Birch"}, []string{}},
		{m{"maker": nil, "model": "QX-500"}, []string{}},
	} {
		require.Equal(t, c.want, flags(unit(c.change).at("safety_notices")), c.change)
		require.Equal(t, c.want, flags(s.dispatcher.get("/v1/units/"+h.unit+"/safety-notices").at("items")), c.change)
	}
	made := s.dispatcher.post("/v1/units", m{"site_id": h.site, "kind": "electric_dryer", "model": "qx 410"})
	require.Equal(t, []string{"The element can touch its case false serial"}, flags(made.at("safety_notices")))
	call := s.callFor(made.id())
	require.Contains(t, call.str("advice", 0), "until its nameplate has been read")
	require.Empty(t, s.dispatcher.post("/v1/units", m{"site_id": h.site, "kind": "refrigerator"}).at("safety_notices"))
	require.Empty(t, w.b.dispatcher.get("/v1/units/"+w.b.newHouse().unit).at("safety_notices"), "another shop's notice flags nothing")
}

func TestUnitsOfANotice(t *testing.T) {
	w := newWorld(t)
	s := w.a
	id := s.owner.post("/v1/safety-notices", notice("maker", "")).id()
	other := s.owner.post("/v1/safety-notices", notice("model", "ZZ-1")).id()
	var units []string
	for range 5 {
		units = append(units, s.newHouse().unit)
	}
	s.dispatcher.do("PATCH", "/v1/units/"+units[1], m{"serial": "S9"}, "If-Match", "*").want(200)
	s.dispatcher.do("PATCH", "/v1/units/"+units[2], m{"serial": "?"}, "If-Match", "*").want(200)
	s.dispatcher.do("DELETE", "/v1/units/"+units[3], nil, "If-Match", "*").want(204)
	w.b.newHouse()
	at := "/v1/safety-notices/" + id + "/units"
	got := s.dispatcher.get(at)
	require.Equal(t, []string{units[0], units[2], units[4]}, got.column("unit_id"))
	require.Equal(t, []string{"true", "false", "true"}, got.column("certain"))
	require.Equal(t, []string{"serial"}, texts(got.at("items", 1, "to_read")))
	require.Equal(t, s.dispatcher.get("/v1/sites/"+got.str("items", 0, "site_id")).str("customer_id"), got.str("items", 0, "customer_id"))

	var paged []string
	for next := at + "?page_size=2"; next != ""; {
		page := s.dispatcher.get(next)
		paged = append(paged, page.column("unit_id")...)
		next = ""
		if c, ok := page.body["next_cursor"]; ok {
			next = at + "?page_size=2&cursor=" + c.(string)
		}
	}
	require.Equal(t, got.column("unit_id"), paged)

	s.owner.post("/v1/units/"+units[0]+"/safety-notices/"+id+"/handled", m{"done_on": "2026-02-03", "done_by": "us", "note": "Done."})
	require.Equal(t, []string{units[2], units[4]}, s.dispatcher.get(at).column("unit_id"))
	require.Equal(t, "us", s.dispatcher.get(at+"?include_handled=true").str("items", 0, "handled", "done_by"))
	require.Empty(t, s.dispatcher.get("/v1/safety-notices/"+other+"/units").at("items"))
	s.tech.do("GET", at, nil).want(403)
	w.b.dispatcher.do("GET", at, nil).want(404)
}

func TestSafetyNoticesAreKept(t *testing.T) {
	w := newWorld(t)
	s := w.a
	made := s.owner.do("POST", "/v1/safety-notices", notice(), "Idempotency-Key", "n-1").want(201)
	again := s.owner.do("POST", "/v1/safety-notices", notice(), "Idempotency-Key", "n-1").want(201)
	require.Equal(t, string(made.raw), string(again.raw))
	require.Equal(t, "true", again.header.Get("Idempotent-Replayed"))
	at := made.header.Get("Location")
	require.Equal(t, string(made.raw), string(s.tech.get(at).raw))
	s.tech.do("GET", at, nil, "If-None-Match", made.etag()).want(304)
	s.dispatcher.do("POST", "/v1/safety-notices", notice()).want(403)
	s.dispatcher.do("PATCH", at, m{"title": "x"}, "If-Match", "*").want(403)
	s.owner.do("PATCH", at, m{"title": "x"}).want(428)
	changed := s.owner.do("PATCH", at, m{"serial_from": nil, "serial_to": nil, "maker": nil, "title": "The case can get hot", "level": "at_risk", "kind": "refrigerator",
		"model": "R-1", "what_to_do": "Look.", "reference": "2026-8", "issued_on": "2026-03-03"}, "If-Match", made.etag()).want(200)
	require.Equal(t, "", changed.str("serial_from"))
	require.Equal(t, "The case can get hot", changed.str("title"))
	s.owner.do("PATCH", at, m{"title": "x"}, "If-Match", made.etag()).want(412)
	got := s.owner.do("PATCH", at, m{"what_to_do": "Bypass the door switch to test it."}, "If-Match", "*").want(422)
	require.Equal(t, []string{"/what_to_do defeats_safety"}, got.fields())
	require.Equal(t, []string{"/serial_to order"}, s.owner.do("POST", "/v1/safety-notices", notice("serial_from", "S9")).want(422).fields())

	second := s.owner.post("/v1/safety-notices", notice("model", "QX-5*")).id()
	require.Equal(t, []string{made.id(), second}, s.tech.get("/v1/safety-notices").column("id"))
	require.Equal(t, []string{second}, s.tech.get("/v1/safety-notices?level=danger_now&kind=electric_dryer").column("id"))
	page := s.tech.get("/v1/safety-notices?page_size=1")
	require.Equal(t, []string{second}, s.tech.get("/v1/safety-notices?page_size=1&cursor="+page.str("next_cursor")).column("id"))
	s.owner.do("DELETE", at, nil, "If-Match", "*").want(204)
	require.Equal(t, []string{second}, s.tech.get("/v1/safety-notices").column("id"))
	require.Equal(t, []string{made.id(), second}, s.tech.get("/v1/safety-notices?include_retired=true").column("id"))
	s.owner.do("PATCH", at, m{"title": "x"}, "If-Match", "*").want(409)
	require.Equal(t, []string{"created", "changed", "created", "retired"}, trail(t, w, s.id, "safety_notice"))
}

func TestHandlingANoticeIsHeldAgainstRules(t *testing.T) {
	w := newWorld(t)
	s := w.a
	made := newScene(s)
	unit, id := made.get("unit_visited"), made.get("notice")
	at := "/v1/units/" + unit + "/safety-notices/" + id + "/handled"
	good := m{"done_on": "2026-02-03", "done_by": "Tam", "note": "Done."}
	for _, c := range []struct {
		pointer string
		value   any
		want    string
	}{
		{"done_on", "2999-01-01", "/done_on in_future"},
		{"done_by", " ", "/done_by required"},
		{"note", " ", "/note required"},
		{"note", "\u0007", "/note control_character"},
	} {
		require.Equal(t, []string{c.want}, s.tech.do("POST", at, with(good, c.pointer, c.value)).want(422).fields())
	}
	s.mate.do("POST", at, good).want(404) // has no visit there
	s.mate.do("GET", "/v1/units/"+unit+"/safety-notices", nil).want(404)
	far := s.owner.post("/v1/safety-notices", notice("model", "ZZ-1")).id()
	s.tech.do("POST", "/v1/units/"+unit+"/safety-notices/"+far+"/handled", good).want(409)
	first := s.tech.do("POST", at, good, "Idempotency-Key", "h-1").want(201)
	require.Equal(t, string(first.raw), string(s.tech.do("POST", at, good, "Idempotency-Key", "h-1").want(201).raw))
}

// A day's visits have their notices in one round trip, by unit.
func TestNoticesOfADaysVisits(t *testing.T) {
	w := newWorld(t)
	s := w.a
	s.owner.post("/v1/safety-notices", notice("maker", ""))
	one, two := s.newHouse().unit, s.newHouse().unit
	s.dispatcher.do("PATCH", "/v1/units/"+two, m{"serial": "S7"}, "If-Match", "*").want(200)
	var visits []string
	for _, unit := range []string{one, two} {
		visits = append(visits, onSite(newScene(s), s.callFor(unit).id()))
	}
	var got map[domain.ID][]customers.NoticeFlag
	require.NoError(t, w.pool.Read(t.Context(), domain.System(s.id, "test"), func(b *pgx.Batch) {
		customers.QueueNotices(b, s.id, calls.UnitsOfVisits, visits, &got)
	}))
	require.Len(t, got, 1)
	id, err := domain.ParseID(one)
	require.NoError(t, err)
	require.Len(t, got[id], 1)
	require.True(t, got[id][0].Certain())
	listed := s.dispatcher.get("/v1/visits")
	require.Equal(t, []string{one + " 1", two + " 0"}, []string{
		fmt.Sprint(one, " ", len(listed.at("items", 0, "safety_notices").([]any))), fmt.Sprint(two, " ", len(listed.at("items", 1, "safety_notices").([]any)))})
}

// A danger that a notice warns of keeps the unit from going back to service
// until somebody has recorded it as handled.
func TestADangerNoticeKeepsACallFromClosing(t *testing.T) {
	j := repaired(t)
	unit := j.w.a.owner.get("/v1/units/" + j.unit)
	j.w.a.owner.do("PATCH", "/v1/units/"+j.unit, m{"model": "QX-77", "serial": "S1"}, "If-Match", unit.etag()).want(200)
	notice := j.w.a.owner.post("/v1/safety-notices", m{"kind": "electric_dryer", "model": "QX-77", "title": "The element can touch its case",
		"what_to_do": "Fit the new element.", "level": "danger_now", "reference": "Notice 7", "issued_on": "2026-03-02"})
	require.Contains(t, j.missing("returned_to_service"), "safety_notice:"+notice.id())
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(409)
	j.tech.do("POST", "/v1/units/"+j.unit+"/safety-notices/"+notice.id()+"/handled", m{"done_on": "2026-11-20", "done_by": "us", "note": "new element fitted"}).want(201)
	require.NotContains(t, j.missing("returned_to_service"), "safety_notice:"+notice.id())
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)
}
