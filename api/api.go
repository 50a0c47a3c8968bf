package api

import (
	"context"
	"log/slog"
	"time"

	"drumline/api/wire"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/customers"
	"drumline/domain/dispatch"
	"drumline/domain/history"
	"drumline/domain/people"
	"drumline/domain/repair"
	"drumline/domain/supplements"
	"drumline/shared/pg"
)

// Description heads the API document: what a reader must know before anything.
const Description = `Drumline keeps an appliance-repair shop's customers, units, visits and readings, and turns readings into verdicts,
a ranking of faults and the next check.

**Safety.** Mains voltage, gas, hot and moving parts can kill. Local codes, licensed trades and the maker's instructions come
before every text of this service. Isolate and prove dead before touching; never bypass a safety device. The data sheet of the
model wins over every figure given here.

**Conventions.** Instants are UTC (RFC 3339) and end in ` + "`_at`" + `; civil dates end in ` + "`_on`" + `. Units are UCUM codes. Errors are problem
details (RFC 9457). Creating requests need an Idempotency-Key; changing ones need If-Match with the ETag read before. Values of
enumerations may be added: treat an unknown one as "other".

**Limits.** A person, a shop and, where no token is asked for, a client address have a quota of requests; ` + "`RateLimit-Policy`" + ` and
` + "`RateLimit`" + ` tell of it with each answer. 429 and 503 carry Retry-After: wait that long, then repeat the request with the same
Idempotency-Key.`

// Deps is what the service is built from. All fields are required.
type Deps struct {
	DB         *pg.DB // opened with people.Access
	Keys       *people.Keyring
	Hasher     *people.Hasher
	Catalogue  *catalogue.Catalogue
	Now        func() time.Time
	AccessLife time.Duration // of an access token
}

// API is the operations of the service over its slices.
type API struct {
	People      *people.Service
	Customers   *customers.Service
	Supplements *supplements.Service
	Dispatch    *dispatch.Service
	Calls       *calls.Service
	Care        *care.Service
	Repair      *repair.Service
	History     *history.Service
	Catalogue   *catalogue.Catalogue
	Cursors     *wire.Cursors
	Now         func() time.Time
}

// New wires the slices.
func New(d Deps) *API {
	book := supplements.NewBook(d.Catalogue)
	a := &API{
		Supplements: &supplements.Service{DB: d.DB, Catalogues: book, Now: d.Now},
		People:      &people.Service{DB: d.DB, Keys: d.Keys, Hasher: d.Hasher, Now: d.Now, AccessLife: d.AccessLife},
		Customers:   &customers.Service{DB: d.DB, Catalogues: book, Now: d.Now, UnitInUse: calls.OpenOfUnit, UnitChanged: care.StaleUnit, SiteChanged: care.StaleSite, UnitsOfTech: calls.UnitsOfTech},
		Calls:       &calls.Service{DB: d.DB, Catalogues: book, Now: d.Now},
		Care:        &care.Service{DB: d.DB, Now: d.Now, Knows: func(kind string) bool { _, ok := d.Catalogue.Kind(kind); return ok }},
		Repair:      &repair.Service{DB: d.DB, Catalogues: book, Now: d.Now},
		History:     &history.Service{DB: d.DB, Now: d.Now},
		Catalogue:   d.Catalogue,
		Cursors:     wire.NewCursors(d.Keys.Derive("page cursors")),
		Now:         d.Now,
	}
	a.Dispatch = &dispatch.Service{DB: d.DB, Customers: a.Customers, Calls: a.Calls, Repair: a.Repair, Now: d.Now}
	return a
}

// Edge makes the HTTP edge with every operation registered.
func (a *API) Edge(version string, log *slog.Logger) *Edge {
	e := NewEdge(Info{Title: "Drumline", Version: version, Description: Description})
	e.Log = log
	e.Now = a.Now
	e.Authenticate = func(_ context.Context, token string) (domain.Principal, error) { return a.People.Authenticate(token) }
	a.Register(e)
	return e
}

// Register adds every operation to e.
func (a *API) Register(e *Edge) {
	a.registerSessions(e)
	a.registerPeople(e)
	a.registerCustomers(e)
	a.registerSites(e)
	a.registerUnits(e)
	a.registerDataSheets(e)
	a.registerInstruments(e)
	a.registerNotices(e)
	a.registerCalls(e)
	a.registerVisits(e)
	a.registerDispatch(e)
	a.registerCalendars(e)
	a.registerGlance(e)
	a.registerDaySheets(e)
	a.registerCare(e)
	a.registerCarePolicy(e)
	a.registerCareTasks(e)
	a.registerReminders(e)
	a.registerReplies(e)
	a.registerHistory(e)
	a.registerHistoryAnswers(e)
	a.registerCatalogue(e)
	a.registerSupplements(e)
	a.registerIsolations(e)
	a.registerReadings(e)
	a.registerActions(e)
	a.registerAssessment(e)
	a.registerConclusions(e)
	a.registerHazards(e)
	a.registerClosing(e)
	a.registerReport(e)
}
