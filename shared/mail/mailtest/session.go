package mailtest

import (
	"bufio"
	"bytes"
	"crypto/tls"
	"encoding/base64"
	"net"
	netmail "net/mail"
	"strings"
	"time"
)

// Bounds of a session: what a harness gone wrong may cost.
const (
	patience = 30 * time.Second // for the next line
	maxText  = 32 * 1024 * 1024
	drain    = time.Second
)

// session is one connection.
type session struct {
	server *Server
	conn   net.Conn
	in     *bufio.Reader
	number int

	greeting Greeting
	step     Step
	mail     *Mail // nil: no recipient named
	from     string
	user     string
	secure   bool
}

func (s *session) serve() {
	if s.server.Connections != nil {
		s.greeting = s.server.Connections(s.number)
	}
	s.step = Step{Delay: s.greeting.Delay, Slow: s.greeting.Slow}
	s.in = bufio.NewReader(s.conn)
	if s.server.Implicit && !s.handshake() {
		return
	}
	if s.greeting.Reply != "" {
		s.say(s.greeting.Reply)
		return
	}
	if !s.say("220 mailtest.invalid ready") {
		return
	}
	for {
		line, ok := s.line()
		if !ok || !s.do(line) {
			return
		}
	}
}

func (s *session) line() (string, bool) {
	_ = s.conn.SetDeadline(time.Now().Add(patience))
	line, err := s.in.ReadString('\n')
	return strings.TrimRight(line, "\r\n"), err == nil
}

// say writes a reply; it tells whether the session goes on.
func (s *session) say(reply string) bool {
	time.Sleep(s.step.Delay)
	out := []byte(reply + "\r\n")
	if !s.step.Slow {
		_, err := s.conn.Write(out)
		return err == nil && !strings.HasPrefix(reply, "421")
	}
	for i := range out {
		if _, err := s.conn.Write(out[i : i+1]); err != nil {
			return false
		}
		time.Sleep(time.Millisecond)
	}
	return !strings.HasPrefix(reply, "421")
}

func or(scripted, usual string) string {
	if scripted != "" {
		return scripted
	}
	return usual
}

// do answers one command; it tells whether the session goes on.
func (s *session) do(line string) bool {
	verb, rest, _ := strings.Cut(line, " ")
	switch strings.ToUpper(verb) {
	case "EHLO", "HELO":
		return s.say(s.offers())
	case "STARTTLS":
		return s.startTLS()
	case "AUTH":
		return s.auth(rest)
	case "MAIL":
		return s.sender(rest)
	case "RCPT":
		return s.recipient(rest)
	case "DATA":
		return s.data()
	case "RSET":
		s.mail, s.from = nil, ""
		return s.say("250 2.0.0 flushed")
	case "NOOP":
		return s.say("250 2.0.0 ok")
	case "QUIT":
		s.say("221 2.0.0 bye")
		return false
	}
	return s.say("502 5.5.1 not known here")
}

func (s *session) offers() string {
	lines := []string{"250-mailtest.invalid", "250-8BITMIME", "250-SMTPUTF8"}
	if !s.secure && !s.greeting.NoTLS {
		lines = append(lines, "250-STARTTLS")
	}
	if s.server.User != "" {
		lines = append(lines, "250-AUTH PLAIN")
	}
	return strings.Join(append(lines, "250 ENHANCEDSTATUSCODES"), "\r\n")
}

func (s *session) startTLS() bool {
	if s.greeting.StartTLS != "" {
		return s.say(s.greeting.StartTLS)
	}
	return s.say("220 2.0.0 go on") && s.handshake()
}

func (s *session) handshake() bool {
	if s.greeting.Broken {
		_, _ = s.conn.Write([]byte("this is no handshake\r\n"))
		return false
	}
	secure := tls.Server(s.conn, &tls.Config{Certificates: []tls.Certificate{s.server.cert}, MinVersion: tls.VersionTLS12})
	_ = s.conn.SetDeadline(time.Now().Add(patience))
	if err := secure.Handshake(); err != nil {
		return false
	}
	s.conn, s.in, s.secure = secure, bufio.NewReader(secure), true
	return true
}

func (s *session) auth(rest string) bool {
	way, token, _ := strings.Cut(rest, " ")
	plain, err := base64.StdEncoding.DecodeString(token)
	want := "\x00" + s.server.User + "\x00" + s.server.Password
	if !strings.EqualFold(way, "PLAIN") || err != nil || s.server.User == "" || string(plain) != want {
		return s.say("535 5.7.8 not let in")
	}
	s.user = s.server.User
	return s.say("235 2.7.0 let in")
}

func (s *session) sender(rest string) bool {
	if s.server.User != "" && s.user == "" {
		return s.say("530 5.7.0 sign in first")
	}
	s.mail, s.from = nil, bracketed(rest)
	return s.say(or(s.greeting.Sender, "250 2.1.0 ok"))
}

func (s *session) recipient(rest string) bool {
	if s.from == "" || s.mail != nil {
		return s.say("503 5.5.1 one sender, then one recipient")
	}
	s.step, s.mail = s.server.step(Mail{Connection: s.number, From: s.from, Recipient: bracketed(rest), User: s.user, Secure: s.secure})
	if s.step.Rcpt != "" {
		s.mail = nil
	}
	return s.say(or(s.step.Rcpt, "250 2.1.5 ok"))
}

// bracketed is what stands between the first < and the next >.
func bracketed(s string) string {
	_, s, _ = strings.Cut(s, "<")
	s, _, _ = strings.Cut(s, ">")
	return s
}

func (s *session) data() bool {
	if s.mail == nil {
		return s.say("503 5.5.1 no recipient")
	}
	if s.step.Data != "" {
		return s.say(s.step.Data)
	}
	if !s.say("354 go on") {
		return false
	}
	if s.step.Cut == BeforeDot || s.step.Text != "" {
		s.cutText()
		return false
	}
	_ = s.conn.SetDeadline(time.Now().Add(patience))
	if !s.text() || s.step.Cut == AfterDot {
		return false
	}
	return s.settle(or(s.step.Dot, "250 2.0.0 taken"))
}

// settle answers the final dot. Reply and ledger change together: who has read
// the one finds it in the other.
func (s *session) settle(reply string) bool {
	time.Sleep(s.step.Delay)
	s.step.Delay = 0
	ok := false
	s.server.note(func() {
		ok = s.say(reply)
		s.mail.Accepted = ok && strings.HasPrefix(reply, "250")
	})
	s.mail, s.from = nil, ""
	return ok
}

// cutText ends the talk when the text has begun and drains what still comes:
// a client that had sent the dot by then has sent it.
func (s *session) cutText() {
	_ = s.conn.SetDeadline(time.Now().Add(patience))
	if _, err := s.in.Peek(1); err != nil {
		return
	}
	if s.step.Text != "" {
		s.say(s.step.Text)
	}
	if half, ok := s.conn.(interface{ CloseWrite() error }); ok {
		_ = half.CloseWrite()
	}
	_ = s.conn.SetDeadline(time.Now().Add(drain))
	s.text()
}

// text reads to the final dot, enters what came into the ledger, and tells
// whether the dot was among it.
func (s *session) text() bool {
	var raw bytes.Buffer
	dot := false
	for raw.Len() < maxText {
		line, err := s.in.ReadString('\n')
		if dot = line == ".\r\n"; dot {
			break
		}
		raw.WriteString(strings.TrimPrefix(line, "."))
		if err != nil {
			break
		}
	}
	id := ""
	if m, err := netmail.ReadMessage(bytes.NewReader(raw.Bytes())); err == nil {
		id = strings.Trim(m.Header.Get("Message-ID"), "<>")
	}
	mail := s.mail
	s.server.note(func() { mail.Raw, mail.Dot, mail.MessageID = raw.Bytes(), dot, id })
	return dot
}
