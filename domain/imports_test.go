package domain_test

import (
	"encoding/json"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// allowed says which packages of this module each package may import, directly
// or not. A package that is not listed fails the test: a new one needs a line.
var allowed = map[string]string{
	"diagnosis":               "diagnosis/airflow diagnosis/catalogue diagnosis/electric diagnosis/isolate diagnosis/measure diagnosis/sensors",
	"diagnosis/airflow":       "",
	"diagnosis/catalogue":     "diagnosis/measure",
	"diagnosis/electric":      "",
	"diagnosis/isolate":       "",
	"diagnosis/measure":       "",
	"diagnosis/sensors":       "diagnosis/measure",
	"domain":                  "",
	"domain/audit":            "domain",
	"domain/once":             "domain shared/pg",
	"domain/people":           "domain domain/audit domain/once shared/pg",
	"domain/supplements":      "domain domain/audit domain/once domain/people shared/pg diagnosis/catalogue diagnosis/measure",
	"domain/customers":        "domain domain/supplements domain/audit domain/once domain/people shared/pg diagnosis/catalogue diagnosis/measure",
	"domain/calls":            "domain domain/supplements domain/audit domain/once domain/people domain/customers shared/pg diagnosis/catalogue diagnosis/measure",
	"domain/care":             "domain domain/dispatch/hours domain/dispatch/ical domain/supplements domain/audit domain/once domain/people domain/customers domain/calls shared/mail shared/pg diagnosis/catalogue diagnosis/measure",
	"domain/repair":           "domain domain/supplements domain/audit domain/once domain/people domain/customers domain/calls domain/care domain/dispatch/hours domain/dispatch/ical shared/mail shared/pg diagnosis diagnosis/airflow diagnosis/catalogue diagnosis/electric diagnosis/isolate diagnosis/measure diagnosis/sensors",
	"domain/history/survival": "",
	"domain/dispatch":         "domain domain/dispatch/hours domain/dispatch/ical domain/dispatch/route domain/supplements domain/audit domain/once domain/people domain/customers domain/calls domain/care domain/repair shared/mail shared/pg diagnosis diagnosis/airflow diagnosis/catalogue diagnosis/electric diagnosis/isolate diagnosis/measure diagnosis/sensors",
	"domain/history":          "domain domain/audit domain/once domain/people domain/dispatch/hours domain/history/figure domain/history/survival shared/pg diagnosis/isolate",
	"domain/history/figure":   "domain/history/survival",
	"api/wire":                "domain",
	"api/quota":               "",
	"api":                     "* -cmd -migrations -shared/pg/local -shared/pg/pgtest -api/apitest -shared/mail/mailtest",
	"api/apitest":             "",
	"migrations":              "shared/pg/roles",
	"shared/pg":               "domain",
	"shared/pg/roles":         "",
	"shared/pg/local":         "shared/pg/roles",
	"shared/pg/pgtest":        "shared/pg/roles shared/pg/local migrations",
	"shared/mail":             "domain",
	"shared/mail/mailtest":    "",
	"shared/mail/sink":        "",
	"shared/telemetry":        "",
	"cmd/bench":               "* -shared/pg/pgtest -api/apitest -shared/mail/mailtest",
	"cmd/drumline/seed":       "* -shared/pg/pgtest -api/apitest -shared/mail/mailtest",
	"cmd/drumline":            "* -shared/pg/pgtest -api/apitest -shared/mail/mailtest",

	"domain/dispatch/hours": "domain",
	"domain/dispatch/ical":  "domain",
	"domain/dispatch/route": "domain",
}

// outside says which modules a tree of packages may import; other trees may
// import anything but what forbidden names.
var outside = map[string][]string{
	"diagnosis/catalogue":     {"go.yaml.in/yaml", "gonum.org"},
	"diagnosis":               {"gonum.org", "go.yaml.in/yaml"},
	"diagnosis/airflow":       {},
	"diagnosis/electric":      {},
	"diagnosis/isolate":       {},
	"diagnosis/measure":       {"gonum.org"},
	"diagnosis/sensors":       {"gonum.org"},
	"domain":                  {},
	"domain/history/survival": {"gonum.org"},
	"domain/history/figure":   {"gonum.org", "codeberg.org", "git.sr.ht/~sbinet", "github.com/ajstarks/svgo", "github.com/golang/freetype", "golang.org/x/image", "golang.org/x/text"},

	"domain/dispatch/hours": {},
	"domain/dispatch/ical":  {},
	"domain/dispatch/route": {},
}

// impure are packages the engine may not reach itself.
var impure = []string{"net/http", "database/sql", "os", "log", "log/slog", "os/exec"}

type listed struct {
	ImportPath string
	Imports    []string
	Deps       []string
}

func packages(t *testing.T) []listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports,Deps", "./...")
	cmd.Dir = ".."
	out, err := cmd.Output()
	require.NoError(t, err)
	var ps []listed
	for dec := json.NewDecoder(strings.NewReader(string(out))); dec.More(); {
		var p listed
		require.NoError(t, dec.Decode(&p))
		ps = append(ps, p)
	}
	require.Greater(t, len(ps), 10)
	return ps
}

// TestImportTable keeps the rooms of the module apart.
func TestImportTable(t *testing.T) {
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, "drumline/")
		rule, ok := allowed[name]
		require.True(t, ok, "package %s has no line in the import table", name)
		for _, dep := range p.Deps {
			if own, in := strings.CutPrefix(dep, "drumline/"); in {
				require.True(t, permits(rule, own), "%s may not import %s", name, own)
				continue
			}
			if only, ok := outside[name]; ok && strings.Contains(strings.SplitN(dep, "/", 2)[0], ".") {
				require.True(t, slices.ContainsFunc(only, func(m string) bool { return strings.HasPrefix(dep, m) }), "%s may not import %s", name, dep)
			}
		}
		if strings.HasPrefix(name, "diagnosis") {
			for _, imp := range p.Imports {
				require.NotContains(t, impure, imp, "%s is pure and may not import %s", name, imp)
			}
		}
		if name == "cmd/drumline" {
			for _, dep := range p.Deps {
				require.NotContains(t, dep, "testcontainers", "the server binary")
				require.NotContains(t, dep, "stretchr/testify", "the server binary")
				require.NotContains(t, dep, "golang-ical", "the server binary")
			}
		}
	}
}

// permits reads a rule: a list of packages, or * for all but those with a -.
func permits(rule, name string) bool {
	words := strings.Fields(rule)
	if len(words) == 0 || words[0] != "*" {
		return slices.Contains(words, name)
	}
	return !slices.ContainsFunc(words[1:], func(w string) bool {
		return name == w[1:] || strings.HasPrefix(name, w[1:]+"/")
	})
}

func TestImportRules(t *testing.T) {
	require.True(t, permits("a b", "b"))
	require.False(t, permits("a b", "c"))
	require.False(t, permits("", "a"))
	require.True(t, permits("* -cmd", "a"))
	require.False(t, permits("* -cmd", "cmd/drumline"))
}
