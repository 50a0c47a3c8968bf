package repair

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
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
type experienceRows struct{ counts []countRow }

func (e *experienceRows) queue(b *pgx.Batch, shop domain.ID, pl place) {
	pg.All(b, &e.counts, `SELECT model, fault, cases FROM fault_count WHERE shop_id = $1
			AND complaint = (`+pl.complaintOf+`) AND (kind, model) IN (`+customers.KindAndModels(pl.unitOf)+`)
		ORDER BY model, fault`, shop, pl.id)
}

func (e *experienceRows) joined() diagnosis.Experience {
	return diagnosis.Experience{Kind: countsOf(e.counts, true), Model: countsOf(e.counts, false)}
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
	a, err := s.assess(c.kind, &c.caseRows)
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
	return nil
}
