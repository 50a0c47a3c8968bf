package api

import (
	"context"
	"fmt"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"drumline/api/quota"
	"drumline/api/wire"
	"drumline/domain"
)

const (
	limitWindow = time.Minute
	workWait    = 2 * time.Second // for a place at work: shorter than a client's patience
	openShare   = 8               // one caller may have this part of all open requests
	keptBuckets = 20_000          // a kind, about 300 bytes each
)

// LimitSettings bound what callers may take. The zero value bounds nothing.
type LimitSettings struct {
	Person  int // requests a minute of one person
	Shop    int // requests a minute of one shop, over its people
	Address int // requests a minute of one client address to public operations, refused tokens among them
	AtOnce  int // requests of one shop, or of one address, at work at one time; as many more wait up to 2 s
	Open    int // requests under way in all, with their bodies still arriving; an eighth of it for one shop or address
}

// Limits keep one caller from slowing the others. They are of one process.
type Limits struct {
	person, shop, address *quota.Buckets[string]
	open, work            *quota.Places[string]
}

// NewLimits makes limits with everything free.
func NewLimits(s LimitSettings) *Limits {
	buckets := func(requests int) *quota.Buckets[string] {
		return quota.NewBuckets[string](quota.Rate{Requests: requests, Window: limitWindow}, keptBuckets)
	}
	return &Limits{
		person: buckets(s.Person), shop: buckets(s.Shop), address: buckets(s.Address),
		open: quota.NewPlaces[string](s.Open, (s.Open+openShare-1)/openShare, 0),
		work: quota.NewPlaces[string](0, s.AtOnce, workWait),
	}
}

// charge asks the quotas of whoever sent the request: of the address until a
// person is known, then of the person and their shop. A person who asks too
// much is refused before it costs their shop anything.
func (e *Edge) charge(f *facts) error {
	l := e.Limits
	if l == nil {
		return nil
	}
	now := e.Now()
	if f.principal.Shop.IsZero() {
		return f.take("address", l.address, addressKey(f.ip), now)
	}
	if err := f.take("person", l.person, f.principal.Shop.String()+f.principal.Person.String(), now); err != nil {
		return err
	}
	return f.take("shop", l.shop, f.principal.Shop.String(), now)
}

// take asks one quota and notes what to tell the client of it, in the fields of
// draft-ietf-httpapi-ratelimit-headers-09: q requests in w seconds, r left, t
// seconds until all of q is there again.
func (f *facts) take(policy string, b *quota.Buckets[string], key string, now time.Time) error {
	if b.Rate().Unlimited() {
		return nil
	}
	g := b.Take(key, now)
	f.policies = append(f.policies, fmt.Sprintf(`"%s";q=%d;w=%d`, policy, b.Rate().Requests, int(b.Rate().Window.Seconds())))
	f.quotas = append(f.quotas, fmt.Sprintf(`"%s";r=%d;t=%d`, policy, g.Left, wholeSeconds(g.Full)))
	if g.OK {
		return nil
	}
	return wire.QuotaExceeded(policy, wholeSeconds(g.Next))
}

// wholeSeconds rounds up: who waits that long has waited long enough.
func wholeSeconds(d time.Duration) int { return int((d + time.Second - 1) / time.Second) }

// addressKey is what shares the quota of an address: an IPv6 customer has a
// whole /64 to choose from (RFC 6177).
func addressKey(ip string) string {
	a, err := netip.ParseAddr(ip)
	if err != nil {
		return "unknown"
	}
	if a = a.Unmap(); a.Is4() {
		return a.String()
	}
	p, err := a.WithZone("").Prefix(64)
	if err != nil {
		return "unknown"
	}
	return p.String()
}

// payer is whose places a request takes.
func (f *facts) payer() string {
	if f.principal.Shop.IsZero() {
		return addressKey(f.ip)
	}
	return f.principal.Shop.String()
}

// tellLimits sends what take noted.
func (f *facts) tellLimits(ctx huma.Context) {
	if len(f.policies) > 0 {
		ctx.SetHeader("RateLimit-Policy", strings.Join(f.policies, ", "))
		ctx.SetHeader("RateLimit", strings.Join(f.quotas, ", "))
	}
}

// enterOpen takes a place for a request until it is answered. It does not wait:
// who waits is under way too.
func (e *Edge) enterOpen(ctx context.Context, f *facts) (leave func(), err error) {
	if e.Limits == nil {
		return func() {}, nil
	}
	leave, ok := e.Limits.open.Enter(ctx, f.payer())
	if !ok {
		return nil, wire.Refuse(http.StatusServiceUnavailable, "Too many requests are under way. Try again in a few seconds.")
	}
	return leave, nil
}

// enterWork takes a place for the work of an operation: its body is here, the
// database is next. A shop that asks more at one time waits in a line of its
// own and leaves the connections to the others.
func (e *Edge) enterWork(ctx context.Context, op *Op) (leave func(), err error) {
	if e.Limits == nil || op.Waits {
		return func() {}, nil
	}
	leave, ok := e.Limits.work.Enter(ctx, factsOf(ctx).payer())
	if !ok {
		return nil, domain.Errorf(domain.Unavailable, "Too many requests of yours are being worked on. Try again in a few seconds.")
	}
	return leave, nil
}
