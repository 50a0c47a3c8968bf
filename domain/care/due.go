package care

import "drumline/domain"

// Basis says what a due date rests on.
type Basis string

// The bases. EachLoad has no date: the customer does it with every load.
const (
	FromCleaning Basis = "cleaning"
	FromInstall  Basis = "installed_on"
	Unknown      Basis = "unknown"
	EachLoad     Basis = "each_load"
)

// Months is the longest a lint path may go between cleanings. Common practice,
// no source; the maker's instructions may ask for less.
const Months = 12

// ScopeDue is when one scope of a task is due.
type ScopeDue struct {
	Scope      string
	LastDoneOn domain.Date // zero: no cleaning on record
	LastDoneBy string
	DueOn      domain.Date // zero: not known, or with each load
	Basis      Basis
}

// Task is one care task of a unit.
type Task struct {
	ID     string
	Name   string
	Whose  string // who does it: us or customer
	Scopes []ScopeDue
	DueOn  domain.Date // the earliest of its scopes; zero when none has a date
	Reason string      // why it is due then, or why nothing is known
}

// Overdue says whether a due date has passed on the day today. The day itself
// is not late, and no date is never late.
func Overdue(due, today domain.Date) bool { return !due.IsZero() && due.Before(today) }

// Next is the earliest due date of all tasks, zero when none has one.
func Next(tasks []Task) domain.Date {
	var next domain.Date
	for _, t := range tasks {
		next = earlier(next, t.DueOn)
	}
	return next
}

func earlier(a, b domain.Date) domain.Date {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

type taskRule struct {
	id, name, whose string
	scopes          []string
	yearly          bool
}

// rules of a kind of unit. Washing the screen is the customer's, with each
// load: it stands apart so that it never moves the yearly date.
var rules = map[string][]taskRule{
	"electric_dryer": dryerRules,
	"gas_dryer":      dryerRules,
}

var dryerRules = []taskRule{
	{"lint_path", "Clean the lint path, from heater box to hood", ByUs, []string{Cabinet, Blower, TransitionDuct, Run, Hood}, true},
	{"screen", "Clean the lint screen", ByCustomer, []string{Screen}, false},
}

// Due derives the tasks of a unit of the kind: each scope is due Months after
// the last cleaning that covered it and was not voided; without one, Months
// after the installation; without that, nobody knows. A kind without care
// tasks gives none. 29 February plus twelve months is 28 February.
func Due(kind string, cleanings []Cleaning, installedOn domain.Date) []Task {
	last := lastByScope(cleanings)
	tasks := []Task{}
	for _, r := range rules[kind] {
		t := Task{ID: r.id, Name: r.name, Whose: r.whose}
		for _, scope := range r.scopes {
			s := dueOf(scope, last[scope], installedOn, r.yearly)
			t.Scopes = append(t.Scopes, s)
			t.DueOn = earlier(t.DueOn, s.DueOn)
		}
		t.Reason = reason(t, installedOn)
		tasks = append(tasks, t)
	}
	return tasks
}

// lastByScope is the latest live cleaning of each scope, whatever the order of
// the list.
func lastByScope(cleanings []Cleaning) map[string]Cleaning {
	last := map[string]Cleaning{}
	for _, c := range cleanings {
		if c.VoidedAt != nil {
			continue
		}
		for _, scope := range c.Scopes {
			if l, ok := last[scope]; !ok || l.DoneOn.Before(c.DoneOn) {
				last[scope] = c
			}
		}
	}
	return last
}

func dueOf(scope string, last Cleaning, installedOn domain.Date, yearly bool) ScopeDue {
	s := ScopeDue{Scope: scope, LastDoneOn: last.DoneOn, LastDoneBy: last.DoneBy}
	switch {
	case !yearly:
		s.Basis = EachLoad
	case !last.DoneOn.IsZero():
		s.Basis, s.DueOn = FromCleaning, last.DoneOn.AddMonths(Months)
	case !installedOn.IsZero():
		s.Basis, s.DueOn = FromInstall, installedOn.AddMonths(Months)
	default:
		s.Basis = Unknown
	}
	return s
}
