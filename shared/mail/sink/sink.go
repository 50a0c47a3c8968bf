// Package sink is a mail server that delivers nothing: it keeps the last mails
// in memory and shows them in a browser, so that a demo can be seen to write
// to people without writing to anybody.
package sink

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"net"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/emersion/go-smtp"
)

// What the sink keeps at most.
const (
	keep    = 1000
	maxMail = 16 * 1024 * 1024
)

// Mail is one mail as it came.
type Mail struct {
	ID       int // from 1, in order of arrival
	At       time.Time
	From, To string // of the envelope
	Raw      []byte
}

// Sink accepts every mail and keeps the last 1,000.
type Sink struct {
	now    func() time.Time
	server *smtp.Server
	ln     net.Listener
	done   chan error

	mu    sync.Mutex
	last  int
	mails []Mail
}

// Start listens for SMTP at addr, host:port, and serves until Close. now tells
// when a mail came. It speaks no TLS and knows no login: listen on loopback.
func Start(addr string, now func() time.Time) (*Sink, error) {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, err
	}
	s := &Sink{now: now, ln: ln, done: make(chan error, 1)}
	s.server = smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &session{sink: s}, nil }))
	s.server.Domain = "localhost"
	s.server.MaxMessageBytes = maxMail
	s.server.ReadTimeout, s.server.WriteTimeout = 5*time.Minute, time.Minute
	s.server.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelDebug)
	go func() { s.done <- s.server.Serve(ln) }()
	return s, nil
}

// Addr is where it listens for SMTP, host:port.
func (s *Sink) Addr() string { return s.ln.Addr().String() }

// Close stops listening and ends every connection; the mails stay readable.
func (s *Sink) Close() error {
	// The listener itself as well: the server may not have begun to serve it.
	err := errors.Join(s.server.Close(), quiet(s.ln.Close()))
	return errors.Join(err, quiet(<-s.done))
}

// quiet forgets that something was closed already.
func quiet(err error) error {
	if errors.Is(err, net.ErrClosed) || errors.Is(err, smtp.ErrServerClosed) {
		return nil
	}
	return err
}

// Mails are those kept, the newest first.
func (s *Sink) Mails() []Mail {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := slices.Clone(s.mails)
	slices.Reverse(out)
	return out
}

// Mail is the one with this id, as long as it is kept.
func (s *Sink) Mail(id string) (Mail, bool) {
	n, err := strconv.Atoi(id)
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.mails, func(m Mail) bool { return m.ID == n })
	if err != nil || i < 0 {
		return Mail{}, false
	}
	return s.mails[i], true
}

func (s *Sink) add(from string, to []string, raw []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, rcpt := range to {
		s.last++
		s.mails = append(s.mails, Mail{ID: s.last, At: s.now().UTC(), From: from, To: rcpt, Raw: raw})
	}
	if extra := len(s.mails) - keep; extra > 0 {
		s.mails = slices.Delete(s.mails, 0, extra)
	}
}

// session is one connection.
type session struct {
	sink *Sink
	from string
	to   []string
}

// Reset forgets the mail under way.
func (c *session) Reset() { c.from, c.to = "", nil }

// Logout does nothing: there is no login.
func (c *session) Logout() error { return nil }

// Mail takes any sender.
func (c *session) Mail(from string, _ *smtp.MailOptions) error {
	c.from = from
	return nil
}

// Rcpt takes any recipient.
func (c *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	c.to = append(c.to, to)
	return nil
}

// Data keeps the text.
func (c *session) Data(r io.Reader) error {
	var raw bytes.Buffer
	if _, err := raw.ReadFrom(r); err != nil {
		return err
	}
	c.sink.add(c.from, c.to, raw.Bytes())
	return nil
}
