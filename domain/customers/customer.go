package customers

import (
	"context"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Customer is who pays or asks.
type Customer struct {
	Head
	Name  string `db:"name"`
	Email string `db:"email"`
	Phone string `db:"phone"`
	Note  string `db:"note"`
}

var customerKind = kind[Customer]{
	entity: "customer",
	column: `name, email, phone, note`,
	head:   func(c *Customer) *Head { return &c.Head },
	check:  func(_ *catalogue.Catalogue, _ *Customer, c Customer) error { return c.check() },
	insert: func(b *pgx.Batch, shop domain.ID, c Customer) {
		b.Queue(`INSERT INTO customer (shop_id, id, name, email, phone, note, created_at, updated_at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			shop, c.ID, c.Name, c.Email, c.Phone, c.Note, c.CreatedAt, c.UpdatedAt)
	},
	update: func(b *pgx.Batch, shop domain.ID, c Customer) {
		b.Queue(`UPDATE customer SET name = $3, email = $4, phone = $5, note = $6, updated_at = $7, version = $8 WHERE shop_id = $1 AND id = $2`,
			shop, c.ID, c.Name, c.Email, c.Phone, c.Note, c.UpdatedAt, c.Version)
	},
	inUse: func(*Service) string {
		return `SELECT 1 FROM site WHERE shop_id = $1 AND customer_id = $2 AND retired_at IS NULL`
	},
	seen: func(s *Service) string {
		return `id = ANY (ARRAY(SELECT st.customer_id FROM site st WHERE st.shop_id = $1 AND st.id = ANY (ARRAY(` + s.sitesOfTech() + `))))`
	},
	busy: "This customer still has sites. Retire those first.",
}

func (c Customer) check() error {
	var ps domain.Problems
	ps.Text("/name", c.Name, 1, 120, false)
	ps.Text("/phone", c.Phone, 0, 40, false)
	ps.Text("/note", c.Note, 0, 2000, true)
	if c.Email != "" && !people.ValidEmail(c.Email) {
		ps.Add("/email", "email", "Give an e-mail address like name@example.com, or none.")
	}
	return ps.Err()
}

// CreateCustomer stores a new customer.
func (s *Service) CreateCustomer(ctx context.Context, p domain.Principal, key once.Key, c Customer) (Customer, bool, error) {
	return create(ctx, s, p, key, customerKind, c)
}

// ReadCustomer gives one customer.
func (s *Service) ReadCustomer(ctx context.Context, p domain.Principal, id domain.ID) (Customer, error) {
	return read(ctx, s, p, customerKind, id)
}

// ChangeCustomer applies edit if the version is still version.
func (s *Service) ChangeCustomer(ctx context.Context, p domain.Principal, id domain.ID, version int64, edit func(*Customer)) (Customer, error) {
	return change(ctx, s, p, customerKind, id, version, edit)
}

// RetireCustomer takes a customer without sites in use out of use.
func (s *Service) RetireCustomer(ctx context.Context, p domain.Principal, id domain.ID, version int64) error {
	return retire(ctx, s, p, customerKind, id, version)
}

// CustomerFilter chooses customers. Query is looked for in name, phone and
// e-mail, whatever the case.
type CustomerFilter struct {
	Query   string
	Retired bool // retired ones too
}

// CustomerKey is where a page of customers begins: after this name and id.
type CustomerKey struct {
	Name string    `json:"n"`
	ID   domain.ID `json:"i"`
}

// ListCustomers gives up to size customers by name, after the key.
func (s *Service) ListCustomers(ctx context.Context, p domain.Principal, f CustomerFilter, after CustomerKey, size int) ([]Customer, error) {
	var cs []Customer
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &cs, `SELECT `+headColumns+`, name, email, phone, note FROM customer
			WHERE shop_id = $1 AND (name COLLATE "C", id) > ($2, coalesce($3, '00000000-0000-0000-0000-000000000000'::uuid))
			AND ($4 OR retired_at IS NULL)
			AND ($5 = '' OR position(lower($5) IN lower(name || ' ' || phone || ' ' || email)) > 0)
			ORDER BY name COLLATE "C", id LIMIT $6`, p.Shop, after.Name, after.ID, f.Retired, f.Query, size)
	})
	return cs, err
}
