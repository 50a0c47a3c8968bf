package supplements

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/once"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// content is the shop's content on its way to a new edition. Its shop row is
// locked: two writers never judge each other's work half done.
type content struct {
	edition int64 // the new one
	live    []versionRow
}

func (c *content) queue(b *pgx.Batch, shop domain.ID) {
	*c = content{}
	people.QueueRaiseEdition(b, shop, &c.edition)
	queueLive(b, shop, &c.live)
}

// Create adds a supplement. One that breaks a rule of the catalogue is Invalid
// and names each place.
func (s *Service) Create(ctx context.Context, p domain.Principal, key once.Key, body catalogue.Supplement) (Supplement, bool, error) {
	now := s.Now()
	var c content
	load := func(b *pgx.Batch) { c.queue(b, p.Shop) }
	got, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) (Supplement, error) {
		return s.add(out, tx.P, now, &c, body)
	})
	return got, replayed, titleTaken(err)
}

// add queues a new supplement behind those of c, which it joins.
func (s *Service) add(out *pgx.Batch, p domain.Principal, now time.Time, c *content, body catalogue.Supplement) (Supplement, error) {
	if len(c.live) >= MaxSupplements {
		return Supplement{}, domain.Errorf(domain.Conflict, "A shop holds at most %d supplements.", MaxSupplements)
	}
	row := versionRow{ID: domain.NewID(now), Version: 1, Edition: c.edition, Body: body, ChangedBy: p.Person, ChangedAt: now, CreatedAt: now}
	// Applied by id: the new one has the highest of this instant, but not of
	// those made by a clock that ran ahead.
	c.live = append(c.live, row)
	slices.SortStableFunc(c.live, func(a, b versionRow) int { return strings.Compare(a.ID.String(), b.ID.String()) })
	if err := s.judge(c.live, row.ID); err != nil {
		return Supplement{}, err
	}
	out.Queue(`INSERT INTO supplement (shop_id, id, kind, title, version, created_at, updated_at) VALUES ($1, $2, $3, $4, 1, $5, $5)`,
		p.Shop, row.ID, body.Kind, body.Title, now)
	queueInsertVersion(out, p.Shop, row)
	audit.Queue(out, p, now, audit.Entry{Action: "created", Entity: "supplement", ID: row.ID})
	return row.supplement(), nil
}

func queueInsertVersion(b *pgx.Batch, shop domain.ID, r versionRow) {
	b.Queue(`INSERT INTO supplement_version (shop_id, supplement_id, version, edition, retired, body, changed_by, changed_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`, shop, r.ID, r.Version, r.Edition, r.Retired, r.Body, r.ChangedBy, r.ChangedAt)
}

// Change puts a new body in the place of a supplement's if its version is
// still version. The kind stays.
func (s *Service) Change(ctx context.Context, p domain.Principal, id domain.ID, version int64, body catalogue.Supplement) (Supplement, error) {
	now := s.Now()
	var out Supplement
	err := s.write(ctx, p, id, func(tx *pg.Tx, c *content, row versionRow, b *pgx.Batch) error {
		switch {
		case row.RetiredAt != nil:
			return domain.Errorf(domain.Conflict, "This has been retired and cannot be changed.")
		case !domain.SameVersion(version, row.Version):
			return pg.Stale()
		case body.Kind != row.Body.Kind:
			return domain.Field("/kind", "fixed", "A supplement stays with its kind. Make a new one for another kind.")
		}
		var err error
		out, err = s.rewrite(b, tx.P, now, c, row, body)
		return err
	})
	return out, titleTaken(err)
}

// rewrite queues the next version of a row of c.
func (s *Service) rewrite(b *pgx.Batch, p domain.Principal, now time.Time, c *content, row versionRow, body catalogue.Supplement) (Supplement, error) {
	row.Body, row.Version, row.Edition, row.ChangedBy, row.ChangedAt = body, row.Version+1, c.edition, p.Person, now
	for i := range c.live {
		if c.live[i].ID == row.ID {
			c.live[i] = row
		}
	}
	if err := s.judge(c.live, row.ID); err != nil {
		return Supplement{}, err
	}
	b.Queue(`UPDATE supplement SET title = $3, version = $4, updated_at = $5 WHERE shop_id = $1 AND id = $2`, p.Shop, row.ID, body.Title, row.Version, now)
	queueInsertVersion(b, p.Shop, row)
	audit.Queue(b, p, now, audit.Entry{Action: "changed", Entity: "supplement", ID: row.ID, Fields: []string{"body"}})
	return row.supplement(), nil
}

// Retire takes a supplement out of the content if its version is still
// version: calls that are opened from now on do not know it. Retiring twice
// changes nothing; one that others build on is a Conflict.
func (s *Service) Retire(ctx context.Context, p domain.Principal, id domain.ID, version int64) error {
	now := s.Now()
	return s.write(ctx, p, id, func(tx *pg.Tx, c *content, row versionRow, b *pgx.Batch) error {
		switch {
		case !domain.SameVersion(version, row.Version):
			return pg.Stale()
		case row.RetiredAt != nil:
			return nil
		}
		rest := slices.DeleteFunc(slices.Clone(c.live), func(r versionRow) bool { return r.ID == id })
		if err := s.judge(rest, domain.ID{}); err != nil {
			return err
		}
		row.Version, row.Edition, row.Retired, row.ChangedBy, row.ChangedAt = row.Version+1, c.edition, true, tx.P.Person, now
		b.Queue(`UPDATE supplement SET version = $3, updated_at = $4, retired_at = $4 WHERE shop_id = $1 AND id = $2`, tx.P.Shop, id, row.Version, now)
		queueInsertVersion(b, tx.P.Shop, row)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "retired", Entity: "supplement", ID: id})
		return nil
	})
}

// write locks the shop's content, reads the supplement and lets work queue
// what changes.
func (s *Service) write(ctx context.Context, p domain.Principal, id domain.ID,
	work func(tx *pg.Tx, c *content, row versionRow, b *pgx.Batch) error) error {
	var c content
	var row versionRow
	return s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			c.queue(b, p.Shop)
			queueVersion(b, p.Shop, id, 0, &row)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			b := &pgx.Batch{}
			if err := work(tx, &c, row, b); err != nil {
				return err
			}
			return tx.Send(ctx, b)
		})
}

// Import takes over the supplements of a file, all or none: one of the same
// kind and title becomes a new version of the shop's, the others are added.
// What is the same already stays as it is.
func (s *Service) Import(ctx context.Context, p domain.Principal, key once.Key, file []catalogue.Supplement) ([]Supplement, bool, error) {
	now := s.Now()
	var c content
	load := func(b *pgx.Batch) { c.queue(b, p.Shop) }
	got, replayed, err := once.Do(ctx, s.DB, p, now, key, load, func(_ context.Context, tx *pg.Tx, out *pgx.Batch) ([]Supplement, error) {
		done := []Supplement{}
		for i, body := range file {
			one, err := s.take(out, tx.P, now, &c, body)
			if err != nil {
				return nil, inFile(err, i)
			}
			done = append(done, one)
		}
		return done, nil
	})
	return got, replayed, titleTaken(err)
}

// take adds one supplement of a file or makes it the next version of its like.
func (s *Service) take(out *pgx.Batch, p domain.Principal, now time.Time, c *content, body catalogue.Supplement) (Supplement, error) {
	for _, row := range c.live {
		if row.Body.Kind != body.Kind || !strings.EqualFold(row.Body.Title, body.Title) {
			continue
		}
		if same(row.Body, body) {
			return row.supplement(), nil
		}
		if row.Edition == c.edition {
			return Supplement{}, domain.Field("/title", "twice", "Two supplements of the file have this kind and title.")
		}
		return s.rewrite(out, p, now, c, row, body)
	}
	return s.add(out, p, now, c, body)
}

// same says whether two bodies say the same.
func same(a, b catalogue.Supplement) bool {
	x, err := json.Marshal(a)
	y, err2 := json.Marshal(b)
	return err == nil && err2 == nil && bytes.Equal(x, y)
}

// judge holds the content, with the supplement id new in it, against the rules
// of the catalogue. What is wrong with the new one is Invalid; that another
// one would be left hanging is a Conflict.
func (s *Service) judge(live []versionRow, id domain.ID) error {
	_, flaws := s.Catalogues.base.Extend(bodies(live))
	var ps domain.Problems
	hanging := ""
	for i, row := range live {
		if len(flaws[i]) > 0 && row.ID != id {
			hanging = row.Body.Title
		}
		if row.ID != id {
			continue
		}
		tooMany(&ps, row.Body)
		for _, f := range flaws[i] {
			ps.Add(Pointer(f.Path), "catalogue_rule", "%s", f.Message)
		}
	}
	if err := ps.Err(); err != nil {
		return err
	}
	if hanging != "" {
		return domain.Errorf(domain.Conflict, "The supplement “%s” builds on what this would take away. Change or retire that one first.", hanging)
	}
	return nil
}

func tooMany(ps *domain.Problems, s catalogue.Supplement) {
	for _, list := range []struct {
		path string
		n    int
	}{{"/features", len(s.Features)}, {"/parameters", len(s.Parameters)}, {"/parts", len(s.Parts)}, {"/faults", len(s.Faults)},
		{"/actions", len(s.Actions)}, {"/checks", len(s.Checks)}, {"/complaints", len(s.Complaints)}, {"/causes", len(s.Causes)},
		{"/closing", len(s.Closing)}, {"/limits", len(s.Limits)}} {
		if list.n > MaxItems {
			ps.Add(list.path, "too_many", "A supplement has at most %d of these.", MaxItems)
		}
	}
}

var index = regexp.MustCompile(`\[(\d+)\]`)

// Pointer writes the path of a flaw as a JSON pointer (RFC 6901): checks[0].id
// is /checks/0/id. Ids hold neither ~ nor /.
func Pointer(path string) string {
	if path == "" {
		return ""
	}
	return "/" + strings.ReplaceAll(index.ReplaceAllString(path, ".$1"), ".", "/")
}

// inFile moves the pointers of an error to the i-th supplement of a file.
func inFile(err error, i int) error {
	e, ok := err.(*domain.Error)
	if !ok {
		return err
	}
	moved := *e
	moved.Fields = nil
	for _, f := range e.Fields {
		f.Pointer = fmt.Sprintf("/supplements/%d%s", i, f.Pointer)
		moved.Fields = append(moved.Fields, f)
	}
	return &moved
}

func titleTaken(err error) error {
	if pg.Violates(err, "supplement_title") {
		return domain.Wrap(domain.Conflict, err, "The shop has a supplement of this title for the kind already. Change that one, or choose another title.")
	}
	return err
}
