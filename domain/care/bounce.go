package care

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base32"
	"strings"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// bouncePrefix begins the addresses that returned mail goes to. With the token
// the part before the @ keeps within 64 octets (RFC 5321, 4.5.3.1.1).
const bouncePrefix = "bounce+"

// lowerCase writes tokens that outlive systems which change the case of
// addresses.
var lowerCase = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// bounceOf is the token of the address a mail comes back to, which names the
// shop, and the hash to keep of it. Half of the mail's secret is in it: who sees
// the address cannot make the links of it.
func bounceOf(shop domain.ID, secret []byte) (token string, hash []byte) {
	own := sha256.Sum256(append([]byte("bounce "), secret...))
	return lowerCase.EncodeToString(append(shop[:], own[:16]...)), hashOfBounce(own[:16])
}

func hashOfBounce(own []byte) []byte {
	sum := sha256.Sum256(own)
	return sum[:]
}

// readBounce gives the shop of such a token and the hash to look for.
func readBounce(token string) (shop domain.ID, hash []byte, ok bool) {
	raw, err := lowerCase.DecodeString(strings.ToLower(token))
	if err != nil || len(raw) != len(shop)+16 {
		return shop, nil, false
	}
	copy(shop[:], raw)
	return shop, hashOfBounce(raw[len(shop):]), true
}

// BounceToken is the token in an address that returned mail goes to,
// bounce+TOKEN@…; false for any other address.
func BounceToken(address string) (string, bool) {
	local, _, _ := strings.Cut(address, "@")
	return strings.CutPrefix(strings.ToLower(local), bouncePrefix)
}

// NoSuchMessage says whether an error means that a token is of no message.
func NoSuchMessage(err error) bool { return domain.KindOf(err) == domain.NotFound }

// Returned is what a report of returned mail says.
type Returned struct {
	Token     string // of the mail, from the address the report was sent to
	Recipient string // empty: the customer's address
	Permanent bool
	Detail    string
}

// Return takes the report that a mail has come back: for good, and nothing
// more is sent to the address; for a while, and it is noted beside the mail.
// Again changes nothing. A token of no message is Absent.
func (s *Service) Return(ctx context.Context, r Returned) error {
	shop, hash, ok := readBounce(r.Token)
	if !ok {
		return domain.Absent()
	}
	sys, now := domain.System(shop, "returned mail"), s.Now()
	var m Mail
	var email string
	load := func(b *pgx.Batch) {
		pg.One(b, &m, `SELECT `+mailColumns+` FROM mail WHERE shop_id = $1 AND bounce_hash = $2 FOR UPDATE`, shop, hash)
		b.Queue(`SELECT c.email FROM customer c JOIN mail m ON m.shop_id = c.shop_id AND m.customer_id = c.id WHERE c.shop_id = $1 AND m.bounce_hash = $2`, shop, hash).
			QueryRow(func(row pgx.Row) error { return row.Scan(&email) })
	}
	return s.DB.Write(ctx, sys, load, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		state := m.State
		if r.Permanent && state == Accepted {
			state = HardFailed
		}
		b.Queue(`UPDATE mail SET state = $3, reply = $4 WHERE shop_id = $1 AND id = $2`, shop, m.ID, state, clip("returned: "+printable(r.Detail)))
		if r.Permanent {
			if people.ValidEmail(r.Recipient) {
				email = r.Recipient
			}
			queueSuppress(b, shop, now, email, "all", "bounced", clip(printable(r.Detail)))
			audit.Queue(b, sys, now, audit.Entry{Action: "returned", Entity: "mail", ID: m.ID})
		}
		return tx.Send(ctx, b)
	})
}

// printable leaves out what cannot be shown.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x200b && r <= 0x200f || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
}

// Signed says whether a body posted for the shop of a bounce token carries the
// shop's signature: HMAC-SHA256 with the policy's bounce key.
func (s *Service) Signed(ctx context.Context, token string, body, signature []byte) error {
	refused := domain.Errorf(domain.Unauthenticated, "The signature does not fit: it is the HMAC-SHA256 of the body with the shop's bounce key, in hexadecimal.")
	shop, _, ok := readBounce(token)
	if !ok {
		return refused
	}
	var pol Policy
	if err := s.DB.Read(ctx, domain.System(shop, "returned mail"), func(b *pgx.Batch) { queuePolicy(b, shop, &pol) }); err != nil && domain.KindOf(err) != domain.NotFound {
		return err
	}
	m := hmac.New(sha256.New, pol.BounceKey)
	_, _ = m.Write(body) // a hash takes everything
	if len(pol.BounceKey) == 0 || !hmac.Equal(m.Sum(nil), signature) {
		return refused
	}
	return nil
}
