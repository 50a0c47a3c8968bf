package mail

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base32"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"mime"
	netmail "net/mail"
	"net/netip"
	"net/url"
	"regexp"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"
)

// Bounds of a message: what a mail of this service can be at most.
const (
	maxURI  = 900             // octets, so that its header line stays below 998
	maxLine = 998             // octets without CRLF, RFC 5322 §2.1.1
	maxBody = 8 * 1024 * 1024 // octets of text, HTML and attachments together
)

// Attachment is a file sent along, e.g. an iCalendar file. Name is reduced to
// ASCII letters, digits, dot, dash and underscore; Type is a media type.
type Attachment struct {
	Name, Type string
	Body       []byte
}

// Message is one mail to one person.
type Message struct {
	From, ReplyTo, To Address   // ReplyTo may be zero
	EnvelopeFrom      string    // where bounces go; empty: From.Addr
	Subject           string    // any text; made one harmless line
	Text, HTML        string    // HTML may be empty
	MessageID         string    // left@domain, without <>
	Date              time.Time // with the zone it is shown in
	Language          string    // BCP 47, or empty
	UnsubscribeURL    string    // https (http for a loopback host only), or empty; one click (RFC 8058)
	UnsubscribeMailto string    // mailto URI or address as a second way, or empty
	ListID            string    // label.domain without <> (RFC 2919), or empty
	Attachments       []Attachment
}

// MessageID makes a left@domain that is always the same for the same key and
// parts, and tells nothing about them: HMAC-SHA256 in lower-case base32.
func MessageID(key []byte, domain string, parts ...string) string {
	mac := hmac.New(sha256.New, key)
	for _, p := range parts {
		// The length first, so that no two lists of parts run together alike.
		mac.Write(binary.BigEndian.AppendUint64(nil, uint64(len(p))))
		mac.Write([]byte(p))
	}
	left := base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(mac.Sum(nil))
	return strings.ToLower(left) + "@" + domain
}

// Bytes composes the message as RFC 5322 octets with CRLF, ASCII throughout:
// the same octets for the same Message. The error is of kind Invalid when an
// address, identifier or URI breaks a rule; names, subject and bodies may hold
// anything.
func (m Message) Bytes() ([]byte, error) {
	if err := m.check(); err != nil {
		return nil, err
	}
	g := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	m.head(g)
	if err := m.body(g); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if _, err := g.WriteTo(&out); err != nil {
		return nil, fmt.Errorf("compose message %s: %w", m.MessageID, err)
	}
	b := m.settle(out.Bytes())
	return b, fits(b)
}

// check refuses what would make a broken or an unsafe header. Everything that
// goes into a header unencoded passes here.
func (m Message) check() error {
	addrs := []Address{m.From, m.To, {Addr: m.sender()}}
	if m.ReplyTo != (Address{}) {
		addrs = append(addrs, m.ReplyTo)
	}
	for _, a := range addrs {
		if err := a.Check(); err != nil {
			return err
		}
	}
	left, right, _ := strings.Cut(m.MessageID, "@")
	switch {
	case len(m.MessageID) > maxAddr || !dotAtom(left) || !dotAtom(right):
		return invalid("the message id is not left@domain of dot-atoms (RFC 5322 §3.6.4)")
	case m.Date.Year() < 1900 || m.Date.Year() > 9999:
		return invalid("the message has no date from 1900 to 9999 (RFC 5322 §3.3)")
	case m.Language != "" && !languageTag.MatchString(m.Language):
		return invalid("the language of the message is not a BCP 47 tag")
	case m.ListID != "" && (len(m.ListID) > maxAddr || !dotAtom(m.ListID)):
		return invalid("the list id is not label.domain (RFC 2919 §2)")
	}
	if err := m.checkUnsubscribe(); err != nil {
		return err
	}
	return m.checkSize()
}

var languageTag = regexp.MustCompile(`^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8}){0,8}$`)

func (m Message) checkUnsubscribe() error {
	if m.UnsubscribeURL != "" {
		u, err := url.Parse(m.UnsubscribeURL)
		if err != nil || !uri(m.UnsubscribeURL) || u.Host == "" || u.User != nil || (u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname()))) {
			return invalid("the unsubscribe address is not an https URI of printable ASCII (RFC 8058 §3.1)")
		}
	}
	if m.UnsubscribeMailto == "" {
		return nil
	}
	addr, _, _ := strings.Cut(strings.TrimPrefix(m.UnsubscribeMailto, "mailto:"), "?")
	if (Address{Addr: addr}).Check() != nil || !uri(m.UnsubscribeMailto) {
		return invalid("the second unsubscribe address is not a mailto URI")
	}
	return nil
}

func (m Message) checkSize() error {
	n := len(m.Text) + len(m.HTML)
	for _, a := range m.Attachments {
		n += len(a.Body)
		if _, _, err := mime.ParseMediaType(a.Type); err != nil || len(a.Type) > maxPhrase || !ascii(a.Type) {
			return invalid("the type of an attachment is not a media type")
		}
	}
	if n > maxBody {
		return invalid("the message is larger than %d MiB", maxBody>>20)
	}
	return nil
}

// uri tells whether s can stand between the angle brackets of RFC 2369 §2:
// printable ASCII without brackets, spaces, commas and quotes.
func uri(s string) bool {
	return len(s) <= maxURI && ascii(s) && !strings.ContainsAny(s, " <>,\"\\`^{|}") && !strings.Contains(s, "=?")
}

func ascii(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' })
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

func (m Message) sender() string {
	if m.EnvelopeFrom != "" {
		return m.EnvelopeFrom
	}
	return m.From.Addr
}

// head sets the header. Names of fields are constants: the library writes them
// as they come.
func (m Message) head(g *gomail.Msg) {
	g.SetAddrHeaderFromMailAddress(gomail.HeaderFrom, m.From.write())
	g.SetAddrHeaderFromMailAddress(gomail.HeaderTo, m.To.write())
	if m.ReplyTo != (Address{}) {
		g.SetAddrHeaderFromMailAddress(gomail.HeaderReplyTo, m.ReplyTo.write())
	}
	g.SetGenHeader(gomail.HeaderSubject, phrase(m.Subject))
	g.SetMessageIDWithValue(m.MessageID)
	g.SetDateWithValue(m.Date)
	g.SetGenHeader("Auto-Submitted", "auto-generated")
	if m.Language != "" {
		g.SetGenHeader(gomail.HeaderContentLang, m.Language)
	}
	if m.ListID != "" {
		g.SetGenHeader("List-ID", "<"+m.ListID+">")
	}
	m.unsubscribe(g)
}

// unsubscribe sets the fields of RFC 2369 §3.2 and RFC 8058 §3.1. They are set
// as ordinary fields because the library writes preformatted ones in no order.
func (m Message) unsubscribe(g *gomail.Msg) {
	var ways []string
	if m.UnsubscribeURL != "" {
		ways = append(ways, "<"+m.UnsubscribeURL+">")
		g.SetGenHeader(gomail.HeaderListUnsubscribePost, "List-Unsubscribe=One-Click")
	}
	if m.UnsubscribeMailto != "" {
		ways = append(ways, "<mailto:"+strings.TrimPrefix(m.UnsubscribeMailto, "mailto:")+">")
	}
	if len(ways) > 0 {
		g.SetGenHeader(gomail.HeaderListUnsubscribe, ways...)
	}
}

// write gives the library the name made harmless. A backslash becomes a slash:
// net/mail leaves it bare in an encoded word, where RFC 2047 §5 (3) forbids it
// and readers then refuse the address.
func (a Address) write() *netmail.Address {
	return &netmail.Address{Name: strings.ReplaceAll(phrase(a.Name), `\`, "/"), Address: a.Addr}
}

func (m Message) body(g *gomail.Msg) error {
	g.SetBodyString(gomail.TypeTextPlain, plain(m.Text))
	if m.HTML != "" {
		g.AddAlternativeString(gomail.TypeTextHTML, plain(m.HTML))
	}
	for _, a := range m.Attachments {
		typ := gomail.WithFileContentType(gomail.ContentType(a.Type))
		if err := g.AttachReader(fileName(a.Name), bytes.NewReader(a.Body), typ); err != nil {
			return fmt.Errorf("attach %s to message %s: %w", fileName(a.Name), m.MessageID, err)
		}
	}
	return nil
}

// fileName keeps what is safe on every system; it is never empty or hidden.
func fileName(s string) string {
	s = strings.Map(func(r rune) rune {
		if alnum(r) || r == '.' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, s)
	s = strings.TrimLeft(s, ".")
	if len(s) > maxLocal {
		s = s[len(s)-maxLocal:]
	}
	if s == "" {
		return "attachment"
	}
	return s
}

var drawn = regexp.MustCompile(`boundary=([0-9a-f]{60})\r\n`)

// settle replaces the boundaries the library drew by ones derived from the
// message id. They begin with =_, which occurs in no quoted-printable or
// base64 body (RFC 2045 §6.7), so no text can end a part.
func (m Message) settle(b []byte) []byte {
	for i, found := range drawn.FindAllSubmatch(b, -1) {
		sum := sha256.Sum256(fmt.Appendf(nil, "%d %s", i, m.MessageID))
		fixed := "=_" + hex.EncodeToString(sum[:16])
		b = bytes.ReplaceAll(b, []byte("boundary="+string(found[1])), []byte(`boundary="`+fixed+`"`))
		b = bytes.ReplaceAll(b, []byte("--"+string(found[1])), []byte("--"+fixed))
	}
	return b
}

// fits is the last check before anything is sent: ASCII, CRLF only, no line
// beyond the limit. It fails only if the code above is wrong.
func fits(b []byte) error {
	for line := range bytes.SplitSeq(b, []byte("\r\n")) {
		if len(line) > maxLine || bytes.ContainsFunc(line, func(r rune) bool { return (r < ' ' && r != '\t') || r > '~' }) {
			return fmt.Errorf("composed message has a line of %d octets that may not be sent", len(line))
		}
	}
	return nil
}
