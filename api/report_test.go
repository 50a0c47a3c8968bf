package api_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func (j *repairJob) report() string { return "/v1/calls/" + j.call + "/report" }

// page reads the report as a page.
func (j *repairJob) page() string {
	j.w.t.Helper()
	a := j.tech.do("GET", j.report(), nil, "Accept", "text/html").want(200)
	require.Equal(j.w.t, "text/html; charset=utf-8", a.header.Get("Content-Type"))
	require.Contains(j.w.t, a.header.Values("Vary"), "Accept")
	return string(a.raw)
}

func TestReportSaysAsFoundAndAfter(t *testing.T) {
	j := repaired(t)
	j.act("clean_run")
	j.prove(proofs[5])
	j.prove(proofs[6])
	j.prove(proofs[7])
	j.prove(proofs[8])
	require.Contains(t, j.tech.get(j.report()).str("headline"), "The work is not finished. Do not use")
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)
	r := j.tech.get(j.report())
	require.Equal(t, "Your electric clothes dryer was repaired and checked. You may use it again.", r.str("headline"))
	require.Equal(t, true, r.at("usable"))
	require.Equal(t, "Wren Ashby", r.str("customer"))
	require.Equal(t, "Shop alder-lane", r.str("shop"))
	require.Equal(t, "QX-410", r.str("unit", "model"))
	require.Len(t, r.at("confirmed"), len(allStatements))
	require.Equal(t, "tam", r.str("visits", 0, "who"))

	hood := r.check("hood")
	require.Equal(t, "650 fpm", hood["as_found"].(m)["result"])
	require.Equal(t, "does_not_conform", hood["as_found"].(m)["outcome"])
	require.Equal(t, "1700 fpm", hood["after"].(m)["result"])
	require.Equal(t, "conforms", hood["after"].(m)["outcome"])
	require.Equal(t, "at least 1200 fpm", hood["after"].(m)["limit"].(m)["text"])
	require.Contains(t, hood["after"].(m)["limit"].(m)["origin"], "common practice")
	run := r.check("as_found_run")
	require.Equal(t, "126, 127, 126 °F", run["as_found"].(m)["values"].([]any)[0].(m)["text"])
	require.Equal(t, "155 °F", run["after"].(m)["result"])
	require.Equal(t, "140 to 170 °F", run["after"].(m)["limit"].(m)["text"])
	require.Equal(t, "1.28 in w.g.", r.check("collar_pressure")["as_found"].(m)["result"])
	require.Equal(t, "0.05 Ω", r.check("frame_ground")["after"].(m)["result"], "the leads are taken off")
	require.Contains(t, r.check("frame_ground")["after"].(m)["limit"].(m)["origin"], "EN 50106")
	require.Contains(t, r.check("coil_to_case")["after"].(m)["result"], "no connection")
	require.Nil(t, r.check("coil_to_case")["as_found"])
	require.Equal(t, "3 °F difference", r.check("air_only_run")["after"].(m)["result"])
	require.Equal(t, "95.6%", r.check("duct_off_run")["after"].(m)["result"])
	require.Equal(t, "at least 70%", r.check("duct_off_run")["after"].(m)["limit"].(m)["text"])

	require.Equal(t, "the short piece of duct behind the dryer", r.str("findings", 0, "part"))
	require.Contains(t, r.str("findings", 0, "done"), "We fitted a new piece of metal duct")
	require.Equal(t, "TD-104", r.str("findings", 0, "parts", 0, "number"))
	require.Equal(t, r.at("care", 0, "due_on"), r.at("next_due_on"))
	require.Contains(t, r.str("notice"), "Local codes, licensed trades")
	require.Len(t, r.at("cautions"), 7)
}

// check finds a check of a report.
func (a answer) check(id string) m {
	a.t.Helper()
	for i := range a.at("checks").([]any) {
		if a.str("checks", i, "check") == id {
			return a.at("checks", i).(m)
		}
	}
	require.Fail(a.t, "no check "+id)
	return nil
}

// Where REPORT_PAGE names a file the page of this call is left there, to be
// looked at in a browser.
func TestReportPageTellsTheWholeStory(t *testing.T) {
	j := repaired(t)
	h := j.tech.post("/v1/visits/"+j.visit+"/hazards", m{"what": "plastic_or_foil_duct", "level": "at_risk", "notice_given": true,
		"found": "White plastic duct, torn, full of lint.", "done": "Took it off and fitted metal duct.", "told": "Wren Ashby"})
	j.tech.do("POST", "/v1/hazards/"+h.id()+"/clear", m{"note": "Metal duct fitted, air speed proven."}).want(200)
	j.tech.post("/v1/visits/"+j.visit+"/hazards", m{"what": "aluminium_wiring", "level": "below_present_code", "notice_given": true,
		"found": "Aluminium branch wiring at the dryer outlet, no sign of heat.", "done": "Nothing; told the customer to have it seen to.", "told": "Wren Ashby"})
	j.tech.close(j.call, "returned_to_service", "statements", allStatements).want(200)
	page := j.page()
	for _, words := range []string{"You may use it again", "Wren Ashby", "QX-410", "Dangers found", "Put right on", "licensed electrician", "650\u00a0fpm", "1700\u00a0fpm",
		"at least 1200\u00a0fpm", "650\u00a0fpm before, 1700\u00a0fpm after", "common practice, no source", "✗ not good", "✓ good", "TD-104", "new, from another maker", "Next cleaning",
		"Local codes, licensed trades and the maker&#39;s instructions come first", "Never open the cabinet", "while you sleep"} {
		require.Contains(t, page, words)
	}
	require.NotContains(t, page, "ZgotmplZ")
	require.NotContains(t, strings.ToLower(page), "<script")
	for _, outside := range []string{"http:", "https:", "src=", "href=", "url("} {
		require.NotContains(t, page, outside, "the page asks nobody for anything")
	}
	if file := os.Getenv("REPORT_PAGE"); file != "" {
		require.NoError(t, os.WriteFile(file, []byte(page), 0o600))
	}
}

func TestReportPageIsLockedDown(t *testing.T) {
	j := newRepair(t)
	a := j.tech.do("GET", j.report(), nil, "Accept", "text/html;q=0.9, application/json;q=0.1").want(200)
	policy := a.header.Values("Content-Security-Policy")
	require.Len(t, policy, 1)
	require.Regexp(t, `^default-src 'none'; style-src 'sha256-[A-Za-z0-9+/=]{44}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'$`, policy[0])
	require.Equal(t, "nosniff", a.header.Get("X-Content-Type-Options"))
	require.Equal(t, "application/json", j.tech.get(j.report()).header.Get("Content-Type"))
	j.tech.do("GET", j.report(), nil, "Accept", "image/png").want(406)
}

func TestReportPageEscapesHostileNames(t *testing.T) {
	j := newRepair(t)
	const evil = `<img src=x onerror=alert(1)>"'&lt;`
	d := j.s.dispatcher
	unit := d.get("/v1/units/" + j.unit)
	site := d.get("/v1/sites/" + unit.str("site_id"))
	d.do("PATCH", "/v1/customers/"+site.str("customer_id"), m{"name": evil}, "If-Match", "*").want(200)
	d.do("PATCH", "/v1/sites/"+site.id(), m{"address": evil, "label": evil, "postal_code": "</title>"}, "If-Match", "*").want(200)
	d.do("PATCH", "/v1/units/"+j.unit, m{"maker": evil, "model": evil, "serial": evil}, "If-Match", "*").want(200)
	d.do("PATCH", "/v1/calls/"+j.call, m{"description": evil + "</dd><script>alert(2)</script>"}, "If-Match", "*").want(200)
	j.s.owner.do("PATCH", "/v1/shop", m{"name": evil}, "If-Match", "*").want(200)
	seen := j.asFound()
	j.tech.post("/v1/calls/"+j.call+"/conclusions", m{"visit_id": j.visit, "part": "transition_duct", "fault": "transition_crushed", "note": evil,
		"readings": []string{seen}, "parts": []any{m{"number": evil, "name": evil, "source": "customer", "lot": evil}}})
	j.tech.post("/v1/visits/"+j.visit+"/hazards", m{"what": "other", "level": "at_risk", "found": evil, "done": evil, "told": evil, "notice_given": true})
	j.tech.close(j.call, "limited", "note", evil).want(200)
	page := j.page()
	require.NotContains(t, page, "<img")
	require.NotContains(t, page, "<script")
	require.Contains(t, page, "&lt;img src=x onerror=alert(1)&gt;")
	require.Equal(t, 1, strings.Count(page, "</title>"))
	require.Equal(t, 1, strings.Count(page, "<style>"))
}

// What is said of an open or dangerous call never invites to use the machine.
func TestReportNeverClearsADangerousMachine(t *testing.T) {
	for _, c := range []struct{ outcome, want string }{
		{"left_out_of_service", "left out of service"}, {"declined", "A danger was found"}, {"not_worth_repairing", "A danger was found"}, {"", "A danger was found"},
	} {
		j := newRepair(t)
		j.tech.post("/v1/visits/"+j.visit+"/hazards", with(hazard("missing_ground", "danger_now"), "notice_given", true))
		if c.outcome != "" {
			j.tech.close(j.call, c.outcome, "note", "Unplugged and labelled.").want(200)
		}
		r := j.tech.get(j.report())
		require.Contains(t, r.str("headline"), "Do not use your electric clothes dryer")
		require.Contains(t, r.str("headline"), c.want)
		require.Equal(t, false, r.at("usable"))
		require.Contains(t, j.page(), "Danger now: must not be used as it is")
		require.Contains(t, j.page(), "What you must do")
	}
}

func TestReportLeavesOutWhatDoesNotCount(t *testing.T) {
	j := newRepair(t)
	voided := j.read(goodRun)
	j.tech.do("POST", "/v1/readings/"+voided+"/void", m{"reason": "Wrong machine."}).want(200)
	j.tech.post(j.readings, found("supply_loaded", value("line_to_line", 231, "V")))
	j.tech.post(j.readings, m{"check": "hood_look", "phase": "as_found", "not_done": "Roof, wet."})
	action := j.act("clean_hood")
	j.tech.do("POST", "/v1/actions/"+action+"/void", m{"reason": "Not done."}).want(200)
	r := j.tech.get(j.report())
	require.Empty(t, r.at("checks"))
	require.Empty(t, r.at("work"))
	require.Contains(t, j.page(), "No fault has been concluded.")
}
