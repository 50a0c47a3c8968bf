package local

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// installation is one directory of PostgreSQL server programs.
type installation struct {
	dir   string
	major int
}

// places are where distributions keep server programs out of the PATH.
var places = []string{
	"/usr/lib/postgresql/*/bin",
	"/usr/pgsql-*/bin",
	"/opt/homebrew/opt/postgresql@*/bin",
	"/usr/local/opt/postgresql@*/bin",
}

// installed returns the installation to use: the one of the PATH, else the
// newest of the usual places. Where a cluster exists already, made is its major
// version and only that one can run it; otherwise made is 0.
func installed(ctx context.Context, path string, made int) (bin installation, ok bool, err error) {
	all := candidates(ctx, path)
	for _, c := range all {
		if made == c.major || made == 0 && c.major >= MinMajor {
			return c, true, nil
		}
	}
	if made != 0 && len(all) > 0 {
		return bin, false, fmt.Errorf("the private cluster was made by PostgreSQL %d, this machine now has %d: "+
			"install %d again, or start over with a fresh cluster", made, all[0].major, made)
	}
	return bin, false, nil
}

// candidates lists every installation that works, those of the PATH first and
// the rest from the newest down.
func candidates(ctx context.Context, path string) []installation {
	var first, rest []installation
	for _, dir := range filepath.SplitList(path) {
		if bin, ok := inspect(ctx, dir); ok {
			first = append(first, bin)
		}
	}
	for _, place := range places {
		dirs, err := filepath.Glob(place)
		if err != nil {
			continue
		}
		for _, dir := range dirs {
			if bin, ok := inspect(ctx, dir); ok {
				rest = append(rest, bin)
			}
		}
	}
	slices.SortStableFunc(rest, func(a, b installation) int { return cmp.Compare(b.major, a.major) })
	return append(first, rest...)
}

var versionPattern = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

// inspect tells whether dir has the three programs a cluster needs, and of which
// version. A link to the server program leads to the directory it lives in.
func inspect(ctx context.Context, dir string) (installation, bool) {
	if !filepath.IsAbs(dir) {
		return installation{}, false
	}
	server, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"))
	if err != nil {
		return installation{}, false
	}
	dir = filepath.Dir(server)
	for _, name := range []string{"initdb", "pg_ctl"} {
		if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			return installation{}, false
		}
	}
	out, err := exec.CommandContext(ctx, server, "--version").Output()
	if err != nil {
		return installation{}, false
	}
	match := versionPattern.FindStringSubmatch(strings.TrimSpace(string(out)))
	if match == nil {
		return installation{}, false
	}
	major, err := strconv.Atoi(match[1])
	return installation{dir: dir, major: major}, err == nil
}
