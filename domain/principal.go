package domain

import "slices"

// Role is what a person may do in their shop.
type Role string

// The roles. An owner may do everything a dispatcher and a tech may.
const (
	Owner      Role = "owner"
	Dispatcher Role = "dispatcher"
	Tech       Role = "tech"
)

// Roles is a set of roles an operation is open to.
type Roles []Role

// Anyone is every role.
func Anyone() Roles { return Roles{Owner, Dispatcher, Tech} }

// Allow says whether r is in the set.
func (rs Roles) Allow(r Role) bool { return slices.Contains(rs, r) }

// Principal is who acts: a person of a shop in a session. Needs is what the
// operation demands; the first statements of each transaction compare all of
// it with the stored person, so a disabled or demoted one loses access at once.
type Principal struct {
	Shop    ID
	Person  ID
	Session ID
	Role    Role
	Epoch   int64 // raised when rights change; an older token is refused
	Needs   Roles
	Request string // request id, for the audit trail
	Edition int64  // of the shop's own catalogue content; known within a transaction that writes
	system  string // see System
}
