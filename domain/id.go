package domain

import (
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"time"
)

// ID is a UUID. The zero ID means "none". Ids of things are version 7 (RFC
// 9562, 5.7), made by the application, so that new rows lie together in an
// index; secrets are never ids.
type ID [16]byte

// NewID makes a version 7 id for the instant now.
func NewID(now time.Time) ID {
	var id ID
	_, _ = rand.Read(id[:]) // never fails: crypto/rand aborts the program instead
	var ms [8]byte
	binary.BigEndian.PutUint64(ms[:], uint64(now.UnixMilli()))
	copy(id[:6], ms[2:])
	id[6] = id[6]&0x0f | 0x70
	id[8] = id[8]&0x3f | 0x80
	return id
}

// ParseID reads the canonical form: 36 characters, lower case, hyphens. Any
// other spelling is refused, so that a resource has one URL.
func ParseID(s string) (ID, error) {
	var id ID
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return ID{}, Errorf(Unreadable, "An id is 36 characters: lower-case hexadecimal digits and hyphens.")
	}
	digits := s[:8] + s[9:13] + s[14:18] + s[19:23] + s[24:]
	if _, err := hex.Decode(id[:], []byte(digits)); err != nil || id.String() != s {
		return ID{}, Errorf(Unreadable, "An id is 36 characters: lower-case hexadecimal digits and hyphens.")
	}
	return id, nil
}

// IsZero says whether the id is "none".
func (id ID) IsZero() bool { return id == ID{} }

// String gives the canonical form.
func (id ID) String() string {
	h := hex.EncodeToString(id[:])
	return fmt.Sprintf("%s-%s-%s-%s-%s", h[:8], h[8:12], h[12:16], h[16:20], h[20:])
}

// MarshalText gives the canonical form.
func (id ID) MarshalText() ([]byte, error) { return []byte(id.String()), nil }

// UnmarshalText reads the canonical form.
func (id *ID) UnmarshalText(b []byte) error {
	v, err := ParseID(string(b))
	if err != nil {
		return err
	}
	*id = v
	return nil
}
