package api_test

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/shared/pg"
)

// callFor opens a call about a new unit of the shop.
func (s shop) callFor(unit string) answer {
	s.dispatcher.w.t.Helper()
	return s.dispatcher.post("/v1/calls", map[string]any{"unit_id": unit, "complaint": "runs_too_hot", "description": "Shirts come out scorching."})
}

// closed ends a call with an outcome, as the slice above does.
func (s shop) closed(call string, outcome calls.Outcome) {
	w := s.dispatcher.w
	w.t.Helper()
	id, err := domain.ParseID(call)
	require.NoError(w.t, err)
	p := domain.System(s.id, "test")
	require.NoError(w.t, w.pool.Write(w.t.Context(), p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		calls.Close(b, p, w.clock.now(), id, outcome, "")
		return tx.Send(ctx, b)
	}))
}

func texts(v any) []string {
	var out []string
	for _, s := range v.([]any) {
		out = append(out, s.(string))
	}
	return out
}

// column lists one member of each item.
func (a answer) column(member string) []string {
	a.t.Helper()
	out := []string{}
	for i := range a.at("items").([]any) {
		out = append(out, fmt.Sprint(a.at("items", i, member)))
	}
	return out
}

func TestOpeningACallGivesAdviceAtOnce(t *testing.T) {
	w := newWorld(t)
	h := w.a.newHouse()
	d := w.a.dispatcher
	body := map[string]any{"unit_id": h.unit, "complaint": "runs_too_hot", "description": "Burnt smell since Monday.",
		"triage": map[string]string{"warm_when_off": "yes", "scorch": "yes", "onset": "suddenly"}}
	made := d.do("POST", "/v1/calls", body, "Idempotency-Key", "call-1").want(201)
	require.Equal(t, "/v1/calls/"+made.id(), made.header.Get("Location"))
	require.Equal(t, `"1"`, made.etag())
	require.Equal(t, "open", made.str("status"))
	require.Nil(t, made.at("comes_back_from"))
	advice := strings.ToLower(strings.Join(texts(made.at("advice")), " "))
	require.Contains(t, advice, "stop using it")
	require.Contains(t, advice, "unplug it now")
	require.Equal(t, "scorch", made.str("triage", 0, "question"), "in the order of the catalogue")
	require.Equal(t, "warm_when_off", made.str("triage", 1, "question"))
	require.NotEmpty(t, made.str("triage", 0, "ask"))
	require.Equal(t, d.id.String(), made.str("triage", 0, "asked_by"))

	again := d.do("POST", "/v1/calls", body, "Idempotency-Key", "call-1").want(201)
	require.Equal(t, string(made.raw), string(again.raw))
	require.Equal(t, "true", again.header.Get("Idempotent-Replayed"))
	read := d.get("/v1/calls/" + made.id())
	require.JSONEq(t, string(made.raw), string(read.raw))
	require.Len(t, d.get("/v1/calls").at("items"), 1)
}

func TestACallNeedsWhatTheCatalogueHas(t *testing.T) {
	w := newWorld(t)
	h, foreign := w.a.newHouse(), w.b.newHouse()
	d := w.a.dispatcher
	retired := w.a.newHouse()
	d.do("DELETE", "/v1/units/"+retired.unit, nil, "If-Match", "*").want(204)
	absent := domain.NewID(time.Now()).String()
	for _, c := range []struct {
		name, unit, rest string
		status           int
		field            string
	}{
		{"unknown complaint", h.unit, `"complaint":"sings"`, 422, "/complaint unknown"},
		{"no complaint", h.unit, `"description":"x"`, 422, "/complaint required"},
		{"unknown question", h.unit, `"complaint":"runs_too_hot","triage":{"colour":"red"}`, 422, "/triage/colour unknown"},
		{"unknown answer", h.unit, `"complaint":"runs_too_hot","triage":{"scorch":"maybe"}`, 422, "/triage/scorch not_listed"},
		{"question twice", h.unit, `"complaint":"runs_too_hot","triage":{"scorch":"no","scorch":"yes"}`, 400, "/triage/scorch"},
		{"answer no text", h.unit, `"complaint":"runs_too_hot","triage":{"scorch":1}`, 422, "/triage/scorch"},
		{"NUL", h.unit, `"complaint":"runs_too_hot","description":"a\u0000b"`, 400, "/description"},
		{"too long", h.unit, `"complaint":"runs_too_hot","description":"` + strings.Repeat("x", 2001) + `"`, 422, "/description"},
		{"retired unit", retired.unit, `"complaint":"runs_too_hot"`, 422, "/unit_id unknown"},
		{"no such unit", absent, `"complaint":"runs_too_hot"`, 422, "/unit_id unknown"},
		{"other shop's unit", foreign.unit, `"complaint":"runs_too_hot"`, 422, "/unit_id unknown"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := d.do("POST", "/v1/calls", `{"unit_id":"`+c.unit+`",`+c.rest+`}`).want(c.status)
			require.Contains(t, fmt.Sprint(got.fields()), c.field)
		})
	}
	w.a.tech.do("POST", "/v1/calls", map[string]any{"unit_id": h.unit, "complaint": "runs_too_hot"}).want(403)
	require.Empty(t, d.get("/v1/calls").at("items"))
}

func TestChangingACall(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	call := w.a.callFor(w.a.newHouse().unit)
	path := "/v1/calls/" + call.id()
	d.do("PATCH", path, map[string]any{"status": "waiting_for_parts"}).want(428)
	waits := d.do("PATCH", path, map[string]any{"status": "waiting_for_parts"}, "If-Match", call.etag()).want(200)
	require.Equal(t, "waiting_for_parts", waits.str("status"))
	require.Equal(t, "Shirts come out scorching.", waits.str("description"))
	d.do("PATCH", path, map[string]any{"status": "open"}, "If-Match", call.etag()).want(412)
	d.do("PATCH", path, map[string]any{"status": "closed"}, "If-Match", "*").want(422)
	d.do("PATCH", path, map[string]any{"status": nil}, "If-Match", "*").want(422)
	d.do("PATCH", path, map[string]any{"unit_id": call.str("unit_id")}, "If-Match", "*").want(422)
	same := d.do("PATCH", path, map[string]any{}, "If-Match", waits.etag()).want(200)
	require.Equal(t, waits.etag(), same.etag(), "a patch that changes nothing keeps the version")
	open := d.do("PATCH", path, map[string]any{"status": "open", "description": nil}, "If-Match", waits.etag()).want(200)
	require.Empty(t, open.str("description"))
	require.JSONEq(t, string(open.raw), string(d.get(path).raw))
}

func TestTriageIsReplacedAsAWhole(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	call := w.a.callFor(w.a.newHouse().unit)
	path := "/v1/calls/" + call.id()
	first := d.do("PUT", path+"/triage", map[string]any{"triage": map[string]string{"scorch": "no", "onset": "slowly"}}, "If-Match", call.etag()).want(200)
	require.Len(t, first.at("triage"), 2)
	d.do("PUT", path+"/triage", map[string]any{"triage": map[string]string{}}, "If-Match", call.etag()).want(412)
	d.do("PUT", path+"/triage", map[string]any{"triage": map[string]string{"scorch": "perhaps"}}, "If-Match", first.etag()).want(422)

	second := w.a.owner.do("PUT", path+"/triage", map[string]any{"triage": map[string]string{"scorch": "yes", "onset": "slowly"}}, "If-Match", first.etag()).want(200)
	require.Equal(t, w.a.owner.id.String(), second.str("triage", 0, "asked_by"))
	require.Equal(t, d.id.String(), second.str("triage", 1, "asked_by"), "an answer that stays keeps who asked")
	require.JSONEq(t, string(second.raw), string(d.get(path).raw))
	none := d.do("PUT", path+"/triage", map[string]any{"triage": map[string]string{}}, "If-Match", second.etag()).want(200)
	require.Empty(t, none.at("triage"))
	require.Empty(t, d.get(path).at("triage"))
}

func TestCancellingACallCancelsWhatIsBooked(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	call := w.a.callFor(w.a.newHouse().unit)
	path := "/v1/calls/" + call.id()
	visits := []string{
		w.a.book(call.id(), w.a.tech, 9, 10).want(201).id(),
		w.a.book(call.id(), w.a.mate, 9, 10).want(201).id(),
	}
	d.do("POST", path+"/cancel", map[string]any{}, "If-Match", `"9"`).want(412)
	done := d.do("POST", path+"/cancel", map[string]any{"note": "Bought a new one."}, "If-Match", call.etag()).want(200)
	require.Equal(t, "closed", done.str("status"))
	require.Equal(t, "cancelled", done.str("outcome"))
	require.JSONEq(t, string(done.raw), string(d.get(path).raw))
	for _, v := range visits {
		require.Equal(t, "cancelled", d.get("/v1/visits/"+v).str("status"))
	}
	feed := d.get("/v1/visit-changes?after=2")
	require.Equal(t, []string{"3", "4"}, feed.column("seq"))
	require.ElementsMatch(t, visits, feed.column("visit_id"))
	require.Equal(t, []string{"cancelled", "cancelled"}, feed.column("change"))

	d.do("POST", path+"/cancel", map[string]any{}, "If-Match", "*").want(409)
	d.do("PATCH", path, map[string]any{"status": "open"}, "If-Match", "*").want(409)
	d.do("PUT", path+"/triage", map[string]any{"triage": map[string]string{}}, "If-Match", "*").want(409)
	w.a.book(call.id(), w.a.tech, 12, 13).want(409)
}

func TestACallSomebodyCameForIsNotCancelled(t *testing.T) {
	w := newWorld(t)
	call := w.a.callFor(w.a.newHouse().unit)
	visit := w.a.book(call.id(), w.a.tech, 9, 10).want(201)
	w.a.tech.step(visit.id(), "on_the_way").want(200)
	w.a.dispatcher.do("POST", "/v1/calls/"+call.id()+"/cancel", map[string]any{}, "If-Match", "*").want(409)
	require.Equal(t, "open", w.a.dispatcher.get("/v1/calls/"+call.id()).str("status"))
}

func TestComeBacksNameTheRepair(t *testing.T) {
	w := newWorld(t)
	h, other := w.a.newHouse(), w.a.newHouse()
	older, repaired := w.a.callFor(h.unit).id(), w.a.callFor(h.unit).id()
	w.a.closed(older, calls.ReturnedToService)
	w.clock.add(time.Second)
	w.a.closed(repaired, calls.ReturnedToService)
	w.a.closed(w.a.callFor(h.unit).id(), calls.NoFaultFound)
	require.Equal(t, repaired, w.a.callFor(h.unit).str("comes_back_from"), "the latest repair, not the call without a fault")
	require.Nil(t, w.a.callFor(other.unit).at("comes_back_from"))

	day := 24 * time.Hour
	w.clock.add(89 * day)
	w.a.dispatcher = w.signIn(w.a.code, w.a.dispatcher.email, testPassword)
	back := w.a.callFor(h.unit)
	require.Equal(t, repaired, back.str("comes_back_from"))
	require.Equal(t, repaired, w.a.dispatcher.get("/v1/calls/"+back.id()).str("comes_back_from"))
	w.clock.add(2 * day)
	w.a.dispatcher = w.signIn(w.a.code, w.a.dispatcher.email, testPassword)
	require.Nil(t, w.a.callFor(h.unit).at("comes_back_from"), "after 90 days it is a new complaint")
}

func TestATechSeesCallsOfOwnVisits(t *testing.T) {
	w := newWorld(t)
	mine, others := w.a.callFor(w.a.newHouse().unit).id(), w.a.callFor(w.a.newHouse().unit).id()
	w.a.book(mine, w.a.tech, 9, 10).want(201)
	w.a.book(others, w.a.mate, 9, 10).want(201)
	tech := w.a.tech
	require.Equal(t, []string{mine}, tech.get("/v1/calls").column("id"))
	tech.get("/v1/calls/" + mine)
	hidden := tech.do("GET", "/v1/calls/"+others, nil).want(404)
	gone := tech.do("GET", "/v1/calls/"+domain.NewID(time.Now()).String(), nil).want(404)
	require.Equal(t, string(gone.raw), string(hidden.raw))
	tech.do("PATCH", "/v1/calls/"+others, map[string]any{"status": "waiting_for_parts"}, "If-Match", "*").want(404)
	tech.do("PATCH", "/v1/calls/"+mine, map[string]any{"status": "waiting_for_parts"}, "If-Match", "*").want(200)
	tech.do("PATCH", "/v1/calls/"+mine, map[string]any{"description": "x"}, "If-Match", "*").want(403)
	tech.do("POST", "/v1/calls/"+mine+"/cancel", map[string]any{}, "If-Match", "*").want(403)
	require.Empty(t, w.b.dispatcher.get("/v1/calls").at("items"))
	w.b.owner.do("GET", "/v1/calls/"+mine, nil).want(404)
}

func TestARetiredUnitHasNoOpenCall(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	for round := range 10 {
		unit := w.a.newHouse().unit
		got := w.race(
			d.request("DELETE", "/v1/units/"+unit, nil, "If-Match", "*"),
			d.request("POST", "/v1/calls", map[string]any{"unit_id": unit, "complaint": "runs_too_hot"}))
		if got[201] == 1 {
			require.Equal(t, map[int]int{201: 1, 409: 1}, got, "round %d", round)
		} else {
			require.Equal(t, map[int]int{204: 1, 422: 1}, got, "round %d", round)
		}
	}
}

func TestListsOfCalls(t *testing.T) {
	w := newWorld(t)
	h, other := w.a.newHouse(), w.a.newHouse()
	d := w.a.dispatcher
	var latestFirst []string
	var opened []string
	for range 5 {
		c := w.a.callFor(h.unit)
		latestFirst = append([]string{c.id()}, latestFirst...)
		opened = append(opened, c.str("opened_at"))
	}
	elsewhere := w.a.callFor(other.unit).id()
	d.do("POST", "/v1/calls/"+latestFirst[1]+"/cancel", map[string]any{}, "If-Match", "*").want(200)

	var paged []string
	for path := "/v1/calls?page_size=2&unit_id=" + h.unit; path != ""; {
		got := d.get(path)
		paged = append(paged, got.column("id")...)
		path = ""
		if next, ok := got.at("next_cursor").(string); ok {
			path = "/v1/calls?page_size=2&unit_id=" + h.unit + "&cursor=" + url.QueryEscape(next)
		}
	}
	require.Equal(t, latestFirst, paged)
	require.Equal(t, []string{latestFirst[1]}, d.get("/v1/calls?status=closed").column("id"))
	require.Equal(t, []string{elsewhere}, d.get("/v1/calls?unit_id="+other.unit).column("id"))
	require.Equal(t, []string{latestFirst[1], latestFirst[2]},
		d.get("/v1/calls?unit_id="+h.unit+"&opened_after="+url.QueryEscape(opened[2])+"&opened_before="+url.QueryEscape(opened[4])).column("id"))
	d.do("GET", "/v1/calls?status=odd", nil).want(400)
	d.do("GET", "/v1/calls?opened_after=yesterday", nil).want(400)
	d.do("GET", "/v1/calls?state=open", nil).want(400)
	require.Empty(t, w.b.dispatcher.get("/v1/calls?unit_id="+h.unit).at("items"))
}
