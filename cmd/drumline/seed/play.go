package seed

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"golang.org/x/sync/errgroup"

	"drumline/domain"
	"drumline/domain/care"
	"drumline/domain/people"
)

// hands is how many calls are played at once: two a core of a small machine,
// since each mostly waits for the database.
const hands = 4

// play stores everything the plan says.
func (p *plan) play(ctx context.Context, o Options, count *counter) error {
	h := newHand(o, p.shop.code, p.begin.Add(-24*time.Hour))
	c, err := h.hire(ctx, p.shop)
	if err != nil {
		return fmt.Errorf("people: %w", err)
	}
	if err := h.sheets(ctx, c, p.shop.models); err != nil {
		return fmt.Errorf("data sheets: %w", err)
	}
	for _, m := range p.homes {
		h.pass(time.Minute)
		if err := h.settle(ctx, c, m); err != nil {
			return fmt.Errorf("customer %s: %w", m.name, err)
		}
		count.step()
	}
	if err := p.playCalls(ctx, o, c, count); err != nil {
		return err
	}
	h.now = o.Now
	s, err := h.people.ReadShop(ctx, c.owner)
	if err != nil {
		return err
	}
	name := p.shop.name
	if err := h.write(ctx, c.owner, name); err != nil {
		return err
	}
	_, err = h.people.ChangeShop(ctx, c.owner, s.Version, people.ShopChange{Name: &name})
	return err
}

// playCalls takes the calls by the time they were opened. A call waits for the
// one before it on the same unit: whether it is a come-back hangs on that.
func (p *plan) playCalls(ctx context.Context, o Options, c *crew, count *counter) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(hands)
	for _, k := range p.calls {
		if ctx.Err() != nil {
			break
		}
		group.Go(func() error {
			defer close(k.done)
			if k.before != nil {
				select {
				case <-k.before.done:
				case <-ctx.Done():
					return ctx.Err()
				}
			}
			w := &work{plan: p, call: k, crew: c, hand: newHand(o, p.shop.code+" call "+strconv.Itoa(k.n), k.opened),
				r: random(p.seed, p.salt+uint64(k.n)<<8+2)}
			if err := w.play(ctx); err != nil {
				return fmt.Errorf("call %d (%s, %s, %s): %w", k.n, k.unit.model.name, k.fault, k.outcome, err)
			}
			count.step()
			return nil
		})
	}
	return group.Wait()
}

// write has the shop write to its customers from now on.
func (h *hand) write(ctx context.Context, owner domain.Principal, name string) error {
	_, err := h.care.ChangePolicy(ctx, owner, 0, func(v *care.Policy) {
		v.Enabled, v.SenderName, v.SenderAddress = true, name, "care@"+h.shop.code+".example"
		v.Phone, v.PostalAddress = "555 0137", "4 Foundry Row\nRiverbend"
		v.Greeting = "Thank you for letting us look after your appliances."
		v.WindowFrom, v.WindowTo = 8*60, 20*60
	})
	return err
}
