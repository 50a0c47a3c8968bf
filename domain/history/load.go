package history

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/people"
)

// A large shop has hundreds of thousands of rows, and every question reads them
// all. They are taken from the wire as they come, in PostgreSQL's binary form, with
// each text kept once.

// wire takes one row apart, value by value.
type wire struct {
	values [][]byte
	at     int
	bad    bool
	texts  map[string]string
	days   map[int32]domain.Date
}

func (w *wire) next(size int) []byte {
	v := w.values[w.at]
	w.at++
	if v != nil && size >= 0 && len(v) != size {
		w.bad = true
		return nil
	}
	return v
}

func (w *wire) id() (id domain.ID) {
	copy(id[:], w.next(len(id)))
	return id
}

func (w *wire) text() string {
	v := w.next(-1)
	if s, ok := w.texts[string(v)]; ok {
		return s
	}
	s := string(v)
	w.texts[s] = s
	return s
}

func (w *wire) int() int {
	if v := w.next(4); v != nil {
		return int(int32(binary.BigEndian.Uint32(v)))
	}
	return 0
}

// date reads a date, which comes as days since 2000-01-01; null is zero.
func (w *wire) date() domain.Date {
	v := w.next(4)
	if v == nil {
		return domain.Date{}
	}
	n := int32(binary.BigEndian.Uint32(v))
	d, ok := w.days[n]
	if !ok {
		d = domain.DateOf(time.Date(2000, 1, 1+int(n), 0, 0, 0, 0, time.UTC))
		w.days[n] = d
	}
	return d
}

var errWire = errors.New("history: a value has not the size its type has")

// readAll reads every row by read, of statements without other types than
// uuid, text, int4 and date.
func readAll[T any](b *pgx.Batch, dst *[]T, read func(*wire) T, sql string, args ...any) {
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		out, w := []T{}, &wire{texts: map[string]string{}, days: map[int32]domain.Date{}}
		for rows.Next() {
			w.values, w.at = rows.RawValues(), 0
			out = append(out, read(w))
		}
		if *dst = out; w.bad {
			return errWire
		}
		return rows.Err()
	})
}

func readCall(w *wire) CallRow {
	return CallRow{CallID: w.id(), UnitID: w.id(), ClosedOn: w.date(), EndedOn: w.date(), Cause: w.int(), NextCall: w.id(), Visits: w.int()}
}

func readRepair(w *wire) RepairRow {
	return RepairRow{ConclusionID: w.id(), CallID: w.id(), UnitID: w.id(), Kind: w.text(), Model: w.text(), Part: w.text(), Fault: w.text(), PartNumber: w.text(),
		PartSource: w.text(), Lot: w.text(), TechID: w.id(), FixedOn: w.date(), EndedOn: w.date(), Cause: w.int()}
}

// load reads the rows the filter chooses, in one transaction with the number
// of their state; calls only where the question is about them.
func (s *Service) load(ctx context.Context, p domain.Principal, a *asking, calls bool) error {
	f := a.filter
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		queueVersion(b, p.Shop, &a.version)
		people.QueueNames(b, p.Shop, &a.names)
		if calls {
			readAll(b, &a.calls, readCall, `SELECT call_id, unit_id, closed_on, ended_on, cause::int4, next_call, visits FROM call_row
				WHERE shop_id = $1 AND ($2::date IS NULL OR closed_on >= $2) AND ($3::date IS NULL OR closed_on <= $3) AND ($4 = '' OR kind = $4)
					AND ($5 = '' OR model = $5) AND ($6 = '' OR complaint = $6) AND ($7::uuid IS NULL OR tech_id = $7) AND closed_on < $8`,
				p.Shop, f.From, f.Until, f.Kind, f.Model, f.Complaint, f.TechID, a.cut)
		}
		readAll(b, &a.repairs, readRepair, `SELECT conclusion_id, call_id, unit_id, kind, model, part, fault, part_number, part_source, lot, tech_id, fixed_on, ended_on, cause::int4
			FROM repair_row WHERE shop_id = $1 AND ($2::date IS NULL OR fixed_on >= $2) AND ($3::date IS NULL OR fixed_on <= $3) AND ($4 = '' OR kind = $4)
				AND ($5 = '' OR model = $5) AND ($6 = '' OR complaint = $6) AND ($7::uuid IS NULL OR tech_id = $7) AND ($8 = '' OR part = $8)
				AND ($9 = '' OR part_source = $9) AND ($10 = '' OR fault = $10) AND fixed_on < $11`,
			p.Shop, f.From, f.Until, f.Kind, f.Model, f.Complaint, f.TechID, f.Part, f.PartSource, f.Fault, a.cut)
		b.Queue(`SELECT call_id, reason FROM come_back WHERE shop_id = $1`, p.Shop).Query(func(rows pgx.Rows) error {
			a.reasons = map[domain.ID]string{}
			var id domain.ID
			var reason string
			_, err := pgx.ForEachRow(rows, []any{&id, &reason}, func() error { a.reasons[id] = reason; return nil })
			return err
		})
	})
	a.repairs = byDay(a.repairs)
	if f.ofParts() { // of calls only those on which such a repair was made
		kept := map[domain.ID]bool{}
		for _, r := range a.repairs {
			kept[r.CallID] = true
		}
		a.calls = slices.DeleteFunc(a.calls, func(c CallRow) bool { return !kept[c.CallID] })
	}
	return err
}

// byDay puts repairs in the order of their days: sums come out the same however
// the database gave the rows.
func byDay(rs []RepairRow) []RepairRow {
	type place struct {
		day, at int32
		id      uint64 // its beginning
	}
	order := make([]place, len(rs))
	for i := range rs {
		order[i] = place{int32(dayNumber(rs[i].FixedOn)), int32(i), binary.BigEndian.Uint64(rs[i].ConclusionID[:8])}
	}
	slices.SortFunc(order, func(x, y place) int {
		if c := cmp.Or(cmp.Compare(x.day, y.day), cmp.Compare(x.id, y.id)); c != 0 {
			return c
		}
		return bytes.Compare(rs[x.at].ConclusionID[:], rs[y.at].ConclusionID[:])
	})
	out := make([]RepairRow, len(rs))
	for i, o := range order {
		out[i] = rs[o.at]
	}
	return out
}

// dayNumber is a number that grows with the date.
func dayNumber(d domain.Date) int { return d.Year*10000 + int(d.Month)*100 + d.Day }
