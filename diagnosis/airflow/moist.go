package airflow

import "math"

// SaturationPressure is the pressure in Pa of water vapour over ice or water at
// a temperature in kelvin, 173 to 473 K: Hyland and Wexler (1983), as in the
// ASHRAE Handbook Fundamentals, psychrometrics (coefficients from memory).
func SaturationPressure(kelvin float64) float64 {
	t := kelvin
	if t < ice {
		return math.Exp(-5.6745359e3/t + 6.3925247 - 9.677843e-3*t + 6.2215701e-7*t*t + 2.0747825e-9*t*t*t - 9.484024e-13*t*t*t*t + 4.1635019*math.Log(t))
	}
	return math.Exp(-5.8002206e3/t + 1.3914993 - 4.8640239e-2*t + 4.1764768e-5*t*t - 1.4452093e-8*t*t*t + 6.5459673*math.Log(t))
}

// HumidityRatio is the water in kg a kg of dry air carries at a vapour
// pressure and a total pressure in Pa.
func HumidityRatio(vapour, pascal float64) float64 { return 0.621945 * vapour / (pascal - vapour) }

// HumidityFromWetBulb is the humidity ratio from dry and wet bulb in kelvin
// (wet bulb above freezing) at a pressure in Pa.
func HumidityFromWetBulb(dry, wet, pascal float64) float64 {
	t, tw := dry-ice, wet-ice
	ws := HumidityRatio(SaturationPressure(wet), pascal)
	return ((2501-2.326*tw)*ws - 1.006*(t-tw)) / (2501 + 1.86*t - 4.186*tw)
}

// Enthalpy of moist air in J a kg of dry air, zero at 0 °C.
func Enthalpy(kelvin, humidity float64) float64 {
	t := kelvin - ice
	return 1000 * (1.006*t + humidity*(2501+1.86*t))
}

// Moist is air that carries humidity (kg water a kg dry air) at a temperature
// in kelvin and a pressure in Pa.
func Moist(kelvin, humidity, pascal float64) Air {
	a := At(kelvin, pascal)
	a.Density = (1 + humidity) * pascal / (gasConstant * kelvin * (1 + 1.607858*humidity))
	return a
}

// Pressure of the standard atmosphere in Pa at an altitude in m.
func Pressure(altitude float64) float64 {
	return seaLevel * math.Pow(1-2.25577e-5*altitude, 5.2559)
}
