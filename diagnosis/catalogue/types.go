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
// competes as the first cause of overheating: it decides safety.
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
// arithmetic from the other two.
const (
	Sheet          Mark = "sheet"
	Published      Mark = "published"
	CommonPractice Mark = "common_practice"
	Computed       Mark = "computed"
)

// Kind is one kind of appliance.
type Kind struct {
	ID         string      `yaml:"kind"`
	Name       string      `yaml:"name"`
	Version    int         `yaml:"version"`
	Parameters []Parameter `yaml:"parameters"`
	Parts      []Part      `yaml:"parts"`
	Faults     []Fault     `yaml:"faults"`
	Checks     []Check     `yaml:"checks"`
	Actions    []Action    `yaml:"actions"`
	Complaints []Complaint `yaml:"complaints"`
}

// Parameter is a value a model's data sheet states.
type Parameter struct {
	ID       string   `yaml:"id"`
	Name     string   `yaml:"name"`
	Form     string   `yaml:"form"`     // value, band (low and high), at_most, at_least, curve (temperature and resistance points), text
	Quantity string   `yaml:"quantity"` // a quantity of package measure; of a curve: resistance
	Units    []string `yaml:"units"`    // accepted UCUM codes, usual one first
	Where    string   `yaml:"where"`    // where a tech finds it
}

// Part is a part, a passage or a habit that can be at fault.
type Part struct {
	ID    string `yaml:"id"`
	Name  string `yaml:"name"`
	Plain string `yaml:"plain"` // words a customer understands
	Role  Role   `yaml:"role"`
	Has   string `yaml:"has"` // feature of the unit the part needs, empty if always there (e.g. bias_heater)
}

// Fault is one failure mode of one part in one direction.
type Fault struct {
	ID      string  `yaml:"id"`
	Part    string  `yaml:"part"`
	Mode    string  `yaml:"mode"`
	Name    string  `yaml:"name"`
	Plain   string  `yaml:"plain"`
	Fix     string  `yaml:"fix"` // id of the action that usually mends it
	Minutes float64 `yaml:"minutes"`
	Mark    Mark    `yaml:"mark"` // of Minutes
}

// Action is something done to the unit: it ends the evidence of what it touches.
type Action struct {
	ID       string   `yaml:"id"`
	Name     string   `yaml:"name"`
	Plain    string   `yaml:"plain"`
	Touches  []string `yaml:"touches"`  // part ids; "chosen" = the part named with the action; "all" = every part
	Destroys []string `yaml:"destroys"` // as-found states it ends (see Check.Needs)
	Cleans   []string `yaml:"cleans"`   // care scopes: screen, blower, cabinet, transition_duct, run, hood
}

// Complaint is what a customer says is wrong.
type Complaint struct {
	ID      string     `yaml:"id"`
	Name    string     `yaml:"name"`
	Say     string     `yaml:"say"` // advice read to every caller
	Triage  []Question `yaml:"triage"`
	Causes  []Cause    `yaml:"causes"`
	Closing []Closing  `yaml:"closing"`
}

// Question is one question of the telephone triage.
type Question struct {
	ID      string   `yaml:"id"`
	Ask     string   `yaml:"ask"`
	Answers []Answer `yaml:"answers"`
}

// Answer is one answer to a question. Weights are likelihood ratios by fault
// id: how many times likelier this answer is when the fault is there than
// when it is not. They are judgement, and weak.
type Answer struct {
	ID      string             `yaml:"id"`
	Text    string             `yaml:"text"`
	Advice  string             `yaml:"advice"` // said at once to the caller, e.g. stop using it and unplug
	Weights map[string]float64 `yaml:"weights"`
}

// Cause ties a fault to a complaint with the chance that it is the first cause.
type Cause struct {
	Fault    string   `yaml:"fault"`
	Prior    float64  `yaml:"prior"` // 0..1; of a second barrier: chance that it is found failed beside the first cause
	Explains Explains `yaml:"explains"`
	Mark     Mark     `yaml:"mark"`
	Note     string   `yaml:"note"`
}

// Closing is one thing that must be on record before a unit goes back to
// service: a verification reading of Check (any of AnyOf when given) that
// conforms, or for Check empty a confirmation by Statement id.
type Closing struct {
	ID        string   `yaml:"id"`
	Text      string   `yaml:"text"`
	AnyOf     []string `yaml:"any_of"`    // check ids
	Statement string   `yaml:"statement"` // confirmed by the tech when closing
	Has       string   `yaml:"has"`       // only when the unit has this feature
}

// Check is one test procedure.
type Check struct {
	ID           string       `yaml:"id"`
	Name         string       `yaml:"name"`
	Parts        []string     `yaml:"parts"` // parts it speaks about
	Why          string       `yaml:"why"`
	Instructions []string     `yaml:"instructions"`
	Place        string       `yaml:"place"`
	State        CircuitState `yaml:"state"`
	Gas          bool         `yaml:"gas"`
	Electric     bool         `yaml:"electric_only"` // never on a gas machine
	Competence   string       `yaml:"competence"`    // competence a person needs, empty for none
	Cautions     []string     `yaml:"cautions"`
	Minutes      float64      `yaml:"minutes"`
	Answers      []string     `yaml:"answers"`  // what is known afterwards; two checks that share an answer answer the same
	Needs        []string     `yaml:"needs"`    // as-found states that must still stand (e.g. not_moved, not_opened, cold)
	Destroys     []string     `yaml:"destroys"` // as-found states that doing it ends
	Has          string       `yaml:"has"`      // feature of the unit it needs
	Positions    []Position   `yaml:"positions"`
	Inputs       []Input      `yaml:"inputs"`
	Series       *SeriesForm  `yaml:"series"`
	Rule         string       `yaml:"rule"` // name of the judging rule in package diagnosis
	Limits       []Limit      `yaml:"limits"`
	Findings     []Finding    `yaml:"findings"`
}

// Position is one place a check is done at: a terminal, a terminal pair, one
// of two coils. A check without positions is done once.
type Position struct {
	ID         string `yaml:"id"`
	Name       string `yaml:"name"`
	ClosedCold *bool  `yaml:"closed_cold"` // of a contact pair: closed at room temperature when healthy
	Has        string `yaml:"has"`
}

// Input is one thing to enter.
type Input struct {
	ID        string   `yaml:"id"`
	Name      string   `yaml:"name"`
	Quantity  string   `yaml:"quantity"` // empty for a choice
	Units     []string `yaml:"units"`    // accepted UCUM codes, usual one first
	Choices   []Choice `yaml:"choices"`
	Many      bool     `yaml:"many"` // several values in order, e.g. one a cycle
	Required  bool     `yaml:"required"`
	OverRange bool     `yaml:"over_range"` // the meter's "over range" (open) is a valid entry
	Low       *float64 `yaml:"low"`        // plausible range in the first unit; outside is refused as a slip
	High      *float64 `yaml:"high"`
	Help      string   `yaml:"help"`
}

// Choice is one answer of a choice input.
type Choice struct {
	ID   string `yaml:"id"`
	Name string `yaml:"name"`
}

// SeriesForm says that a check also takes a logged series: seconds from the
// start with a value, and for a contact whether it was closed.
type SeriesForm struct {
	Quantity string   `yaml:"quantity"`
	Units    []string `yaml:"units"`
	Closed   bool     `yaml:"closed"`
}

// Limit is what one input is judged against. The data sheet's Parameter wins;
// without it the Low and High given here hold, unless the sheet is
// indispensable, when the verdict is inconclusive and names the parameter.
type Limit struct {
	ID            string   `yaml:"id"`
	Input         string   `yaml:"input"`
	Parameter     string   `yaml:"parameter"`
	Indispensable bool     `yaml:"indispensable"`
	Low           *float64 `yaml:"low"`
	High          *float64 `yaml:"high"`
	Tolerance     *float64 `yaml:"tolerance"` // around the parameter's value, in Unit (a difference)
	Unit          string   `yaml:"unit"`
	Mark          Mark     `yaml:"mark"`
	Source        string   `yaml:"source"` // edition and clause of a published figure
}

// Finding is one possible result of a check.
type Finding struct {
	ID       string `yaml:"id"`
	Verdicts []Says `yaml:"verdicts"`
	Sentence string `yaml:"sentence"` // what a tech would say; {value} {limit} {origin} are filled in
	Do       string `yaml:"do"`       // what to do next when it does not settle the matter
	// Weights is P(this finding | only that fault) by fault id, Otherwise the
	// chance without any of them. Judgement, see Mark.
	Weights   map[string]float64 `yaml:"weights"`
	Otherwise float64            `yaml:"otherwise"`
	Mark      Mark               `yaml:"mark"`
}

// Says is what a finding says of one part.
type Says struct {
	Part    string `yaml:"part"`
	Outcome string `yaml:"outcome"` // conforms, does_not_conform, inconclusive
	Fault   string `yaml:"fault"`   // the fault it points to when it does not conform
}
