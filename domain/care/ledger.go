package care

import (
	"time"

	"drumline/domain"
)

// reminderState is where an entry of the ledger stands.
type reminderState string

// The states of an entry. A mailed one stands where its mail does.
const (
	planned    reminderState = "planned"
	mailed     reminderState = "mailed"
	superseded reminderState = "superseded" // another message says it, or it is no longer so
	missed     reminderState = "missed"     // its time has passed unsent
	suppressed reminderState = "suppressed" // nobody may or can be written to
)

// MailState is where a mail stands.
type MailState string

// The states of a mail. Handed is stored before the server is given the text:
// a mail that is found handed, its lease over, may or may not have arrived.
const (
	Claimed    MailState = "claimed"
	Handed     MailState = "handed"
	Accepted   MailState = "accepted"
	SoftFailed MailState = "soft_failed" // to be tried again at NextAt
	HardFailed MailState = "hard_failed" // refused for good
	Suppressed MailState = "suppressed"
	Superseded MailState = "superseded"
	Missed     MailState = "missed"
	Ambiguous  MailState = "ambiguous" // tried again once, and nobody knows again
)

// Kind is what a message is about.
type Kind string

// The kinds of messages.
const (
	AboutCare     Kind = "care"
	AboutVisit    Kind = "visit"          // it is booked, moved or cancelled
	AboutTomorrow Kind = "visit_tomorrow" // it is tomorrow
	AboutReport   Kind = "report"         // the report of a call can be read
)

// Reminder is one entry of the ledger: what is to be written, about what, how
// long ahead.
type Reminder struct {
	ID         domain.ID     `db:"id"`
	Kind       Kind          `db:"kind"`
	CustomerID domain.ID     `db:"customer_id"`
	UnitID     domain.ID     `db:"unit_id"`
	Task       string        `db:"task"`
	DueOn      domain.Date   `db:"due_on"` // of the task; the day of the visit or of the report
	LeadDays   int           `db:"lead_days"`
	VisitID    domain.ID     `db:"visit_id"`
	Revision   int64         `db:"revision"` // of the visit
	CallID     domain.ID     `db:"call_id"`
	State      reminderState `db:"state"`
	NotBefore  time.Time     `db:"not_before"`
	UselessAt  time.Time     `db:"useless_at"`
	MailID     domain.ID     `db:"mail_id"`
	PlannedAt  time.Time     `db:"planned_at"`
	Reason     string        `db:"reason"`
}

const reminderColumns = `id, kind, customer_id, unit_id, task, due_on, lead_days, visit_id, revision, call_id, state, not_before, useless_at, mail_id, planned_at, reason`

// Mail is one e-mail to one customer, about one or several reminders.
type Mail struct {
	ID         domain.ID   `db:"id"`
	Kind       Kind        `db:"kind"`
	CustomerID domain.ID   `db:"customer_id"`
	Day        domain.Date `db:"day"`
	MessageID  string      `db:"message_id"`
	State      MailState   `db:"state"`
	Attempt    int         `db:"attempt"`
	Ambiguous  int         `db:"ambiguous"` // attempts whose end nobody knows
	NextAt     time.Time   `db:"next_at"`
	UselessAt  time.Time   `db:"useless_at"`
	HandedAt   *time.Time  `db:"handed_at"`
	CreatedAt  time.Time   `db:"created_at"`
	SettledAt  *time.Time  `db:"settled_at"`
	Reply      string      `db:"reply"`
}

const mailColumns = `id, kind, customer_id, day, message_id, state, attempt, ambiguous, next_at, useless_at, handed_at, created_at, settled_at, reply`
