package seed

import (
	"fmt"
	"math"

	"drumline/domain/customers"
)

// sheet is what a model's data sheet states, as somebody copies it.
func (m *model) sheet() []customers.NewValue {
	origin := fmt.Sprintf("tech sheet of %s, page 2", m.name)
	var out []customers.NewValue
	add := func(parameter, unit string, e customers.EnteredValue) {
		out = append(out, customers.NewValue{Parameter: parameter, Unit: unit, Entered: e, Origin: origin})
	}
	if m.rating > 0 {
		add("cycling_thermostat_rating", "[degF]", customers.EnteredValue{Value: digits(m.rating, 0)})
		add("cycling_thermostat_class", "[degF]", customers.EnteredValue{Value: "7"})
	}
	add("high_limit_rating", "[degF]", customers.EnteredValue{Value: digits(m.highLimit, 0)})
	add("outlet_off_high", "[degF]", customers.EnteredValue{Low: digits(m.offLow, 0), High: digits(m.offHigh, 0)})
	add("back_pressure_max", "[in_i'H2O]", customers.EnteredValue{High: digits(m.pressure, 1)})
	add("motor_current", "A", customers.EnteredValue{High: "6.5"})
	if m.bias > 0 {
		add("bias_heater_resistance", "Ohm", customers.EnteredValue{Value: digits(m.bias, 0), Percent: "15"})
	}
	if m.r25 > 0 {
		add("thermistor_curve", "kOhm", customers.EnteredValue{Curve: m.curve(), TemperatureUnit: "[degF]"})
	}
	if m.coil2 == 0 {
		add("coil_resistance", "Ohm", customers.EnteredValue{Value: digits(m.coil, 1), Percent: "7"})
		return out
	}
	add("coil_1_resistance", "Ohm", customers.EnteredValue{Value: digits(m.coil, 1), Percent: "7"})
	add("coil_2_resistance", "Ohm", customers.EnteredValue{Value: digits(m.coil2, 1), Percent: "7"})
	add("coil_section_resistance", "Ohm", customers.EnteredValue{Value: digits(m.coil+m.coil2, 1), Percent: "7"})
	return out
}

func (m *model) curve() []customers.EnteredPoint {
	var out []customers.EnteredPoint
	for f := 50.0; f <= 170; f += 10 {
		out = append(out, customers.EnteredPoint{Temperature: digits(f, 0), Resistance: digits(m.thermistor(f)/1000, 2)})
	}
	return out
}

// thermistor is the resistance of a sound sensor in ohm by the B equation, at
// a temperature in degrees Fahrenheit.
func (m *model) thermistor(fahrenheit float64) float64 {
	kelvin := (fahrenheit + 459.67) / 1.8
	return m.r25 * math.Exp(m.beta*(1/kelvin-1/298.15))
}

func digits(x float64, decimals int) string { return fmt.Sprintf("%.*f", decimals, x) }
