package mail

import (
	"errors"
	"io"
	"net/textproto"
	"regexp"
	"strings"
	"unicode"
)

// Kind says what is known about a mail after Send.
type Kind uint8

// The kinds. None of them is the zero value.
const (
	Accepted  Kind = iota + 1 // the server took the mail
	Refused                   // for good: this mail to this recipient is never tried again
	Deferred                  // nothing was handed over; may be tried again
	Ambiguous                 // the final dot was or may have been sent and no reply to it was read
)

// String names the kind for ledgers and logs.
func (k Kind) String() string {
	return [...]string{"", "accepted", "refused", "deferred", "ambiguous"}[k]
}

// Stage is the step of a delivery at which it ended.
type Stage uint8

// The stages in their order.
const (
	Connect   Stage = iota + 1 // connection, greeting, EHLO
	TLS                        // STARTTLS, handshake, certificate
	Login                      // AUTH
	Sender                     // MAIL FROM
	Recipient                  // RCPT TO
	Handing                    // the caller's handing function
	Content                    // composing, DATA, and the text up to the dot
	Reply                      // the final dot and what was said to it
)

// String names the stage for ledgers and logs.
func (s Stage) String() string {
	return [...]string{"", "connect", "tls", "login", "sender", "recipient", "handing", "content", "reply"}[s]
}

// Outcome is what became of one mail.
type Outcome struct {
	Kind     Kind
	Code     int    // the server's reply code, 0 when it said nothing
	Enhanced string // its enhanced code, e.g. 5.1.1 (RFC 3463), or empty
	Reply    string // what was said or what failed: printable, at most 300 characters
	Where    Stage
	Server   bool  // the trouble is the server's, the route's or our sender's, not this recipient's
	Err      error // what failed on our side, for errors.Is; nil when the server spoke
}

const maxReply = 300

var enhanced = regexp.MustCompile(`^([245]\.\d{1,3}\.\d{1,3})(?:\s|$)`)

// said makes an Outcome of a reply.
func said(kind Kind, where Stage, code int, text string) Outcome {
	o := Outcome{Kind: kind, Code: code, Reply: printable(text), Where: where, Server: code == 421}
	if m := enhanced.FindStringSubmatch(o.Reply); m != nil {
		o.Enhanced = m[1]
	}
	return o
}

// failed makes an Outcome of an error at a stage. Up to the recipient a 5xx
// speaks of us or the route, from the recipient on of this mail: only that is
// final.
func failed(where Stage, err error) Outcome {
	var spoke *textproto.Error
	if !errors.As(err, &spoke) {
		return Outcome{Kind: Deferred, Reply: inWords(err), Where: where, Server: true, Err: err}
	}
	kind := Deferred
	if spoke.Code >= 500 && where >= Recipient {
		kind = Refused
	}
	o := said(kind, where, spoke.Code, spoke.Msg)
	o.Server = o.Server || where < Sender || where == Sender && spoke.Code >= 500
	return o
}

// inWords is an error for people: the bare EOF of a closed connection tells
// them nothing.
func inWords(err error) string {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return "the server closed the connection"
	}
	return printable(err.Error())
}

// printable keeps one line of what a server said.
func printable(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, strings.ToValidUTF8(s, "?"))
	r := []rune(strings.Join(strings.Fields(s), " "))
	return string(r[:min(len(r), maxReply)])
}
