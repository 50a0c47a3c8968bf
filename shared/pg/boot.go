package pg

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
)

// BootCheck refuses a login that could see past row-level security, and a
// schema that lacks it. It stands in for FORCE ROW LEVEL SECURITY, which would
// blind the owner's own migrations.
func BootCheck(ctx context.Context, db *DB) error {
	var bad []string
	for _, q := range []struct{ sql, what string }{
		{`SELECT r.rolname::text FROM pg_roles r WHERE r.rolname IN (session_user, current_user) AND (r.rolsuper OR r.rolbypassrls)`,
			"role %s is a superuser or bypasses row-level security"},
		{`SELECT DISTINCT u.n FROM (VALUES (session_user::text), (current_user::text)) u(n), pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
		  WHERE c.relkind IN ('r','p') AND a.attname = 'shop_id' AND NOT a.attisdropped AND c.relnamespace = 'public'::regnamespace
		  AND pg_has_role(u.n::name, c.relowner, 'MEMBER')`,
			"role %s is a member of the owner of the tables"},
		{`SELECT c.relname::text FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
		  WHERE c.relkind IN ('r','p') AND a.attname = 'shop_id' AND NOT a.attisdropped AND c.relnamespace = 'public'::regnamespace
		  AND (NOT c.relrowsecurity OR NOT EXISTS (SELECT 1 FROM pg_policy p WHERE p.polrelid = c.oid))`,
			"table %s has no row-level security or no policy"},
		{`SELECT current_setting('server_encoding') WHERE current_setting('server_encoding') <> 'UTF8'`,
			"the server's encoding is %s, not UTF8"},
	} {
		rows, err := db.Pool.Query(ctx, q.sql)
		if err != nil {
			return fmt.Errorf("boot check: %w", err)
		}
		names, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			return fmt.Errorf("boot check: %w", err)
		}
		for _, n := range names {
			bad = append(bad, fmt.Sprintf(q.what, n))
		}
	}
	if len(bad) > 0 {
		return fmt.Errorf("will not start: %s; sign in as drumline_app on a migrated database", strings.Join(bad, "; "))
	}
	return nil
}
