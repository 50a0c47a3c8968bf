package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"time"
)

// Options say what is measured, and how long.
type Options struct {
	Seconds   int    `default:"10" help:"Length of one round of one side; one second of warm-up comes before."`
	Rounds    int    `default:"5" help:"Rounds. In each, every side has its turn, in random order."`
	Clients   int    `default:"16" help:"Connections at work, each a tech of the shop."`
	Calls     int    `default:"24" help:"Open calls of each tech."`
	Shapes    bool   `help:"Also run pgbench with everything in one pipeline, and with the service's own round trips, to see what a round trip costs."`
	Profile   string `help:"Write a CPU profile of the service to this file, for go tool pprof." type:"path"`
	Data      string `help:"Directory for the private database: it says which disk is measured. The default is the temporary directory." type:"path"`
	Ephemeral bool   `hidden:"" help:"Without durable commits: for tests of this command. The figures mean nothing."`
}

func (o Options) check() error {
	for _, l := range []struct {
		flag         string
		v, low, high int
	}{{"seconds", o.Seconds, 1, 3600}, {"rounds", o.Rounds, 1, 1000}, {"clients", o.Clients, 1, 64}, {"calls", o.Calls, 1, 1000}} {
		if l.v < l.low || l.v > l.high {
			return fmt.Errorf("--%s is between %d and %d, not %d", l.flag, l.low, l.high, l.v)
		}
	}
	return nil
}

// warmUp comes before each measured stretch: statements are prepared and plans
// settle.
const warmUp = time.Second

// side is one of the programs compared.
type side interface {
	// round works for o.Seconds after a warm-up. n numbers the rounds of all sides.
	round(ctx context.Context, n int) (Round, error)
}

// bench is the stage of a run.
type bench struct {
	o       Options
	log     func(string)
	db      *database
	data    *dataset
	trips   []trip
	names   []string
	sides   []side
	service *service
}

// measure makes the stage, runs the rounds and takes everything away again.
func measure(ctx context.Context, o Options, log func(string)) (r *Report, err error) {
	dir, err := workDir(o.Data)
	if err != nil {
		return nil, err
	}
	b := &bench{o: o, log: log}
	defer func() {
		err = errors.Join(err, b.close(context.WithoutCancel(ctx)), os.RemoveAll(dir))
	}()
	if err := b.build(ctx, dir); err != nil {
		return nil, err
	}
	return b.rounds(ctx)
}

// workDir makes a directory that the server's account can enter.
func workDir(parent string) (string, error) {
	if parent != "" {
		if err := os.MkdirAll(parent, 0o755); err != nil {
			return "", err
		}
	}
	dir, err := os.MkdirTemp(parent, "drumline-bench-")
	if err != nil {
		return "", err
	}
	return dir, os.Chmod(dir, 0o755)
}

func (b *bench) build(ctx context.Context, dir string) (err error) {
	if b.db, err = openDatabase(ctx, dir, b.o, b.log); err != nil {
		return err
	}
	b.log(fmt.Sprintf("filling the shop: %d techs with %d calls each", b.o.Clients, b.o.Calls))
	if b.data, err = fill(ctx, b.db, dir, b.o); err != nil {
		return fmt.Errorf("filling the shop: %w", err)
	}
	if b.trips, err = capture(ctx, b.db, b.data); err != nil {
		return fmt.Errorf("capturing the service's statements: %w", err)
	}
	if b.service, err = startService(ctx, b.db.appURL, b.data, b.o); err != nil {
		return err
	}
	b.add("service", b.service)
	if err := b.addLimit("pgbench", dir, loadAndStore(b.trips)); err != nil || !b.o.Shapes {
		return err
	}
	return errors.Join(b.addLimit("pgbench, one pipeline", dir, together(b.trips)),
		b.addLimit(fmt.Sprintf("pgbench, %d pipelines", len(b.trips)), dir, b.trips))
}

func (b *bench) add(name string, s side) {
	b.names, b.sides = append(b.names, name), append(b.sides, s)
}

func (b *bench) addLimit(name, dir string, trips []trip) error {
	l, err := newLimit(dir, len(b.sides), b.db, b.data, b.o, trips)
	if err == nil {
		b.add(name, l)
	}
	return err
}

func (b *bench) close(ctx context.Context) error {
	var errs []error
	if b.service != nil {
		errs = append(errs, b.service.stop())
	}
	if b.db != nil {
		errs = append(errs, b.db.close(ctx))
	}
	return errors.Join(errs...)
}

// rounds lets every side work in each round. Round 0 is thrown away: caches
// fill and the service's connections are made.
func (b *bench) rounds(ctx context.Context) (*Report, error) {
	r := newReport(b)
	for n := 0; n <= b.o.Rounds; n++ {
		for _, i := range rand.Perm(len(b.sides)) {
			if err := b.turn(ctx, r, n, i); err != nil {
				return nil, fmt.Errorf("round %d of %s: %w", n, b.names[i], err)
			}
		}
	}
	var err error
	if r.CommitAlone, err = b.db.commitAlone(ctx); err != nil {
		return nil, err
	}
	r.finish()
	return r, nil
}

func (b *bench) turn(ctx context.Context, r *Report, n, i int) error {
	if err := b.db.reset(ctx, b.data.filledAt); err != nil {
		return err
	}
	before := b.processorTime()
	got, err := b.sides[i].round(ctx, n)
	if err != nil {
		return err
	}
	if got.Requests == 0 || got.all == 0 {
		return errors.New("nothing was done in it")
	}
	if stored, err := b.db.stored(ctx, b.data.filledAt); err != nil || stored != got.all {
		return errors.Join(fmt.Errorf("%d requests left %d readings", got.all, stored), err)
	}
	got.Processor.add(before, b.processorTime(), got.all)
	stmts, err := b.db.statements(ctx)
	if err != nil {
		return err
	}
	if n == 0 {
		return nil
	}
	b.log(fmt.Sprintf("round %d: %-22s %7.0f requests/s, p50 %.2f ms, p99 %.2f ms", n, b.names[i], got.PerSecond, got.P50, got.P99))
	r.Sides[i].take(got, stmts)
	return nil
}
