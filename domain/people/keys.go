package people

import (
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"drumline/domain"
)

// Keyring holds the keys that sign access tokens and the secret refresh
// tokens descend from. The first key signs; all verify, so that a key can be
// rotated out after the life of a token.
type Keyring struct {
	Issuer string
	keys   []signingKey
	secret []byte
}

type signingKey struct {
	id   string
	priv ed25519.PrivateKey
}

// keyFile is the stored form: seeds, newest first, and the secret, base64.
type keyFile struct {
	Keys []struct {
		ID   string `json:"id"`
		Seed []byte `json:"seed"`
	} `json:"keys"`
	Secret []byte `json:"secret"`
}

// NewKeyring makes fresh keys. kid names the signing key.
func NewKeyring(issuer, kid string) *Keyring {
	seed, secret := make([]byte, ed25519.SeedSize), make([]byte, 32)
	_, _ = rand.Read(seed)
	_, _ = rand.Read(secret)
	return &Keyring{Issuer: issuer, keys: []signingKey{{kid, ed25519.NewKeyFromSeed(seed)}}, secret: secret}
}

// LoadKeyring reads the keys of file and makes them first if the file is not
// there (mode 0600). Every process of one installation shares the file.
func LoadKeyring(issuer, file string, now time.Time) (*Keyring, error) {
	b, err := os.ReadFile(file)
	if os.IsNotExist(err) {
		return createKeyring(issuer, file, now)
	}
	if err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	var f keyFile
	if err := json.Unmarshal(b, &f); err != nil {
		return nil, fmt.Errorf("key file %s: %w", file, err)
	}
	k := &Keyring{Issuer: issuer, secret: f.Secret}
	for _, s := range f.Keys {
		if len(s.Seed) != ed25519.SeedSize || s.ID == "" {
			return nil, fmt.Errorf("key file %s: a key needs an id and a seed of %d bytes", file, ed25519.SeedSize)
		}
		k.keys = append(k.keys, signingKey{s.ID, ed25519.NewKeyFromSeed(s.Seed)})
	}
	if len(k.keys) == 0 || len(k.secret) < 32 {
		return nil, fmt.Errorf("key file %s: needs at least one key and a secret of 32 bytes", file)
	}
	return k, nil
}

func createKeyring(issuer, file string, now time.Time) (*Keyring, error) {
	k := NewKeyring(issuer, now.UTC().Format("20060102T150405"))
	var f keyFile
	f.Secret = k.secret
	f.Keys = append(f.Keys, struct {
		ID   string `json:"id"`
		Seed []byte `json:"seed"`
	}{k.keys[0].id, k.keys[0].priv.Seed()})
	b, err := json.MarshalIndent(f, "", "  ")
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	if err := os.WriteFile(file, b, 0o600); err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	return k, nil
}

// Derive gives a key for another purpose (e.g. signing page cursors), so that
// an installation has one file to keep.
func (k *Keyring) Derive(purpose string) []byte { return k.mac([]byte("derive " + purpose)) }

func (k *Keyring) mac(msg []byte) []byte {
	m := hmac.New(sha256.New, k.secret)
	_, _ = m.Write(msg)
	return m.Sum(nil)
}

const audience = "drumline-api"

// claims of an access token (RFC 9068 in spirit; typ at+jwt).
type claims struct {
	jwt.RegisteredClaims
	Shop    domain.ID   `json:"shop"`
	Session domain.ID   `json:"sid"`
	Role    domain.Role `json:"role"`
	Epoch   int64       `json:"epoch"`
}

// sign makes an access token for p.
func (k *Keyring) sign(p domain.Principal, now time.Time, life time.Duration) (string, time.Time, error) {
	until := now.Add(life).Truncate(time.Second)
	t := jwt.NewWithClaims(jwt.SigningMethodEdDSA, claims{
		RegisteredClaims: jwt.RegisteredClaims{
			Issuer: k.Issuer, Subject: p.Person.String(), Audience: jwt.ClaimStrings{audience},
			IssuedAt: jwt.NewNumericDate(now), ExpiresAt: jwt.NewNumericDate(until), ID: domain.NewID(now).String(),
		},
		Shop: p.Shop, Session: p.Session, Role: p.Role, Epoch: p.Epoch,
	})
	t.Header["kid"], t.Header["typ"] = k.keys[0].id, "at+jwt"
	s, err := t.SignedString(k.keys[0].priv)
	if err != nil {
		return "", until, fmt.Errorf("sign token: %w", err)
	}
	return s, until, nil
}

// Verify reads an access token: signature by one of our keys named by kid,
// EdDSA only, our issuer and audience, not expired (30 s leeway), typ at+jwt,
// no critical extension (RFC 7515, 4.1.11: unknown ones must be refused). The
// stored person still decides; see Access.
func (k *Keyring) Verify(token string, now time.Time) (domain.Principal, error) {
	refused := domain.Errorf(domain.Unauthenticated, "The access token is not valid. Sign in, or refresh it.")
	parser := jwt.NewParser(jwt.WithValidMethods([]string{"EdDSA"}), jwt.WithExpirationRequired(), jwt.WithIssuer(k.Issuer),
		jwt.WithAudience(audience), jwt.WithIssuedAt(), jwt.WithLeeway(30*time.Second), jwt.WithStrictDecoding(),
		jwt.WithTimeFunc(func() time.Time { return now }))
	var c claims
	t, err := parser.ParseWithClaims(token, &c, k.find)
	if err != nil || !t.Valid {
		return domain.Principal{}, refused
	}
	person, err := domain.ParseID(c.Subject)
	if err != nil || c.Shop.IsZero() || c.Session.IsZero() || c.IssuedAt == nil {
		return domain.Principal{}, refused
	}
	return domain.Principal{Shop: c.Shop, Person: person, Session: c.Session, Role: c.Role, Epoch: c.Epoch}, nil
}

func (k *Keyring) find(t *jwt.Token) (any, error) {
	if t.Header["typ"] != "at+jwt" {
		return nil, fmt.Errorf("typ is not at+jwt")
	}
	if _, critical := t.Header["crit"]; critical {
		return nil, fmt.Errorf("critical extension")
	}
	for _, s := range k.keys {
		if t.Header["kid"] == s.id {
			return s.priv.Public(), nil
		}
	}
	return nil, fmt.Errorf("unknown key")
}

// newSecret makes a token that finds its shop before anybody has signed in:
// base64url(shop id ‖ 32 random bytes). Only its hash is stored.
func newSecret(shop domain.ID) string {
	var r [32]byte
	_, _ = rand.Read(r[:])
	return secretOf(shop, r[:])
}

func secretOf(shop domain.ID, random []byte) string {
	return base64.RawURLEncoding.EncodeToString(append(shop[:], random...))
}

// readSecret gives the shop and the hash to look for; ok is false for a
// malformed token.
func readSecret(token string) (shop domain.ID, hash []byte, ok bool) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(b) != len(shop)+32 {
		return domain.ID{}, nil, false
	}
	copy(shop[:], b)
	return shop, hashOf(token), !shop.IsZero()
}

func hashOf(token string) []byte {
	h := sha256.Sum256([]byte(token))
	return h[:]
}

// successor is the refresh token that follows token. Being derived, it can be
// given again when the answer was lost, and is not stored in clear.
func (k *Keyring) successor(shop domain.ID, token string) string {
	return secretOf(shop, k.mac([]byte("refresh "+token)))
}

// NewToken makes a secret that names its shop, for something that is read
// without signing in, and the hash to keep of it.
func NewToken(shop domain.ID) (token string, hash []byte) {
	token = newSecret(shop)
	return token, hashOf(token)
}

// TokenOf is NewToken with a secret of 32 octets that the caller can derive
// again, instead of a random one.
func TokenOf(shop domain.ID, secret []byte) (token string, hash []byte) {
	token = secretOf(shop, secret)
	return token, hashOf(token)
}

// ReadToken gives the shop of such a token and the hash to look for; ok is
// false for a malformed one.
func ReadToken(token string) (shop domain.ID, hash []byte, ok bool) { return readSecret(token) }
