package history

import (
	"slices"

	"github.com/jackc/pgx/v5"

	"drumline/domain"
	"drumline/domain/history/survival"
)

// The causes that end the watch over a repair.
const (
	sameFault  = 1
	otherFault = 2
)

// repair is one repaired fault. Days are counted from 1 January 2000. Unit
// numbers the units of one answer. Label and Stratum are what the question
// groups by.
type repair struct {
	Unit          int
	Closed, Ended int // Ended is -1 while it is watched
	Cause         int
	Label         string
	Stratum       string
}

// exit is how many days the repair was watched, and what ended that. A return
// on the day of the fix is day 1. ok is false when it was fixed on the day of
// the cut and nothing has been seen of it yet.
func (r repair) exit(cut int) (days, cause int, ok bool) {
	if r.Ended < 0 || r.Ended > cut {
		return cut - r.Closed, 0, cut > r.Closed
	}
	days = r.Ended - r.Closed
	if r.Cause != 0 {
		days = max(1, days)
	}
	return days, r.Cause, days > 0
}

// rowsOf are the repairs as survival takes them.
func rowsOf(rs []repair, cut int) []survival.Row {
	out := make([]survival.Row, 0, len(rs))
	for _, r := range rs {
		if days, cause, ok := r.exit(cut); ok {
			out = append(out, survival.Row{Exit: days, Cause: cause, Unit: r.Unit})
		}
	}
	return out
}

// dayNumber counts a date from 1 January 2000.
func dayNumber(d domain.Date) int { return int(d.Time().Unix()/86400) - 10957 }

// dateOfDay is the date of a day number.
func dateOfDay(n int) domain.Date { return domain.DateOf(epoch.AddDate(0, 0, n)) }

var epoch = domain.Date{Year: 2000, Month: 1, Day: 1}.Time()

// numbering gives each unit the next number when it is first met.
type numbering map[domain.ID]int

func (n numbering) of(id domain.ID) int {
	k, ok := n[id]
	if !ok {
		k = len(n) + 1
		n[id] = k
	}
	return k
}

// words keeps one copy of each text that comes again and again.
type words map[string]string

func (w words) of(b []byte) string {
	if s, ok := w[string(b)]; ok {
		return s
	}
	s := string(b)
	w[s] = s
	return s
}

// queueRepairs reads the repairs a filter chooses, labelled by a column or
// expression of history_repair each.
func queueRepairs(b *pgx.Batch, shop domain.ID, f Filter, cut domain.Date, label, stratum string, dst *[]repair) {
	b.Queue(`SELECT unit_id, closed_on - date '2000-01-01', coalesce(ended_on - date '2000-01-01', -1), cause, `+label+`, `+stratum+`
		FROM history_repair `+chosenRepairs, f.args(shop, cut)...).Query(func(rows pgx.Rows) error {
		*dst = nil
		return scanRepairs(rows, dst)
	})
}

// queueParts is queueRepairs with the life of the part in the place of the
// return of the fault, of the repairs that fitted one.
func queueParts(b *pgx.Batch, shop domain.ID, f Filter, cut domain.Date, label string, dst *[]repair) {
	b.Queue(`SELECT unit_id, closed_on - date '2000-01-01', coalesce(part_ended_on - date '2000-01-01', -1), part_failed::int, `+label+`, ''
		FROM history_repair `+chosenRepairs+` AND part_number <> ''`, f.args(shop, cut)...).Query(func(rows pgx.Rows) error {
		*dst = nil
		return scanRepairs(rows, dst)
	})
}

// scanRepairs reads the rows in an order that does not depend on the plan.
func scanRepairs(rows pgx.Rows, dst *[]repair) error {
	units, texts := numbering{}, words{}
	var r repair
	var unit domain.ID
	var label, stratum []byte
	_, err := pgx.ForEachRow(rows, []any{&unit, &r.Closed, &r.Ended, &r.Cause, &label, &stratum}, func() error {
		r.Unit, r.Label, r.Stratum = units.of(unit), texts.of(label), texts.of(stratum)
		*dst = append(*dst, r)
		return nil
	})
	return err
}

// groupsOf gathers repairs by label, in order of the labels.
func groupsOf(rs []repair) (names []string, of map[string][]repair) {
	of = map[string][]repair{}
	for _, r := range rs {
		of[r.Label] = append(of[r.Label], r)
	}
	for name := range of {
		names = append(names, name)
	}
	slices.Sort(names)
	return names, of
}

// job is one call that ended with something found on the unit.
type job struct {
	Unit           int
	Opened, Closed int
	Retired        int // -1: in use
	Back           int // -1: not yet
	Returned       bool
	Visits         int
}

// asRepair is the job as a repair that its complaint may bring back.
func (j job) asRepair() repair {
	r := repair{Unit: j.Unit, Closed: j.Closed, Ended: j.Retired}
	if j.Back >= 0 {
		r.Ended, r.Cause = j.Back, sameFault
	}
	return r
}

// queueJobs reads the jobs a filter chooses, oldest first.
func queueJobs(b *pgx.Batch, shop domain.ID, f Filter, cut domain.Date, dst *[]job) {
	b.Queue(`SELECT unit_id, opened_on - date '2000-01-01', closed_on - date '2000-01-01', coalesce(retired_on - date '2000-01-01', -1),
			coalesce(back_on - date '2000-01-01', -1), returned, visits
		FROM history_job `+chosenJobs, f.args(shop, cut)...).Query(func(rows pgx.Rows) error {
		*dst = nil
		units := numbering{}
		var j job
		var unit domain.ID
		_, err := pgx.ForEachRow(rows, []any{&unit, &j.Opened, &j.Closed, &j.Retired, &j.Back, &j.Returned, &j.Visits}, func() error {
			j.Unit = units.of(unit)
			*dst = append(*dst, j)
			return nil
		})
		return err
	})
}
