package api_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
)

func TestCatalogueIsServedOnce(t *testing.T) {
	w := newWorld(t)
	got := w.a.tech.get("/v1/catalogue")
	require.Equal(t, `"`+got.str("version")+`"`, got.etag())
	for _, c := range []*client{w.a.owner, w.a.dispatcher, w.b.tech} {
		require.Equal(t, got.raw, c.get("/v1/catalogue").raw)
	}
	unchanged := w.a.tech.do("GET", "/v1/catalogue", nil, "If-None-Match", got.etag()).want(304)
	require.Empty(t, unchanged.raw)
	one := w.a.tech.get("/v1/catalogue?kind=electric_dryer")
	require.NotEqual(t, got.etag(), one.etag(), "another selection is another entity")
	w.a.tech.do("GET", "/v1/catalogue?kind=electric_dryer", nil, "If-None-Match", got.etag()).want(200)
	w.a.tech.do("GET", "/v1/catalogue?kind=microwave", nil).want(404)
	w.a.tech.do("GET", "/v1/catalogue?kinds=x", nil).want(400)
	(&client{w: w}).do("GET", "/v1/catalogue", nil).want(401)
}

// TestCatalogueHasWhatAFormNeeds compares what is served with what the engine
// reads, check by check.
func TestCatalogueHasWhatAFormNeeds(t *testing.T) {
	w := newWorld(t)
	cat, err := catalogue.Open()
	require.NoError(t, err)
	k, _ := cat.Kind("electric_dryer")
	got := w.a.tech.get("/v1/catalogue?kind=electric_dryer")
	for i, ch := range k.Checks {
		at := func(path ...any) any { return got.at(append([]any{"kinds", 0, "checks", i}, path...)...) }
		require.Equal(t, ch.ID, at("id"))
		require.Equal(t, string(ch.State), at("state"))
		require.Equal(t, ch.Minutes, at("minutes"))
		require.Len(t, at("cautions"), len(ch.Cautions))
		require.Len(t, at("positions"), len(ch.Positions))
		require.Equal(t, ch.Series != nil, at("series") != nil)
		for n, in := range ch.Inputs {
			require.Equal(t, in.ID, at("inputs", n, "id"))
			require.Equal(t, in.Many, at("inputs", n, "many"))
			require.Equal(t, in.OverRange, at("inputs", n, "over_range"))
			require.Len(t, at("inputs", n, "units"), len(in.Units))
			require.Len(t, at("inputs", n, "choices"), len(in.Choices))
			require.True(t, in.Quantity == "" || len(in.Units) > 0)
		}
	}
	for _, list := range []string{"parts", "faults", "actions", "parameters", "complaints", "features", "as_found"} {
		require.NotEmpty(t, got.at("kinds", 0, list), list)
	}
	require.NotEmpty(t, got.at("kinds", 0, "complaints", 0, "triage", 0, "answers"))
	require.NotEmpty(t, got.at("kinds", 0, "complaints", 0, "closing"))
	text, err := json.Marshal(got.body)
	require.NoError(t, err)
	require.False(t, strings.Contains(string(text), `"weights"`), "likelihoods are the engine's business")
}
