package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"strconv"
	"sync/atomic"
	"time"
)

// client is a tech on a kept connection. It is plain on purpose: what it costs
// is taken from the service's share of the machine.
type client struct {
	s    *service
	tech tech
	conn net.Conn
	in   *bufio.Reader
}

func (c *client) connect(ctx context.Context) (err error) {
	if c.conn != nil {
		return nil
	}
	if c.conn, err = (&net.Dialer{}).DialContext(ctx, "tcp", c.s.addr); err == nil {
		c.in = bufio.NewReaderSize(c.conn, 64<<10)
	}
	return err
}

func (c *client) close() {
	if c.conn != nil {
		_ = c.conn.Close() // nothing is under way
	}
}

// work posts readings until then, each to a visit taken at random.
func (c *client) work(ctx context.Context, round int, until time.Time, w *work, all *atomic.Int64) error {
	if err := c.connect(ctx); err != nil {
		return err
	}
	for n := 0; time.Now().Before(until) && ctx.Err() == nil; n++ {
		key := "round-" + strconv.Itoa(round) + "-" + strconv.Itoa(c.tech.n) + "-" + strconv.Itoa(n)
		text := request(c.tech, c.tech.n*c.s.o.Calls+rand.IntN(c.s.o.Calls), key)
		start := time.Now()
		if err := c.post(text); err != nil {
			return err
		}
		end := time.Now()
		w.add(end, end.Sub(start))
		all.Add(1)
	}
	return ctx.Err()
}

func (c *client) post(text string) error {
	if _, err := io.WriteString(c.conn, text); err != nil {
		return err
	}
	res, err := http.ReadResponse(c.in, nil)
	if err != nil {
		return err
	}
	defer func() { _ = res.Body.Close() }() // it is read to its end below
	if res.StatusCode != http.StatusCreated {
		text, _ := io.ReadAll(io.LimitReader(res.Body, 4096))
		return fmt.Errorf("the service answered %d: %s", res.StatusCode, text)
	}
	if res.Header.Get("Idempotent-Replayed") != "" {
		return fmt.Errorf("the service answered with an earlier reading")
	}
	_, err = io.Copy(io.Discard, res.Body)
	return err
}
