package wire_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/api/wire"
	"drumline/domain"
)

// The comparison rules are those of RFC 9110, 8.8.3.2 and 13.1.1 (from memory).
func TestIfMatch(t *testing.T) {
	for header, want := range map[string]int64{`"0"`: 0, `"7"`: 7, ` "7" `: 7, `*`: wire.AnyVersion, `"9223372036854775807"`: 1<<63 - 1} {
		v, err := wire.IfMatch(header)
		require.NoError(t, err, header)
		require.Equal(t, want, v)
	}
	for header, kind := range map[string]domain.Kind{
		"":                      domain.PreconditionRequired,
		" ":                     domain.PreconditionRequired,
		`W/"7"`:                 domain.PreconditionFailed,
		`"x"`:                   domain.PreconditionFailed,
		`"07"`:                  domain.PreconditionFailed,
		`"+7"`:                  domain.PreconditionFailed,
		`"-1"`:                  domain.PreconditionFailed,
		`""`:                    domain.PreconditionFailed,
		`"9223372036854775808"`: domain.PreconditionFailed,
		`7`:                     domain.Unreadable,
		`"7", "8"`:              domain.Unreadable,
		`"7`:                    domain.Unreadable,
		`w/"7"`:                 domain.Unreadable,
		`"a b"`:                 domain.Unreadable,
	} {
		v, err := wire.IfMatch(header)
		require.Equal(t, kind, domain.KindOf(err), header)
		require.Negative(t, v)
		require.NotEqual(t, wire.AnyVersion, v)
	}
}

func TestETagRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Int64Min(0).Draw(t, "version")
		back, err := wire.IfMatch(wire.ETag(v))
		require.NoError(t, err)
		require.Equal(t, v, back)
	})
}

func TestNotModified(t *testing.T) {
	for _, header := range []string{`"3"`, `W/"3"`, `"1", "3"`, `"1",W/"3"`, `*`} {
		require.True(t, wire.NotModified(header, `"3"`), header)
	}
	for _, header := range []string{``, `"4"`, `3`, `"33"`} {
		require.False(t, wire.NotModified(header, `"3"`), header)
	}
	require.False(t, wire.NotModified(`*`, ""))
}

func TestIdempotencyKey(t *testing.T) {
	longest := strings.Repeat("k", 255)
	for header, want := range map[string]string{
		`abc`: "abc", `"abc"`: "abc", `"a\"b\\c"`: `a"b\c`, ` x `: "x", longest: longest, `"` + longest + `"`: longest, `a"b`: `a"b`,
	} {
		key, err := wire.IdempotencyKey(header)
		require.NoError(t, err, header)
		require.Equal(t, want, key)
	}
	for _, header := range []string{"", " ", `""`, `"abc`, `"a"b"`, `"a\x"`, `"a\`, `"abc";p=1`, "a b", `"a b"`, "a\tb", "\x7f", "é", longest + "k"} {
		_, err := wire.IdempotencyKey(header)
		require.Equal(t, domain.Unreadable, domain.KindOf(err), header)
	}
}

func TestChoose(t *testing.T) {
	offers := []string{"application/json", "text/csv", "image/svg+xml"}
	for _, c := range []struct{ accept, want string }{
		{"", "application/json"},
		{"*/*", "application/json"},
		{"text/csv", "text/csv"},
		{"TEXT/CSV", "text/csv"},
		{"text/*", "text/csv"},
		{"text/csv;q=0.5, application/json;q=0.4", "text/csv"},
		{"text/csv;q=0.5, */*;q=0.5", "application/json"},
		{"*/*, application/json;q=0", "text/csv"},
		{"application/*;q=0, */*;q=0.1", "text/csv"},
		{"image/svg+xml, text/html", "image/svg+xml"},
		{"text/csv;charset=UTF-8", "text/csv"},
		{"text/csv;header=absent, image/svg+xml;q=0.1", "image/svg+xml"},
		{"text/html", ""},
		{"application/json;q=0", ""},
		{"application/json;q=2", ""},
		{"application/json;q=x", ""},
		{"application/json;q=NaN", ""},
		{"json", ""},
		{"*/json", ""},
		{";;;", ""},
	} {
		got, ok := wire.Choose(c.accept, offers...)
		require.Equal(t, c.want, got, c.accept)
		require.Equal(t, c.want != "", ok, c.accept)
	}
}

func TestTime(t *testing.T) {
	for text, want := range map[string]string{
		"2026-03-01T09:30:00Z":             "2026-03-01T09:30:00Z",
		"2026-03-01T10:30:00+01:00":        "2026-03-01T09:30:00Z",
		"1900-01-01T00:00:00Z":             "1900-01-01T00:00:00Z",
		"9999-12-31T23:59:59.9999999Z":     "9999-12-31T23:59:59.999999Z",
		"2026-03-01T09:30:00.000001-00:00": "2026-03-01T09:30:00.000001Z",
	} {
		v, err := wire.ParseTime(text)
		require.NoError(t, err, text)
		require.Equal(t, want, must(v.MarshalText()))
		require.Equal(t, `"`+want+`"`, must(wire.Marshal(v)))
	}
	for _, text := range []string{"", "2026-03-01", "2026-03-01 09:30:00Z", "2026-03-01T09:30:00", "2026-02-30T00:00:00Z", "2026-03-01T25:00:00Z",
		"1900-01-01T00:00:00+01:00", "9999-12-31T23:59:59-01:00", "1772357400"} {
		_, err := wire.ParseTime(text)
		require.Error(t, err, text)
	}
	require.Equal(t, time.UTC, wire.At(time.Now()).Location())
}

func TestPageSize(t *testing.T) {
	for asked, want := range map[int]int{0: 50, 1: 1, 50: 50, 200: 200, 201: 200, 1 << 40: 200} {
		n, err := wire.PageSize(asked)
		require.NoError(t, err)
		require.Equal(t, want, n)
	}
	_, err := wire.PageSize(-1)
	require.Equal(t, domain.Unreadable, domain.KindOf(err))
}

type keyset struct {
	DueOn string    `json:"due_on"`
	ID    domain.ID `json:"id"`
}

func scope() wire.Scope {
	return wire.Scope{Shop: domain.ID{1}, Route: "/v1/calls", Filter: url.Values{"status": {"open"}}, Sort: "-due_on"}
}

func TestCursorIsBoundToItsScope(t *testing.T) {
	c := wire.NewCursors([]byte("0123456789abcdef"))
	want := keyset{"2026-03-01", domain.ID{9}}
	token, err := c.Seal(scope(), want)
	require.NoError(t, err)
	require.Regexp(t, `^[A-Za-z0-9_-]+$`, token)
	var got keyset
	require.NoError(t, c.Open(scope(), token, &got))
	require.Equal(t, want, got)

	for name, change := range map[string]func(*wire.Scope){
		"shop":          func(s *wire.Scope) { s.Shop = domain.ID{2} },
		"route":         func(s *wire.Scope) { s.Route = "/v1/visits" },
		"filter":        func(s *wire.Scope) { s.Filter = url.Values{"status": {"closed"}} },
		"filter gone":   func(s *wire.Scope) { s.Filter = nil },
		"filter more":   func(s *wire.Scope) { s.Filter.Set("q", "") },
		"sort":          func(s *wire.Scope) { s.Sort = "due_on" },
		"shifted parts": func(s *wire.Scope) { s.Route, s.Filter, s.Sort = "/v1/callsstatus=open", nil, "-due_on" },
	} {
		s := scope()
		change(&s)
		require.Equal(t, domain.Unreadable, domain.KindOf(c.Open(s, token, &got)), name)
	}
	other := wire.NewCursors([]byte("fedcba9876543210"))
	require.Error(t, other.Open(scope(), token, &got), "another key")
	require.Error(t, c.Open(scope(), token, new([]int)), "keyset of another type")
	require.Panics(t, func() { wire.NewCursors([]byte("short")) })
}

func TestCursorRefusesAnyChange(t *testing.T) {
	c := wire.NewCursors([]byte("0123456789abcdef"))
	token, err := c.Seal(scope(), keyset{"2026-03-01", domain.ID{9}})
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		i := rapid.IntRange(0, len(token)-1).Draw(t, "at")
		b := rapid.ByteRange(' ', '~').Draw(t, "byte")
		changed := token[:i] + string(b) + token[i+1:]
		if changed != token {
			require.Error(t, c.Open(scope(), changed, new(keyset)))
		}
	})
	for _, bad := range []string{"", token + "=", token + "A", token[:len(token)-1], strings.Repeat("A", 5000), " " + token} {
		require.Error(t, c.Open(scope(), bad, new(keyset)), bad)
	}
}

func TestNextLink(t *testing.T) {
	q := url.Values{"status": {"open"}, "cursor": {"old"}}
	require.Equal(t, `</v1/calls?cursor=new&status=open>; rel="next"`, wire.NextLink("/v1/calls", q, "new"))
	require.Equal(t, "old", q.Get("cursor"), "the query of the request is left alone")
	require.NotContains(t, wire.NextLink("/v1/a>b\r\n", url.Values{"q": {"\r\n>"}}, "c")[1:], "\n")
}
