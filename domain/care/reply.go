package care

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/customers"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// linksFor is how long the links of a message lead somewhere.
const linksFor = 400 * 24 * time.Hour

// Wanted is what a customer asks for by the links of a message.
type Wanted string

// What a customer can ask for. Stop ends messages about care to the address.
const (
	WantVisit Wanted = "book"
	WantCall  Wanted = "call_me"
	WantDone  Wanted = "done"
	WantStop  Wanted = "stop"
)

// Wants lists what a customer can ask for.
func Wants() []Wanted { return []Wanted{WantVisit, WantDone, WantCall, WantStop} }

// Correspondence is a message as its reader comes back by one of its links.
type Correspondence struct {
	Mail
	Shop     people.Shop
	Language string
	Phone    string
	CallID   domain.ID // of a message about a report
	Units    []customers.Cared
	email    string
	about    []Reminder
	rules    Rules
}

// read finds the message of a token, which is Absent when it is malformed,
// unknown or too old, all alike.
func (s *Service) correspondence(ctx context.Context, token string) (Correspondence, domain.Principal, error) {
	shop, hash, ok := people.ReadToken(token)
	sys := domain.System(shop, "customer link")
	if !ok {
		return Correspondence{}, sys, domain.Absent()
	}
	var found []Mail
	var c Correspondence
	var pol Policy
	err := s.DB.Read(ctx, sys, func(b *pgx.Batch) {
		pg.All(b, &found, `SELECT `+mailColumns+` FROM mail WHERE shop_id = $1 AND token_hash = $2 AND created_at > $3`, shop, hash, s.Now().Add(-linksFor))
		people.QueueShop(b, shop, &c.Shop)
		queuePolicy(b, shop, &pol)
		QueueRules(b, shop, &c.rules)
		pg.All(b, &c.about, `SELECT `+reminderColumns+` FROM reminder r WHERE r.shop_id = $1
			AND r.mail_id = (SELECT m.id FROM mail m WHERE m.shop_id = $1 AND m.token_hash = $2) ORDER BY r.due_on, r.id`, shop, hash)
		customers.QueueCared(b, shop, UnitsOfMail, &c.Units, hash)
	})
	switch {
	case err != nil && domain.KindOf(err) != domain.NotFound:
		return c, sys, err
	case err != nil, len(found) == 0, len(c.Units) == 0:
		return c, sys, domain.Absent()
	}
	c.Mail, c.Language, c.Phone, c.email = found[0], pol.Language, pol.Phone, c.Units[0].Email
	for _, r := range c.about {
		c.CallID = r.CallID
	}
	return c, sys, nil
}

// UnitsOfMail gives the units the mail with the token hash $2 speaks of.
const UnitsOfMail = `SELECT r.unit_id FROM reminder r JOIN mail m ON m.shop_id = r.shop_id AND m.id = r.mail_id WHERE r.shop_id = $1 AND m.token_hash = $2`

// ReadCorrespondence gives the message of a token, to ask its reader what they
// want. It changes nothing: programs follow links by themselves.
func (s *Service) ReadCorrespondence(ctx context.Context, token string) (Correspondence, error) {
	c, _, err := s.correspondence(ctx, token)
	if err == nil && c.Kind != AboutCare {
		return c, domain.Absent()
	}
	return c, err
}

// Answer does what the reader of a message about care wants. Asking again
// changes nothing.
func (s *Service) Answer(ctx context.Context, token string, want Wanted, note string) (Correspondence, error) {
	var ps domain.Problems
	if !slices.Contains(Wants(), want) {
		ps.Add("/want", "not_listed", "Say book, done, call_me or stop.")
	}
	ps.Text("/note", note, 0, 400, true)
	if err := ps.Err(); err != nil {
		return Correspondence{}, err
	}
	c, sys, err := s.correspondence(ctx, token)
	if err != nil || c.Kind != AboutCare {
		return c, anyway(err)
	}
	now := s.Now()
	switch want {
	case WantStop:
		err = s.DB.Write(ctx, sys, nil, func(ctx context.Context, tx *pg.Tx) error {
			b := &pgx.Batch{}
			queueSuppress(b, sys.Shop, now, c.email, "care", "unsubscribed", "by the link of a message")
			return tx.Send(ctx, b)
		})
	case WantDone:
		err = s.doneByLink(ctx, sys, c, now)
	default:
		err = s.DB.Write(ctx, sys, nil, func(ctx context.Context, tx *pg.Tx) error {
			_, err := tx.Exec(ctx, `INSERT INTO care_wish (shop_id, id, mail_id, customer_id, what, note, made_at) VALUES ($1, $2, $3, $4, $5, $6, $7)
				ON CONFLICT (shop_id, mail_id, what) DO NOTHING`, sys.Shop, domain.NewID(now), c.ID, c.CustomerID, want, note, now)
			return err
		})
	}
	return c, err
}

func anyway(err error) error {
	if err == nil {
		return domain.Absent()
	}
	return err
}

// doneByLink takes the customer's word that what a message spoke of has been
// done: today, all scopes of the task. What has another date by now is left.
func (s *Service) doneByLink(ctx context.Context, sys domain.Principal, c Correspondence, now time.Time) error {
	if err := s.settled(ctx, sys); err != nil {
		return err
	}
	var dues []dueRow
	load := func(b *pgx.Batch) {
		pg.All(b, &dues, `SELECT `+dueColumns+` FROM care_due WHERE shop_id = $1 AND unit_id = ANY (ARRAY(
			SELECT unit_id FROM reminder WHERE shop_id = $1 AND mail_id = $2)) FOR UPDATE`, sys.Shop, c.ID)
	}
	return s.DB.Write(ctx, sys, load, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		for _, r := range c.about {
			u := slices.IndexFunc(c.Units, func(u customers.Cared) bool { return u.ID == r.UnitID })
			still := slices.ContainsFunc(dues, func(d dueRow) bool { return d.UnitID == r.UnitID && d.Task == r.Task && d.AskedOn == r.DueOn })
			if u < 0 || !still {
				continue
			}
			zone, err := time.LoadLocation(c.Units[u].TimeZone)
			if err != nil {
				return fmt.Errorf("care: zone of the site of unit %s: %w", r.UnitID, err)
			}
			tasks, _ := c.rules.of(c.Units[u].Unit)
			i := slices.IndexFunc(tasks, func(t rule) bool { return t.id == r.Task })
			if i < 0 {
				continue
			}
			Cleaned(b, sys, now, Cleaning{UnitID: r.UnitID, DoneOn: domain.DateOf(now.In(zone)), Scopes: tasks[i].scopes, DoneBy: ByCustomer, Note: "Told by the link of a message."})
			b.Queue(`DELETE FROM care_due WHERE shop_id = $1 AND unit_id = $2 AND task = $3`, sys.Shop, r.UnitID, r.Task)
		}
		return tx.Send(ctx, b)
	})
}

// queueSuppress puts an address on the list of those nothing is sent to.
func queueSuppress(b *pgx.Batch, shop domain.ID, now time.Time, email, scope, reason, detail string) {
	if email == "" {
		return
	}
	b.Queue(`INSERT INTO suppression (shop_id, id, email_norm, scope, reason, detail, created_at) VALUES ($1, $2, $3, $4, $5, $6, $7)
		ON CONFLICT (shop_id, email_norm, scope) WHERE lifted_at IS NULL DO NOTHING`, shop, domain.NewID(now), strings.ToLower(email), scope, reason, detail, now)
}

// ReportOf gives the shop and the call whose report a token of a message may
// read.
func (s *Service) ReportOf(ctx context.Context, token string) (shop, call domain.ID, err error) {
	c, sys, err := s.correspondence(ctx, token)
	if err == nil && c.Kind != AboutReport {
		err = domain.Absent()
	}
	return sys.Shop, c.CallID, err
}
