package repair

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/airflow"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// place names the call something belongs to, by SQL with the shop as $1 and id
// as $2, so that all of it is read in the first round trip.
type place struct {
	callOf, unitOf, complaintOf string
	id                          domain.ID
}

func atCall(call domain.ID) place {
	return place{calls.CallByID, calls.UnitOfCall, calls.ComplaintOfCall, call}
}

func atVisit(visit domain.ID) place {
	return place{calls.CallOfVisit, calls.UnitOfVisit, calls.ComplaintOfVisit, visit}
}

// caseRows is everything on record about a call.
type caseRows struct {
	call        calls.Call
	answers     map[string]string
	dossier     customers.Dossier
	rows        readingRows
	actions     []Action
	isolations  []Isolation // the open ones
	competences map[string]bool
	decision    people.DecisionRule
	experience  experienceRows

	readings []*Reading // voided ones among them; see join

	catalogue *catalogue.Catalogue // of the call's edition; see open
	kind      *catalogue.Kind      // of the call's unit
}

// queueCase reads all of a call but the call itself: queue calls.QueueLock or
// calls.QueueCall for dst.call before it, the lock when something will be
// written. The competences are those of p on the day of at. Call join when the
// batch has run.
func queueCase(b *pgx.Batch, p domain.Principal, at time.Time, pl place, dst *caseRows) {
	calls.QueueAnswers(b, p.Shop, pl.callOf, pl.id, &dst.answers)
	customers.QueueDossier(b, p.Shop, pl.unitOf, pl.id, &dst.dossier)
	readingsOfCall(b, p.Shop, pl.callOf, pl.id, &dst.rows)
	pg.All(b, &dst.actions, `SELECT `+actionColumns+` FROM action WHERE shop_id = $1 AND call_id = (`+pl.callOf+`) ORDER BY done_at, id`, p.Shop, pl.id)
	pg.All(b, &dst.isolations, `SELECT `+isolationColumns+` FROM isolation WHERE shop_id = $1 AND call_id = (`+pl.callOf+`) AND ended_at IS NULL
		ORDER BY isolated_at, id`, p.Shop, pl.id)
	people.Competences(b, p.Shop, p.Person, at, &dst.competences)
	people.QueueDecision(b, p.Shop, &dst.decision)
	dst.experience.queue(b, p.Shop, pl)
}

// queueLockedCase reads a call for writing: to a tech one without a visit of
// theirs is absent, and the call stays locked until the transaction ends.
func queueLockedCase(b *pgx.Batch, p domain.Principal, at time.Time, call domain.ID, dst *caseRows) {
	calls.QueueCall(b, p, call, &dst.call)
	calls.QueueLock(b, p.Shop, calls.CallByID, call, &dst.call)
	queueCase(b, p, at, atCall(call), dst)
}

// join ties the rows together.
func (c *caseRows) join() { c.readings = c.rows.joined() }

// diagnosisCase gives the call in the engine's words: voided readings and
// actions left out.
func (c *caseRows) diagnosisCase() diagnosis.Case {
	d := diagnosis.Case{Complaint: c.call.Complaint, Unit: engineUnit(c.dossier.Unit), Sheet: engineSheet(c.dossier.Sheet),
		Triage: c.answers, Isolated: len(c.isolations) > 0, Competences: c.competences, Experience: c.experience.joined()}
	for _, r := range c.readings {
		if r.VoidedAt == nil {
			d.Readings = append(d.Readings, r.asJudged())
		}
	}
	d.Unit.Rule = measure.Rule(c.decision)
	d.Done = c.done()
	return d
}

// done is the actions that were not voided, by time.
func (c *caseRows) done() []diagnosis.Done {
	var out []diagnosis.Done
	for _, a := range c.actions {
		if a.VoidedAt == nil {
			out = append(out, diagnosis.Done{Action: a.Action, Part: a.Part, At: a.DoneAt})
		}
	}
	return out
}

// engineUnit is what the engine needs to know of a unit.
func engineUnit(u customers.Unit) diagnosis.Unit {
	d := diagnosis.Unit{Kind: u.Kind, Gas: u.Fuel == "gas", Has: map[string]bool{}, Watts: u.RatedWatts, Volts: u.SupplyVolts, Exhaust: engineExhaust(u.Exhaust)}
	for _, f := range u.Features {
		d.Has[f] = true
	}
	return d
}

// engineExhaust is the run as described; what nobody answered counts as no.
func engineExhaust(e *customers.Exhaust) *airflow.Exhaust {
	if e == nil {
		return nil
	}
	return &airflow.Exhaust{Transition: engineDuct(e.Transition), Concealed: engineDuct(e.Concealed), Termination: e.Termination, Booster: e.Booster,
		Screen: e.Screen != nil && *e.Screen, SharedRiser: e.SharedRiser != nil && *e.SharedRiser}
}

func engineDuct(d *customers.Duct) *airflow.Duct {
	if d == nil {
		return nil
	}
	out := &airflow.Duct{Material: d.Material}
	if d.Length != nil {
		out.Length = d.Length.SI
	}
	if d.Diameter != nil {
		out.Diameter = d.Diameter.SI
	}
	for _, b := range d.Bends {
		out.Bends = append(out.Bends, airflow.Bend{Degrees: b.Degrees, Radius: b.Radius.SI, Count: b.Count})
	}
	return out
}

// fitted says whether the unit has the feature something needs, and none that
// takes its place.
func fitted(u customers.Unit, has, lacks string) bool {
	return (has == "" || slices.Contains(u.Features, has)) && (lacks == "" || !slices.Contains(u.Features, lacks))
}

// engineSheet is a data sheet by parameter.
func engineSheet(vs []customers.SheetValue) diagnosis.Sheet {
	out := make(diagnosis.Sheet, len(vs))
	for _, v := range vs {
		d := diagnosis.SheetValue{Value: v.Value, Low: v.Low, High: v.High, Text: v.Words, Unit: v.Unit, Origin: v.Origin, Confirmed: !v.ConfirmedBy.IsZero()}
		for i := range v.CurveKelvin {
			d.Curve = append(d.Curve, diagnosis.Point{Kelvin: v.CurveKelvin[i], Ohm: v.CurveOhm[i]})
		}
		out[v.Parameter] = d
	}
	return out
}

// isolationOf is the open isolation of a visit, nil when there is none.
func (c *caseRows) isolationOf(visit domain.ID) *Isolation {
	for i := range c.isolations {
		if c.isolations[i].VisitID == visit {
			return &c.isolations[i]
		}
	}
	return nil
}

// openIn ties the rows of a transaction together and opens the catalogue of
// the call's edition.
func (s *Service) openIn(ctx context.Context, tx *pg.Tx, c *caseRows) error {
	cat, err := s.Catalogues.In(ctx, tx, c.call.Edition)
	if err != nil {
		return err
	}
	return c.open(cat)
}

// openOf is openIn outside a transaction.
func (s *Service) openOf(ctx context.Context, p domain.Principal, c *caseRows) error {
	cat, err := s.Catalogues.Of(ctx, s.DB, p, c.call.Edition)
	if err != nil {
		return err
	}
	return c.open(cat)
}

func (c *caseRows) open(cat *catalogue.Catalogue) (err error) {
	c.join()
	c.catalogue = cat
	c.kind, err = kindIn(cat, c.dossier.Unit.Kind)
	return err
}
