package wire

import (
	"net/http"
	"strconv"
	"strings"

	"drumline/domain"
)

// AnyVersion is what IfMatch gives for "*": the resource must exist, whatever
// its version.
const AnyVersion = domain.AnyVersion

// neverVersion is a version no row has, for tags that cannot match.
const neverVersion int64 = -2

// ETag is the strong entity tag of a row version.
func ETag(version int64) string { return `"` + strconv.FormatInt(version, 10) + `"` }

// GzipSuffix tells the tag of a gzip form from that of the plain one.
const GzipSuffix = "-gzip"

// GzipTag is the tag of the gzip form of what has the strong tag etag.
func GzipTag(etag string) string { return strings.TrimSuffix(etag, `"`) + GzipSuffix + `"` }

// IfMatch reads an If-Match header. A missing header is PreconditionRequired
// (428). A weak tag, or one this service never made, can match nothing and is
// PreconditionFailed (412), as RFC 9110, 13.1.1 demands strong comparison.
// Several tags, or text that is no tag, are Unreadable (400).
func IfMatch(header string) (version int64, err error) {
	switch header = strings.Trim(header, " \t"); {
	case header == "":
		return neverVersion, domain.Errorf(domain.PreconditionRequired, "%s", edgeKinds[http.StatusPreconditionRequired][1])
	case header == "*":
		return AnyVersion, nil
	}
	tag, weak := strings.CutPrefix(header, "W/")
	inner, ok := unquoteTag(tag)
	if !ok {
		return neverVersion, domain.Errorf(domain.Unreadable, "If-Match holds one quoted entity tag, or *.")
	}
	v, err := strconv.ParseInt(inner, 10, 64)
	if weak || err != nil || ETag(v) != tag || v < 0 {
		return neverVersion, domain.Errorf(domain.PreconditionFailed, "%s", edgeKinds[http.StatusPreconditionFailed][1])
	}
	return v, nil
}

// unquoteTag takes the quotes off one opaque tag (RFC 9110, 8.8.3).
func unquoteTag(tag string) (string, bool) {
	if len(tag) < 2 || tag[0] != '"' || tag[len(tag)-1] != '"' {
		return "", false
	}
	inner := tag[1 : len(tag)-1]
	for i := range len(inner) {
		if c := inner[i]; c <= ' ' || c == '"' || c == 0x7f {
			return "", false
		}
	}
	return inner, true
}

// NotModified says whether an If-None-Match header names etag, so that a GET
// is answered with 304. The comparison is the weak one of RFC 9110, 13.1.2.
func NotModified(header, etag string) bool {
	if etag == "" || header == "" {
		return false
	}
	for part := range strings.SplitSeq(header, ",") {
		part = strings.Trim(part, " \t")
		if part == "*" || strings.TrimPrefix(part, "W/") == strings.TrimPrefix(etag, "W/") {
			return true
		}
	}
	return false
}
