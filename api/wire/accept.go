package wire

import (
	"mime"
	"strconv"
	"strings"
)

// Choose picks the offer an Accept header likes best: by quality, then by the
// order of offers. An empty header takes the first offer. ok is false when the
// header excludes them all (answer 406). Offers are lower-case types without
// parameters. Say Vary: Accept where there is more than one.
func Choose(accept string, offers ...string) (offer string, ok bool) {
	if strings.Trim(accept, " \t,") == "" {
		return offers[0], true
	}
	ranges := parseAccept(accept)
	best := 0.0
	for _, o := range offers {
		if q := quality(ranges, o); q > best {
			best, offer = q, o
		}
	}
	return offer, best > 0
}

// mediaRange is one element of an Accept header.
type mediaRange struct {
	kind string
	q    float64
}

// parseAccept reads an Accept header; elements that are malformed, or ask for
// parameters other than charset=utf-8, match nothing and are left out.
func parseAccept(header string) []mediaRange {
	var out []mediaRange
	for part := range strings.SplitSeq(header, ",") {
		kind, params, err := mime.ParseMediaType(strings.Trim(part, " \t"))
		if err != nil {
			continue
		}
		q, ok := parseQuality(params)
		if ok {
			out = append(out, mediaRange{kind, q})
		}
	}
	return out
}

func parseQuality(params map[string]string) (q float64, ok bool) {
	q = 1
	for name, value := range params {
		switch name {
		case "q":
			f, err := strconv.ParseFloat(value, 64)
			if err != nil || !(f >= 0 && f <= 1) {
				return 0, false
			}
			q = f
		case "charset":
			if !strings.EqualFold(value, "utf-8") {
				return 0, false
			}
		default:
			return 0, false
		}
	}
	return q, true
}

// quality is that of the most specific range that covers offer (RFC 9110,
// 12.5.1); 0 when none does.
func quality(ranges []mediaRange, offer string) float64 {
	major, _, _ := strings.Cut(offer, "/")
	q, depth := 0.0, 0
	for _, r := range ranges {
		d := 0
		switch r.kind {
		case offer:
			d = 3
		case major + "/*":
			d = 2
		case "*/*":
			d = 1
		}
		if d > depth {
			q, depth = r.q, d
		}
	}
	return q
}
