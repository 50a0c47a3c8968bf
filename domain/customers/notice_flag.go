package customers

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// NoticeFlag is a safety notice as it stands beside a unit it touches.
type NoticeFlag struct {
	ID       domain.ID
	Title    string
	Level    NoticeLevel
	WhatToDo string
	ToRead   []string  // what of the nameplate; empty when it is certain
	Handled  *Handling // nil: still to be seen to
}

// Certain says that the notice concerns the unit by what is on record of it.
func (f NoticeFlag) Certain() bool { return len(f.ToRead) == 0 }

// NoticedUnit is a unit a safety notice touches.
type NoticedUnit struct {
	UnitID     domain.ID
	SiteID     domain.ID
	CustomerID domain.ID
	Maker      string
	Model      string
	Serial     string
	Flag       NoticeFlag
}

// besideUnits sets units beside the notices in use that may touch them by kind
// and model; Concerns has the last word. A model that is the beginning of the
// notice's is among them, and so is none.
const besideUnits = ` FROM unit u
	JOIN site st ON st.shop_id = u.shop_id AND st.id = u.site_id
	JOIN safety_notice n ON n.shop_id = u.shop_id AND n.kind = u.kind AND n.retired_at IS NULL
		AND (starts_with(n.model_norm, u.model_norm) OR n.model_prefix AND starts_with(u.model_norm, n.model_norm))
	LEFT JOIN safety_notice_handling h ON h.shop_id = n.shop_id AND h.notice_id = n.id AND h.unit_id = u.id AND h.voided_at IS NULL
	WHERE u.shop_id = $1`

const besideColumns = `u.id AS unit_id, u.site_id, st.customer_id, u.maker AS unit_maker, u.model AS unit_model, u.serial AS unit_serial,
	n.id AS notice_id, n.kind, n.maker, n.model, n.serial_from, n.serial_to, n.title, n.what_to_do, n.level, n.issued_on,
	h.id AS handling_id, h.done_on, coalesce(h.done_by, '') AS done_by, coalesce(h.note, '') AS note, h.recorded_by, h.recorded_at`

// beside is one row of besideUnits.
type beside struct {
	UnitID     domain.ID   `db:"unit_id"`
	SiteID     domain.ID   `db:"site_id"`
	CustomerID domain.ID   `db:"customer_id"`
	UnitMaker  string      `db:"unit_maker"`
	UnitModel  string      `db:"unit_model"`
	UnitSerial string      `db:"unit_serial"`
	NoticeID   domain.ID   `db:"notice_id"`
	Kind       string      `db:"kind"`
	Maker      string      `db:"maker"`
	Model      string      `db:"model"`
	SerialFrom string      `db:"serial_from"`
	SerialTo   string      `db:"serial_to"`
	Title      string      `db:"title"`
	WhatToDo   string      `db:"what_to_do"`
	Level      NoticeLevel `db:"level"`
	IssuedOn   domain.Date `db:"issued_on"`
	HandlingID domain.ID   `db:"handling_id"`
	DoneOn     domain.Date `db:"done_on"`
	DoneBy     string      `db:"done_by"`
	Note       string      `db:"note"`
	RecordedBy domain.ID   `db:"recorded_by"`
	RecordedAt *time.Time  `db:"recorded_at"`
}

// flag judges the pair; false when the notice does not touch the unit.
func (r beside) flag() (NoticeFlag, bool) {
	n := Notice{Kind: r.Kind, Maker: r.Maker, Model: r.Model, SerialFrom: r.SerialFrom, SerialTo: r.SerialTo}
	toRead, concerned := n.Concerns(Nameplate{r.Kind, r.UnitMaker, r.UnitModel, r.UnitSerial})
	f := NoticeFlag{ID: r.NoticeID, Title: r.Title, Level: r.Level, WhatToDo: r.WhatToDo, ToRead: toRead}
	if r.RecordedAt != nil {
		f.Handled = &Handling{ID: r.HandlingID, NoticeID: r.NoticeID, UnitID: r.UnitID, DoneOn: r.DoneOn, DoneBy: r.DoneBy, Note: r.Note,
			RecordedBy: r.RecordedBy, RecordedAt: *r.RecordedAt}
	}
	return f, concerned
}

// queueFlags reads the flags of the units that the subquery unitsOf gives for
// $1 = shop and $2 = arg, by unit, the gravest first and the certain before the
// others.
func queueFlags(b *pgx.Batch, shop domain.ID, unitsOf string, arg any, handled bool, got func(map[domain.ID][]NoticeFlag)) {
	b.Queue(`SELECT `+besideColumns+besideUnits+` AND u.id = ANY (ARRAY(`+unitsOf+`)) ORDER BY n.issued_on DESC, n.id`, shop, arg).Query(func(rows pgx.Rows) error {
		pairs, err := pgx.CollectRows(rows, pgx.RowToStructByName[beside])
		flags := map[domain.ID][]NoticeFlag{}
		for _, r := range pairs {
			if f, ok := r.flag(); ok && (handled || f.Handled == nil) {
				flags[r.UnitID] = append(flags[r.UnitID], f)
			}
		}
		for _, fs := range flags {
			slices.SortStableFunc(fs, graver)
		}
		got(flags)
		return err
	})
}

func graver(a, b NoticeFlag) int {
	levels := NoticeLevels()
	return cmp.Or(cmp.Compare(slices.Index(levels, a.Level), slices.Index(levels, b.Level)), cmp.Compare(min(len(a.ToRead), 1), min(len(b.ToRead), 1)))
}

// UnitsByID is the units subquery for a list of ids as text.
const UnitsByID = `SELECT unnest($2::uuid[])`

// QueueNotices reads the safety notices not yet handled of the units that the
// subquery unitsOf gives for $1 = shop and $2 = arg, in the caller's round
// trip: by unit, the gravest first. It asks for no right. dst is never nil
// afterwards; a unit without notices has no entry.
func QueueNotices(b *pgx.Batch, shop domain.ID, unitsOf string, arg any, dst *map[domain.ID][]NoticeFlag) {
	queueFlags(b, shop, unitsOf, arg, false, func(flags map[domain.ID][]NoticeFlag) { *dst = flags })
}

// QueueUnitNotices is QueueNotices for the one unit that unitOf gives.
func QueueUnitNotices(b *pgx.Batch, shop domain.ID, unitOf string, arg domain.ID, dst *[]NoticeFlag) {
	queueFlags(b, shop, unitOf, arg, false, func(flags map[domain.ID][]NoticeFlag) { *dst = onlyOf(flags) })
}

// onlyOf gives the flags of a map with one unit at most.
func onlyOf(flags map[domain.ID][]NoticeFlag) []NoticeFlag {
	for _, fs := range flags {
		return fs
	}
	return nil
}

// NoticesOf gives the safety notices not yet handled of units p has read, by
// unit. It asks for no right.
func (s *Service) NoticesOf(ctx context.Context, p domain.Principal, units ...domain.ID) (map[domain.ID][]NoticeFlag, error) {
	if len(units) == 0 {
		return map[domain.ID][]NoticeFlag{}, nil
	}
	ids := make([]string, 0, len(units))
	for _, id := range units {
		ids = append(ids, id.String())
	}
	var flags map[domain.ID][]NoticeFlag
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { QueueNotices(b, p.Shop, UnitsByID, ids, &flags) })
	return flags, err
}

// UnitNotices gives the safety notices that touch a unit, handled ones among
// them. A unit p does not see is absent.
func (s *Service) UnitNotices(ctx context.Context, p domain.Principal, unit domain.ID) ([]NoticeFlag, error) {
	var u Unit
	var flags []NoticeFlag
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		unitKind.queue(b, s, p, unit, &u, "")
		queueFlags(b, p.Shop, UnitByID, unit, true, func(m map[domain.ID][]NoticeFlag) { flags = onlyOf(m) })
	})
	return flags, err
}

// noticedChunk is how many units are looked through at a time.
const noticedChunk = 500

// NoticedUnits gives up to size units in use that a notice touches, after the
// id; with handled, those it was handled for too. A retired notice touches
// none.
func (s *Service) NoticedUnits(ctx context.Context, p domain.Principal, notice domain.ID, handled bool, after domain.ID, size int) ([]NoticedUnit, error) {
	found := []NoticedUnit{}
	for {
		var n Notice
		var rows []beside
		err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
			noticeKind.queue(b, s, p, notice, &n, "")
			pg.All(b, &rows, `SELECT `+besideColumns+besideUnits+` AND n.id = $2 AND u.retired_at IS NULL AND ($3::uuid IS NULL OR u.id > $3)
				ORDER BY u.id LIMIT $4`, p.Shop, notice, after, noticedChunk)
		})
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			after = r.UnitID
			if f, ok := r.flag(); ok && (handled || f.Handled == nil) {
				found = append(found, NoticedUnit{r.UnitID, r.SiteID, r.CustomerID, r.UnitMaker, r.UnitModel, r.UnitSerial, f})
			}
			if len(found) == size {
				return found, nil
			}
		}
		if len(rows) < noticedChunk {
			return found, nil
		}
	}
}

// unreadAdvice is said of what may not concern the unit at all, so it names no
// notice.
const unreadAdvice = "A safety notice may concern this appliance. Do not use it until its nameplate has been read. " +
	"Please read out the maker, the model and the serial number if you can do so without moving or opening it."

// Say is what to tell the customer at once: to use the unit no more, when the
// level is the gravest and the notice is not handled. Otherwise it is empty.
func (f NoticeFlag) Say() string {
	switch {
	case f.Level != NoticeDangerNow || f.Handled != nil:
		return ""
	case !f.Certain():
		return unreadAdvice
	}
	return "There is a safety notice about this appliance: " + f.Title + ". Stop using it now. Unplug it or switch off its breaker if that is safe."
}

// NoticeAdvice is what to tell the customer at once about all the notices of a
// unit, in their order, each text once.
func NoticeAdvice(flags []NoticeFlag) []string {
	var advice []string
	for _, f := range flags {
		if s := f.Say(); s != "" && !slices.Contains(advice, s) {
			advice = append(advice, s)
		}
	}
	return advice
}
