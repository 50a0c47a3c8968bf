package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"drumline/domain/care"
	"drumline/domain/history"
	"drumline/domain/people"
	"drumline/shared/mail"
	"drumline/shared/mail/sink"
)

// fastClock is a time that passes as somebody moves it: it stands still while
// the worker works, however fast it is to run.
type fastClock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *fastClock) read() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *fastClock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// longestStep is how far the clock moves at once: messages leave by day, which
// no step may pass over.
const longestStep = 4 * time.Hour

// run lets time pass so many times as fast, and has the worker keep up.
func (c *fastClock) run(ctx context.Context, w *care.Worker, times float64) {
	step := min(longestStep, time.Duration(times*float64(50*time.Millisecond)))
	for ctx.Err() == nil {
		next := time.After(time.Duration(float64(step) / times))
		c.pass(step)
		for {
			n, err := w.Tick(ctx)
			if err != nil && ctx.Err() == nil {
				w.Log.Error("a look at the shops failed", "error", err.Error())
			}
			if n == 0 || err != nil {
				break
			}
			c.pass(1100 * time.Millisecond) // a shop is looked at once a second at most
		}
		select {
		case <-ctx.Done():
		case <-next:
		}
	}
}

// mail starts a local mailbox that takes all mail of the demo, and a worker
// that writes to it. It gives the address of the mailbox's page.
func (d demoCommand) mail(ctx context.Context, c Config, b *base, keys *people.Keyring, url string, log *slog.Logger, fast *fastClock) (string, func(), error) {
	now := time.Now
	if fast != nil {
		now = fast.read
	}
	box, err := sink.Start("127.0.0.1:0", now)
	if err != nil {
		return "", nil, fmt.Errorf("the demo's mailbox: %w", err)
	}
	page, err := (&net.ListenConfig{}).Listen(ctx, "tcp", fmt.Sprintf("127.0.0.1:%d", d.MailPort))
	if err != nil {
		_ = box.Close() // the other error says more
		return "", nil, fmt.Errorf("the demo's mailbox: %w; choose another port with --mail-port", err)
	}
	server, err := mail.ParseServer("smtp+plain://" + box.Addr())
	if err != nil {
		return "", nil, err
	}
	server.Look = time.Millisecond // it never hangs up
	client := mail.NewClient(server)
	c.WorkerURL, c.BaseURL = b.workerURL, url
	ctx, stop := context.WithCancel(ctx)
	w, closeDB, err := newWorker(ctx, c, keys, client, now, log)
	if err != nil {
		stop()
		return "", nil, err
	}
	pages := &http.Server{Handler: box.Handler(), ReadHeaderTimeout: 5 * time.Second}
	var running sync.WaitGroup
	running.Go(func() { keepHistory(ctx, &history.Service{DB: w.DB, Now: now}, log) })
	running.Go(func() {
		if fast != nil {
			fast.run(ctx, w, d.Clock)
			return
		}
		w.Run(ctx)
	})
	running.Go(func() { _ = pages.Serve(page) }) // it ends with Close
	return "http://" + page.Addr().String(), func() {
		stop()
		_ = pages.Close() // nothing is lost with it, here and below
		running.Wait()
		_ = client.Close()
		_ = box.Close()
		closeDB()
	}, nil
}
