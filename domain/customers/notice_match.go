package customers

import "strings"

// What must still be read off a nameplate before a notice can be ruled in or
// out for a unit.
const (
	ReadMaker  = "maker"
	ReadModel  = "model"
	ReadSerial = "serial"
)

// Nameplate is what is on record of a unit's nameplate; any text may be empty.
type Nameplate struct {
	Kind   string // of the catalogue
	Maker  string
	Model  string
	Serial string
}

// Nameplate is what is on record of the unit's.
func (v Unit) Nameplate() Nameplate { return Nameplate{v.Kind, v.Maker, v.Model, v.Serial} }

// SerialNorm is a serial number as it is compared: capitals and digits only.
func SerialNorm(serial string) string { return ModelNorm(serial) }

// Concerns says whether the notice touches a unit with this nameplate, and
// what must still be read to be certain of it. A unit that cannot be ruled out
// is concerned. Texts are compared by their capitals and digits alone.
//
// The kind is the same. The model is the notice's, or begins with it when the
// notice's ends with *; one on record that is only the beginning of the
// notice's, or none, cannot be ruled out. Another maker alone does not rule a
// unit out when the model fits, as one factory makes for many names; with a
// model that is still to be read it does. The serial number: MatchSerial.
func (n Notice) Concerns(u Nameplate) (toRead []string, concerned bool) {
	maker := makersDiffer(n.Maker, u.Maker)
	full, begun := modelFits(n.Model, u.Model)
	serial := MatchSerial(u.Serial, n.SerialFrom, n.SerialTo)
	if n.Kind != u.Kind || !full && !begun || !full && maker || serial == SerialOutside {
		return nil, false
	}
	if maker {
		toRead = append(toRead, ReadMaker)
	}
	if !full {
		toRead = append(toRead, ReadModel)
	}
	if serial == SerialUnread {
		toRead = append(toRead, ReadSerial)
	}
	return toRead, true
}

// modelFits compares a notice's model with a unit's: full when it is the one,
// begun when the unit's may be its beginning.
func modelFits(notice, unit string) (full, begun bool) {
	n, u := ModelNorm(notice), ModelNorm(unit)
	full = n == u || strings.HasSuffix(notice, "*") && strings.HasPrefix(u, n)
	return full, strings.HasPrefix(n, u)
}

// makersDiffer says whether both are named and neither begins like the other.
func makersDiffer(a, b string) bool {
	a, b = ModelNorm(a), ModelNorm(b)
	return a != "" && b != "" && !strings.HasPrefix(a, b) && !strings.HasPrefix(b, a)
}

// SerialMatch is how a serial number stands to a range.
type SerialMatch int

// How a serial number stands to a range.
const (
	SerialOutside SerialMatch = iota
	SerialInside
	SerialUnread // cannot be told: read the nameplate
)

// MatchSerial compares a serial number with the range from first to last, both
// within; an empty bound leaves its side open, and a range without bounds holds
// every number. Numbers are compared by their capitals and digits, the shorter
// before the longer, then as text.
//
// A number is compared only when it is built like a bound: as long as one, and
// with a letter where the bounds of that length have letters and a digit where
// they have digits. Another one, or none, is SerialUnread and never outside: it
// may be written down wrongly, or counted in another way.
func MatchSerial(serial, first, last string) SerialMatch {
	s, from, to := SerialNorm(serial), SerialNorm(first), SerialNorm(last)
	switch {
	case from == "" && to == "":
		return SerialInside
	case !builtLike(s, from, to):
		return SerialUnread
	case from != "" && serialLess(s, from), to != "" && serialLess(to, s):
		return SerialOutside
	}
	return SerialInside
}

func serialLess(a, b string) bool {
	if len(a) != len(b) {
		return len(a) < len(b)
	}
	return a < b
}

// builtLike says whether s has the form of the bounds of its own length.
func builtLike(s string, bounds ...string) bool {
	var same []string
	for _, b := range bounds {
		if b != "" && len(b) == len(s) {
			same = append(same, b)
		}
	}
	for i := range len(s) {
		digits := 0
		for _, b := range same {
			if isDigit(b[i]) {
				digits++
			}
		}
		if digits == len(same) && !isDigit(s[i]) || digits == 0 && isDigit(s[i]) {
			return false
		}
	}
	return len(same) > 0
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
