package api_test

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/shared/mail/mailtest"
)

var (
	stormMails = flag.Int("storm.mails", 150, "mails of the storm")
	stormKill  = flag.Duration("storm.kill", 300*time.Millisecond, "time from one worker's death to the other's")
	stormKills = flag.Int("storm.kills", 16, "deaths at least")
	stormSeed  = flag.Uint64("storm.seed", 1, "what the mail server does rests on it")
)

// stormRate is how fast the workers' time runs: a lease lasts 5 s then.
const stormRate = 60

// storm is a shop's mails, two workers that keep dying, and a server that does
// as it likes.
type storm struct {
	t      *testing.T
	base   *stormBase
	clock  sharedClock
	script *stormScript
	server *mailtest.Server
	alive  [2]*stormWorker
	born   int
	kills  int
	lost   map[string]bool // addresses of mails a worker had handed over, as far as anybody knows, when it was killed
}

var stormRoles = [2]string{"storm_left", "storm_right"}

// Two workers that are killed again and again, a database that crashes and a
// mail server that does what it likes: every mail arrives or is refused, none
// twice but those whose end nobody could know, and exactly those are named so.
func TestMailStorm(t *testing.T) {
	s := newStorm(t)
	begun := time.Now()
	for n := 0; n < *stormKills || s.begun() < *stormMails; n++ {
		s.alive[n%2].works(t)
		s.wait(*stormKill)
		s.script.noTLS.Store(n == *stormKills/4 || n == *stormKills/4+1)
		if n == *stormKills/2 {
			s.crash()
		}
		if n%4 < 2 {
			s.aim(n % 2)
		}
		s.kill(n % 2)
		s.start(n % 2)
	}
	stormy := time.Since(begun)
	s.script.noTLS.Store(false)
	s.script.calm.Store(true)
	for !s.over() {
		require.Less(t, time.Since(begun), stormy+time.Minute+time.Duration(*stormMails)*100*time.Millisecond, "it finds no end: %s %s", s.alive[0].log, s.alive[1].log)
		s.wait(100 * time.Millisecond)
	}
	t.Logf("seed %d: %d mails, %d deaths in %.1f s, quiet after %.1f s more", *stormSeed, *stormMails, s.kills, stormy.Seconds(), (time.Since(begun) - stormy).Seconds())
	s.check()
	t.Log("the full size: go test ./api -run 'TestMailStorm$' -v -timeout 30m -args -storm.mails 5000 -storm.kill 3s")
}

// newStorm makes the shop, its customers, each with a dryer that is due, the
// server and the workers.
func newStorm(t *testing.T) *storm {
	t.Helper()
	s := &storm{t: t, base: newStormBase(t, stormRoles[:]...), clock: sharedClock(filepath.Join(t.TempDir(), "clock")), lost: map[string]bool{},
		script: &stormScript{seed: *stormSeed, tries: map[string]int{}, refused: map[string]bool{}, counts: map[string]int{}}}
	w := newWorldFor(t, s.base.db, 8, 10*365*24*time.Hour)
	w.noon()
	w.clock.add(20*time.Hour + 5*time.Minute) // just past eight: the day is long
	shop := newScene(w.a)
	writes(shop, m{"lead_days": []int{7}, "per_minute": 6000, "flood": 1_000_000})
	for n := range *stormMails {
		_, site := home(shop, stormAddress(n))
		dryer(shop, site, 6)
	}
	s.server = mailtest.New(t, &mailtest.Server{Connections: s.script.connection, Mails: s.script.mail})
	s.clock.set(t, w.clock.now(), stormRate)
	s.start(0)
	s.start(1)
	t.Cleanup(func() {
		for _, k := range s.alive {
			_ = k.cmd.Process.Kill()
			_ = k.cmd.Wait()
		}
	})
	return s
}

func stormAddress(n int) string { return fmt.Sprintf("c%05d@d%d.example", n, n%11) }

// start starts the worker of a slot under a name nobody had before.
func (s *storm) start(slot int) {
	s.t.Helper()
	s.born++
	s.alive[slot] = startWorker(s.t, stormWork{URL: s.base.url(s.t, stormRoles[slot]), Name: fmt.Sprintf("%s %d", stormRoles[slot], s.born),
		Clock: string(s.clock), Port: s.server.Port(), Roots: s.server.PEM()})
}

// kill ends a worker and notes which mails its ledger left handed. Time stands
// still meanwhile, so that no lease ends before they have been seen.
func (s *storm) kill(slot int) {
	s.t.Helper()
	s.clock.set(s.t, s.clock.now(), 0)
	name := s.alive[slot].name
	s.alive[slot].kill(s.t)
	s.kills++
	require.Eventually(s.t, func() bool {
		return s.number(`SELECT count(*) FROM pg_stat_activity WHERE usename = $1`, stormRoles[slot]) == 0
	}, time.Minute, time.Millisecond, "what it had sent off to the database is done or undone")
	rows, err := s.base.admin.Query(s.t.Context(), `SELECT c.email FROM mail JOIN customer c ON c.shop_id = mail.shop_id AND c.id = mail.customer_id
		WHERE mail.claimed_by = $1 AND mail.state = 'handed'`, name)
	require.NoError(s.t, err)
	handed, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(s.t, err)
	require.LessOrEqual(s.t, len(handed), 1, "a worker hands over one mail after the other")
	for _, address := range handed {
		s.lost[address] = true
	}
	s.clock.set(s.t, s.clock.now(), stormRate)
}

// aim waits a while for a mail the worker has just handed over, so that it dies
// over one more often than chance has it.
func (s *storm) aim(slot int) {
	s.t.Helper()
	for end := time.Now().Add(*stormKill); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if s.number(`SELECT count(*) FROM mail WHERE state = 'handed' AND claimed_by = $1`, s.alive[slot].name) > 0 {
			return
		}
	}
}

// crash takes the database away under the workers' hands. What they know when
// it is back they put down then, while their leases last: time stands still
// until they have had the time.
func (s *storm) crash() {
	s.t.Helper()
	s.clock.set(s.t, s.clock.now(), 0)
	s.base.restart(s.t, 300*time.Millisecond)
	time.Sleep(2 * time.Second) // the longest pause between two tries to put an end down
	s.clock.set(s.t, s.clock.now(), stormRate)
}

// wait lets real time pass, and the workers' run ahead whenever nothing can be
// done before a back-off or a lease ends.
func (s *storm) wait(d time.Duration) {
	s.t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		var busy bool
		var next *time.Time
		now := s.clock.now()
		err := s.base.admin.QueryRow(s.t.Context(), `SELECT
			EXISTS (SELECT FROM mail WHERE state IN ('claimed', 'handed') AND claimed_by = ANY ($1)),
			least((SELECT min(next_at) FROM mail WHERE state IN ('claimed', 'handed', 'soft_failed')), (SELECT min(not_before) FROM reminder WHERE state = 'planned'))`,
			[]string{s.alive[0].name, s.alive[1].name}).Scan(&busy, &next)
		require.NoError(s.t, err)
		if !busy && next != nil && next.After(now) {
			s.clock.set(s.t, next.Add(time.Minute), stormRate) // with those that follow soon
		}
	}
}

func (s *storm) number(sql string, args ...any) int {
	s.t.Helper()
	var n int
	require.NoError(s.t, s.base.admin.QueryRow(s.t.Context(), sql, args...).Scan(&n))
	return n
}

// begun is how many mails have been tried at least once.
func (s *storm) begun() int { return s.number(`SELECT count(*) FROM mail`) }

// over says whether nothing is left to be done.
func (s *storm) over() bool {
	return s.number(`SELECT (SELECT count(*) FROM mail WHERE state IN ('claimed', 'handed', 'soft_failed')) + (SELECT count(*) FROM reminder WHERE state = 'planned')`) == 0
}

// stormMail is a mail as the ledger has it, and as the server has.
type stormMail struct {
	Email     string `db:"email"`
	State     string `db:"state"`
	Ambiguous int    `db:"ambiguous"`
	Attempt   int    `db:"attempt"`
	MessageID string `db:"message_id"`
	Reminders int    `db:"reminders"`

	arrived int  // the final dot did
	taken   bool // 250 was written to it, once or more
	cut     bool // the dot arrived and was not answered, once or more
}

// mails holds both ledgers against each other.
func (s *storm) mails() map[string]*stormMail {
	s.t.Helper()
	rows, err := s.base.admin.Query(context.Background(), `SELECT c.email, mail.state, mail.ambiguous, mail.attempt, mail.message_id,
		(SELECT count(*) FROM reminder r WHERE r.shop_id = mail.shop_id AND r.mail_id = mail.id AND r.state = 'mailed') AS reminders
		FROM mail JOIN customer c ON c.shop_id = mail.shop_id AND c.id = mail.customer_id`)
	require.NoError(s.t, err)
	all, err := pgx.CollectRows(rows, pgx.RowToAddrOfStructByNameLax[stormMail])
	require.NoError(s.t, err)
	out, ids := map[string]*stormMail{}, map[string]bool{}
	for _, got := range all {
		require.NotContains(s.t, out, got.Email, "one mail for each")
		require.NotContains(s.t, ids, got.MessageID)
		out[got.Email], ids[got.MessageID] = got, true
	}
	for _, line := range s.server.Ledger() {
		if !line.Dot {
			continue
		}
		got := out[line.Recipient]
		require.NotNil(s.t, got, line.Recipient)
		require.Equal(s.t, got.MessageID, line.MessageID)
		got.arrived++
		got.taken = got.taken || line.Accepted
		got.cut = got.cut || !line.Accepted
	}
	return out
}

// check holds what became of every mail against what the server did and which
// workers died over it.
func (s *storm) check() {
	t := s.t
	t.Helper()
	mails := s.mails()
	require.Len(t, mails, *stormMails)
	require.Equal(t, *stormMails, s.number(`SELECT count(*) FROM reminder WHERE state = 'mailed'`))
	require.Equal(t, *stormMails, s.number(`SELECT count(*) FROM reminder`))
	named, unknowable, refused, counts := map[string]bool{}, maps.Clone(s.lost), map[string]bool{}, map[string]int{}
	for address, got := range mails {
		counts[got.State]++
		counts["attempts"] += got.Attempt
		counts["cut after the dot"] += count(got.cut)
		counts["arrived twice"] += count(got.arrived == 2)
		require.Equal(t, 1, got.Reminders, address)
		if got.cut {
			unknowable[address] = true
		}
		if got.Ambiguous > 0 {
			named[address] = true
		}
		if got.State == "hard_failed" {
			refused[address] = true
		}
	}
	t.Logf("%v, of %d deaths %d over a mail; the server: %v", counts, s.kills, len(s.lost), s.script.counts)
	require.Equal(t, slices.Sorted(maps.Keys(unknowable)), slices.Sorted(maps.Keys(named)), "exactly those whose end nobody could know")
	require.Equal(t, slices.Sorted(maps.Keys(s.script.refused)), slices.Sorted(maps.Keys(refused)), "exactly those refused for good")
	for address, got := range mails {
		got.settled(t, address, unknowable[address])
	}
	require.Equal(t, *stormMails, counts["accepted"]+counts["hard_failed"]+counts["ambiguous"])
	for _, n := range []int{len(s.lost), counts["cut after the dot"], counts["hard_failed"], counts["arrived twice"]} {
		require.Positive(t, n, "the storm was none")
	}
}

// settled fails unless the mail ended as it may.
func (got *stormMail) settled(t *testing.T, address string, unknowable bool) {
	t.Helper()
	switch got.State {
	case "accepted":
		require.True(t, got.taken, "%s: %+v", address, got)
	case "hard_failed":
		require.False(t, got.taken && !unknowable, "%s: %+v", address, got)
	case "ambiguous":
		require.Equal(t, 2, got.Ambiguous, "%s: %+v", address, got)
	default:
		require.Fail(t, "not settled", "%s: %+v", address, got)
	}
	if unknowable {
		require.LessOrEqual(t, got.arrived, 2, "%s: %+v", address, got)
		return
	}
	require.Equal(t, count(got.State == "accepted"), got.arrived, "%s: %+v", address, got)
}

func count(b bool) int {
	if b {
		return 1
	}
	return 0
}
