package people

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// InvitationLife is how long an invitation may be taken up.
const InvitationLife = 7 * 24 * time.Hour

// Invitation asks somebody to join the shop. Token is given when it is made
// and never again.
type Invitation struct {
	ID        domain.ID
	Name      string
	Email     string
	Role      domain.Role
	CreatedAt time.Time
	ExpiresAt time.Time
	UsedAt    *time.Time
	RevokedAt *time.Time
	Token     string
}

// NewInvitation is whom to invite, and as what.
type NewInvitation struct {
	Name  string
	Email string
	Role  domain.Role
}

func (n NewInvitation) check() error {
	var ps domain.Problems
	checkName(&ps, "/name", n.Name)
	checkEmail(&ps, "/email", n.Email)
	checkRole(&ps, "/role", n.Role)
	return ps.Err()
}

// Invite makes an invitation. Its token follows from the request's key, so a
// repeated request gives the same token without storing it.
func (s *Service) Invite(ctx context.Context, p domain.Principal, k once.Key, n NewInvitation) (Invitation, bool, error) {
	if err := n.check(); err != nil {
		return Invitation{}, false, err
	}
	now := s.Now()
	token := secretOf(p.Shop, s.Keys.mac([]byte("invite "+p.Shop.String()+p.Person.String()+k.Key+string(k.Request[:]))))
	v, replayed, err := once.Do(ctx, s.DB, p, now, k, nil, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Invitation, error) {
		v := Invitation{ID: domain.NewID(now), Name: n.Name, Email: n.Email, Role: n.Role, CreatedAt: now, ExpiresAt: now.Add(InvitationLife)}
		out.Queue(`INSERT INTO invitation (shop_id, id, hash, name, email, role, invited_by, created_at, expires_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, p.Shop, v.ID, hashOf(token), v.Name, v.Email, v.Role, p.Person, now, v.ExpiresAt)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "invitation", ID: v.ID})
		return v, nil
	})
	v.Token = token
	return v, replayed, err
}

type invitationRow struct {
	ID        domain.ID   `db:"id"`
	Name      string      `db:"name"`
	Email     string      `db:"email"`
	Role      domain.Role `db:"role"`
	CreatedAt time.Time   `db:"created_at"`
	ExpiresAt time.Time   `db:"expires_at"`
	UsedAt    *time.Time  `db:"used_at"`
	RevokedAt *time.Time  `db:"revoked_at"`
}

const invitationColumns = `id, name, email, role, created_at, expires_at, used_at, revoked_at`

func (r invitationRow) value() Invitation {
	return Invitation{ID: r.ID, Name: r.Name, Email: r.Email, Role: r.Role, CreatedAt: r.CreatedAt,
		ExpiresAt: r.ExpiresAt, UsedAt: r.UsedAt, RevokedAt: r.RevokedAt}
}

// ListInvitations gives the newest 200 invitations.
func (s *Service) ListInvitations(ctx context.Context, p domain.Principal) ([]Invitation, error) {
	var rows []invitationRow
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &rows, `SELECT `+invitationColumns+` FROM invitation WHERE shop_id = $1 ORDER BY id DESC LIMIT 200`, p.Shop)
	})
	vs := make([]Invitation, 0, len(rows))
	for _, r := range rows {
		vs = append(vs, r.value())
	}
	return vs, err
}

// RevokeInvitation takes an invitation back; one already used is a Conflict.
func (s *Service) RevokeInvitation(ctx context.Context, p domain.Principal, id domain.ID) error {
	now := s.Now()
	var r invitationRow
	return s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			pg.One(b, &r, `SELECT `+invitationColumns+` FROM invitation WHERE shop_id = $1 AND id = $2 FOR UPDATE`, p.Shop, id)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if r.UsedAt != nil {
				return domain.Errorf(domain.Conflict, "This invitation has been used. Disable the person instead.")
			}
			b := &pgx.Batch{}
			b.Queue(`UPDATE invitation SET revoked_at = coalesce(revoked_at, $3) WHERE shop_id = $1 AND id = $2`, p.Shop, id, now)
			audit.Queue(b, tx.P, now, audit.Entry{Action: "revoked", Entity: "invitation", ID: id})
			return tx.Send(ctx, b)
		})
}

// Accept takes up an invitation: the person is made and signed in. A token
// that is unknown, used, revoked or too old gets one answer.
func (s *Service) Accept(ctx context.Context, token, password string) (Tokens, error) {
	refused := domain.Errorf(domain.Unauthenticated, "This invitation is not valid any more. Ask the owner for a new one.")
	shop, hash, ok := readSecret(token)
	if !ok {
		return Tokens{}, refused
	}
	var ps domain.Problems
	checkPassword(&ps, "/password", password)
	if err := ps.Err(); err != nil {
		return Tokens{}, err
	}
	phc, err := s.Hasher.Hash(ctx, password)
	if err != nil {
		return Tokens{}, err
	}
	now := s.Now()
	sys := domain.System(shop, "invitation")
	person := Person{ID: domain.NewID(now), CreatedAt: now}
	err = s.DB.Write(ctx, sys, nil, func(ctx context.Context, tx *pg.Tx) error {
		rows, err := tx.Query(ctx, `SELECT `+invitationColumns+` FROM invitation WHERE shop_id = $1 AND hash = $2 FOR UPDATE`, shop, hash)
		if err != nil {
			return err
		}
		inv, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[invitationRow])
		if errors.Is(err, pgx.ErrNoRows) || err == nil && (inv.UsedAt != nil || inv.RevokedAt != nil || now.After(inv.ExpiresAt)) {
			return refused
		}
		if err != nil {
			return err
		}
		person.Name, person.Email, person.Role = inv.Name, inv.Email, inv.Role
		b := &pgx.Batch{}
		b.Queue(`UPDATE invitation SET used_at = $3 WHERE shop_id = $1 AND id = $2`, shop, inv.ID, now)
		queuePerson(b, shop, person, phc)
		audit.Queue(b, sys, now, audit.Entry{Action: "created", Entity: "person", ID: person.ID})
		return tx.Send(ctx, b)
	})
	if pg.Violates(err, "person_shop_id_email_norm_key") {
		return Tokens{}, domain.Errorf(domain.Conflict, "Somebody with this e-mail address is in the shop already. Sign in instead.")
	}
	if err != nil {
		return Tokens{}, err
	}
	return s.open(ctx, shop, credentials{ID: person.ID, Role: person.Role, Epoch: 1}, "")
}
