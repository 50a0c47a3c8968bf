package wire

import (
	"strconv"
	"strings"
)

// maxPointer bounds how much of the names a client sent goes back to it.
const maxPointer = 256

func itoa(n int64) string { return strconv.FormatInt(n, 10) }

// escapePointer escapes one reference token (RFC 6901, section 3).
func escapePointer(token string) string {
	return strings.ReplaceAll(strings.ReplaceAll(token, "~", "~0"), "/", "~1")
}

// boundPointer cuts a pointer that is too long at its deepest short parent.
func boundPointer(p string) string {
	for len(p) > maxPointer {
		p = p[:strings.LastIndexByte(p, '/')]
	}
	return p
}

// splitLocation takes huma's "body.items[3].name" apart into the place and the
// pointer "/items/3/name".
func splitLocation(loc string) (in, pointer string) {
	in, rest, _ := strings.Cut(loc, ".")
	if i := strings.IndexByte(in, '['); i >= 0 {
		in, rest = loc[:i], loc[i:]
	}
	if in != "body" { // a parameter name may hold dots and is one token
		return in, boundPointer("/" + escapePointer(rest))
	}
	var b strings.Builder
	for part := range strings.SplitSeq(rest, ".") {
		writeTokens(&b, part)
	}
	return in, boundPointer(b.String())
}

// writeTokens writes name[1][2] as /name/1/2.
func writeTokens(b *strings.Builder, part string) {
	name, indexes, found := strings.Cut(part, "[")
	if name != "" {
		b.WriteString("/" + escapePointer(name))
	}
	if !found {
		return
	}
	for index := range strings.SplitSeq(strings.TrimSuffix(indexes, "]"), "][") {
		b.WriteString("/" + escapePointer(index))
	}
}
