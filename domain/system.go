package domain

// System is a principal without a person: the service itself at work for one
// shop, where nobody has signed in yet (sign-in, invitation, a new shop) or
// nobody needs to (the reminder worker). reason names the work in the audit
// trail. No HTTP operation may hand one to a use case that takes a principal.
func System(shop ID, reason string) Principal {
	return Principal{Shop: shop, system: reason}
}

// SystemReason is the reason given to System, empty for a person.
func (p Principal) SystemReason() string { return p.system }
