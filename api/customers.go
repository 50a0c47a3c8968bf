package api

import (
	"context"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/customers"
)

// NewCustomer is a customer to store.
type NewCustomer struct {
	Name  string `json:"name" minLength:"1" maxLength:"120"`
	Email string `json:"email,omitempty" maxLength:"254"`
	Phone string `json:"phone,omitempty" maxLength:"40"`
	Note  string `json:"note,omitempty" maxLength:"2000"`
}

// CustomerPatch changes a customer.
type CustomerPatch struct {
	Name  wire.Opt[string] `json:"name,omitzero" minLength:"1" maxLength:"120"`
	Email wire.Opt[string] `json:"email,omitzero" maxLength:"254"`
	Phone wire.Opt[string] `json:"phone,omitzero" maxLength:"40"`
	Note  wire.Opt[string] `json:"note,omitzero" maxLength:"2000"`
}

// Customer is who pays or asks.
type Customer struct {
	ID        domain.ID  `json:"id"`
	Name      string     `json:"name"`
	Email     string     `json:"email"`
	Phone     string     `json:"phone"`
	Note      string     `json:"note"`
	CreatedAt wire.Time  `json:"created_at"`
	UpdatedAt wire.Time  `json:"updated_at"`
	RetiredAt *wire.Time `json:"retired_at,omitempty"`
}

func viewCustomer(c customers.Customer) Customer {
	return Customer{ID: c.ID, Name: c.Name, Email: c.Email, Phone: c.Phone, Note: c.Note,
		CreatedAt: wire.At(c.CreatedAt), UpdatedAt: wire.At(c.UpdatedAt), RetiredAt: timeOrNone(c.RetiredAt)}
}

func (a *API) registerCustomers(e *Edge) {
	const op = "create-customer"
	register(e, create(op, "/v1/customers", "customers", office, "Store a customer", ""),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewCustomer
		}) (*made[Customer], error) {
			n := in.Body
			c, replayed, err := a.Customers.CreateCustomer(ctx, principal(ctx), onceKey(ctx, op, in.RawBody),
				customers.Customer{Name: n.Name, Email: n.Email, Phone: n.Phone, Note: n.Note})
			return madeOf("/v1/customers/"+c.ID.String(), c.Version, replayed, viewCustomer(c)), err
		})
	register(e, show("list-customers", "/v1/customers", "customers", office, "List customers by name"),
		func(ctx context.Context, in *struct {
			Paging
			Query   string `query:"q" maxLength:"120" doc:"Looked for in name, phone and e-mail, whatever the case."`
			Retired bool   `query:"include_retired"`
		}) (*page[Customer], error) {
			var after customers.CustomerKey
			return list(ctx, a, in.Paging, &after, func(n int) ([]customers.Customer, error) {
				return a.Customers.ListCustomers(ctx, principal(ctx), customers.CustomerFilter{Query: in.Query, Retired: in.Retired}, after, n)
			}, func(c customers.Customer) customers.CustomerKey { return customers.CustomerKey{Name: c.Name, ID: c.ID} }, viewCustomer)
		})
	register(e, show("read-customer", "/v1/customers/{id}", "customers", anyone, "Show a customer"),
		func(ctx context.Context, in *ByID) (*item[Customer], error) {
			c, err := a.Customers.ReadCustomer(ctx, principal(ctx), in.ID)
			return itemOf(c.Version, viewCustomer(c)), err
		})
	register(e, change("change-customer", "/v1/customers/{id}", "customers", office, "Change a customer"),
		func(ctx context.Context, in *struct {
			ByID
			Body CustomerPatch
		}) (*item[Customer], error) {
			c, err := a.Customers.ChangeCustomer(ctx, principal(ctx), in.ID, ifMatch(ctx), func(c *customers.Customer) {
				set(&c.Name, in.Body.Name)
				set(&c.Email, in.Body.Email)
				set(&c.Phone, in.Body.Phone)
				set(&c.Note, in.Body.Note)
			})
			return itemOf(c.Version, viewCustomer(c)), err
		})
	register(e, retire("retire-customer", "/v1/customers/{id}", "customers", office, "Retire a customer"),
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Customers.RetireCustomer(ctx, principal(ctx), in.ID, ifMatch(ctx))
		})
}
