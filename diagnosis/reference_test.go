package diagnosis_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// How a package's reference_test.go says which areas of checks.csv it answers
// for, and how many rows it must have seen.
var (
	ownArea    = regexp.MustCompile(`(?m)^\t"([^"]+)":\s+\w+Check,$`)
	ownPrefix  = regexp.MustCompile(`strings\.HasPrefix\(row\["area"\], "([^"]+)"\)`)
	rowsToSeen = regexp.MustCompile(`require\.Equal\(t, (\d+), seen, "rows of`)
)

// TestEveryPublishedFigureHasOneOwner: each row of checks.csv is computed by
// exactly one package, which counts its rows.
func TestEveryPublishedFigureHasOneOwner(t *testing.T) {
	rows := map[string]int{}
	for _, area := range checkAreas(t) {
		rows[area]++
	}
	require.Greater(t, len(rows), 10)
	owner := map[string][]string{}
	counted, total := 0, 0
	for _, pkg := range []string{"measure", "sensors", "airflow", "electric"} {
		data, err := os.ReadFile(filepath.Join(pkg, "reference_test.go"))
		require.NoError(t, err)
		for area := range rows {
			if claims(string(data), area) {
				owner[area] = append(owner[area], pkg)
			}
		}
		seen := rowsToSeen.FindStringSubmatch(string(data))
		require.NotNil(t, seen, "%s does not count its rows", pkg)
		n, err := strconv.Atoi(seen[1])
		require.NoError(t, err)
		counted += n
	}
	for area, n := range rows {
		require.Len(t, owner[area], 1, "%s: %v", area, owner[area])
		total += n
	}
	require.Equal(t, total, counted)
}

// claims says whether a test file names an area, or a beginning of it.
func claims(file, area string) bool {
	for _, m := range ownArea.FindAllStringSubmatch(file, -1) {
		if m[1] == area {
			return true
		}
	}
	for _, m := range ownPrefix.FindAllStringSubmatch(file, -1) {
		if strings.HasPrefix(area, m[1]) {
			return true
		}
	}
	return false
}

// checkAreas is the area of each row of checks.csv; ids are unique.
func checkAreas(t *testing.T) []string {
	f, err := os.Open(filepath.Join("..", "testdata", "measurement", "checks.csv"))
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	r := csv.NewReader(f)
	r.Comment, r.FieldsPerRecord = '#', -1
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"id", "area"}, rows[0][:2])
	ids := map[string]bool{}
	var areas []string
	for _, row := range rows[1:] {
		require.False(t, ids[row[0]], row[0])
		ids[row[0]] = true
		areas = append(areas, row[1])
	}
	return areas
}
