package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"drumline/cmd/drumline/seed"
	"drumline/diagnosis/catalogue"
	"drumline/domain/people"
	"drumline/shared/pg"
	"drumline/shared/pg/local"
)

// demoCommand serves an invented shop.
type demoCommand struct {
	Listen    string  `help:"Address to serve. Everybody who reaches it can sign in: the demo's passwords are public." default:"127.0.0.1:8080" placeholder:"HOST:PORT"`
	Data      string  `help:"Directory of database and keys. Default: drumline/demo under the user's cache directory." placeholder:"DIR"`
	Fresh     bool    `help:"Throw the data of earlier runs away and start over."`
	ReadyFile string  `help:"Write address, tokens and ids to this file (JSON) once the demo serves." placeholder:"FILE"`
	Seed      uint64  `help:"Seed of the invented data: the same seed gives the same shop." default:"${seed}"`
	MailPort  int     `help:"Port of the local mailbox that takes all mail of the demo, on this machine only; 0 takes any." default:"0" placeholder:"PORT"`
	Clock     float64 `help:"How many times as fast time passes, from now on: 525600 lets a year pass in a minute." default:"1" placeholder:"TIMES"`
	Scale     float64 `help:"Share of the demo's data to make, above 0 and at most 1: less starts sooner." default:"1"`
}

// tokenLife is how long the tokens of the demo live: a day, so that what is
// pasted in the afternoon still works.
const tokenLife = 24 * time.Hour

// Run finds or makes a database, fills it once, and serves until ctx ends.
func (d demoCommand) Run(ctx context.Context, p *program) error {
	c, err := readConfig(p.getenv)
	if err != nil {
		return err
	}
	c.Listen, c.AccessLife = d.Listen, tokenLife
	if !(d.Clock >= 1 && d.Clock <= 1e6) {
		return fmt.Errorf("--clock is a number from 1 to 1000000, not %v", d.Clock)
	}
	if d.Clock > 1 { // a day is soon over
		c.AccessLife = 100 * 365 * tokenLife
	}
	dir, err := d.directory(p.getenv)
	if err != nil {
		return err
	}
	listener, err := listen(ctx, c.Listen)
	if err != nil {
		return err
	}
	defer func() { _ = listener.Close() }() // again, after serving: that is no error of interest
	unlock, err := lockData(ctx, dir)
	if err != nil {
		return err
	}
	defer unlock()
	c.KeyFile = filepath.Join(dir, "keys.json")
	keys, err := people.LoadKeyring(c.Issuer, c.KeyFile, time.Now())
	if err != nil {
		return err
	}
	d.warn(p, listener)
	base, err := openBase(ctx, p, dir, d.Fresh)
	if err != nil {
		return err
	}
	defer base.close(ctx, p)
	if err := d.fill(ctx, p, base, keys); err != nil {
		return err
	}
	return d.serve(ctx, p, c, listener, base, keys)
}

// directory is where the demo keeps its data, made when it is missing.
func (d demoCommand) directory(getenv func(string) string) (string, error) {
	dir := d.Data
	if dir == "" {
		cache, err := cacheDir(getenv)
		if err != nil {
			return "", err
		}
		dir = filepath.Join(cache, "drumline", "demo")
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", fmt.Errorf("data directory: %w", err)
	}
	// The database server may run as another account, which must get through.
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("data directory: %w", err)
	}
	return dir, nil
}

// lockData keeps two demos off one directory: the first to end would stop the
// database of the other.
func lockData(ctx context.Context, dir string) (unlock func(), err error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	unlock, err = local.Lock(ctx, filepath.Join(dir, "demo.lock"))
	if errors.Is(err, context.DeadlineExceeded) {
		return nil, fmt.Errorf("another demo uses %s: stop it, or name another directory with --data", dir)
	}
	return unlock, err
}

// warn says what serving to others means.
func (d demoCommand) warn(p *program, l net.Listener) {
	if a, ok := l.Addr().(*net.TCPAddr); ok && !a.IP.IsLoopback() {
		p.note("WARNING: %s can be reached from other machines, and the demo's passwords are public.", l.Addr())
	}
}

// note tells a person how it goes.
func (p *program) note(format string, args ...any) {
	_, _ = fmt.Fprintf(p.stderr, format+"\n", args...) // nobody to tell when it fails
}

// fill makes the invented shops unless they are there.
func (d demoCommand) fill(ctx context.Context, p *program, b *base, keys *people.Keyring) error {
	there, complete, err := b.look(ctx)
	if err != nil || complete {
		return err
	}
	if there {
		p.note("The last start was broken off while it filled the shop: starting over.")
		if err := b.again(ctx); err != nil {
			return err
		}
	}
	cat, err := catalogue.Open()
	if err != nil {
		return err
	}
	url, err := seed.URL(b.appURL)
	if err != nil {
		return err
	}
	db, err := pg.Open(ctx, url, pg.Options{Access: people.Access})
	if err != nil {
		return err
	}
	defer db.Close()
	bar := newProgress(p.stderr, "Inventing two shops and two years of their work")
	defer bar.finish()
	err = seed.Run(ctx, seed.Options{Seed: d.Seed, Scale: d.Scale, Now: time.Now(), DB: db, Keys: keys, Catalogue: cat, Progress: bar.set})
	if err != nil {
		return err
	}
	return b.analyse(ctx)
}

// serve opens the service on the filled database.
func (d demoCommand) serve(ctx context.Context, p *program, c Config, l net.Listener, b *base, keys *people.Keyring) error {
	c.DatabaseURL = b.appURL
	db, err := openChecked(ctx, c)
	if err != nil {
		return err
	}
	defer db.Close()
	now := time.Now
	var fast *fastClock
	if d.Clock > 1 {
		fast = &fastClock{now: time.Now()}
		now = fast.read
	}
	log := newLog(p.stderr, max(c.LogLevel, demoLevel))
	srv, err := newServer(ctx, c, l, db, keys, log, now)
	if err != nil {
		return err
	}
	box, stopMail, err := d.mail(ctx, c, b, keys, srv.url, log, fast)
	if err != nil {
		return err
	}
	defer stopMail()
	r, err := prepare(ctx, srv.api, srv.url)
	if err != nil {
		return err
	}
	served := make(chan error, 1)
	go func() { served <- srv.serve(ctx) }()
	r.Mailbox = box
	if err := greet(p, r, b.how); err != nil {
		return err
	}
	if d.ReadyFile != "" {
		if err := r.write(d.ReadyFile); err != nil {
			return err
		}
	}
	err = <-served
	p.note("Stopped. The data stay in %s; start again to go on, or with --fresh to begin anew.", filepath.Dir(c.KeyFile))
	return err
}
