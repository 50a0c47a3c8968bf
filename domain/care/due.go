package care

import (
	"time"

	"drumline/domain"
	"drumline/domain/customers"
)

// Basis says what a due date rests on.
type Basis string

// The bases. EachLoad has no date: the customer does it with every load.
const (
	FromCleaning Basis = "cleaning"
	FromInstall  Basis = "installed_on"
	Unknown      Basis = "unknown"
	EachLoad     Basis = "each_load"
)

// Months is the longest a lint path may go between cleanings, and MonthsHard
// the longest where lint settles sooner: a run that ends on the roof, or one
// longer than LongRun. Common practice, no source; the maker's instructions may
// ask for less.
const (
	Months     = 12
	MonthsHard = 6
)

// LongRun is the equivalent length of an exhaust run, in metres, above which it
// is cleaned twice a year: 25 ft, common practice, no source. bendLength is
// what a bend of 90 degrees counts for: 5 ft (1.524 m), as IRC 2021 table
// M1502.4.6.1 has it for a 4 inch mitred elbow.
const (
	LongRun    = 7.62
	bendLength = 1.524
)

// interval is how many months the lint path of a unit may go, and why that is
// less than usual.
func interval(u customers.Unit) (months int, why string) {
	e := u.Exhaust
	switch {
	case e == nil:
		return Months, ""
	case e.Termination == "roof":
		return MonthsHard, "the run ends on the roof"
	case equivalent(e.Transition)+equivalent(e.Concealed) > LongRun:
		return MonthsHard, "the run is longer than 25 ft with its bends"
	}
	return Months, ""
}

// equivalent is the length of a duct with its bends, in metres.
func equivalent(d *customers.Duct) float64 {
	if d == nil {
		return 0
	}
	sum := 0.0
	if d.Length != nil {
		sum = d.Length.SI
	}
	for _, b := range d.Bends {
		sum += bendLength * b.Degrees / 90 * float64(b.Count)
	}
	return sum
}

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
	Months int         // the longest it may go; 0 for what has no date
	Advice string      // of a shop's own task: what the householder may do
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

// rule is one care task of a kind of unit, or of one unit.
type rule struct {
	id, name, whose string
	scopes          []string
	months          int    // 0: with each load, without a date
	advice          string // what the householder may do; empty for what is built in
}

// builtIn are the tasks of a kind of unit. Washing the screen is the
// customer's, with each load: it stands apart so that it never moves the yearly
// date.
var builtIn = map[string][]rule{
	"electric_dryer": dryerRules,
	"gas_dryer":      dryerRules,
}

// LintPath is the built-in task of a dryer.
const LintPath = "lint_path"

var dryerRules = []rule{
	{LintPath, "Clean the lint path, from heater box to hood", ByUs, []string{Cabinet, Blower, TransitionDuct, Run, Hood}, Months, ""},
	{"screen", "Clean the lint screen", ByCustomer, []string{Screen}, 0, ""},
}

// of gives the tasks of a unit: what is built in, with the shop's own interval
// where it has one, and the shop's own tasks.
func (rs Rules) of(u customers.Unit) (tasks []rule, why string) {
	hard, why := interval(u)
	for _, r := range builtIn[u.Kind] {
		if r.months > 0 {
			r.months = hard
		}
		for _, o := range rs.Own {
			if o.Shortens == r.id && o.concerns(u) && o.Months < r.months {
				r.months, why = o.Months, "the shop asks for it"
			}
		}
		tasks = append(tasks, r)
	}
	for _, o := range rs.Own {
		if o.Shortens == "" && o.concerns(u) {
			tasks = append(tasks, rule{o.ID.String(), o.Name, o.Whose, o.Scopes, o.Months, o.Advice})
		}
	}
	return tasks, why
}

// Due derives the tasks of a unit: each scope is due Months after the last
// cleaning that covered it and was not voided, MonthsHard where the unit's run
// asks for it, or as the shop's own task has it; without a cleaning, that long
// after the installation; without that, nobody knows. A kind without care tasks
// gives none. What is ours and due once a year moves into the shop's season, see
// Rules. Dates are counted from the anchor and never from one another: 29
// February plus twelve months is 28 February, and plus forty-eight 29 February
// again.
func Due(u customers.Unit, cleanings []Cleaning, rs Rules) []Task {
	last, installedOn := lastByScope(cleanings), u.InstalledOn
	rules, why := rs.of(u)
	tasks := []Task{}
	for _, r := range rules {
		t := Task{ID: r.id, Name: r.name, Whose: r.whose, Months: r.months, Advice: r.advice}
		for _, scope := range r.scopes {
			s := rs.dueOf(scope, last[scope], installedOn, t)
			t.Scopes = append(t.Scopes, s)
			t.DueOn = earlier(t.DueOn, s.DueOn)
		}
		t.Reason = reason(t, installedOn, whyOf(t, why))
		tasks = append(tasks, t)
	}
	return tasks
}

// whyOf is why the interval of a task is shorter than usual: said of the lint
// path alone, whose interval the unit sets.
func whyOf(t Task, why string) string {
	if t.ID != LintPath {
		return ""
	}
	return why
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

func (rs Rules) dueOf(scope string, last Cleaning, installedOn domain.Date, t Task) ScopeDue {
	s := ScopeDue{Scope: scope, LastDoneOn: last.DoneOn, LastDoneBy: last.DoneBy}
	anchor := last.DoneOn
	switch {
	case t.Months == 0:
		s.Basis = EachLoad
		return s
	case !anchor.IsZero():
		s.Basis = FromCleaning
	case !installedOn.IsZero():
		s.Basis, anchor = FromInstall, installedOn
	default:
		s.Basis = Unknown
		return s
	}
	s.DueOn = anchor.AddMonths(t.Months)
	if t.Whose == ByUs && t.Months >= Months {
		if in := rs.inSeason(s.DueOn); !in.Before(anchor.AddMonths(t.Months / 2)) {
			s.DueOn = in
		}
	}
	return s
}

// inSeason is the latest day of the season that is not after d, d itself
// without a season or when it lies in it.
func (rs Rules) inSeason(d domain.Date) domain.Date {
	if rs.SeasonFrom == 0 || rs.holds(int(d.Month)) {
		return d
	}
	for m := int(d.Month); ; m = (m+10)%12 + 1 { // month by month backwards
		if rs.holds(m) {
			first := domain.Date{Year: d.Year, Month: time.Month(m), Day: 1}
			if m > int(d.Month) {
				first.Year--
			}
			return domain.DateOf(first.Time().AddDate(0, 1, -1))
		}
	}
}

// holds says whether a month is in the season, which may pass the new year.
func (rs Rules) holds(month int) bool {
	if rs.SeasonFrom <= rs.SeasonTo {
		return rs.SeasonFrom <= month && month <= rs.SeasonTo
	}
	return month >= rs.SeasonFrom || month <= rs.SeasonTo
}

// NameOf is the name of a built-in task; empty for any other.
func NameOf(task string) string {
	for _, rules := range builtIn {
		for _, r := range rules {
			if r.id == task {
				return r.name
			}
		}
	}
	return ""
}
