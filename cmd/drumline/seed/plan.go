package seed

import (
	"cmp"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"drumline/diagnosis/catalogue"
)

// The one kind and complaint of the demo.
const (
	kindID      = "electric_dryer"
	complaintID = "runs_too_hot"
)

// callsPerUnit is how many calls a dryer of the main shop has in its history,
// in the mean.
const callsPerUnit = 2.4

// plan is what will happen in a shop, drawn before anything is stored.
type plan struct {
	shop      shop
	kind      *catalogue.Kind
	complaint *catalogue.Complaint
	zone      *time.Location
	now       time.Time
	begin     time.Time
	seed      uint64
	salt      uint64 // tells the streams of the shops apart
	homes     []*home
	units     []*unit
	calls     []*call
}

// home is a customer with a site.
type home struct {
	name, email, phone, address, postal, access string
	lat, lon                                    float64
	units                                       []*unit
}

// unit is a dryer to be made.
type unit struct {
	made
	home      *home
	model     *model
	serial    string
	installed time.Time
	run       float64 // length of the concealed run, feet
	elbows    int
	cleanedBy string    // "" for nobody yet
	cleaned   time.Time // a cleaning somebody told of
}

// call is a call to be played.
type call struct {
	n       int
	unit    *unit
	fault   string
	barrier string
	outcome string // how it is meant to end; "" for still open
	opened  time.Time
	visits  []window
	before  *call // the call of the same unit before it
	done    chan struct{}
}

// window is a visit of a tech, by number among the shop's techs.
type window struct {
	tech   int
	starts time.Time
}

// visitLength is how long a visit is booked for.
const visitLength = 2 * time.Hour

func newPlan(s shop, o Options, salt uint64) (*plan, error) {
	zone, err := time.LoadLocation(s.zone)
	if err != nil {
		return nil, err
	}
	p := &plan{shop: s, zone: zone, now: o.Now, begin: o.Now.Add(-History), seed: o.Seed, salt: salt << 32}
	k, ok := o.Catalogue.Kind(kindID)
	if !ok {
		return nil, errNoKind
	}
	p.kind = k
	if p.complaint, ok = k.Complaint(complaintID); !ok {
		return nil, errNoKind
	}
	r := random(o.Seed, p.salt)
	p.drawHomes(r, max(2, int(math.Round(float64(s.customers)*o.Scale))))
	p.drawCalls(r)
	p.schedule()
	return p, nil
}

// steps is how many steps of progress the plan takes.
func (p *plan) steps() int { return len(p.homes) + len(p.calls) }

func pick[T any](r *rand.Rand, from []T) T { return from[r.IntN(len(from))] }

func (p *plan) drawHomes(r *rand.Rand, n int) {
	for i := range n {
		first, last := pick(r, firstNames), lastNames[i%len(lastNames)]
		h := &home{name: first + " " + last, phone: "555 0" + digits(float64(100+r.IntN(100)), 0), access: pick(r, accessNotes),
			address: digits(float64(1+r.IntN(140)), 0) + " " + pick(r, streets), postal: "Q" + digits(float64(1000+r.IntN(9000)), 0)}
		if r.IntN(5) > 0 {
			h.email = mailbox(first, last, i)
		}
		h.lat, h.lon = p.shop.near(h.address)
		many := 1
		if r.IntN(5) == 0 {
			many = 2
		}
		for range many {
			p.drawUnit(r, h)
		}
		p.homes = append(p.homes, h)
	}
}

func (p *plan) drawUnit(r *rand.Rand, h *home) {
	m := &p.shop.models[r.IntN(len(p.shop.models))]
	if len(p.units) == 0 {
		m = &p.shop.models[0] // the dryer of the walk
	}
	u := &unit{home: h, model: m, serial: "S" + digits(float64(100_000+r.IntN(900_000)), 0), run: float64(6 + r.IntN(25)), elbows: r.IntN(4),
		installed: p.begin.AddDate(0, -r.IntN(120), -r.IntN(28))}
	if r.IntN(3) == 0 {
		u.cleanedBy, u.cleaned = pick(r, []string{"customer", "other_firm"}), p.begin.AddDate(0, 3+r.IntN(20), r.IntN(28))
	}
	h.units, p.units = append(h.units, u), append(p.units, u)
}

// drawCalls gives every dryer but the first its calls: when, with which fault
// and which end.
func (p *plan) drawCalls(r *rand.Rand) {
	for _, u := range p.units[1:] {
		at := p.begin.Add(time.Duration(r.Float64() * float64(History) / callsPerUnit))
		last := ""
		for at.Before(p.now.Add(-3 * time.Hour)) {
			c := &call{unit: u, opened: p.officeHour(r, at), fault: p.drawFault(r, u.model), outcome: drawOutcome(r), done: make(chan struct{})}
			if last != "" {
				c.fault = last // it comes back: the repair did not hold
			}
			if c.outcome == "returned_to_service" && r.IntN(16) == 0 {
				c.barrier = pick(r, []string{"high_limit_late", "high_limit_bypassed", "high_limit_never"})
			}
			if c.fault == "no_fault" && c.outcome == "returned_to_service" {
				c.outcome, c.barrier = "no_fault_found", ""
			}
			p.calls = append(p.calls, c)
			last = ""
			wait := time.Duration((0.35 + 1.3*r.Float64()) * float64(History) / callsPerUnit)
			if c.outcome == "returned_to_service" && r.IntN(14) == 0 {
				last, wait = c.fault, time.Duration(25+r.IntN(50))*24*time.Hour
			}
			at = c.opened.Add(wait)
		}
	}
	for i := 1; i < len(p.units); i += 12 { // today's work
		p.calls = append(p.calls, &call{unit: p.units[i], opened: p.now.Add(-time.Duration(2+r.IntN(8)) * time.Hour), fault: p.drawFault(r, p.units[i].model),
			outcome: "returned_to_service", done: make(chan struct{})})
	}
	slices.SortStableFunc(p.calls, func(a, b *call) int { return a.opened.Compare(b.opened) })
}

// officeHour moves an instant to a working hour of the shop.
func (p *plan) officeHour(r *rand.Rand, at time.Time) time.Time {
	y, m, d := at.In(p.zone).Date()
	t := time.Date(y, m, d, 8+r.IntN(9), r.IntN(60), 0, 0, p.zone)
	for t.Weekday() == time.Saturday || t.Weekday() == time.Sunday {
		t = t.AddDate(0, 0, 1)
	}
	if t.After(p.now) {
		return p.now.Add(-2 * time.Hour)
	}
	return t
}

// drawFault draws the first cause by the catalogue's chances, among what the
// model has and the invented techs know how to find.
func (p *plan) drawFault(r *rand.Rand, m *model) string {
	var ids []string
	var weights []float64
	for _, c := range p.complaint.Causes {
		f, ok := p.kind.Fault(c.Fault)
		if !ok || c.Explains != catalogue.ExplainsYes {
			continue
		}
		if part, ok := p.kind.Part(f.Part); !ok || !m.fits(part.Has, part.Lacks) {
			continue
		}
		ids, weights = append(ids, c.Fault), append(weights, c.Prior)
	}
	return ids[draw(r, weights)]
}

// draw gives an index with chances in proportion to weights.
func draw(r *rand.Rand, weights []float64) int {
	sum := 0.0
	for _, w := range weights {
		sum += w
	}
	x := r.Float64() * sum
	for i, w := range weights {
		if x -= w; x < 0 {
			return i
		}
	}
	return len(weights) - 1
}

func drawOutcome(r *rand.Rand) string {
	outcomes := []string{"returned_to_service", "left_out_of_service", "limited", "declined", "not_worth_repairing", "no_access", "cancelled"}
	return outcomes[draw(r, []float64{83, 3, 1, 5, 3, 3, 2})]
}

// schedule gives each call its visits, no tech in two places. What would lie
// in the future is booked and not yet done.
func (p *plan) schedule() {
	techs := 0
	for _, w := range p.shop.people {
		if w.role == "tech" {
			techs++
		}
	}
	taken := map[window]bool{}
	latest := map[*unit]*call{}
	kept := p.calls[:0]
	for _, c := range p.calls {
		r := random(p.seed, p.salt+uint64(len(kept))<<8+1)
		if c.before = latest[c.unit]; c.before != nil && !c.opened.After(c.before.over().Add(48*time.Hour)) {
			continue // the unit's earlier call is not over: nobody calls again
		}
		c.n = len(kept)
		c.visits = []window{p.slot(r, taken, techs, c.opened.Add(16*time.Hour))}
		if r.IntN(7) == 0 { // a part is ordered
			c.visits = append(c.visits, p.slot(r, taken, techs, c.visits[0].starts.AddDate(0, 0, 3+r.IntN(5))))
		}
		if c.over().After(p.now) {
			c.outcome = ""
		}
		latest[c.unit] = c
		kept = append(kept, c)
	}
	p.calls = slices.Clip(kept)
}

// over is when the last visit of a call ends.
func (c *call) over() time.Time {
	return slices.MaxFunc(c.visits, func(a, b window) int { return a.starts.Compare(b.starts) }).starts.Add(visitLength)
}

// slot takes the first free window of a tech after an instant.
func (p *plan) slot(r *rand.Rand, taken map[window]bool, techs int, after time.Time) window {
	first := r.IntN(techs)
	y, m, d := after.In(p.zone).Date()
	for day := 0; ; day++ {
		for _, hour := range []int{8, 10, 13, 15} {
			at := time.Date(y, m, d+day, hour, 0, 0, 0, p.zone)
			if at.Before(after) || at.Weekday() == time.Saturday || at.Weekday() == time.Sunday {
				continue
			}
			for i := range techs {
				w := window{tech: (first + i) % techs, starts: at}
				if !taken[w] {
					taken[w] = true
					return w
				}
			}
		}
	}
}

// triage draws what the customer says, in keeping with the fault.
func (p *plan) triage(r *rand.Rand, fault string) map[string]string {
	out := map[string]string{}
	for _, q := range p.complaint.Triage {
		var weights []float64
		for _, a := range q.Answers {
			weights = append(weights, cmp.Or(rare[q.ID+" "+a.ID], 1)*cmp.Or(a.Weights[fault], 1))
		}
		out[q.ID] = q.Answers[draw(r, weights)].ID
	}
	return out
}

// rare is how seldom an answer is given when nothing speaks for it.
var rare = map[string]float64{
	"scorch smoke": 0.01, "scorch yes": 0.3, "heat_on_air_only yes": 0.05, "warm_when_off yes": 0.02, "stops_by_itself runs_on": 0.2,
	"worked_on part_fitted": 0.1, "worked_on moved": 0.2, "fuse_before yes": 0.15, "drum_turns no": 0.01, "setting low_only": 0.2,
	"dry_time shorter": 0.4, "setting unknown": 0.4, "onset unknown": 0.5, "last_cleaned unknown": 0.4,
}

// near is a place within some 9 km of the workshop, the same for the same
// address.
func (s shop) near(address string) (lat, lon float64) {
	h := fnv.New32a()
	_, _ = h.Write([]byte(address))
	x := h.Sum32()
	share := func(v uint32) float64 { return float64(v&0xffff)/0xffff - 0.5 }
	return s.lat + 0.16*share(x), s.lon + 0.2*share(x>>16)
}
