package repair

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/domain"
	"drumline/shared/pg"
)

// basis is the hash of all a verdict is derived from beside the reading: the
// rules, the catalogue, the complaint, the unit, the data sheet and the shop's
// decision rule (which the engine takes with the unit). A verdict of another
// basis may be out of date.
func (c *caseRows) basis() (string, error) {
	d := c.diagnosisCase()
	all, err := json.Marshal([]any{diagnosis.EngineVersion, c.catalogue.Version, d.Complaint, d.Unit, d.Sheet})
	if err != nil {
		return "", fmt.Errorf("repair: basis of call %s: %w", c.call.ID, err)
	}
	sum := sha256.Sum256(all)
	return hex.EncodeToString(sum[:16]), nil
}

// derive gives the verdicts of a reading; none for a check that was not done.
func (c *caseRows) derive(r *Reading, basis string, now time.Time) ([]Verdict, error) {
	d := c.diagnosisCase()
	found, err := diagnosis.Judge(c.kind, d.Complaint, r.asReading(), d.Sheet, d.Unit)
	out := make([]Verdict, 0, len(found))
	for n, v := range found {
		out = append(out, verdictOf(v, r, n, c.decision, basis, now))
	}
	return out, err
}

// outdated lists the live readings whose verdicts rest on another basis.
func (c *caseRows) outdated(basis string) []*Reading {
	var out []*Reading
	for _, r := range c.readings {
		if r.VoidedAt == nil && len(r.Verdicts) > 0 && r.Verdicts[0].Basis != basis {
			out = append(out, r)
		}
	}
	return out
}

// renewal is a reading whose verdicts came out differently. The reading holds
// the new ones.
type renewal struct {
	reading *Reading
	old     []Verdict
}

// renew judges outdated readings again, and gives those that came out
// differently. A reading that no longer fits (the unit has lost a feature)
// keeps its verdicts: they are what was said.
func (c *caseRows) renew(stale []*Reading, basis string, now time.Time) ([]renewal, error) {
	var out []renewal
	for _, r := range stale {
		fresh, err := c.derive(r, basis, now)
		if _, misfit := errors.AsType[*diagnosis.InputError](err); misfit {
			continue
		}
		if err != nil {
			return nil, err
		}
		if slices.EqualFunc(r.Verdicts, fresh, alike) {
			continue
		}
		out = append(out, renewal{r, r.Verdicts})
		r.Verdicts = fresh
	}
	return out, nil
}

// alike says whether two verdicts say the same.
func alike(a, b Verdict) bool {
	return a.Part == b.Part && a.Outcome == b.Outcome && a.Fault == b.Fault && a.Finding == b.Finding && a.Explains == b.Explains &&
		a.Probability == b.Probability && a.Uncertainty == b.Uncertainty && equal(a.Measured, b.Measured) &&
		equal(a.LimitLow, b.LimitLow) && equal(a.LimitHigh, b.LimitHigh) && a.LimitUnit == b.LimitUnit && a.LimitMark == b.LimitMark &&
		a.LimitOrigin == b.LimitOrigin && a.LimitConfirmed == b.LimitConfirmed && a.Sentence == b.Sentence && a.Do == b.Do && a.Missing == b.Missing
}

func equal(a, b *float64) bool {
	if a == nil || b == nil {
		return a == b
	}
	return *a == *b
}

// queueSupersede writes the new verdicts and marks the old ones. Each old one
// names the new one of its part, else the first.
func queueSupersede(b *pgx.Batch, shop domain.ID, changed []renewal) {
	for _, c := range changed {
		queueVerdicts(b, shop, c.reading.Verdicts)
		for _, old := range c.old {
			by := c.reading.Verdicts[0].ID
			for _, v := range c.reading.Verdicts {
				if v.Part == old.Part {
					by = v.ID
					break
				}
			}
			b.Queue(`UPDATE verdict SET superseded_by = $3 WHERE shop_id = $1 AND id = $2 AND superseded_by IS NULL`, shop, old.ID, by)
		}
	}
}

type seriesRow struct {
	ID     domain.ID `db:"id"`
	T      []float64 `db:"series_t"`
	Value  []float64 `db:"series_value"`
	Closed []bool    `db:"series_closed"`
}

// withSeries lists the readings that have a series which was not read: it is
// long and seldom needed.
func withSeries(rs []*Reading) []domain.ID {
	var out []domain.ID
	for _, r := range rs {
		if r.Points > 0 && r.recordedSeries == nil {
			out = append(out, r.ID)
		}
	}
	return out
}

func queueSeries(b *pgx.Batch, shop domain.ID, ids []domain.ID, dst *[]seriesRow) {
	pg.All(b, dst, `SELECT id, series_t, series_value, series_closed FROM reading WHERE shop_id = $1 AND id = ANY($2::uuid[])`, shop, texts(ids))
}

func texts(ids []domain.ID) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = id.String()
	}
	return out
}

func takeSeries(rs []*Reading, rows []seriesRow) {
	for _, row := range rows {
		for _, r := range rs {
			if r.ID == row.ID {
				r.recordedSeries = &diagnosis.Series{T: row.T, Value: row.Value, Closed: row.Closed}
			}
		}
	}
}

// renewAll brings the verdicts of a locked case up to date, in memory.
func (s *Service) renewAll(ctx context.Context, tx *pg.Tx, c *caseRows, now time.Time) ([]renewal, error) {
	basis, err := c.basis()
	if err != nil {
		return nil, err
	}
	stale := c.outdated(basis)
	if ids := withSeries(stale); len(ids) > 0 {
		var rows []seriesRow
		b := &pgx.Batch{}
		queueSeries(b, tx.P.Shop, ids, &rows)
		if err := tx.Send(ctx, b); err != nil {
			return nil, err
		}
		takeSeries(stale, rows)
	}
	return c.renew(stale, basis, now)
}
