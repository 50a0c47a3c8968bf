package figure

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// maxLabel is how many characters of a label are kept at all.
const maxLabel = 120

const ellipsis = "…"

// clean makes a label fit for XML and for one line: white space is single
// blanks; control characters, and those that turn the direction of what
// follows, are dropped.
func clean(s string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		case unicode.In(r, unicode.Cc, unicode.Cf, unicode.Co, unicode.Cs), r == 0xFFFE, r == 0xFFFF:
		default:
			b.WriteRune(r)
		}
	}
	return cutRunes(strings.Join(strings.Fields(b.String()), " "), maxLabel)
}

func cutRunes(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return strings.TrimRight(string([]rune(s)[:n-1]), " ") + ellipsis
}

// fit cuts a text to a width.
func fit(sty draw.TextStyle, s string, width vg.Length) string {
	if sty.Width(s) <= width {
		return s
	}
	n := utf8.RuneCountInString(s)
	for n > 1 && sty.Width(cutRunes(s, n)) > width {
		n--
	}
	return cutRunes(s, n)
}

// wrap breaks a text into at most so many lines of a width; the rest is cut.
func wrap(sty draw.TextStyle, s string, width vg.Length, most int) []string {
	var lines []string
	words := strings.Fields(s)
	for len(words) > 0 && len(lines) < most-1 {
		n := 1
		for n < len(words) && sty.Width(strings.Join(words[:n+1], " ")) <= width {
			n++
		}
		lines = append(lines, fit(sty, strings.Join(words[:n], " "), width))
		words = words[n:]
	}
	if len(words) > 0 {
		lines = append(lines, fit(sty, strings.Join(words, " "), width))
	}
	return lines
}

// figures writes a number with four significant digits, whole ones in full.
func figures(x float64) string {
	if x == float64(int64(x)) {
		return strconv.FormatInt(int64(x), 10)
	}
	digits := 4
	if x >= 1000 || x <= -1000 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'g', digits, 64)
}

// percent writes a share.
func percent(x float64) string {
	return strconv.FormatFloat(x*100, 'g', 4, 64) + " %"
}

// limitsName names the limits by their level.
func limitsName(level float64) string {
	if !(level > 0 && level < 1) {
		return "limits"
	}
	return percent(level) + " limits"
}

// plural writes a count with its noun.
func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}
