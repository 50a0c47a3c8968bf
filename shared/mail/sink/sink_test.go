package sink_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"net/smtp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/shared/mail"
	"drumline/shared/mail/sink"
)

var day = time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC)

func start(t *testing.T) *sink.Sink {
	t.Helper()
	s, err := sink.Start("127.0.0.1:0", func() time.Time { return day })
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func deliver(t *testing.T, s *sink.Sink, raw string, to ...string) {
	t.Helper()
	require.NoError(t, smtp.SendMail(s.Addr(), nil, "care@shop.example", to, []byte(raw)))
}

func get(t *testing.T, s *sink.Sink, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequestWithContext(context.Background(), "GET", path, nil))
	return w
}

func TestMailsAreShown(t *testing.T) {
	s := start(t)
	server, err := mail.ParseServer("smtp+plain://" + s.Addr())
	require.NoError(t, err)
	c := mail.NewClient(server)
	for i := range 10 {
		o := c.Send(t.Context(), mail.Message{
			From: mail.Address{Name: "Shop", Addr: "care@shop.example"}, To: mail.Address{Addr: fmt.Sprintf("ann%d@customer.example", i)},
			Subject: "Jährliche Reinigung", Text: "Guten Tag, <b>Ann</b>", HTML: "<p>Guten Täg</p><script>x()</script>", Date: day, MessageID: "a@shop.example",
			Attachments: []mail.Attachment{{Name: "visit.ics", Type: "text/calendar", Body: []byte("BEGIN")}},
		}, nil)
		require.Equal(t, mail.Accepted, o.Kind, "%+v", o)
	}
	require.NoError(t, c.Close())

	list := get(t, s, "/").Body.String()
	require.Contains(t, list, "ann9@customer.example")
	require.Less(t, strings.Index(list, "ann9@"), strings.Index(list, "ann0@"), "the newest first")
	require.Contains(t, list, `<a href="mails/1">Jährliche Reinigung</a>`)
	require.Contains(t, list, "2026-03-02 09:30:00")

	page := get(t, s, "/mails/1").Body.String()
	require.Contains(t, page, "Guten Tag, &lt;b&gt;Ann&lt;/b&gt;")
	require.Contains(t, page, `<iframe sandbox src="1/html"`)
	require.Contains(t, page, "visit.ics")
	require.NotContains(t, page, "<script")

	html := get(t, s, "/mails/1/html")
	require.Equal(t, "<p>Guten Täg</p><script>x()</script>", html.Body.String())
	csp := html.Header().Get("Content-Security-Policy")
	require.True(t, strings.HasPrefix(csp, "sandbox; default-src 'none';"), csp)
	require.NotContains(t, csp, "script")

	raw := get(t, s, "/mails/1/raw")
	require.Equal(t, "text/plain; charset=utf-8", raw.Header().Get("Content-Type"))
	require.Contains(t, raw.Body.String(), "Message-ID: <a@shop.example>")

	var entries []struct {
		ID         int       `json:"id"`
		ReceivedAt time.Time `json:"received_at"`
		From       string    `json:"from"`
		To         string    `json:"to"`
		Subject    string    `json:"subject"`
	}
	require.NoError(t, json.Unmarshal(get(t, s, "/mails.json").Body.Bytes(), &entries))
	require.Len(t, entries, 10)
	require.Equal(t, "ann9@customer.example", entries[0].To)
	require.Equal(t, "Jährliche Reinigung", entries[9].Subject)
	require.True(t, entries[0].ReceivedAt.Equal(day))
}

func TestNothingKept(t *testing.T) {
	s := start(t)
	require.Contains(t, get(t, s, "/").Body.String(), "None yet.")
	require.JSONEq(t, "[]", get(t, s, "/mails.json").Body.String())
	for _, path := range []string{"/mails/1", "/mails/x/html", "/mails/-1/raw", "/other"} {
		require.Equal(t, 404, get(t, s, path).Code, path)
	}
}

func TestHostileMails(t *testing.T) {
	s := start(t)
	nested := "Content-Type: multipart/mixed; boundary=b\r\n\r\n" + strings.Repeat("--b\r\nContent-Type: multipart/mixed; boundary=b\r\n\r\n", 50)
	for _, raw := range []string{
		"Subject: <script>alert(1)</script>\r\nFrom: \"><img src=x>\r\n\r\n</pre><script>alert(2)</script>\r\n",
		"no header at all\r\n",
		"Subject: =?utf-8?q?=3Cscript=3E?=\r\nContent-Type: multipart/mixed\r\n\r\n--\r\n",
		"Content-Type: text/html\r\nContent-Transfer-Encoding: base64\r\n\r\n!!!\r\n",
		nested,
	} {
		deliver(t, s, raw, "\"<script>\"@x.example")
	}
	require.Len(t, s.Mails(), 5)
	paths := []string{"/"}
	for id := range 5 {
		paths = append(paths, fmt.Sprintf("/mails/%d", id+1))
	}
	for _, path := range paths {
		w := get(t, s, path)
		require.Equal(t, 200, w.Code, path)
		require.NotContains(t, w.Body.String(), "<script", path)
		require.NotContains(t, w.Body.String(), "<img", path)
		require.True(t, strings.HasPrefix(w.Header().Get("Content-Security-Policy"), "default-src 'none'"))
	}
}

func TestLastThousandAreKept(t *testing.T) {
	s := start(t)
	to := make([]string, 100)
	for i := range to {
		to[i] = fmt.Sprintf("ann%d@customer.example", i)
	}
	for range 11 {
		deliver(t, s, "Subject: x\r\n\r\nx\r\n", to...)
	}
	mails := s.Mails()
	require.Len(t, mails, 1000)
	require.Equal(t, 1100, mails[0].ID)
	require.Equal(t, 101, mails[999].ID)
	_, kept := s.Mail("100")
	require.False(t, kept)
}
