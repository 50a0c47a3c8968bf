// Package mailtest is a mail server that does what a script says, badly where
// that is wanted, and keeps a ledger of what reached it. It is for tests and
// for harnesses in a process of their own; it uses no mail library.
package mailtest

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"net"
	"slices"
	"sync"
	"time"
)

// Greeting is how a connection begins. Its zero value greets, offers STARTTLS
// and AUTH PLAIN, and keeps its word.
type Greeting struct {
	Delay    time.Duration // before each reply up to the first mail
	Reply    string        // said instead of 220; the connection is then closed
	StartTLS string        // said instead of 220 to STARTTLS, e.g. 454
	NoTLS    bool          // STARTTLS is not offered
	Broken   bool          // noise instead of a TLS handshake
	Sender   string        // said instead of 250 to MAIL
	Slow     bool          // every reply octet by octet
}

// Cut says when the server hangs up in the middle of a mail.
type Cut uint8

// The cuts.
const (
	Never     Cut = iota
	BeforeDot     // stops talking when the text has begun, then drains for a second
	AfterDot      // closes without a reply to the final dot
)

// Step is how one mail goes. Its zero value accepts it. A reply is given as
// "451 4.7.1 later", without line end; one of 421 closes the connection.
type Step struct {
	Delay time.Duration // before each reply from RCPT on
	Rcpt  string        // said instead of 250 to RCPT
	Data  string        // said instead of 354 to DATA
	Text  string        // said when the text has begun, before the dot; then the connection is closed
	Dot   string        // said instead of 250 to the final dot
	Cut   Cut
	Slow  bool // every reply octet by octet
}

// Mail is one line of the ledger: a mail whose recipient was named.
type Mail struct {
	Connection int // from 1
	MessageID  string
	From       string
	Recipient  string
	Dot        bool   // the final dot arrived
	Accepted   bool   // 250 to it was written
	Raw        []byte // the text as it was before dot-stuffing, as far as it came
	User       string // who had signed in
	Secure     bool   // under TLS
}

// Server is a scripted mail server. Set the fields before Start.
type Server struct {
	Connections func(n int) Greeting          // n from 1; nil: all as they should be
	Mails       func(n int, rcpt string) Step // n from 1, over all connections; nil: all accepted
	Implicit    bool                          // TLS from the first octet
	User        string                        // with Password: AUTH PLAIN is offered and required
	Password    string

	cert  tls.Certificate
	roots *x509.CertPool
	ln    net.Listener
	wg    sync.WaitGroup

	mu     sync.Mutex
	open   map[net.Conn]bool
	closed bool
	conns  int
	mails  int
	ledger []*Mail
}

// T is what New needs of a *testing.T, so that harnesses link no test package.
type T interface {
	Helper()
	Fatalf(format string, args ...any)
	Cleanup(f func())
}

// New starts a server on a free port of 127.0.0.1 that ends with the test.
func New(t T, s *Server) *Server {
	t.Helper()
	if err := s.Start("127.0.0.1:0"); err != nil {
		t.Fatalf("mailtest: %v", err)
	}
	t.Cleanup(s.Close)
	return s
}

// Start listens at addr and serves until Close. The certificate is made anew,
// for localhost, 127.0.0.1 and ::1.
func (s *Server) Start(addr string) error {
	var err error
	if s.cert, s.roots, err = certificate(time.Now()); err != nil {
		return err
	}
	if s.ln, err = net.Listen("tcp", addr); err != nil {
		return err
	}
	s.open = map[net.Conn]bool{}
	s.wg.Go(s.accept)
	return nil
}

func (s *Server) accept() {
	for {
		conn, err := s.ln.Accept()
		if err != nil {
			return
		}
		n, ok := s.enter(conn)
		if !ok {
			_ = conn.Close()
			return
		}
		s.wg.Go(func() {
			defer s.leave(conn)
			(&session{server: s, conn: conn, number: n}).serve()
		})
	}
}

func (s *Server) enter(conn net.Conn) (int, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return 0, false
	}
	s.conns++
	s.open[conn] = true
	return s.conns, true
}

func (s *Server) leave(conn net.Conn) {
	_ = conn.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, conn)
}

// Close stops listening, cuts every connection and waits for them to end.
func (s *Server) Close() {
	_ = s.ln.Close()
	s.mu.Lock()
	s.closed = true
	for conn := range s.open {
		_ = conn.Close()
	}
	s.mu.Unlock()
	s.wg.Wait()
}

// Addr is where it listens, host:port.
func (s *Server) Addr() string { return s.ln.Addr().String() }

// Port is the port of Addr.
func (s *Server) Port() int { return s.ln.Addr().(*net.TCPAddr).Port }

// Roots trusts the server's own certificate.
func (s *Server) Roots() *x509.CertPool { return s.roots }

// PEM is the certificate Roots trusts, for clients in other processes.
func (s *Server) PEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.cert.Certificate[0]})
}

// Connected is how many connections there have been.
func (s *Server) Connected() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.conns
}

// Ledger is a copy of what has reached the server so far, in order of RCPT.
func (s *Server) Ledger() []Mail {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]Mail, len(s.ledger))
	for i, m := range s.ledger {
		out[i] = *m
		out[i].Raw = slices.Clone(m.Raw)
	}
	return out
}

// step asks the script for the next mail and enters it into the ledger.
func (s *Server) step(m Mail) (Step, *Mail) {
	s.mu.Lock()
	s.mails++
	n, entry := s.mails, &m
	s.ledger = append(s.ledger, entry)
	s.mu.Unlock()
	if s.Mails == nil {
		return Step{}, entry
	}
	return s.Mails(n, m.Recipient), entry
}

// note changes a line of the ledger.
func (s *Server) note(change func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change()
}
