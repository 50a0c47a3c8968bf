package wire

import (
	"strings"

	"drumline/domain"
)

// maxKey is the greatest length of an idempotency key in characters.
const maxKey = 255

// IdempotencyKey reads an Idempotency-Key header: a quoted string of
// structured fields (RFC 9651, 3.3.3), or the same text without quotes. The key
// is 1 to 255 visible ASCII characters. Missing or malformed is Unreadable.
func IdempotencyKey(header string) (string, error) {
	key := strings.Trim(header, " \t")
	if key == "" {
		return "", domain.Errorf(domain.Unreadable, "Send an Idempotency-Key header, so that a repeated request is done once.")
	}
	ok := true
	if strings.HasPrefix(key, `"`) {
		key, ok = unquoteString(key)
	}
	if !ok || len(key) < 1 || len(key) > maxKey || strings.IndexFunc(key, notVisible) >= 0 {
		return "", domain.Errorf(domain.Unreadable, "An Idempotency-Key is 1 to %d visible ASCII characters.", maxKey)
	}
	return key, nil
}

func notVisible(r rune) bool { return r <= ' ' || r > '~' }

// unquoteString takes quotes and escapes off a structured-field string.
func unquoteString(s string) (string, bool) {
	var b strings.Builder
	for i := 1; i < len(s); i++ {
		switch c := s[i]; c {
		case '"':
			return b.String(), i == len(s)-1
		case '\\':
			i++
			if i == len(s) || s[i] != '"' && s[i] != '\\' {
				return "", false
			}
			b.WriteByte(s[i])
		default:
			b.WriteByte(c)
		}
	}
	return "", false
}
