package seed

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"time"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/customers"
	"drumline/domain/dispatch"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/domain/repair"
	"drumline/domain/supplements"
)

var errNoKind = errors.New("the catalogue does not hold the electric dryer and its complaint any more")

// made is the id a planned thing got.
type made struct{ id domain.ID }

// tech is a tech with what they measure with.
type tech struct {
	p           domain.Principal
	live        bool
	instruments map[string]domain.ID // by quantity
}

// crew is the shop's people, signed in.
type crew struct {
	owner, dispatcher domain.Principal
	techs             []tech
}

// hand works through the use cases under a clock of its own. It is used by one
// goroutine.
type hand struct {
	o     Options
	now   time.Time
	name  string // begins its idempotency keys
	count int

	people    *people.Service
	customers *customers.Service
	calls     *calls.Service
	care      *care.Service
	repair    *repair.Service
	dispatch  *dispatch.Service
	shop      shop
}

func newHand(o Options, name string, now time.Time) *hand {
	h := &hand{o: o, name: name, now: now}
	clock := func() time.Time { return h.now }
	book := supplements.NewBook(o.Catalogue)
	h.people = &people.Service{DB: o.DB, Keys: o.Keys, Hasher: people.NewWeakHasher(), Now: clock, AccessLife: time.Hour}
	h.customers = &customers.Service{DB: o.DB, Catalogues: book, Now: clock, UnitInUse: calls.OpenOfUnit, UnitChanged: care.StaleUnit, SiteChanged: care.StaleSite, UnitsOfTech: calls.UnitsOfTech}
	h.calls = &calls.Service{DB: o.DB, Catalogues: book, Now: clock}
	h.care = &care.Service{DB: o.DB, Now: clock}
	h.repair = &repair.Service{DB: o.DB, Catalogues: book, Now: clock}
	h.dispatch = &dispatch.Service{DB: o.DB, Customers: h.customers, Calls: h.calls, Repair: h.repair, Now: clock}
	return h
}

// key is a key no other request has.
func (h *hand) key() once.Key {
	h.count++
	k := once.Key{Route: "demo", Key: h.name + " " + strconv.Itoa(h.count)}
	k.Request[0] = 1 // 0 would sweep old keys, which many hands at once would do to each other
	return k
}

// pass lets time go by.
func (h *hand) pass(d time.Duration) { h.now = h.now.Add(d) }

// hire makes the shop and signs everybody in.
func (h *hand) hire(ctx context.Context, s shop) (*crew, error) {
	owner := s.people[0]
	if _, _, err := h.people.CreateShop(ctx, people.NewShop{Code: s.code, Name: s.name + filling, TimeZone: s.zone, OwnerName: owner.name,
		Email: owner.email, Password: Password}); err != nil {
		return nil, err
	}
	t, err := h.people.SignIn(ctx, s.code, owner.email, Password)
	if err != nil {
		return nil, err
	}
	c := &crew{}
	h.shop = s
	if c.owner, err = h.principal(t); err != nil {
		return nil, err
	}
	if err := h.qualify(ctx, c.owner, c.owner.Person, owner); err != nil {
		return nil, err
	}
	for _, w := range s.people[1:] {
		if err := h.join(ctx, c, w); err != nil {
			return nil, err
		}
	}
	return c, nil
}

func (h *hand) principal(t people.Tokens) (domain.Principal, error) {
	p, err := h.people.Authenticate(t.Access)
	p.Needs = domain.Anyone()
	return p, err
}

// join invites somebody, who accepts.
func (h *hand) join(ctx context.Context, c *crew, w person) error {
	h.pass(time.Minute)
	inv, _, err := h.people.Invite(ctx, c.owner, h.key(), people.NewInvitation{Name: w.name, Email: w.email, Role: w.role})
	if err != nil {
		return err
	}
	t, err := h.people.Accept(ctx, inv.Token, Password)
	if err != nil {
		return err
	}
	p, err := h.principal(t)
	if err != nil {
		return err
	}
	if err := h.qualify(ctx, c.owner, p.Person, w); err != nil {
		return err
	}
	if w.role == domain.Dispatcher {
		c.dispatcher = p
		return nil
	}
	k := tech{p: p}
	if err := h.rota(ctx, c.owner, p.Person); err != nil {
		return err
	}
	for _, name := range w.competences {
		k.live = k.live || name == "live"
	}
	k.instruments, err = h.equip(ctx, p)
	c.techs = append(c.techs, k)
	return err
}

// rota says when a tech works: weekdays from eight to five with half an hour
// at noon, from the workshop and back.
func (h *hand) rota(ctx context.Context, owner domain.Principal, person domain.ID) error {
	w := dispatch.Week{PersonID: person, Latitude: &h.shop.lat, Longitude: &h.shop.lon}
	for day := 1; day <= 5; day++ {
		w.Spans = append(w.Spans, dispatch.Span{Weekday: day, Starts: 8 * 60, Ends: 12 * 60}, dispatch.Span{Weekday: day, Starts: 12*60 + 30, Ends: 17 * 60})
	}
	_, err := h.dispatch.PutWeek(ctx, owner, domain.AnyVersion, w)
	return err
}

// qualify writes down a person's competences, good for a year yet.
func (h *hand) qualify(ctx context.Context, owner domain.Principal, id domain.ID, w person) error {
	if len(w.competences) == 0 {
		return nil
	}
	cs := []people.Competence{}
	for i, name := range w.competences {
		cs = append(cs, people.Competence{Name: name, Certificate: "QM-" + strings.ToUpper(name) + "-0" + strconv.Itoa(i+1),
			ExpiresOn: domain.DateOf(h.o.Now.AddDate(1, i, 0))})
	}
	_, err := h.people.ChangePerson(ctx, owner, id, 1, people.PersonChange{Competences: &cs})
	return err
}

// equip gives a tech four instruments.
func (h *hand) equip(ctx context.Context, p domain.Principal) (map[string]domain.ID, error) {
	out := map[string]domain.ID{}
	for _, i := range toolbox {
		v := customers.Instrument{Name: i.name, Serial: "T-" + p.Person.String()[30:], CalibrationDueOn: domain.DateOf(h.o.Now.AddDate(0, 8, 0)), Accuracies: i.accuracies}
		got, _, err := h.customers.CreateInstrument(ctx, p, h.key(), v)
		if err != nil {
			return nil, err
		}
		for _, a := range i.accuracies {
			out[a.Quantity] = got.ID
		}
	}
	return out, nil
}

var toolbox = []struct {
	name       string
	accuracies []customers.Accuracy
}{
	{"Multimeter with clamp", []customers.Accuracy{
		{Quantity: "resistance", Method: "meter", Percent: 0.9, Counts: 2, Resolution: 0.01, Unit: "Ohm"},
		{Quantity: "voltage", Method: "meter", Percent: 1, Counts: 3, Resolution: 0.1, Unit: "V"},
		{Quantity: "current", Method: "clamp", Percent: 2, Counts: 5, Resolution: 0.1, Unit: "A"}}},
	{"Thermometer with bead", []customers.Accuracy{{Quantity: "temperature", Method: "bead", Percent: 0.1, Counts: 10, Resolution: 0.1, Unit: "Cel"}}},
	{"Vane anemometer", []customers.Accuracy{
		{Quantity: "speed", Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1, Unit: "m/s"},
		{Quantity: "flow", Method: "vane", Percent: 3, Counts: 1, Resolution: 0.001, Unit: "m3/s"}}},
	{"Manometer", []customers.Accuracy{{Quantity: "pressure", Method: "manometer", Percent: 1, Counts: 1, Resolution: 1, Unit: "Pa"}}},
}

// sheets copies the data sheets; a second person confirms each value.
func (h *hand) sheets(ctx context.Context, c *crew, models []model) error {
	for i := range models {
		m := &models[i]
		sheet, _, err := h.customers.CreateSheet(ctx, c.dispatcher, h.key(), customers.DataSheet{Kind: kindID, Model: m.name, Title: m.maker + " " + m.name})
		if err != nil {
			return err
		}
		for _, v := range m.sheet() {
			if sheet, err = h.customers.PutValue(ctx, c.techs[0].p, sheet.ID, v); err != nil {
				return err
			}
			if sheet, err = h.customers.ConfirmValue(ctx, c.dispatcher, sheet.ID, sheet.Version, v.Parameter); err != nil {
				return err
			}
		}
	}
	return nil
}

// settle stores a customer with site and dryers.
func (h *hand) settle(ctx context.Context, c *crew, m *home) error {
	cu, _, err := h.customers.CreateCustomer(ctx, c.dispatcher, h.key(), customers.Customer{Name: m.name, Email: m.email, Phone: m.phone})
	if err != nil {
		return err
	}
	site, _, err := h.customers.CreateSite(ctx, c.dispatcher, h.key(), customers.Site{CustomerID: cu.ID, Label: "Home", Address: m.address,
		PostalCode: m.postal, AccessNotes: m.access, Latitude: &m.lat, Longitude: &m.lon})
	if err != nil {
		return err
	}
	for _, u := range m.units {
		if err := h.install(ctx, c, site.ID, u); err != nil {
			return err
		}
	}
	return nil
}

func (h *hand) install(ctx context.Context, c *crew, site domain.ID, u *unit) error {
	volts, amps, wires, screen := 240.0, 30.0, 4, false
	diameter := customers.Measure{Text: "4", Unit: "[in_i]", SI: 0.1016}
	foot := func(n float64) *customers.Measure {
		return &customers.Measure{Text: digits(n, 0), Unit: "[ft_i]", SI: n * 0.3048}
	}
	run := &customers.Duct{Material: "rigid_metal", Length: foot(u.run), Diameter: &diameter, Bends: []customers.Bend{}}
	if u.elbows > 0 {
		run.Bends = append(run.Bends, customers.Bend{Degrees: 90, Radius: customers.Measure{Text: "6", Unit: "[in_i]", SI: 0.1524}, Count: u.elbows})
	}
	v, _, err := h.customers.CreateUnit(ctx, c.dispatcher, h.key(), customers.Unit{SiteID: site, Kind: kindID, Maker: u.model.maker, Model: u.model.name,
		Serial: u.serial, Fuel: "electric", SupplyVolts: &volts, SupplyWires: &wires, BreakerAmps: &amps, RatedWatts: &u.model.watts,
		Features: u.model.features, InstalledOn: domain.DateOf(u.installed),
		Exhaust: &customers.Exhaust{Transition: &customers.Duct{Material: "semi_rigid_metal", Length: foot(6), Diameter: &diameter, Bends: []customers.Bend{}},
			Concealed: run, Termination: "wall", Screen: &screen, Booster: "none"}})
	if err != nil {
		return err
	}
	u.id = v.ID
	if u.cleanedBy == "" || u.cleaned.After(h.o.Now) {
		return nil
	}
	told := h.now
	h.now = u.cleaned.Add(48 * time.Hour)
	_, _, err = h.care.Record(ctx, c.dispatcher, h.key(), v.ID, care.Cleaning{DoneOn: domain.DateOf(u.cleaned), DoneBy: u.cleanedBy,
		Scopes: []string{care.TransitionDuct, care.Run, care.Hood}, Note: "Told on the telephone."})
	h.now = told
	return err
}

func mailbox(first, last string, n int) string {
	return strings.ToLower(first+"."+last) + strconv.Itoa(n) + "@mail.example"
}

// parse reads what digits wrote.
func parse(s string) float64 {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic("seed: " + err.Error()) // only of text digits has written
	}
	return x
}
