// Package once makes a creating request happen once: its idempotency key, the
// hash of what was asked and the answer are stored in the transaction of the
// effect, so after a crash or a lost answer a repeat gets the first answer.
package once

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// Life is how long a key is remembered.
const Life = 24 * time.Hour

// Key names one request: the operation, the caller's key, and the hash of what
// was asked.
type Key struct {
	Route   string // operation id
	Key     string // 1 to 255 visible ASCII characters
	Request [sha256.Size]byte
}

// Hash is the hash of a request: the parts with their lengths, so that no two
// requests share one by moving a boundary.
func Hash(parts ...[]byte) [sha256.Size]byte {
	h := sha256.New()
	for _, p := range parts {
		_, _ = fmt.Fprintf(h, "%d:", len(p))
		_, _ = h.Write(p)
	}
	return [sha256.Size]byte(h.Sum(nil))
}

var errReplay = errors.New("once: already done")

// Do runs fn in a transaction of p unless k was done before, when the stored
// answer is given and replayed is true. load (nil for nothing) queues into the
// first round trip; what fn queues on out is sent together with the key's row,
// just before the commit. A key in use at this moment, or used for another
// request, is a Conflict or Invalid error. T must survive encoding/json.
func Do[T any](ctx context.Context, db *pg.DB, p domain.Principal, now time.Time, k Key,
	load func(b *pgx.Batch), fn func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (T, error)) (answer T, replayed bool, err error) {
	var s stored
	err = db.Write(ctx, p,
		func(b *pgx.Batch) {
			s = stored{}
			s.queue(b, p, now, k)
			if load != nil {
				load(b)
			}
		},
		func(ctx context.Context, tx *pg.Tx) error {
			out := &pgx.Batch{}
			v, err := fn(ctx, tx, out)
			if err != nil {
				return err
			}
			if err := s.remember(out, p, now, k, v); err != nil {
				return err
			}
			answer = v
			return tx.Send(ctx, out)
		})
	if !errors.Is(err, errReplay) {
		return answer, false, err
	}
	var v T
	if err := json.Unmarshal([]byte(s.answer), &v); err != nil {
		return v, false, fmt.Errorf("once: stored answer of %s: %w", k.Route, err)
	}
	return v, true, nil
}

// stored is what the key's row said at the start of the transaction.
type stored struct {
	answer  string
	expired bool
}

// queue takes the key's lock and reads its row. The lock ends with the
// transaction, so a crash leaves no key stuck.
func (s *stored) queue(b *pgx.Batch, p domain.Principal, now time.Time, k Key) {
	b.Queue(`SELECT pg_try_advisory_xact_lock(hashtextextended($1, 0))`,
		p.Shop.String()+p.Person.String()+k.Route+"\x1f"+k.Key).QueryRow(func(row pgx.Row) error {
		var free bool
		if err := row.Scan(&free); err != nil {
			return err
		}
		if !free {
			return domain.Errorf(domain.Conflict, "A request with this Idempotency-Key is still being worked on. Repeat it in a few seconds.")
		}
		return nil
	})
	b.Queue(`SELECT request, answer, created_at FROM once WHERE shop_id = $1 AND person_id = $2 AND route = $3 AND key = $4`,
		p.Shop, p.Person, k.Route, k.Key).QueryRow(func(row pgx.Row) error {
		var request []byte
		var created time.Time
		err := row.Scan(&request, &s.answer, &created)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			return nil
		case err != nil:
			return err
		case now.Sub(created) > Life:
			s.expired = true
			return nil
		case [sha256.Size]byte(request) != k.Request:
			return &domain.Error{Kind: domain.Invalid, Message: "This Idempotency-Key was used for another request. Use a new key for a new request.",
				Fields: []domain.FieldError{{Pointer: "Idempotency-Key", Code: "key_reused", Detail: "used for another request"}}}
		}
		return errReplay
	})
}

// remember queues the key's row. One request in 256 also clears the shop's
// expired keys.
func (s *stored) remember(b *pgx.Batch, p domain.Principal, now time.Time, k Key, v any) error {
	answer, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("once: answer of %s: %w", k.Route, err)
	}
	if s.expired || k.Request[0] == 0 {
		b.Queue(`DELETE FROM once WHERE shop_id = $1 AND created_at < $2`, p.Shop, now.Add(-Life))
	}
	b.Queue(`INSERT INTO once (shop_id, person_id, route, key, request, answer, created_at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		p.Shop, p.Person, k.Route, k.Key, k.Request[:], string(answer), now)
	return nil
}
