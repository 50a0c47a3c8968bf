package history

import (
	"time"

	"drumline/domain"
	"drumline/domain/history/survival"
)

// Level is the confidence level of every interval.
const Level = 0.95

// Filter chooses what is asked about; zero values choose all.
type Filter struct {
	From, Until domain.Date // repairs closed from the first day on, before the second
	Kind        string
	Model       string // as it is compared: letters and digits, upper case
	Part        string
	PartSource  string
	Fault       string
	Complaint   string
	Tech        domain.ID // who concluded
}

// IsZero says whether the filter chooses all.
func (f Filter) IsZero() bool { return f == Filter{} }

// check refuses a filter that can choose nothing.
func (f Filter) check() error {
	if !f.From.IsZero() && !f.Until.IsZero() && !f.From.Before(f.Until) {
		return domain.Field("/until", "before_from", "until is the day after the last one that counts: give one after from.")
	}
	return nil
}

// args are the parameters of the statements over repairs and jobs, from $2 on.
func (f Filter) args(shop domain.ID, cut domain.Date) []any {
	return []any{shop, f.From, f.Until, f.Kind, f.Model, f.Part, f.PartSource, f.Fault, f.Complaint, f.Tech, cut}
}

// chosenRepairs and chosenJobs are the conditions of a Filter, args being the
// parameters. What was closed after the data cut is left out.
const (
	chosenRepairs = `WHERE shop_id = $1 AND ($2::date IS NULL OR closed_on >= $2) AND ($3::date IS NULL OR closed_on < $3)
		AND ($4 = '' OR kind = $4) AND ($5 = '' OR model = $5) AND ($6 = '' OR part = $6) AND ($7 = '' OR part_source = $7)
		AND ($8 = '' OR fault = $8) AND ($9 = '' OR complaint = $9) AND ($10::uuid IS NULL OR tech_id = $10) AND closed_on <= $11`
	chosenJobs = `WHERE shop_id = $1 AND ($2::date IS NULL OR closed_on >= $2) AND ($3::date IS NULL OR closed_on < $3)
		AND ($4 = '' OR kind = $4) AND ($5 = '' OR model = $5) AND ($6 = '' OR $6 = ANY (parts)) AND ($7 = '' OR $7 = ANY (part_sources))
		AND ($8 = '' OR $8 = ANY (faults)) AND ($9 = '' OR complaint = $9) AND ($10::uuid IS NULL OR tech_id = $10) AND closed_on <= $11`
)

// Basis is what every answer says of itself: what it rests on, how it was
// made, whether it may be relied on, and the same in one sentence.
type Basis struct {
	Units        int
	Repairs      int             // rows: repairs of a fault, or jobs, as Method says
	Events       int             // returns among them
	ExposureDays int             // days watched, of all rows
	AtRisk       int             // rows still watched at the horizon of the answer
	CutOn        domain.Date     // nothing later is known
	Method       string          // how the figure was made
	Level        float64         // of its intervals
	Status       survival.Status // ok, or why there is no figure
	Sentence     string
}

// today is the data cut: the civil date in the shop's zone.
func today(now time.Time, zone *time.Location) domain.Date { return domain.DateOf(now.In(zone)) }
