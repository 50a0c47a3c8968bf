package api_test

import (
	"context"
	"log/slog"
	"regexp"
	"sync"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/care"
	"drumline/domain/people"
	"drumline/shared/mail"
	"drumline/shared/pg"
)

// postbox is a mail server that keeps what it is given, and answers as it is
// told to.
type postbox struct {
	mu     sync.Mutex
	answer func(n int, m mail.Message) mail.Outcome // nil: takes everything
	got    []mail.Message
	tried  int
}

func (b *postbox) Send(ctx context.Context, m mail.Message, handing func(context.Context) error) mail.Outcome {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tried++
	o := mail.Outcome{Kind: mail.Accepted, Code: 250, Reply: "250 taken"}
	if b.answer != nil {
		o = b.answer(b.tried, m)
	}
	if o.Kind == mail.Refused && o.Where == mail.Recipient || o.Kind == mail.Deferred {
		return o
	}
	if err := handing(ctx); err != nil {
		return mail.Outcome{Kind: mail.Deferred, Where: mail.Handing, Reply: err.Error()}
	}
	if o.Kind == mail.Accepted {
		b.got = append(b.got, m)
	}
	return o
}

// mails gives what has been taken.
func (b *postbox) mails() []mail.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]mail.Message(nil), b.got...)
}

const base = "https://care.example.com"

// worker is a worker of the world's database, signed in as one, on its clock.
func (w *world) worker(b *postbox) *care.Worker {
	w.t.Helper()
	db, err := pg.Open(w.t.Context(), w.db.WorkerURL, pg.Options{Access: people.Access, MaxConns: 2})
	require.NoError(w.t, err)
	w.t.Cleanup(db.Close)
	return &care.Worker{DB: db, Mailer: b, Now: w.clock.now, Log: slog.New(slog.NewJSONHandler(w.logs, nil)), Name: "worker " + domain.NewID(time.Now()).String(),
		Key: []byte("0123456789abcdef0123456789abcdef"), Base: base, Bounce: "returns.example.com"}
}

// works has the worker look until nothing is left to do now.
func (w *world) works(k *care.Worker) {
	w.t.Helper()
	for range 50 {
		w.clock.add(1100 * time.Millisecond) // a shop is looked at once a second at most
		n, err := k.Tick(w.t.Context())
		require.NoError(w.t, err)
		if n == 0 {
			return
		}
	}
	w.t.Fatal("the worker finds no end")
}

// writes turns the shop's messages on.
func writes(s *scene, more m) {
	body := m{"enabled": true, "sender_name": "Alder Lane Repairs", "sender_address": "care@" + s.code + ".example", "phone": "555 0100",
		"postal_address": "3 Alder Lane\nSpringfield", "greeting": "Autumn is the time.", "window_from": "08:00", "window_to": "20:00"}
	for k, v := range more {
		body[k] = v
	}
	s.owner.do("PATCH", "/v1/care/policy", body, "If-Match", "*").want(200)
}

// at sets the clock to a civil time in the zone of the shops.
func (w *world) at(text string) {
	w.t.Helper()
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(w.t, err)
	t, err := time.ParseInLocation("2006-01-02 15:04", text, zone)
	require.NoError(w.t, err)
	w.clock.mu.Lock()
	defer w.clock.mu.Unlock()
	w.clock.shift = time.Until(t)
}

// noon puts the clock to the next noon at the sites, when messages leave.
func (w *world) noon() {
	zone, err := time.LoadLocation("America/Denver")
	require.NoError(w.t, err)
	now := w.clock.now().In(zone)
	next := time.Date(now.Year(), now.Month(), now.Day(), 12, 0, 0, 0, zone)
	if next.Before(now) {
		next = next.AddDate(0, 0, 1)
	}
	w.clock.add(next.Sub(now))
}

// dueIn is the day of installation of a dryer that is due in so many days.
func (w *world) dueIn(days int) string {
	return domain.DateOf(w.clock.now()).Time().AddDate(-1, 0, days).Format("2006-01-02")
}

var linkToken = regexp.MustCompile(`/v1/(?:care-replies|reports|unsubscribe)/([A-Za-z0-9_-]+)`)

// tokenOf is the token in the links of a mail.
func tokenOf(t require.TestingT, msg mail.Message) string {
	found := linkToken.FindStringSubmatch(msg.Text)
	require.Len(t, found, 2, "%s", msg.Text)
	return found[1]
}

// ledger gives the entries of the shop's ledger, latest first.
func ledger(s *scene, query string) []m {
	var out []m
	for _, x := range s.dispatcher.get("/v1/reminders" + query).at("items").([]any) {
		out = append(out, x.(m))
	}
	return out
}

// states counts the entries of a ledger by state.
func states(entries []m) map[string]int {
	out := map[string]int{}
	for _, e := range entries {
		out[e["state"].(string)]++
	}
	return out
}

// visit asks for a page as anybody with a link does; a form is posted as a
// browser would.
func (w *world) visit(method, path, form string) answer {
	w.t.Helper()
	nobody := &client{w: w}
	if form == "" {
		return nobody.do(method, path, nil, "Accept", "text/html")
	}
	return nobody.do(method, path, form, "Content-Type", "application/x-www-form-urlencoded", "Accept", "text/html", "Idempotency-Key", "")
}
