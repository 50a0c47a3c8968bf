package mailtest_test

import (
	"bufio"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"drumline/shared/mail/mailtest"
)

// talk sends the lines one by one and gives the code of each reply, the
// greeting first; an empty one is a closed connection.
func talk(t *testing.T, s *mailtest.Server, lines ...string) []string {
	t.Helper()
	conn, err := net.Dial("tcp", s.Addr())
	require.NoError(t, err)
	defer conn.Close()
	require.NoError(t, conn.SetDeadline(time.Now().Add(5*time.Second)))
	in := bufio.NewReader(conn)
	codes := []string{code(in)}
	for _, l := range lines {
		_, _ = conn.Write([]byte(l + "\r\n"))
		codes = append(codes, code(in))
	}
	return codes
}

func code(in *bufio.Reader) string {
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return ""
		}
		if len(line) > 3 && line[3] == ' ' {
			return line[:3]
		}
	}
}

const text = "Message-ID: <a@b>\r\n\r\n..dot\r\n."

func TestScripts(t *testing.T) {
	begin := []string{"EHLO x", "MAIL FROM:<a@b.example>", "RCPT TO:<c@d.example>", "DATA"}
	for name, c := range map[string]struct {
		step  mailtest.Step
		lines []string
		want  string
		mail  mailtest.Mail
	}{
		"accepted": {mailtest.Step{}, append(begin, text, "QUIT"), "220 250 250 250 354 250 221",
			mailtest.Mail{MessageID: "a@b", Dot: true, Accepted: true, Raw: []byte("Message-ID: <a@b>\r\n\r\n.dot\r\n")}},
		"refused": {mailtest.Step{Dot: "550 5.7.1 no"}, append(begin, text, "NOOP"), "220 250 250 250 354 550 250",
			mailtest.Mail{MessageID: "a@b", Dot: true, Raw: []byte("Message-ID: <a@b>\r\n\r\n.dot\r\n")}},
		"cut after the dot": {mailtest.Step{Cut: mailtest.AfterDot}, append(begin, text), "220 250 250 250 354 ",
			mailtest.Mail{MessageID: "a@b", Dot: true, Raw: []byte("Message-ID: <a@b>\r\n\r\n.dot\r\n")}},
		"cut before the dot, which never comes": {mailtest.Step{Cut: mailtest.BeforeDot}, append(begin, "Message-ID: <a@b>\r\n"), "220 250 250 250 354 ",
			mailtest.Mail{MessageID: "a@b", Raw: []byte("Message-ID: <a@b>\r\n\r\n")}},
		"cut before the dot, which comes all the same": {mailtest.Step{Cut: mailtest.BeforeDot}, append(begin, "Message-ID: <a@b>\r\n", "."), "220 250 250 250 354  ",
			mailtest.Mail{MessageID: "a@b", Dot: true, Raw: []byte("Message-ID: <a@b>\r\n\r\n")}},
		"421 at DATA": {mailtest.Step{Data: "421 4.3.2 bye"}, append(begin, "NOOP"), "220 250 250 250 421 ", mailtest.Mail{}},
		"unknown":     {mailtest.Step{Rcpt: "550 5.1.1 nobody"}, append(begin, "RSET"), "220 250 250 550 503 250", mailtest.Mail{}},
	} {
		t.Run(name, func(t *testing.T) {
			s := mailtest.New(t, &mailtest.Server{Mails: func(int, string) mailtest.Step { return c.step }})
			require.Equal(t, c.want, strings.Join(talk(t, s, c.lines...), " "))
			c.mail.Connection, c.mail.From, c.mail.Recipient = 1, "a@b.example", "c@d.example"
			require.EventuallyWithT(t, func(t *assert.CollectT) { // closing would cut off what is still on its way
				require.Equal(t, []mailtest.Mail{c.mail}, s.Ledger())
			}, 5*time.Second, time.Millisecond)
		})
	}
}

func TestScriptIsToldWhichMail(t *testing.T) {
	var asked []string
	s := mailtest.New(t, &mailtest.Server{Mails: func(n int, rcpt string) mailtest.Step {
		asked = append(asked, strings.Repeat("I", n)+" "+rcpt)
		return mailtest.Step{}
	}})
	for range 2 {
		talk(t, s, "MAIL FROM:<a@b.example>", "RCPT TO:<c@d.example>", "RSET", "MAIL FROM:<a@b.example>", "RCPT TO:<e@f.example>")
	}
	s.Close()
	require.Equal(t, []string{"I c@d.example", "II e@f.example", "III c@d.example", "IIII e@f.example"}, asked)
	require.Equal(t, 2, s.Connected())
}

func TestLoginIsRequired(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{User: "u", Password: "p"})
	require.Equal(t, []string{"220", "250", "530", "535", "502", "235", "250"},
		talk(t, s, "EHLO x", "MAIL FROM:<a@b.example>", "AUTH PLAIN AHUAeA==", "VRFY a", "AUTH PLAIN AHUAcA==", "MAIL FROM:<a@b.example>"))
}
