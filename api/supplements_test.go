package api_test

import (
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// clip is the supplement of the example file, as a value to change.
func clip(t *testing.T) m {
	t.Helper()
	text, err := os.ReadFile("../testdata/own/hose_clip.json")
	require.NoError(t, err)
	var v m
	require.NoError(t, json.Unmarshal(text, &v))
	return v
}

const own = "/v1/catalogue/own"

// openOn opens a call about runs_too_hot on a new unit of the shop, with the
// tech on site, and gives call and visit.
func openOn(s *scene) (call, visit string) {
	unit := s.dispatcher.post("/v1/units", m{"site_id": s.get("site"), "kind": "electric_dryer", "features": []string{"low_setting"}}).id()
	call = s.dispatcher.post("/v1/calls", m{"unit_id": unit, "complaint": "runs_too_hot"}).id()
	return call, onSite(s, call)
}

func readClip(s *scene, visit, choice string) answer {
	return s.tech.do("POST", "/v1/visits/"+visit+"/readings", m{"check": "own_duct_clip", "phase": "as_found",
		"values": []m{{"input": "result", "choice": choice}}})
}

// ranked is the probability of a fault in the answer's ranking, -1 if it is
// not there.
func (a answer) ranked(fault string) float64 {
	list, _ := a.at("ranking").([]any)
	for _, r := range list {
		if r.(m)["fault"] == fault {
			return r.(m)["probability"].(float64)
		}
	}
	return -1
}

// A shop's own check is offered, read, judged and weighed in a call of that
// shop. The other shop never hears of it.
func TestAnOwnCheckChangesTheRanking(t *testing.T) {
	w := newWorld(t)
	a, b := newScene(w.a), newScene(w.b)
	before, _ := openOn(a)
	made := a.owner.post(own, clip(t))
	require.Equal(t, "/v1/catalogue/own/"+made.id(), made.header.Get("Location"))

	call, visit := openOn(a)
	fresh := a.tech.get("/v1/calls/" + call + "/assessment")
	prior := fresh.ranked("own_clip_lost")
	require.Greater(t, prior, 0.02)
	require.Contains(t, string(fresh.raw), `"check":"own_duct_clip"`, "two minutes for a cause of one in twenty pay")
	got := readClip(a, visit, "lost").want(201)
	require.Equal(t, "The clip is lost or loose.", got.str("reading", "verdicts", 0, "sentence"))
	after := a.tech.get("/v1/calls/" + call + "/assessment")
	require.Greater(t, after.ranked("own_clip_lost"), 5*prior)
	require.Equal(t, "Duct clip lost", after.str("ranking", 0, "name"))
	require.Contains(t, string(a.tech.get("/v1/calls/"+call+"/closing").raw), "own_clip_fitted", "one more thing to be on record at the closing")

	require.Contains(t, string(a.tech.get("/v1/catalogue?kind=electric_dryer").raw), "own_duct_clip")
	require.NotContains(t, string(b.tech.get("/v1/catalogue?kind=electric_dryer").raw), "own_duct_clip")
	_, theirs := openOn(b)
	readClip(b, theirs, "lost").want(422)
	b.owner.do("GET", own+"/"+made.id(), nil).want(404)

	// The call that was open before keeps what it was opened under, until
	// somebody takes it to the newest content.
	require.Equal(t, -1.0, a.tech.get("/v1/calls/"+before+"/assessment").ranked("own_clip_lost"))
	a.tech.do("POST", "/v1/calls/"+before+"/rederive", nil).want(200)
	require.Greater(t, a.tech.get("/v1/calls/"+before+"/assessment").ranked("own_clip_lost"), 0.02)
}

// The shop's own limit judges, and says whose figure it is.
func TestAnOwnLimitJudges(t *testing.T) {
	w := newWorld(t)
	a, b := newScene(w.a), newScene(w.b)
	a.owner.post(own, clip(t))
	read := func(s *scene) answer {
		_, visit := openOn(s)
		return s.tech.do("POST", "/v1/visits/"+visit+"/readings", m{"check": "collar_pressure", "phase": "as_found",
			"values": []m{{"input": "pressure", "value": 0.56, "unit": "[in_i'H2O]"}}}).want(201)
	}
	mine, theirs := read(a), read(b)
	require.Equal(t, "does_not_conform", mine.str("reading", "verdicts", 0, "outcome"))
	require.Contains(t, mine.str("reading", "verdicts", 0, "sentence"), "the shop's own figure, the shop's rule for roof outlets")
	require.NotEqual(t, "does_not_conform", theirs.str("reading", "verdicts", 0, "outcome"))
}

// A unit of a model the shop has described takes what is known of it.
func TestAnOwnModelFillsAUnit(t *testing.T) {
	w := newWorld(t)
	a, b := newScene(w.a), newScene(w.b)
	a.owner.post(own, clip(t))
	enter := func(s *scene, more m) answer {
		body := m{"site_id": s.get("site"), "kind": "electric_dryer", "model": "zq400e"}
		for k, v := range more {
			body[k] = v
		}
		return s.dispatcher.post("/v1/units", body)
	}
	got := enter(a, nil)
	require.Equal(t, []any{"thermistor"}, got.at("features"))
	require.Equal(t, 5200.0, got.at("rated_watts"))
	require.Equal(t, []any{}, enter(a, m{"features": []string{}}).at("features"), "what is said of the unit itself stands")
	require.Equal(t, []any{}, enter(b, nil).at("features"))
}

// Retiring and rewriting break no call: it keeps its edition, closed or open.
func TestRetiringBreaksNoOldCall(t *testing.T) {
	w := newWorld(t)
	a := newScene(w.a)
	made := a.owner.post(own, clip(t))
	path := own + "/" + made.id()
	call, visit := openOn(a)
	reading := readClip(a, visit, "lost").want(201).str("reading", "id")
	a.tech.post("/v1/calls/"+call+"/conclusions", m{"visit_id": visit, "part": "own_duct_clip_part", "fault": "own_clip_lost", "readings": []string{reading}})
	was := a.tech.get("/v1/calls/" + call + "/assessment")

	changed := clip(t)
	changed["checks"].([]any)[0].(m)["findings"].([]any)[1].(m)["sentence"] = "There is no clip."
	put := a.owner.do("PUT", path, changed, "If-Match", made.etag()).want(200)
	require.Equal(t, 2.0, put.at("version"))
	a.owner.do("PUT", path, changed, "If-Match", made.etag()).want(412)
	a.owner.do("DELETE", path, nil, "If-Match", put.etag()).want(204)
	a.owner.do("DELETE", path, nil, "If-Match", "*").want(204)

	is := a.tech.get("/v1/calls/" + call + "/assessment")
	require.Equal(t, was.at("ranking"), is.at("ranking"))
	require.Equal(t, was.at("catalogue"), is.at("catalogue"))
	require.Equal(t, "Duct clip lost", a.tech.get("/v1/calls/"+call+"/conclusions").str("items", 0, "fault_name"))
	readClip(a, visit, "lost").want(201)
	require.Equal(t, 0.0, a.tech.do("POST", "/v1/calls/"+call+"/rederive", nil).want(200).at("changed"), "the newest content has lost the check: the call stays")
	require.Equal(t, is.at("ranking", 0), a.tech.get("/v1/calls/"+call+"/assessment").at("ranking", 0))

	_, later := openOn(a)
	readClip(a, later, "lost").want(422)
	require.Equal(t, []any{}, a.tech.get(own).at("items"))
	require.Equal(t, made.id(), a.tech.get(own+"?include_retired=true").str("items", 0, "id"))
	versions := a.tech.get(path + "/versions")
	require.Len(t, versions.at("items"), 3)
	require.Equal(t, "The clip is lost or loose.", a.tech.get(path+"?version=1").str("content", "checks", 0, "findings", 1, "sentence"))
	require.Equal(t, "There is no clip.", a.tech.get(path+"?version=2").str("content", "checks", 0, "findings", 1, "sentence"))
}

// What breaks a rule of the catalogue is told at its place, and changes
// nothing.
func TestAnOwnCheckIsHeldToTheRules(t *testing.T) {
	w := newWorld(t)
	a := newScene(w.a)
	for name, x := range map[string]struct {
		change  func(check m)
		pointer string
	}{
		"bypass":     {func(c m) { c["instructions"] = []string{"Bypass the high limit and run it."} }, "/checks/0/instructions/0"},
		"state":      {func(c m) { delete(c, "state") }, "/checks/0/state"},
		"competence": {func(c m) { c["state"] = "live_open" }, "/checks/0"},
		"chances":    {func(c m) { c["findings"].([]any)[0].(m)["otherwise"] = 0.5 }, "/checks/0/findings"},
		"id":         {func(c m) { c["id"] = "hood_look" }, "/checks/0/id"},
	} {
		v := clip(t)
		x.change(v["checks"].([]any)[0].(m))
		got := a.owner.do("POST", own, v).want(422)
		require.Contains(t, got.fields(), x.pointer+" catalogue_rule", "%s: %s", name, got.raw)
	}
	a.owner.do("POST", own, m{"kind": "electric_dryer", "title": "t", "wings": []string{}}).want(422)
	a.owner.do("POST", own, m{"kind": "microwave", "title": "t", "models": []m{{"model": "x"}}}).want(422)
	a.dispatcher.do("POST", own, clip(t)).want(403)
	require.Equal(t, []any{}, a.tech.get(own).at("items"))

	made := a.owner.post(own, clip(t))
	a.owner.do("POST", own, clip(t)).want(422)
	a.owner.do("POST", own, m{"kind": "electric_dryer", "title": "duct clip behind the DRYER", "models": []m{{"model": "other"}}}).want(409)
	second := m{"kind": "electric_dryer", "title": "Second look", "closing": []m{{"complaint": "runs_too_hot", "id": "own_twice",
		"text": "The clip was looked at twice.", "any_of": []string{"own_duct_clip"}}}}
	a.owner.post(own, second)
	got := a.owner.do("DELETE", own+"/"+made.id(), nil, "If-Match", "*").want(409)
	require.Contains(t, got.str("detail"), "Second look")
}

// What one shop gives out as a file another takes over: all or none, and
// nothing twice.
func TestOwnContentTravelsAsAFile(t *testing.T) {
	w := newWorld(t)
	a, b := newScene(w.a), newScene(w.b)
	a.owner.post(own, clip(t))
	file := a.owner.get(own + "/file")
	require.Equal(t, "drumline-supplements-1", file.str("format"))
	got := b.owner.do("POST", own+"/file", json.RawMessage(file.raw)).want(200)
	require.Equal(t, 1.0, got.at("supplements", 0, "version"))
	again := b.owner.do("POST", own+"/file", json.RawMessage(file.raw)).want(200)
	require.Equal(t, got.at("supplements", 0), again.at("supplements", 0))
	require.Equal(t, file.at("supplements"), b.owner.get(own+"/file").at("supplements"))

	other := strings.ReplaceAll(string(file.raw), "Duct clip lost", "Clip of the duct lost")
	require.Equal(t, 2.0, b.owner.do("POST", own+"/file", json.RawMessage(other)).want(200).at("supplements", 0, "version"))
	bad := strings.Replace(string(file.raw), `"supplements":[`, `"supplements":[{"kind":"washer","title":"Sound","models":[{"model":"W1"}]},`, 1)
	bad = strings.Replace(bad, `"rule":"choice"`, `"rule":"guess"`, 1)
	refused := b.owner.do("POST", own+"/file", json.RawMessage(bad)).want(422)
	require.Contains(t, refused.fields(), "/supplements/1/checks/0/rule catalogue_rule")
	require.Equal(t, 1, len(b.owner.get(own+"/file").at("supplements").([]any)), "all or none")
	_, visit := openOn(b)
	readClip(b, visit, "lost").want(201)
}

// A gas dryer heats with gas, whoever enters it.
func TestAKindSaysWhatItHeatsWith(t *testing.T) {
	w := newWorld(t)
	a := newScene(w.a)
	body := m{"site_id": a.get("site"), "kind": "gas_dryer"}
	require.Equal(t, "gas", a.dispatcher.post("/v1/units", body).str("fuel"))
	body["fuel"] = "electric"
	require.Contains(t, a.dispatcher.do("POST", "/v1/units", body).want(422).fields(), "/fuel kind")
}
