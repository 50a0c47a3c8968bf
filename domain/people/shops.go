package people

import (
	"context"
	"regexp"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/shared/pg"
)

// NewShop is a shop to be made with its first owner.
type NewShop struct {
	Code      string // sign-in code: lower-case letters, digits, hyphens
	Name      string
	TimeZone  string
	OwnerName string
	Email     string
	Password  string
}

var codePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,38}[a-z0-9]$`)

// CreateShop makes a shop and its first owner. A code that is taken is a
// Conflict.
func (s *Service) CreateShop(ctx context.Context, n NewShop) (Shop, domain.ID, error) {
	var ps domain.Problems
	if !codePattern.MatchString(n.Code) {
		ps.Add("/code", "code", "A shop code has 2 to 40 lower-case letters, digits and hyphens.")
	}
	checkName(&ps, "/name", n.Name)
	checkZone(&ps, "/time_zone", n.TimeZone)
	checkName(&ps, "/owner_name", n.OwnerName)
	checkEmail(&ps, "/email", n.Email)
	checkPassword(&ps, "/password", n.Password)
	if err := ps.Err(); err != nil {
		return Shop{}, domain.ID{}, err
	}
	hash, err := s.Hasher.Hash(ctx, n.Password)
	if err != nil {
		return Shop{}, domain.ID{}, err
	}
	now := s.Now()
	shop := Shop{ID: domain.NewID(now), Code: n.Code, Name: n.Name, TimeZone: n.TimeZone, Decision: DefaultDecision(), Version: 1, CreatedAt: now}
	owner := domain.NewID(now)
	sys := domain.System(shop.ID, "shop create")
	err = s.DB.Write(ctx, sys, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		b.Queue(`INSERT INTO shop_directory (code, id) VALUES ($1, $2)`, n.Code, shop.ID)
		b.Queue(`INSERT INTO shop (shop_id, name, time_zone, created_at) VALUES ($1, $2, $3, $4)`, shop.ID, n.Name, n.TimeZone, now)
		b.Queue(`INSERT INTO shop_feed (shop_id) VALUES ($1)`, shop.ID)
		queuePerson(b, shop.ID, Person{ID: owner, Name: n.OwnerName, Email: n.Email, Role: domain.Owner, CreatedAt: now}, hash)
		audit.Queue(b, sys, now, audit.Entry{Action: "created", Entity: "shop", ID: shop.ID})
		audit.Queue(b, sys, now, audit.Entry{Action: "created", Entity: "person", ID: owner})
		return tx.Send(ctx, b)
	})
	if pg.Violates(err, "shop_directory_pkey") {
		err = &domain.Error{Kind: domain.Conflict, Message: "This shop code is taken.",
			Fields: []domain.FieldError{{Pointer: "/code", Code: "taken", Detail: "taken"}}}
	}
	return shop, owner, err
}

func queuePerson(b *pgx.Batch, shop domain.ID, p Person, hash string) {
	b.Queue(`INSERT INTO person (shop_id, id, name, email, role, password_hash, created_at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		shop, p.ID, p.Name, p.Email, p.Role, hash, p.CreatedAt)
}

// ReadShop gives the principal's shop.
func (s *Service) ReadShop(ctx context.Context, p domain.Principal) (Shop, error) {
	var v Shop
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queueShop(b, p.Shop, &v) })
	return v, err
}

func queueShop(b *pgx.Batch, shop domain.ID, dst *Shop) {
	b.Queue(`SELECT h.shop_id, d.code, h.name, h.time_zone, h.decision_accept, h.decision_reject, h.version, h.created_at
		FROM shop h JOIN shop_directory d ON d.id = h.shop_id WHERE h.shop_id = $1`, shop).QueryRow(func(row pgx.Row) error {
		return row.Scan(&dst.ID, &dst.Code, &dst.Name, &dst.TimeZone, &dst.Decision.Accept, &dst.Decision.Reject, &dst.Version, &dst.CreatedAt)
	})
}

// ShopChange says what of a shop to change; nil keeps. Accept and Reject are
// those of the decision rule: verdicts to come are judged by it, and those of
// open calls when they are derived anew.
type ShopChange struct {
	Name, TimeZone *string
	Accept, Reject *float64
}

func (c ShopChange) check() error {
	var ps domain.Problems
	if c.Name != nil {
		checkName(&ps, "/name", *c.Name)
	}
	if c.TimeZone != nil {
		checkZone(&ps, "/time_zone", *c.TimeZone)
	}
	if a := c.Accept; a != nil && !(*a > 0.5 && *a < 1) {
		ps.Add("/decision_rule/accept", "range",
			"The probability from which a value conforms lies above 0.5 and below 1; 0.95 is usual, 0.98 is stricter.")
	}
	if r := c.Reject; r != nil && !(*r > 0 && *r < 0.5) {
		ps.Add("/decision_rule/reject", "range",
			"The probability down from which a value does not conform lies above 0 and below 0.5; 0.05 is usual, 0.02 is stricter.")
	}
	return ps.Err()
}

// ChangeShop changes the shop if its version is still version.
func (s *Service) ChangeShop(ctx context.Context, p domain.Principal, version int64, c ShopChange) (Shop, error) {
	if err := c.check(); err != nil {
		return Shop{}, err
	}
	var v Shop
	err := s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, pg.Stale(), `UPDATE shop SET name = coalesce($3, name), time_zone = coalesce($4, time_zone),
				decision_accept = coalesce($5, decision_accept), decision_reject = coalesce($6, decision_reject), version = version + 1
			WHERE shop_id = $1 AND ($2::bigint = -1 OR version = $2)`, p.Shop, version, c.Name, c.TimeZone, c.Accept, c.Reject)
		queueShop(b, p.Shop, &v)
		audit.Queue(b, tx.P, s.Now(), audit.Entry{Action: "changed", Entity: "shop", ID: p.Shop,
			Fields: domain.Changed("name", c.Name != nil, "time_zone", c.TimeZone != nil,
				"decision_rule.accept", c.Accept != nil, "decision_rule.reject", c.Reject != nil)})
		return tx.Send(ctx, b)
	})
	return v, err
}

// QueueEdition reads the edition of the shop's own catalogue content; 0 means
// that it has none.
func QueueEdition(b *pgx.Batch, shop domain.ID, dst *int64) {
	b.Queue(`SELECT edition FROM shop WHERE shop_id = $1`, shop).QueryRow(func(row pgx.Row) error { return row.Scan(dst) })
}

// QueueRaiseEdition raises the edition and gives the new one. The row stays
// locked until the transaction ends, so that editions follow each other.
func QueueRaiseEdition(b *pgx.Batch, shop domain.ID, dst *int64) {
	b.Queue(`UPDATE shop SET edition = edition + 1 WHERE shop_id = $1 RETURNING edition`, shop).QueryRow(func(row pgx.Row) error { return row.Scan(dst) })
}
