package migrations_test

import (
	"context"
	"fmt"
	"io/fs"
	"regexp"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/migrations"
	"drumline/shared/pg/pgtest"
	"drumline/shared/pg/roles"
)

var (
	fileName = regexp.MustCompile(`^(\d{6})_[a-z0-9_]+\.(up|down)\.sql$`)
	// Function bodies may say BEGIN and mean no transaction.
	dollarBody  = regexp.MustCompile(`(?s)\$(\w*)\$.*?\$\w*\$`)
	comment     = regexp.MustCompile(`--[^\n]*`)
	transaction = regexp.MustCompile(`(?im)(^|;)\s*(BEGIN|START\s+TRANSACTION|COMMIT|END|ROLLBACK|ABORT)\b`)
	concurrent  = regexp.MustCompile(`(?i)\bCONCURRENTLY\b`)
)

// fileFaults says what is wrong with a set of migration files.
func fileFaults(fsys fs.FS) []string {
	var faults []string
	names, err := fs.Glob(fsys, "*.sql")
	if err != nil {
		return []string{err.Error()}
	}
	seen := map[string]int{}
	for _, name := range names {
		match := fileName.FindStringSubmatch(name)
		if match == nil {
			faults = append(faults, name+": not NNNNNN_name.up.sql or .down.sql")
			continue
		}
		seen[match[1]+match[2]]++
		text, err := fs.ReadFile(fsys, name)
		if err != nil {
			faults = append(faults, err.Error())
		}
		plain := comment.ReplaceAllString(dollarBody.ReplaceAllString(string(text), "''"), "")
		switch {
		case strings.TrimSpace(plain) == "":
			faults = append(faults, name+": empty")
		case transaction.MatchString(plain):
			faults = append(faults, name+": begins or ends a transaction")
		case concurrent.MatchString(plain):
			faults = append(faults, name+": CONCURRENTLY cannot run inside the file's transaction")
		}
	}
	for n := 1; n <= max(len(names)/2, 1); n++ {
		for _, direction := range []string{"up", "down"} {
			if count := seen[fmt.Sprintf("%06d%s", n, direction)]; count != 1 {
				faults = append(faults, fmt.Sprintf("%06d: %d %s files, need 1", n, count, direction))
			}
		}
	}
	return faults
}

func TestFiles(t *testing.T) {
	require.Empty(t, fileFaults(migrations.FS()))
}

func TestFileFaultsAreFound(t *testing.T) {
	for _, c := range []struct {
		files []string
		want  string
	}{
		{[]string{}, "000001: 0 up files"},
		{[]string{"000001_a.up.sql", "SELECT 1"}, "000001: 0 down files"},
		{[]string{"1_a.up.sql", "SELECT 1"}, "not NNNNNN"},
		{[]string{"000001_a.up.sql", "SELECT 1", "000001_a.down.sql", "SELECT 1", "000003_a.up.sql", "x", "000003_a.down.sql", "x"}, "000002: 0 up"},
		{[]string{"000001_a.up.sql", "SELECT 1", "000001_b.up.sql", "x"}, "000001: 2 up files"},
		{[]string{"000001_a.up.sql", "BEGIN;\nSELECT 1;"}, "begins or ends"},
		{[]string{"000001_a.up.sql", "SELECT 1; commit;"}, "begins or ends"},
		{[]string{"000001_a.up.sql", "CREATE INDEX CONCURRENTLY i ON t (a);"}, "CONCURRENTLY"},
		{[]string{"000001_a.up.sql", "-- nothing\n"}, "empty"},
	} {
		require.Contains(t, strings.Join(fileFaults(sqlFiles(c.files...)), "\n"), c.want)
	}
	body := "CREATE FUNCTION f() RETURNS int LANGUAGE plpgsql AS $$\nBEGIN\n RETURN 1;\nEND\n$$; -- COMMIT;\n"
	require.Empty(t, fileFaults(sqlFiles("000001_a.up.sql", body, "000001_a.down.sql", "DROP FUNCTION f()")))
}

// shopTables are the tables with a shop_id column; the rest of the rules hang
// from them.
const shopTables = `
	WITH shop_table AS (
		SELECT c.oid, c.relname, c.relrowsecurity, a.attnum
		FROM pg_class c
		JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'shop_id' AND NOT a.attisdropped
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p')
	)`

// schemaRules are queries that name what breaks a rule of tenancy. A foreign key
// to a table without shop_id, and a unique index of one, are no concern of theirs.
var schemaRules = []struct{ name, sql string }{
	{"row-level security is off", shopTables + `
		SELECT relname FROM shop_table WHERE NOT relrowsecurity`},
	{"no policy", shopTables + `
		SELECT relname FROM shop_table t WHERE NOT EXISTS (SELECT FROM pg_policy p WHERE p.polrelid = t.oid)`},
	{"row-level security without shop_id", shopTables + `
		SELECT c.relname FROM pg_class c
		WHERE c.relnamespace = 'public'::regnamespace AND c.relrowsecurity AND c.oid NOT IN (SELECT oid FROM shop_table)`},
	{"no primary key", shopTables + `
		SELECT relname FROM shop_table t
		WHERE NOT EXISTS (SELECT FROM pg_index i WHERE i.indrelid = t.oid AND i.indisprimary)`},
	{"primary key or unique index does not begin with shop_id", shopTables + `
		SELECT i.indexrelid::regclass::text FROM shop_table t JOIN pg_index i ON i.indrelid = t.oid
		WHERE i.indisunique AND i.indkey[0] <> t.attnum`},
	{"exclusion constraint does not begin with shop_id", shopTables + `
		SELECT con.conname FROM shop_table t JOIN pg_constraint con ON con.conrelid = t.oid
		WHERE con.contype = 'x' AND con.conkey[1] IS DISTINCT FROM t.attnum`},
	{"foreign key does not tie shop_id to shop_id", shopTables + `
		SELECT con.conname FROM pg_constraint con
		JOIN shop_table target ON target.oid = con.confrelid
		LEFT JOIN shop_table source ON source.oid = con.conrelid
		WHERE con.contype = 'f' AND NOT EXISTS (
			SELECT FROM unnest(con.conkey, con.confkey) AS pair (here, there)
			WHERE pair.here = source.attnum AND pair.there = target.attnum)`},
	{"shop_id may be null", shopTables + `
		SELECT relname FROM shop_table t JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = t.attnum
		WHERE NOT a.attnotnull`},
	{"view is not security_invoker", `
		SELECT c.relname FROM pg_class c
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'v'
		  AND NOT coalesce('security_invoker=true' = ANY (c.reloptions) OR 'security_invoker=on' = ANY (c.reloptions), false)`},
	{"materialized view, which knows no row-level security", `
		SELECT c.relname FROM pg_class c
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'm'`},
	{"security definer function", `
		SELECT p.proname FROM pg_proc p
		WHERE p.pronamespace = 'public'::regnamespace AND p.prosecdef`},
	{"enum, whose equality is not leakproof", `
		SELECT t.typname FROM pg_type t WHERE t.typnamespace = 'public'::regnamespace AND t.typtype = 'e'`},
	{"runtime role may truncate, reference or trigger", `
		SELECT c.relname FROM pg_class c, unnest(ARRAY['` + roles.App + `', '` + roles.Worker + `']) AS role
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p')
		  AND has_table_privilege(role, c.oid, 'TRUNCATE, REFERENCES, TRIGGER')`},
	{"everybody has rights", `
		SELECT c.relname FROM pg_class c, aclexplode(c.relacl) AS acl
		WHERE c.relnamespace = 'public'::regnamespace AND acl.grantee = 0
		  AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = c.oid AND d.deptype = 'e')`},
}

// broken returns what breaks one rule.
func broken(t *testing.T, conn *pgx.Conn, sql string) []string {
	t.Helper()
	rows, err := conn.Query(t.Context(), sql)
	require.NoError(t, err)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return names
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close(context.Background())) })
	return conn
}

func TestSchemaKeepsTheTenancyRules(t *testing.T) {
	t.Parallel()
	conn := connect(t, pgtest.New(t).AdminURL)
	var count int
	require.NoError(t, conn.QueryRow(t.Context(), shopTables+`SELECT count(*) FROM shop_table`).Scan(&count))
	require.Greater(t, count, 10, "the rules look at the tables of the shop")
	for _, rule := range schemaRules {
		require.Empty(t, broken(t, conn, rule.sql), rule.name)
	}
}

// Every rule names the culprit of a schema that breaks them all.
func TestBrokenTenancyRulesAreFound(t *testing.T) {
	t.Parallel()
	conn := connect(t, pgtest.Empty(t).AdminURL)
	_, err := conn.Exec(t.Context(), `
		CREATE EXTENSION btree_gist;
		CREATE TABLE good (shop_id uuid NOT NULL, id uuid, PRIMARY KEY (shop_id, id));
		ALTER TABLE good ENABLE ROW LEVEL SECURITY;
		CREATE POLICY own ON good USING (true);
		CREATE TABLE bad (shop_id uuid, other uuid, id uuid UNIQUE,
			CONSTRAINT bad_fk FOREIGN KEY (other, id) REFERENCES good (shop_id, id),
			CONSTRAINT bad_exclusion EXCLUDE USING gist (id WITH =));
		CREATE TABLE worse (id uuid, UNIQUE (id));
		ALTER TABLE worse ENABLE ROW LEVEL SECURITY;
		GRANT TRUNCATE ON worse TO `+roles.Worker+`;
		GRANT SELECT ON worse TO PUBLIC;
		CREATE VIEW seen WITH (security_invoker = false) AS SELECT 1 AS a;
		CREATE VIEW plain AS SELECT 1 AS a;
		CREATE MATERIALIZED VIEW frozen AS SELECT 1 AS a;
		CREATE FUNCTION f() RETURNS int LANGUAGE sql SECURITY DEFINER AS 'SELECT 1';
		CREATE TYPE state AS ENUM ('a');`)
	require.NoError(t, err)
	want := map[string][]string{
		"row-level security is off":          {"bad"},
		"no policy":                          {"bad"},
		"row-level security without shop_id": {"worse"},
		"no primary key":                     {"bad"},
		"primary key or unique index does not begin with shop_id": {"bad_id_key"},
		"exclusion constraint does not begin with shop_id":        {"bad_exclusion"},
		"foreign key does not tie shop_id to shop_id":             {"bad_fk"},
		"shop_id may be null":                                     {"bad"},
		"view is not security_invoker":                            {"plain", "seen"},
		"materialized view, which knows no row-level security":    {"frozen"},
		"security definer function":                               {"f"},
		"enum, whose equality is not leakproof":                   {"state"},
		"runtime role may truncate, reference or trigger":         {"worse"},
		"everybody has rights":                                    {"worse"},
	}
	for _, rule := range schemaRules {
		require.ElementsMatch(t, want[rule.name], broken(t, conn, rule.sql), rule.name)
	}
	require.Len(t, want, len(schemaRules))
}

// schemaDump lists columns, indexes, constraints and policies, one a line.
const schemaDump = `
	SELECT format('column %s.%s %s %s %s', c.relname, a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull,
		pg_get_expr(d.adbin, d.adrelid))
	FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
	LEFT JOIN pg_attrdef d ON d.adrelid = c.oid AND d.adnum = a.attnum
	WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p', 'v')
	UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname = 'public'
	UNION ALL SELECT format('constraint %s %s', conname, pg_get_constraintdef(oid)) FROM pg_constraint
		WHERE connamespace = 'public'::regnamespace
	UNION ALL SELECT format('policy %s.%s %s %s %s', tablename, policyname, roles, qual, with_check) FROM pg_policies
	UNION ALL SELECT format('rights %s %s', relname, relacl) FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'v')
	UNION ALL SELECT format('function %s', p.oid::regprocedure) FROM pg_proc p
		WHERE p.pronamespace = 'public'::regnamespace
		  AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e')
	ORDER BY 1`

func TestUpDownUp(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	conn := connect(t, db.AdminURL)
	require.NoError(t, migrations.Up(t.Context(), db.MigratorURL))
	first := broken(t, conn, schemaDump)
	require.NotEmpty(t, first)

	require.NoError(t, migrations.Down(t.Context(), db.MigratorURL))
	version, dirty, err := migrations.Version(t.Context(), db.AppURL)
	require.NoError(t, err)
	require.Zero(t, version)
	require.False(t, dirty)
	for _, line := range broken(t, conn, schemaDump) {
		require.Contains(t, line, "schema_migrations", "left behind by the down files")
	}

	require.NoError(t, migrations.Up(t.Context(), db.MigratorURL))
	require.Equal(t, first, broken(t, conn, schemaDump))
	require.NoError(t, migrations.Check(t.Context(), db.AppURL))
	version, _, err = migrations.Version(t.Context(), db.WorkerURL)
	require.NoError(t, err)
	require.Equal(t, migrations.Latest(), version)
}
