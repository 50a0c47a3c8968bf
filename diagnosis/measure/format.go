package measure

import (
	"math"
	"strconv"
	"strings"
)

// Symbol is what a tech would write for the UCUM unit of q, e.g. "°F" for
// [degF] and "cfm" for [cft_i]/min; the code itself when it is not known.
func Symbol(unit string, q Quantity) string {
	if u, ok := find(unit, q); ok {
		return u.symbol
	}
	return unit
}

// Format writes si for a sentence, in the UCUM unit and with the symbol a tech
// would write: "152 °F", "5.4 kΩ". u is the standard uncertainty in SI, zero
// when it is not known. Three significant digits are always kept so that the
// tech knows the figure again (whole degrees for a temperature), more only
// when u is that small. A unit of another quantity falls back to SI.
func Format(si float64, unit string, q Quantity, u float64) string {
	if !finite(si) {
		return "no value"
	}
	un, ok := find(unit, q)
	if !ok {
		if un, ok = find(SIUnit(q), q); !ok {
			return number(si, 3)
		}
	}
	v := si/un.factor - un.shift
	return join(number(v, decimals(v, u/un.factor, q)), un.symbol)
}

// join sets a space between number and symbol, but none before % and °.
func join(number, symbol string) string {
	switch symbol {
	case "":
		return number
	case "%", "°":
		return number + symbol
	}
	return number + " " + symbol
}

// decimals is how many decimals are worth showing, 0 to 12.
func decimals(v, u float64, q Quantity) int {
	d := 0
	if q != Temperature && v != 0 {
		d = 2 - magnitude(v)
	}
	if u > 0 && finite(u) {
		d = max(d, min(-magnitude(u), 4-magnitude(v)))
	}
	return min(max(d, 0), 12)
}

// magnitude is the power of ten of the first digit.
func magnitude(v float64) int {
	if v == 0 || !finite(v) {
		return 0
	}
	return int(math.Floor(math.Log10(math.Abs(v))))
}

// number writes v with at most d decimals, without trailing zeros, thousands
// set apart from 10,000 up.
func number(v float64, d int) string {
	if math.Abs(v) >= 1e15 {
		return strconv.FormatFloat(v, 'g', 3, 64)
	}
	s := strconv.FormatFloat(v, 'f', d, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return group(s)
}

func group(s string) string {
	sign, rest := "", s
	if strings.HasPrefix(s, "-") {
		sign, rest = "-", s[1:]
	}
	whole, frac, dotted := strings.Cut(rest, ".")
	if len(whole) >= 5 {
		for i := len(whole) - 3; i > 0; i -= 3 {
			whole = whole[:i] + "," + whole[i:]
		}
	}
	if dotted {
		whole += "." + frac
	}
	return sign + whole
}
