package api_test

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
)

func TestCustomerLife(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	made := d.post("/v1/customers", map[string]any{"name": "Wren Ashby", "phone": "555 0142"})
	require.Equal(t, "/v1/customers/"+made.id(), made.header.Get("Location"))
	require.Equal(t, `"1"`, made.etag())
	path := "/v1/customers/" + made.id()

	d.do("PATCH", path, map[string]any{"name": "W. Ashby"}).want(428)
	d.do("PATCH", path, map[string]any{"name": "W. Ashby"}, "If-Match", `"7"`).want(412)
	d.do("PATCH", path, map[string]any{"name": "W. Ashby"}, "If-Match", `W/"1"`).want(412)
	changed := d.do("PATCH", path, map[string]any{"name": "W. Ashby", "phone": nil}, "If-Match", made.etag(), "Content-Type", "application/merge-patch+json").want(200)
	require.Equal(t, "W. Ashby", changed.str("name"))
	require.Empty(t, changed.str("phone"))
	require.Equal(t, `"2"`, changed.etag())
	d.do("GET", path, nil, "If-None-Match", changed.etag()).want(304)

	d.do("DELETE", path, nil, "If-Match", changed.etag()).want(204)
	require.NotNil(t, d.get(path).at("retired_at"))
	d.do("PATCH", path, map[string]any{"name": "x"}, "If-Match", "*").want(409)
	require.Empty(t, d.get("/v1/customers").at("items"))
	require.Len(t, d.get("/v1/customers?include_retired=true").at("items"), 1)
}

func TestRetiringNeedsEmptyHands(t *testing.T) {
	w := newWorld(t)
	h := w.a.newHouse()
	d := w.a.dispatcher
	d.do("DELETE", "/v1/customers/"+h.customer, nil, "If-Match", "*").want(409)
	d.do("DELETE", "/v1/sites/"+h.site, nil, "If-Match", "*").want(409)
	d.do("DELETE", "/v1/units/"+h.unit, nil, "If-Match", "*").want(204)
	d.do("DELETE", "/v1/sites/"+h.site, nil, "If-Match", "*").want(204)
	d.do("DELETE", "/v1/customers/"+h.customer, nil, "If-Match", "*").want(204)
	d.do("POST", "/v1/sites", map[string]any{"customer_id": h.customer, "address": "x"}).want(422)
}

func TestIdempotencyReplaysByteForByte(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	body := map[string]any{"name": "Ivo Larch"}
	first := d.do("POST", "/v1/customers", body, "Idempotency-Key", `"k-1"`).want(201)
	again := d.do("POST", "/v1/customers", body, "Idempotency-Key", "k-1").want(201)
	require.Equal(t, string(first.raw), string(again.raw))
	require.Equal(t, first.header.Get("Location"), again.header.Get("Location"))
	require.Equal(t, first.etag(), again.etag())
	require.Equal(t, "true", again.header.Get("Idempotent-Replayed"))
	require.Empty(t, first.header.Get("Idempotent-Replayed"))
	d.do("POST", "/v1/customers", map[string]any{"name": "Other"}, "Idempotency-Key", "k-1").want(422)
	d.do("POST", "/v1/customers", body, "Idempotency-Key", "").want(400)
	w.a.owner.do("POST", "/v1/customers", body, "Idempotency-Key", "k-1").want(201) // another person's key is another key
	require.Len(t, d.get("/v1/customers").at("items"), 2)
}

func TestBadInputChangesNothing(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	for _, c := range []struct {
		name, body string
		status     int
		field      string
	}{
		{"duplicate key", `{"name":"A","name":"B"}`, 400, "/name"},
		{"unknown field", `{"name":"A","shop_id":"x"}`, 422, "/shop_id"},
		{"other letter case", `{"Name":"A"}`, 422, ""},
		{"NUL", `{"name":"A\u0000B"}`, 400, "/name"},
		{"NaN", `{"name":NaN}`, 400, ""},
		{"trailing document", `{"name":"A"}{}`, 400, ""},
		{"empty name", `{"name":""}`, 422, "/name"},
		{"line break in name", `{"name":"A\r\nB"}`, 422, "/name"},
		{"wrong e-mail", `{"name":"A","email":"\"x> ORCPT=..\"@d.example"}`, 422, "/email"},
		{"too large", `{"name":"` + strings.Repeat("x", 10<<20) + `"}`, 413, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := d.do("POST", "/v1/customers", c.body).want(c.status)
			require.Equal(t, "application/problem+json", got.header.Get("Content-Type"))
			if c.field != "" {
				require.Contains(t, fmt.Sprint(got.fields()), c.field)
			}
		})
	}
	require.Empty(t, d.get("/v1/customers?include_retired=true").at("items"))
}

func TestNumbersOfASiteAreFinite(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	customer := d.post("/v1/customers", map[string]any{"name": "A"}).id()
	for _, c := range []struct {
		number string
		status int
	}{{"1e400", 400}, {"NaN", 400}, {"91", 422}, {"-90.0001", 422}, {`"5"`, 422}} {
		d.do("POST", "/v1/sites", `{"customer_id":"`+customer+`","address":"x","longitude":1,"latitude":`+c.number+`}`).want(c.status)
	}
	d.do("POST", "/v1/sites", `{"customer_id":"`+customer+`","address":"x","latitude":45.5}`).want(422)
	require.Empty(t, d.get("/v1/sites").at("items"))
}

func TestListsGoPageByPage(t *testing.T) {
	w := newWorld(t)
	d := w.a.dispatcher
	for i := range 7 {
		d.post("/v1/customers", map[string]any{"name": fmt.Sprintf("Customer %d", i%3), "note": fmt.Sprint(i)})
	}
	var names []string
	for cursor := ""; ; {
		got := d.get("/v1/customers?page_size=3&cursor=" + url.QueryEscape(cursor))
		for _, it := range got.at("items").([]any) {
			names = append(names, it.(map[string]any)["name"].(string)+it.(map[string]any)["id"].(string))
		}
		next, _ := got.body["next_cursor"].(string)
		require.Equal(t, next != "", got.header.Get("Link") != "")
		if cursor = next; cursor == "" {
			break
		}
		d.do("GET", "/v1/customers?page_size=3&q=Cust&cursor="+url.QueryEscape(cursor), nil).want(400) // another filter
		w.b.dispatcher.do("GET", "/v1/customers?page_size=3&cursor="+url.QueryEscape(cursor), nil).want(400)
	}
	require.Len(t, names, 7)
	require.IsIncreasing(t, names)
	d.do("GET", "/v1/customers?page_size=-1", nil).want(400)
	d.do("GET", "/v1/customers?nope=1", nil).want(400)
	require.Len(t, d.get("/v1/customers?q=customer%202").at("items"), 2)
	require.Empty(t, d.get("/v1/customers?q=%25").at("items")) // no wildcard
}

func TestUnitKeepsItsExhaustAsWritten(t *testing.T) {
	w := newWorld(t)
	h := w.a.newHouse()
	run := map[string]any{"termination": "wall", "booster": "none", "screen": false,
		"transition": map[string]any{"material": "semi_rigid_metal", "length": map[string]any{"value": 6.50, "unit": "[ft_i]"}},
		"concealed": map[string]any{"material": "rigid_metal", "length": map[string]any{"value": 22, "unit": "[ft_i]"},
			"diameter": map[string]any{"value": 4, "unit": "[in_i]"},
			"bends":    []any{map[string]any{"degrees": 90, "count": 2, "radius": map[string]any{"value": 6, "unit": "[in_i]"}}}}}
	tech := w.a.tech
	tech.do("GET", "/v1/units/"+h.unit, nil).want(404) // not sent there yet
	onSite(newScene(w.a), w.a.dispatcher.post("/v1/calls", map[string]any{"unit_id": h.unit, "complaint": "runs_too_hot"}).id())
	got := tech.do("PATCH", "/v1/units/"+h.unit, map[string]any{"exhaust": run}, "If-Match", "*").want(200)
	require.InDelta(t, 22, got.at("exhaust", "concealed", "length", "value"), 0)
	require.Equal(t, "[ft_i]", got.str("exhaust", "concealed", "length", "unit"))
	bad := tech.do("PATCH", "/v1/units/"+h.unit, `{"exhaust":{"termination":"wall","concealed":{"material":"rigid_metal","length":{"value":22,"unit":"ft"}}}}`, "If-Match", "*").want(422)
	require.Equal(t, []string{"/exhaust/concealed/length/unit unit"}, bad.fields())
	require.Contains(t, string(bad.raw), "[ft_i]")
	tech.do("DELETE", "/v1/units/"+h.unit, nil, "If-Match", "*").want(403)
	w.a.dispatcher.do("POST", "/v1/units", map[string]any{"site_id": h.site, "kind": "microwave_oven"}).want(422)
}

func TestSheetValueNeedsTwoPeople(t *testing.T) {
	w := newWorld(t)
	sheet := w.a.tech.post("/v1/data-sheets", map[string]any{"kind": "electric_dryer", "model": "QX-410"})
	w.a.dispatcher.do("POST", "/v1/data-sheets", map[string]any{"kind": "electric_dryer", "model": "qx 410"}).want(409)
	at := "/v1/data-sheets/" + sheet.id() + "/values/"
	got := w.a.tech.do("PUT", at+"bias_heater_resistance", `{"value":6.20,"tolerance_percent":20,"unit":"kOhm","origin":"tech sheet, page 2"}`).want(200)
	require.Equal(t, false, got.at("values", 0, "confirmed"))
	w.a.tech.do("POST", at+"bias_heater_resistance/confirmation", nil, "If-Match", got.etag()).want(409)
	w.a.mate.do("POST", at+"bias_heater_resistance/confirmation", nil, "If-Match", sheet.etag()).want(412)
	ok := w.a.mate.do("POST", at+"bias_heater_resistance/confirmation", nil, "If-Match", got.etag()).want(200)
	require.Equal(t, true, ok.at("values", 0, "confirmed"))
	again := w.a.mate.do("PUT", at+"bias_heater_resistance", `{"low":5000,"high":7400,"unit":"Ohm","origin":"diagram"}`).want(200)
	require.Equal(t, false, again.at("values", 0, "confirmed"), "a new figure is a new claim")

	for _, c := range []struct{ parameter, body, field string }{
		{"bias_heater_resistance", `{"low":5000,"unit":"Ohm","origin":"x"}`, "/high required"},
		{"bias_heater_resistance", `{"low":7400,"high":5000,"unit":"Ohm","origin":"x"}`, "/high order"},
		{"bias_heater_resistance", `{"low":-5,"high":5000,"unit":"Ohm","origin":"x"}`, "/low range"},
		{"bias_heater_resistance", `{"low":5,"high":5000,"unit":"ohm","origin":"x"}`, "/unit unit"},
		{"cycling_thermostat_rating", `{"value":145,"high":150,"unit":"[degF]","origin":"x"}`, "/high not_expected"},
		{"cycling_thermostat_rating", `{"value":-460,"unit":"[degF]","origin":"x"}`, "/value range"},
		{"thermistor_curve", `{"curve":[{"temperature":80,"resistance":9000},{"temperature":70,"resistance":11000}],"temperature_unit":"[degF]","unit":"Ohm","origin":"x"}`, "/curve/1/temperature order"},
	} {
		bad := w.a.tech.do("PUT", at+c.parameter, c.body).want(422)
		require.Contains(t, bad.fields(), c.field, "%s", bad.raw)
	}
	w.a.tech.do("PUT", at+"no_such_parameter", `{"value":1,"unit":"Ohm","origin":"x"}`).want(404)
	w.a.tech.do("DELETE", at+"bias_heater_resistance", nil, "If-Match", "*").want(403)
	require.Empty(t, w.a.dispatcher.do("DELETE", at+"bias_heater_resistance", nil, "If-Match", "*").want(200).at("values"))
}

func TestTechsKeepTheirOwnInstruments(t *testing.T) {
	w := newWorld(t)
	meter := map[string]any{"name": "Bench meter", "calibration_due_on": "2027-03-01", "accuracies": []any{
		map[string]any{"quantity": "resistance", "method": "meter", "percent_of_reading": 0.9, "counts": 2, "resolution": map[string]any{"value": 1, "unit": "Ohm"}},
		map[string]any{"quantity": "temperature", "method": "bead", "percent_of_reading": 0.1, "counts": 7, "resolution": map[string]any{"value": 0.1, "unit": "[degF]"}}}}
	mine := w.a.tech.post("/v1/instruments", meter)
	require.Equal(t, w.a.tech.id.String(), mine.str("person_id"))
	got := w.a.tech.get("/v1/instruments/" + mine.id())
	require.InDelta(t, 0.1, got.at("accuracies", 1, "resolution", "value"), 0)
	w.a.mate.do("PATCH", "/v1/instruments/"+mine.id(), map[string]any{"name": "x"}, "If-Match", "*").want(403)
	w.a.tech.do("PATCH", "/v1/instruments/"+mine.id(), map[string]any{"accuracies": []any{map[string]any{"quantity": "luck", "method": "meter"}}}, "If-Match", "*").want(422)
	w.a.tech.do("PATCH", "/v1/instruments/"+mine.id(), map[string]any{"accuracies": []any{}}, "If-Match", "*").want(200)
	require.Len(t, w.a.mate.get("/v1/instruments").at("items"), 1)
	require.Empty(t, w.a.mate.get("/v1/instruments?person_id="+w.a.mate.id.String()).at("items"))
}

// TestTechsSeeWhereTheyAreSent: customers, sites and units of a tech's visits,
// and no others.
func TestTechsSeeWhereTheyAreSent(t *testing.T) {
	w := newWorld(t)
	sent, other := newScene(w.a), newScene(w.a)
	onSite(sent, sent.get("call"))
	for _, path := range []string{"/v1/customers/{customer}", "/v1/sites/{site}", "/v1/units/{unit}", "/v1/units/{unit}/care"} {
		w.a.tech.get(sent.fill(path, "", ""))
		hidden := w.a.tech.do("GET", other.fill(path, "", ""), nil).want(404)
		absent := w.a.tech.do("GET", placeholder.ReplaceAllString(path, domain.NewID(time.Now()).String()), nil).want(404)
		require.Equal(t, string(absent.raw), string(hidden.raw))
		w.a.mate.do("GET", sent.fill(path, "", ""), nil).want(404)
		w.a.dispatcher.get(other.fill(path, "", ""))
	}
	require.Len(t, w.a.tech.get("/v1/units").at("items"), 1)
	beside := map[string]any{"kind": "electric_dryer", "site_id": sent.get("site")}
	made := w.a.tech.post("/v1/units", beside)
	w.a.tech.get("/v1/units/" + made.id())
	moved := w.a.tech.do("PATCH", "/v1/units/"+made.id(), map[string]any{"site_id": other.get("site"), "serial": "S2"}, "If-Match", "*").want(200)
	require.Equal(t, sent.get("site"), moved.str("site_id"), "the office moves units")
	w.a.tech.do("POST", "/v1/units", map[string]any{"kind": "electric_dryer", "site_id": other.get("site")}).want(422)
}
