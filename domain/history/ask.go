package history

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/history/survival"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Level is the confidence level of every limit given.
const Level = 0.95

// Filter chooses repairs; zero values choose all.
type Filter struct {
	From, Until domain.Date // closed on; both included
	Kind        string
	Model       string // compared without case, spaces and punctuation
	Complaint   string
	TechID      domain.ID
	Part        string
	PartSource  string
	Fault       string
}

// usual says whether the filter chooses everything: such answers are kept.
func (f Filter) usual() bool { return f == Filter{} }

// ofParts says whether the filter asks about what was found and fitted, which
// calls as such do not know.
func (f Filter) ofParts() bool { return f.Part != "" || f.PartSource != "" || f.Fault != "" }

// Head is what stands before every answer: how much it rests on.
type Head struct {
	Units        int         `json:"units"`
	Repairs      int         `json:"repairs" doc:"Closed calls, or repairs of faults: see method."`
	Events       int         `json:"events"`
	ExposureDays int         `json:"exposure_days" doc:"Days followed, over all repairs."`
	AtRisk       int         `json:"at_risk" doc:"Repairs still followed at the horizon, or at all."`
	DataCutOn    domain.Date `json:"data_cut_on" doc:"What happened after this day is not in it."`
	Method       string      `json:"method"`
	Level        float64     `json:"level" doc:"Of the limits."`
	Status       string      `json:"status" doc:"ok; or why there is no figure: too_few, not_reached, undefined."`
	Sentence     string      `json:"sentence"`
}

// Figure is a number with its limits; absent where it does not exist, and
// status says why.
type Figure struct {
	Value  *float64 `json:"value,omitempty"`
	Low    *float64 `json:"low,omitempty"`
	High   *float64 `json:"high,omitempty"`
	Status string   `json:"status"`
}

func ptr(n survival.Number) *float64 {
	if !n.OK() {
		return nil
	}
	return &n.Value
}

func limited(n survival.Number, i survival.Interval) Figure {
	return Figure{ptr(n), ptr(i.Lo), ptr(i.Hi), string(n.Status)}
}

// bare is a figure without limits.
func bare(n survival.Number) Figure { return Figure{Value: ptr(n), Status: string(n.Status)} }

// asking is one question of an owner, on the day of the data cut.
type asking struct {
	filter  Filter
	cut     domain.Date
	calls   []CallRow
	repairs []RepairRow
	names   map[domain.ID]string
	reasons map[domain.ID]string // of calls that came back
	version int64
}

// today is the day at the shop, and cut the day before it: the last whole one.
func (s *Service) cut(shop people.Shop) (domain.Date, error) {
	zone, err := time.LoadLocation(shop.TimeZone)
	if err != nil {
		return domain.Date{}, fmt.Errorf("history: zone of shop %s: %w", shop.ID, err)
	}
	return domain.DateOf(s.Now().In(zone).AddDate(0, 0, -1)), nil
}

// today is the day of the data cut and the shop.
func (s *Service) today(ctx context.Context, p domain.Principal) (domain.Date, people.Shop, error) {
	var shop people.Shop
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { people.QueueShop(b, p.Shop, &shop) }); err != nil {
		return domain.Date{}, shop, err
	}
	cut, err := s.cut(shop)
	return cut, shop, err
}

func forOwner(p domain.Principal) error {
	if p.Role != domain.Owner {
		return domain.Errorf(domain.Forbidden, "The history is for the owner of the shop.")
	}
	return nil
}

// Ask answers a question: what is kept of the shop's units is brought up to
// date first. The answer to a question without a filter is kept until the rows
// or the day change.
func Ask[T any](ctx context.Context, s *Service, p domain.Principal, question string, f Filter, answer func(*asking) T) (T, error) {
	var out T
	if err := forOwner(p); err != nil {
		return out, err
	}
	if err := s.settled(ctx, p); err != nil {
		return out, err
	}
	var shop people.Shop
	var kept []struct {
		Version int64       `db:"version"`
		CutOn   domain.Date `db:"cut_on"`
		Answer  []byte      `db:"answer"`
	}
	var version int64
	keeps := f.usual() && !strings.HasSuffix(question, " tech") // names of people are not kept twice
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		people.QueueShop(b, p.Shop, &shop)
		queueVersion(b, p.Shop, &version)
		if keeps {
			pg.All(b, &kept, `SELECT version, cut_on, answer FROM history_answer WHERE shop_id = $1 AND question = $2`, p.Shop, question)
		}
	})
	if err != nil {
		return out, err
	}
	cut, err := s.cut(shop)
	if err != nil {
		return out, err
	}
	if len(kept) == 1 && kept[0].Version == version && kept[0].CutOn == cut {
		return out, json.Unmarshal(kept[0].Answer, &out)
	}
	a := &asking{filter: f, cut: cut}
	if err := s.load(ctx, p, a, aboutCalls[question]); err != nil {
		return out, err
	}
	if out = answer(a); !keeps {
		return out, nil
	}
	return out, s.keep(ctx, p, question, a, out)
}

// aboutCalls are the questions that are about calls as well as repairs.
var aboutCalls = map[string]bool{"come-backs": true, "summary": true}

func queueVersion(b *pgx.Batch, shop domain.ID, dst *int64) {
	*dst = 0
	b.Queue(`SELECT version FROM history_state WHERE shop_id = $1`, shop).Query(func(rows pgx.Rows) error {
		_, err := pgx.ForEachRow(rows, []any{dst}, func() error { return nil })
		return err
	})
}

// settled settles the shop if anything waits for it.
func (s *Service) settled(ctx context.Context, p domain.Principal) error {
	var any bool
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		b.Queue(`SELECT EXISTS (SELECT FROM history_stale WHERE shop_id = $1)`, p.Shop).QueryRow(func(row pgx.Row) error { return row.Scan(&any) })
	})
	if err != nil || !any {
		return err
	}
	return s.Settle(ctx, p)
}

// keep stores the answer to a usual question.
func (s *Service) keep(ctx context.Context, p domain.Principal, question string, a *asking, answer any) error {
	text, err := json.Marshal(answer)
	if err != nil {
		return fmt.Errorf("history: keeping the answer to %s: %w", question, err)
	}
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO history_answer (shop_id, question, version, cut_on, answer) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (shop_id, question) DO UPDATE SET version = excluded.version, cut_on = excluded.cut_on, answer = excluded.answer`,
			p.Shop, question, a.version, a.cut, text)
		return err
	})
}

// units numbers units from 1, since rows of one unit are not independent.
type unitNumbers map[domain.ID]int

func (u unitNumbers) of(id domain.ID) int {
	n, ok := u[id]
	if !ok {
		n = len(u) + 1
		u[id] = n
	}
	return n
}

// callRows and repairRows are the rows as the numerics take them.
func (a *asking) callRows() []survival.Row {
	rows, units := make([]survival.Row, 0, len(a.calls)), unitNumbers{}
	for _, c := range a.calls {
		if exit, cause, ok := days(c.ClosedOn, c.EndedOn, c.Cause, a.cut); ok {
			rows = append(rows, survival.Row{Exit: exit, Cause: cause, Unit: units.of(c.UnitID)})
		}
	}
	return rows
}

func (a *asking) repairRows(keep func(RepairRow) bool) []survival.Row {
	rows, units := make([]survival.Row, 0, len(a.repairs)), unitNumbers{}
	for _, r := range a.repairs {
		if keep != nil && !keep(r) {
			continue
		}
		if exit, cause, ok := days(r.FixedOn, r.EndedOn, r.Cause, a.cut); ok {
			rows = append(rows, survival.Row{Exit: exit, Cause: cause, Unit: units.of(r.UnitID)})
		}
	}
	return rows
}

// rowsBy gives the rows of each group that has a name.
func (a *asking) rowsBy(by string) map[string][]survival.Row {
	out, units := map[string][]survival.Row{}, unitNumbers{}
	for _, r := range a.repairs {
		name := a.by(r, by)
		if exit, cause, ok := days(r.FixedOn, r.EndedOn, r.Cause, a.cut); ok && name != "" {
			out[name] = append(out[name], survival.Row{Exit: exit, Cause: cause, Unit: units.of(r.UnitID)})
		}
	}
	return out
}

// head counts what rows hold.
func (a *asking) head(rows []survival.Row, cause int, method string) Head {
	h := Head{Repairs: len(rows), DataCutOn: a.cut, Method: method, Level: Level, Status: string(survival.OK)}
	units := map[int]bool{}
	for _, r := range rows {
		units[r.Unit] = true
		h.ExposureDays += r.Exit - r.Entry
		switch {
		case r.Cause > 0 && (cause == survival.AnyCause || r.Cause == cause):
			h.Events++
		case r.Cause == 0:
			h.AtRisk++
		}
	}
	h.Units = len(units)
	return h
}
