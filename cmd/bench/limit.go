package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"time"

	"drumline/domain/people"
	"drumline/shared/pg"
)

// limit is pgbench at work.
type limit struct {
	o       Options
	program string
	url     string
	dir     string // its script and logs
	consts  []string
	session string // settings of a session, as the service has them
}

// newLimit writes the script of trips.
func newLimit(dir string, n int, d *database, data *dataset, o Options, trips []trip) (*limit, error) {
	l := &limit{o: o, program: d.pgbench, url: d.appURL, dir: filepath.Join(dir, "pgbench"+strconv.Itoa(n))}
	if err := os.Mkdir(l.dir, 0o755); err != nil {
		return nil, err
	}
	text, consts := writeScript(data, trips)
	l.consts = consts
	if err := os.WriteFile(l.script(), []byte(text), 0o600); err != nil {
		return nil, err
	}
	var err error
	l.session, err = sessionSettings(context.Background(), d.appURL)
	return l, err
}

func (l *limit) script() string { return filepath.Join(l.dir, "script.sql") }

// sessionSettings gives what the service's pool sets when it connects, as
// options of libpq: a statement timeout costs time too.
func sessionSettings(ctx context.Context, url string) (string, error) {
	db, err := pg.Open(ctx, url, pg.Options{Access: people.Access, MaxConns: 1})
	if err != nil {
		return "", err
	}
	defer db.Close()
	var s string
	err = db.Pool.QueryRow(ctx, `SELECT coalesce(string_agg('-c ' || name || '=' || setting, ' '), '') FROM pg_settings
		WHERE source = 'client' AND name NOT IN ('application_name', 'client_encoding')`).Scan(&s)
	return s, err
}

func (l *limit) round(ctx context.Context, n int) (Round, error) {
	// One second more than is counted: it connects first.
	length := l.o.Seconds + int(warmUp.Seconds()) + 1
	args := []string{"--no-vacuum", "--protocol=prepared", "--file=" + l.script(), "--client=" + strconv.Itoa(l.o.Clients),
		"--jobs=" + strconv.Itoa(min(l.o.Clients, runtime.NumCPU())), "--time=" + strconv.Itoa(length), "--log", "--log-prefix=" + l.prefix(n),
		"--define=known=0", "--define=round=" + strconv.Itoa(n+1)}
	for i, v := range l.consts {
		args = append(args, fmt.Sprintf("--define=c%d=%s", i, v))
	}
	cmd := exec.CommandContext(ctx, l.program, append(args, l.url)...)
	cmd.Env = append(os.Environ(), "PGOPTIONS="+l.session)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil {
		return Round{}, fmt.Errorf("pgbench: %w: %s", err, out.Bytes())
	}
	all, err := processed(out.String())
	if err != nil {
		return Round{}, err
	}
	did, err := readLogs(l.prefix(n))
	if err != nil {
		return Round{}, err
	}
	r := did.measured(l.o.Seconds)
	r.all = all
	r.Processor.Client = (cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()).Seconds()
	return r, nil
}

func (l *limit) prefix(n int) string { return filepath.Join(l.dir, "log"+strconv.Itoa(n)) }

var processedLine = regexp.MustCompile(`number of transactions actually processed: (\d+)`)

// processed reads the number of transactions from pgbench's summary.
func processed(out string) (int, error) {
	m := processedLine.FindStringSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("pgbench said nothing of its transactions: %s", out)
	}
	if strings.Contains(out, "aborted") {
		return 0, fmt.Errorf("pgbench: a client gave up: %s", out)
	}
	return strconv.Atoi(m[1])
}

// readLogs reads pgbench's logs of single transactions, and removes them.
func readLogs(prefix string) (*work, error) {
	files, err := filepath.Glob(prefix + ".*")
	if err != nil {
		return nil, err
	}
	w := &work{}
	for _, name := range files {
		if err := w.readLog(name); err != nil {
			return nil, err
		}
	}
	return w, nil
}

// readLog reads lines of: client, number, µs taken, script, end in s and µs.
func (w *work) readLog(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer func() { _, _ = f.Close(), os.Remove(name) }() // read only, and of our own directory
	for in := bufio.NewScanner(f); in.Scan(); {
		var client, number, took, script, seconds, micros int64
		if _, err := fmt.Sscan(in.Text(), &client, &number, &took, &script, &seconds, &micros); err != nil {
			return fmt.Errorf("pgbench's log: %q: %w", in.Text(), err)
		}
		w.add(time.Unix(seconds, micros*1000), time.Duration(took)*time.Microsecond)
	}
	return nil
}
