package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"
)

// readyCommand asks a service that runs whether it may be sent requests: the
// health check of an image that holds no other program.
type readyCommand struct {
	URL string `help:"Where the service answers; by default the address of DRUMLINE_LISTEN." placeholder:"URL"`
}

// askTime is longer than the service takes to say no.
const askTime = 3 * readyTime

// Run fails unless /readyz says yes.
func (r readyCommand) Run(ctx context.Context, p *program) error {
	c, err := readConfig(p.getenv)
	if err != nil {
		return err
	}
	url := r.URL
	if url == "" {
		url = "http://" + reachable(c.Listen)
	}
	return askReady(ctx, strings.TrimSuffix(url, "/"), askTime)
}

// reachable is where a service that listens on address answers this machine:
// one that listens everywhere does so on loopback too.
func reachable(address string) string {
	host, port, err := net.SplitHostPort(address)
	if ip := net.ParseIP(host); err == nil && (host == "" || ip != nil && ip.IsUnspecified()) {
		return net.JoinHostPort("localhost", port)
	}
	return address
}

func askReady(ctx context.Context, url string, within time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/readyz", nil)
	if err != nil {
		return fmt.Errorf("not ready: %w", err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("not ready: %w", err)
	}
	defer func() { _ = res.Body.Close() }() // its status is what counts
	if res.StatusCode == http.StatusOK {
		return nil
	}
	text, _ := io.ReadAll(io.LimitReader(res.Body, 200)) // what came of it will do
	return errors.New("not ready: " + strings.TrimSpace(string(text)))
}
