package mail

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/wneessen/go-mail/smtp"
)

// grace is how long the reply to the final dot is still awaited after the
// caller's context has ended: a reply not read is a mail nobody knows about.
const grace = 5 * time.Second

// Client sends through one server over one connection, which it keeps between
// mails and replaces when it is old, idle or broken. It is not safe for
// concurrent use.
type Client struct {
	server Server
	smtp   *smtp.Client // nil: not connected
	wire   *wire
	used   time.Time // when the connection last did something
	sent   int       // mails begun on it
}

// NewClient makes a client that connects with the first mail.
func NewClient(s Server) *Client { return &Client{server: s.filled()} }

// Close says goodbye and closes the connection, if there is one.
func (c *Client) Close() error {
	if c.smtp == nil {
		return nil
	}
	c.wire.until(context.Background(), min(c.server.Step, grace))
	err := c.smtp.Quit()
	c.drop()
	return err
}

// drop closes the connection without a word.
func (c *Client) drop() {
	if c.smtp != nil {
		_ = c.wire.Close()
		c.smtp = nil
	}
}

// Send gives m to the server. handing is called once the recipient was
// accepted and before DATA: what must be known before anything may have been
// handed over is written there. When it fails nothing is handed over and its
// error is in the Outcome. handing may be nil.
func (c *Client) Send(ctx context.Context, m Message, handing func(context.Context) error) Outcome {
	body, err := m.Bytes()
	if err != nil {
		return Outcome{Kind: Refused, Reply: printable(err.Error()), Where: Content, Err: err}
	}
	if where, err := c.ready(ctx); err != nil {
		c.drop()
		return failed(where, err)
	}
	stop := context.AfterFunc(ctx, c.wire.expire)
	defer stop()
	c.sent++
	c.wire.begun = false
	if where, err := c.envelope(ctx, m); err != nil {
		return c.ended(failed(where, err))
	}
	if handing != nil {
		if err := handing(ctx); err != nil {
			return Outcome{Kind: Deferred, Reply: printable(err.Error()), Where: Handing, Err: err}
		}
	}
	return c.ended(c.content(ctx, body, stop))
}

// ended keeps the connection for the next mail unless the server is done with
// it, did not speak, or waits for the rest of a text.
func (c *Client) ended(o Outcome) Outcome {
	if o.Code == 0 || o.Code == 421 || o.Kind == Ambiguous || (o.Where == Content && c.wire.begun) {
		c.drop()
	}
	c.used = time.Now()
	return o
}

// ready leaves an open, greeted and signed-in connection with no mail begun.
func (c *Client) ready(ctx context.Context) (Stage, error) {
	if c.smtp != nil && (time.Since(c.used) > c.server.Idle || c.sent >= c.server.PerConnection) {
		_ = c.Close()
	}
	if c.smtp != nil {
		c.wire.until(ctx, c.server.Step)
		if c.smtp.Reset() == nil {
			return 0, nil
		}
		c.drop()
	}
	if err := ctx.Err(); err != nil {
		return Connect, err
	}
	if err := c.connect(ctx); err != nil {
		return Connect, err
	}
	stop := context.AfterFunc(ctx, c.wire.expire)
	defer stop()
	return c.greet(ctx)
}

func (c *Client) connect(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, c.server.Dial)
	defer cancel()
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", c.server.Addr())
	if err != nil {
		return err
	}
	c.wire, c.sent, c.used = &wire{Conn: conn}, 0, time.Now()
	return nil
}

// greet reads the greeting, protects the connection and signs in.
func (c *Client) greet(ctx context.Context) (Stage, error) {
	c.wire.until(ctx, c.server.Dial)
	var conn net.Conn = c.wire
	if c.server.Mode == Implicit {
		secure := tls.Client(c.wire, c.tls())
		if err := secure.HandshakeContext(ctx); err != nil {
			_ = c.wire.Close()
			return TLS, err
		}
		conn = secure
	}
	s, err := smtp.NewClient(conn, c.server.Host)
	if err != nil {
		_ = c.wire.Close()
		return Connect, err
	}
	c.smtp = s
	s.SkipSMTPUTF8(true) // what is sent is ASCII
	if err := s.Hello(c.server.Hello); err != nil {
		return Connect, err
	}
	if err := c.secure(ctx); err != nil {
		return TLS, err
	}
	return Login, c.login(ctx)
}

func (c *Client) tls() *tls.Config {
	return &tls.Config{ServerName: c.server.Host, RootCAs: c.server.Roots, MinVersion: tls.VersionTLS12}
}

func (c *Client) secure(ctx context.Context) error {
	if c.server.Mode != StartTLS {
		return nil
	}
	if ok, _ := c.smtp.Extension("STARTTLS"); !ok {
		return errors.New("the server offers no STARTTLS, and nothing is sent without it")
	}
	c.wire.until(ctx, c.server.Step)
	return c.smtp.StartTLS(c.tls())
}

func (c *Client) login(ctx context.Context) error {
	if c.server.User == "" {
		return nil
	}
	local := loopback(c.server.Host)
	if c.server.Mode == Plain && !local {
		return errors.New("a password is not sent without TLS to another machine")
	}
	_, offered := c.smtp.Extension("AUTH")
	c.wire.until(ctx, c.server.Step)
	for _, way := range strings.Fields(strings.ToUpper(offered)) {
		switch way {
		case "PLAIN":
			return c.smtp.Auth(smtp.PlainAuth("", c.server.User, c.server.Password, c.server.Host, local))
		case "LOGIN":
			return c.smtp.Auth(smtp.LoginAuth(c.server.User, c.server.Password, c.server.Host, local))
		}
	}
	return fmt.Errorf("the server offers no login by PLAIN or LOGIN")
}

func (c *Client) envelope(ctx context.Context, m Message) (Stage, error) {
	c.wire.until(ctx, c.server.Step)
	if err := c.smtp.Mail("<" + m.sender() + ">"); err != nil {
		return Sender, err
	}
	c.wire.until(ctx, c.server.Step)
	return Recipient, c.smtp.Rcpt("<" + m.To.Addr + ">")
}
