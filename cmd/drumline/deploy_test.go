package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/shared/pg/local"
	"drumline/shared/pg/roles"
)

// TestDeployRoles follows the README on a server of its own: roles and
// database by deploy/roles.sql, then migrate, shop create, serve and sign in.
func TestDeployRoles(t *testing.T) {
	server, err := local.Open(t.Context(), local.Options{Dir: short(t), Ephemeral: true,
		Getenv: settings("DRUMLINE_PG_SOURCES", "binaries")})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Close(context.Background())) })
	runScript(t, server.AdminURL, "../../deploy/roles.sql")
	as := func(role string) string {
		url, err := roles.URL(server.AdminURL, role, "", "drumline")
		require.NoError(t, err)
		return url
	}
	out, err := toEnd(t, settings("DRUMLINE_MIGRATOR_URL", as(roles.Migrator)), "migrate", "up")
	require.NoError(t, err)
	require.Contains(t, out, "the schema is at version")
	_, err = toEnd(t, settings("DRUMLINE_DATABASE_URL", as(roles.App), "DRUMLINE_OWNER_PASSWORD", "a long password 1"), "shop", "create",
		"--code", "elm-yard", "--name", "Elm Yard", "--time-zone", "America/Denver", "--owner-name", "Olive", "--email", "olive@elm.example")
	require.NoError(t, err)
	r, url := serve(t, as(roles.App))
	require.NotEmpty(t, signIn(t, url, "elm-yard", "olive@elm.example", "a long password 1"))
	r.interrupt()
}

// TestDeployPasswords runs the script of the database's container: each of the
// three that sign in gets its own password, whatever stands in it.
func TestDeployPasswords(t *testing.T) {
	server, err := local.Open(t.Context(), local.Options{Dir: short(t), Ephemeral: true,
		Getenv: settings("DRUMLINE_PG_SOURCES", "binaries")})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Close(context.Background())) })
	runScript(t, server.AdminURL, "../../deploy/roles.sql")
	admin, err := pgx.Connect(t.Context(), server.AdminURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, admin.Close(t.Context())) }()
	c := admin.Config()
	psql := exec.CommandContext(t.Context(), "bash", "-c", `PATH="$PATH:$(echo /usr/lib/postgresql/*/bin | tr ' ' :)" sh ../../deploy/passwords.sh`)
	psql.Env = append(os.Environ(), "PGHOST="+c.Host, fmt.Sprintf("PGPORT=%d", c.Port), "POSTGRES_USER="+c.User, "PGPASSWORD="+c.Password,
		"DRUMLINE_MIGRATOR_PASSWORD=one", "DRUMLINE_APP_PASSWORD=t'wo; --", "DRUMLINE_WORKER_PASSWORD=$three")
	said, err := psql.CombinedOutput()
	require.NoError(t, err, string(said))
	rows, err := admin.Query(t.Context(), `SELECT rolname::text FROM pg_authid WHERE rolpassword LIKE 'SCRAM-SHA-256$%' AND rolname LIKE 'drumline%' ORDER BY 1`)
	require.NoError(t, err)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Equal(t, []string{roles.App, roles.Migrator, roles.Worker}, names)
}

// runScript runs the statements of a file one by one, as psql does.
func runScript(t *testing.T, url, file string) {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(t.Context())) }()
	for _, statement := range statements(string(text)) {
		_, err := conn.Exec(t.Context(), statement)
		require.NoError(t, err, statement)
	}
}

// statements cuts a script without function bodies into its statements.
func statements(script string) []string {
	var out []string
	for _, s := range strings.Split(comment.ReplaceAllString(script, ""), ";") {
		if s = strings.TrimSpace(s); s != "" {
			out = append(out, s)
		}
	}
	return out
}

var comment = regexp.MustCompile(`(?m)--.*$`)
