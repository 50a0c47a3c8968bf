package mail

import (
	"bufio"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"net/textproto"
	"regexp"
	"strings"
)

// Bounds of a report: whoever knows the address can send one.
const (
	maxReport     = 1 << 20 // octets read of a report
	maxParts      = 16
	maxPart       = 256 * 1024 // octets read of one part
	maxRecipients = 16
)

// ErrNotReport is what ParseBounce gives for a mail that is no delivery status
// notification: an answer of a person, a notice of absence, noise.
var ErrNotReport = errors.New("not a delivery status notification")

// Bounce is what a delivery status notification says (RFC 3464). Anybody can
// write one: act on it only if the token within EnvelopeTo is one given out.
type Bounce struct {
	EnvelopeTo string // the address the report was sent to, which carries the sender's token
	Recipient  string // who was not reached; the original address where the report tells it
	Status     string // RFC 3463, e.g. 5.1.1
	Diagnostic string // what the far server said: printable, at most 300 characters
	Permanent  bool   // given up, with a status of class 5
	MessageID  string // of the mail that was not delivered, without <>; empty if not returned
}

// ParseBounce reads a delivery status notification of at most 1 MiB. Of several
// recipients it gives the first given up for good, else the first given up,
// else the first. The error
// is ErrNotReport, or says what is broken in a mail that claims to be a report.
func ParseBounce(r io.Reader) (Bounce, error) {
	m, err := netmail.ReadMessage(io.LimitReader(r, maxReport))
	if err != nil {
		return Bounce{}, fmt.Errorf("%w: %w", ErrNotReport, err)
	}
	typ, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || typ != "multipart/report" || !strings.EqualFold(params["report-type"], "delivery-status") {
		return Bounce{}, ErrNotReport
	}
	b := Bounce{EnvelopeTo: reportedTo(m.Header)}
	if err := b.parts(multipart.NewReader(m.Body, params["boundary"])); err != nil {
		return Bounce{}, fmt.Errorf("delivery status notification to %q: %w", b.EnvelopeTo, err)
	}
	return b, nil
}

// reportedTo is the address a report came to: of those its header names, the
// first with a + in it, else the first.
func reportedTo(h netmail.Header) string {
	first := ""
	for _, field := range []string{"X-Original-To", "Delivered-To", "To"} {
		for _, value := range h[textproto.CanonicalMIMEHeaderKey(field)] {
			addr := bare(value)
			if strings.Contains(addr, "+") {
				return addr
			}
			if first == "" {
				first = addr
			}
		}
	}
	return first
}

// bare is the one address of a field, or empty.
func bare(field string) string {
	a, err := netmail.ParseAddress(field)
	if err != nil {
		return ""
	}
	addr, err := ParseAddr(a.Address)
	if err != nil {
		return ""
	}
	return addr
}

// parts reads the parts of RFC 3464 §2: a text for people, the status, and
// optionally the mail returned or its header.
func (b *Bounce) parts(mr *multipart.Reader) error {
	found := false
	for range maxParts {
		p, err := mr.NextRawPart()
		if err != nil {
			break
		}
		typ, _, _ := mime.ParseMediaType(p.Header.Get("Content-Type"))
		body := bufio.NewReader(io.LimitReader(undone(p), maxPart))
		switch typ {
		case "message/delivery-status", "message/global-delivery-status":
			found = b.status(textproto.NewReader(body)) || found
		case "message/rfc822", "message/global", "text/rfc822-headers", "message/global-headers":
			b.returned(textproto.NewReader(body))
		}
	}
	if !found {
		return errors.New("no recipient with a status in it")
	}
	return nil
}

// undone reads a part without its transfer encoding.
func undone(p *multipart.Part) io.Reader {
	switch strings.ToLower(strings.TrimSpace(p.Header.Get("Content-Transfer-Encoding"))) {
	case "quoted-printable":
		return quotedprintable.NewReader(p)
	case "base64":
		return base64.NewDecoder(base64.StdEncoding, p)
	}
	return p
}

var statusCode = regexp.MustCompile(`^([245])\.\d{1,3}\.\d{1,3}\b`)

// status reads the groups of fields: one about the message, then one for each
// recipient (RFC 3464 §2.1). It tells whether there was one with a status.
func (b *Bounce) status(r *textproto.Reader) bool {
	taken := 0
	for range maxRecipients {
		h, err := r.ReadMIMEHeader()
		if code := statusCode.FindString(uncommented(h.Get("Status"))); weight(h, code) > taken {
			taken = weight(h, code)
			b.recipient(h, code)
		}
		if err != nil {
			break
		}
	}
	return taken > 0
}

// weight orders recipients: given up for good, given up, anything else with a
// status, nothing.
func weight(h textproto.MIMEHeader, code string) int {
	gaveUp := strings.EqualFold(uncommented(h.Get("Action")), "failed")
	switch {
	case code == "":
		return 0
	case !gaveUp:
		return 1
	case code[0] != '5':
		return 2
	}
	return final
}

const final = 3

func (b *Bounce) recipient(h textproto.MIMEHeader, code string) {
	b.Recipient = typed(h.Get("Original-Recipient"))
	if b.Recipient == "" {
		b.Recipient = typed(h.Get("Final-Recipient"))
	}
	_, said, ok := strings.Cut(h.Get("Diagnostic-Code"), ";")
	if !ok {
		said = h.Get("Diagnostic-Code")
	}
	b.Status, b.Diagnostic = code, printable(said)
	b.Permanent = weight(h, code) == final
}

// uncommented is a field's value before a comment (RFC 5322 §3.2.2).
func uncommented(s string) string {
	s, _, _ = strings.Cut(s, "(")
	return strings.TrimSpace(s)
}

// typed is the address of "rfc822; address" (RFC 3464 §2.1.2), or empty.
func typed(field string) string {
	typ, addr, _ := strings.Cut(field, ";")
	if t := strings.TrimSpace(typ); !strings.EqualFold(t, "rfc822") && !strings.EqualFold(t, "utf-8") {
		return ""
	}
	return bare(strings.TrimSpace(addr))
}

// returned finds which mail it was.
func (b *Bounce) returned(r *textproto.Reader) {
	h, _ := r.ReadMIMEHeader()
	id := strings.TrimSpace(h.Get("Message-ID"))
	id = strings.TrimSuffix(strings.TrimPrefix(id, "<"), ">")
	left, right, _ := strings.Cut(id, "@")
	if b.MessageID == "" && len(id) <= maxAddr && dotAtom(left) && dotAtom(right) {
		b.MessageID = id
	}
}
