package api_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
)

func TestCatalogueIsServedOnce(t *testing.T) {
	w := newWorld(t)
	plain := func(c *client, path string, headers ...string) answer {
		return c.do("GET", path, nil, append(headers, "Accept-Encoding", "identity")...)
	}
	got := plain(w.a.tech, "/v1/catalogue").want(200)
	require.Regexp(t, `^"[0-9a-f]{24}"$`, got.etag(), "a strong tag")
	require.Equal(t, w.api.Catalogue.Version, got.str("version"))
	for _, c := range []*client{w.a.owner, w.a.dispatcher, w.b.tech} {
		require.Equal(t, got.raw, plain(c, "/v1/catalogue").raw)
	}
	unchanged := plain(w.a.tech, "/v1/catalogue", "If-None-Match", got.etag()).want(304)
	require.Empty(t, unchanged.raw)
	require.Equal(t, got.etag(), unchanged.etag())
	one := plain(w.a.tech, "/v1/catalogue?kind=electric_dryer").want(200)
	require.Equal(t, string(got.raw) == string(one.raw), got.etag() == one.etag(), "the tag stands for the bytes")
	plain(w.a.tech, "/v1/catalogue?kind=electric_dryer", "If-None-Match", `"`+one.str("version")+`"`).want(200)
	w.a.tech.do("GET", "/v1/catalogue?kind=microwave", nil).want(404)
	w.a.tech.do("GET", "/v1/catalogue?kinds=x", nil).want(400)
	(&client{w: w}).do("GET", "/v1/catalogue", nil).want(401)
}

// How large the catalogue of one kind, and of all, may be on the line: about
// three seconds and half a minute at 100 kbit/s.
const (
	phoneBytes = 40_000
	wholeBytes = 120_000
)

// packs asks for a form of the catalogue.
func (w *world) packs(method, path, accept string, headers ...string) answer {
	return w.a.tech.send(w.a.tech.request(method, path, nil, append(headers, "Accept-Encoding", accept)...))
}

// TestCatalogueIsPackedForAPhone asks for the gzip form of each kind and of
// all, keeps it, and asks again with its tag.
func TestCatalogueIsPackedForAPhone(t *testing.T) {
	w := newWorld(t)
	bounds := map[string]int{"/v1/catalogue": wholeBytes}
	for _, k := range w.api.Catalogue.Kinds {
		bounds["/v1/catalogue?kind="+k.ID] = phoneBytes
	}
	for _, path := range slices.Sorted(maps.Keys(bounds)) {
		plain, packed := w.packs("GET", path, "identity").want(200), w.packs("GET", path, "gzip").want(200)
		t.Logf("%s: %d bytes plain, %d gzip", path, len(plain.raw), len(packed.raw))
		require.Less(t, len(packed.raw), bounds[path], path)
		require.Less(t, 3*len(packed.raw), len(plain.raw), path)
		require.Equal(t, "gzip", packed.header.Get("Content-Encoding"))
		require.Equal(t, string(plain.raw), unpacked(t, packed.raw))
		require.NotEqual(t, plain.etag(), packed.etag(), "a strong tag names one form")
		require.Regexp(t, `^"[0-9a-f]{24}-gzip"$`, packed.etag())
		w.packs("GET", path, "gzip", "If-None-Match", packed.etag()).want(304)
	}
}

func unpacked(t *testing.T, packed []byte) string {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(packed))
	require.NoError(t, err)
	text, err := io.ReadAll(z)
	require.NoError(t, err)
	return string(text)
}

// TestCatalogueIsAskedForAgain holds what is said of a form the client has to
// RFC 9110: If-None-Match compares weakly (13.1.2), a 304 has the tag and the
// Vary of the 200 (15.4.5), and HEAD is GET without a body (9.3.2).
func TestCatalogueIsAskedForAgain(t *testing.T) {
	w := newWorld(t)
	const path = "/v1/catalogue?kind=electric_dryer"
	forms := map[string]answer{}
	for _, accept := range []string{"identity", "gzip"} {
		forms[accept] = w.packs("GET", path, accept).want(200)
	}
	for accept, form := range forms {
		for _, known := range []string{form.etag(), "W/" + form.etag(), `"other", ` + form.etag(), "*"} {
			got := w.packs("GET", path, accept, "If-None-Match", known).want(304)
			require.Empty(t, got.raw)
			require.Empty(t, got.header.Get("Content-Encoding"))
			require.Contains(t, got.header.Values("Vary"), "Accept-Encoding")
			if known != "*" { // that names no form
				require.Equal(t, form.etag(), got.etag(), "%s %s", accept, known)
			}
		}
		for _, other := range []string{`"other-gzip"`, strings.Trim(form.etag(), `"`), strings.ToUpper(form.etag())} {
			w.packs("GET", path, accept, "If-None-Match", other).want(200)
		}
		head := w.packs("HEAD", path, accept).want(200)
		require.Empty(t, head.raw)
		for _, name := range []string{"ETag", "Content-Encoding", "Content-Type", "Vary"} {
			require.Equal(t, form.header.Values(name), head.header.Values(name), "%s %s", accept, name)
		}
		w.packs("HEAD", path, accept, "If-None-Match", form.etag()).want(304)
	}
	w.packs("GET", "/v1/catalogue", "gzip", "If-None-Match", `"`+w.api.Catalogue.Version+`"`).want(200)
}

// TestPackingIsNegotiated holds what is packed to what the client takes, and
// to this one operation: others may show a secret beside what a stranger chose.
func TestPackingIsNegotiated(t *testing.T) {
	w := newWorld(t)
	for accept, coding := range map[string]string{"gzip": "gzip", "gzip;q=0": "", "br, gzip;q=0.5": "gzip", "identity": "", "zstd": "", "zstd, gzip": "gzip"} {
		got := w.a.tech.send(w.a.tech.request("GET", "/v1/catalogue", nil, "Accept-Encoding", accept)).want(200)
		require.Equal(t, coding, got.header.Get("Content-Encoding"), accept)
	}
	refused := w.a.tech.send(w.a.tech.request("GET", "/v1/catalogue?kind=none", nil, "Accept-Encoding", "gzip")).want(404)
	require.Empty(t, refused.header.Get("Content-Encoding"))
	for _, path := range []string{"/v1/people", "/v1/people/me", "/openapi.json"} {
		got := w.a.tech.send(w.a.tech.request("GET", path, nil, "Accept-Encoding", "gzip")).want(200)
		require.Empty(t, got.header.Get("Content-Encoding"), path)
	}
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
