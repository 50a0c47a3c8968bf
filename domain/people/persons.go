package people

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/shared/pg"
)

type personRow struct {
	ID         domain.ID   `db:"id"`
	Name       string      `db:"name"`
	Email      string      `db:"email"`
	Role       domain.Role `db:"role"`
	Version    int64       `db:"version"`
	CreatedAt  time.Time   `db:"created_at"`
	DisabledAt *time.Time  `db:"disabled_at"`
}

type competenceRow struct {
	Person      domain.ID   `db:"person_id"`
	Name        string      `db:"name"`
	Certificate string      `db:"certificate"`
	ExpiresOn   domain.Date `db:"expires_on"`
}

const personColumns = `id, name, email, role, version, created_at, disabled_at`

// roster is what one read of persons and competences gives.
type roster struct {
	persons     []personRow
	competences []competenceRow
}

// queue reads one person, or all when id is zero.
func (r *roster) queue(b *pgx.Batch, shop, id domain.ID) {
	pg.All(b, &r.persons, `SELECT `+personColumns+` FROM person WHERE shop_id = $1 AND ($2::uuid IS NULL OR id = $2) ORDER BY id`, shop, id)
	pg.All(b, &r.competences, `SELECT person_id, name, certificate, expires_on FROM competence
		WHERE shop_id = $1 AND ($2::uuid IS NULL OR person_id = $2) ORDER BY person_id, name`, shop, id)
}

func (r *roster) people() []Person {
	of := map[domain.ID][]Competence{}
	for _, c := range r.competences {
		of[c.Person] = append(of[c.Person], Competence{c.Name, c.Certificate, c.ExpiresOn})
	}
	ps := make([]Person, 0, len(r.persons))
	for _, p := range r.persons {
		ps = append(ps, Person{ID: p.ID, Name: p.Name, Email: p.Email, Role: p.Role, Competences: of[p.ID],
			Version: p.Version, CreatedAt: p.CreatedAt, DisabledAt: p.DisabledAt})
	}
	return ps
}

func (r *roster) one() (Person, error) {
	if len(r.persons) == 0 {
		return Person{}, domain.Absent()
	}
	return r.people()[0], nil
}

// ReadPerson gives one person of the shop.
func (s *Service) ReadPerson(ctx context.Context, p domain.Principal, id domain.ID) (Person, error) {
	var r roster
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { r.queue(b, p.Shop, id) }); err != nil {
		return Person{}, err
	}
	return r.one()
}

// ListPeople gives all persons of the shop, oldest first: a shop has a dozen.
func (s *Service) ListPeople(ctx context.Context, p domain.Principal) ([]Person, error) {
	var r roster
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { r.queue(b, p.Shop, domain.ID{}) })
	return r.people(), err
}

// PersonChange says what of a person to change; nil keeps. Competences
// replaces the whole list.
type PersonChange struct {
	Name        *string
	Role        *domain.Role
	Disabled    *bool
	Competences *[]Competence
}

func (c PersonChange) check() error {
	var ps domain.Problems
	if c.Name != nil {
		checkName(&ps, "/name", *c.Name)
	}
	if c.Role != nil {
		checkRole(&ps, "/role", *c.Role)
	}
	if c.Competences != nil {
		seen := map[string]bool{}
		for i, k := range *c.Competences {
			at := fmt.Sprintf("/competences/%d", i)
			if k.Name != "live" && k.Name != "gas" && k.Name != "refrigerant" || seen[k.Name] {
				ps.Add(at+"/name", "competence", "A competence is live, gas or refrigerant, each at most once.")
			}
			if k.ExpiresOn.IsZero() {
				ps.Add(at+"/expires_on", "required", "Say on which day it expires.")
			}
			if len(k.Certificate) > 120 || hasControl(k.Certificate) {
				ps.Add(at+"/certificate", "certificate", "A certificate number has at most 120 characters and no line breaks.")
			}
			seen[k.Name] = true
		}
	}
	return ps.Err()
}

// ChangePerson changes a person if the version is still version. A change of
// role or a disabling ends the person's access with their next request. The
// last owner can neither be demoted nor disabled.
func (s *Service) ChangePerson(ctx context.Context, p domain.Principal, id domain.ID, version int64, c PersonChange) (Person, error) {
	if err := c.check(); err != nil {
		return Person{}, err
	}
	now := s.Now()
	var r roster
	err := s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		r = roster{}
		if err := lockOwners(ctx, tx, id, c); err != nil {
			return err
		}
		b := &pgx.Batch{}
		pg.Changed(b, pg.Stale(), `UPDATE person SET name = coalesce($4, name), role = coalesce($5, role),
				disabled_at = CASE WHEN $6::bool THEN coalesce(disabled_at, $7) WHEN NOT $6::bool THEN NULL ELSE disabled_at END,
				epoch = epoch + CASE WHEN $5 IS DISTINCT FROM role AND $5 IS NOT NULL OR $6 IS NOT NULL THEN 1 ELSE 0 END,
				version = version + 1
			WHERE shop_id = $1 AND id = $2 AND ($3::bigint = -1 OR version = $3)`, p.Shop, id, version, c.Name, c.Role, c.Disabled, now)
		if c.Disabled != nil && *c.Disabled {
			b.Queue(`UPDATE session SET revoked_at = $3 WHERE shop_id = $1 AND person_id = $2 AND revoked_at IS NULL`, p.Shop, id, now)
		}
		if c.Competences != nil {
			queueCompetences(b, p.Shop, id, *c.Competences)
		}
		audit.Queue(b, tx.P, now, audit.Entry{Action: "changed", Entity: "person", ID: id, Fields: domain.Changed(
			"name", c.Name != nil, "role", c.Role != nil, "disabled", c.Disabled != nil, "competences", c.Competences != nil)})
		r.queue(b, p.Shop, id)
		return tx.Send(ctx, b)
	})
	if err != nil {
		return Person{}, err
	}
	return r.one()
}

func queueCompetences(b *pgx.Batch, shop, person domain.ID, cs []Competence) {
	b.Queue(`DELETE FROM competence WHERE shop_id = $1 AND person_id = $2`, shop, person)
	for _, k := range cs {
		b.Queue(`INSERT INTO competence (shop_id, person_id, name, certificate, expires_on) VALUES ($1, $2, $3, $4, $5)`,
			shop, person, k.Name, k.Certificate, k.ExpiresOn)
	}
}

// lockOwners locks the active owners, so that two of them cannot demote each
// other at once, and refuses to lose the last. It also tells an absent person
// from a stale version.
func lockOwners(ctx context.Context, tx *pg.Tx, id domain.ID, c PersonChange) error {
	rows, err := tx.Query(ctx, `SELECT id, role = 'owner' AND disabled_at IS NULL FROM person
		WHERE shop_id = $1 AND (id = $2 OR role = 'owner' AND disabled_at IS NULL) ORDER BY id FOR UPDATE`, tx.P.Shop, id)
	if err != nil {
		return err
	}
	owners, found, isOwner := 0, false, false
	var who domain.ID
	var owner bool
	_, err = pgx.ForEachRow(rows, []any{&who, &owner}, func() error {
		if owner {
			owners++
		}
		if who == id {
			found, isOwner = true, owner
		}
		return nil
	})
	if err != nil {
		return err
	}
	if !found {
		return domain.Absent()
	}
	loses := c.Role != nil && *c.Role != domain.Owner || c.Disabled != nil && *c.Disabled
	if isOwner && owners == 1 && loses {
		return domain.Errorf(domain.Conflict, "This is the shop's last owner. Make somebody else an owner first.")
	}
	return nil
}

// ChangePassword sets the principal's own password after checking the old one,
// and ends all their sessions.
func (s *Service) ChangePassword(ctx context.Context, p domain.Principal, old, password string) error {
	var ps domain.Problems
	checkPassword(&ps, "/password", password)
	if err := ps.Err(); err != nil {
		return err
	}
	var hash string
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		b.Queue(`SELECT password_hash FROM person WHERE shop_id = $1 AND id = $2`, p.Shop, p.Person).QueryRow(func(row pgx.Row) error { return row.Scan(&hash) })
	}); err != nil {
		return err
	}
	ok, _, err := s.Hasher.Matches(ctx, old, hash)
	if err != nil {
		return err
	}
	if !ok {
		return domain.Field("/old_password", "wrong", "The old password is wrong.")
	}
	fresh, err := s.Hasher.Hash(ctx, password)
	if err != nil {
		return err
	}
	now := s.Now()
	return s.DB.Write(ctx, p, nil, func(ctx context.Context, tx *pg.Tx) error {
		b := &pgx.Batch{}
		pg.Changed(b, pg.Stale(), `UPDATE person SET password_hash = $3, epoch = epoch + 1, version = version + 1
			WHERE shop_id = $1 AND id = $2 AND password_hash = $4`, p.Shop, p.Person, fresh, hash)
		b.Queue(`UPDATE session SET revoked_at = $3 WHERE shop_id = $1 AND person_id = $2 AND revoked_at IS NULL`, p.Shop, p.Person, now)
		audit.Queue(b, tx.P, now, audit.Entry{Action: "password_changed", Entity: "person", ID: p.Person})
		return tx.Send(ctx, b)
	})
}

// Competences gives the competences a person has on the day of at, queued into
// the caller's first round trip.
func Competences(b *pgx.Batch, shop, person domain.ID, at time.Time, dst *map[string]bool) {
	b.Queue(`SELECT name FROM competence WHERE shop_id = $1 AND person_id = $2 AND expires_on >= $3`,
		shop, person, domain.DateOf(at.UTC())).Query(func(rows pgx.Rows) error {
		names, err := pgx.CollectRows(rows, pgx.RowTo[string])
		*dst = map[string]bool{}
		for _, n := range names {
			(*dst)[n] = true
		}
		return err
	})
}

// QueueVisits asks whether a person works on visits: a tech, or an owner who
// does too, not disabled. It keeps the person from being disabled until the
// transaction ends. Nobody (zero) is not asked for: dst is true.
func QueueVisits(b *pgx.Batch, shop, person domain.ID, dst *bool) {
	if *dst = person.IsZero(); *dst {
		return
	}
	b.Queue(`SELECT role IN ('tech', 'owner') AND disabled_at IS NULL FROM person WHERE shop_id = $1 AND id = $2 FOR KEY SHARE`, shop, person).
		Query(func(rows pgx.Rows) error {
			_, err := pgx.ForEachRow(rows, []any{dst}, func() error { return nil })
			return err
		})
}

// QueueBookable reads who visits may be given to: active techs and owners.
func QueueBookable(b *pgx.Batch, shop domain.ID, dst *map[domain.ID]bool) {
	b.Queue(`SELECT id FROM person WHERE shop_id = $1 AND role IN ('tech', 'owner') AND disabled_at IS NULL`, shop).Query(func(rows pgx.Rows) error {
		ids, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
		*dst = map[domain.ID]bool{}
		for _, id := range ids {
			(*dst)[id] = true
		}
		return err
	})
}

// QueueHolders reads who holds a competence, with the day it expires on.
func QueueHolders(b *pgx.Batch, shop domain.ID, competence string, dst *map[domain.ID]domain.Date) {
	b.Queue(`SELECT person_id, expires_on FROM competence WHERE shop_id = $1 AND name = $2`, shop, competence).Query(func(rows pgx.Rows) error {
		held := map[domain.ID]domain.Date{}
		var id domain.ID
		var on domain.Date
		_, err := pgx.ForEachRow(rows, []any{&id, &on}, func() error { held[id] = on; return nil })
		*dst = held
		return err
	})
}
