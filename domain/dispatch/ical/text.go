package ical

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// MostOctets is the length of a content line without its line break; longer
// ones are folded (RFC 5545 §3.1).
const MostOctets = 75

// Clean is the text a reader of the feed gets back: valid UTF-8 (what is not
// becomes U+FFFD), every kind of line break as \n, tabs kept, all other control
// characters removed. §3.3.11 has no way to write those, and some readers end a
// line at them.
func Clean(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.ReplaceAll(s, "\r\n", "\n")
	return strings.Map(func(r rune) rune {
		switch r {
		case '\n', '\t':
			return r
		case '\r', '\v', '\f', '\u0085', '\u2028', '\u2029':
			return '\n'
		}
		if unicode.IsControl(r) {
			return -1
		}
		return r
	}, s)
}

// escape is a value of type TEXT (§3.3.11).
var escape = strings.NewReplacer(`\`, `\\`, ";", `\;`, ",", `\,`, "\n", `\n`)

type writer struct{ out, line []byte }

// text writes a property whose value is text. Names are constants of this
// package: a name is never made of what somebody typed.
func (w *writer) text(name, value string) { w.raw(name, escape.Replace(Clean(value))) }

func (w *writer) some(name, value string) {
	if Clean(value) != "" {
		w.text(name, value)
	}
}

// raw writes a content line, folded and ended by CRLF.
func (w *writer) raw(name, value string) {
	w.line = append(append(append(w.line[:0], name...), ':'), value...)
	rest, room := w.line, MostOctets
	for len(rest) > room {
		cut := room
		for !utf8.RuneStart(rest[cut]) {
			cut--
		}
		w.out = append(append(w.out, rest[:cut]...), "\r\n "...)
		rest, room = rest[cut:], MostOctets-1 // the blank counts
	}
	w.out = append(append(w.out, rest...), "\r\n"...)
}
