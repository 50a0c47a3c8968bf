package wire

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"net/url"

	"drumline/domain"
)

// Page sizes: what an absent size means, and what a greater one is cut to.
const (
	DefaultPageSize = 50
	MaxPageSize     = 200
)

// maxCursor bounds the text of a cursor in bytes.
const maxCursor = 2048

// PageSize turns the page_size parameter into a number of rows: 0 or absent is
// 50, more than 200 is 200, a negative one is Unreadable (400).
func PageSize(asked int) (int, error) {
	switch {
	case asked < 0:
		return 0, &domain.Error{Kind: domain.Unreadable, Message: "page_size must not be negative.",
			Fields: []domain.FieldError{{Pointer: "page_size", Code: "too_small", Detail: "Least value: 0."}}}
	case asked == 0:
		return DefaultPageSize, nil
	}
	return min(asked, MaxPageSize), nil
}

// Scope is what a cursor is good for: one shop, one route, one filter and one
// order. A cursor opened in another scope is refused.
type Scope struct {
	Shop   domain.ID
	Route  string     // path template with its ids filled in
	Filter url.Values // every parameter that chooses rows; not page_size, not cursor
	Sort   string
}

// Cursors makes and opens page cursors under one key.
type Cursors struct{ key []byte }

// NewCursors takes the key of the cursors, at least 16 bytes; it panics on a
// shorter one, as that is a mistake of the wiring.
func NewCursors(key []byte) *Cursors {
	if len(key) < 16 {
		panic("wire: the key of the cursors has fewer than 16 bytes")
	}
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte("drumline cursor 1")) // the same key may serve elsewhere
	return &Cursors{key: mac.Sum(nil)}
}

// mac authenticates payload in scope; each part is preceded by its length so
// that no two scopes give the same bytes.
func (c *Cursors) mac(s Scope, payload []byte) []byte {
	m := hmac.New(sha256.New, c.key)
	for _, part := range [][]byte{s.Shop[:], []byte(s.Route), []byte(s.Filter.Encode()), []byte(s.Sort), payload} {
		var n [8]byte
		binary.BigEndian.PutUint64(n[:], uint64(len(part)))
		m.Write(n[:])
		m.Write(part)
	}
	return m.Sum(nil)
}

// Seal makes the cursor that continues after the row with the given keyset
// values (any JSON value, usually a struct of sort column and id).
func (c *Cursors) Seal(s Scope, keys any) (string, error) {
	payload, err := Marshal(keys)
	if err != nil {
		return "", domain.Wrap(domain.Internal, err, "cursor")
	}
	return base64.RawURLEncoding.EncodeToString(append(c.mac(s, payload), payload...)), nil
}

// Open checks a cursor against scope and reads its keyset values into keys. A
// cursor that was changed, or belongs to other parameters, is Unreadable (400).
func (c *Cursors) Open(s Scope, cursor string, keys any) error {
	refused := &domain.Error{Kind: domain.Unreadable,
		Message: "The cursor does not belong to this list with these parameters. Start from the first page.",
		Fields:  []domain.FieldError{{Pointer: "cursor", Code: "invalid_cursor", Detail: "Use next_cursor unchanged, with the same parameters."}}}
	if len(cursor) > maxCursor {
		return refused
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(cursor)
	if err != nil || len(raw) < sha256.Size {
		return refused
	}
	payload := raw[sha256.Size:]
	if !hmac.Equal(raw[:sha256.Size], c.mac(s, payload)) || Unmarshal(payload, keys) != nil {
		return refused
	}
	return nil
}

// NextLink is the Link header (RFC 8288) of the next page: path and query of
// this request with the cursor put in. The reference is relative, so that no
// Host header can steer it.
func NextLink(path string, query url.Values, cursor string) string {
	q := url.Values{}
	for name, values := range query {
		q[name] = values
	}
	q.Set("cursor", cursor)
	u := url.URL{Path: path, RawQuery: q.Encode()}
	return "<" + u.String() + `>; rel="next"`
}
