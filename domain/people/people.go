// Package people holds shops and the persons who sign in: roles, competences
// that expire, passwords, sessions and invitations.
package people

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/shared/pg"
)

// Service is the use cases of this slice. All fields are required.
type Service struct {
	DB         *pg.DB
	Keys       *Keyring
	Hasher     *Hasher
	Now        func() time.Time
	AccessLife time.Duration // of an access token
}

// RefreshLife is how long a refresh token may lie unused.
const RefreshLife = 30 * 24 * time.Hour

// Competence is a licence or training that expires. Names: live (work on live
// parts), gas, refrigerant.
type Competence struct {
	Name        string
	Certificate string
	ExpiresOn   domain.Date
}

// Person is someone who signs in.
type Person struct {
	ID          domain.ID
	Name        string
	Email       string
	Role        domain.Role
	Competences []Competence
	Version     int64
	CreatedAt   time.Time
	DisabledAt  *time.Time
}

// Shop is one repair business.
type Shop struct {
	ID        domain.ID
	Code      string
	Name      string
	TimeZone  string
	Decision  DecisionRule
	Version   int64
	CreatedAt time.Time
}

// DecisionRule is how sure the shop wants a verdict to be: a value conforms
// when the probability that it is within its limits is at least Accept, does
// not when it is at most Reject, and between them nobody can tell
// (JCGM 106:2012). 0.5 < Accept < 1 and 0 < Reject < 0.5.
type DecisionRule struct{ Accept, Reject float64 }

// DefaultDecision is the rule of a shop that has stated none.
func DefaultDecision() DecisionRule { return DecisionRule{Accept: 0.95, Reject: 0.05} }

// Access is the pg.Access of the service: it compares the principal with the
// stored person, session and shop, so a disabled person, a demotion, a changed
// password or a sign-out takes effect with the very next request.
func Access(b *pgx.Batch, p *domain.Principal) {
	b.Queue(`SELECT p.role, p.epoch, p.disabled_at IS NULL AND s.revoked_at IS NULL AND h.retired_at IS NULL, h.edition
		FROM person p
		JOIN session s ON s.shop_id = p.shop_id AND s.person_id = p.id
		JOIN shop h ON h.shop_id = p.shop_id
		WHERE p.shop_id = $1 AND p.id = $2 AND s.id = $3`, p.Shop, p.Person, p.Session).QueryRow(func(row pgx.Row) error {
		var role domain.Role
		var epoch, edition int64
		var live bool
		if err := row.Scan(&role, &epoch, &live, &edition); err != nil || !live || epoch != p.Epoch {
			return domain.Errorf(domain.Unauthenticated, "Your access has ended. Sign in again.")
		}
		p.Role, p.Edition = role, edition
		if !p.Needs.Allow(role) {
			return domain.Errorf(domain.Forbidden, "Your role does not allow this.")
		}
		return nil
	})
}

// checkName refuses an empty, overlong or unprintable name.
func checkName(ps *domain.Problems, pointer, name string) {
	if n := utf8.RuneCountInString(name); n < 1 || n > 120 || strings.TrimSpace(name) != name || hasControl(name) {
		ps.Add(pointer, "name", "A name has 1 to 120 characters, no line breaks, and no spaces at its ends.")
	}
}

// checkEmail refuses what cannot be an ordinary address. Quoted local parts
// are legal (RFC 5321, 4.1.2) but have smuggled parameters into mail servers;
// nobody uses them.
func checkEmail(ps *domain.Problems, pointer, email string) {
	if !ValidEmail(email) {
		ps.Add(pointer, "email", "Give an e-mail address like name@example.com.")
	}
}

// ValidEmail says whether email is an address the service will write to.
func ValidEmail(email string) bool {
	local, host, ok := strings.Cut(email, "@")
	if !ok || local == "" || len(local) > 64 || len(email) > 254 || strings.Contains(host, "@") || !strings.Contains(host, ".") {
		return false
	}
	if strings.ContainsAny(email, "\"<>()[],;:\\ ") || strings.Contains(email, "..") {
		return false
	}
	for _, s := range []string{local, host} {
		if strings.HasPrefix(s, ".") || strings.HasSuffix(s, ".") || hasControl(s) {
			return false
		}
	}
	return true
}

func hasControl(s string) bool { return strings.ContainsFunc(s, unicode.IsControl) }

func checkRole(ps *domain.Problems, pointer string, r domain.Role) {
	if !domain.Anyone().Allow(r) {
		ps.Add(pointer, "role", "A role is owner, dispatcher or tech.")
	}
}

func checkZone(ps *domain.Problems, pointer, zone string) {
	if !ValidZone(zone) {
		ps.Add(pointer, "time_zone", "A time zone is an IANA name such as America/Denver.")
	}
}

// ValidZone says whether zone is an IANA time zone name.
func ValidZone(zone string) bool {
	if zone == "" || zone == "Local" {
		return false
	}
	_, err := time.LoadLocation(zone)
	return err == nil
}
