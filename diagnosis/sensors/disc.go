package sensors

import "math"

// Published figures of bimetal disc thermostats (makers' data sheets and
// application notes, a national test method for thermal protectors).
const (
	ContactOhm        = 0.05        // Ω, highest resistance of a new closed contact
	LeastDifferential = 10.0        // K between opening and closing
	MostDifferential  = 25.0        // K
	SlowTestRate      = 0.25 / 60   // K/s, slowest standard test rate
	FastTestRate      = 1.0 / 60    // K/s, fastest
	TestCurrent       = 0.01        // A, highest indicator current through the contact
	StartBelow        = 10.0        // K below nominal at which the slow ramp begins
	ChamberUniformity = 0.5         // K
	OperatingTestRate = 0.5 / 60    // K/s, IEC 60730-2-9 unless declared, from memory
	ExampleTolerance  = 5 * degreeF // K, of a disc stated to open at 95 °F ±5
)

const degreeF = 5.0 / 9 // K

// DiscClasses are the published tolerance classes of the opening temperature,
// ± kelvin.
func DiscClasses() []float64 { return []float64{3, 5, 8, 10} }

// TypicalTolerance is the range of tolerances makers quote per temperature,
// ± kelvin (3 to 7 °F).
func TypicalTolerance() (low, high float64) { return 3 * degreeF, 7 * degreeF }

// RampLag is the lag of a first-order device with time constant tau behind a
// ramp of rate K/s that began seconds ago: rate·tau·(1 − e^(−t/tau)), kelvin.
func RampLag(rate, tau, seconds float64) float64 {
	if tau <= 0 {
		return 0
	}
	return -rate * tau * math.Expm1(-seconds/tau)
}

// TimeConstant is that of a first-order device which covers fraction (0 to 1,
// ends excluded) of a sudden change in seconds: how a thermometer is timed by
// dipping it in hot water. Other fractions give 0.
func TimeConstant(fraction, seconds float64) float64 {
	if !(fraction > 0 && fraction < 1) {
		return 0
	}
	return -seconds / math.Log1p(-fraction)
}
