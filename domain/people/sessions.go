package people

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/shared/pg"
)

// Tokens is what a signed-in client holds.
type Tokens struct {
	Access       string
	AccessUntil  time.Time
	Refresh      string // opaque; each use gives a new one
	RefreshUntil time.Time
	Person       domain.ID
	Shop         domain.ID
	Role         domain.Role
}

func wrongSignIn() error {
	return domain.Errorf(domain.Unauthenticated, "Shop code, e-mail or password is wrong.")
}

func badRefresh() error {
	return domain.Errorf(domain.Unauthenticated, "The refresh token is not valid. Sign in again.")
}

type credentials struct {
	ID       domain.ID   `db:"id"`
	Role     domain.Role `db:"role"`
	Hash     string      `db:"password_hash"`
	Epoch    int64       `db:"epoch"`
	Disabled bool        `db:"disabled"`
}

// SignIn opens a session. Unknown shop, unknown e-mail, wrong password and
// disabled person are one answer that takes the same time.
func (s *Service) SignIn(ctx context.Context, code, email, password string) (Tokens, error) {
	shop, err := s.lookUp(ctx, code)
	if err != nil {
		return Tokens{}, err
	}
	var c credentials
	if !shop.IsZero() {
		if c, err = s.credentials(ctx, shop, email); err != nil {
			return Tokens{}, err
		}
	}
	ok, stale, err := s.Hasher.Matches(ctx, password, c.Hash)
	if err != nil {
		return Tokens{}, err
	}
	if !ok || c.Disabled {
		return Tokens{}, wrongSignIn()
	}
	fresh := ""
	if stale {
		if fresh, err = s.Hasher.Hash(ctx, password); err != nil {
			return Tokens{}, err
		}
	}
	return s.open(ctx, shop, c, fresh)
}

// lookUp finds the shop of a code; the zero id when there is none.
func (s *Service) lookUp(ctx context.Context, code string) (domain.ID, error) {
	var id domain.ID
	err := s.DB.Pool.QueryRow(ctx, `SELECT id FROM shop_directory WHERE code = $1`, code).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		return domain.ID{}, nil
	}
	return id, pg.Classify(err)
}

func (s *Service) credentials(ctx context.Context, shop domain.ID, email string) (credentials, error) {
	var c credentials
	var found bool
	err := s.DB.Read(ctx, domain.System(shop, "sign-in"), func(b *pgx.Batch) {
		pg.Maybe(b, &c, &found, `SELECT p.id, p.role, p.password_hash, p.epoch, p.disabled_at IS NOT NULL OR h.retired_at IS NOT NULL AS disabled
			FROM person p JOIN shop h ON h.shop_id = p.shop_id
			WHERE p.shop_id = $1 AND p.email_norm = lower($2 COLLATE "C")`, shop, email)
	})
	return c, err
}

// open makes the session and its first refresh token. fresh, when not empty,
// replaces a password hash of yesterday's strength.
func (s *Service) open(ctx context.Context, shop domain.ID, c credentials, fresh string) (Tokens, error) {
	now := s.Now()
	sys := domain.System(shop, "sign-in")
	p := domain.Principal{Shop: shop, Person: c.ID, Session: domain.NewID(now), Role: c.Role, Epoch: c.Epoch}
	refresh := newSecret(shop)
	err := s.DB.Write(ctx, sys, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		b.Queue(`INSERT INTO session (shop_id, id, person_id, created_at) VALUES ($1, $2, $3, $4)`, shop, p.Session, p.Person, now)
		queueRefresh(b, p, refresh, now)
		if fresh != "" {
			b.Queue(`UPDATE person SET password_hash = $3 WHERE shop_id = $1 AND id = $2`, shop, c.ID, fresh)
		}
		audit.Queue(b, sys, now, audit.Entry{Action: "signed_in", Entity: "session", ID: p.Session})
		return tx.Send(ctx, b)
	})
	if err != nil {
		return Tokens{}, err
	}
	return s.tokens(p, refresh, now)
}

func queueRefresh(b *pgx.Batch, p domain.Principal, token string, now time.Time) {
	b.Queue(`INSERT INTO refresh_token (shop_id, hash, session_id, issued_at, expires_at) VALUES ($1, $2, $3, $4, $5)`,
		p.Shop, hashOf(token), p.Session, now, now.Add(RefreshLife))
}

func (s *Service) tokens(p domain.Principal, refresh string, now time.Time) (Tokens, error) {
	access, until, err := s.Keys.sign(p, now, s.AccessLife)
	return Tokens{Access: access, AccessUntil: until, Refresh: refresh, RefreshUntil: now.Add(RefreshLife),
		Person: p.Person, Shop: p.Shop, Role: p.Role}, err
}

// grace is how long a spent refresh token gives the same successor again: the
// answer to the first use may have been lost on the way.
const grace = 10 * time.Second

type refreshRow struct {
	Session  domain.ID   `db:"session_id"`
	Expires  time.Time   `db:"expires_at"`
	Spent    *time.Time  `db:"spent_at"`
	Person   domain.ID   `db:"person_id"`
	Role     domain.Role `db:"role"`
	Epoch    int64       `db:"epoch"`
	Live     bool        `db:"live"`
	NextUsed bool        `db:"next_used"`
}

// Refresh spends a refresh token and gives its successor with a new access
// token. A token spent before, outside the grace, is taken for stolen and ends
// the whole session (RFC 9700, 4.14.2).
func (s *Service) Refresh(ctx context.Context, token string) (Tokens, error) {
	shop, hash, ok := readSecret(token)
	if !ok {
		return Tokens{}, badRefresh()
	}
	now := s.Now()
	next := s.Keys.successor(shop, token)
	sys := domain.System(shop, "refresh")
	var p domain.Principal
	var refusal error
	err := s.DB.Write(ctx, sys, nil, func(ctx context.Context, tx *pg.Tx) error {
		p, refusal = domain.Principal{}, nil
		r, err := lockRefresh(ctx, tx, hash, hashOf(next))
		if err != nil {
			return err
		}
		p = domain.Principal{Shop: shop, Person: r.Person, Session: r.Session, Role: r.Role, Epoch: r.Epoch}
		b := &pgx.Batch{}
		switch {
		case !r.Live || now.After(r.Expires):
			refusal = badRefresh()
		case r.Spent == nil:
			b.Queue(`UPDATE refresh_token SET spent_at = $3 WHERE shop_id = $1 AND hash = $2`, shop, hash, now)
			queueRefresh(b, p, next, now)
		case now.Sub(*r.Spent) > grace || r.NextUsed:
			refusal = badRefresh()
			b.Queue(`UPDATE session SET revoked_at = $3 WHERE shop_id = $1 AND id = $2 AND revoked_at IS NULL`, shop, r.Session, now)
			audit.Queue(b, sys, now, audit.Entry{Action: "refresh_token_reused", Entity: "session", ID: r.Session})
		}
		return tx.Send(ctx, b)
	})
	if err == nil {
		err = refusal
	}
	if err != nil {
		return Tokens{}, err
	}
	return s.tokens(p, next, now)
}

func lockRefresh(ctx context.Context, tx *pg.Tx, hash, nextHash []byte) (refreshRow, error) {
	rows, err := tx.Query(ctx, `SELECT r.session_id, r.expires_at, r.spent_at, p.id AS person_id, p.role, p.epoch,
			s.revoked_at IS NULL AND p.disabled_at IS NULL AND h.retired_at IS NULL AS live,
			EXISTS (SELECT 1 FROM refresh_token n WHERE n.shop_id = r.shop_id AND n.hash = $3 AND n.spent_at IS NOT NULL) AS next_used
		FROM refresh_token r
		JOIN session s ON s.shop_id = r.shop_id AND s.id = r.session_id
		JOIN person p ON p.shop_id = s.shop_id AND p.id = s.person_id
		JOIN shop h ON h.shop_id = p.shop_id
		WHERE r.shop_id = $1 AND r.hash = $2 FOR UPDATE OF r`, tx.P.Shop, hash, nextHash)
	if err != nil {
		return refreshRow{}, err
	}
	r, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[refreshRow])
	if errors.Is(err, pgx.ErrNoRows) {
		return refreshRow{}, badRefresh()
	}
	return r, err
}

// SignOut ends the session of p: its access and refresh tokens stop at once.
func (s *Service) SignOut(ctx context.Context, p domain.Principal) error {
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		b.Queue(`UPDATE session SET revoked_at = $3 WHERE shop_id = $1 AND id = $2`, p.Shop, p.Session, s.Now())
		audit.Queue(b, tx.P, s.Now(), audit.Entry{Action: "signed_out", Entity: "session", ID: p.Session})
		return tx.Send(ctx, b)
	})
}

// Authenticate gives the principal of an access token. The stored person
// still decides; see Access.
func (s *Service) Authenticate(token string) (domain.Principal, error) {
	return s.Keys.Verify(token, s.Now())
}
