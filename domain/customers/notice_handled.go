package customers

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// Handling says that what a safety notice asks was done for one unit, or that
// the nameplate showed it not to be concerned. While it stands the notice no
// longer flags the unit.
type Handling struct {
	ID         domain.ID   `db:"id"`
	NoticeID   domain.ID   `db:"notice_id"`
	UnitID     domain.ID   `db:"unit_id"`
	DoneOn     domain.Date `db:"done_on"` // at the unit
	DoneBy     string      `db:"done_by"` // who did it: a tech of the shop, the maker's service…
	Note       string      `db:"note"`    // what was done or read
	RecordedBy domain.ID   `db:"recorded_by"`
	RecordedAt time.Time   `db:"recorded_at"`
	VoidedAt   *time.Time  `db:"voided_at"`
	VoidedBy   domain.ID   `db:"voided_by"`
	VoidReason string      `db:"void_reason"`
}

const handlingColumns = `id, notice_id, unit_id, done_on, done_by, note, recorded_by, recorded_at, voided_at, voided_by, void_reason`

func (h Handling) check() error {
	var ps domain.Problems
	if h.DoneOn.IsZero() {
		ps.Add("/done_on", "required", "Say on which day it was done.")
	}
	ps.Text("/done_by", h.DoneBy, 1, 200, false)
	ps.Text("/note", h.Note, 1, 2000, true)
	return ps.Err()
}

// HandleNotice records that a notice was handled for a unit. Absent when p does
// not see the unit; a Conflict when the notice is retired, does not touch the
// unit, or was handled for it already.
func (s *Service) HandleNotice(ctx context.Context, p domain.Principal, key once.Key, unit, notice domain.ID, h Handling) (Handling, bool, error) {
	if err := h.check(); err != nil {
		return h, false, err
	}
	now := s.Now()
	var u Unit
	var n Notice
	var d Dossier
	load := func(b *pgx.Batch) {
		unitKind.queue(b, s, p, unit, &u, "")
		noticeKind.queue(b, s, p, notice, &n, "")
		QueueDossier(b, p.Shop, UnitByID, unit, &d)
	}
	h, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Handling, error) {
		if err := mayHandle(n, u); err != nil {
			return h, err
		}
		if err := notAhead(h.DoneOn, d.Site, now); err != nil {
			return h, err
		}
		h := Handling{ID: domain.NewID(now), NoticeID: notice, UnitID: unit, DoneOn: h.DoneOn, DoneBy: h.DoneBy, Note: h.Note,
			RecordedBy: p.Person, RecordedAt: now}
		out.Queue(`INSERT INTO safety_notice_handling (shop_id, id, notice_id, unit_id, done_on, done_by, note, recorded_by, recorded_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, p.Shop, h.ID, notice, unit, h.DoneOn, h.DoneBy, h.Note, h.RecordedBy, now)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "safety_notice_handling", ID: h.ID})
		return h, nil
	})
	if pg.Violates(err, "safety_notice_handling_once") {
		err = domain.Wrap(domain.Conflict, err, "This notice was recorded as handled for this unit already. If that was wrong, the office can void the record.")
	}
	return h, replayed, err
}

func mayHandle(n Notice, u Unit) error {
	if n.RetiredAt != nil {
		return domain.Errorf(domain.Conflict, "This notice has been retired and flags no unit any more.")
	}
	if _, concerned := n.Concerns(u.Nameplate()); !concerned {
		return domain.Errorf(domain.Conflict, "This notice does not touch this unit. Compare kind, model and serial number of both.")
	}
	return nil
}

// notAhead refuses a day that has not begun yet at the site.
func notAhead(on domain.Date, at Site, now time.Time) error {
	zone, err := time.LoadLocation(at.TimeZone)
	if err != nil {
		return fmt.Errorf("customers: zone of the site: %w", err)
	}
	if today := domain.DateOf(now.In(zone)); today.Before(on) {
		return domain.Field("/done_on", "in_future", "What has been done lies not in the future. Today at the unit is %s.", today)
	}
	return nil
}

// VoidHandling takes the record that a notice was handled back, with the
// reason: the notice flags the unit again. Voiding it again changes nothing.
func (s *Service) VoidHandling(ctx context.Context, p domain.Principal, id domain.ID, reason string) (Handling, error) {
	var ps domain.Problems
	ps.Text("/reason", reason, 1, 400, true)
	if err := ps.Err(); err != nil {
		return Handling{}, err
	}
	now := s.Now()
	var h Handling
	load := func(b *pgx.Batch) {
		pg.One(b, &h, `SELECT `+handlingColumns+` FROM safety_notice_handling WHERE shop_id = $1 AND id = $2 FOR UPDATE`, p.Shop, id)
	}
	err := s.DB.Write(ctx, p, load, func(ctx context.Context, tx *pg.Tx) error {
		if h.VoidedAt != nil {
			return nil
		}
		h.VoidedAt, h.VoidedBy, h.VoidReason = &now, p.Person, reason
		b := &pgx.Batch{}
		b.Queue(`UPDATE safety_notice_handling SET voided_at = $3, voided_by = $4, void_reason = $5 WHERE shop_id = $1 AND id = $2`,
			p.Shop, id, now, p.Person, reason)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "voided", Entity: "safety_notice_handling", ID: id})
		return tx.Send(ctx, b)
	})
	return h, err
}
