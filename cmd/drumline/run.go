package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"

	"github.com/alecthomas/kong"

	"drumline/cmd/drumline/seed"
)

// program is what a subcommand works with: nothing else of the process.
type program struct {
	getenv func(string) string
	stdout io.Writer
	stderr io.Writer
	stdin  io.Reader
}

// commands is the command line.
type commands struct {
	Demo    demoCommand    `cmd:"" help:"Serve an invented shop on a database found or made for it. Needs no configuration."`
	Serve   serveCommand   `cmd:"" help:"Serve the API. Settings come from the environment."`
	Worker  workerCommand  `cmd:"" help:"Write to customers: reminders, confirmations, reports. Any number may run."`
	Migrate migrateCommand `cmd:"" help:"Bring the database schema up to date, or look at its version."`
	Shop    shopCommand    `cmd:"" help:"Make shops."`
	Check   checkCommand   `cmd:"" help:"Work at a machine from a terminal: check after check, until enough is known."`
	Ready   readyCommand   `cmd:"" help:"Ask a service that runs whether it is ready; fail when it is not."`
	Keys    keysCommand    `cmd:"" help:"Make the key file (DRUMLINE_KEY_FILE) where it is missing. Do so once before several processes share it."`
	Version versionCommand `cmd:"" help:"Say which version this is."`
}

// exit is what kong panics with where it would end the process: it has said
// all there is to say.
type exit int

// run is the whole program. It returns when the work is done or ctx ends, which
// is no error. getenv reads the environment, stdin what a person types; results
// go to stdout, progress and logs to stderr.
func run(ctx context.Context, args []string, getenv func(string) string, stdin io.Reader, stdout, stderr io.Writer) (err error) {
	p := &program{getenv: getenv, stdout: stdout, stderr: stderr, stdin: stdin}
	var c commands
	parser, err := kong.New(&c,
		kong.Name("drumline"),
		kong.Description("A service for small appliance-repair shops: a tech posts readings, the service answers with verdicts, a ranking of faults and the next check."),
		kong.UsageOnError(),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { panic(exit(code)) }),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Vars{"seed": strconv.Itoa(seed.DefaultSeed)},
		kong.Bind(p))
	if err != nil {
		return fmt.Errorf("command line: %w", err)
	}
	defer recoverExit(&err)
	k, err := parser.Parse(args)
	if err != nil {
		return fmt.Errorf("%w (see drumline --help)", err)
	}
	return ended(ctx, k.Run())
}

// recoverExit turns kong's exit after --help into a return.
func recoverExit(err *error) {
	switch r := recover().(type) {
	case nil:
	case exit:
		if r != 0 {
			*err = fmt.Errorf("ended with code %d", int(r))
		}
	default:
		panic(r)
	}
}

// ended takes being told to stop for success.
func ended(ctx context.Context, err error) error {
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		return nil
	}
	return err
}
