package survival

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

const folder = "../../../testdata/statistics"

// record is one row of a table; an empty cell is an undefined figure.
type record map[string]string

func table(t testing.TB, name string) []record {
	t.Helper()
	f, err := os.Open(filepath.Join(folder, name))
	require.NoError(t, err)
	defer f.Close()
	in := csv.NewReader(f)
	in.Comment = '#'
	lines, err := in.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(lines), 1)
	var rows []record
	for _, line := range lines[1:] {
		r := record{}
		for i, cell := range line {
			r[lines[0][i]] = cell
		}
		rows = append(rows, r)
	}
	return rows
}

func data(t testing.TB, name string) []record     { return table(t, "data/"+name+".csv") }
func expected(t testing.TB, name string) []record { return table(t, "expected/"+name+".csv") }

func (r record) float(t testing.TB, column string) float64 {
	t.Helper()
	cell, ok := r[column]
	require.True(t, ok, "no column %s", column)
	x, err := strconv.ParseFloat(cell, 64)
	require.NoError(t, err, "column %s", column)
	return x
}

func (r record) int(t testing.TB, column string) int {
	t.Helper()
	return int(r.float(t, column))
}

// The tolerances of the reference outputs, relative.
const (
	closedForm = 1e-9
	rooted     = 1e-6
	profiled   = 1e-5
)

// same checks a figure against a cell; an empty cell is a figure that is not
// there. Beside the relative tolerance the twelve printed digits count.
func same(t testing.TB, r record, column string, got Number, tol float64) {
	t.Helper()
	if r[column] == "" {
		require.NotEqual(t, OK, got.Status, "%v %s: got %v", r, column, got.Value)
		require.Zero(t, got.Value)
		return
	}
	require.Equal(t, OK, got.Status, "%v %s", r, column)
	close(t, r.float(t, column), got.Value, tol, "%v %s", r, column)
}

func close(t testing.TB, want, got, tol float64, about ...any) {
	t.Helper()
	require.InDelta(t, want, got, math.Abs(want)*tol+1e-15+math.Abs(want)*1e-11, about...)
}

// sameInterval checks both ends.
func sameInterval(t testing.TB, r record, lo, hi string, got Interval, tol float64) {
	t.Helper()
	same(t, r, lo, got.Lo, tol)
	same(t, r, hi, got.Hi, tol)
}

// followed makes a row with its own unit.
func followed(unit, entry, exit, cause int) Row {
	return Row{Entry: entry, Exit: exit, Cause: cause, Unit: unit}
}

// rowsOf reads a data set with columns time and status or cause; keep chooses.
func rowsOf(t testing.TB, name string, keep func(record) bool) []Row {
	t.Helper()
	var rows []Row
	for i, r := range data(t, name) {
		if keep != nil && !keep(r) {
			continue
		}
		column := "status"
		if _, ok := r["cause"]; ok {
			column = "cause"
		}
		rows = append(rows, followed(i, 0, r.int(t, "time"), r.int(t, column)))
	}
	return rows
}

func where(column, value string) func(record) bool {
	return func(r record) bool { return r[column] == value }
}

// endings makes rows from (day, cause) pairs.
func endings(pairs ...int) []Row {
	var rows []Row
	for i := 0; i < len(pairs); i += 2 {
		rows = append(rows, followed(i, 0, pairs[i], pairs[i+1]))
	}
	return rows
}

// kmRows are the cases of the curve tables. The edge cases are read back from
// their own tables of numbers at risk.
func kmRows(t testing.TB, name string) []Row {
	t.Helper()
	switch name {
	case "aml_maintained":
		return rowsOf(t, "aml", where("group", "Maintained"))
	case "aml_non":
		return rowsOf(t, "aml", where("group", "Nonmaintained"))
	case "aml_all":
		return rowsOf(t, "aml", nil)
	case "gehan_6mp":
		return rowsOf(t, "gehan", where("group", "6-MP"))
	case "gehan_control":
		return rowsOf(t, "gehan", where("group", "control"))
	case "ovarian_all":
		return rowsOf(t, "ovarian", nil)
	case "genfan":
		return rowsOf(t, "genfan", nil)
	case "shop_same_fault":
		return rowsOf(t, "shop_sim", nil)
	case "shop_M-A", "shop_M-B", "shop_M-C":
		return rowsOf(t, "shop_sim", where("model", name[5:]))
	case "edge_tie_death_censor":
		return endings(1, 1, 2, 1, 2, 1, 2, 0, 3, 0, 5, 1)
	case "edge_no_event":
		return endings(3, 0, 5, 0, 9, 0)
	case "edge_all_event":
		return endings(1, 1, 2, 1, 3, 1, 4, 1)
	case "edge_single_event":
		return endings(7, 1)
	case "edge_single_censor":
		return endings(7, 0)
	case "edge_last_censored":
		return endings(1, 1, 2, 1, 3, 0)
	case "edge_all_same":
		return endings(4, 1, 4, 1, 4, 1)
	case "edge_left_trunc":
		return []Row{followed(1, 0, 3, 1), followed(2, 0, 4, 1), followed(3, 0, 6, 1), followed(4, 0, 8, 1), followed(5, 3, 9, 0), followed(6, 4, 10, 0)}
	}
	require.Fail(t, "no rows for the case", name)
	return nil
}
