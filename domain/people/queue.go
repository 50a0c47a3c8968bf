package people

import (
	"github.com/jackc/pgx/v5"

	"drumline/domain"
)

// QueueShop reads the shop in the caller's round trip.
func QueueShop(b *pgx.Batch, shop domain.ID, dst *Shop) { queueShop(b, shop, dst) }

// QueueDecision reads the shop's decision rule in the caller's round trip.
func QueueDecision(b *pgx.Batch, shop domain.ID, dst *DecisionRule) {
	b.Queue(`SELECT decision_accept, decision_reject FROM shop WHERE shop_id = $1`, shop).QueryRow(func(row pgx.Row) error {
		return row.Scan(&dst.Accept, &dst.Reject)
	})
}

// QueueNames reads the names of all people of the shop, disabled ones among
// them, by id: who did something long ago still has a name.
func QueueNames(b *pgx.Batch, shop domain.ID, dst *map[domain.ID]string) {
	b.Queue(`SELECT id, name FROM person WHERE shop_id = $1`, shop).Query(func(rows pgx.Rows) error {
		names := map[domain.ID]string{}
		var id domain.ID
		var name string
		_, err := pgx.ForEachRow(rows, []any{&id, &name}, func() error { names[id] = name; return nil })
		*dst = names
		return err
	})
}

// QueueRoles reads the roles of those who work in the shop now, by id: a
// disabled person has none.
func QueueRoles(b *pgx.Batch, shop domain.ID, dst *map[domain.ID]domain.Role) {
	b.Queue(`SELECT id, role FROM person WHERE shop_id = $1 AND disabled_at IS NULL`, shop).Query(func(rows pgx.Rows) error {
		roles := map[domain.ID]domain.Role{}
		var id domain.ID
		var role domain.Role
		_, err := pgx.ForEachRow(rows, []any{&id, &role}, func() error { roles[id] = role; return nil })
		*dst = roles
		return err
	})
}
