package domain_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// hole stands for a part of a statement that is not written where it is used.
const hole = "§"

var (
	tableOf   = regexp.MustCompile(`(?i)\b(?:FROM|JOIN|UPDATE|INTO)\s+([a-z_]+|§)`)
	condition = regexp.MustCompile(`(?:\b\w+\.)?shop_id = (?:\$1|\w+\.shop_id)|INTO \w+ \(shop_id\b`)
	viewed    = regexp.MustCompile(`CREATE VIEW (\w+) `)
	made      = regexp.MustCompile(`(?s)CREATE TABLE (\w+) \((.*?)\n\);`)
)

// shopTables reads the names of the tables with a shop_id off the migrations.
func shopTables(t *testing.T) map[string]bool {
	t.Helper()
	files, err := filepath.Glob("../migrations/*.up.sql")
	require.NoError(t, err)
	out := map[string]bool{}
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		for _, m := range viewed.FindAllStringSubmatch(string(text), -1) {
			out[m[1]] = true // each view of ours shows shop_id
		}
		for _, m := range made.FindAllStringSubmatch(string(text), -1) {
			if strings.Contains(m[2], "shop_id") {
				out[m[1]] = true
			}
		}
	}
	require.Greater(t, len(out), 20)
	return out
}

// across are the statements that look across shops: which of them have something
// to do. Policies of the worker's own show it ids, times and numbers.
var across = []string{`SELECT shop_id FROM care_agenda WHERE wake_at <= $1
	UNION SELECT d.id FROM shop_directory d CROSS JOIN LATERAL (SELECT FROM care_stale s WHERE s.shop_id = d.id LIMIT 1) marked
	UNION SELECT f.shop_id FROM shop_feed f JOIN care_agenda a ON a.shop_id = f.shop_id AND f.seq > a.visit_seq`,
	`SELECT DISTINCT shop_id FROM history_stale`}

// statement is one text of SQL in the code.
type statement struct {
	at   token.Position
	text string
}

// references counts the shop's tables a statement names. A hole where a table
// stands counts as one, and so does a text that begins with WHERE.
func references(tables map[string]bool, text string) int {
	n := 0
	if strings.HasPrefix(strings.TrimSpace(text), "WHERE") {
		n++
	}
	for _, m := range tableOf.FindAllStringSubmatch(text, -1) {
		if tables[strings.ToLower(m[1])] || m[1] == hole {
			n++
		}
	}
	return n
}

// conditions counts the places where a statement names the shop.
func conditions(text string) int { return len(condition.FindAllString(text, -1)) }

// TestEveryStatementNamesItsShop: row-level security is the second net, so each
// table of a statement is bound by shop_id = $1, or by its join, once. So taking
// any one of these conditions away is noticed here, whatever the walk sees.
func TestEveryStatementNamesItsShop(t *testing.T) {
	tables := shopTables(t)
	count, crossed := 0, 0
	for _, s := range statements(t) {
		if slices.Contains(across, s.text) {
			crossed++
			continue
		}
		if n := references(tables, s.text); n > 0 {
			count++
			require.Equal(t, n, conditions(s.text), "%s: tables of a shop, and conditions on shop_id:\n%s", s.at, s.text)
		}
	}
	require.Greater(t, count, 100)
	require.Equal(t, len(across), crossed, "statements that look across shops")
}

// statements finds the texts of SQL under domain: string expressions, with
// constants of the same package put in and all else as holes.
func statements(t *testing.T) []statement {
	t.Helper()
	readers := map[string]*reader{}
	var order []string
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		dir := filepath.Dir(path)
		if readers[dir] == nil {
			readers[dir] = &reader{fset: token.NewFileSet(), constants: map[string]ast.Expr{}, inner: map[ast.Node]bool{}}
			order = append(order, dir)
		}
		f, err := parser.ParseFile(readers[dir].fset, path, nil, 0)
		readers[dir].files = append(readers[dir].files, f)
		return err
	})
	require.NoError(t, err)
	var out []statement
	for _, dir := range order {
		out = append(out, readers[dir].read()...)
	}
	return out
}

// reader gathers the statements of one package.
type reader struct {
	fset      *token.FileSet
	files     []*ast.File
	constants map[string]ast.Expr
	inner     map[ast.Node]bool // parts of a larger expression
	found     []statement
}

func (r *reader) read() []statement {
	for _, f := range r.files {
		ast.Inspect(f, r.learn)
	}
	for _, f := range r.files {
		ast.Inspect(f, r.collect)
	}
	return r.found
}

func (r *reader) learn(n ast.Node) bool {
	if v, ok := n.(*ast.ValueSpec); ok {
		for i, name := range v.Names {
			if i < len(v.Values) {
				r.constants[name.Name] = v.Values[i]
			}
		}
	}
	return true
}

func (r *reader) collect(n ast.Node) bool {
	e, ok := n.(ast.Expr)
	if !ok || r.inner[n] {
		return true
	}
	switch e := e.(type) {
	case *ast.BinaryExpr:
		if e.Op == token.ADD {
			r.add(e)
			ast.Inspect(e, func(c ast.Node) bool { r.inner[c] = true; return true })
		}
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			r.add(e)
		}
	}
	return true
}

func (r *reader) add(e ast.Expr) {
	text := r.flatten(e, 0)
	if tableOf.MatchString(text) || strings.Contains(text, "shop_id") {
		r.found = append(r.found, statement{r.fset.Position(e.Pos()), text})
	}
}

func (r *reader) flatten(e ast.Expr, depth int) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		if s, err := strconv.Unquote(e.Value); err == nil {
			return s
		}
	case *ast.ParenExpr:
		return r.flatten(e.X, depth)
	case *ast.BinaryExpr:
		return r.flatten(e.X, depth) + r.flatten(e.Y, depth)
	case *ast.Ident:
		if v, ok := r.constants[e.Name]; ok && depth < 3 {
			return r.flatten(v, depth+1)
		}
	}
	return hole
}
