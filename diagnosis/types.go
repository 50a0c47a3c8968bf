// Package diagnosis turns readings into verdicts and verdicts into an
// assessment. It is pure: no database, no network, no clock, no logger. Given
// the same arguments it gives the same answer.
//
// Units: SI inside. Temperatures are kelvin, resistances ohm, pressures
// pascal, velocities metre per second, times second.
package diagnosis

import (
	"time"

	"drumline/diagnosis/airflow"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// EngineVersion names the rules a verdict was derived with. It changes when a
// verdict could come out differently for the same reading.
const EngineVersion = "2"

// Phase says when in the life of a call a reading was taken.
type Phase string

// The phases: as found, after an action, and proving the repaired machine.
const (
	AsFound      Phase = "as_found"
	AfterAction  Phase = "after_action"
	Verification Phase = "verification"
)

// Outcome is what a reading says of a part.
type Outcome string

// The outcomes.
const (
	Conforms       Outcome = "conforms"
	DoesNotConform Outcome = "does_not_conform"
	Inconclusive   Outcome = "inconclusive"
)

// Value is one observed value of one input.
type Value struct {
	SI     float64 // in the SI unit of the input's quantity
	Unit   string  // UCUM code as entered; sentences speak in it
	Choice string  // of a choice input
	Over   bool    // the meter showed over range: no number
}

// Series is a logged run, as columns of one length. T is seconds from the
// start, strictly increasing. Value is SI. Closed is empty for a run without a
// contact.
type Series struct {
	T      []float64
	Value  []float64
	Closed []bool
}

// Instrument is what is known of the meter or thermometer used. The limit of
// error of a reading x is Percent/100*|x| + Counts*Resolution, read as the
// half width of a rectangular distribution (JCGM 100:2008, 4.3.7). It holds for
// the quantity the Method reads; a method not named reads the check's main one.
// With Percent and Counts zero, the usual instrument for the method is assumed.
type Instrument struct {
	Method     string  // bead, bead_on_surface, clamp, infrared, meter, manometer, vane, pitot
	Percent    float64 // % of reading
	Counts     float64
	Resolution float64 // SI, of the range used
	Overdue    bool    // calibration past due at the time of the reading
	ID         string  // which one it is; empty where nobody said
}

// Reading is one check as done.
type Reading struct {
	ID         string
	Check      string
	Position   string
	Phase      Phase
	At         time.Time
	Values     map[string][]Value // by input id, in the order entered
	Series     *Series
	Instrument *Instrument // nil: unknown, a cautious default is used
	Lead       float64     // ohm, the meter's leads shorted; taken off a resistance. 0: not taken, which leaves a doubt
	NotDone    string      // reason the check was not done; empty when it was
	SetAside   bool        // taken without the competence it needs: shown, not weighed
}

// Point is one point of a data-sheet curve.
type Point struct {
	Kelvin float64
	Ohm    float64
}

// SheetValue is what the data sheet states for one parameter, in SI. Value
// holds a single figure, Low and High a band or one-sided limit, Curve a table.
type SheetValue struct {
	Value     *float64
	Low, High *float64
	Curve     []Point
	Text      string
	Unit      string // UCUM code it was written in
	Origin    string // e.g. "tech sheet W-20, page 2"
	Confirmed bool
}

// Sheet is a model's data sheet by parameter id.
type Sheet map[string]SheetValue

// Unit is what the engine needs to know of the appliance.
type Unit struct {
	Kind  string          // catalogue kind id
	Gas   bool            //
	Has   map[string]bool // features: bias_heater, dual_coil, thermistor, low_setting…
	Watts *float64        // rated heating power from the nameplate
	Volts *float64        // rated voltage
	Rule  measure.Rule    // how sure a verdict must be; zero: measure.DefaultRule

	Exhaust *airflow.Exhaust `json:",omitempty"` // the exhaust run as described; nil: nobody did
}

// Limit is the limit a verdict was judged against. Low and High are SI.
type Limit struct {
	Low, High *float64
	Unit      string // UCUM code to show it in
	Mark      catalogue.Mark
	Origin    string // e.g. "tech sheet W-20, page 2 (unconfirmed)" or "common practice, no source"
	Confirmed bool   // of a sheet value: two people agree
	rule      measure.Rule
}

// Verdict is what one reading means for one part.
type Verdict struct {
	Part        string
	Outcome     Outcome
	Fault       string             // fault pointed to when it does not conform
	Finding     string             // id of the check's finding
	Probability float64            // that the part conforms, 0..1 (JCGM 106:2012)
	Explains    catalogue.Explains // whether the fault explains the complaint; empty when there is no fault
	Measured    *float64           // SI, what was compared with the limit; nil for a look
	Uncertainty float64            // SI, standard uncertainty of Measured
	Limit       *Limit
	Sentence    string // one sentence a tech would say
	Do          string // what to do next; never empty when inconclusive
	Missing     string // data-sheet parameter that would settle it
}

// Done is one action, with the part it was done to.
type Done struct {
	Action string
	Part   string
	At     time.Time
}

// Judged is a reading with its verdicts.
type Judged struct {
	Reading  Reading
	Verdicts []Verdict
}

// Case is everything known of a call.
type Case struct {
	Complaint   string
	Unit        Unit
	Sheet       Sheet
	Triage      map[string]string // question id → answer id
	Readings    []Judged
	Done        []Done
	Isolated    bool            // an isolation record is open
	Competences map[string]bool // of the visiting tech, at the time
	Experience  Experience      // of the shop with this complaint; the zero value is none
}

// Ranked is one fault in the ranking.
type Ranked struct {
	Fault       string
	Name        string // of the fault, as the catalogue words it
	Part        string
	Probability float64 // of a cause that it is there, of a second barrier that it has failed; they need not add up to one
	Tested      bool    // a conclusive finding speaks about it
	Mended      bool    // work has been done on its part
	Reasons     []string
}

// PartState is where a part stands.
type PartState struct {
	Part    string
	Outcome Outcome // inconclusive when nothing settles it
	Fault   string
	Reading string // id of the reading that decides it
	Phase   Phase
}

// Next is a check worth doing now.
type Next struct {
	Check    string
	Position string
	Minutes  float64
	Gain     float64 // expected fall of uncertainty, bits
	Reason   string
}

// Doubt is a reading that fits none of the likely causes, or a meter that is
// more likely wrong than right, given all the other readings.
type Doubt struct {
	Reading     string // id of the reading to repeat: the one that fits least
	Check       string
	Position    string
	Meter       string  // names the instrument when all its readings are in doubt
	Fits        float64 // chance of that reading, given the others
	Probability float64 // that the meter is wrong; 0 of a single reading
	Lost        bool    // it cannot be repeated any more
	Sentence    string
}

// Assessment is everything the engine says of a call.
type Assessment struct {
	Ranking  []Ranked
	Barriers []Ranked // second barriers: gate closing, never rank as first cause
	Parts    []PartState
	Coverage float64 // share of the prior mass touched by a conclusive finding
	Next     []Next  // best first
	Enough   bool    // settled: conclude
	// Exhausted says that no check left pays though nothing is settled.
	Exhausted bool
	// Approximate says that too many findings hang together to be weighed
	// exactly: the ranking rests on the sets of few faults.
	Approximate bool
	Doubt       *Doubt // a reading or a meter that does not fit the rest: settle it before any part is blamed
	Stop        string // why the machine must not run before something is mended; empty when it may
	Sentence    string
	Missing     []string // sheet parameters that would settle inconclusive verdicts
	Air         *Air     `json:",omitempty"` // physics of exhaust run and heater box; nil when nothing is known of either
}
