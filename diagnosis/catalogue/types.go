// Package catalogue holds what the trade knows of each kind of appliance:
// its parts, their faults, the complaints customers make, and the checks that
// tell the faults apart. The content is YAML embedded in the binary, one file
// a kind, loaded and validated once; a broken file is refused with its line.
//
// Everything here is data. What a reading of a check means is decided by the
// rule the check names, in package diagnosis.
package catalogue

// CircuitState is how the machine must stand while a check is done.
type CircuitState string

// The circuit states. Phone needs no visit; Off is switched off and untouched
// inside (the plug may be in); Isolated is proven dead and needs an open
// isolation record; RunningClosed is powered with every cover on; LiveOpen is
// powered with live parts exposed and needs a competent person.
const (
	Phone         CircuitState = "phone"
	Off           CircuitState = "off"
	Isolated      CircuitState = "isolated"
	RunningClosed CircuitState = "running_closed"
	LiveOpen      CircuitState = "live_open"
)

// Role says what a part is in the safety of the machine.
type Role string

// The roles of a part. A SecondBarrier (high limit, one-shot cut-off) never
// competes as the first cause of overheating: it decides safety. Only opened
// can it be a first cause, of a machine that does not heat or start.
const (
	Ordinary      Role = "ordinary"
	SecondBarrier Role = "second_barrier"
	Airway        Role = "airway"
	Supply        Role = "supply"
	Use           Role = "use"
)

// Explains says whether a fault accounts for the complaint.
type Explains string

// A fault explains the complaint, does not, or is a failed second barrier.
const (
	ExplainsYes     Explains = "yes"
	ExplainsNo      Explains = "no"
	ExplainsBarrier Explains = "second_barrier"
)

// Mark is where a figure comes from.
type Mark string

// The marks. Sheet: the model's data sheet. Published: a source is named.
// CommonPractice: a fact of the trade without a source. Computed: own
// arithmetic from the other two. Own: a figure the shop has put in its place.
const (
	Sheet          Mark = "sheet"
	Published      Mark = "published"
	CommonPractice Mark = "common_practice"
	Computed       Mark = "computed"
	Own            Mark = "own"
)

// Kind is one kind of appliance.
type Kind struct {
	ID         string      `yaml:"kind" json:"kind,omitempty"`
	Name       string      `yaml:"name" json:"name,omitempty"`
	Version    int         `yaml:"version" json:"version,omitempty"`
	Fuel       string      `yaml:"fuel" json:"fuel,omitempty"` // what every unit of the kind heats with, electric or gas; empty: the unit says
	Note       string      `yaml:"note" json:"note,omitempty"` // what to know of every figure of the kind
	Features   []Feature   `yaml:"features" json:"features,omitempty"`
	AsFound    []Feature   `yaml:"as_found" json:"as_found,omitempty"` // states that work on the unit ends for good
	Parameters []Parameter `yaml:"parameters" json:"parameters,omitempty"`
	Parts      []Part      `yaml:"parts" json:"parts,omitempty"`
	Faults     []Fault     `yaml:"faults" json:"faults,omitempty"`
	Checks     []Check     `yaml:"checks" json:"checks,omitempty"`
	Actions    []Action    `yaml:"actions" json:"actions,omitempty"`
	Complaints []Complaint `yaml:"complaints" json:"complaints,omitempty"`
	Models     []Model     `yaml:"models" json:"models,omitempty"` // a shop's own only: nothing built in knows a model

	index kindIndex
}

// Feature is something some machines of the kind have and others lack. Parts,
// checks, positions and closing items name the one they need.
type Feature struct {
	ID   string `yaml:"id" json:"id,omitempty"`
	Name string `yaml:"name" json:"name,omitempty"` // asked as a yes-or-no question of the unit
}

// Parameter is a value a model's data sheet states.
type Parameter struct {
	ID       string   `yaml:"id" json:"id,omitempty"`
	Name     string   `yaml:"name" json:"name,omitempty"`
	Form     string   `yaml:"form" json:"form,omitempty"`         // value, band (low and high), at_most, at_least, curve (temperature and resistance points), text
	Quantity string   `yaml:"quantity" json:"quantity,omitempty"` // a quantity of package measure; of a curve: resistance
	Units    []string `yaml:"units" json:"units,omitempty"`       // accepted UCUM codes, usual one first
	Where    string   `yaml:"where" json:"where,omitempty"`       // where a tech finds it
}

// Part is a part, a passage or a habit that can be at fault.
type Part struct {
	ID    string `yaml:"id" json:"id,omitempty"`
	Name  string `yaml:"name" json:"name,omitempty"`
	Plain string `yaml:"plain" json:"plain,omitempty"` // words a customer understands
	Role  Role   `yaml:"role" json:"role,omitempty"`
	Has   string `yaml:"has" json:"has,omitempty"`     // feature of the unit the part needs, empty if always there (e.g. bias_heater)
	Lacks string `yaml:"lacks" json:"lacks,omitempty"` // feature of the unit that takes the part's place (e.g. thermistor)
}

// Fault is one failure mode of one part in one direction.
type Fault struct {
	ID      string  `yaml:"id" json:"id,omitempty"`
	Part    string  `yaml:"part" json:"part,omitempty"`
	Mode    string  `yaml:"mode" json:"mode,omitempty"`
	Name    string  `yaml:"name" json:"name,omitempty"`
	Plain   string  `yaml:"plain" json:"plain,omitempty"`
	Fix     string  `yaml:"fix" json:"fix,omitempty"` // id of the action that usually mends it
	Minutes float64 `yaml:"minutes" json:"minutes,omitempty"`
	Mark    Mark    `yaml:"mark" json:"mark,omitempty"` // of Minutes
}

// Action is something done to the unit: it ends the evidence of what it touches.
type Action struct {
	ID       string   `yaml:"id" json:"id,omitempty"`
	Name     string   `yaml:"name" json:"name,omitempty"`
	Plain    string   `yaml:"plain" json:"plain,omitempty"`
	Fits     bool     `yaml:"fits" json:"fits,omitempty"`         // it takes a part from the van
	Touches  []string `yaml:"touches" json:"touches,omitempty"`   // part ids; "chosen" = the part named with the action; "all" = every part
	Destroys []string `yaml:"destroys" json:"destroys,omitempty"` // as-found states it ends (see Check.Needs)
	Cleans   []string `yaml:"cleans" json:"cleans,omitempty"`     // care scopes: screen, blower, cabinet, transition_duct, run, hood
}

// Complaint is what a customer says is wrong.
type Complaint struct {
	ID      string     `yaml:"id" json:"id,omitempty"`
	Name    string     `yaml:"name" json:"name,omitempty"`
	Say     string     `yaml:"say" json:"say,omitempty"` // advice read to every caller
	Triage  []Question `yaml:"triage" json:"triage,omitempty"`
	Causes  []Cause    `yaml:"causes" json:"causes,omitempty"`
	Closing []Closing  `yaml:"closing" json:"closing,omitempty"`
}

// Question is one question of the telephone triage.
type Question struct {
	ID      string   `yaml:"id" json:"id,omitempty"`
	Ask     string   `yaml:"ask" json:"ask,omitempty"`
	Answers []Answer `yaml:"answers" json:"answers,omitempty"`
}

// Answer is one answer to a question. Weights are likelihood ratios by fault
// id: how many times likelier this answer is when the fault is there than
// when it is not. They are judgement, and weak.
type Answer struct {
	ID      string             `yaml:"id" json:"id,omitempty"`
	Text    string             `yaml:"text" json:"text,omitempty"`
	Advice  string             `yaml:"advice" json:"advice,omitempty"` // said at once to the caller, e.g. stop using it and unplug
	Weights map[string]float64 `yaml:"weights" json:"weights,omitempty"`
}

// Cause ties a fault to a complaint with the chance that it is the first cause.
type Cause struct {
	Fault    string   `yaml:"fault" json:"fault,omitempty"`
	Prior    float64  `yaml:"prior" json:"prior,omitempty"` // 0..1; of a second barrier, or of a fault that does not explain the complaint: chance that it is found beside the first cause
	Explains Explains `yaml:"explains" json:"explains,omitempty"`
	Mark     Mark     `yaml:"mark" json:"mark,omitempty"`
	Note     string   `yaml:"note" json:"note,omitempty"`
}

// Closing is one thing that must be on record before a unit goes back to
// service: a verification reading of one of AnyOf that conforms, or the
// Statement confirmed. With both given the reading goes first: the statement
// stands in only while no such reading speaks against it.
type Closing struct {
	ID        string   `yaml:"id" json:"id,omitempty"`
	Text      string   `yaml:"text" json:"text,omitempty"`
	AnyOf     []string `yaml:"any_of" json:"any_of,omitempty"`       // check ids
	Statement string   `yaml:"statement" json:"statement,omitempty"` // confirmed by the tech when closing
	Has       string   `yaml:"has" json:"has,omitempty"`             // only when the unit has this feature
}

// Check is one test procedure.
type Check struct {
	ID           string       `yaml:"id" json:"id,omitempty"`
	Name         string       `yaml:"name" json:"name,omitempty"`
	Parts        []string     `yaml:"parts" json:"parts,omitempty"` // parts it speaks about
	Why          string       `yaml:"why" json:"why,omitempty"`
	Instructions []string     `yaml:"instructions" json:"instructions,omitempty"`
	Place        string       `yaml:"place" json:"place,omitempty"`
	State        CircuitState `yaml:"state" json:"state,omitempty"`
	Gas          bool         `yaml:"gas" json:"gas,omitempty"`
	Electric     bool         `yaml:"electric_only" json:"electric_only,omitempty"` // never on a gas machine
	Competence   string       `yaml:"competence" json:"competence,omitempty"`       // competence a person needs, empty for none
	Cautions     []string     `yaml:"cautions" json:"cautions,omitempty"`
	Minutes      float64      `yaml:"minutes" json:"minutes,omitempty"`
	Answers      []string     `yaml:"answers" json:"answers,omitempty"`   // what is known afterwards; two checks that share an answer answer the same
	Needs        []string     `yaml:"needs" json:"needs,omitempty"`       // as-found states that must still stand (e.g. not_moved, not_opened, cold)
	Destroys     []string     `yaml:"destroys" json:"destroys,omitempty"` // as-found states that doing it ends
	Has          string       `yaml:"has" json:"has,omitempty"`           // feature of the unit it needs
	Lacks        string       `yaml:"lacks" json:"lacks,omitempty"`       // feature of the unit that makes it pointless
	For          []string     `yaml:"for" json:"for,omitempty"`           // complaints it is asked for; empty: every one. It may be read, and close a call, for any
	After        string       `yaml:"after" json:"after,omitempty"`       // check whose figures it needs
	Positions    []Position   `yaml:"positions" json:"positions,omitempty"`
	Inputs       []Input      `yaml:"inputs" json:"inputs,omitempty"`
	Series       *SeriesForm  `yaml:"series" json:"series,omitempty"`
	Rule         string       `yaml:"rule" json:"rule,omitempty"` // name of the judging rule in package diagnosis
	Limits       []Limit      `yaml:"limits" json:"limits,omitempty"`
	Findings     []Finding    `yaml:"findings" json:"findings,omitempty"`

	index checkIndex
}

// Position is one place a check is done at: a terminal, a terminal pair, one
// of two coils. A check without positions is done once.
type Position struct {
	ID         string `yaml:"id" json:"id,omitempty"`
	Name       string `yaml:"name" json:"name,omitempty"`
	ClosedCold *bool  `yaml:"closed_cold" json:"closed_cold,omitempty"` // of a contact pair: closed at room temperature when healthy
	Has        string `yaml:"has" json:"has,omitempty"`
	Lacks      string `yaml:"lacks" json:"lacks,omitempty"` // feature of the unit that takes the position's place
	Limit      string `yaml:"limit" json:"limit,omitempty"` // limit that holds at this position; empty: the check's first
}

// Input is one thing to enter.
type Input struct {
	ID        string   `yaml:"id" json:"id,omitempty"`
	Name      string   `yaml:"name" json:"name,omitempty"`
	Quantity  string   `yaml:"quantity" json:"quantity,omitempty"` // empty for a choice
	Units     []string `yaml:"units" json:"units,omitempty"`       // accepted UCUM codes, usual one first
	Choices   []Choice `yaml:"choices" json:"choices,omitempty"`
	Many      bool     `yaml:"many" json:"many,omitempty"` // several values in order, e.g. one a cycle
	Required  bool     `yaml:"required" json:"required,omitempty"`
	OverRange bool     `yaml:"over_range" json:"over_range,omitempty"` // the meter's "over range" (open) is a valid entry
	Low       *float64 `yaml:"low" json:"low,omitempty"`               // plausible range in the first unit; outside is refused as a slip
	High      *float64 `yaml:"high" json:"high,omitempty"`
	Help      string   `yaml:"help" json:"help,omitempty"`
}

// Choice is one answer of a choice input.
type Choice struct {
	ID   string `yaml:"id" json:"id,omitempty"`
	Name string `yaml:"name" json:"name,omitempty"`
}

// SeriesForm says that a check also takes a logged series: seconds from the
// start with a value, and for a contact whether it was closed.
type SeriesForm struct {
	Quantity string   `yaml:"quantity" json:"quantity,omitempty"`
	Units    []string `yaml:"units" json:"units,omitempty"`
	Closed   bool     `yaml:"closed" json:"closed,omitempty"`
}

// Limit is what one input is judged against. The data sheet's Parameter wins;
// without it the Low and High given here hold, unless the sheet is
// indispensable, when the verdict is inconclusive and names the parameter.
type Limit struct {
	ID            string   `yaml:"id" json:"id,omitempty"`
	Input         string   `yaml:"input" json:"input,omitempty"`
	Parameter     string   `yaml:"parameter" json:"parameter,omitempty"`
	Indispensable bool     `yaml:"indispensable" json:"indispensable,omitempty"`
	Low           *float64 `yaml:"low" json:"low,omitempty"`
	High          *float64 `yaml:"high" json:"high,omitempty"`
	Tolerance     *float64 `yaml:"tolerance" json:"tolerance,omitempty"` // around the parameter's value, in Unit (a difference)
	// ToleranceParameter is a sheet parameter (a difference) that replaces
	// Tolerance, e.g. the published class of a thermostat.
	ToleranceParameter string   `yaml:"tolerance_parameter" json:"tolerance_parameter,omitempty"`
	RelativeTolerance  *float64 `yaml:"relative_tolerance" json:"relative_tolerance,omitempty"` // share of a single sheet value, e.g. 0.2, when the sheet gives no band
	// Quantity is given when the limit is not of its input's quantity, e.g. a
	// temperature_difference between two temperatures.
	Quantity string `yaml:"quantity" json:"quantity,omitempty"`
	Unit     string `yaml:"unit" json:"unit,omitempty"`
	Mark     Mark   `yaml:"mark" json:"mark,omitempty"`
	Source   string `yaml:"source" json:"source,omitempty"` // edition and clause of a published figure
}

// Finding is one possible result of a check. Of several faults at once the one
// whose finding is listed last shows: findings stand mildest first.
type Finding struct {
	ID       string `yaml:"id" json:"id,omitempty"`
	Verdicts []Says `yaml:"verdicts" json:"verdicts,omitempty"`
	Sentence string `yaml:"sentence" json:"sentence,omitempty"` // what a tech would say; {value} {limit} {origin} are filled in
	Do       string `yaml:"do" json:"do,omitempty"`             // what to do next when it does not settle the matter
	Stop     bool   `yaml:"stop" json:"stop,omitempty"`         // the machine must not run again before what it shows is mended
	// Weights is P(this finding | only that fault) by fault id, Otherwise the
	// chance without any of them; a fault not named has Otherwise. Over the
	// findings of a check these add up to 1, given any one fault and given
	// none. A finding without weights says nothing. Judgement, see Mark.
	Weights   map[string]float64 `yaml:"weights" json:"weights,omitempty"`
	Otherwise float64            `yaml:"otherwise" json:"otherwise,omitempty"`
	Mark      Mark               `yaml:"mark" json:"mark,omitempty"`
	Near      []Near             `yaml:"near" json:"near,omitempty"` // of a number too close to a limit to tell: what lies on either side
}

// Side is one side of a limit.
type Side string

// The sides.
const (
	SideLow  Side = "low"
	SideHigh Side = "high"
)

// Near says what a number close to a limit lies between: the finding inside
// the limit, which must be the check's first, and the one beyond it.
type Near struct {
	Side   Side   `yaml:"side" json:"side,omitempty"`
	Inside string `yaml:"inside" json:"inside,omitempty"`
	Beyond string `yaml:"beyond" json:"beyond,omitempty"`
}

// Says is what a finding says of one part.
type Says struct {
	Part    string `yaml:"part" json:"part,omitempty"`
	Outcome string `yaml:"outcome" json:"outcome,omitempty"` // conforms, does_not_conform, inconclusive
	Fault   string `yaml:"fault" json:"fault,omitempty"`     // the fault it points to when it does not conform
}
