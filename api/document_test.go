package api_test

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api"
	"drumline/domain"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// golden compares got with a file, or rewrites the file.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got, "%s is not what is served; if the change is meant: go test ./api -run TestDocument -update", file)
}

// TestDocument holds what is served against the golden document.
func TestDocument(t *testing.T) {
	w := newWorld(t)
	yaml := w.edge.OpenAPIYAML()
	golden(t, "openapi.yaml", string(yaml))
	require.NoError(t, w.valid.CompileAll())
}

// TestRolesDocument holds the role of each operation in a table that is read
// by people; a change of rights shows in it.
func TestRolesDocument(t *testing.T) {
	w := newWorld(t)
	var b strings.Builder
	for _, op := range w.edge.Routes() {
		fmt.Fprintf(&b, "%-7s %-58s %s\n", op.Method, op.Path, who(op))
	}
	golden(t, "../testdata/api/roles.txt", b.String())
}

func who(op api.Op) string {
	if op.Public {
		return "everybody"
	}
	var names []string
	for _, r := range op.Roles {
		names = append(names, string(r))
	}
	return strings.Join(names, " ")
}

// TestUnknownQueryIsRefusedEverywhere asks each operation with a parameter it
// does not have, and with one that stands twice.
func TestUnknownQueryIsRefusedEverywhere(t *testing.T) {
	w := newWorld(t)
	for _, op := range w.edge.Routes() {
		path := placeholder.ReplaceAllString(op.Path, domain.NewID(time.Now()).String())
		for _, query := range []string{"?no_such_parameter=1", "?page_size=1&page_size=2", "?x=%zz"} {
			req := w.a.owner.request(op.Method, path+query, map[bool]any{true: "{}"}[op.Method != "GET" && op.Method != "DELETE"], "If-Match", "*")
			if len(op.Consumes) > 0 {
				req.Header.Set("Content-Type", op.Consumes[0])
			}
			if op.Roles != nil && !op.Roles.Allow(domain.Owner) {
				continue
			}
			require.Equal(t, 400, w.a.owner.send(req).status, "%s %s", op.ID, query)
		}
	}
	w.a.owner.get("/v1/people/me") // nobody was signed out on the way
}
