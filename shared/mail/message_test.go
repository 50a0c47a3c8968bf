package mail_test

import (
	"bytes"
	"encoding/base64"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/shared/mail"
)

// part is one leaf of a message as an independent reader sees it.
type part struct{ Type, File, Body string }

// leaves reads a message with the standard library, which had no part in
// composing the header.
func leaves(t require.TestingT, typ, encoding, file string, body io.Reader) []part {
	media, params, err := mime.ParseMediaType(typ)
	require.NoError(t, err)
	if !strings.HasPrefix(media, "multipart/") {
		switch encoding {
		case "quoted-printable":
			body = quotedprintable.NewReader(body)
		case "base64":
			body = base64.NewDecoder(base64.StdEncoding, body)
		default:
			require.Fail(t, "a body that is neither quoted-printable nor base64", encoding)
		}
		b, err := io.ReadAll(body)
		require.NoError(t, err)
		return []part{{media, file, strings.ReplaceAll(string(b), "\r\n", "\n")}}
	}
	var out []part
	mr := multipart.NewReader(body, params["boundary"])
	for {
		p, err := mr.NextRawPart()
		if err == io.EOF {
			return out
		}
		require.NoError(t, err)
		out = append(out, leaves(t, p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p.FileName(), p)...)
	}
}

func readBack(t require.TestingT, raw []byte) (netmail.Header, []part) {
	m, err := netmail.ReadMessage(bytes.NewReader(raw))
	require.NoError(t, err)
	return m.Header, leaves(t, m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), "", m.Body)
}

func word(t require.TestingT, s string) string {
	out, err := new(mime.WordDecoder).DecodeHeader(s)
	require.NoError(t, err)
	return out
}

// whole is a message with every field set.
func whole() mail.Message {
	m := sample()
	m.ReplyTo = mail.Address{Name: "Zoë, desk", Addr: "desk@shop.example"}
	m.Subject, m.Language, m.ListID = "Jährliche Reinigung", "de-AT", "reminders.shop.example"
	m.UnsubscribeURL, m.UnsubscribeMailto = "https://shop.example/u/abc?x=1&y=2", "mailto:leave@shop.example?subject=abc"
	m.Attachments = []mail.Attachment{{Name: "visit.ics", Type: "text/calendar; charset=utf-8; method=PUBLISH", Body: []byte("BEGIN:VCALENDAR\r\n\xff\x00")}}
	return m
}

// TestHeader holds each field to the paragraph that defines it.
func TestHeader(t *testing.T) {
	raw, err := whole().Bytes()
	require.NoError(t, err)
	h, _ := readBack(t, raw)
	for _, c := range []struct{ source, field, want string }{
		{"RFC 5322 §3.6.2", "From", `"Shop" <care@shop.example>`},
		{"RFC 5322 §3.6.3", "To", `"Ann" <ann@customer.example>`},
		{"RFC 5322 §3.6.4", "Message-Id", "<" + whole().MessageID + ">"},
		{"RFC 5322 §3.3", "Date", "Mon, 02 Mar 2026 09:30:00 -0500"},
		{"RFC 2047 §2", "Subject", "=?UTF-8?q?J=C3=A4hrliche_Reinigung?="},
		{"RFC 2045 §4", "Mime-Version", "1.0"},
		{"RFC 3282 §2", "Content-Language", "de-AT"},
		{"RFC 3834 §5", "Auto-Submitted", "auto-generated"},
		{"RFC 2919 §3", "List-Id", "<reminders.shop.example>"},
		{"RFC 2369 §3.2", "List-Unsubscribe", "<https://shop.example/u/abc?x=1&y=2>, <mailto:leave@shop.example?subject=abc>"},
		{"RFC 8058 §3.1", "List-Unsubscribe-Post", "List-Unsubscribe=One-Click"},
		{"no programs named", "User-Agent", ""},
		{"no programs named", "X-Mailer", ""},
	} {
		require.Equal(t, c.want, h.Get(c.field), "%s: %s", c.source, c.field)
	}
	for field, values := range h {
		require.Len(t, values, 1, "RFC 5322 §3.6: %s once", field)
	}
	reply, err := h.AddressList("Reply-To")
	require.NoError(t, err)
	require.Equal(t, []*netmail.Address{{Name: "Zoë, desk", Address: "desk@shop.example"}}, reply)
	date, err := h.Date()
	require.NoError(t, err)
	require.True(t, date.Equal(day))
}

func TestHeaderWithoutOptionalFields(t *testing.T) {
	raw, err := sample().Bytes()
	require.NoError(t, err)
	h, _ := readBack(t, raw)
	for _, f := range []string{"Reply-To", "Content-Language", "List-Id", "List-Unsubscribe", "List-Unsubscribe-Post", "Cc", "Bcc", "Return-Path"} {
		require.Empty(t, h[f], f)
	}
	m := sample()
	m.UnsubscribeMailto = "leave@shop.example"
	raw, err = m.Bytes()
	require.NoError(t, err)
	h, _ = readBack(t, raw)
	require.Equal(t, "<mailto:leave@shop.example>", h.Get("List-Unsubscribe"))
	require.Empty(t, h.Get("List-Unsubscribe-Post"), "RFC 8058 §3.1: only beside an https URI")
}

func TestBodies(t *testing.T) {
	m := whole()
	text, html := part{"text/plain", "", m.Text}, part{"text/html", "", m.HTML}
	file := part{"text/calendar", "visit.ics", "BEGIN:VCALENDAR\n\xff\x00"}
	for name, c := range map[string]struct {
		change func(*mail.Message)
		typ    string
		want   []part
	}{
		"all":           {func(*mail.Message) {}, "multipart/mixed", []part{text, html, file}},
		"no attachment": {func(m *mail.Message) { m.Attachments = nil }, "multipart/alternative", []part{text, html}},
		"no HTML":       {func(m *mail.Message) { m.HTML = "" }, "multipart/mixed", []part{text, file}},
		"text alone":    {func(m *mail.Message) { m.HTML, m.Attachments = "", nil }, "text/plain", []part{text}},
	} {
		t.Run(name, func(t *testing.T) {
			m := whole()
			c.change(&m)
			raw, err := m.Bytes()
			require.NoError(t, err)
			h, got := readBack(t, raw)
			require.True(t, strings.HasPrefix(h.Get("Content-Type"), c.typ), h.Get("Content-Type"))
			require.Equal(t, c.want, got)
		})
	}
}

func TestSameMessageSameBytes(t *testing.T) {
	first, err := whole().Bytes()
	require.NoError(t, err)
	for range 20 {
		again, err := whole().Bytes()
		require.NoError(t, err)
		require.Equal(t, string(first), string(again))
	}
	other := whole()
	other.MessageID = mail.MessageID([]byte("key"), "shop.example", "a", "c")
	b, err := other.Bytes()
	require.NoError(t, err)
	bounds := regexp.MustCompile(`boundary="([^"]+)"`)
	require.Len(t, bounds.FindAllSubmatch(first, -1), 2)
	require.NotEqual(t, bounds.FindSubmatch(first)[1], bounds.FindSubmatch(b)[1])
}

func TestTextCannotEndAPart(t *testing.T) {
	raw, err := whole().Bytes()
	require.NoError(t, err)
	m := whole()
	for _, b := range regexp.MustCompile(`boundary="([^"]+)"`).FindAllSubmatch(raw, -1) {
		m.Text += "\n--" + string(b[1]) + "--\n"
	}
	raw, err = m.Bytes()
	require.NoError(t, err)
	_, got := readBack(t, raw)
	require.Len(t, got, 3)
	require.Equal(t, m.Text, got[0].Body)
}

// hostile are names and subjects as somebody could enter them.
var hostile = map[string]string{
	"a second header":    "Ann\r\nBcc: eve@x.example",
	"an early body":      "Ann\r\n\r\n<script>",
	"a bare CR":          "Ann\rBcc: eve@x.example",
	"a bare LF":          "Ann\nBcc: eve@x.example",
	"Unicode line ends":  "Ann\u2028Bcc: eve@x.example\u2029\u0085x",
	"quotes":             `Ann" <eve@x.example>, "`,
	"a backslash":        `Ann\`,
	"one beyond ASCII":   `Änn\`,
	"a comment":          "Ann (eve@x.example)",
	"HTML":               "<b onclick='x()'>Ann</b>",
	"bidi overrides":     "Ann \u202Egro.elpmaxe\u202C \u2066x\u2069",
	"300 characters":     strings.Repeat("ä", 300),
	"300 letters":        strings.Repeat("a", 300),
	"2,000 spaced":       strings.Repeat("a b ", 500),
	"NUL":                "Ann\x00Bob",
	"emoji":              "👩\u200D🔧 Ann 🧺",
	"invalid UTF-8":      "Ann\xff\xfe\xc3",
	"an encoded word":    "=?utf-8?q?Ann=0D=0ABcc:_eve@x.example?=",
	"a list":             "Ann, eve@x.example; group: a@b.example;",
	"dots":               ".\r\n.",
	"nothing":            "",
	"white space":        " \t \r\n ",
	"a zero-width space": "A\u200Bnn\uFEFF",
}

func TestHostileNamesAndSubjects(t *testing.T) {
	for name, s := range hostile {
		t.Run(name, func(t *testing.T) {
			m := whole()
			m.From.Name, m.ReplyTo.Name, m.To.Name, m.Subject, m.Attachments[0].Name = s, s, s, s, s
			harmless(t, m)
		})
	}
}

// harmless composes m and holds what must be true whatever its names, subject
// and bodies are.
func harmless(t require.TestingT, m mail.Message) {
	raw, err := m.Bytes()
	require.NoError(t, err)
	h, parts := readBack(t, raw)
	allowed := []string{"From", "To", "Reply-To", "Subject", "Message-Id", "Date", "Mime-Version", "Content-Type", "Content-Transfer-Encoding",
		"Content-Language", "Auto-Submitted", "List-Id", "List-Unsubscribe", "List-Unsubscribe-Post"}
	for field, values := range h {
		require.Contains(t, allowed, field)
		require.Len(t, values, 1)
	}
	for field, want := range map[string]mail.Address{"From": m.From, "To": m.To} {
		list, err := h.AddressList(field)
		require.NoError(t, err)
		require.Len(t, list, 1)
		require.Equal(t, want.Addr, list[0].Address)
		shown(t, list[0].Name)
	}
	shown(t, word(t, h.Get("Subject")))
	lines(t, raw)
	require.Equal(t, "text/plain", parts[0].Type)
	for _, p := range parts {
		require.Regexp(t, `^[A-Za-z0-9._-]*$`, p.File)
	}
}

// shown holds what a person sees of a name or subject to one plain line.
func shown(t require.TestingT, s string) {
	require.True(t, utf8.ValidString(s))
	require.NotRegexp(t, `[\x00-\x1f\x7f\x{85}\x{2028}\x{2029}\x{202a}-\x{202e}\x{2066}-\x{2069}\x{200b}\x{feff}]`, s)
	require.LessOrEqual(t, utf8.RuneCountInString(s), 202)
}

// lines: RFC 5322 §2.1.1 (998 octets), §2.3 (CR and LF only together), RFC
// 2045 §6.7 and §6.8 (76 octets in an encoded body), and ASCII throughout, so
// that no server needs 8BITMIME.
func lines(t require.TestingT, raw []byte) {
	head, body, _ := bytes.Cut(raw, []byte("\r\n\r\n"))
	for _, l := range bytes.Split(head, []byte("\r\n")) {
		require.LessOrEqual(t, len(l), 998)
		require.NotEmpty(t, bytes.TrimSpace(l), "RFC 5322 §3.2.2: no folded line of white space only")
	}
	for _, l := range bytes.Split(body, []byte("\r\n")) {
		if !bytes.HasPrefix(l, []byte("Content-")) {
			require.LessOrEqual(t, len(l), 76, "%q", l)
		}
	}
	require.NotRegexp(t, `[^\x20-\x7e\r\n\t]`, string(raw))
	require.Equal(t, bytes.Count(raw, []byte("\r\n")), bytes.Count(raw, []byte("\n")))
	require.Equal(t, bytes.Count(raw, []byte("\r\n")), bytes.Count(raw, []byte("\r")))
}

func TestAnyMessageIsHarmless(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := whole()
		m.From.Name, m.To.Name = rapid.String().Draw(t, "from"), string(rapid.SliceOf(rapid.Byte()).Draw(t, "to"))
		m.Subject, m.Text, m.HTML = rapid.String().Draw(t, "subject"), rapid.String().Draw(t, "text"), rapid.String().Draw(t, "html")
		m.Attachments[0].Body = rapid.SliceOf(rapid.Byte()).Draw(t, "body")
		harmless(t, m)
	})
}

// FuzzMessage composes what comes and reads it back.
func FuzzMessage(f *testing.F) {
	for _, s := range hostile {
		f.Add(s, s, s, []byte(s))
	}
	f.Fuzz(func(t *testing.T, name, text, html string, file []byte) {
		m := whole()
		m.To.Name, m.Subject, m.Text, m.HTML = name, name, text, html
		m.Attachments[0].Body = file
		harmless(t, m)
		raw, err := m.Bytes()
		require.NoError(t, err)
		_, parts := readBack(t, raw)
		require.Equal(t, strings.ReplaceAll(string(file), "\r\n", "\n"), parts[len(parts)-1].Body)
	})
}

func TestMessagesRefused(t *testing.T) {
	for name, change := range map[string]func(*mail.Message){
		"no sender":                   func(m *mail.Message) { m.From = mail.Address{} },
		"no recipient":                func(m *mail.Message) { m.To.Addr = "" },
		"recipient with parameters":   func(m *mail.Message) { m.To.Addr = "a@b.example> SIZE=1" },
		"recipient with space around": func(m *mail.Message) { m.To.Addr = " a@b.example" },
		"reply to a name":             func(m *mail.Message) { m.ReplyTo = mail.Address{Name: "Ann"} },
		"envelope with line end":      func(m *mail.Message) { m.EnvelopeFrom = "a@b.example\r\nRCPT TO:<x@y.example>" },
		"no message id":               func(m *mail.Message) { m.MessageID = "" },
		"message id with brackets":    func(m *mail.Message) { m.MessageID = "<a@b>" },
		"message id with line end":    func(m *mail.Message) { m.MessageID = "a@b\r\nX: y" },
		"message id of two":           func(m *mail.Message) { m.MessageID = "a@b@c" },
		"no date":                     func(m *mail.Message) { m.Date = time.Time{} },
		"language":                    func(m *mail.Message) { m.Language = "en\r\nX: y" },
		"list id":                     func(m *mail.Message) { m.ListID = "a>b" },
		"unsubscribe by http":         func(m *mail.Message) { m.UnsubscribeURL = "http://shop.example/u" },
		"unsubscribe nowhere":         func(m *mail.Message) { m.UnsubscribeURL = "https:///u" },
		"unsubscribe with bracket":    func(m *mail.Message) { m.UnsubscribeURL = "https://shop.example/u>" },
		"unsubscribe with line end":   func(m *mail.Message) { m.UnsubscribeURL = "https://shop.example/u\r\nX: y" },
		"unsubscribe beyond ASCII":    func(m *mail.Message) { m.UnsubscribeURL = "https://shop.example/ü" },
		"unsubscribe with a password": func(m *mail.Message) { m.UnsubscribeURL = "https://a:b@shop.example/" },
		"unsubscribe too long":        func(m *mail.Message) { m.UnsubscribeURL = "https://shop.example/" + strings.Repeat("u", 900) },
		"second way":                  func(m *mail.Message) { m.UnsubscribeMailto = "https://shop.example" },
		"second way with line end":    func(m *mail.Message) { m.UnsubscribeMailto = "a@b.example?subject=x\r\nX: y" },
		"attachment without type":     func(m *mail.Message) { m.Attachments[0].Type = "" },
		"attachment type injected":    func(m *mail.Message) { m.Attachments[0].Type = "text/plain\r\nX: y" },
		"too large":                   func(m *mail.Message) { m.Attachments[0].Body = make([]byte, 9<<20) },
	} {
		m := whole()
		change(&m)
		_, err := m.Bytes()
		require.Error(t, err, name)
		require.Equal(t, domain.Invalid, domain.KindOf(err), name)
	}
}

func TestUnsubscribeOverHTTPOnLoopback(t *testing.T) {
	for _, u := range []string{"http://localhost:8080/u", "http://127.0.0.1/u", "http://[::1]:80/u"} {
		m := whole()
		m.UnsubscribeURL = u
		raw, err := m.Bytes()
		require.NoError(t, err)
		h, _ := readBack(t, raw)
		require.Contains(t, h.Get("List-Unsubscribe"), "<"+u+">")
	}
}

// TestMessageID: the value is HMAC-SHA256 of the parts, each after its length
// in eight octets, computed once with Python's hmac module.
func TestMessageID(t *testing.T) {
	id := mail.MessageID([]byte("key"), "shop.example", "a", "b")
	require.Equal(t, "osnx6oistwsshz246qtetqbjykfjm4fh4rfh34re7xnaxczz2j5q@shop.example", id)
	seen := map[string]bool{id: true}
	for _, parts := range [][]string{{"ab"}, {"ab", ""}, {"", "ab"}, {"a", "b", ""}, {"b", "a"}, nil} {
		other := mail.MessageID([]byte("key"), "shop.example", parts...)
		require.False(t, seen[other], "%q", parts)
		seen[other] = true
	}
	require.NotEqual(t, id, mail.MessageID([]byte("other"), "shop.example", "a", "b"))
}
