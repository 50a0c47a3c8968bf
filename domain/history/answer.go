package history

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/history/survival"
	"drumline/shared/pg"
)

// present is where a shop stands when it asks.
type present struct {
	cut  domain.Date
	zone *time.Location
	seq  int64
}

// standing is what says so in the database.
type standing struct {
	Zone    string `db:"time_zone"`
	Seq     int64  `db:"seq"`
	Pending bool   `db:"pending"`
}

// begin checks who asks and brings the roll-up up to date.
func (s *Service) begin(ctx context.Context, p domain.Principal) (present, error) {
	if p.Role != domain.Owner {
		return present{}, domain.Errorf(domain.Forbidden, "The history is for the owner of the shop.")
	}
	at, err := s.standing(ctx, p)
	if err == nil && at.Pending {
		if err = s.refresh(ctx, p); err == nil {
			at, err = s.standing(ctx, p)
		}
	}
	if err != nil {
		return present{}, err
	}
	zone, err := time.LoadLocation(at.Zone)
	if err != nil {
		return present{}, fmt.Errorf("history: zone of shop %s: %w", p.Shop, err)
	}
	return present{cut: today(s.Now(), zone), zone: zone, seq: at.Seq}, nil
}

func (s *Service) standing(ctx context.Context, p domain.Principal) (standing, error) {
	var at standing
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.One(b, &at, `SELECT h.time_zone, coalesce(t.seq, 0) AS seq, EXISTS (SELECT FROM history_mark m WHERE m.shop_id = $1) AS pending
			FROM history_shop h LEFT JOIN history_state t ON t.shop_id = h.shop_id WHERE h.shop_id = $1`, p.Shop)
	})
	return at, err
}

// answerFor gives the answer to a question. One without a filter is kept, and
// given again until the roll-up or the day changes.
func answerFor[T any](ctx context.Context, s *Service, p domain.Principal, question string, f Filter,
	work func(ctx context.Context, at present) (T, error)) (T, error) {
	var none T
	if err := f.check(); err != nil {
		return none, err
	}
	at, err := s.begin(ctx, p)
	if err != nil {
		return none, err
	}
	if !f.IsZero() || question == "" {
		return work(ctx, at)
	}
	kept, found, err := keptAnswer[T](ctx, s, p, question, at)
	if err != nil || found {
		return kept, err
	}
	out, err := work(ctx, at)
	if err != nil {
		return none, err
	}
	return out, s.keep(ctx, p, question, at, out)
}

// keptRow is an answer kept.
type keptRow struct {
	Answer json.RawMessage `db:"answer"`
}

func keptAnswer[T any](ctx context.Context, s *Service, p domain.Principal, question string, at present) (out T, found bool, err error) {
	var row keptRow
	err = s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.Maybe(b, &row, &found, `SELECT answer FROM history_answer WHERE shop_id = $1 AND question = $2 AND cut_on = $3 AND seq = $4`,
			p.Shop, question, at.cut, at.seq)
	})
	if err == nil && found {
		if err = json.Unmarshal(row.Answer, &out); err != nil {
			err = fmt.Errorf("history: answer kept to %s: %w", question, err)
		}
	}
	return out, found, err
}

// keep stores an answer. Of two that race the one that knows more stays.
func (s *Service) keep(ctx context.Context, p domain.Principal, question string, at present, answer any) error {
	text, err := json.Marshal(answer)
	if err != nil {
		return fmt.Errorf("history: answer to %s: %w", question, err)
	}
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO history_answer (shop_id, question, cut_on, seq, answer) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (shop_id, question) DO UPDATE SET cut_on = excluded.cut_on, seq = excluded.seq, answer = excluded.answer
			WHERE (history_answer.seq, history_answer.cut_on) <= (excluded.seq, excluded.cut_on)`, p.Shop, question, at.cut, at.seq, string(text))
		return err
	})
}

// basisOf heads an answer over rows; events are those of the cause, or of any.
func basisOf(rows []survival.Row, cause, horizon int, cut domain.Date) Basis {
	b := Basis{Repairs: len(rows), CutOn: cut, Level: Level, Status: survival.OK}
	units := map[int]bool{}
	for _, r := range rows {
		units[r.Unit] = true
		b.ExposureDays += r.Exit
		if r.Cause != 0 && (cause == survival.AnyCause || r.Cause == cause) && (horizon == 0 || r.Exit <= horizon) {
			b.Events++
		}
		if r.Exit >= horizon {
			b.AtRisk++
		}
	}
	b.Units = len(units)
	return b
}
