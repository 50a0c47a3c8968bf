package mail_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/shared/mail"
)

func report(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	return b
}

// TestReports reads notifications in the shapes RFC 3464 allows; the files are
// invented after its Appendix E.
func TestReports(t *testing.T) {
	for name, want := range map[string]mail.Bounce{
		"failed.eml": {EnvelopeTo: "bounce+k3x9q@shop.example", Recipient: "ann@customer.example", Status: "5.1.1",
			Diagnostic: "550 5.1.1 no mailbox of this name", Permanent: true, MessageID: "abc123@shop.example"},
		"delayed.eml": {EnvelopeTo: "bounce+k3x9q@shop.example", Recipient: "ann@customer.example", Status: "4.4.7",
			Diagnostic: "connection timed out", MessageID: "abc123@shop.example"},
		"several.eml": {EnvelopeTo: "bounce+k3x9q@shop.example", Recipient: "old@customer.example", Status: "5.2.1",
			Diagnostic: "550 mailbox disabled", Permanent: true},
		"expired.eml": {EnvelopeTo: "bounce@shop.example", Recipient: "ann@customer.example", Status: "4.4.1",
			Diagnostic: "no answer from host", MessageID: "abc123@shop.example"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := mail.ParseBounce(bytes.NewReader(report(t, name)))
			require.NoError(t, err)
			require.Equal(t, want, got)
		})
	}
}

func TestNoReports(t *testing.T) {
	own, err := sample().Bytes()
	require.NoError(t, err)
	for name, raw := range map[string]string{
		"empty":          "",
		"a person":       "From: ann@customer.example\r\nTo: bounce+k3x9q@shop.example\r\nSubject: thanks\r\n\r\nwill do\r\n",
		"our own":        string(own),
		"a read receipt": strings.Replace(string(report(t, "failed.eml")), "report-type=delivery-status", "report-type=disposition-notification", 1),
		"noise":          "\x00\xff\x00",
	} {
		_, err := mail.ParseBounce(strings.NewReader(raw))
		require.ErrorIs(t, err, mail.ErrNotReport, name)
	}
}

func TestBrokenReports(t *testing.T) {
	good := string(report(t, "failed.eml"))
	for name, raw := range map[string]string{
		"no status part": strings.Replace(good, "message/delivery-status", "text/plain", 1),
		"no status":      strings.Replace(good, "Status: 5.1.1", "Status: none", 1),
		"no boundary":    strings.Replace(good, `boundary="b1"`, `boundary="b2"`, 1),
	} {
		_, err := mail.ParseBounce(strings.NewReader(raw))
		require.Error(t, err, name)
		require.NotErrorIs(t, err, mail.ErrNotReport, name)
	}
}

func TestReportBounds(t *testing.T) {
	good := string(report(t, "failed.eml"))
	_, err := mail.ParseBounce(strings.NewReader(strings.Replace(good, "--b1\r\n", "--b1\r\n\r\n"+strings.Repeat("x", 2<<20)+"\r\n--b1\r\n", 1)))
	require.Error(t, err, "what comes after 1 MiB is not read")
	_, err = mail.ParseBounce(strings.NewReader(strings.Replace(good, "--b1\r\n", strings.Repeat("--b1\r\n\r\nx\r\n", 20)+"--b1\r\n", 1)))
	require.Error(t, err, "nor what comes after 16 parts")
}

func TestReportWithHostileFields(t *testing.T) {
	good := string(report(t, "failed.eml"))
	for old, hostile := range map[string]string{
		"rfc822; ann@customer.example":      "rfc822; ann@customer.example, eve@x.example",
		"Message-ID: <abc123@shop.example>": "Message-ID: <abc123@shop.example> <b@c>",
	} {
		b, err := mail.ParseBounce(strings.NewReader(strings.ReplaceAll(good, old, hostile)))
		require.NoError(t, err)
		require.True(t, b.Recipient == "" || b.MessageID == "", "an unclear value is no value: %+v", b)
	}
}

// FuzzParseBounce: whatever comes, no panic, and nothing in the result that a
// log or a query could stumble over.
func FuzzParseBounce(f *testing.F) {
	for _, name := range []string{"failed.eml", "delayed.eml", "several.eml", "expired.eml"} {
		f.Add(report(f, name))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		b, err := mail.ParseBounce(bytes.NewReader(raw))
		if err != nil {
			require.Zero(t, b)
			return
		}
		for _, addr := range []string{b.EnvelopeTo, b.Recipient} {
			if addr != "" {
				require.NoError(t, mail.Address{Addr: addr}.Check())
			}
		}
		require.Regexp(t, `^[245]\.\d{1,3}\.\d{1,3}$`, b.Status)
		require.NotRegexp(t, `[\x00-\x1f]`, b.Diagnostic+b.MessageID)
		require.LessOrEqual(t, len([]rune(b.Diagnostic)), 300)
		require.True(t, !b.Permanent || b.Status[0] == '5')
	})
}

func maildir(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for _, sub := range []string{"new", "cur", "tmp"} {
		require.NoError(t, os.Mkdir(filepath.Join(dir, sub), 0o700))
	}
	for name, raw := range files {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "new", name), []byte(raw), 0o600))
	}
	return dir
}

func names(t *testing.T, dir, sub string) []string {
	t.Helper()
	out := []string{}
	entries, err := os.ReadDir(filepath.Join(dir, sub))
	require.NoError(t, err)
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func TestMaildir(t *testing.T) {
	failed, delayed := string(report(t, "failed.eml")), string(report(t, "delayed.eml"))
	dir := maildir(t, map[string]string{"1.a": failed, "2.b": delayed, "3.c": "From: a@b.example\r\n\r\nhello\r\n", "4.d:2,": failed, ".hidden": failed})
	require.NoError(t, os.Symlink("/etc/passwd", filepath.Join(dir, "new", "5.e")))

	var got []string
	broken := errors.New("the database is away")
	err := mail.Maildir(dir, func(b mail.Bounce) error {
		got = append(got, b.Status)
		if b.Status == "4.4.7" {
			return broken
		}
		return nil
	})
	require.ErrorIs(t, err, broken)
	require.ErrorContains(t, err, "2.b")
	require.Equal(t, []string{"5.1.1", "4.4.7", "5.1.1"}, got)
	require.Equal(t, []string{".hidden", "2.b", "5.e"}, names(t, dir, "new"))
	require.Equal(t, []string{"1.a:2,S", "3.c:2,", "4.d:2,S"}, names(t, dir, "cur"))

	got = nil
	require.NoError(t, mail.Maildir(dir, func(b mail.Bounce) error { got = append(got, b.Status); return nil }))
	require.Equal(t, []string{"4.4.7"}, got, "only what had failed comes again")
	require.NoError(t, mail.Maildir(dir, func(mail.Bounce) error { return broken }))
}

func TestMaildirWritesOverNothing(t *testing.T) {
	dir := maildir(t, map[string]string{"1.a": string(report(t, "failed.eml"))})
	kept := filepath.Join(dir, "cur", "1.a:2,S")
	require.NoError(t, os.WriteFile(kept, []byte("another"), 0o600))
	require.Error(t, mail.Maildir(dir, func(mail.Bounce) error { return nil }))
	b, err := os.ReadFile(kept)
	require.NoError(t, err)
	require.Equal(t, "another", string(b))
	require.Error(t, mail.Maildir(filepath.Join(dir, "absent"), func(mail.Bounce) error { return nil }))
}
