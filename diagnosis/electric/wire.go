package electric

import "math"

// Metal is a conductor by its resistivity.
type Metal struct {
	Ohm20     float64 // Ω·m at 20 °C
	PerKelvin float64 // relative change per kelvin, from 20 °C up
}

// The metals of the wire tables. Nichrome is the handbook's, 107.5e-8 Ω·m at
// 20 °C and 108.3e-8 at 100 °C; HeaterWire the one of the heater wire tables;
// Copper the handbook's pure metal and AnnealedCopper the 100 % IACS of the
// wire tables. The coefficient of copper, 0.00393/K, is from memory.
var (
	Nichrome       = Metal{107.5e-8, (108.3/107.5 - 1) / 80}
	HeaterWire     = Metal{Ohm20: 1.08e-6}
	Copper         = Metal{1.678e-8, 0.00393}
	AnnealedCopper = Metal{1.7241e-8, 0.00393}
)

// At is the resistivity in Ω·m at a temperature in kelvin, never below zero.
func (m Metal) At(kelvin float64) float64 {
	return math.Max(0, m.Ohm20*(1+m.PerKelvin*(kelvin-room)))
}

// PerMetre is the resistance in Ω/m of a round wire of a diameter in metre at
// 20 °C: ρ/(π·d²/4). False without a diameter.
func (m Metal) PerMetre(diameter float64) (float64, bool) {
	r := m.Ohm20 / (math.Pi * diameter * diameter / 4)
	return known(r, diameter > 0 && r > 0)
}

// AWGDiameter is the diameter in metre of an American wire gauge:
// 0.127 mm · 92^((36−n)/39) (ASTM B258). Gauges 00 to 0000 are −1 to −3.
// False outside 0000 to 50.
func AWGDiameter(gauge int) (float64, bool) {
	if gauge < -3 || gauge > 50 {
		return 0, false
	}
	return 0.127e-3 * math.Pow(92, float64(36-gauge)/39), true
}

// swg is the Imperial standard wire gauge from number 0 to 50 in thousandths
// of an inch (the table of 1883, from memory; a third of it is held against
// published diameters).
var swg = [...]float64{
	324, 300, 276, 252, 232, 212, 192, 176, 160, 144, 128, 116, 104, 92, 80, 72, 64,
	56, 48, 40, 36, 32, 28, 24, 22, 20, 18, 16.4, 14.8, 13.6, 12.4, 11.6, 10.8, 10,
	9.2, 8.4, 7.6, 6.8, 6, 5.2, 4.8, 4.4, 4, 3.6, 3.2, 2.8, 2.4, 2, 1.6, 1.2, 1,
}

// SWGDiameter is the diameter in metre of a standard wire gauge, 0 to 50.
// False outside.
func SWGDiameter(gauge int) (float64, bool) {
	if gauge < 0 || gauge >= len(swg) {
		return 0, false
	}
	return swg[gauge] * 25.4e-6, true
}
