package repair

import (
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// Reading is one check as done, with its current verdicts.
type Reading struct {
	ID             domain.ID       `db:"id"`
	CallID         domain.ID       `db:"call_id"`
	VisitID        domain.ID       `db:"visit_id"`
	Check          string          `db:"check_id"`
	Position       string          `db:"position"`
	Phase          diagnosis.Phase `db:"phase"`
	ObservedAt     time.Time       `db:"observed_at"`
	RecordedAt     time.Time       `db:"recorded_at"`
	PersonID       domain.ID       `db:"person_id"`
	InstrumentID   domain.ID       `db:"instrument_id"` // zero: unknown
	Method         string          `db:"method"`        // of the instrument, as it was then
	Percent        float64         `db:"percent"`       // % of reading
	Counts         float64         `db:"counts"`
	Resolution     float64         `db:"resolution"` // SI
	Overdue        bool            `db:"overdue"`    // calibration past due
	Lead           float64         `db:"lead_ohm"`   // ohm, the leads shorted
	IsolationID    domain.ID       `db:"isolation_id"`
	NotDone        string          `db:"not_done"` // the reason; empty when it was done
	Note           string          `db:"note"`
	SetAside       bool            `db:"set_aside"` // taken without the competence it needs
	Countersigner  domain.ID       `db:"countersigned_by"`
	CountersignAt  *time.Time      `db:"countersigned_at"`
	CatalogueAt    int             `db:"catalogue_version"` // version of the kind's catalogue it was entered by
	Points         int             `db:"points"`            // of its series; 0 for none
	SeriesUnit     string          `db:"series_unit"`
	VoidedAt       *time.Time      `db:"voided_at"`
	VoidedBy       domain.ID       `db:"voided_by"`
	VoidReason     string          `db:"void_reason"`
	Edition        int64           `db:"edition"` // of the shop's own content, by which the call is judged
	Values         []Value         `db:"-"`
	Verdicts       []Verdict       `db:"-"`
	recordedSeries *diagnosis.Series
}

// Weighs says whether the reading counts as evidence.
func (r *Reading) Weighs() bool { return r.VoidedAt == nil && !r.waits() }

// waits says whether a competent person has still to countersign.
func (r *Reading) waits() bool { return r.SetAside && r.CountersignAt == nil }

// Series gives the logged run in SI, nil when there is none or it was not read.
func (r *Reading) Series() *diagnosis.Series { return r.recordedSeries }

const readingColumns = `id, call_id, visit_id, check_id, position, phase, observed_at, recorded_at, person_id, instrument_id, method, percent,
	counts, resolution, overdue, lead_ohm, isolation_id, not_done, note, set_aside, countersigned_by, countersigned_at, catalogue_version,
	cardinality(series_t) AS points, series_unit, voided_at, voided_by, void_reason,
	(SELECT c.edition FROM call c WHERE c.shop_id = reading.shop_id AND c.id = reading.call_id) AS edition`

// Value is one entered value: as written, and in SI.
type Value struct {
	Reading domain.ID `db:"reading_id"`
	Input   string    `db:"input"`
	N       int       `db:"n"`       // counts the values of one input
	Entered string    `db:"entered"` // a number as typed, or a choice
	Unit    string    `db:"unit"`    // UCUM code; empty for a choice
	SI      *float64  `db:"si"`      // nil for a choice and for over range
	Over    bool      `db:"over_range"`
}

const valueColumns = `reading_id, input, n, entered, unit, si, over_range`

// Verdict is what a reading means for one part, as derived once.
type Verdict struct {
	ID             domain.ID          `db:"id"`
	Reading        domain.ID          `db:"reading_id"`
	CallID         domain.ID          `db:"call_id"`
	N              int                `db:"n"`
	Part           string             `db:"part"`
	Outcome        diagnosis.Outcome  `db:"outcome"`
	Fault          string             `db:"fault"`
	Finding        string             `db:"finding"`
	Probability    float64            `db:"probability"`
	Explains       catalogue.Explains `db:"explains"`
	Measured       *float64           `db:"measured"`    // SI
	Uncertainty    float64            `db:"uncertainty"` // SI
	LimitLow       *float64           `db:"limit_low"`   // SI
	LimitHigh      *float64           `db:"limit_high"`  // SI
	LimitUnit      string             `db:"limit_unit"`
	LimitMark      catalogue.Mark     `db:"limit_mark"`
	LimitOrigin    string             `db:"limit_origin"` // empty: there was no limit
	LimitConfirmed bool               `db:"limit_confirmed"`
	Sentence       string             `db:"sentence"`
	Do             string             `db:"do_next"`
	Missing        string             `db:"missing"`
	Accept         float64            `db:"decision_accept"` // the rule it was judged by
	Reject         float64            `db:"decision_reject"`
	EngineVersion  string             `db:"engine_version"`
	Basis          string             `db:"basis"`
	DerivedAt      time.Time          `db:"derived_at"`
	SupersededBy   domain.ID          `db:"superseded_by"`
}

const verdictColumns = `id, reading_id, call_id, n, part, outcome, fault, finding, probability, explains, measured, uncertainty, limit_low,
	limit_high, limit_unit, limit_mark, limit_origin, limit_confirmed, sentence, do_next, missing,
	decision_accept, decision_reject, engine_version, basis, derived_at, superseded_by`

// asJudged gives the reading in the engine's words.
func (r *Reading) asJudged() diagnosis.Judged {
	j := diagnosis.Judged{Reading: r.asReading()}
	for _, v := range r.Verdicts {
		j.Verdicts = append(j.Verdicts, v.asVerdict())
	}
	return j
}

func (r *Reading) asReading() diagnosis.Reading {
	d := diagnosis.Reading{ID: r.ID.String(), Check: r.Check, Position: r.Position, Phase: r.Phase, At: r.ObservedAt, Series: r.recordedSeries,
		Lead: r.Lead, NotDone: r.NotDone, SetAside: r.waits()}
	if !r.InstrumentID.IsZero() {
		d.Instrument = &diagnosis.Instrument{ID: r.InstrumentID.String(), Method: r.Method, Percent: r.Percent, Counts: r.Counts, Resolution: r.Resolution, Overdue: r.Overdue}
	}
	if len(r.Values) > 0 {
		d.Values = map[string][]diagnosis.Value{}
	}
	for _, v := range r.Values {
		d.Values[v.Input] = append(d.Values[v.Input], v.asValue())
	}
	return d
}

func (v Value) asValue() diagnosis.Value {
	switch {
	case v.Over:
		return diagnosis.Value{Unit: v.Unit, Over: true}
	case v.SI != nil:
		return diagnosis.Value{SI: *v.SI, Unit: v.Unit}
	}
	return diagnosis.Value{Choice: v.Entered}
}

func (v Verdict) asVerdict() diagnosis.Verdict {
	d := diagnosis.Verdict{Part: v.Part, Outcome: v.Outcome, Fault: v.Fault, Finding: v.Finding, Probability: v.Probability, Explains: v.Explains,
		Measured: v.Measured, Uncertainty: v.Uncertainty, Sentence: v.Sentence, Do: v.Do, Missing: v.Missing}
	if v.LimitOrigin != "" {
		d.Limit = &diagnosis.Limit{Low: v.LimitLow, High: v.LimitHigh, Unit: v.LimitUnit, Mark: v.LimitMark, Origin: v.LimitOrigin, Confirmed: v.LimitConfirmed}
	}
	return d
}

// verdictOf is the row of the engine's n-th verdict on a reading.
func verdictOf(d diagnosis.Verdict, r *Reading, n int, rule people.DecisionRule, basis string, now time.Time) Verdict {
	v := Verdict{ID: domain.NewID(now), Reading: r.ID, CallID: r.CallID, N: n, Part: d.Part, Outcome: d.Outcome, Fault: d.Fault, Finding: d.Finding,
		Probability: d.Probability, Explains: d.Explains, Measured: d.Measured, Uncertainty: d.Uncertainty, Sentence: d.Sentence, Do: d.Do,
		Missing: d.Missing, Accept: rule.Accept, Reject: rule.Reject, EngineVersion: diagnosis.EngineVersion, Basis: basis, DerivedAt: now}
	if l := d.Limit; l != nil {
		v.LimitLow, v.LimitHigh, v.LimitUnit, v.LimitMark, v.LimitOrigin, v.LimitConfirmed = l.Low, l.High, l.Unit, l.Mark, l.Origin, l.Confirmed
	}
	return v
}

// queueInsert writes the reading with its values and verdicts.
func (r *Reading) queueInsert(b *pgx.Batch, shop domain.ID) {
	s := r.recordedSeries
	if s == nil {
		s = &diagnosis.Series{}
	}
	b.Queue(`INSERT INTO reading (shop_id, id, call_id, visit_id, check_id, position, phase, observed_at, recorded_at, person_id, instrument_id,
			method, percent, counts, resolution, overdue, lead_ohm, isolation_id, not_done, note, set_aside, catalogue_version,
			series_t, series_value, series_closed, series_unit)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22,
			coalesce($23::float8[], '{}'), coalesce($24::float8[], '{}'), coalesce($25::boolean[], '{}'), $26)`,
		shop, r.ID, r.CallID, r.VisitID, r.Check, r.Position, r.Phase, r.ObservedAt, r.RecordedAt, r.PersonID, r.InstrumentID,
		r.Method, r.Percent, r.Counts, r.Resolution, r.Overdue, r.Lead, r.IsolationID, r.NotDone, r.Note, r.SetAside, r.CatalogueAt,
		s.T, s.Value, s.Closed, r.SeriesUnit)
	queueValues(b, shop, r.Values)
	queueVerdicts(b, shop, r.Verdicts)
}

func queueValues(b *pgx.Batch, shop domain.ID, vs []Value) {
	for _, v := range vs {
		b.Queue(`INSERT INTO reading_value (shop_id, `+valueColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			shop, v.Reading, v.Input, v.N, v.Entered, v.Unit, v.SI, v.Over)
	}
}

func queueVerdicts(b *pgx.Batch, shop domain.ID, vs []Verdict) {
	for _, v := range vs {
		b.Queue(`INSERT INTO verdict (shop_id, id, reading_id, call_id, n, part, outcome, fault, finding, probability, explains, measured, uncertainty,
				limit_low, limit_high, limit_unit, limit_mark, limit_origin, limit_confirmed, sentence, do_next, missing,
				decision_accept, decision_reject, engine_version, basis, derived_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26, $27)`,
			shop, v.ID, v.Reading, v.CallID, v.N, v.Part, v.Outcome, v.Fault, v.Finding, v.Probability, v.Explains, v.Measured, v.Uncertainty,
			v.LimitLow, v.LimitHigh, v.LimitUnit, v.LimitMark, v.LimitOrigin, v.LimitConfirmed, v.Sentence, v.Do, v.Missing, v.Accept, v.Reject,
			v.EngineVersion, v.Basis, v.DerivedAt)
	}
}

// callOfReading gives the call of a reading: $1 is the shop, $2 the reading.
const callOfReading = `SELECT call_id FROM reading WHERE shop_id = $1 AND id = $2`

// readingsOfCall reads the readings of a call, voided ones among them, by time
// of observation, with values and current verdicts but without series.
func readingsOfCall(b *pgx.Batch, shop domain.ID, callOf string, arg domain.ID, dst *readingRows) {
	pg.All(b, &dst.readings, `SELECT `+readingColumns+` FROM reading WHERE shop_id = $1 AND call_id = (`+callOf+`) ORDER BY observed_at, id`, shop, arg)
	pg.All(b, &dst.values, `SELECT `+valueColumns+` FROM reading_value WHERE shop_id = $1
		AND reading_id = ANY (ARRAY(SELECT id FROM reading WHERE shop_id = $1 AND call_id = (`+callOf+`))) ORDER BY reading_id, input, n`, shop, arg)
	pg.All(b, &dst.verdicts, `SELECT `+verdictColumns+` FROM verdict WHERE shop_id = $1 AND call_id = (`+callOf+`) AND superseded_by IS NULL
		ORDER BY reading_id, n`, shop, arg)
}

// readingRows is what the queries for readings give.
type readingRows struct {
	readings []Reading
	values   []Value
	verdicts []Verdict
}

// joined puts values and verdicts into their readings.
func (q *readingRows) joined() []*Reading {
	of := make(map[domain.ID]*Reading, len(q.readings))
	out := make([]*Reading, 0, len(q.readings))
	for i := range q.readings {
		r := &q.readings[i]
		r.Values, r.Verdicts = []Value{}, []Verdict{}
		of[r.ID] = r
		out = append(out, r)
	}
	for _, v := range q.values {
		of[v.Reading].Values = append(of[v.Reading].Values, v)
	}
	for _, v := range q.verdicts {
		of[v.Reading].Verdicts = append(of[v.Reading].Verdicts, v)
	}
	return out
}
