// Command bench measures the service against what PostgreSQL itself can do on
// this machine: one reading judged and stored over HTTP, against pgbench with
// the same statements. It makes and removes a private database.
package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

// commands is the command line.
type commands struct {
	Run   runCommand   `cmd:"" default:"withargs" help:"Measure (the default)."`
	Serve serveCommand `cmd:"" hidden:"" help:"Be the service that is measured."`
}

// runCommand measures and reports.
type runCommand struct {
	Options
	JSON bool `name:"json" help:"Print the report as JSON."`
}

// program is what a subcommand works with.
type program struct {
	stdin          io.Reader
	stdout, stderr io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], &program{os.Stdin, os.Stdout, os.Stderr})
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "bench: "+err.Error())
		os.Exit(1)
	}
}

// run is the whole program. The report goes to stdout, progress to stderr.
func run(ctx context.Context, args []string, p *program) error {
	var c commands
	parser, err := kong.New(&c, kong.Name("bench"),
		kong.Description("Measures one reading judged and stored by the service against pgbench with the same statements, on a private database."),
		kong.Writers(p.stdout, p.stderr), kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(p))
	if err != nil {
		return fmt.Errorf("command line: %w", err)
	}
	k, err := parser.Parse(args)
	if err != nil {
		return fmt.Errorf("%w (see bench --help)", err)
	}
	return k.Run()
}

// Run measures.
func (c runCommand) Run(ctx context.Context, p *program) error {
	if err := c.check(); err != nil {
		return err
	}
	r, err := measure(ctx, c.Options, func(line string) { _, _ = fmt.Fprintln(p.stderr, line) })
	if err != nil {
		return err
	}
	if !c.JSON {
		return r.print(p.stdout)
	}
	enc := json.NewEncoder(p.stdout)
	enc.SetIndent("", "  ")
	return enc.Encode(r)
}
