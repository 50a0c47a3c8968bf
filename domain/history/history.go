// Package history answers the owner's questions about what has happened: it
// reads other slices through the views that are contracts, and writes nothing.
package history

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/isolate"
	"drumline/domain"
	"drumline/shared/pg"
)

// Service answers from the history of a shop.
type Service struct {
	DB  *pg.DB
	Now func() time.Time
}

// Span limits what is asked about: closed from From, before Until; zero is no
// limit.
type Span struct{ From, Until time.Time }

// Status says whether figures may be relied on.
type Status string

// The statuses.
const (
	OK     Status = "ok"
	TooFew Status = "too_few"
)

// enoughCases is how many verified calls a calibration needs before it says
// something (judgement, no source).
const enoughCases = 200

// Calibration is how well the engine's last word on a complaint agreed with
// what was verified.
type Calibration struct {
	Kind, Complaint string
	Scores          isolate.CallCalibration
	FirstThree      int // calls with a verified fault among the three likeliest
	Status          Status
}

// endedRow is one call that has ended.
type endedRow struct {
	Complaint     string    `db:"complaint"`
	Kind          string    `db:"kind"`
	Faults        []string  `db:"faults"`
	Probabilities []float64 `db:"probabilities"`
	Verified      []string  `db:"verified"`
}

// Calibration compares the final probabilities of every ended call with what
// was verified, by complaint. For the owner.
func (s *Service) Calibration(ctx context.Context, p domain.Principal, span Span) ([]Calibration, error) {
	if p.Role != domain.Owner {
		return nil, domain.Errorf(domain.Forbidden, "The history is for the owner of the shop.")
	}
	var rows []endedRow
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &rows, `SELECT complaint, kind, faults, probabilities, verified FROM history_ended_case
			WHERE shop_id = $1 AND counts AND ($2::timestamptz IS NULL OR ended_at >= $2) AND ($3::timestamptz IS NULL OR ended_at < $3)
			ORDER BY kind, complaint, ended_at, call_id`, p.Shop, orNull(span.From), orNull(span.Until))
	})
	if err != nil {
		return nil, err
	}
	return calibrate(rows)
}

func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// calibrate goes through rows sorted by kind and complaint.
func calibrate(rows []endedRow) ([]Calibration, error) {
	out := []Calibration{}
	for len(rows) > 0 {
		n := slices.IndexFunc(rows, func(r endedRow) bool { return r.Kind != rows[0].Kind || r.Complaint != rows[0].Complaint })
		if n < 0 {
			n = len(rows)
		}
		c, err := ofComplaint(rows[:n])
		if err != nil {
			return nil, err
		}
		out = append(out, c)
		rows = rows[n:]
	}
	slices.SortStableFunc(out, func(a, b Calibration) int {
		return cmp.Or(cmp.Compare(b.Scores.Count, a.Scores.Count), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Complaint, b.Complaint))
	})
	return out, nil
}

// ofComplaint scores the calls of one complaint.
func ofComplaint(rows []endedRow) (Calibration, error) {
	out := Calibration{Kind: rows[0].Kind, Complaint: rows[0].Complaint, Status: OK}
	calls := make([]isolate.Ended, len(rows))
	for i, r := range rows {
		calls[i] = isolate.Ended{Faults: r.Faults, Probabilities: r.Probabilities, Found: r.Verified}
		for _, k := range isolate.Likeliest(r.Probabilities, 3) {
			if slices.Contains(r.Verified, r.Faults[k]) {
				out.FirstThree++
				break
			}
		}
	}
	var err error
	if out.Scores, err = isolate.CalibrateCalls(calls, isolate.UsualBins); err != nil {
		return Calibration{}, fmt.Errorf("history: calibration of %s: %w", out.Complaint, err)
	}
	if len(calls) < enoughCases {
		out.Status = TooFew
	}
	return out, nil
}
