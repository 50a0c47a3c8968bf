package repair

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/shared/pg"
)

// countRow is how often a fault was verified; an empty model counts all models
// of the kind, an empty fault all cases.
type countRow struct {
	Model string `db:"model"`
	Fault string `db:"fault"`
	Cases int    `db:"cases"`
}

// experienceRows is what the shop has verified behind the complaint of a call,
// of its unit's kind and model.
type experienceRows struct {
	counts   []countRow
	strength []strengthRow // at most one
}

// strengthRow is what the models of a kind give for diagnosis.Experience.
type strengthRow struct {
	Strength float64 `db:"strength"`
}

func (e *experienceRows) queue(b *pgx.Batch, shop domain.ID, pl place) {
	pg.All(b, &e.counts, `SELECT model, fault, cases FROM fault_count WHERE shop_id = $1
			AND complaint = (`+pl.complaintOf+`) AND (kind, model) IN (`+customers.KindAndModels(pl.unitOf)+`)
		ORDER BY model, fault`, shop, pl.id)
	pg.All(b, &e.strength, `SELECT strength FROM prior_strength WHERE shop_id = $1
			AND complaint = (`+pl.complaintOf+`) AND (kind, '') IN (`+customers.KindAndModels(pl.unitOf)+`)`, shop, pl.id)
}

func (e *experienceRows) joined() diagnosis.Experience {
	out := diagnosis.Experience{Kind: countsOf(e.counts, true), Model: countsOf(e.counts, false)}
	if len(e.strength) > 0 {
		out.Strength = e.strength[0].Strength
	}
	return out
}

// countsOf gathers the rows of the whole kind, or those of a model.
func countsOf(rows []countRow, whole bool) diagnosis.Counts {
	c := diagnosis.Counts{Faults: map[string]int{}}
	for _, r := range rows {
		switch {
		case (r.Model == "") != whole:
		case r.Fault == "":
			c.Cases = r.Cases
		default:
			c.Faults[r.Fault] = r.Cases
		}
	}
	return c
}

// ended is a case at its end: what the engine said, and what was verified.
type ended struct {
	complaint, kind, model string
	faults                 []string
	probabilities          []float64
	coverage               float64
	verified               []string
	counts                 bool
}

// endedCase puts a call that is being closed beside what the engine says of it.
// Its faults count as verified when the machine went back to service, which
// takes verification readings of all the closing list asks for, or when a run
// as found showed no fault. One call counts each fault once.
func (c *closingCase) endedCase(o calls.Outcome, a diagnosis.Assessment) ended {
	e := ended{complaint: c.call.Complaint, kind: c.kind.ID, model: customers.ModelNorm(c.dossier.Unit.Model), coverage: a.Coverage,
		faults: []string{}, probabilities: []float64{}, verified: []string{}}
	for _, r := range a.Ranking {
		e.faults, e.probabilities = append(e.faults, r.Fault), append(e.probabilities, r.Probability)
	}
	if o == calls.ReturnedToService || o == calls.NoFaultFound {
		for _, v := range live(c.conclusions) {
			e.verified = append(e.verified, v.Fault)
		}
	}
	if o == calls.NoFaultFound && len(e.verified) == 0 && c.ranAsFound() {
		e.verified = c.soundFaults()
	}
	slices.Sort(e.verified)
	e.verified = slices.Compact(e.verified)
	e.counts = len(e.verified) > 0
	return e
}

// soundFaults lists the cause that stands for a machine without a fault.
func (c *closingCase) soundFaults() []string {
	cp, ok := c.kind.Complaint(c.call.Complaint)
	if !ok {
		return nil
	}
	for _, cs := range cp.Causes {
		if f, ok := c.kind.Fault(cs.Fault); ok && f.Mode == "none" && cs.Explains == catalogue.ExplainsYes {
			return []string{f.ID}
		}
	}
	return nil
}

// learn keeps what the engine said at the end of a call beside what was
// verified, and counts it into what the shop knows of the complaint.
func (s *Service) learn(ctx context.Context, tx *pg.Tx, b *pgx.Batch, c *closingCase, o calls.Outcome, now time.Time) error {
	if c.call.Complaint == catalogue.CareVisit { // nothing was diagnosed
		return nil
	}
	a, err := s.assess(&c.caseRows)
	if err != nil {
		return err
	}
	e := c.endedCase(o, a.Result)
	shop := tx.P.Shop
	b.Queue(`INSERT INTO ended_case (shop_id, call_id, complaint, kind, model, faults, probabilities, coverage, verified, counts, engine_version, ended_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		shop, c.call.ID, e.complaint, e.kind, e.model, e.faults, e.probabilities, e.coverage, e.verified, e.counts, diagnosis.EngineVersion, now)
	if !e.counts {
		return nil
	}
	models := []string{""}
	if e.model != "" {
		models = append(models, e.model)
	}
	b.Queue(`INSERT INTO fault_count (shop_id, complaint, kind, model, fault, cases)
		SELECT $1, $2, $3, m, f, 1 FROM unnest($4::text[]) m, unnest($5::text[]) f ORDER BY m, f
		ON CONFLICT (shop_id, complaint, kind, model, fault) DO UPDATE SET cases = fault_count.cases + 1`,
		shop, e.complaint, e.kind, models, append([]string{""}, e.verified...))
	return s.fitStrength(ctx, tx, b, c, e, now)
}

// fitStrength fits, to all models of the kind with the call just counted in,
// how many cases the kind counts for against one of its models.
func (s *Service) fitStrength(ctx context.Context, tx *pg.Tx, b *pgx.Batch, c *closingCase, e ended, now time.Time) error {
	if e.model == "" {
		return nil
	}
	var rows []countRow
	read := &pgx.Batch{}
	pg.All(read, &rows, `SELECT model, fault, cases FROM fault_count WHERE shop_id = $1 AND complaint = $2 AND kind = $3 AND model <> ''
		ORDER BY model, fault`, tx.P.Shop, e.complaint, e.kind)
	if err := tx.Send(ctx, read); err != nil {
		return err
	}
	cp, ok := c.kind.Complaint(e.complaint)
	if !ok {
		return nil
	}
	var faults []string
	var shares []float64
	for _, cs := range cp.Causes {
		if cs.Explains == catalogue.ExplainsYes && cs.Prior > 0 {
			faults, shares = append(faults, cs.Fault), append(shares, cs.Prior)
		}
	}
	fit, err := isolate.FitStrength(shares, tallies(rows, e, faults))
	if err != nil {
		return fmt.Errorf("repair: strength of priors for %s: %w", e.complaint, err)
	}
	b.Queue(`INSERT INTO prior_strength (shop_id, complaint, kind, strength, models, fitted_at) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (shop_id, complaint, kind) DO UPDATE SET strength = excluded.strength, models = excluded.models, fitted_at = excluded.fitted_at`,
		tx.P.Shop, e.complaint, e.kind, fit.K, fit.Groups, now)
	return nil
}

// tallies is the counts of each model, one more case e among them.
func tallies(rows []countRow, e ended, faults []string) []isolate.Tally {
	of := map[string]*isolate.Tally{}
	add := func(model, fault string, n int) {
		t := of[model]
		if t == nil {
			t = &isolate.Tally{Counts: make([]int, len(faults))}
			of[model] = t
		}
		if fault == "" {
			t.Jobs += n
		} else if i := slices.Index(faults, fault); i >= 0 {
			t.Counts[i] += n
		}
	}
	for _, r := range rows {
		add(r.Model, r.Fault, r.Cases)
	}
	add(e.model, "", 1)
	for _, f := range e.verified {
		add(e.model, f, 1)
	}
	out := make([]isolate.Tally, 0, len(of))
	for _, model := range slices.Sorted(maps.Keys(of)) {
		out = append(out, *of[model])
	}
	return out
}
