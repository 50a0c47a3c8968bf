package api

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"go/parser"
	"go/token"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api/wire"
	"drumline/domain"
)

// Each row is one thing a request can get wrong, and the status that answers it.
func TestStatuses(t *testing.T) {
	r := newEdgeRig(t)
	thingPath := "/v1/things/" + storedID.String()
	del := edgeAsk{method: "DELETE", path: thingPath}.with("If-Match", `"7"`)
	ndjson := edgeAsk{method: "POST", path: "/v1/stream", body: "{}\n"}.with("Content-Type", "application/x-ndjson")
	csv := edgeAsk{method: "POST", path: "/v1/raw", body: "a"}.with("Content-Type", "text/csv")
	for _, c := range []struct {
		name   string
		ask    edgeAsk
		status int
	}{
		{"list", askGet("/v1/things"), 200},
		{"create", askPost("/v1/things", `{"name":"x"}`), 201},
		{"read", askGet(thingPath), 200},
		{"patch", askPatch(`{"name":"y"}`), 200},
		{"delete", del, 204},
		{"no body", edgeAsk{method: "POST", path: "/v1/close"}, 204},
		{"plain handler", askGet("/livez").with("Authorization"), 200},

		{"no token", askGet("/v1/things").with("Authorization"), 401},
		{"two tokens", askGet("/v1/things").with("Authorization", "Bearer owner", "Bearer owner"), 401},
		{"other scheme", askGet("/v1/things").with("Authorization", "Basic b3duZXI="), 401},
		{"scheme of other letter case", askGet("/v1/things").with("Authorization", "bearer owner"), 200},
		{"empty token", askGet("/v1/things").with("Authorization", "Bearer "), 401},
		{"token with a blank", askGet("/v1/things").with("Authorization", "Bearer owner x"), 401},
		{"long token", askGet("/v1/things").with("Authorization", "Bearer "+strings.Repeat("a", 5000)), 401},
		{"token in the query", askGet("/v1/things?access_token=owner").with("Authorization"), 401},
		{"unknown token", askGet("/v1/things").with("Authorization", "Bearer x"), 401},
		{"fault while signing in", askGet("/v1/things").with("Authorization", "Bearer broken"), 500},
		{"wrong role", askPost("/v1/things", `{"name":"x"}`).with("Authorization", "Bearer tech"), 403},
		{"who comes before what", askPost("/v1/things", `{`).with("Authorization"), 401},
		{"role comes before body", askPost("/v1/things", `{`).with("Authorization", "Bearer tech"), 403},
		{"public", askGet("/v1/open").with("Authorization"), 200},

		{"unknown path", askGet("/nothing"), 404},
		{"trailing slash", askGet("/v1/things/"), 404},
		{"absent id", askGet("/v1/things/" + domain.ID{15: 9}.String()), 404},
		{"id in braces", askGet("/v1/things/%7B" + storedID.String() + "%7D"), 404},
		{"id in upper case", askGet("/v1/things/" + strings.ToUpper(domain.ID{15: 0xab}.String())), 404},
		{"id as urn", askGet("/v1/things/urn:uuid:" + storedID.String()), 404},
		{"NUL in the path", askGet("/v1/things/%00"), 404},
		{"method", edgeAsk{method: "PUT", path: "/v1/things"}, 405},
		{"HEAD of a GET", edgeAsk{method: "HEAD", path: thingPath}, 200},
		{"HEAD of a POST", edgeAsk{method: "HEAD", path: "/v1/close"}, 405},
		{"TRACE", edgeAsk{method: "TRACE", path: "/v1/things"}, 405},

		{"unknown query", askGet("/v1/things?limit=1"), 400},
		{"unknown query where none is known", askGet(thingPath + "?x=1"), 400},
		{"unknown query on a POST", askPost("/v1/things?x=1", `{"name":"x"}`), 400},
		{"repeated query", askGet("/v1/things?status=open&status=open"), 400},
		{"query of other letter case", askGet("/v1/things?Status=open"), 400},
		{"malformed query", askGet("/v1/things?status=%zz"), 400},
		{"semicolon in the query", askGet("/v1/things?status=open;x"), 400},
		{"NUL in the query", askGet("/v1/things?cursor=%00"), 400},
		{"bad UTF-8 in the query", askGet("/v1/things?cursor=%ff"), 400},
		{"query not listed", askGet("/v1/things?status=x"), 400},
		{"query not a number", askGet("/v1/things?page_size=x"), 400},
		{"query number too long", askGet("/v1/things?page_size=99999999999999999999"), 400},
		{"negative page size", askGet("/v1/things?page_size=-1"), 400},
		{"large page size", askGet("/v1/things?page_size=100000"), 200},
		{"bad cursor", askGet("/v1/things?cursor=abc"), 400},

		{"no body where one is needed", askPost("/v1/things", ""), 400},
		{"malformed", askPost("/v1/things", `{"name":`), 400},
		{"duplicate name", askPost("/v1/things", `{"name":"x","name":"y"}`), 400},
		{"trailing data", askPost("/v1/things", `{"name":"x"}{}`), 400},
		{"NUL", askPost("/v1/things", `{"name":"\u0000"}`), 400},
		{"invalid UTF-8", askPost("/v1/things", "{\"name\":\"\xff\"}"), 400},
		{"lone surrogate", askPost("/v1/things", `{"name":"\ud800"}`), 400},
		{"number too large", askPost("/v1/things", `{"name":"x","value":1e400}`), 400},
		{"other letter case", askPost("/v1/things", `{"Name":"x"}`), 422},
		{"unknown field", askPost("/v1/things", `{"name":"x","z":1}`), 422},
		{"missing field", askPost("/v1/things", `{}`), 422},
		{"null for a field that must be", askPost("/v1/things", `{"name":null}`), 422},
		{"array for an object", askPost("/v1/things", `[]`), 422},
		{"null for an object", askPost("/v1/things", `null`), 422},
		{"wrong type", askPost("/v1/things", `{"name":5}`), 422},
		{"1.0 for a whole number", askPost("/v1/things", `{"name":"x","count":1.0}`), 422},
		{"not listed", askPost("/v1/things", `{"name":"x","kind":"Washer"}`), 422},
		{"day that is not", askPost("/v1/things", `{"name":"x","due_on":"2025-02-30"}`), 422},
		{"year before 1900", askPost("/v1/things", `{"name":"x","due_on":"1899-12-31"}`), 422},

		{"no content type", askPost("/v1/things", `{"name":"x"}`).with("Content-Type"), 415},
		{"two content types", askPost("/v1/things", `{"name":"x"}`).with("Content-Type", jsonType, jsonType), 415},
		{"other +json", askPost("/v1/things", `{"name":"x"}`).with("Content-Type", "image/evil+json"), 415},
		{"charset utf-7", askPost("/v1/things", `{"name":"x"}`).with("Content-Type", jsonType+";charset=utf-7"), 415},
		{"charset utf-8", askPost("/v1/things", `{"name":"x"}`).with("Content-Type", jsonType+`; charset="UTF-8"`), 201},
		{"other parameter", askPost("/v1/things", `{"name":"x"}`).with("Content-Type", jsonType+";v=1"), 415},
		{"form", askPost("/v1/things", `name=x`).with("Content-Type", "application/x-www-form-urlencoded"), 415},
		{"merge patch to a PATCH", askPatch(`{}`).with("Content-Type", mergePatchType), 200},
		{"merge patch to a POST", askPost("/v1/things", `{"name":"x"}`).with("Content-Type", mergePatchType), 415},
		{"octets to a JSON operation", askPost("/v1/things", `{"name":"x"}`).with("Content-Type", "application/octet-stream"), 415},
		{"gzip", askPost("/v1/things", `{"name":"x"}`).with("Content-Encoding", "gzip"), 415},
		{"identity", askPost("/v1/things", `{"name":"x"}`).with("Content-Encoding", "identity"), 415},
		{"body where none is read", edgeAsk{method: "POST", path: "/v1/close", body: "{}"}.with("Content-Type", jsonType), 400},
		{"body of a GET", edgeAsk{method: "GET", path: thingPath, body: "{}"}.with("Content-Type", jsonType), 400},

		{"body of the limit", askPost("/v1/things", padded(300)), 201},
		{"body above the limit", askPost("/v1/things", padded(301)), 413},
		{"raw of the limit", csvOf(csv, 100), 204},
		{"raw above the limit", csvOf(csv, 101), 413},
		{"stream of the limit", csvOf(ndjson, 100), 200},
		{"stream above the limit", csvOf(ndjson, 101), 413},
		{"stream of another type", ndjson.with("Content-Type", jsonType), 415},

		{"series without a schema", askPost("/v1/series", `{"value":[1,2]}`), 200},
		{"series, malformed", askPost("/v1/series", `{"value":[1,]}`), 400},
		{"series, unknown field", askPost("/v1/series", `{"values":[1]}`), 422},
		{"series, wrong type", askPost("/v1/series", `{"value":["1"]}`), 422},

		{"no idempotency key", askPost("/v1/things", `{"name":"x"}`).with("Idempotency-Key"), 400},
		{"two idempotency keys", askPost("/v1/things", `{"name":"x"}`).with("Idempotency-Key", "a", "b"), 400},
		{"bare idempotency key", askPost("/v1/things", `{"name":"x"}`).with("Idempotency-Key", "a"), 201},
		{"no If-Match", askPatch(`{}`).with("If-Match"), 428},
		{"old If-Match", askPatch(`{}`).with("If-Match", `"6"`), 412},
		{"weak If-Match", askPatch(`{}`).with("If-Match", `W/"7"`), 412},
		{"any If-Match", askPatch(`{}`).with("If-Match", `*`), 200},
		{"two If-Match", askPatch(`{}`).with("If-Match", `"6"`, `"7"`), 400},
		{"unquoted If-Match", askPatch(`{}`).with("If-Match", `7`), 400},

		{"accept json", askGet(thingPath).with("Accept", "application/json"), 200},
		{"accept anything", askGet(thingPath).with("Accept", "text/html, */*;q=0.1"), 200},
		{"accept nothing made here", askGet(thingPath).with("Accept", "text/html"), 406},
		{"accept the name of a format", askGet(thingPath).with("Accept", "json"), 406},
		{"not modified", askGet(thingPath).with("If-None-Match", `"7"`), 304},
		{"not modified, weak", askGet(thingPath).with("If-None-Match", `"1", W/"7"`), 304},
		{"not modified, two headers", askGet(thingPath).with("If-None-Match", `"1"`, `"7"`), 304},
		{"modified", askGet(thingPath).with("If-None-Match", `"6"`), 200},
		{"absent with If-None-Match", askGet("/v1/things/"+domain.ID{15: 9}.String()).with("If-None-Match", `*`), 404},

		{"error nobody classed", askGet("/v1/fail"), 500},
		{"panic", askGet("/v1/panic"), 500},
		{"NaN in the answer", askGet("/v1/nan"), 500},
		{"unavailable", askGet("/v1/busy"), 503},
	} {
		t.Run(c.name, func(t *testing.T) {
			r.t = t
			out := r.do(c.ask)
			require.Equal(t, c.status, out.status, out.body)
		})
	}
}

// padded is a valid body of exactly n bytes.
func padded(n int) string {
	body := `{"name":"x"}`
	return body + strings.Repeat(" ", n-len(body))
}

func csvOf(a edgeAsk, n int) edgeAsk {
	a.body = strings.Repeat("a", n)
	return a
}

// A chunked body has no length to look at beforehand.
func TestLimitOfChunkedBodies(t *testing.T) {
	r := newEdgeRig(t)
	for _, c := range []struct {
		path, kind string
		n, status  int
	}{
		{"/v1/things", jsonType, 300, 201}, {"/v1/things", jsonType, 301, 413}, {"/v1/things", jsonType, 900_000, 413},
		{"/v1/raw", "text/csv", 100, 204}, {"/v1/raw", "text/csv", 101, 413}, {"/v1/raw", "text/csv", 3_000_000, 413},
		{"/v1/stream", "application/x-ndjson", 100, 200}, {"/v1/stream", "application/x-ndjson", 101, 413},
		{"/v1/close", jsonType, 100, 400},
	} {
		req, err := http.NewRequest("POST", r.server.URL+c.path, io.MultiReader(strings.NewReader(padded(c.n))))
		require.NoError(t, err)
		req.Header = http.Header{"Authorization": {"Bearer owner"}, "Content-Type": {c.kind}, "Idempotency-Key": {"k"}}
		resp, err := r.server.Client().Do(req)
		require.NoError(t, err)
		body, _ := io.ReadAll(resp.Body)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, c.status, resp.StatusCode, "%s %d: %s", c.path, c.n, body)
	}
}

func TestProblemsNameTheField(t *testing.T) {
	r := newEdgeRig(t)
	p := r.problem(askPost("/v1/things", `{"name":"01234567890","mail":"secret","kind":"secret","count":10,"parts":[{"number":"1"},{"number":"secret","secre":1}],"due_on":"2025-13-01"}`))
	require.Equal(t, 422, p.Status)
	require.Equal(t, []wire.FieldError{
		{Pointer: "/count", Code: "too_large", Detail: "Greatest value: 9."},
		{Pointer: "/due_on", Code: "format", Detail: "A date is written YYYY-MM-DD."},
		{Pointer: "/kind", Code: "not_listed", Detail: `Give one of "washer, dryer".`},
		{Pointer: "/mail", Code: "format", Detail: "Give an e-mail address."},
		{Pointer: "/name", Code: "too_long", Detail: "Greatest length in characters: 10."},
		{Pointer: "/parts/1/number", Code: "too_long", Detail: "Greatest length in characters: 5."},
		{Pointer: "/parts/1/secre", Code: wire.CodeUnknown, Detail: "There is no field of this name here."},
	}, p.Errors)
	other := r.problem(askPost("/v1/things", `{"Name":"x"}`)).Errors
	require.Equal(t, []string{"/Name", "/name"}, []string{other[0].Pointer, other[1].Pointer}, "another letter case is another name")
	require.Equal(t, "/value", r.problem(askPost("/v1/things", `{"name":"x","value":1e-400}`)).Errors[0].Pointer)
	require.Equal(t, "/parts/0", r.problem(askPost("/v1/things", `{"parts":[{"number":"1","number":"2"}]}`)).Errors[0].Pointer[:8])
	require.Equal(t, "query", r.problem(askGet("/v1/things?page_size=-1")).Errors[0].In)
	require.Empty(t, p.RequestID)
}

func TestAbsentAndForeignBodiesAreEqual(t *testing.T) {
	r := newEdgeRig(t)
	absent := r.do(askGet("/v1/things/" + domain.ID{15: 9}.String()))
	other := r.do(askGet("/v1/things/" + domain.ID{14: 9}.String()))
	require.Equal(t, absent.body, other.body)
	require.Equal(t, absent.body, r.do(askGet("/v1/things/x")).body)
	require.NotEqual(t, absent.header.Get("X-Request-Id"), other.header.Get("X-Request-Id"))
	for _, h := range []http.Header{absent.header, other.header} {
		h.Del("X-Request-Id")
		h.Del("Date")
	}
	require.Equal(t, absent.header, other.header)
}

func TestHeadersOfAnswers(t *testing.T) {
	r := newEdgeRig(t)
	made := r.do(askPost("/v1/things", `{"name":"x","value":12.500}`))
	require.Equal(t, `"1"`, made.header.Get("ETag"))
	require.Equal(t, "/v1/things/"+storedID.String(), made.header.Get("Location"))
	require.Contains(t, made.body, `"value":12.500`)
	require.Contains(t, made.body, `"tags":["k1","owner","1","true"]`)
	require.NotContains(t, made.body, "$schema")
	require.Equal(t, jsonType, made.header.Get("Content-Type"))

	read := r.do(askGet("/v1/things/" + storedID.String()))
	require.Contains(t, read.body, `"tags":[]`, "an absent slice is an empty array")
	head := r.do(edgeAsk{method: "HEAD", path: "/v1/things/" + storedID.String()})
	require.Equal(t, read.header.Get("ETag"), head.header.Get("ETag"))
	require.Empty(t, head.body)
	notModified := r.do(askGet("/v1/things/"+storedID.String()).with("If-None-Match", `"7"`))
	require.Empty(t, notModified.body)
	require.Equal(t, `"7"`, notModified.header.Get("ETag"))

	require.Equal(t, `"7"`, r.do(askPatch(`{}`).with("If-Match", `"6"`)).header.Get("ETag"), "412 tells the version there is")
	require.NotEmpty(t, r.do(askGet("/v1/things").with("Authorization")).header.Get("WWW-Authenticate"))
	require.Equal(t, "5", r.do(askGet("/v1/busy")).header.Get("Retry-After"))
	allow := r.do(edgeAsk{method: "PUT", path: "/v1/things"}).header.Get("Allow")
	for _, method := range []string{"GET", "HEAD", "POST"} {
		require.Contains(t, allow, method)
	}
	require.Equal(t, 204, r.do(edgeAsk{method: "OPTIONS", path: "/v1/things"}).status)
	require.Contains(t, r.do(askPatch(`{}`).with("Content-Type", "text/plain")).header.Get("Accept"), mergePatchType)
}

func TestPatchTellsThreeStatesApart(t *testing.T) {
	r := newEdgeRig(t)
	for body, want := range map[string]string{
		`{}`:                        `["false false",""]`,
		`{"name":null}`:             `["true true",""]`,
		`{"name":"x"}`:              `["true false",""]`,
		`{"due_on":null}`:           `["false false",""]`,
		`{"part":{"number":"7"}}`:   `["false false","7"]`,
		`{"part":null,"kind":null}`: `["false false",""]`,
		`{"due_on":"2026-04-01"}`:   `["false false",""]`,
		`{"kind":"dryer"}`:          `["false false",""]`,
	} {
		out := r.do(askPatch(body))
		require.Equal(t, 200, out.status, out.body)
		require.Contains(t, out.body, `"tags":`+want, body)
	}
	for body, pointer := range map[string]string{
		`{"name":"01234567890"}`:       "/name",
		`{"name":5}`:                   "/name",
		`{"part":{}}`:                  "/part/number",
		`{"part":{"number":"123456"}}`: "/part/number",
		`{"part":5}`:                   "/part",
		`{"kind":"x"}`:                 "/kind",
		`{"due_on":"2025-02-30"}`:      "/due_on",
	} {
		p := r.problem(askPatch(body))
		require.Equal(t, 422, p.Status, body)
		require.Equal(t, pointer, p.Errors[0].Pointer, body)
	}
}

func TestPagesFollowTheLink(t *testing.T) {
	r := newEdgeRig(t)
	first := r.do(askGet("/v1/things?status=open&page_size=10"))
	link := first.header.Get("Link")
	next, rel, ok := strings.Cut(strings.TrimPrefix(link, "<"), ">")
	require.True(t, ok)
	require.Equal(t, `; rel="next"`, rel)
	second := r.do(askGet(next))
	require.Equal(t, 200, second.status)
	require.Equal(t, 400, r.do(askGet(strings.Replace(next, "status=open", "status=closed", 1))).status, "another filter")
	require.NotEqual(t, link, second.header.Get("Link"))
}

func TestVariants(t *testing.T) {
	r := newEdgeRig(t)
	for accept, kind := range map[string]string{"": jsonType, "text/csv": "text/csv; charset=utf-8; header=present", "text/*, */*;q=0.5": "text/csv; charset=utf-8; header=present", "*/*": jsonType} {
		out := r.do(askGet("/v1/report").with("Accept", accept))
		require.Equal(t, 200, out.status, out.body)
		require.Equal(t, kind, out.header.Get("Content-Type"))
		require.Equal(t, "Accept", out.header.Get("Vary"))
	}
	require.Equal(t, 406, r.do(askGet("/v1/report").with("Accept", "image/png")).status)
}

func TestRequestID(t *testing.T) {
	r := newEdgeRig(t)
	require.Equal(t, "a.B_9-", r.do(askGet("/v1/things").with("X-Request-Id", "a.B_9-")).header.Get("X-Request-Id"))
	for _, bad := range [][]string{{"a b"}, {"<script>"}, {strings.Repeat("a", 65)}, {""}, {"a", "b"}} {
		id := r.do(askGet("/v1/things").with("X-Request-Id", bad...)).header.Get("X-Request-Id")
		require.Regexp(t, `^[0-9a-f]{24}$`, id)
	}
	out := r.do(askGet("/v1/open").with("X-Request-Id", "rid").with("X-Forwarded-For", "9.9.9.9").with("X-Real-Ip", "9.9.9.9"))
	require.Contains(t, out.body, `"127.0.0.1 rid rid `+domain.ID{}.String(), "no header claims another address")
	fail := r.problem(askGet("/v1/fail").with("X-Request-Id", "rid-5"))
	require.Equal(t, "rid-5", fail.RequestID)
}

func TestAccessLine(t *testing.T) {
	r := newEdgeRig(t)
	r.do(askGet("/v1/things/"+domain.ID{15: 9}.String()).with("X-Request-Id", "one"))
	r.do(askGet("/v1/fail"))
	r.do(askGet("/v1/panic"))
	r.do(askGet("/nothing/here"))
	r.do(askGet("/livez"))
	r.do(askGet("/openapi.json"))
	r.do(edgeAsk{method: "HEAD", path: "/v1/things"})
	r.do(edgeAsk{method: "BREW", path: "/v1/things"})
	r.server.Close()
	want := []Access{
		{Method: "GET", Route: "/v1/things/{id}", Status: 404, Kind: "not_found"},
		{Method: "GET", Route: "/v1/fail", Status: 500, Kind: "internal"},
		{Method: "GET", Route: "/v1/panic", Status: 500, Kind: "internal"},
		{Method: "GET", Route: "none", Status: 404, Kind: "not_found"},
		{Method: "GET", Route: "/livez", Status: 200},
		{Method: "GET", Route: "/openapi.json", Status: 200},
		{Method: "HEAD", Route: "/v1/things", Status: 200},
		{Method: "_OTHER", Route: "none", Status: 405, Kind: "method_not_allowed"},
	}
	require.Len(t, r.access, len(want))
	for i, w := range want {
		got := r.access[i]
		require.Equal(t, w, Access{Method: got.Method, Route: got.Route, Status: got.Status, Kind: got.Kind})
	}
	require.Equal(t, domain.ID{1}, r.access[0].Shop)
	log := r.log.String()
	require.Contains(t, log, `"request_id":"one"`)
	require.Contains(t, log, `"shop_id":"01000000-0000-0000-0000-000000000000"`)
	require.Contains(t, log, "secret: key (mail)=(x)", "the log has what the client has not")
	require.Contains(t, log, "goroutine", "a panic is logged with its stack")
	require.NotContains(t, log, "Bearer")
	require.NotContains(t, log, domain.ID{15: 9}.String(), "the template, never the path")
}

// Half an answer must not look like a whole one.
func TestPanicAfterTheAnswerBegan(t *testing.T) {
	r := newEdgeRig(t)
	req, err := http.NewRequest("GET", r.server.URL+"/v1/late", nil)
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer owner")
	resp, err := r.server.Client().Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.Error(t, err)
	require.Equal(t, "half", string(body))
}

func TestMalformedHTTP(t *testing.T) {
	r := newEdgeRig(t)
	for name, text := range map[string]string{
		"both lengths":    "POST /v1/close HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\nTransfer-Encoding: gzip\r\n\r\n",
		"two lengths":     "POST /v1/close HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\nContent-Length: 5\r\n\r\n",
		"two hosts":       "GET /v1/things HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n",
		"large headers":   "GET /v1/things HTTP/1.1\r\nHost: x\r\nX: " + strings.Repeat("a", 64<<10) + "\r\n\r\n",
		"broken-off body": "POST /v1/things HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer owner\r\nIdempotency-Key: k\r\nContent-Type: application/json\r\nContent-Length: 50\r\n\r\n{",
	} {
		conn, err := net.Dial("tcp", r.server.Listener.Addr().String())
		require.NoError(t, err)
		_, _ = io.WriteString(conn, text)
		require.NoError(t, conn.(*net.TCPConn).CloseWrite())
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(5*time.Second)))
		resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
		require.NoError(t, err, name)
		require.GreaterOrEqual(t, resp.StatusCode, 400, name)
		require.Less(t, resp.StatusCode, 500+2, name)
		require.NoError(t, conn.Close())
	}
}

// A body that does not come is told so; it must not hold a connection.
func TestSlowBody(t *testing.T) {
	r := newEdgeRig(t)
	for path, kind := range map[string]string{"/v1/things": jsonType, "/v1/stream": "application/x-ndjson"} {
		conn, err := net.Dial("tcp", r.server.Listener.Addr().String())
		require.NoError(t, err)
		_, err = io.WriteString(conn, "POST "+path+" HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer owner\r\nIdempotency-Key: k\r\nContent-Type: "+kind+"\r\nContent-Length: 50\r\n\r\n{")
		require.NoError(t, err)
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(10*time.Second)))
		resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
		require.NoError(t, err, path)
		require.Equal(t, 408, resp.StatusCode, path)
		require.NoError(t, conn.Close())
	}
}

// Headers that do not come end the connection.
func TestSlowHeader(t *testing.T) {
	s := NewEdge(Info{Title: "Things"}).Server("")
	s.ReadHeaderTimeout = 100 * time.Millisecond
	server := httptest.NewUnstartedServer(s.Handler)
	server.Config = s
	server.Start()
	t.Cleanup(server.Close)
	conn, err := net.Dial("tcp", server.Listener.Addr().String())
	require.NoError(t, err)
	defer conn.Close()
	_, err = io.WriteString(conn, "GET /openapi.json HTTP/1.1\r\nHost: x\r\nX-Slow: ")
	require.NoError(t, err)
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(10*time.Second)))
	_, err = io.ReadAll(conn)
	require.NotErrorIs(t, err, os.ErrDeadlineExceeded, "the server has hung up")
}

// A client that leaves is no fault of ours: an access line, no error.
func TestClientGoesAway(t *testing.T) {
	r := newEdgeRig(t)
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, "GET", r.server.URL+"/v1/wait", nil)
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer owner")
	_, err = r.server.Client().Do(req)
	require.Error(t, err)
	r.server.Close()
	require.Len(t, r.access, 1)
	require.True(t, r.access[0].Aborted)
	require.NotContains(t, r.log.String(), `"level":"ERROR"`)
}

func TestServerHasEveryTimeout(t *testing.T) {
	s := NewEdge(Info{}).Server("x:1")
	require.Equal(t, "x:1", s.Addr)
	require.Equal(t, 5*time.Second, s.ReadHeaderTimeout)
	require.Equal(t, 30*time.Second, s.ReadTimeout)
	require.Equal(t, 60*time.Second, s.WriteTimeout)
	require.Equal(t, 120*time.Second, s.IdleTimeout)
	require.Equal(t, 16<<10, s.MaxHeaderBytes)
	require.NotNil(t, s.ErrorLog)
}

func doNothing(context.Context, *struct{}) (*struct{}, error) { return nil, nil }

func TestRegisterDeniesByDefault(t *testing.T) {
	ok := Op{ID: "a", Method: "GET", Path: "/a", Roles: domain.Anyone()}
	for name, change := range map[string]func(*Op){
		"neither":       func(op *Op) { op.Roles = nil },
		"empty roles":   func(op *Op) { op.Roles = domain.Roles{} },
		"both":          func(op *Op) { op.Public = true },
		"no id":         func(op *Op) { op.ID = "" },
		"no method":     func(op *Op) { op.Method = "" },
		"relative path": func(op *Op) { op.Path = "a" },
		"odd method":    func(op *Op) { op.Method = "TRACE" },
	} {
		op := ok
		change(&op)
		require.Panics(t, func() { register(NewEdge(Info{}), op, doNothing) }, name)
	}
	e := NewEdge(Info{})
	register(e, ok, doNothing)
	require.Equal(t, []Op{{ID: "a", Method: "GET", Path: "/a", Roles: domain.Anyone(), MaxBody: 256 << 10, BodyTimeout: 30 * time.Second}}, e.Routes())
	require.Panics(t, func() { register(e, ok, doNothing) }, "the id is taken")
	e.Handler()
	require.Panics(t, func() {
		register(e, Op{ID: "b", Method: "GET", Path: "/b", Public: true}, doNothing)
	}, "sealed")
	require.Panics(t, func() { e.Mount("/c", http.NotFoundHandler()) }, "sealed")
}

// Without an Authenticate nobody gets in.
func TestNoAuthenticate(t *testing.T) {
	e := NewEdge(Info{})
	e.Log = slog.New(slog.DiscardHandler)
	register(e, Op{ID: "a", Method: "GET", Path: "/a", Roles: domain.Anyone()}, doNothing)
	rec := httptest.NewRecorder()
	req := httptest.NewRequest("GET", "/a", nil)
	req.Header.Set("Authorization", "Bearer x")
	e.Handler().ServeHTTP(rec, req)
	require.Equal(t, 401, rec.Code)
}

// Every operation of the document refuses a query parameter it does not know,
// and a request without a token unless it is public.
func TestEveryOperation(t *testing.T) {
	r := newEdgeRig(t)
	require.Greater(t, len(r.edge.Routes()), 10)
	for _, op := range r.edge.Routes() {
		path := strings.ReplaceAll(op.Path, "{id}", storedID.String())
		a := edgeAsk{method: op.Method, path: path + "?no-such-parameter=1"}.with("Idempotency-Key", "k").with("If-Match", `"7"`)
		require.Equal(t, 400, r.do(a).status, op.ID)
		if !op.Public {
			require.Equal(t, 401, r.do(a.with("Authorization")).status, op.ID)
		}
	}
}

func TestDocument(t *testing.T) {
	r := newEdgeRig(t)
	doc := r.do(askGet("/openapi.json").with("Authorization"))
	require.Equal(t, jsonType, doc.header.Get("Content-Type"))
	other := newEdgeRig(t).edge
	again, yaml := other.OpenAPI(), other.OpenAPIYAML()
	require.Equal(t, string(again), doc.body, "two builds give the same bytes")
	require.Equal(t, string(yaml), r.do(askGet("/openapi.yaml")).body)
	require.NoError(t, r.valid.CompileAll())
	for _, path := range []string{"/docs", "/schemas/Thing", "/openapi", "/openapi-3.0.json", "/openapi-3.0.yaml"} {
		require.Equal(t, 404, r.do(askGet(path)).status, path)
	}

	var tree struct {
		OpenAPI string `json:"openapi"`
		Paths   map[string]map[string]struct {
			Security    []map[string][]string      `json:"security"`
			Responses   map[string]json.RawMessage `json:"responses"`
			RequestBody struct {
				Content map[string]json.RawMessage `json:"content"`
			} `json:"requestBody"`
			Parameters []struct{ Name, In string }
		} `json:"paths"`
		Components struct {
			Schemas map[string]json.RawMessage `json:"schemas"`
		} `json:"components"`
	}
	require.NoError(t, json.Unmarshal(again, &tree))
	require.Equal(t, "3.1.0", tree.OpenAPI)
	require.Len(t, tree.Paths["/v1/things"]["get"].Security, 1)
	require.Empty(t, tree.Paths["/v1/open"]["get"].Security)
	change := tree.Paths["/v1/things/{id}"]["patch"]
	for _, status := range []string{"200", "401", "403", "404", "412", "428", "default"} {
		require.Contains(t, change.Responses, status)
	}
	require.Contains(t, change.RequestBody.Content, mergePatchType)
	create := tree.Paths["/v1/things"]["post"]
	require.Len(t, create.RequestBody.Content, 1, "application/json alone")
	require.Contains(t, fmt.Sprint(create.Parameters), "Idempotency-Key")
	require.Contains(t, tree.Paths["/v1/things/{id}"]["get"].Responses, "304")
	require.Contains(t, fmt.Sprint(change.Parameters), "If-Match")
	require.JSONEq(t, `{"type":["string","null"],"enum":["washer","dryer",null]}`, schemaProperty(t, tree.Components.Schemas["PatchThing"], "kind"))
	require.Contains(t, schemaProperty(t, tree.Components.Schemas["Thing"], "id"), `"pattern"`)
	require.Contains(t, schemaProperty(t, tree.Components.Schemas["Thing"], "due_on"), `"date"`)
	require.Contains(t, schemaProperty(t, tree.Components.Schemas["Thing"], "value"), `"number"`)
	require.JSONEq(t, `{"type":"array","items":{"type":"string"}}`, schemaProperty(t, tree.Components.Schemas["Thing"], "tags"), "never null")
	require.Contains(t, string(tree.Paths["/v1/report"]["get"].Responses["200"]), `"text/csv"`)
}

func schemaProperty(t *testing.T, schema json.RawMessage, name string) string {
	t.Helper()
	var s struct {
		Properties map[string]json.RawMessage `json:"properties"`
	}
	require.NoError(t, json.Unmarshal(schema, &s))
	return string(s.Properties[name])
}

// One edge serves many at once: nothing in the document or the facts of a
// request is shared without a lock (run with -race).
func TestConcurrentRequests(t *testing.T) {
	r := newEdgeRig(t)
	done := make(chan string, 16)
	for i := range cap(done) {
		go func() {
			id := fmt.Sprintf("id-%d", i)
			req, _ := http.NewRequest("GET", r.server.URL+"/v1/open", nil)
			req.Header.Set("X-Request-Id", id)
			resp, err := r.server.Client().Do(req)
			if err != nil {
				done <- err.Error()
				return
			}
			defer resp.Body.Close()
			body, _ := io.ReadAll(resp.Body)
			if !strings.Contains(string(body), " "+id+" ") {
				done <- string(body)
				return
			}
			done <- ""
		}()
	}
	for range cap(done) {
		require.Empty(t, <-done)
	}
}

// The router is to be replaceable by changing one file.
func TestOneFileKnowsTheRouter(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	var found []string
	for _, name := range files {
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		require.NoError(t, err)
		for _, i := range f.Imports {
			if strings.Contains(i.Path.Value, "labstack/echo") {
				found = append(found, name)
			}
		}
	}
	require.Equal(t, []string{"edge.go"}, found)
}

// Whatever arrives, the answer is no fault of ours, and an error is a problem
// that says the status it has.
func FuzzEdge(f *testing.F) {
	f.Add("GET", "/v1/things", "status=open&page_size=5", jsonType, "", "")
	f.Add("POST", "/v1/things", "", jsonType, `{"name":"x","parts":[{"number":"1"}]}`, `"7"`)
	f.Add("PATCH", "/v1/things/"+storedID.String(), "", mergePatchType, `{"name":null,"part":{}}`, `"7"`)
	f.Add("POST", "/v1/stream", "", "application/x-ndjson", "{}", "*")
	f.Add("POST", "/v1/series", "a=%", "application/json;charset=utf-8", "{\"value\":[1e400]}", "W/")
	f.Add("HEAD", "/v1/report/../open", "", "", "\x00", "")
	e := NewEdge(Info{Title: "Things"})
	e.Log, e.Authenticate = slog.New(slog.DiscardHandler), rigTokens
	registerThings(e)
	registerOdd(e)
	h := e.Handler()
	f.Fuzz(func(t *testing.T, method, path, query, kind, body, tag string) {
		for _, odd := range []string{"/v1/fail", "/v1/panic", "/v1/nan", "/v1/late", "/v1/wait", "/v1/busy"} {
			if strings.HasPrefix(path, odd) {
				return
			}
		}
		req, err := http.NewRequest(method, "http://x/", strings.NewReader(body))
		if err != nil {
			return
		}
		req.URL.Path, req.URL.RawQuery = path, query
		req.Header = http.Header{"Authorization": {"Bearer owner"}, "Content-Type": {kind}, "If-Match": {tag}, "Idempotency-Key": {tag}, "Accept": {kind}, "If-None-Match": {tag}}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, req)
		require.NotEqual(t, 500, rec.Code, rec.Body)
		if rec.Code >= 400 {
			var p wire.Problem
			require.NoError(t, wire.Unmarshal(rec.Body.Bytes(), &p), rec.Body)
			require.Equal(t, rec.Code, p.Status)
		}
	})
}
