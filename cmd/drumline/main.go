// Command drumline is the service: it serves, migrates, makes shops, runs a
// demo that needs nothing but a machine, and is a client for a terminal.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Getenv, os.Stdin, os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "drumline: "+err.Error())
		os.Exit(1)
	}
}
