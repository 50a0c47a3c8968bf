package sensors

// Figures of a leaded 10 kΩ thermistor of the 3977 K material in still air,
// from its maker's data sheet (29049).
const (
	BeadTimeConstant = 15.0 // s
	BeadDissipation  = 7e-3 // W/K
)

// Material3977 is the curve of the 3977 K material most appliance thermistors
// are made of, scaled to r25 ohm at 25 °C: the four-term polynomials of data
// sheet 29049 (forward coefficients confirmed, inverse ones from memory). It
// stands in until the model's own table is at hand. Another maker's "3977"
// differs by 0.3 % of R at 0 °C and 0.5 % at 125 °C.
func Material3977(r25 float64) (Curve, error) {
	return NewFourTerm(FourTerm{
		Forward: [4]float64{-14.6337, 4791.842, -115334, -3.730535e6},
		Inverse: [4]float64{3.354016e-3, 2.569850e-4, 2.620131e-6, 6.383091e-8},
		R25:     r25,
	})
}

// SelfHeating is how far a meter's current in ampere warms a thermistor of ohm
// with dissipation in W/K: I²R/δ, kelvin. A dissipation of zero gives zero.
func SelfHeating(ampere, ohm, dissipation float64) float64 {
	if dissipation <= 0 {
		return 0
	}
	return ampere * ampere * ohm / dissipation
}
