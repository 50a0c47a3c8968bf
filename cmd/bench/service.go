package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"runtime/pprof"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"drumline/domain/people"
	"drumline/shared/pg"
)

// serveCommand is the service in a process of its own.
type serveCommand struct {
	URL     string `required:"" help:"Signs in as the runtime role."`
	Keys    string `required:"" help:"File of signing keys."`
	Profile string `help:"File for a CPU profile."`
}

// Run serves on a loopback port, which it prints, until its input ends: so it
// does not outlive the program that started it.
func (s serveCommand) Run(ctx context.Context, p *program) error {
	if s.Profile == "" {
		return s.serve(ctx, p)
	}
	f, err := os.Create(s.Profile)
	if err != nil {
		return err
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		return errors.Join(err, f.Close())
	}
	err = s.serve(ctx, p)
	pprof.StopCPUProfile()
	return errors.Join(err, f.Close())
}

func (s serveCommand) serve(ctx context.Context, p *program) error {
	db, err := pg.Open(ctx, s.URL, pg.Options{Access: people.Access})
	if err != nil {
		return err
	}
	defer db.Close()
	log, err := os.OpenFile(os.DevNull, os.O_WRONLY, 0) // lines are written, and written away
	if err != nil {
		return err
	}
	edge, err := newEdge(db, s.Keys, log)
	if err != nil {
		return err
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintln(p.stdout, l.Addr()); err != nil {
		return err
	}
	srv := edge.Server("")
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	ended := make(chan error, 1)
	go func() { _, err := io.Copy(io.Discard, p.stdin); ended <- err }()
	select {
	case err := <-failed:
		return err
	case err := <-ended:
		_ = srv.Close() // nobody waits for an answer any more
		return err
	}
}

// service is the child process and what asks it.
type service struct {
	o       Options
	data    *dataset
	addr    string
	cmd     *exec.Cmd
	stdin   io.Closer
	clients []*client
}

// startService starts this program again as the service.
func startService(ctx context.Context, url string, data *dataset, o Options) (*service, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	s := &service{o: o, data: data, cmd: exec.CommandContext(ctx, self, "serve", "--url="+url, "--keys="+data.keyFile, "--profile="+o.Profile)}
	s.cmd.Stderr = os.Stderr
	if s.stdin, err = s.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := s.cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting the service: %w", err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return nil, fmt.Errorf("the service did not say where it serves: %w", err)
	}
	s.addr = strings.TrimSpace(line)
	for i := range data.techs {
		s.clients = append(s.clients, &client{s: s, tech: data.techs[i]})
	}
	return s, nil
}

// stop ends the child.
func (s *service) stop() error {
	for _, c := range s.clients {
		c.close()
	}
	_ = s.stdin.Close() // that is the sign to end
	return s.cmd.Wait()
}

// round lets every client post readings one after the other.
func (s *service) round(ctx context.Context, n int) (Round, error) {
	w := &work{}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	until := time.Now().Add(warmUp + time.Duration(s.o.Seconds)*time.Second + 200*time.Millisecond)
	failed := make(chan error, len(s.clients))
	var all atomic.Int64
	for _, c := range s.clients {
		go func() { failed <- c.work(ctx, n, until, w, &all) }()
	}
	var err error
	for range s.clients {
		if e := <-failed; e != nil && err == nil {
			err = e
			cancel()
		}
	}
	if err != nil {
		return Round{}, err
	}
	r := w.measured(s.o.Seconds)
	r.all = int(all.Load())
	r.Memory = resident(s.cmd.Process.Pid)
	return r, nil
}

// path is where readings of a visit are posted.
func path(visit int) string {
	return "/v1/visits/" + numbered(visitIDs, visit).String() + "/readings"
}

// body is the reading that is posted, over and over.
func body(w tech) string {
	return `{"check":"bias_heater","phase":"as_found","values":[{"input":"resistance","value":7000,"unit":"Ohm"},{"input":"wires_off","choice":"yes"}],` +
		`"instrument_id":"` + w.instrument.String() + `","lead_resistance":{"value":0.02,"unit":"Ohm"}}`
}

// headers of a request, beside those of the protocol.
func headers(w tech, key string) [][2]string {
	return [][2]string{{"Content-Type", "application/json"}, {"Accept", "application/json"}, {"Authorization", "Bearer " + w.token}, {"Idempotency-Key", key}}
}

// request is a whole request as it goes over the wire.
func request(w tech, visit int, key string) string {
	var b strings.Builder
	b.WriteString("POST " + path(visit) + " HTTP/1.1\r\nHost: bench\r\n")
	for _, h := range headers(w, key) {
		b.WriteString(h[0] + ": " + h[1] + "\r\n")
	}
	text := body(w)
	b.WriteString("Content-Length: " + strconv.Itoa(len(text)) + "\r\n\r\n" + text)
	return b.String()
}
