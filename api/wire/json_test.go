package wire_test

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/api/wire"
	"drumline/domain"
)

type inner struct {
	X string `json:"x"`
}

type sample struct {
	A   int64            `json:"a"`
	F   float64          `json:"f"`
	S   string           `json:"s"`
	D   domain.Date      `json:"d"`
	T   wire.Time        `json:"t"`
	Dec wire.Decimal     `json:"dec"`
	O   wire.Opt[string] `json:"o,omitzero"`
	ID  domain.ID        `json:"id"`
	N   []inner          `json:"n"`
}

func TestUnmarshalRefuses(t *testing.T) {
	for _, c := range []struct{ name, text, code, pointer string }{
		{"duplicate name", `{"a":1,"a":2}`, wire.CodeDuplicate, "/a"},
		{"duplicate name deep", `{"n":[{"x":"","x":""}]}`, wire.CodeDuplicate, "/n/0/x"},
		{"duplicate name by escape", `{"a":1,"\u0061":2}`, wire.CodeDuplicate, "/a"},
		{"other letter case", `{"A":1}`, wire.CodeUnknown, "/A"},
		{"unknown name", `{"n":[{"y":1}]}`, wire.CodeUnknown, "/n/0/y"},
		{"invalid UTF-8", "{\"s\":\"\xff\"}", wire.CodeUTF8, "/s"},
		{"overlong UTF-8", "{\"s\":\"\xc0\x80\"}", wire.CodeUTF8, "/s"},
		{"lone high surrogate", `{"s":"\ud800"}`, wire.CodeUTF8, "/s"},
		{"lone low surrogate", `{"s":"\udc00"}`, wire.CodeUTF8, "/s"},
		{"NUL", `{"s":"a\u0000"}`, wire.CodeNUL, "/s"},
		{"NUL deep", `{"n":[{"x":""},{"x":"\u0000"}]}`, wire.CodeNUL, "/n/1/x"},
		{"NUL in a name", `{"\u0000":1}`, wire.CodeUnknown, ""},
		{"raw control character", "{\"s\":\"\x00\"}", wire.CodeMalformed, "/s"},
		{"number beyond float64", `{"f":1e400}`, wire.CodeNumberRange, "/f"},
		{"integer beyond int64", `{"a":99999999999999999999}`, wire.CodeNumberRange, "/a"},
		{"fraction for an integer", `{"a":1.0}`, wire.CodeType, "/a"},
		{"text for a number", `{"a":"1"}`, wire.CodeType, "/a"},
		{"NaN", `{"f":NaN}`, wire.CodeMalformed, "/f"},
		{"leading zero", `{"f":01}`, wire.CodeMalformed, ""},
		{"day that is not", `{"d":"2025-02-30"}`, wire.CodeValue, "/d"},
		{"year before 1900", `{"t":"1899-12-31T23:59:59Z"}`, wire.CodeValue, "/t"},
		{"year after 9999", `{"t":"10000-01-01T00:00:00Z"}`, wire.CodeValue, "/t"},
		{"number for an instant", `{"t":5}`, wire.CodeValue, "/t"},
		{"upper case id", `{"id":"0194F2C8-0000-7000-8000-00000000000A"}`, wire.CodeValue, "/id"},
		{"text for a decimal", `{"dec":"1"}`, wire.CodeValue, "/dec"},
		{"wrong type in an Opt", `{"o":5}`, wire.CodeType, "/o"},
		{"trailing value", `{} {}`, wire.CodeMalformed, ""},
		{"trailing comma", `{"a":1,}`, wire.CodeMalformed, ""},
		{"comment", `{/**/}`, wire.CodeMalformed, ""},
		{"byte order mark", "\ufeff{}", wire.CodeMalformed, ""},
		{"cut off", `{"s":"a`, wire.CodeMalformed, "/s"},
		{"empty", ``, wire.CodeMalformed, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := wire.Unmarshal([]byte(c.text), new(sample))
			d, ok := errors.AsType[*wire.DecodeError](err)
			require.True(t, ok, "%v", err)
			require.Equal(t, c.code, d.Code)
			require.Equal(t, c.pointer, d.Pointer)
			require.NotContains(t, d.Detail, "json", "no text of the decoder")
		})
	}
}

func TestUnmarshalAccepts(t *testing.T) {
	var v sample
	require.NoError(t, wire.Unmarshal([]byte(` {"s":"\\u0000 \ud83d\ude00","a":-3,"dec":12.50,"t":"2026-03-01T10:30:00.1234567+01:00","o":null} `), &v))
	require.Equal(t, "\\u0000 \U0001f600", v.S, "an escaped backslash before u0000 is no NUL")
	require.Equal(t, wire.Decimal{Text: "12.50", Value: 12.5}, v.Dec)
	require.Equal(t, wire.None[string](), v.O)
	require.Equal(t, "2026-03-01T09:30:00.123456Z", must(v.T.MarshalText()))
}

func must(b []byte, err error) string {
	if err != nil {
		return "error: " + err.Error()
	}
	return string(b)
}

func TestUnmarshalDeepNesting(t *testing.T) {
	deep := strings.Repeat("[", 20_000) + strings.Repeat("]", 20_000)
	var v any
	require.Error(t, wire.Unmarshal([]byte(deep), &v))
}

func TestUnmarshalBoundsPointer(t *testing.T) {
	long := strings.Repeat("x", 5000)
	err := wire.Unmarshal([]byte(`{"`+long+`":1}`), new(sample))
	d, ok := errors.AsType[*wire.DecodeError](err)
	require.True(t, ok)
	require.Empty(t, d.Pointer)
}

func TestMarshalIsDeterministic(t *testing.T) {
	v := map[string]any{"b": 1, "a": []int(nil), "c": map[string]int{"y": 1, "x": 2}}
	first := must(wire.Marshal(v))
	require.Equal(t, `{"a":[],"b":1,"c":{"x":2,"y":1}}`, first)
	for range 50 {
		require.Equal(t, first, must(wire.Marshal(v)))
	}
}

func TestMarshalRefusesWhatIsNotJSON(t *testing.T) {
	for name, v := range map[string]any{
		"NaN":              math.NaN(),
		"infinity":         math.Inf(-1),
		"invalid UTF-8":    "\xff",
		"infinite decimal": wire.Decimal{Value: math.Inf(1)},
		"decimal text":     wire.Decimal{Text: "1,5"},
		"instant":          wire.Time{},
	} {
		_, err := wire.Marshal(v)
		require.Error(t, err, name)
	}
	require.Panics(t, func() { _, _ = wire.Render(nil, "200", math.NaN()) })
}

func TestJSONFormatWritesRenderedOnce(t *testing.T) {
	v, err := wire.Render(nil, "200", map[string]int{"a": 1})
	require.NoError(t, err)
	again, err := wire.Render(nil, "200", v)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, wire.JSONFormat.Marshal(&b, again))
	require.NoError(t, wire.JSONFormat.Marshal(&b, 5))
	require.Equal(t, `{"a":1}5`, b.String())
}

func TestOptTellsThreeStatesApart(t *testing.T) {
	type patch struct {
		Name wire.Opt[string] `json:"name,omitzero"`
		N    wire.Opt[int]    `json:"n,omitzero"`
	}
	for _, c := range []struct {
		text string
		want patch
	}{
		{`{}`, patch{}},
		{`{"name":null,"n":null}`, patch{wire.None[string](), wire.None[int]()}},
		{`{"name":"","n":0}`, patch{wire.Some(""), wire.Some(0)}},
		{`{"name":"x","n":-1}`, patch{wire.Some("x"), wire.Some(-1)}},
	} {
		var got patch
		require.NoError(t, wire.Unmarshal([]byte(c.text), &got))
		require.Equal(t, c.want, got)
		require.Equal(t, c.text, must(wire.Marshal(got)))
	}
	require.Equal(t, "old", wire.Opt[string]{}.Or("old"))
	require.Equal(t, "", wire.None[string]().Or("old"))
	require.Equal(t, "new", wire.Some("new").Or("old"))
	require.False(t, wire.None[int]().Has())
	require.True(t, wire.Some(0).Has())
}

func TestDecimal(t *testing.T) {
	for text, want := range map[string]float64{"0": 0, "-0": 0, "12.50": 12.5, "1e3": 1000, "-1.5E-2": -0.015, "0.000": 0, "0e5": 0} {
		d, err := wire.ParseDecimal(text)
		require.NoError(t, err, text)
		require.Equal(t, text, d.Text)
		require.InDelta(t, want, d.Value, 0)
	}
	for _, text := range []string{"", " 1", "1 ", "+1", "1.", ".5", "01", "0x10", "NaN", "Infinity", "1e400", "-1e400", "1e-400",
		"null", `"1"`, "[1]", "1_000", "1,5", strings.Repeat("9", 41)} {
		_, err := wire.ParseDecimal(text)
		require.Error(t, err, text)
	}
}

func TestDecimalRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64().Draw(t, "f")
		b, err := wire.Marshal(wire.NewDecimal(f))
		require.NoError(t, err)
		var d wire.Decimal
		require.NoError(t, wire.Unmarshal(b, &d))
		require.Equal(t, f, d.Value)
		again, err := wire.Marshal(d)
		require.NoError(t, err)
		require.Equal(t, b, again, "the digits stay")
	})
}

// What was accepted comes out as it was, and a refusal never repeats the text.
func FuzzUnmarshal(f *testing.F) {
	for _, s := range []string{`{"a":1}`, `{"s":"\u0000"}`, `{"dec":1e5}`, `{"o":null}`, `{"t":"2026-03-01T00:00:00Z"}`, `[`, "\xff"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var v sample
		err := wire.Unmarshal(data, &v)
		if err != nil {
			_, ok := errors.AsType[*wire.DecodeError](err)
			require.True(t, ok)
			return
		}
		require.NotContains(t, v.S, "\x00")
		require.False(t, math.IsInf(v.Dec.Value, 0) || math.IsNaN(v.Dec.Value))
	})
}
