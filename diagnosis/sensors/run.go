package sensors

// Setting is the heat setting a run was made on.
type Setting string

// The heat settings.
const (
	High   Setting = "high"
	Medium Setting = "medium"
	Low    Setting = "low"
)

// Load is what was in the drum.
type Load string

// The loads. A wet load cools the outlet, so its run cannot be judged.
const (
	Empty Load = "empty"
	Dry   Load = "dry"
	Wet   Load = "wet"
)

// RunInput is a run of a working dryer, outlet temperatures in kelvin: either
// logged (T and Kelvin) or noted by hand (the others; a log goes first). Heat and
// Rest may be missing, but then short heats cannot be told.
type RunInput struct {
	T      []float64 // s, rising
	Kelvin []float64

	Off  []float64 // K, highest of each cycle, when the heat goes off
	On   []float64 // K, lowest after it, when the heat comes back
	Heat []float64 // s the heat was on, one a cycle
	Rest []float64 // s the heat was off

	// Of a run noted by hand in which the heat never went off, or not again:
	// the highest temperature with the heat on, K, and how long it ran, s.
	Reached float64
	Seconds float64

	Setting Setting
	Load    Load

	LimitLow, LimitHigh *float64 // K, of the off temperature; nil: common practice for the setting
}

// Pattern is the shape of a run.
type Pattern string

// The patterns.
const (
	OperatingThermostat Pattern = "operating_thermostat" // the cycling thermostat, or the thermistor's control, does the switching
	HighLimit           Pattern = "high_limit"           // the second barrier does it: too little air
	NoCycling           Pattern = "no_cycling"           // climbs on and on with the heat on
	ReadsLow            Pattern = "reads_low"            // outlet low, heat stays on: room air mixed in, or little heat
	TooShort            Pattern = "too_short"            // too short, or too coarsely noted, to tell
	WetLoad             Pattern = "wet_load"
)

// Run is what a run shows. Figures that could not be had are 0, see Cycles.
type Run struct {
	Cycles       int     // times the heat went off
	Off          float64 // K, mean of the off temperatures
	OffU         float64 // K, standard uncertainty of Off from their scatter, 0 for one
	OffSpread    float64 // K, highest less lowest
	OffMax       float64 // K
	On           float64 // K, mean of the on temperatures
	Differential float64 // K, Off less On
	Heat         float64 // s, mean heating time of a cycle, the first from cold left out
	Rest         float64 // s, mean resting time
	Duty         float64 // 0..1, Heat of Heat and Rest
	Drift        float64 // K a cycle, of the off temperatures
	Peak         float64 // K, highest outlet temperature
	Seconds      float64 // length of the run
	Pattern      Pattern
	Note         string
}
