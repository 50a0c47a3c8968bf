package electric_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// quoted finds a fire figure in a text: a number that counts fires, deaths or
// injuries.
var quoted = regexp.MustCompile(`(?i)\b(\d[\d,]*(?:\.\d+)?)( (?:[a-z]+ ){0,3})(?:fires|deaths|injuries)\b`)

// unfounded gives the fire figures of a text that no row of the table states.
// A figure that counts something beside fires (a year, a percentage) is
// written apart from the word.
func unfounded(text string, known map[float64]bool) []string {
	var out []string
	for _, m := range quoted.FindAllStringSubmatch(text, -1) {
		v, err := strconv.ParseFloat(strings.ReplaceAll(m[1], ",", ""), 64)
		if err != nil || !known[v] {
			out = append(out, m[0])
		}
	}
	return out
}

func fireFigures(t *testing.T) map[float64]bool {
	known := map[float64]bool{}
	for _, row := range table(t, "fire_facts.csv") {
		require.Regexp(t, `^(U\.S\. Fire Administration|NFPA)[ ,].*20\d\d`, row["source"], "who counted, and when")
		require.NotEmpty(t, row["fact"])
		require.Equal(t, "confirmed", row["status"], row["fact"])
		known[num(t, row["value"])] = true
	}
	require.Len(t, table(t, "fire_facts.csv"), 16)
	return known
}

// TestFireFigures: whatever the program or its papers say of fires is a
// published figure of the table, which names who counted what.
func TestFireFigures(t *testing.T) {
	known := fireFigures(t)
	require.Empty(t, unfounded("An estimated 2,900 dryer fires and 5 deaths a year; another count has 15970 fires", known))
	require.Equal(t, []string{"18,870 home fires"}, unfounded("18,870 home fires, being the sum of two counts", known))
	files := 0
	root := filepath.Join("..", "..")
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "testdata" || d.Name() == ".git"):
			return filepath.SkipDir
		case d.IsDir() || !speaks(path):
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files++
		require.Empty(t, unfounded(string(data), known), path)
		return nil
	}))
	require.Greater(t, files, 100)
}

// speaks says whether people may read what a file holds.
func speaks(path string) bool {
	switch filepath.Ext(path) {
	case ".go", ".yaml", ".md", ".sql", ".tmpl", ".html", ".txt":
		return !strings.HasSuffix(path, "_test.go")
	}
	return false
}
