package api_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/care"
	"drumline/shared/mail"
)

// dryer is a unit of a customer with an address, due in so many days.
func dryer(s *scene, site string, days int) string {
	return s.dispatcher.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "model": "QX-41", "installed_on": s.owner.w.dueIn(days)}).id()
}

// home is a site of a new customer.
func home(s *scene, email string) (customer, site string) {
	customer = s.dispatcher.post("/v1/customers", m{"name": "Odile Fenn", "email": email, "phone": "555 0144"}).id()
	return customer, s.dispatcher.post("/v1/sites", m{"customer_id": customer, "address": "9 Aspen Way", "postal_code": "80301"}).id()
}

// A due date becomes one e-mail, in time and once; the customer's word by its
// link moves the date.
func TestADueDateBecomesAMessageOnce(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.noon()
	writes(s, m{"lead_days": []int{30, 7}})
	_, site := home(s, "odile@fenn.example")
	unit, second := dryer(s, site, 6), dryer(s, site, 20)
	box := &postbox{}
	k := w.worker(box)
	ended := map[string]int{}
	k.Mailed = func(outcome string, n int) { ended[outcome] += n }
	w.works(k)
	require.Equal(t, map[string]int{"accepted": 1}, ended)

	got := box.mails()
	require.Len(t, got, 1, "one message a customer a day, for all units")
	msg := got[0]
	require.Equal(t, "odile@fenn.example", msg.To.Addr)
	require.Contains(t, msg.Subject, "2 appliances")
	require.Equal(t, 2, strings.Count(msg.Text, "QX-41"))
	require.Contains(t, msg.Text, "34 percent")
	require.Contains(t, msg.Text, "keep the appliance closed")
	require.NotContains(t, strings.ToLower(msg.Text), "open the cabinet")
	require.Equal(t, base+"/v1/unsubscribe/"+tokenOf(t, msg), msg.UnsubscribeURL)
	w.works(k)
	require.Len(t, box.mails(), 1, "nothing is sent twice")
	require.Equal(t, map[string]int{"accepted": 2, "superseded": 1}, states(ledger(s, "")), "the lead of 30 days of the nearer date gives way to the later one")

	// The same message again by another worker: no.
	w.works(w.worker(box))
	require.Len(t, box.mails(), 1)

	// The customer has had it done.
	token := tokenOf(t, msg)
	page := w.visit("GET", "/v1/care-replies/"+token+"?want=done", "")
	require.Equal(t, 200, page.status)
	require.Contains(t, string(page.raw), "It has been done")
	require.Len(t, s.dispatcher.get("/v1/units/"+unit+"/care").at("cleanings"), 0, "reading changes nothing")
	for range 2 {
		require.Equal(t, 200, w.visit("POST", "/v1/care-replies/"+token, "want=done").status)
	}
	for _, u := range []string{unit, second} {
		plan := s.dispatcher.get("/v1/units/" + u + "/care")
		require.Len(t, plan.at("cleanings"), 1, "said twice, done once")
		require.Equal(t, "customer", plan.str("cleanings", 0, "done_by"))
		require.False(t, plan.at("overdue").(bool))
	}
	due := s.dispatcher.get("/v1/care?area=803")
	require.Len(t, due.at("items"), 2)
	require.Greater(t, due.str("items", 0, "due_on"), w.clock.now().AddDate(0, 11, 0).Format("2006-01-02"))
	w.clock.add(24 * time.Hour)
	w.works(k)
	require.Len(t, box.mails(), 1, "nothing more is due")
}

// What has been cleaned, stopped, retired or put off meanwhile is not written
// about.
func TestWhatIsNoLongerSoIsNotSent(t *testing.T) {
	for name, c := range map[string]struct {
		do   func(s *scene, customer, unit string)
		want map[string]int
	}{
		"cleaned": {func(s *scene, _, unit string) {
			s.dispatcher.post("/v1/units/"+unit+"/care/cleanings", m{"done_on": s.owner.w.clock.now().AddDate(0, 0, -1).Format("2006-01-02"), "done_by": "us",
				"scopes": []string{"cabinet", "blower", "transition_duct", "run", "hood"}}).want(201)
		}, map[string]int{"superseded": 2}},
		"retired": {func(s *scene, _, unit string) {
			s.dispatcher.do("DELETE", "/v1/units/"+unit, nil, "If-Match", "*").want(204)
		}, map[string]int{"superseded": 2}},
		"stopped": {func(s *scene, _, _ string) {
			s.dispatcher.do("POST", "/v1/stopped-addresses", m{"email": "Odile@fenn.example", "scope": "care"}).want(204)
		}, map[string]int{"superseded": 1, "suppressed": 1}},
		"no address": {func(s *scene, customer, _ string) {
			s.dispatcher.do("PATCH", "/v1/customers/"+customer, m{"email": nil}, "If-Match", "*").want(200)
		}, map[string]int{"superseded": 1, "suppressed": 1}},
		"paused": {func(s *scene, _, _ string) {
			s.owner.do("PATCH", "/v1/care/policy", m{"paused": true}, "If-Match", "*").want(200)
		}, map[string]int{"superseded": 1, "planned": 1}},
		"dry run": {func(s *scene, _, _ string) {
			s.owner.do("PATCH", "/v1/care/policy", m{"dry_run": true}, "If-Match", "*").want(200)
		}, map[string]int{"superseded": 1, "suppressed": 1}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newLongWorld(t)
			s := newScene(w.a)
			w.noon()
			w.clock.add(9 * time.Hour) // 21:00: quiet
			writes(s, m{"lead_days": []int{30, 7}})
			customer, site := home(s, "odile@fenn.example")
			unit := dryer(s, site, 6)
			box := &postbox{}
			k := w.worker(box)
			w.works(k)
			require.Empty(t, box.mails(), "quiet hours")
			require.Equal(t, map[string]int{"superseded": 1, "planned": 1}, states(ledger(s, "")))
			c.do(s, customer, unit)
			w.clock.add(15 * time.Hour)
			w.works(k)
			require.Empty(t, box.mails())
			require.Equal(t, c.want, states(ledger(s, "")))
		})
	}
}

// The end of an attempt decides what follows (RFC 5321, 4.2.1 and 4.5.4.1: 4yz
// may be tried again, 5yz not).
func TestWhatFollowsAnAttempt(t *testing.T) {
	for name, c := range map[string]struct {
		answers []mail.Outcome // the first attempts; then everything is taken
		after   time.Duration
		tried   int
		sent    int
		want    map[string]int
	}{
		"taken":            {nil, 0, 1, 1, map[string]int{"accepted": 1}},
		"put off":          {[]mail.Outcome{{Kind: mail.Deferred, Where: mail.Recipient, Code: 451}}, 0, 1, 0, map[string]int{"soft_failed": 1}},
		"put off, later":   {[]mail.Outcome{{Kind: mail.Deferred, Where: mail.Recipient, Code: 451}}, 2 * time.Minute, 2, 1, map[string]int{"accepted": 1}},
		"refused":          {[]mail.Outcome{{Kind: mail.Refused, Where: mail.Content, Code: 554}}, 48 * time.Hour, 1, 0, map[string]int{"hard_failed": 1}},
		"unknown, at once": {[]mail.Outcome{{Kind: mail.Ambiguous, Where: mail.Reply}}, 10 * time.Minute, 1, 0, map[string]int{"soft_failed": 1}},
		"unknown, again":   {[]mail.Outcome{{Kind: mail.Ambiguous, Where: mail.Reply}}, 16 * time.Minute, 2, 1, map[string]int{"accepted": 1}},
		"unknown twice":    {[]mail.Outcome{{Kind: mail.Ambiguous, Where: mail.Reply}, {Kind: mail.Ambiguous, Where: mail.Reply}}, 3 * time.Hour, 2, 0, map[string]int{"ambiguous": 1}},
		"server away":      {[]mail.Outcome{{Kind: mail.Deferred, Where: mail.Connect, Server: true}}, 2 * time.Minute, 2, 1, map[string]int{"accepted": 1}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newLongWorld(t)
			s := newScene(w.a)
			w.noon()
			writes(s, m{"lead_days": []int{7}})
			_, site := home(s, "odile@fenn.example")
			dryer(s, site, 6)
			box := &postbox{answer: func(n int, _ mail.Message) mail.Outcome {
				if n <= len(c.answers) {
					return c.answers[n-1]
				}
				return mail.Outcome{Kind: mail.Accepted, Code: 250}
			}}
			k := w.worker(box)
			w.works(k)
			for passed := time.Duration(0); passed < c.after; passed += time.Minute {
				w.clock.add(time.Minute)
				if passed > time.Hour {
					w.clock.add(time.Hour)
					passed += time.Hour
				}
				w.works(k)
			}
			require.Equal(t, c.tried, box.tried)
			require.Len(t, box.mails(), c.sent)
			require.Equal(t, c.want, states(ledger(s, "")))
		})
	}
}

// slow is a mail server whose answer takes longer than a lease; meanwhile
// another worker looks.
type slow struct {
	outcome   mail.Outcome
	meanwhile func()
}

func (b *slow) Send(ctx context.Context, _ mail.Message, handing func(context.Context) error) mail.Outcome {
	if err := handing(ctx); err != nil {
		return mail.Outcome{Kind: mail.Deferred, Where: mail.Handing, Reply: err.Error()}
	}
	b.meanwhile()
	return b.outcome
}

// The answer that comes after the lease is the one that counts: what was taken
// for unknown meanwhile is known then. Only where it says nothing does the mail
// stay unknown, and is counted so once.
func TestAnAnswerAfterTheLeaseCounts(t *testing.T) {
	for name, c := range map[string]struct {
		outcome   mail.Outcome
		state     string
		ambiguous int
		next      time.Duration // to the next attempt; 0: none
	}{
		"taken":     {mail.Outcome{Kind: mail.Accepted, Where: mail.Reply, Code: 250}, "accepted", 0, 0},
		"refused":   {mail.Outcome{Kind: mail.Refused, Where: mail.Reply, Code: 554}, "hard_failed", 0, 0},
		"put off":   {mail.Outcome{Kind: mail.Deferred, Where: mail.Reply, Code: 451}, "soft_failed", 0, time.Minute},
		"no answer": {mail.Outcome{Kind: mail.Ambiguous, Where: mail.Reply}, "soft_failed", 1, 15 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			w := newLongWorld(t)
			s := newScene(w.a)
			w.noon()
			writes(s, m{"lead_days": []int{7}})
			_, site := home(s, "odile@fenn.example")
			dryer(s, site, 6)
			db := admin(t, w.db)
			var state string
			var ambiguous int
			var next time.Time
			read := func() {
				require.NoError(t, db.QueryRow(t.Context(), `SELECT state, ambiguous, next_at FROM mail`).Scan(&state, &ambiguous, &next))
			}
			other := w.worker(&postbox{})
			k := w.worker(&postbox{})
			k.Mailer = &slow{c.outcome, func() {
				w.clock.add(6 * time.Minute)
				_, err := other.Tick(t.Context())
				require.NoError(t, err)
				read()
				require.Equal(t, "soft_failed", state, "the other worker found it handed, its lease over")
				require.Equal(t, 1, ambiguous)
			}}
			_, err := k.Tick(t.Context())
			require.NoError(t, err)
			read()
			require.Equal(t, c.state, state)
			require.Equal(t, c.ambiguous, ambiguous)
			if c.next > 0 {
				require.InDelta(t, c.next.Minutes(), next.Sub(w.clock.now()).Minutes(), 0.21*c.next.Minutes())
			}
		})
	}
}

// A worker that dies between two of its steps leaves the shop to the next one
// at once, although another has looked meanwhile and gone to rest for an hour.
func TestAStepLeavesTheShopAwake(t *testing.T) {
	w := newLongWorld(t)
	s := newScene(w.a)
	w.noon()
	writes(s, m{"lead_days": []int{7}})
	_, site := home(s, "odile@fenn.example")
	k := w.worker(&postbox{})
	w.works(k)
	dryer(s, site, 6)
	p, steps := domain.System(w.a.id, "test"), &care.Service{DB: k.DB, Now: w.clock.now}
	for _, step := range []func(context.Context, domain.Principal) error{steps.Settle, steps.Plan} {
		_, err := admin(t, w.db).Exec(t.Context(), `UPDATE care_agenda SET wake_at = $1`, w.clock.now().Add(time.Hour))
		require.NoError(t, err)
		require.NoError(t, step(t.Context(), p))
		shops, err := k.Waiting(t.Context())
		require.NoError(t, err)
		require.Contains(t, shops, w.a.id)
	}
}
