package main

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
)

// TestMain lets this program be the service too: the command starts itself.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "serve" {
		main()
		return
	}
	os.Exit(m.Run())
}

func TestWholeCommand(t *testing.T) {
	var out, progress bytes.Buffer
	p := &program{strings.NewReader(""), &out, &progress}
	err := run(t.Context(), []string{"--seconds=1", "--rounds=1", "--clients=2", "--calls=2", "--ephemeral", "--json", "--data=" + t.TempDir()}, p)
	require.NoError(t, err, progress.String())
	var r Report
	require.NoError(t, json.Unmarshal(out.Bytes(), &r), out.String())

	require.Empty(t, r.Differences)
	require.Greater(t, len(r.Statements), 15)
	found := false
	for _, s := range r.Statements {
		if strings.HasPrefix(s.Statement, "INSERT INTO reading (") {
			found = true
			require.InDelta(t, 1, s.ServiceCalls, tolerance)
			require.InDelta(t, 1, s.LimitCalls, tolerance)
			require.Positive(t, s.ServiceTime)
		}
	}
	require.True(t, found, "what a reading is stored by")

	require.GreaterOrEqual(t, len(r.Trips), 2)
	require.Equal(t, "begin", r.Trips[0].Statements[0])
	last := r.Trips[len(r.Trips)-1].Statements
	require.Equal(t, "commit", last[len(last)-1])

	require.Len(t, r.Sides, 2)
	require.Equal(t, []string{"service", "pgbench"}, []string{r.Sides[0].Name, r.Sides[1].Name})
	for _, s := range r.Sides {
		require.Len(t, s.Rounds, 1)
		require.Positive(t, s.Rounds[0].Requests)
		require.Positive(t, s.Rounds[0].P50)
		require.GreaterOrEqual(t, s.Rounds[0].P99, s.Rounds[0].P50)
	}
	require.Len(t, r.Ratios, 1)
	require.Positive(t, r.Median)
	require.Equal(t, "off", r.Settings["fsync"], "the report says what the figures are worth")

	var text bytes.Buffer
	r.Settings["fsync"] = "on"
	require.NoError(t, r.print(&text))
	require.Contains(t, text.String(), "Only ratios of one run mean anything")
	require.Contains(t, text.String(), "the same number of calls a request on both sides")
}

func TestDifferentStatementsAreReported(t *testing.T) {
	service, limit := &Side{count: map[string]*counted{}}, &Side{count: map[string]*counted{}}
	service.take(Round{all: 100}, []statement{{"SELECT a FROM t WHERE s = $1", 100, 5}, {"INSERT INTO t VALUES ($1, $2)", 200, 9}})
	limit.take(Round{all: 50}, []statement{{"SELECT a FROM t WHERE s = $3;", 50, 2}, {"INSERT INTO t VALUES ($1, $2)", 50, 2}})
	r := &Report{}
	r.compare(service, limit)
	require.Len(t, r.Differences, 1)
	require.Contains(t, r.Differences[0], "2.000 calls a request by the service, 1.000 by pgbench: INSERT INTO t")
}

func TestNormalStatements(t *testing.T) {
	for _, c := range []struct{ service, limit string }{
		{"SELECT x FROM t WHERE a = $1 AND b = $2", "SELECT x FROM t WHERE a = $1\n\tAND b = ($2::text || lpad(to_hex($3::bigint), $4, $5))::uuid"},
		{"SELECT coalesce($1::float8[], '{}')", "SELECT coalesce(NULL::float8[], $7)"},
		{"SELECT set_config('app.shop', $1, true)", "SELECT set_config($2, $1, $3);"},
	} {
		require.Equal(t, normal(c.service), normal(c.limit))
	}
	require.NotEqual(t, normal("SELECT a FROM t WHERE b = $1"), normal("SELECT a FROM t WHERE c = $1"))
	require.NotEqual(t, normal("SELECT a FROM t1"), normal("SELECT a FROM t2"))
}

func TestScript(t *testing.T) {
	text := func(s string) *string { return &s }
	made, other := domain.NewID(time.UnixMilli(1)), domain.NewID(time.UnixMilli(2))
	data := &dataset{calls: 3, techs: []tech{{p: domain.Principal{Person: other}}}}
	q := sent{sql: `INSERT INTO t VALUES ($1, $2, $3, $4, $5, $6, $1)`,
		args:  []any{made, numbered(visitIDs, 0), other, "key " + captureKey, nil, 7},
		texts: []*string{text(made.String()), text(""), text(""), text("key " + captureKey), nil, text("7")},
		fresh: []bool{true, false, false, false, false, false}}
	got, consts := writeScript(data, []trip{{q}, {{sql: "commit"}}})
	require.Equal(t, []string{freshIDs + "0", visitIDs, "7"}, consts)
	require.Contains(t, got, `random(0, 2)`)
	fresh := `(:c0::text || lpad(to_hex(:n::bigint), 16, '0'))::uuid`
	require.Contains(t, got, "\\startpipeline\nINSERT INTO t VALUES ("+fresh+`, (:c1::text || lpad(to_hex(:k::bigint), 16, '0'))::uuid, :person, :n, NULL, :c2, `+fresh+
		");\n\\endpipeline\n\\startpipeline\ncommit;\n\\endpipeline\n")
}

func TestShapes(t *testing.T) {
	named := func(names ...string) (out trip) {
		for _, n := range names {
			out = append(out, sent{sql: n})
		}
		return out
	}
	trips := []trip{named("begin", "read"), named("write"), named("commit")}
	require.Equal(t, []trip{named("begin", "read"), named("write", "commit")}, loadAndStore(trips))
	require.Equal(t, []trip{named("begin", "read", "write", "commit")}, together(trips))
	require.Equal(t, []trip{named("begin", "read"), named("write", "commit")}, loadAndStore(loadAndStore(trips)))
}

func TestMeasuredLeavesTheWarmUpOut(t *testing.T) {
	w := &work{}
	start := time.Unix(1000, 0)
	for i := range 400 { // one every 10 ms, each 4 ms long; the last second comes after the end
		w.add(start.Add(time.Duration(i)*10*time.Millisecond+4*time.Millisecond), 4*time.Millisecond)
	}
	r := w.measured(2)
	require.Equal(t, 200, r.Requests)
	require.InDelta(t, 100, r.PerSecond, 0.001)
	require.InDelta(t, 4, r.P50, 0.001)
	require.Equal(t, Round{}, (&work{}).measured(2))
}

func TestPercentileAndMedian(t *testing.T) {
	// The nearest rank: the 99th percentile of 1 to 200 is the 198th value.
	var xs []float64
	for i := range 200 {
		xs = append(xs, float64(i+1))
	}
	require.InDelta(t, 198, percentile(xs, 99), 0)
	require.InDelta(t, 100, percentile(xs, 50), 0)
	require.InDelta(t, 7, percentile([]float64{7}, 99), 0)
	require.InDelta(t, 2, median([]float64{3, 1, 2}), 0)
	require.InDelta(t, 2.5, median([]float64{4, 1, 2, 3}), 0)
}

func TestOptionsOutOfRange(t *testing.T) {
	for _, args := range [][]string{{"--seconds=0"}, {"--rounds=0"}, {"--clients=65"}, {"--calls=0"}, {"--minutes=1"}} {
		var out bytes.Buffer
		require.Error(t, run(t.Context(), args, &program{strings.NewReader(""), &out, &out}), "%v", args)
	}
}
