package api_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/domain/repair"
)

func hazard(what, level string) m {
	return m{"what": what, "level": level, "found": "Seen behind the machine.", "done": "Unplugged it.", "told": "Wren Ashby"}
}

func TestHazardIsRecordedAndCleared(t *testing.T) {
	j := newRepair(t)
	at, list := "/v1/visits/"+j.visit+"/hazards", "/v1/calls/"+j.call+"/hazards"
	body := with(hazard("gas_smell", "danger_now"), "notice_given", true)
	made := j.tech.do("POST", at, body, "Idempotency-Key", "h-1").want(201)
	again := j.tech.do("POST", at, body, "Idempotency-Key", "h-1").want(201)
	require.Equal(t, string(made.raw), string(again.raw))
	require.Equal(t, "true", again.header.Get("Idempotent-Replayed"))
	require.Equal(t, list, made.header.Get("Location"))
	require.Equal(t, true, made.at("stops"))
	require.Contains(t, made.str("ask"), "leave")
	require.Equal(t, made.at("found_at"), made.at("told_at"), "told at once")
	require.Len(t, j.tech.get(list).at("items"), 1)

	clear := "/v1/hazards/" + made.id() + "/clear"
	j.tech.do("POST", clear, m{"note": "  "}).want(422)
	j.s.mate.do("POST", clear, m{"note": "x"}).want(404)
	j.s.dispatcher.do("POST", clear, m{"note": "x"}).want(403)
	require.Equal(t, string(j.w.b.tech.do("POST", "/v1/hazards/00000000-0000-7000-8000-000000000000/clear", m{"note": "x"}).want(404).raw),
		string(j.w.b.tech.do("POST", clear, m{"note": "x"}).want(404).raw))
	j.tech.close(j.call, "left_out_of_service", "note", "Cock shut, labelled.").want(200)
	done := j.tech.do("POST", clear, m{"note": "Joint made new by the gas fitter, leak test good."}).want(200)
	require.Equal(t, false, done.at("stops"))
	require.Equal(t, done.at("cleared_at"), j.tech.do("POST", clear, m{"note": "Again."}).want(200).at("cleared_at"), "clearing again changes nothing")
}

func TestHazardIsHeldAgainstRules(t *testing.T) {
	j := newRepair(t)
	at := "/v1/visits/" + j.visit + "/hazards"
	for _, c := range []struct {
		change []any
		want   string
	}{
		{[]any{"what", "bad_mood"}, "/what"},
		{[]any{"level", "meh"}, "/level"},
		{[]any{"what", "carbon_monoxide", "level", "at_risk"}, "/level too_low"},
		{[]any{"found", " "}, "/found required"},
		{[]any{"done", "\u0007"}, "/done control_character"},
		{[]any{"told", "\n"}, "/told control_character"},
		{[]any{"told_at", "2999-01-01T00:00:00Z"}, "/told_at future"},
	} {
		got := j.tech.do("POST", at, with(hazard("scorching", "at_risk"), c.change...)).want(422).fields()
		require.Len(t, got, 1)
		require.Contains(t, got[0], c.want)
	}
	require.Empty(t, j.tech.get("/v1/calls/"+j.call+"/hazards").at("items"))
	j.s.dispatcher.do("POST", at, hazard("scorching", "at_risk")).want(403)
	j.s.mate.do("POST", at, hazard("scorching", "at_risk")).want(404)
	absent := j.w.b.tech.do("POST", "/v1/visits/00000000-0000-7000-8000-000000000000/hazards", hazard("scorching", "at_risk")).want(404)
	require.Equal(t, string(absent.raw), string(j.w.b.tech.do("POST", at, hazard("scorching", "at_risk")).want(404).raw))
	j.tech.step(j.visit, "on_the_way").want(200)
	j.tech.step(j.visit, "no_access").want(200)
	j.tech.do("POST", at, hazard("scorching", "at_risk")).want(409)
}

// The document and the domain know the same kinds of hazards.
func TestEveryKindOfHazardCanBeRecorded(t *testing.T) {
	j := newRepair(t)
	for _, k := range repair.HazardKinds() {
		made := j.tech.post("/v1/visits/"+j.visit+"/hazards", hazard(k.ID, "danger_now"))
		require.Equal(t, k.Plain, made.str("plain"))
	}
}

func TestHazardKindsAreServed(t *testing.T) {
	w := newWorld(t)
	const at = "/v1/catalogue/hazards"
	got := w.a.tech.get(at)
	kinds := repair.HazardKinds()
	require.Len(t, got.at("items"), len(kinds))
	for i, k := range kinds {
		require.Equal(t, k.ID, got.str("items", i, "id"))
		require.Equal(t, k.Plain, got.str("items", i, "plain"))
		require.Equal(t, k.Do, texts(got.at("items", i, "what_to_do")))
		require.Equal(t, string(k.Keeps()), got.str("items", i, "keeps_out_of_service"))
	}
	require.Equal(t, got.etag(), w.b.dispatcher.get(at).etag(), "the same for every shop")
	w.a.tech.do("GET", at, nil, "If-None-Match", got.etag()).want(304)
	(&client{w: w}).do("GET", at, nil).want(401)
}
