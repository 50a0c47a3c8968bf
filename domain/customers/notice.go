package customers

import (
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// NoticeLevel is how grave what a safety notice warns of is.
type NoticeLevel string

// The levels of a safety notice, gravest first. The first two mean the same as
// those of a hazard.
const (
	NoticeDangerNow   NoticeLevel = "danger_now" // must not be used as it is
	NoticeAtRisk      NoticeLevel = "at_risk"    // can become dangerous
	NoticeInformation NoticeLevel = "information"
)

// NoticeLevels lists the levels of a safety notice, gravest first.
func NoticeLevels() []NoticeLevel {
	return []NoticeLevel{NoticeDangerNow, NoticeAtRisk, NoticeInformation}
}

// Notice is what a maker or an authority warns of, for a model and a range of
// serial numbers, as the owner entered it. Concerns says which units it
// touches. WhatToDo is fixed words for techs and office; it never tells anyone
// to put a safety device out of action.
type Notice struct {
	Head
	Kind       string      `db:"kind"`  // of the catalogue
	Maker      string      `db:"maker"` // may be empty
	Model      string      `db:"model"` // ends with * when it is the beginning of several
	SerialFrom string      `db:"serial_from"`
	SerialTo   string      `db:"serial_to"` // both bounds belong to the range; an empty one leaves that side open
	Title      string      `db:"title"`
	WhatToDo   string      `db:"what_to_do"`
	Level      NoticeLevel `db:"level"`
	Reference  string      `db:"reference"` // who published it, and its number
	IssuedOn   domain.Date `db:"issued_on"`
}

const noticeColumns = `kind, maker, model, serial_from, serial_to, title, what_to_do, level, reference, issued_on`

var noticeKind = kind[Notice]{
	entity: "safety_notice",
	column: noticeColumns,
	head:   func(n *Notice) *Head { return &n.Head },
	check:  func(c *catalogue.Catalogue, _ *Notice, n Notice) error { return n.check(c) },
	insert: func(b *pgx.Batch, shop domain.ID, n Notice) {
		b.Queue(`INSERT INTO safety_notice (shop_id, id, `+noticeColumns+`, created_at, updated_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
			shop, n.ID, n.Kind, n.Maker, n.Model, n.SerialFrom, n.SerialTo, n.Title, n.WhatToDo, n.Level, n.Reference, n.IssuedOn, n.CreatedAt, n.UpdatedAt)
	},
	update: func(b *pgx.Batch, shop domain.ID, n Notice) {
		b.Queue(`UPDATE safety_notice SET kind = $3, maker = $4, model = $5, serial_from = $6, serial_to = $7, title = $8, what_to_do = $9,
			level = $10, reference = $11, issued_on = $12, updated_at = $13, version = $14 WHERE shop_id = $1 AND id = $2`,
			shop, n.ID, n.Kind, n.Maker, n.Model, n.SerialFrom, n.SerialTo, n.Title, n.WhatToDo, n.Level, n.Reference, n.IssuedOn, n.UpdatedAt, n.Version)
	},
	inUse: func(*Service) string { return `SELECT 1 WHERE $1::uuid IS NULL AND $2::uuid IS NULL` }, // never: the owner decides when a notice is over
	seen:  everything,
}

func (n Notice) check(c *catalogue.Catalogue) error {
	var ps domain.Problems
	if _, ok := c.Kind(n.Kind); !ok {
		ps.Add("/kind", "unknown", "The catalogue has no such kind of appliance.")
	}
	n.checkModel(&ps)
	ps.Text("/maker", n.Maker, 0, 80, false)
	n.checkSerials(&ps)
	n.checkTexts(&ps)
	if !slices.Contains(NoticeLevels(), n.Level) {
		ps.Add("/level", "unknown", "A level is danger_now, at_risk or information.")
	}
	if n.IssuedOn.IsZero() {
		ps.Add("/issued_on", "required", "Say on which day the notice was published.")
	}
	return ps.Err()
}

func (n Notice) checkModel(ps *domain.Problems) {
	ps.Text("/model", n.Model, 1, 80, false)
	switch star := strings.Index(n.Model, "*"); {
	case star >= 0 && star != len(n.Model)-1:
		ps.Add("/model", "star", "A * may stand at the very end only: it means every model that begins like this.")
	case n.Model != "" && ModelNorm(n.Model) == "":
		ps.Add("/model", "unnamed", "Name at least the beginning of the model: a letter or a digit.")
	}
}

func (n Notice) checkSerials(ps *domain.Problems) {
	for _, c := range []struct{ pointer, serial string }{{"/serial_from", n.SerialFrom}, {"/serial_to", n.SerialTo}} {
		ps.Text(c.pointer, c.serial, 0, 80, false)
		if c.serial != "" && SerialNorm(c.serial) == "" {
			ps.Add(c.pointer, "unreadable", "A serial number has letters or digits.")
		}
	}
	if from, to := SerialNorm(n.SerialFrom), SerialNorm(n.SerialTo); from != "" && to != "" && serialLess(to, from) {
		ps.Add("/serial_to", "order", "The last serial number of the range comes before the first. A longer one counts as later than a shorter one.")
	}
}

func (n Notice) checkTexts(ps *domain.Problems) {
	for _, c := range []struct {
		pointer, text string
		most          int
		lines         bool
	}{{"/title", n.Title, 200, false}, {"/what_to_do", n.WhatToDo, 2000, true}, {"/reference", n.Reference, 400, false}} {
		ps.Text(c.pointer, c.text, 1, c.most, c.lines)
		if catalogue.Defeats(c.text) != "" {
			ps.Add(c.pointer, "defeats_safety", "No text may tell anyone to put a safety device out of action. Word it as a prohibition, or as what was found.")
		}
	}
}

// CreateNotice stores a new safety notice.
func (s *Service) CreateNotice(ctx context.Context, p domain.Principal, key once.Key, n Notice) (Notice, bool, error) {
	return create(ctx, s, p, key, noticeKind, n)
}

// ReadNotice gives one safety notice, retired or not.
func (s *Service) ReadNotice(ctx context.Context, p domain.Principal, id domain.ID) (Notice, error) {
	return read(ctx, s, p, noticeKind, id)
}

// ChangeNotice applies edit if the version is still version. What was recorded
// as handled stays so: a notice that asks for something new is a new notice.
func (s *Service) ChangeNotice(ctx context.Context, p domain.Principal, id domain.ID, version int64, edit func(*Notice)) (Notice, error) {
	return change(ctx, s, p, noticeKind, id, version, edit)
}

// RetireNotice ends a safety notice: it flags no unit any more.
func (s *Service) RetireNotice(ctx context.Context, p domain.Principal, id domain.ID, version int64) error {
	return retire(ctx, s, p, noticeKind, id, version)
}

// NoticeFilter chooses safety notices; zero values choose all in use.
type NoticeFilter struct {
	Kind    string
	Level   NoticeLevel
	Retired bool // retired ones too
}

// ListNotices gives up to size safety notices after the id, in the order they
// were entered.
func (s *Service) ListNotices(ctx context.Context, p domain.Principal, f NoticeFilter, after domain.ID, size int) ([]Notice, error) {
	var ns []Notice
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		pg.All(b, &ns, `SELECT `+headColumns+`, `+noticeColumns+` FROM safety_notice
			WHERE shop_id = $1 AND ($2 = '' OR kind = $2) AND ($3 = '' OR level = $3)
			AND ($4 OR retired_at IS NULL) AND ($5::uuid IS NULL OR id > $5)
			ORDER BY id LIMIT $6`, p.Shop, f.Kind, string(f.Level), f.Retired, after, size)
	})
	return ns, err
}
