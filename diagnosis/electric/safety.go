package electric

import "math"

// Limits of safety standards; check the current edition before relying on one.
const (
	EnergizedWork      = 50.0        // V, from which the rules for energized work hold (NFPA 70E 130.2, Table 130.4)
	RestrictedApproach = 12 * 0.0254 // m (NFPA 70E Table 130.4(E)(a), to 750 V)
	EarthContinuity    = 0.1         // Ω, greatest (IEC 60335-1 27.5, from memory)
	DiscInsulation     = 100e6       // Ω at 500 V DC, least (data of bimetal disc thermostats)
	MachineInsulation  = 5e6         // Ω at 40 °C, least, small windings (IEEE 43-2013 12.3; random-wound row from memory)
	InsulationPer10K   = 0.5         // what 10 K more leave of an insulation resistance; rule of thumb, from memory
)

// Leakage of appliances in ampere (IEC 60335-1 13.2 and 16.2). The figure of
// class II is of an older edition, unconfirmed.
const (
	LeakageClassII  = 0.25e-3
	LeakageClass0   = 0.5e-3 // classes 0, 0I and III
	LeakagePortable = 0.75e-3
	leakageMost     = 5e-3 // stationary class I heating appliances
	leakagePerWatt  = 0.75e-6
)

// LeakageLimit is the greatest leakage in ampere of a stationary class I
// heating appliance of a rated input in watts: 0.75 mA or 0.75 mA per
// kilowatt, whichever is more, with a maximum of 5 mA (IEC 60335-1 13.2).
func LeakageLimit(watts float64) float64 {
	if math.IsNaN(watts) {
		return LeakagePortable
	}
	return math.Min(math.Max(LeakagePortable, leakagePerWatt*watts), leakageMost)
}

// InsulationAt carries an insulation resistance in ohm from one temperature to
// another, both kelvin: it halves with every 10 K (rule of thumb). Within
// ±100 K; further off the change of 100 K holds.
func InsulationAt(ohm, from, to float64) float64 {
	steps := math.Min(math.Max((to-from)/10, -10), 10)
	return ohm * math.Pow(InsulationPer10K, steps)
}
