package apitest_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/api/apitest"
)

const document = `{
 "openapi":"3.1.0",
 "paths":{
  "/v1/things/{id}":{"get":{"responses":{
    "200":{"content":{"application/json":{"schema":{"$ref":"#/components/schemas/Thing"}},"text/csv":{}}},
    "404":{"$ref":"#/components/responses/Problem"},
    "default":{"$ref":"#/components/responses/Problem"}}}},
  "/v1/things/mine":{"get":{"responses":{"204":{}}}}
 },
 "components":{
  "responses":{"Problem":{"content":{"application/problem+json":{"schema":{"type":"object","required":["status"]}}}}},
  "schemas":{"Thing":{"type":"object","additionalProperties":false,"required":["name"],
    "properties":{"name":{"type":"string"},"due_on":{"type":["string","null"],"format":"date"}}}}
 }}`

func TestResponse(t *testing.T) {
	const thing, problem = "application/json", "application/problem+json"
	for _, c := range []struct {
		name, path string
		status     int
		kind, body string
		ok         bool
	}{
		{"fits", "/v1/things/7", 200, thing, `{"name":"x","due_on":null}`, true},
		{"with a parameter", "/v1/things/7", 200, thing + "; charset=utf-8", `{"name":"x"}`, true},
		{"undocumented member", "/v1/things/7", 200, thing, `{"name":"x","$schema":"y"}`, false},
		{"missing member", "/v1/things/7", 200, thing, `{}`, false},
		{"wrong type", "/v1/things/7", 200, thing, `{"name":5}`, false},
		{"wrong format", "/v1/things/7", 200, thing, `{"name":"x","due_on":"2025-02-30"}`, false},
		{"no JSON", "/v1/things/7", 200, thing, `{`, false},
		{"no media type", "/v1/things/7", 200, "", `{"name":"x"}`, false},
		{"other media type", "/v1/things/7", 200, "text/html", `x`, false},
		{"not JSON", "/v1/things/7", 200, "text/csv", "a\r\n", true},
		{"undocumented success", "/v1/things/7", 201, thing, `{"name":"x"}`, false},
		{"problem", "/v1/things/7", 404, problem, `{"status":404}`, true},
		{"problem by default", "/v1/things/7", 500, problem, `{"status":500}`, true},
		{"empty problem", "/v1/things/7", 500, problem, `{}`, false},
		{"problem as plain JSON", "/v1/things/7", 500, thing, `{"status":500}`, false},
		{"literal path first", "/v1/things/mine", 204, "", "", true},
		{"status of the other path", "/v1/things/mine", 200, thing, `{"name":"x"}`, false},
		{"unknown path", "/v1/nothing", 200, thing, `{}`, false},
		{"empty parameter", "/v1/things/", 200, thing, `{"name":"x"}`, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, err := apitest.New([]byte(document))
			require.NoError(t, err)
			err = v.Response("GET", c.path, c.status, http.Header{"Content-Type": {c.kind}}, []byte(c.body))
			if c.ok {
				require.NoError(t, err)
			} else {
				require.Error(t, err)
			}
		})
	}
}

func TestUnseen(t *testing.T) {
	v, err := apitest.New([]byte(document))
	require.NoError(t, err)
	require.NoError(t, v.CompileAll())
	require.Equal(t, []string{"GET /v1/things/mine", "GET /v1/things/{id}"}, v.Unseen())
	require.NoError(t, v.Response("HEAD", "/v1/things/mine", 204, nil, nil))
	require.Error(t, v.Response("POST", "/v1/things/mine", 204, nil, nil))
}

func TestNewRefusesWhatIsNoDocument(t *testing.T) {
	for _, text := range []string{"", "[]", "{"} {
		_, err := apitest.New([]byte(text))
		require.Error(t, err, text)
	}
	v, err := apitest.New([]byte(`{"components":{"schemas":{"A":{"$ref":"#/components/schemas/B"}}}}`))
	require.NoError(t, err)
	require.Error(t, v.CompileAll(), "a reference that leads nowhere")
}
