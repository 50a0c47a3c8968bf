// Package airflow computes the exhaust run of a dryer: what the code charges
// for its length, what pressure it takes, how much air the blower then moves,
// and how warm that air gets. It is pure, in SI units: metre, second, kelvin,
// pascal, cubic metre a second, watt.
//
// Code length and pressure loss are two rules and two functions: the code
// charges five feet for a mitred bend whatever it costs.
package airflow

import "math"

// Air is the air in the duct, at the place where the flow is measured.
type Air struct {
	Density   float64 // kg/m³
	Viscosity float64 // Pa·s
}

// Figures of dry air.
const (
	gasConstant  = 287.042       // J/(kg·K), ASHRAE Handbook Fundamentals, psychrometrics
	heatCapacity = 0.24 * 4186.8 // J/(kg·K): 0.24 Btu/(lb·°F), behind the trade's factor 1.08
	ice          = 273.15        // K
	seaLevel     = 101325        // Pa
)

// Standard is standard air, 0.075 lb/ft³, with the viscosity behind the
// handbook's Re = 66.4·D·V (mm, m/s).
func Standard() Air {
	return Air{Density: 0.075 * 0.45359237 / math.Pow(0.3048, 3), Viscosity: 1.8093e-5}
}

// At is dry air at a temperature in kelvin and a pressure in pascal (0: sea
// level): ideal gas, Sutherland's viscosity.
func At(kelvin, pascal float64) Air {
	if pascal <= 0 {
		pascal = seaLevel
	}
	return Air{
		Density:   pascal / (gasConstant * kelvin),
		Viscosity: 1.458e-6 * math.Pow(kelvin, 1.5) / (kelvin + 110.4),
	}
}

// usable says whether the air is one that can flow.
func (a Air) usable() bool {
	return a.Density > 0 && a.Viscosity > 0 && !math.IsInf(a.Density+a.Viscosity, 0)
}

// Reynolds is the Reynolds number of a round duct, diameter in m, velocity in
// m/s.
func (a Air) Reynolds(diameter, velocity float64) float64 {
	return a.Density * velocity * diameter / a.Viscosity
}

// VelocityPressure is the pressure in Pa of moving air, ρV²/2. It is what a
// Pitot tube shows between its two openings; static pressure is another
// quantity.
func (a Air) VelocityPressure(velocity float64) float64 { return a.Density * velocity * velocity / 2 }

// Velocity is the speed in m/s that gives a velocity pressure in Pa; zero for
// a negative one.
func (a Air) Velocity(pascal float64) float64 {
	return math.Sqrt(2 * math.Max(pascal, 0) / a.Density)
}

// Area is the cross-section in m² of a round duct.
func Area(diameter float64) float64 { return math.Pi * diameter * diameter / 4 }

// Flow is the flow in m³/s of a mean velocity in a round duct, with its
// standard uncertainty from that of the velocity (m/s) and the diameter (m).
func Flow(velocity, diameter, uVelocity, uDiameter float64) (flow, u float64) {
	flow = velocity * Area(diameter)
	u = math.Hypot(uVelocity*Area(diameter), 2*velocity*Area(diameter)/diameter*uDiameter)
	return flow, u
}
