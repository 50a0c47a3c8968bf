// Package mail composes messages to one person each, hands them to a mail
// server with an outcome that says what is known, and reads the reports that
// come back. It knows nothing of what the messages are about.
package mail

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"drumline/domain"
)

// The longest address and local part, octets (RFC 5321 §4.5.3.1.1, §4.5.3.1.3
// less the brackets), and the longest label of a domain (RFC 1035 §2.3.4).
const (
	maxAddr  = 254
	maxLocal = 64
	maxLabel = 63
)

// maxPhrase is how many characters of a name or subject are sent; the rest is
// cut with an ellipsis. It keeps every header line far below 998 octets.
const maxPhrase = 200

// Address is a mailbox: a name for people, which may hold anything and is made
// harmless when it is written, and an address, which must pass Check.
type Address struct{ Name, Addr string }

// Check says whether Addr is one this package sends to: see ParseAddr.
func (a Address) Check() error {
	addr, err := ParseAddr(a.Addr)
	if err == nil && addr != a.Addr {
		return invalid("the e-mail address has spaces around it")
	}
	return err
}

// ParseAddr gives the address without surrounding spaces. Accepted is a
// dot-atom of ASCII letters, digits and signs, @, and a domain name with a dot
// (RFC 5321 §4.1.2 without quoted strings and address literals). Quotes,
// spaces, angle brackets and control characters are thus never part of one.
// The error is of kind Invalid and does not repeat the address.
func ParseAddr(addr string) (string, error) {
	addr = strings.Trim(addr, " \t\r\n")
	local, host, ok := strings.Cut(addr, "@")
	switch {
	case addr == "":
		return "", invalid("the e-mail address is empty")
	case len(addr) > maxAddr || len(local) > maxLocal:
		return "", invalid("the e-mail address is too long")
	case !ok:
		return "", invalid("the e-mail address has no @")
	case !dotAtom(local):
		return "", invalid("the part of the e-mail address before the @ may hold ASCII letters, digits, single dots and !#$%%&'*+-/=?^_`{|}~ only")
	case !hostName(host):
		return "", invalid("the part of the e-mail address after the @ is not a domain name such as example.org (letters beyond ASCII in their xn-- form)")
	}
	return addr, nil
}

func invalid(format string, args ...any) error { return domain.Errorf(domain.Invalid, format, args...) }

// dotAtom tells whether s is a dot-atom-text (RFC 5322 §3.2.3).
func dotAtom(s string) bool {
	for atom := range strings.SplitSeq(s, ".") {
		if atom == "" || strings.ContainsFunc(atom, func(r rune) bool { return !alnum(r) && !strings.ContainsRune("!#$%&'*+-/=?^_`{|}~", r) }) {
			return false
		}
	}
	return true
}

// hostName tells whether s is a domain of at least two labels, the last of
// them not a number (RFC 1123 §2.1).
func hostName(s string) bool {
	labels := strings.Split(s, ".")
	for _, l := range labels {
		if l == "" || len(l) > maxLabel || l[0] == '-' || l[len(l)-1] == '-' ||
			strings.ContainsFunc(l, func(r rune) bool { return !alnum(r) && r != '-' }) {
			return false
		}
	}
	last := labels[len(labels)-1]
	return len(labels) > 1 && strings.ContainsFunc(last, func(r rune) bool { return r < '0' || r > '9' })
}

func alnum(r rune) bool {
	return r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
}

// phrase makes text fit for one header: valid UTF-8, one line, no control,
// direction or other invisible format characters, single spaces, at most
// maxPhrase characters, and nothing a reader would decode as an encoded word.
func phrase(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) || unicode.IsControl(r):
			return ' '
		case unicode.Is(unicode.Cf, r) && r != joiner:
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	s = strings.Join(strings.Fields(strings.ReplaceAll(s, "=?", "= ?")), " ")
	if utf8.RuneCountInString(s) > maxPhrase {
		s = string([]rune(s)[:maxPhrase-1]) + "…"
	}
	return s
}

// joiner is the zero width joiner, which emoji of several parts need.
const joiner = '\u200D'

// plain makes text fit for a body: valid UTF-8, lines ended by LF, no control
// characters but tab.
func plain(s string) string {
	s = strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.ToValidUTF8(s, "\uFFFD"))
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return -1
		}
		return r
	}, s)
}
