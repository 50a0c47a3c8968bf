package care

import (
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/people"
	"drumline/shared/mail"
	"drumline/shared/pg"
)

// How a worker claims: so many mails at a time, for so long; what it has not
// handed over by then another may claim.
const (
	claimAtOnce = 20
	lease       = 5 * time.Minute
)

// job is a claimed mail with all it takes to write it.
type job struct {
	Mail
	about  []Reminder
	units  map[domain.ID]customers.Cared
	tasks  map[domain.ID][]Task
	visit  *calls.Appointment
	to     customers.Cared // one of the units: name and address of the customer
	shop   people.Shop
	policy Policy
	token  string // of its links
	bounce string // of the address it comes back to
	today  domain.Date
	zone   *time.Location
}

// claiming is one transaction that claims.
type claiming struct {
	w    *Worker
	p    domain.Principal
	now  time.Time
	pol  Policy
	shop people.Shop
	rs   Rules

	room  int  // mails that may leave now by the shop's rate
	flood bool // messages about care wait for the owner's word

	due    []Reminder // planned, their time come
	again  []Mail     // to be tried again
	parts  []Reminder // of again
	cared  map[domain.ID]customers.Cared
	dues   []dueRow
	tasks  map[domain.ID][]Task
	visits []calls.Appointment
	latest map[string]int // the most urgent lead time in the ledger, by unit, task and date
	stale  map[domain.ID]bool
	closed map[string]string // address → reason nothing about care is sent to it; "all " before it: nothing at all
	taken  map[string]bool   // customer and day that have their message about care
	over   expired
	out    *pgx.Batch
	jobs   []job
}

// lateSince is how late a message about care counts as held up.
const lateSince = 24 * time.Hour

// foundHanded is the reply of a mail whose worker let its lease end over it.
const foundHanded = "the worker ended while it was handing it over"

// queueExpire ends leases that are over and what has become useless. A mail found
// handed may have arrived: it is tried once more, after a while, under the same
// Message-ID.
func queueExpire(b *pgx.Batch, shop domain.ID, now time.Time, over *expired) {
	b.Queue(`UPDATE mail SET state = CASE WHEN state = 'handed' AND ambiguous > 0 THEN 'ambiguous' ELSE 'soft_failed' END,
			settled_at = CASE WHEN state = 'handed' AND ambiguous > 0 THEN $2::timestamptz END,
			ambiguous = ambiguous + (state = 'handed')::int, next_at = CASE WHEN state = 'handed' THEN $3 ELSE $2 END,
			reply = CASE WHEN state = 'handed' THEN $4 ELSE reply END
		WHERE shop_id = $1 AND state IN ('claimed', 'handed') AND next_at <= $2
		RETURNING next_at = $3`, shop, now, now.Add(ambiguousWait), foundHanded).Query(func(rows pgx.Rows) (err error) {
		over.handed, err = pgx.CollectRows(rows, pgx.RowTo[bool])
		return err
	})
	b.Queue(`UPDATE mail SET state = CASE WHEN ambiguous > 0 THEN 'ambiguous' ELSE 'missed' END, settled_at = $2
		WHERE shop_id = $1 AND state = 'soft_failed' AND useless_at <= $2`, shop, now)
	b.Queue(`UPDATE reminder SET state = 'missed', settled_at = $2, reason = 'its time passed before it could be sent'
		WHERE shop_id = $1 AND state = 'planned' AND useless_at <= $2 AND not_before <= $2`, shop, now).Exec(func(tag pgconn.CommandTag) error {
		over.missed = int(tag.RowsAffected())
		return nil
	})
}

// expired is what queueExpire ended: for each lease whether its mail had been
// handed over, and the reminders that were missed.
type expired struct {
	handed []bool
	missed int
}

// ambiguous is how many of them nobody knows the end of.
func (e expired) ambiguous() int {
	n := 0
	for _, handed := range e.handed {
		if handed {
			n++
		}
	}
	return n
}

// claim ends what is over and claims mails whose time has come, for this
// worker alone. Everything is judged anew as it stands in this transaction.
func (w *Worker) claim(ctx context.Context, p domain.Principal, most int) ([]job, error) {
	var c claiming
	now := w.Now()
	load := func(b *pgx.Batch) {
		c = claiming{w: w, p: p, now: now, out: &pgx.Batch{}}
		queueExpire(b, p.Shop, now, &c.over)
		queuePolicy(b, p.Shop, &c.pol)
		people.QueueShop(b, p.Shop, &c.shop)
		QueueRules(b, p.Shop, &c.rs)
		var sent int
		b.Queue(`SELECT count(*) FROM mail WHERE shop_id = $1 AND handed_at > $2`, p.Shop, now.Add(-time.Minute)).QueryRow(func(row pgx.Row) error {
			err := row.Scan(&sent)
			c.room = min(most, c.pol.PerMinute-sent)
			return err
		})
		b.Queue(`SELECT count(*) FROM (SELECT FROM reminder WHERE shop_id = $1 AND state = 'planned' AND kind = 'care' AND not_before <= $2 LIMIT $3) late`,
			p.Shop, now.Add(-lateSince), 1_000_001).QueryRow(func(row pgx.Row) error {
			var late int
			err := row.Scan(&late)
			c.flood = late > c.pol.Flood && (c.pol.FloodUntil == nil || c.pol.FloodUntil.Before(now))
			return err
		})
	}
	err := w.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if !c.pol.writes() || c.room <= 0 {
			return nil
		}
		if err := c.read(ctx, tx); err != nil {
			return err
		}
		if err := c.tryAgain(); err != nil {
			return err
		}
		if err := c.form(ctx, tx); err != nil {
			return err
		}
		return tx.Send(ctx, c.out)
	})
	if err == nil {
		w.count(Ambiguous, c.over.ambiguous(), c.over.missed)
	}
	return c.jobs, err
}

// read takes the entries whose time has come, and all that is known of them.
func (c *claiming) read(ctx context.Context, tx *pg.Tx) error {
	b, shop := &pgx.Batch{}, c.p.Shop
	pg.All(b, &c.again, `SELECT `+mailColumns+` FROM mail WHERE shop_id = $1 AND state = 'soft_failed' AND next_at <= $2
		ORDER BY next_at, id LIMIT $3 FOR UPDATE SKIP LOCKED`, shop, c.now, c.room)
	pg.All(b, &c.due, `SELECT `+reminderColumns+` FROM reminder WHERE shop_id = $1 AND state = 'planned' AND not_before <= $2
		AND (kind <> 'care' OR NOT $4) ORDER BY not_before, due_on, id LIMIT $3 FOR UPDATE SKIP LOCKED`, shop, c.now, c.room, c.flood)
	if err := tx.Send(ctx, b); err != nil {
		return err
	}
	var mails, whose []string
	for _, m := range c.again {
		mails = append(mails, m.ID.String())
	}
	for _, r := range c.due {
		if r.Kind == AboutCare {
			whose = append(whose, r.CustomerID.String())
		}
	}
	b = &pgx.Batch{}
	pg.All(b, &c.parts, `SELECT `+reminderColumns+` FROM reminder WHERE shop_id = $1 AND mail_id = ANY ($2::uuid[]) AND state = 'mailed' ORDER BY id`, shop, mails)
	// One message tells a customer of all their units.
	var others []Reminder
	pg.All(b, &others, `SELECT `+reminderColumns+` FROM reminder WHERE shop_id = $1 AND customer_id = ANY ($2::uuid[]) AND kind = 'care'
		AND state = 'planned' AND not_before <= $3 ORDER BY id FOR UPDATE SKIP LOCKED`, shop, whose, c.now)
	if err := tx.Send(ctx, b); err != nil {
		return err
	}
	for _, r := range others {
		if !slices.ContainsFunc(c.due, func(d Reminder) bool { return d.ID == r.ID }) {
			c.due = append(c.due, r)
		}
	}
	return c.readAround(ctx, tx)
}

// readAround reads the units, visits and customers the entries speak of.
func (c *claiming) readAround(ctx context.Context, tx *pg.Tx) error {
	b, shop := &pgx.Batch{}, c.p.Shop
	var units, visits, whose []string
	for _, r := range slices.Concat(c.due, c.parts) {
		units, whose = append(units, r.UnitID.String()), append(whose, r.CustomerID.String())
		if !r.VisitID.IsZero() {
			visits = append(visits, r.VisitID.String())
		}
	}
	var cared []customers.Cared
	customers.QueueCared(b, shop, customers.UnitsByID, &cared, units)
	calls.QueueVisitsByID(b, shop, visits, &c.visits)
	pg.All(b, &c.dues, `SELECT `+dueColumns+` FROM care_due WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units)
	var cleanings []Cleaning
	pg.All(b, &cleanings, `SELECT `+cleaningColumns+` FROM cleaning WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[]) AND voided_at IS NULL`, shop, units)
	c.latest = map[string]int{}
	b.Queue(`SELECT unit_id, task, due_on, min(lead_days) FROM reminder WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[]) AND kind = 'care'
		AND state IN ('planned', 'mailed') GROUP BY 1, 2, 3`, shop, units).Query(func(rows pgx.Rows) error {
		var r Reminder
		var lead int
		_, err := pgx.ForEachRow(rows, []any{&r.UnitID, &r.Task, &r.DueOn, &lead}, func() error { c.latest[r.subject()] = lead; return nil })
		return err
	})
	c.stale, c.taken, c.closed = map[domain.ID]bool{}, map[string]bool{}, map[string]string{}
	b.Queue(`SELECT unit_id FROM care_stale WHERE shop_id = $1 AND unit_id = ANY ($2::uuid[])`, shop, units).Query(func(rows pgx.Rows) error {
		var id domain.ID
		_, err := pgx.ForEachRow(rows, []any{&id}, func() error { c.stale[id] = true; return nil })
		return err
	})
	b.Queue(`SELECT customer_id, day FROM mail WHERE shop_id = $1 AND customer_id = ANY ($2::uuid[]) AND kind = 'care' AND state NOT IN ('superseded', 'missed')
		AND day >= $3`, shop, whose, day(domain.DateOf(c.now.UTC()), -1)).Query(func(rows pgx.Rows) error {
		var id domain.ID
		var on domain.Date
		_, err := pgx.ForEachRow(rows, []any{&id, &on}, func() error { c.taken[dayOf(id, on)] = true; return nil })
		return err
	})
	b.Queue(`SELECT s.email_norm, s.scope, s.reason FROM suppression s WHERE s.shop_id = $1 AND s.lifted_at IS NULL AND s.email_norm IN (
		SELECT lower(c.email) FROM customer c WHERE c.shop_id = $1 AND c.id = ANY ($2::uuid[]))`, shop, whose).Query(func(rows pgx.Rows) error {
		var email, scope, reason string
		_, err := pgx.ForEachRow(rows, []any{&email, &scope, &reason}, func() error { c.closed[scope+" "+email] = reason; return nil })
		return err
	})
	err := tx.Send(ctx, b)
	c.cared, c.tasks = map[domain.ID]customers.Cared{}, map[domain.ID][]Task{}
	for _, u := range cared {
		c.cared[u.ID] = u
		own := slices.DeleteFunc(slices.Clone(cleanings), func(cl Cleaning) bool { return cl.UnitID != u.ID })
		c.tasks[u.ID] = Due(u.Unit, own, c.rs)
	}
	return err
}

// subject is what an entry about care speaks of, whatever its lead time.
func (r Reminder) subject() string { return r.UnitID.String() + " " + r.Task + " " + r.DueOn.String() }

func dayOf(customer domain.ID, on domain.Date) string { return customer.String() + on.String() }

// verdict is what becomes of an entry as things stand now.
type verdict struct {
	state  reminderState // planned: it may leave, or wait until later
	reason string
	later  time.Time // zero: now
}

// judge holds an entry against what is on record now.
func (c *claiming) judge(r Reminder) (verdict, error) {
	u, ok := c.cared[r.UnitID]
	if !ok || u.CustomerID != r.CustomerID || u.Gone && r.Kind != AboutReport {
		return verdict{superseded, "the unit is no longer this customer's to care for", time.Time{}}, nil
	}
	if why := c.noLonger(r); why != "" {
		return verdict{superseded, why, time.Time{}}, nil
	}
	if why := c.unwelcome(r.Kind, u.Email); why != "" {
		return verdict{suppressed, why, time.Time{}}, nil
	}
	if c.stale[r.UnitID] {
		return verdict{planned, "", c.now.Add(time.Second)}, nil
	}
	if until := c.w.blocked(u.Email, c.now); !until.IsZero() {
		return verdict{planned, "", until}, nil
	}
	zone, err := time.LoadLocation(u.TimeZone)
	if err != nil {
		return verdict{}, fmt.Errorf("care: zone of the site of unit %s: %w", u.ID, err)
	}
	w := c.pol.window(zone)
	if !w.open(c.now) {
		return verdict{planned, "", w.next(c.now)}, nil
	}
	today := domain.DateOf(c.now.In(zone))
	if r.Kind == AboutCare && r.MailID.IsZero() && c.taken[dayOf(r.CustomerID, today)] {
		return verdict{planned, "", w.on(day(today, 1))}, nil
	}
	return verdict{state: planned}, nil
}

// noLonger says why what an entry speaks of is no longer so; empty when it is.
func (c *claiming) noLonger(r Reminder) string {
	switch r.Kind {
	case AboutCare:
		if !slices.ContainsFunc(c.dues, func(d dueRow) bool { return d.UnitID == r.UnitID && d.Task == r.Task && d.AskedOn == r.DueOn }) {
			return dateMoved
		}
		if c.latest[r.subject()] < r.LeadDays {
			return "a later message says it"
		}
		if len(c.pol.Tasks) > 0 && !slices.Contains(c.pol.Tasks, r.Task) {
			return "the shop no longer writes about it"
		}
	case AboutVisit, AboutTomorrow:
		v := c.visitOf(r)
		if v == nil || !v.StartsAt.After(c.now) || r.Kind == AboutTomorrow && v.Status != calls.Booked || !slices.Contains([]calls.VisitStatus{calls.Booked, calls.VisitCancelled}, v.Status) {
			return "the visit has changed"
		}
	}
	return ""
}

func (c *claiming) visitOf(r Reminder) *calls.Appointment {
	if i := slices.IndexFunc(c.visits, func(v calls.Appointment) bool { return v.ID == r.VisitID }); i >= 0 {
		return &c.visits[i]
	}
	return nil
}

// unwelcome says why nothing of a kind may be written to an address.
func (c *claiming) unwelcome(k Kind, email string) string {
	norm := strings.ToLower(email)
	if email == "" {
		return "no e-mail address"
	}
	if _, err := mail.ParseAddr(email); err != nil || !people.ValidEmail(email) {
		return "the e-mail address cannot be written to"
	}
	if !c.w.mayReach(norm) {
		return "outside the domains this installation may write to"
	}
	if why := c.closed["all "+norm]; why != "" {
		return why
	}
	if why := c.closed["care "+norm]; why != "" && k == AboutCare {
		return why
	}
	return ""
}

// settle puts down what becomes of an entry that does not leave now.
func (c *claiming) settle(r Reminder, v verdict) {
	if v.state == planned {
		c.out.Queue(`UPDATE reminder SET not_before = $3 WHERE shop_id = $1 AND id = $2 AND state = 'planned'`, c.p.Shop, r.ID, v.later)
		return
	}
	c.out.Queue(`UPDATE reminder SET state = $3, settled_at = $4, reason = $5 WHERE shop_id = $1 AND id = $2`, c.p.Shop, r.ID, v.state, c.now, v.reason)
}

// tryAgain claims mails for another attempt, with what of them is still so.
func (c *claiming) tryAgain() error {
	for _, m := range c.again {
		j := c.job(m)
		var last verdict
		for _, r := range c.parts {
			if r.MailID != m.ID {
				continue
			}
			v, err := c.judge(r)
			if err != nil {
				return err
			}
			if v.state != planned {
				c.settle(r, v)
				last = v
				continue
			}
			last = verdict{state: planned, later: later(last.later, v.later)}
			j.about = append(j.about, r)
		}
		switch {
		case len(j.about) == 0:
			c.out.Queue(`UPDATE mail SET state = $3, settled_at = $4, reply = $5 WHERE shop_id = $1 AND id = $2`, c.p.Shop, m.ID, ended(last, m), c.now, last.reason)
		case !last.later.IsZero():
			c.out.Queue(`UPDATE mail SET next_at = $3 WHERE shop_id = $1 AND id = $2`, c.p.Shop, m.ID, last.later)
		default:
			c.take(j)
		}
	}
	return nil
}

// ended is where a mail stands of which nothing is left to say. One that may
// have arrived stays so.
func ended(v verdict, m Mail) MailState {
	switch {
	case m.Ambiguous > 0:
		return Ambiguous
	case v.state == suppressed:
		return Suppressed
	}
	return Superseded
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// take claims a mail that exists for its next attempt.
func (c *claiming) take(j job) {
	j.State, j.Attempt, j.NextAt = Claimed, j.Attempt+1, c.now.Add(lease)
	c.out.Queue(`UPDATE mail SET state = 'claimed', attempt = $3, next_at = $4, claimed_by = $5 WHERE shop_id = $1 AND id = $2`,
		c.p.Shop, j.ID, j.Attempt, j.NextAt, c.w.Name)
	c.jobs = append(c.jobs, c.dressed(j))
}

// job gives a mail what it is written with.
func (c *claiming) job(m Mail) job {
	return job{Mail: m, units: c.cared, tasks: c.tasks, shop: c.shop, policy: c.pol}
}

// dressed adds what depends on what the mail is about.
func (c *claiming) dressed(j job) job {
	j.to = c.cared[j.about[0].UnitID]
	j.visit = c.visitOf(j.about[0])
	j.token, _ = people.TokenOf(c.p.Shop, c.w.secret(c.p.Shop, j.ID))
	j.bounce, _ = bounceOf(c.p.Shop, c.w.secret(c.p.Shop, j.ID))
	j.zone, _ = time.LoadLocation(j.to.TimeZone) // judged before
	j.today = domain.DateOf(c.now.In(j.zone))
	return j
}

// form makes mails of the entries whose time has come: one for each customer
// about care, one for each of the others.
func (c *claiming) form(ctx context.Context, tx *pg.Tx) error {
	groups := map[string][]Reminder{}
	var order []string
	for _, r := range c.due {
		v, err := c.judge(r)
		if err != nil {
			return err
		}
		if v.state != planned || !v.later.IsZero() {
			c.settle(r, v)
			continue
		}
		key := r.ID.String()
		if r.Kind == AboutCare {
			key = r.CustomerID.String()
		}
		if groups[key] == nil {
			order = append(order, key)
		}
		groups[key] = append(groups[key], r)
	}
	for _, key := range order[:min(len(order), max(c.room-len(c.jobs), 0))] {
		if err := c.write(ctx, tx, groups[key]); err != nil {
			return err
		}
	}
	return nil
}

// write makes one mail of entries and claims it.
func (c *claiming) write(ctx context.Context, tx *pg.Tx, about []Reminder) error {
	slices.SortFunc(about, func(a, b Reminder) int {
		return cmp.Or(cmp.Compare(a.DueOn.String(), b.DueOn.String()), cmp.Compare(a.UnitID.String(), b.UnitID.String()), cmp.Compare(a.Task, b.Task))
	})
	j := c.job(Mail{ID: domain.NewID(c.now), Kind: about[0].Kind, CustomerID: about[0].CustomerID, State: Claimed, Attempt: 1, NextAt: c.now.Add(lease), CreatedAt: c.now})
	j.about = about
	j = c.dressed(j)
	j.Day = j.today
	ids := make([]string, 0, len(about))
	for _, r := range about {
		ids = append(ids, r.ID.String())
		j.UselessAt = later(j.UselessAt, r.UselessAt)
	}
	j.MessageID = c.w.messageID(c.p.Shop, c.pol.SenderAddress, about)
	_, hash := people.TokenOf(c.p.Shop, c.w.secret(c.p.Shop, j.ID))
	_, back := bounceOf(c.p.Shop, c.w.secret(c.p.Shop, j.ID))
	state, reply := Claimed, ""
	if c.pol.DryRun {
		state, reply = Suppressed, "dry run: written, not sent"
	}
	tag, err := tx.Exec(ctx, `INSERT INTO mail (shop_id, id, kind, customer_id, day, message_id, token_hash, state, attempt, next_at, useless_at, claimed_by, created_at, reply, bounce_hash, settled_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, CASE WHEN $8 = 'suppressed' THEN $13::timestamptz END)
		ON CONFLICT (shop_id, customer_id, day) WHERE kind = 'care' AND state NOT IN ('superseded', 'missed') DO NOTHING`,
		c.p.Shop, j.ID, j.Kind, j.CustomerID, j.Day, j.MessageID, hash, state, j.Attempt, j.NextAt, j.UselessAt, c.w.Name, c.now, reply, back)
	if err != nil {
		return err
	}
	if tag.RowsAffected() == 0 { // another worker writes to this customer today
		c.out.Queue(`UPDATE reminder SET not_before = $3 WHERE shop_id = $1 AND id = ANY ($2::uuid[])`, c.p.Shop, ids, c.pol.window(j.zone).on(day(j.today, 1)))
		return nil
	}
	c.out.Queue(`UPDATE reminder SET state = 'mailed', mail_id = $3, settled_at = $4 WHERE shop_id = $1 AND id = ANY ($2::uuid[])`, c.p.Shop, ids, j.ID, c.now)
	if state == Claimed {
		c.jobs = append(c.jobs, j)
	}
	return nil
}

// secret is what the links of a mail rest on: whoever has the key of the
// installation can make it again, so that a second attempt says the same.
func (w *Worker) secret(shop, id domain.ID) []byte {
	m := hmac.New(sha256.New, w.Key)
	_, _ = m.Write(slices.Concat([]byte("links "), shop[:], id[:])) // a hash takes everything
	return m.Sum(nil)
}

// messageID is the same for the same shop, subject, due dates and lead times,
// so that receivers and people can tell a repetition.
func (w *Worker) messageID(shop domain.ID, sender string, about []Reminder) string {
	parts := []string{shop.String()}
	for _, r := range about {
		parts = append(parts, fmt.Sprintf("%s %s %s %s %d %s %d %s", r.Kind, r.UnitID, r.Task, r.DueOn, r.LeadDays, r.VisitID, r.Revision, r.CallID))
	}
	_, host, _ := strings.Cut(sender, "@")
	return mail.MessageID(w.Key, host, parts...)
}
