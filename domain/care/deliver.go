package care

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"drumline/domain"
	"drumline/shared/mail"
	"drumline/shared/pg"
)

// Mailer gives a message to a mail server. handing is called after the
// recipient was accepted and before the text is sent; when it fails nothing is
// handed over.
type Mailer interface {
	Send(ctx context.Context, m mail.Message, handing func(context.Context) error) mail.Outcome
}

// Worker derives due dates, plans messages and sends them, for all shops of a
// database. Any number may run at once. All fields but Only and Pause are
// required.
type Worker struct {
	DB     *pg.DB // signed in as drumline_worker
	Mailer Mailer
	Now    func() time.Time
	Log    *slog.Logger
	Name   string        // of this process, in what it claims
	Key    []byte        // secret of the installation: links and Message-IDs rest on it
	Base   string        // where customers reach the service, e.g. https://care.example.com
	Bounce string        // domain returned mail goes to, as bounce+token@domain; empty: to the sender
	Only   []string      // domains that may be written to; none: all
	Pause  time.Duration // between looks when nothing is to be done; zero: a second
	// Mailed, when set, is told how many attempts ended so: accepted, soft_failed,
	// hard_failed or ambiguous. Missed is told how many reminders were not sent in
	// time.
	Mailed func(outcome string, n int)
	Missed func(n int)

	domains map[string]*trouble // of recipients that put us off
	server  trouble
}

// trouble is how often somebody has put us off in a row.
type trouble struct {
	times int
	until time.Time
}

// backOff is how long to wait after so many failures.
var backOff = []time.Duration{time.Minute, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 6 * time.Hour, 12 * time.Hour}

// ambiguousWait is how long after an attempt whose end nobody knows the only
// other one is made.
const ambiguousWait = 15 * time.Minute

// waitAfter is the pause after the n-th failure (from 1), a fifth more or less
// by the mail, so that many do not come back at once.
func waitAfter(n int, of domain.ID) time.Duration {
	d := backOff[min(max(n, 1), len(backOff))-1]
	h := fnv.New32a()
	_, _ = h.Write(of[:]) // a hash takes everything
	return d + time.Duration((float64(h.Sum32())/(1<<32)-0.5)*0.4*float64(d))
}

// waiting reads, across shops, which have something to do: times and numbers
// only, which the worker's own policy shows it. Of the marked units one of each
// shop is looked up: there can be as many as there are units.
const acrossShops = `SELECT shop_id FROM care_agenda WHERE wake_at <= $1
	UNION SELECT d.id FROM shop_directory d CROSS JOIN LATERAL (SELECT FROM care_stale s WHERE s.shop_id = d.id LIMIT 1) marked
	UNION SELECT f.shop_id FROM shop_feed f JOIN care_agenda a ON a.shop_id = f.shop_id AND f.seq > a.visit_seq`

// Waiting gives the shops that have something to do.
func (w *Worker) Waiting(ctx context.Context) ([]domain.ID, error) {
	rows, err := w.DB.Pool.Query(ctx, acrossShops, w.Now())
	if err != nil {
		return nil, pg.Classify(err)
	}
	shops, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
	return shops, pg.Classify(err)
}

// Run works until ctx ends. What fails is logged and tried again.
func (w *Worker) Run(ctx context.Context) {
	pause := w.Pause
	if pause == 0 {
		pause = time.Second
	}
	for ctx.Err() == nil {
		if n, err := w.Tick(ctx); err != nil && ctx.Err() == nil {
			w.Log.Error("care: a look at the shops failed", "error", err.Error())
		} else if n > 0 && err == nil {
			continue
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

// Tick looks once at every shop that has something to do, and says how many
// mails it has dealt with. A shop that fails keeps no other from its turn.
func (w *Worker) Tick(ctx context.Context) (int, error) {
	shops, err := w.Waiting(ctx)
	if err != nil {
		return 0, err
	}
	mails := 0
	failed := w.Plan(ctx, shops)
	for _, shop := range shops {
		if failed[shop] != nil || ctx.Err() != nil {
			continue
		}
		n, err := w.send(ctx, domain.System(shop, "care worker"))
		if mails += n; err != nil {
			failed[shop] = err
		}
	}
	var all error
	for shop, err := range failed {
		all = errors.Join(all, fmt.Errorf("shop %s: %w", shop, err))
	}
	return mails, all
}

// See is Tick for one shop.
func (w *Worker) See(ctx context.Context, shop domain.ID) (int, error) {
	if err := w.Plan(ctx, []domain.ID{shop})[shop]; err != nil {
		return 0, err
	}
	return w.send(ctx, domain.System(shop, "care worker"))
}

// plansAtOnce is how many shops are planned side by side.
const plansAtOnce = 4

// Plan derives the due dates of shops and writes into the ledger what they ask
// for, several shops side by side. It gives the errors of those that failed.
func (w *Worker) Plan(ctx context.Context, shops []domain.ID) map[domain.ID]error {
	s := &Service{DB: w.DB, Now: w.Now}
	failed := map[domain.ID]error{}
	var mu sync.Mutex
	var group errgroup.Group
	group.SetLimit(plansAtOnce)
	for _, shop := range shops {
		group.Go(func() error {
			p := domain.System(shop, "care worker")
			for _, step := range []func(context.Context, domain.Principal) error{s.Settle, s.Plan, s.planVisits} {
				if err := step(ctx, p); err != nil {
					mu.Lock()
					defer mu.Unlock()
					failed[shop] = err
					return nil
				}
			}
			return nil
		})
	}
	_ = group.Wait() // errors are kept by shop
	return failed
}

// send claims and sends what one shop has to send now.
func (w *Worker) send(ctx context.Context, p domain.Principal) (int, error) {
	n := 0
	if !w.server.until.After(w.Now()) {
		jobs, err := w.claim(ctx, p, claimAtOnce)
		if err != nil {
			return 0, err
		}
		n = w.deliver(ctx, p, jobs)
	}
	return n, w.rest(ctx, p)
}

// deliver sends claimed mails, one after the other. When the server itself is
// in trouble the others go back to the queue.
func (w *Worker) deliver(ctx context.Context, p domain.Principal, jobs []job) int {
	for i, j := range jobs {
		if ctx.Err() != nil || w.server.until.After(w.Now()) {
			w.giveBack(ctx, p, jobs[i:])
			return i
		}
		w.one(ctx, p, j)
	}
	return len(jobs)
}

// one sends one mail and puts down how it ended.
func (w *Worker) one(ctx context.Context, p domain.Principal, j job) {
	m, err := w.message(j)
	if err != nil {
		w.Log.Error("care: a message could not be written", "shop", p.Shop.String(), "mail", j.ID.String(), "error", err.Error())
		w.finish(ctx, p, j, mail.Outcome{Kind: mail.Refused, Where: mail.Content, Reply: "the message could not be written"})
		return
	}
	o := w.Mailer.Send(ctx, m, func(ctx context.Context) error { return w.hand(ctx, p, j) })
	w.learn(j, o)
	w.finish(ctx, p, j, o)
}

var errNoLonger = errors.New("it is no longer to be sent")

// hand puts down, before the text is given away, that it is. It is refused
// when anything has changed since the mail was claimed: its lease, the dates it
// speaks of, the customer's wish, the shop's.
func (w *Worker) hand(ctx context.Context, p domain.Principal, j job) error {
	now := w.Now()
	return w.DB.Write(ctx, p, func(b *pgx.Batch) {
		pg.Changed(b, errNoLonger, `UPDATE mail SET state = 'handed', handed_at = $5
			WHERE shop_id = $1 AND id = $2 AND state = 'claimed' AND attempt = $3 AND claimed_by = $4 AND next_at > $5
			AND EXISTS (SELECT FROM care_policy cp WHERE cp.shop_id = $1 AND cp.enabled AND NOT cp.paused AND NOT cp.dry_run)
			AND NOT EXISTS (SELECT FROM suppression s WHERE s.shop_id = $1 AND s.email_norm = $6 AND s.lifted_at IS NULL AND (s.scope = 'all' OR $7 = 'care'))
			AND NOT EXISTS (SELECT FROM reminder r WHERE r.shop_id = $1 AND r.mail_id = $2 AND r.kind = 'care' AND (
				EXISTS (SELECT FROM care_stale cs WHERE cs.shop_id = r.shop_id AND cs.unit_id = r.unit_id)
				OR NOT EXISTS (SELECT FROM care_due d WHERE d.shop_id = r.shop_id AND d.unit_id = r.unit_id AND d.task = r.task AND d.asked_on = r.due_on)))`,
			p.Shop, j.ID, j.Attempt, w.Name, now, strings.ToLower(j.to.Email), j.Kind)
	}, func(context.Context, *pg.Tx) error { return nil })
}

// finish puts down how an attempt ended. It goes on trying while the database
// is away, for as long as the lease runs: what is not put down is taken for
// ambiguous.
func (w *Worker) finish(ctx context.Context, p domain.Principal, j job, o mail.Outcome) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), lease)
	defer cancel()
	for pause := 50 * time.Millisecond; ; pause = min(2*pause, 2*time.Second) {
		err := w.put(ctx, p, j, o)
		if err == nil {
			e := endOf(j, o, w.Now())
			w.count(e.outcome(), 1, 0)
			return
		}
		w.Log.Warn("care: the end of a mail could not be put down yet", "shop", p.Shop.String(), "mail", j.ID.String(), "error", err.Error())
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		}
	}
}

// end is where a mail stands after an attempt.
type end struct {
	state     MailState
	next      time.Time
	ambiguous int // 1 when nobody knows how the attempt ended
}

// outcome is the word that counts the attempt.
func (e end) outcome() MailState {
	if e.ambiguous > 0 {
		return Ambiguous
	}
	return e.state
}

// count tells who counts.
func (w *Worker) count(outcome MailState, mails, missed int) {
	if w.Mailed != nil && mails > 0 {
		w.Mailed(string(outcome), mails)
	}
	if w.Missed != nil && missed > 0 {
		w.Missed(missed)
	}
}

// endOf is what an outcome makes of a mail at now.
func endOf(j job, o mail.Outcome, now time.Time) end {
	switch o.Kind {
	case mail.Accepted:
		return end{Accepted, now, 0}
	case mail.Refused:
		return end{HardFailed, now, 0}
	case mail.Ambiguous:
		if j.Ambiguous > 0 {
			return end{Ambiguous, now, 1}
		}
		return end{SoftFailed, now.Add(ambiguousWait), 1}
	}
	wait := waitAfter(j.Attempt, j.ID)
	if o.Where == mail.Handing {
		wait = time.Minute
	}
	return end{SoftFailed, now.Add(wait), 0}
}

func (w *Worker) put(ctx context.Context, p domain.Principal, j job, o mail.Outcome) error {
	now := w.Now()
	e := endOf(j, o, now)
	return w.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		b.Queue(`UPDATE mail SET state = $4, next_at = $5, ambiguous = ambiguous + $6, reply = $7, settled_at = CASE WHEN $4 = 'soft_failed' THEN NULL ELSE $8::timestamptz END
			WHERE shop_id = $1 AND id = $2 AND attempt = $3 AND state IN ('claimed', 'handed')`,
			p.Shop, j.ID, j.Attempt, e.state, e.next, e.ambiguous, clip(o.Reply), now)
		// Who knows how it ended says so even after the lease, unless another
		// attempt has begun; that it had been counted as unknown is taken back.
		b.Queue(`UPDATE mail SET state = $4, next_at = $5, ambiguous = ambiguous - 1 + $6, reply = $7, settled_at = CASE WHEN $4 = 'soft_failed' THEN NULL ELSE $8::timestamptz END
			WHERE shop_id = $1 AND id = $2 AND attempt = $3 AND state IN ('soft_failed', 'ambiguous') AND reply = $9`,
			p.Shop, j.ID, j.Attempt, e.state, e.next, e.ambiguous, clip(o.Reply), now, foundHanded)
		if noSuchAddress(o) {
			queueSuppress(b, p.Shop, now, j.to.Email, "all", "bounced", clip(o.Reply))
		}
		return tx.Send(ctx, b)
	})
}

func clip(s string) string {
	r := []rune(s)
	return string(r[:min(len(r), 300)])
}

// noSuchAddress says whether a refusal means that the address takes no mail at
// all (RFC 3463 X.1.x and X.2.1), not that this message was unwelcome.
func noSuchAddress(o mail.Outcome) bool {
	if o.Kind != mail.Refused || o.Where != mail.Recipient {
		return false
	}
	if o.Enhanced == "" {
		return o.Code == 550 || o.Code == 551 || o.Code == 553
	}
	return strings.HasPrefix(o.Enhanced, "5.1.") || o.Enhanced == "5.2.1"
}

// giveBack returns claimed mails to the queue as if they had not been claimed.
func (w *Worker) giveBack(ctx context.Context, p domain.Principal, jobs []job) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	err := w.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		for _, j := range jobs {
			b.Queue(`UPDATE mail SET state = 'soft_failed', attempt = attempt - 1, next_at = $4 WHERE shop_id = $1 AND id = $2 AND attempt = $3 AND state = 'claimed'`,
				p.Shop, j.ID, j.Attempt, later(w.Now(), w.server.until))
		}
		return tx.Send(ctx, b)
	})
	if err != nil { // their lease ends by itself
		w.Log.Warn("care: claimed mails could not be given back", "shop", p.Shop.String(), "error", err.Error())
	}
}

// learn keeps in mind who puts us off: the server, or a recipient's domain.
func (w *Worker) learn(j job, o mail.Outcome) {
	now := w.Now()
	if o.Kind == mail.Deferred && o.Where == mail.Handing {
		return
	}
	if o.Server {
		w.server.times++
		w.server.until = now.Add(min(time.Duration(w.server.times)*10*time.Second, 5*time.Minute))
		return
	}
	w.server = trouble{}
	if w.domains == nil || len(w.domains) > 10_000 {
		w.domains = map[string]*trouble{}
	}
	host := hostOf(j.to.Email)
	t := w.domains[host]
	if t == nil {
		t = &trouble{}
		w.domains[host] = t
	}
	if o.Kind != mail.Deferred {
		delete(w.domains, host)
		return
	}
	if t.times++; t.times >= 3 {
		t.until = now.Add(backOff[min(t.times-3, len(backOff)-1)])
	}
}

// blocked is until when nothing is sent to the domain of an address; zero when
// nothing is in the way.
func (w *Worker) blocked(email string, now time.Time) time.Time {
	if t := w.domains[hostOf(email)]; t != nil && t.until.After(now) {
		return t.until
	}
	return time.Time{}
}

func hostOf(email string) string {
	_, host, _ := strings.Cut(strings.ToLower(email), "@")
	return host
}

// mayReach says whether this installation may write to an address.
func (w *Worker) mayReach(email string) bool {
	if len(w.Only) == 0 {
		return true
	}
	for _, d := range w.Only {
		if hostOf(email) == strings.ToLower(d) {
			return true
		}
	}
	return false
}

// rest puts down when the shop is to be looked at next: in a day at the latest.
// The agenda is locked first, so that what somebody plans meanwhile is
// either seen here or wakes the shop after.
func (w *Worker) rest(ctx context.Context, p domain.Principal) error {
	now := w.Now()
	load := func(b *pgx.Batch) { b.Queue(`SELECT FROM care_agenda WHERE shop_id = $1 FOR UPDATE`, p.Shop) }
	return w.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE care_agenda SET wake_at = greatest($3, least($2::timestamptz + interval '1 day',
				(SELECT (min(next_lead_on) - 1)::timestamp AT TIME ZONE 'UTC' FROM care_due WHERE shop_id = $1),
				(SELECT min(next_at) FROM mail WHERE shop_id = $1 AND state IN ('claimed', 'handed', 'soft_failed')),
				(SELECT min(not_before) FROM reminder WHERE shop_id = $1 AND state = 'planned')))
			WHERE shop_id = $1`, p.Shop, now, later(now.Add(w.breath()), w.server.until))
		return err
	})
}

// breath is the least pause before a shop is looked at again.
func (w *Worker) breath() time.Duration { return time.Second }
