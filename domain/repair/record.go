package repair

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// MaxReadings bounds the readings of one call.
const MaxReadings = 500

// Recorded is what a reading came to.
type Recorded struct {
	Reading    Reading
	Cautions   []string   // of the check
	Warnings   []string   // what the tech should know about this reading
	Assessment Assessment // in brief
}

// recording is one reading on its way through its transaction.
type recording struct {
	s          *Service
	n          NewReading
	now        time.Time
	visit      calls.Visit
	c          caseRows
	instrument customers.Instrument
	found      bool // the instrument
	named      []Isolation
	twin       []struct{ N int } // a reading with the same id

	check    *catalogue.Check
	r        *Reading
	warnings []string
	ended    []Isolation
}

// Record stores a reading of a visit with its verdicts and gives the new
// assessment. Verdicts of earlier readings that are out of date are derived
// anew in the same transaction. It takes three round trips.
func (s *Service) Record(ctx context.Context, p domain.Principal, key once.Key, visit domain.ID, n NewReading) (Recorded, bool, error) {
	now := s.Now()
	g := &recording{}
	load := func(b *pgx.Batch) {
		*g = recording{s: s, n: n, now: now}
		g.load(b, p, visit)
	}
	got, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (Recorded, error) {
		if err := s.openIn(ctx, tx, &g.c); err != nil {
			return Recorded{}, err
		}
		if err := g.accept(p); err != nil {
			return Recorded{}, err
		}
		renewed, err := s.renewAll(ctx, tx, &g.c, now)
		if err != nil {
			return Recorded{}, err
		}
		g.c.readings = append(g.c.readings, g.r)
		a, err := s.assess(&g.c)
		if err != nil {
			return Recorded{}, err
		}
		g.queue(out, tx, renewed)
		return Recorded{Reading: *g.r, Cautions: nonNil(g.check.Cautions), Warnings: nonNil(g.warnings), Assessment: a.brief()}, nil
	})
	if pg.Violates(err, "reading_pkey") {
		err = taken()
	}
	if err == nil && !replayed && s.Judged != nil {
		s.Judged()
	}
	return got, replayed, err
}

func taken() error {
	return domain.Errorf(domain.Conflict, "There is a reading with this id already. Use a new id for a new reading.")
}

func nonNil(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func (g *recording) load(b *pgx.Batch, p domain.Principal, visit domain.ID) {
	at := g.n.ObservedAt
	if at.IsZero() || at.After(g.now) {
		at = g.now
	}
	calls.QueueVisit(b, p, visit, &g.visit)
	calls.QueueLock(b, p.Shop, calls.CallOfVisit, visit, &g.c.call)
	queueCase(b, p, at, atVisit(visit), &g.c)
	if !g.n.InstrumentID.IsZero() {
		customers.QueueInstrument(b, p.Shop, g.n.InstrumentID, &g.instrument, &g.found)
	}
	if !g.n.IsolationID.IsZero() {
		pg.All(b, &g.named, `SELECT `+isolationColumns+` FROM isolation WHERE shop_id = $1 AND id = $2 AND visit_id = $3`, p.Shop, g.n.IsolationID, visit)
	}
	if !g.n.ID.IsZero() {
		pg.All(b, &g.twin, `SELECT 1 AS n FROM reading WHERE shop_id = $1 AND id = $2`, p.Shop, g.n.ID)
	}
}

// accept holds the reading against all rules and derives its verdicts.
func (g *recording) accept(p domain.Principal) error {
	if err := g.mayRecord(); err != nil {
		return err
	}
	var err error
	if g.r, g.check, err = g.n.enter(g.c.kind); err != nil {
		return err
	}
	if err = g.fits(); err != nil {
		return err
	}
	if g.r.ObservedAt, err = moment("/observed_at", g.n.ObservedAt, g.now, g.c.call); err != nil {
		return err
	}
	g.place(p)
	if err := g.takeInstrument(); err != nil {
		return err
	}
	basis, err := g.c.basis()
	if err != nil {
		return err
	}
	if g.r.Verdicts, err = g.c.derive(g.r, basis, g.now); err != nil {
		return g.n.refusal(err)
	}
	return g.holdState()
}

func (g *recording) mayRecord() error {
	if len(g.twin) > 0 {
		return taken()
	}
	if err := mustBeOpen(g.c.call); err != nil {
		return err
	}
	if err := mustBeAttended(g.visit); err != nil {
		return err
	}
	if len(g.c.readings) >= MaxReadings {
		return domain.Errorf(domain.Conflict, "A call holds at most %d readings.", MaxReadings)
	}
	return nil
}

// fits refuses a check that this unit cannot have had.
func (g *recording) fits() error {
	u := g.c.dossier.Unit
	switch {
	case g.check.Electric && u.Fuel == "gas":
		return domain.Field("/check", "forbidden", "%s is never done on a gas machine: carbon monoxide.", g.check.Name)
	case !fitted(u, g.check.Has, ""):
		return domain.Field("/check", "forbidden", "This unit does not have what the check is about (%s). Correct the unit's features if it has.", words(g.check.Has))
	case !fitted(u, "", g.check.Lacks):
		return domain.Field("/check", "forbidden", "This check is not for a unit with %s. Correct the unit's features if it has none.", words(g.check.Lacks))
	}
	return nil
}

// place fills in whose reading it is and where it belongs.
func (g *recording) place(p domain.Principal) {
	r := g.r
	if r.ID.IsZero() {
		r.ID = domain.NewID(g.now)
	}
	r.CallID, r.VisitID, r.PersonID, r.RecordedAt, r.Edition = g.c.call.ID, g.visit.ID, p.Person, g.now, g.c.call.Edition
	for i := range r.Values {
		r.Values[i].Reading = r.ID
	}
	slices.SortFunc(r.Values, func(a, b Value) int { return cmp.Or(strings.Compare(a.Input, b.Input), a.N-b.N) })
	if r.NotDone != "" {
		return
	}
	for _, name := range competencesFor(g.check) {
		if !g.c.competences[name] {
			r.SetAside = true
			g.warn("This check needs a person with the %s competence. It is kept and shown to the owner, and does not count until such a person countersigns it.", name)
		}
	}
}

// competencesFor lists the competences a person needs for a check.
func competencesFor(ch *catalogue.Check) []string {
	var out []string
	add := func(name string, needed bool) {
		if needed && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	add(ch.Competence, ch.Competence != "")
	add("live", ch.State == catalogue.LiveOpen)
	add("gas", ch.Gas)
	return out
}

func (g *recording) warn(format string, args ...any) {
	g.warnings = append(g.warnings, fmt.Sprintf(format, args...))
}

// takeInstrument copies the accuracy of the instrument for what the check
// measures, as it is now.
func (g *recording) takeInstrument() error {
	q := MainQuantity(g.check)
	if q == measure.Resistance && g.n.Lead == nil && g.r.NotDone == "" && len(g.r.Values) > 0 {
		g.warn("The leads were not shorted first: a low resistance is less sure by what the leads add.")
	}
	if g.n.InstrumentID.IsZero() {
		return nil
	}
	if !g.found {
		return domain.Field("/instrument_id", "unknown", "There is no such instrument in the shop.")
	}
	due := g.instrument.CalibrationDueOn
	if g.r.Overdue = !due.IsZero() && due.Before(domain.DateOf(g.r.ObservedAt)); g.r.Overdue {
		g.warn("The calibration of this instrument was due on %s: its error counts double.", due)
	}
	i := slices.IndexFunc(g.instrument.Accuracies, func(a customers.Accuracy) bool { return a.Quantity == string(q) })
	if i < 0 {
		if q != "" {
			g.warn("The instrument's accuracy for %s is not on record: a cautious usual one is taken.", words(string(q)))
		}
		return nil
	}
	a := g.instrument.Accuracies[i]
	g.r.Method, g.r.Percent, g.r.Counts, g.r.Resolution = a.Method, a.Percent, a.Counts, a.Resolution
	return nil
}

// MainQuantity is what a check measures with its instrument: the quantity of
// its first limit's input, else of its first input, else of its series.
func MainQuantity(ch *catalogue.Check) measure.Quantity {
	for _, l := range ch.Limits {
		if in, ok := ch.Input(l.Input); ok && in.Quantity != "" {
			return measure.Quantity(in.Quantity)
		}
	}
	for _, in := range ch.Inputs {
		if in.Quantity != "" {
			return measure.Quantity(in.Quantity)
		}
	}
	if ch.Series != nil {
		return measure.Quantity(ch.Series.Quantity)
	}
	return ""
}

// holdState holds phase and circuit state against what is on record.
func (g *recording) holdState() error {
	if err := g.holdPhase(); err != nil {
		return err
	}
	if g.r.NotDone != "" {
		return nil
	}
	if powered(g.check) {
		g.endIsolations()
		return nil
	}
	if g.check.State == catalogue.Isolated {
		return g.holdIsolation()
	}
	return nil
}

func (g *recording) holdPhase() error {
	before := false
	for _, d := range g.c.done() {
		if d.At.After(g.r.ObservedAt) {
			continue
		}
		before = true
		if g.r.Phase == diagnosis.AsFound && slices.ContainsFunc(g.check.Parts, func(part string) bool { return touches(g.c.kind, d, part) }) {
			g.warn("An action has touched what this check speaks about: the reading no longer shows the machine as found, and does not weigh as such.")
			break
		}
	}
	if g.r.Phase != diagnosis.AsFound && !before {
		return domain.Field("/phase", "no_action", "Nothing has been done to this machine yet: record the action first, or say as_found.")
	}
	return nil
}

// endIsolations ends what was open when a powered check was made.
func (g *recording) endIsolations() {
	for _, i := range g.c.isolations {
		if i.IsolatedAt.After(g.r.ObservedAt) {
			continue
		}
		g.ended = append(g.ended, i)
		g.warn("This powered check has ended the isolation. Isolate and prove dead again before reaching inside.")
	}
	g.c.isolations = slices.DeleteFunc(slices.Clone(g.c.isolations), func(i Isolation) bool { return !i.IsolatedAt.After(g.r.ObservedAt) })
}

// holdIsolation refuses an isolated check without an isolation that covers it.
func (g *recording) holdIsolation() error {
	i := g.c.isolationOf(g.visit.ID)
	if !g.n.IsolationID.IsZero() {
		if len(g.named) == 0 {
			return domain.Field("/isolation_id", "unknown", "There is no such isolation of this visit.")
		}
		i = &g.named[0]
	}
	switch {
	case i == nil:
		return domain.Errorf(domain.Conflict, "%s is done on a dead machine. Isolate the unit, prove it dead with a tester tried before and after, and record the isolation first.", g.check.Name)
	case !i.covers(g.r.ObservedAt):
		return domain.Errorf(domain.Conflict, "The isolation does not cover the instant of this reading. Isolate and prove dead again, record it, and repeat the check.")
	case g.check.Gas && i.Method != GasCockAndPlug:
		return domain.Errorf(domain.Conflict, "A check of the gas side needs the gas cock shut as well as the plug out. End this isolation and record one by %s.", GasCockAndPlug)
	}
	g.r.IsolationID = i.ID
	return nil
}

func (g *recording) queue(out *pgx.Batch, tx *pg.Tx, renewed []renewal) {
	for _, i := range g.ended {
		queueEnd(out, tx.P.Shop, i, g.r.ObservedAt, "Powered for the check: "+g.check.Name+".")
	}
	g.r.queueInsert(out, tx.P.Shop)
	queueSupersede(out, tx.P.Shop, renewed)
	audit.Queue(out, tx.P, g.now, audit.Entry{Action: "created", Entity: "reading", ID: g.r.ID})
}
