package mail_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/shared/mail"
	"drumline/shared/mail/mailtest"
)

var day = time.Date(2026, 3, 2, 9, 30, 0, 0, time.FixedZone("", -5*3600))

func sample() mail.Message {
	return mail.Message{
		From: mail.Address{Name: "Shop", Addr: "care@shop.example"}, To: mail.Address{Name: "Ann", Addr: "ann@customer.example"},
		Subject: "Yearly cleaning", Text: "Dear Ann,\n\nyour dryer is due.\n.\n.hidden\n", HTML: "<p>Dear Ann,</p>",
		MessageID: mail.MessageID([]byte("key"), "shop.example", "a", "b"), Date: day, EnvelopeFrom: "bounce+token@shop.example",
	}
}

// route is a client of a scripted server, with short patience.
func route(s *mailtest.Server, mode mail.Mode) mail.Server {
	return mail.Server{Host: "127.0.0.1", Port: s.Port(), Mode: mode, Roots: s.Roots(), User: s.User, Password: s.Password,
		Dial: 2 * time.Second, Step: 2 * time.Second, Reply: 2 * time.Second, Look: 5 * time.Millisecond}
}

// send sends one mail and tells whether handing was called.
func send(t *testing.T, r mail.Server) (mail.Outcome, bool) {
	t.Helper()
	c, handed := mail.NewClient(r), false
	o := c.Send(t.Context(), sample(), func(context.Context) error { handed = true; return nil })
	_ = c.Close()
	return o, handed
}

// brief is what the tables below compare.
type brief struct {
	Kind     mail.Kind
	Where    mail.Stage
	Code     int
	Enhanced string
	Server   bool
	Handed   bool // handing was called
	Dot      bool // the server saw the final dot
}

// TestClientAgainstEachScript: RFC 5321 §4.2.1 (classes of replies), §3.8 (421
// at any time), §4.5.3.2.6 (a reply not read after the dot settles nothing),
// RFC 3207 §4.1 (STARTTLS refused), RFC 4954 §6 (login refused).
func TestClientAgainstEachScript(t *testing.T) {
	final := func(s mailtest.Step) *mailtest.Server {
		return &mailtest.Server{Mails: func(int, string) mailtest.Step { return s }}
	}
	greet := func(g mailtest.Greeting) *mailtest.Server {
		return &mailtest.Server{Connections: func(int) mailtest.Greeting { return g }}
	}
	for name, c := range map[string]struct {
		server *mailtest.Server
		want   brief
	}{
		"accepted":                {final(mailtest.Step{}), brief{mail.Accepted, mail.Reply, 250, "2.0.0", false, true, true}},
		"accepted slowly":         {final(mailtest.Step{Slow: true}), brief{mail.Accepted, mail.Reply, 250, "2.0.0", false, true, true}},
		"accepted late":           {final(mailtest.Step{Delay: 100 * time.Millisecond}), brief{mail.Accepted, mail.Reply, 250, "2.0.0", false, true, true}},
		"greeted slowly":          {greet(mailtest.Greeting{Slow: true}), brief{mail.Accepted, mail.Reply, 250, "2.0.0", false, true, true}},
		"421 instead of greeting": {greet(mailtest.Greeting{Reply: "421 4.3.2 closing"}), brief{mail.Deferred, mail.Connect, 421, "4.3.2", true, false, false}},
		"554 instead of greeting": {greet(mailtest.Greeting{Reply: "554 5.7.1 no mail here"}), brief{mail.Deferred, mail.Connect, 554, "5.7.1", true, false, false}},
		"no STARTTLS":             {greet(mailtest.Greeting{NoTLS: true}), brief{mail.Deferred, mail.TLS, 0, "", true, false, false}},
		"STARTTLS refused":        {greet(mailtest.Greeting{StartTLS: "454 4.7.0 not now"}), brief{mail.Deferred, mail.TLS, 454, "4.7.0", true, false, false}},
		"handshake broken":        {greet(mailtest.Greeting{Broken: true}), brief{mail.Deferred, mail.TLS, 0, "", true, false, false}},
		"sender refused":          {greet(mailtest.Greeting{Sender: "550 5.7.1 not from you"}), brief{mail.Deferred, mail.Sender, 550, "5.7.1", true, false, false}},
		"sender later":            {greet(mailtest.Greeting{Sender: "451 4.7.1 later"}), brief{mail.Deferred, mail.Sender, 451, "4.7.1", false, false, false}},
		"recipient later":         {final(mailtest.Step{Rcpt: "451 4.7.1 later"}), brief{mail.Deferred, mail.Recipient, 451, "4.7.1", false, false, false}},
		"recipient unknown":       {final(mailtest.Step{Rcpt: "550 5.1.1 nobody"}), brief{mail.Refused, mail.Recipient, 550, "5.1.1", false, false, false}},
		"no enhanced code":        {final(mailtest.Step{Rcpt: "550 nobody"}), brief{mail.Refused, mail.Recipient, 550, "", false, false, false}},
		"421 at the recipient":    {final(mailtest.Step{Rcpt: "421 4.3.2 closing"}), brief{mail.Deferred, mail.Recipient, 421, "4.3.2", true, false, false}},
		"421 at DATA":             {final(mailtest.Step{Data: "421 4.3.2 closing"}), brief{mail.Deferred, mail.Content, 421, "4.3.2", true, true, false}},
		"451 at DATA":             {final(mailtest.Step{Data: "451 4.3.0 later"}), brief{mail.Deferred, mail.Content, 451, "4.3.0", false, true, false}},
		"554 at DATA":             {final(mailtest.Step{Data: "554 5.6.0 no"}), brief{mail.Refused, mail.Content, 554, "5.6.0", false, true, false}},
		"421 within the text":     {final(mailtest.Step{Text: "421 4.3.2 closing"}), brief{mail.Deferred, mail.Content, 421, "4.3.2", true, true, false}},
		"552 within the text":     {final(mailtest.Step{Text: "552 5.3.4 too much"}), brief{mail.Refused, mail.Content, 552, "5.3.4", false, true, false}},
		"cut before the dot":      {final(mailtest.Step{Cut: mailtest.BeforeDot}), brief{mail.Deferred, mail.Content, 0, "", true, true, false}},
		"cut after the dot":       {final(mailtest.Step{Cut: mailtest.AfterDot}), brief{mail.Ambiguous, mail.Reply, 0, "", true, true, true}},
		"451 after the dot":       {final(mailtest.Step{Dot: "451 4.3.0 later"}), brief{mail.Deferred, mail.Reply, 451, "4.3.0", false, true, true}},
		"421 after the dot":       {final(mailtest.Step{Dot: "421 4.3.2 closing"}), brief{mail.Deferred, mail.Reply, 421, "4.3.2", true, true, true}},
		"550 after the dot":       {final(mailtest.Step{Dot: "550 5.7.1 spam"}), brief{mail.Refused, mail.Reply, 550, "5.7.1", false, true, true}},
		"552 after the dot":       {final(mailtest.Step{Dot: "552 5.2.2 full"}), brief{mail.Refused, mail.Reply, 552, "5.2.2", false, true, true}},
		"nonsense after the dot":  {final(mailtest.Step{Dot: "what?"}), brief{mail.Ambiguous, mail.Reply, 0, "", true, true, true}},
		"354 after the dot":       {final(mailtest.Step{Dot: "354 go on"}), brief{mail.Ambiguous, mail.Reply, 354, "", false, true, true}},
	} {
		t.Run(name, func(t *testing.T) {
			s := mailtest.New(t, c.server)
			r := route(s, mail.StartTLS)
			if c.want.Where == mail.Content {
				r.Look = 5 * time.Second // ends as soon as the peer shows itself
			}
			o, handed := send(t, r)
			dot := false
			for _, m := range s.Ledger() {
				dot = dot || m.Dot
			}
			require.Equal(t, c.want, brief{o.Kind, o.Where, o.Code, o.Enhanced, o.Server, handed, dot}, "%+v", o)
			require.NotEmpty(t, o.Reply)
		})
	}
}

func TestSilentAfterTheDotIsAmbiguous(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{Mails: func(int, string) mailtest.Step { return mailtest.Step{Delay: 150 * time.Millisecond} }})
	r := route(s, mail.StartTLS)
	r.Reply = 50 * time.Millisecond
	o, _ := send(t, r)
	require.Equal(t, mail.Ambiguous, o.Kind)
	require.Equal(t, mail.Reply, o.Where)
}

func TestDeliveryUnderTLSWithLogin(t *testing.T) {
	for _, implicit := range []bool{false, true} {
		s := mailtest.New(t, &mailtest.Server{User: "robot", Password: "p@ss:w/rd", Implicit: implicit})
		mode := mail.StartTLS
		if implicit {
			mode = mail.Implicit
		}
		o, _ := send(t, route(s, mode))
		require.Equal(t, mail.Accepted, o.Kind, "%+v", o)
		got := s.Ledger()[0]
		want, err := sample().Bytes()
		require.NoError(t, err)
		require.Equal(t, string(want), string(got.Raw), "what arrives is what was composed: dots stuffed and unstuffed, RFC 5321 §4.5.2")
		require.Equal(t, mailtest.Mail{Connection: 1, MessageID: sample().MessageID, From: "bounce+token@shop.example", Recipient: "ann@customer.example",
			Dot: true, Accepted: true, Raw: got.Raw, User: "robot", Secure: true}, got)
	}
}

func TestLoginRefused(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{User: "robot", Password: "right"})
	r := route(s, mail.StartTLS)
	r.Password = "wrong"
	o, handed := send(t, r)
	require.Equal(t, brief{mail.Deferred, mail.Login, 535, "5.7.8", true, false, false}, brief{o.Kind, o.Where, o.Code, o.Enhanced, o.Server, handed, false})
	require.Empty(t, s.Ledger())

	r = route(mailtest.New(t, &mailtest.Server{}), mail.StartTLS)
	r.User, r.Password = "robot", "right"
	o, _ = send(t, r)
	require.Equal(t, mail.Login, o.Where, "a server without AUTH")
	require.True(t, o.Server)
}

func TestUnknownCertificateIsNotTrusted(t *testing.T) {
	for mode, implicit := range map[mail.Mode]bool{mail.StartTLS: false, mail.Implicit: true} {
		s := mailtest.New(t, &mailtest.Server{User: "robot", Password: "secret", Implicit: implicit})
		r := route(s, mode)
		r.Roots = nil
		o, handed := send(t, r)
		require.Equal(t, brief{Kind: mail.Deferred, Where: mail.TLS, Server: true}, brief{Kind: o.Kind, Where: o.Where, Server: o.Server, Handed: handed})
		require.Contains(t, o.Reply, "certificate")
		require.Empty(t, s.Ledger())
	}
}

func TestNobodyListens(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{})
	r := route(s, mail.StartTLS)
	s.Close()
	o, handed := send(t, r)
	require.Equal(t, brief{Kind: mail.Deferred, Where: mail.Connect, Server: true}, brief{Kind: o.Kind, Where: o.Where, Server: o.Server, Handed: handed})
	require.Error(t, o.Err)
}

func TestHandingFails(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{})
	c := mail.NewClient(route(s, mail.StartTLS))
	defer func() { require.NoError(t, c.Close()) }()
	broken := errors.New("the ledger cannot be written")
	o := c.Send(t.Context(), sample(), func(context.Context) error { return broken })
	require.Equal(t, mail.Outcome{Kind: mail.Deferred, Where: mail.Handing, Reply: broken.Error(), Err: broken}, o)
	require.False(t, s.Ledger()[0].Dot)
	require.Equal(t, mail.Accepted, c.Send(t.Context(), sample(), nil).Kind, "the next mail goes over the same connection")
	require.Equal(t, 1, s.Connected())
}

func TestMessageThatCannotBeComposed(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{})
	m := sample()
	m.To.Addr = "ann@customer.example> SIZE=1"
	o := mail.NewClient(route(s, mail.StartTLS)).Send(t.Context(), m, nil)
	require.Equal(t, mail.Refused, o.Kind)
	require.Equal(t, mail.Content, o.Where)
	require.Zero(t, s.Connected())
}

func TestConnectionIsKept(t *testing.T) {
	refused := func(n int, _ string) mailtest.Step {
		return [...]mailtest.Step{{}, {Rcpt: "550 5.1.1 nobody"}, {Dot: "451 4.3.0 later"}, {Data: "451 4.3.0 later"}}[n%4]
	}
	s := mailtest.New(t, &mailtest.Server{Mails: refused})
	c := mail.NewClient(route(s, mail.StartTLS))
	accepted := 0
	for range 12 {
		if c.Send(t.Context(), sample(), nil).Kind == mail.Accepted {
			accepted++
		}
	}
	require.NoError(t, c.Close())
	require.Equal(t, 3, accepted)
	require.Equal(t, 1, s.Connected(), "twelve mails, refused and deferred ones among them, over one connection")
}

func TestConnectionIsReplaced(t *testing.T) {
	cutThird := func(n int, _ string) mailtest.Step {
		if n == 3 {
			return mailtest.Step{Cut: mailtest.AfterDot}
		}
		return mailtest.Step{}
	}
	s := mailtest.New(t, &mailtest.Server{Mails: cutThird})
	r := route(s, mail.StartTLS)
	r.PerConnection, r.Idle = 4, time.Second
	c := mail.NewClient(r)
	var kinds []string
	for i := range 9 {
		if i == 8 {
			time.Sleep(1100 * time.Millisecond)
		}
		kinds = append(kinds, c.Send(t.Context(), sample(), nil).Kind.String())
	}
	require.NoError(t, c.Close())
	require.Equal(t, "accepted accepted ambiguous accepted accepted accepted accepted accepted accepted", strings.Join(kinds, " "))
	var conns []int
	for _, m := range s.Ledger() {
		conns = append(conns, m.Connection)
	}
	require.Equal(t, []int{1, 1, 1, 2, 2, 2, 2, 3, 4}, conns, "after an error, after PerConnection mails, after Idle")
}

func TestServerRestartedBetweenMails(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{})
	r := route(s, mail.StartTLS)
	c := mail.NewClient(r)
	require.Equal(t, mail.Accepted, c.Send(t.Context(), sample(), nil).Kind)
	s.Close()
	o := c.Send(t.Context(), sample(), nil)
	require.Equal(t, mail.Deferred, o.Kind, "the kept connection is found dead before anything is handed over")
	require.Equal(t, mail.Connect, o.Where)
}

func TestContextEndsBeforeTheDot(t *testing.T) {
	late := func(int, string) mailtest.Step { return mailtest.Step{Delay: 1500 * time.Millisecond} }
	s := mailtest.New(t, &mailtest.Server{Mails: late})
	c := mail.NewClient(route(s, mail.Plain))
	ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond)
	defer cancel()
	o := c.Send(ctx, sample(), nil)
	require.Equal(t, mail.Deferred, o.Kind, "nothing was handed over: %+v", o)
	require.Equal(t, mail.Recipient, o.Where)

	o = c.Send(ctx, sample(), nil)
	require.Equal(t, mail.Deferred, o.Kind)
	require.ErrorIs(t, o.Err, context.DeadlineExceeded)
	require.Equal(t, 1, s.Connected(), "no connection for a context that has ended")
}

func TestContextEndsAfterTheDot(t *testing.T) {
	late := func(int, string) mailtest.Step { return mailtest.Step{Delay: 300 * time.Millisecond} }
	s := mailtest.New(t, &mailtest.Server{Mails: late})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	c := mail.NewClient(route(s, mail.Plain))
	o := c.Send(ctx, sample(), func(context.Context) error { go cancelAtDot(s, cancel); return nil })
	require.Equal(t, mail.Accepted, o.Kind, "the reply is awaited all the same: %+v", o)
	<-ctx.Done()
}

// cancelAtDot ends a context as soon as the server has the final dot, whose
// reply is still to come.
func cancelAtDot(s *mailtest.Server, cancel context.CancelFunc) {
	for end := time.Now().Add(5 * time.Second); !s.Ledger()[0].Dot && time.Now().Before(end); {
		time.Sleep(5 * time.Millisecond)
	}
	cancel()
}

func TestReplyIsMadeHarmless(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{Mails: func(int, string) mailtest.Step {
		return mailtest.Step{Rcpt: "550-5.1.1 one\x00\x1b[31m\u202e\r\n550 5.1.1 two \xff" + strings.Repeat("x", 500)}
	}})
	o, _ := send(t, route(s, mail.StartTLS))
	require.Equal(t, "5.1.1", o.Enhanced)
	require.True(t, strings.HasPrefix(o.Reply, "5.1.1 one [31m 5.1.1 two ?xxx"), o.Reply)
	require.Len(t, o.Reply, 300)
}

func TestEndlessReplyIsBounded(t *testing.T) {
	s := mailtest.New(t, &mailtest.Server{Connections: func(int) mailtest.Greeting {
		return mailtest.Greeting{Reply: "220-" + strings.Repeat("x", 1<<20)}
	}})
	o, _ := send(t, route(s, mail.StartTLS))
	require.Equal(t, mail.Connect, o.Where)
	require.Contains(t, o.Reply, "more than a reply")
}
