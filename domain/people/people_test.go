package people

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
)

var at = time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)

// TestValidEmail: RFC 5321, 4.1.2 allows quoted local parts; they are refused
// all the same, as they have smuggled parameters into mail servers.
func TestValidEmail(t *testing.T) {
	for email, want := range map[string]bool{
		"a@b.example": true, "first.last+tag@sub.host.example": true, "ü@bücher.example": true,
		"": false, "a": false, "a@b": false, "@b.example": false, "a@": false, "a@b@c.example": false, `"x> ORCPT=y"@d.example`: false,
		"a b@c.example": false, "a@b.example\r\nBcc: x@y.example": false, "a,b@c.example": false, ".a@b.example": false, "a..b@c.example": false,
		"a@b.example.": false, "<a@b.example>": false, strings.Repeat("x", 65) + "@b.example": false, "a@" + strings.Repeat("x", 250) + ".example": false,
	} {
		require.Equal(t, want, ValidEmail(email), "%q", email)
	}
}

func TestValidZone(t *testing.T) {
	for zone, want := range map[string]bool{"America/Denver": true, "UTC": true, "": false, "Local": false, "Mars/Olympus": false, "../etc/passwd": false} {
		require.Equal(t, want, ValidZone(zone), zone)
	}
}

func TestKeyFileIsMadeOnceAndShared(t *testing.T) {
	file := filepath.Join(t.TempDir(), "deep", "keys.json")
	one, err := LoadKeyring("iss", file, at)
	require.NoError(t, err)
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	two, err := LoadKeyring("iss", file, at.Add(time.Hour))
	require.NoError(t, err)
	p := domain.Principal{Shop: domain.NewID(at), Person: domain.NewID(at), Session: domain.NewID(at), Role: domain.Tech, Epoch: 3}
	token, until, err := one.sign(p, at, 10*time.Minute)
	require.NoError(t, err)
	require.Equal(t, at.Add(10*time.Minute), until)
	got, err := two.Verify(token, at)
	require.NoError(t, err)
	require.Equal(t, p, got)
	require.Equal(t, one.Derive("x"), two.Derive("x"))
	require.NotEqual(t, one.Derive("x"), one.Derive("y"))
	for _, broken := range []string{"", "{}", `{"keys":[{"id":"a","seed":"AA=="}],"secret":"AA=="}`} {
		require.NoError(t, os.WriteFile(file, []byte(broken), 0o600))
		_, err := LoadKeyring("iss", file, at)
		require.ErrorContains(t, err, "key file")
	}
}

// TestVerify holds the checks of RFC 8725, section 3 (JSON Web Token best
// current practices) that concern time, issuer and audience.
func TestVerify(t *testing.T) {
	k := NewKeyring("here", "k1")
	p := domain.Principal{Shop: domain.NewID(at), Person: domain.NewID(at), Session: domain.NewID(at), Role: domain.Owner, Epoch: 1}
	token, _, err := k.sign(p, at, 10*time.Minute)
	require.NoError(t, err)
	for name, c := range map[string]struct {
		k  *Keyring
		at time.Time
		ok bool
	}{
		"fresh":                {k, at, true},
		"29 s past its end":    {k, at.Add(10*time.Minute + 29*time.Second), true},
		"31 s past its end":    {k, at.Add(10*time.Minute + 31*time.Second), false},
		"issued in the future": {k, at.Add(-31 * time.Second), false},
		"another issuer":       {&Keyring{Issuer: "there", keys: k.keys, secret: k.secret}, at, false},
		"another key":          {NewKeyring("here", "k1"), at, false},
		"key rotated out":      {&Keyring{Issuer: "here", keys: NewKeyring("here", "k2").keys, secret: k.secret}, at, false},
		"key rotated, kept":    {&Keyring{Issuer: "here", keys: append(NewKeyring("here", "k2").keys, k.keys...), secret: k.secret}, at, true},
	} {
		got, err := c.k.Verify(token, c.at)
		require.Equal(t, c.ok, err == nil, name)
		if c.ok {
			require.Equal(t, p, got, name)
			continue
		}
		require.Equal(t, domain.Unauthenticated, domain.KindOf(err), name)
	}
}

func TestSecretsFindTheirShop(t *testing.T) {
	shop := domain.NewID(at)
	token := newSecret(shop)
	got, hash, ok := readSecret(token)
	require.True(t, ok)
	require.Equal(t, shop, got)
	require.Len(t, hash, 32)
	require.NotEqual(t, token, newSecret(shop))
	k := NewKeyring("x", "k")
	require.Equal(t, k.successor(shop, token), k.successor(shop, token), "the same again after a lost answer")
	require.NotEqual(t, k.successor(shop, token), NewKeyring("x", "k").successor(shop, token))
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "garbage")
		if id, _, ok := readSecret(s); ok {
			require.False(t, id.IsZero())
			require.Len(t, s, 64)
		}
	})
}

// TestHasher: one answer for a wrong password and for nobody; a weaker hash is
// told to be stale.
func TestHasher(t *testing.T) {
	h := NewWeakHasher()
	phc, err := h.Hash(t.Context(), "a long password")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(phc, "$argon2id$"))
	for _, c := range []struct {
		password, hash string
		ok             bool
	}{{"a long password", phc, true}, {"another", phc, false}, {"a long password", "", false}, {"nobody has this password", "", false}} {
		ok, stale, err := h.Matches(t.Context(), c.password, c.hash)
		require.NoError(t, err)
		require.Equal(t, c.ok, ok)
		require.False(t, stale)
	}
	ok, stale, err := NewHasher().Matches(t.Context(), "a long password", phc)
	require.NoError(t, err)
	require.True(t, ok && stale)
}
