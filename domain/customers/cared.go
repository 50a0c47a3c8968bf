package customers

import (
	"strings"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// Cared is a unit with what a message about its care must know: where it
// stands and who is written to.
type Cared struct {
	Unit
	CustomerID domain.ID `db:"customer_id"`
	Name       string    `db:"customer_name"`
	Email      string    `db:"email"` // empty: there is nowhere to write to
	Gone       bool      `db:"gone"`  // the customer, the site or the unit is retired
	TimeZone   string    `db:"time_zone"`
	Label      string    `db:"label"`
	Address    string    `db:"address"`
	PostalCode string    `db:"postal_code"`
}

var caredColumns = "u." + strings.Join(strings.FieldsFunc(headColumns+","+unitColumns, func(r rune) bool { return strings.ContainsRune(", \n\t", r) }), ", u.") +
	`, st.customer_id, c.name AS customer_name, c.email, st.time_zone, st.label, st.address, st.postal_code,
	(u.retired_at IS NOT NULL OR st.retired_at IS NOT NULL OR c.retired_at IS NOT NULL) AS gone`

// QueueCared reads the units that the subquery unitsOf gives for $1 = shop and
// $2 on = args, retired ones among them. It asks for no right.
func QueueCared(b *pgx.Batch, shop domain.ID, unitsOf string, dst *[]Cared, args ...any) {
	pg.All(b, dst, `SELECT `+caredColumns+` FROM unit u
		JOIN site st ON st.shop_id = u.shop_id AND st.id = u.site_id
		JOIN customer c ON c.shop_id = st.shop_id AND c.id = st.customer_id
		WHERE u.shop_id = $1 AND u.id = ANY (ARRAY(`+unitsOf+`)) ORDER BY u.id`, append([]any{shop}, args...)...)
}
