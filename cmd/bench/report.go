package main

import (
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
)

// Report is the outcome of a run. Side 0 is the service, side 1 pgbench with
// the fewest round trips a reading can take, which is the limit.
type Report struct {
	Note        string            `json:"note"`
	Server      string            `json:"server"`
	Processors  int               `json:"processors"`
	Settings    map[string]string `json:"settings"`
	Data        string            `json:"data"`
	Shape       string            `json:"shape"`
	Trips       []Trip            `json:"trips"` // of the service
	Sides       []*Side           `json:"sides"`
	Ratios      []float64         `json:"ratios"` // service to limit, by round
	Median      float64           `json:"ratio"`
	CommitAlone float64           `json:"commit_alone_ms"`
	Statements  []Compared        `json:"statements"`
	Differences []string          `json:"differences"` // of statements; empty when both sides ran the same
}

// Trip is one round trip of the service.
type Trip struct {
	Statements []string `json:"statements"`
}

// Side is one of the programs compared.
type Side struct {
	Name   string  `json:"name"`
	Rounds []Round `json:"rounds"`
	count  map[string]*counted
	all    int
}

type counted struct {
	calls int64
	total float64
}

// Compared is one statement on the service's side and on the limit's.
type Compared struct {
	Statement    string  `json:"statement"`
	ServiceCalls float64 `json:"service_calls"` // a request
	LimitCalls   float64 `json:"limit_calls"`
	ServiceTime  float64 `json:"service_ms"` // in the server, a call
	LimitTime    float64 `json:"limit_ms"`
}

const note = "Figures of a machine that does other things too. Only ratios of one run mean anything; compare no absolute figure with another run's."

// tolerance is by how many calls a request two sides may differ: one request in
// 256 also sweeps old idempotency keys, and a round ends in the middle of things.
const tolerance = 0.02

func newReport(b *bench) *Report {
	d := b.data
	r := &Report{Note: note, Server: "PostgreSQL " + b.db.version, Processors: runtime.NumCPU(), Settings: b.db.settings, Differences: []string{},
		Data: fmt.Sprintf("one shop, %d techs, one a client; each with %d units under an open call with a visit on site, an isolation and %d readings; a data sheet of %d values; "+
			"each reading goes to a visit of the tech's own taken at random, and what a round added is taken away after it", len(d.techs), d.calls, d.readings, d.values)}
	sizes := []string{}
	for _, t := range b.trips {
		v := Trip{}
		for _, s := range t {
			v.Statements = append(v.Statements, strings.Join(strings.Fields(s.sql), " "))
		}
		r.Trips, sizes = append(r.Trips, v), append(sizes, fmt.Sprint(len(t)))
	}
	r.Shape = fmt.Sprintf("%d round trips a request (%s statements); the limit has 2: load, then store and commit", len(sizes), strings.Join(sizes, " + "))
	for _, name := range b.names {
		r.Sides = append(r.Sides, &Side{Name: name, Rounds: []Round{}, count: map[string]*counted{}})
	}
	return r
}

// take notes a round and what the server counted in it.
func (s *Side) take(r Round, stmts []statement) {
	s.Rounds = append(s.Rounds, r)
	s.all += r.all
	for _, st := range stmts {
		if strings.Contains(st.Query, "bench_client") {
			continue // pgbench asking who it is, once a client
		}
		q := normal(st.Query)
		if s.count[q] == nil {
			s.count[q] = &counted{}
		}
		s.count[q].calls += st.Calls
		s.count[q].total += st.Total
	}
}

// finish works out ratios and compares the statements.
func (r *Report) finish() {
	service, limit := r.Sides[0], r.Sides[1]
	for i := range service.Rounds {
		r.Ratios = append(r.Ratios, service.Rounds[i].PerSecond/limit.Rounds[i].PerSecond)
	}
	r.Median = median(r.Ratios)
	r.compare(service, limit)
}

func (r *Report) compare(a, b *Side) {
	for _, q := range union(a.count, b.count) {
		c := Compared{Statement: q}
		c.ServiceCalls, c.ServiceTime = a.of(q)
		c.LimitCalls, c.LimitTime = b.of(q)
		if math.Abs(c.ServiceCalls-c.LimitCalls) > tolerance {
			r.Differences = append(r.Differences, fmt.Sprintf("%.3f calls a request by the service, %.3f by pgbench: %s", c.ServiceCalls, c.LimitCalls, q))
		}
		r.Statements = append(r.Statements, c)
	}
	slices.SortStableFunc(r.Statements, func(x, y Compared) int {
		return strings.Compare(fmt.Sprintf("%012.6f", y.ServiceTime*y.ServiceCalls), fmt.Sprintf("%012.6f", x.ServiceTime*x.ServiceCalls))
	})
}

// of gives calls a request and milliseconds a call.
func (s *Side) of(query string) (calls, ms float64) {
	c := s.count[query]
	if c == nil || c.calls == 0 || s.all == 0 {
		return 0, 0
	}
	return float64(c.calls) / float64(s.all), c.total / float64(c.calls)
}

func union(a, b map[string]*counted) []string {
	var out []string
	for q := range a {
		out = append(out, q)
	}
	for q := range b {
		if a[q] == nil {
			out = append(out, q)
		}
	}
	slices.Sort(out)
	return out
}

// over is the median of one figure over the rounds.
func (s *Side) over(f func(Round) float64) float64 {
	var xs []float64
	for _, r := range s.Rounds {
		xs = append(xs, f(r))
	}
	return median(xs)
}

// print writes the report for people.
func (r *Report) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	line := func(format string, args ...any) { _, _ = fmt.Fprintf(w, format+"\n", args...) } // Flush gives the error
	line("One reading judged and stored, against pgbench -M prepared with the same statements.")
	line("%s", r.Note)
	line("Server: %s, %d processors, %s; a durable commit alone takes %.2f ms.", r.Server, r.Processors, r.settings(), r.CommitAlone)
	line("Data: %s.", r.Data)
	line("Shape: %s.", r.Shape)
	line("")
	line("\trequests/s\tp50 ms\tp99 ms\tms CPU: database\tservice\tclient\t")
	for _, s := range r.Sides {
		line("%s\t%.0f\t%.2f\t%.2f\t%.2f\t%.2f\t%.2f\t", s.Name, s.over(func(r Round) float64 { return r.PerSecond }), s.over(func(r Round) float64 { return r.P50 }),
			s.over(func(r Round) float64 { return r.P99 }), s.over(func(r Round) float64 { return r.Processor.Database }),
			s.over(func(r Round) float64 { return r.Processor.Service }), s.over(func(r Round) float64 { return r.Processor.Client }))
	}
	line("")
	line("Ratio of service to pgbench: %.2f (median of %d rounds, %.2f to %.2f: %s).", r.Median, len(r.Ratios), slices.Min(r.Ratios), slices.Max(r.Ratios), list(r.Ratios))
	for _, s := range r.Sides[2:] {
		line("%s to pgbench: %.2f.", s.Name, s.over(func(r Round) float64 { return r.PerSecond })/r.Sides[1].over(func(r Round) float64 { return r.PerSecond }))
	}
	if m := r.Sides[0].Rounds[len(r.Ratios)-1].Memory; m > 0 {
		line("Resident memory of the service: %.0f MiB.", float64(m)/(1<<20))
	}
	r.printStatements(line)
	return w.Flush()
}

func (r *Report) printStatements(line func(string, ...any)) {
	if len(r.Differences) == 0 {
		line("Statements: %d, the same number of calls a request on both sides.", len(r.Statements))
	}
	for _, d := range r.Differences {
		line("DIFFERENT STATEMENTS: %s", d)
	}
	line("")
	line("Most time in the server, ms a call (service, pgbench; calls a request):")
	for _, c := range r.Statements[:min(10, len(r.Statements))] {
		line("  %.3f %.3f %.2f  %.110s", c.ServiceTime, c.LimitTime, c.ServiceCalls, c.Statement)
	}
}

func (r *Report) settings() string {
	var out []string
	for name, v := range r.Settings {
		out = append(out, name+" "+v)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func list(xs []float64) string {
	var out []string
	for _, x := range xs {
		out = append(out, fmt.Sprintf("%.2f", x))
	}
	return strings.Join(out, ", ")
}
