// Package measure turns what a meter shows into SI values, says how sure they
// are, and how probable it is that they meet a limit.
//
// Units are UCUM codes on the way in and SI inside. Temperatures as points on
// a scale and differences between two temperatures are kept apart: they share
// the kelvin but not the zero.
//
// Sources: UCUM for the codes, NIST SP 811 (2008) Appendix B for the factors,
// JCGM 100:2008 for uncertainty, JCGM 106:2012 for conformity.
package measure

import (
	"errors"
	"fmt"
	"math"
)

// Quantity is a kind of thing that is measured.
type Quantity string

// The quantities. Ratio is a pure number; a percent is 0.01.
const (
	Temperature           Quantity = "temperature"
	TemperatureDifference Quantity = "temperature_difference"
	TemperatureRate       Quantity = "temperature_rate"
	Resistance            Quantity = "resistance"
	Voltage               Quantity = "voltage"
	Current               Quantity = "current"
	Power                 Quantity = "power"
	Pressure              Quantity = "pressure"
	Speed                 Quantity = "speed"
	Flow                  Quantity = "flow"
	Time                  Quantity = "time"
	Length                Quantity = "length"
	Ratio                 Quantity = "ratio"
	Frequency             Quantity = "frequency"
	Capacitance           Quantity = "capacitance"
	Mass                  Quantity = "mass"
	Density               Quantity = "density"
	Energy                Quantity = "energy"
	Angle                 Quantity = "angle"
)

// quantities lists every quantity in the order they are shown.
var quantities = []Quantity{
	Temperature, TemperatureDifference, TemperatureRate, Resistance, Voltage,
	Current, Power, Pressure, Speed, Flow, Time, Length, Ratio, Frequency,
	Capacitance, Mass, Density, Energy, Angle,
}

// Quantities lists every quantity. The caller may change the slice.
func Quantities() []Quantity {
	return append([]Quantity(nil), quantities...)
}

// SIUnit is the UCUM code of the unit values of q are kept in, empty when q is
// not a quantity of this package.
func SIUnit(q Quantity) string {
	if us := units[q]; len(us) > 0 {
		return us[0].code
	}
	return ""
}

// Known says whether q is a quantity of this package.
func (q Quantity) Known() bool { return len(units[q]) > 0 }

// lowest holds the least value a quantity can have, with the words for going
// below it. A quantity that is absent may take any finite value. Voltage and
// current are signed (direct current), a pressure here is relative to the room.
var lowest = map[Quantity]struct {
	si    float64
	words string
}{
	Temperature: {0, "below absolute zero"},
	Resistance:  {0, "a resistance below zero: zero the leads and measure again"},
	Power:       {0, "a power below zero"},
	Pressure:    {-101325, "a pressure below a perfect vacuum"},
	Speed:       {0, "an air speed below zero: turn the vane round and measure again"},
	Flow:        {0, "a flow below zero"},
	Time:        {0, "a time below zero"},
	Length:      {0, "a length below zero"},
	Frequency:   {0, "a frequency below zero"},
	Capacitance: {0, "a capacitance below zero"},
	Mass:        {0, "a mass below zero"},
	Density:     {0, "a density below zero"},
	Energy:      {0, "an energy below zero"},
}

// CheckPhysical refuses what no meter can have measured: a value that is not
// finite, a temperature below absolute zero, negative ohms. Static pressure,
// voltage, current, ratio and angle may be negative. si is in SIUnit(q).
func CheckPhysical(si float64, q Quantity) error {
	if !q.Known() {
		return fmt.Errorf("unknown quantity %q", q)
	}
	if !finite(si) {
		return errors.New("not a finite number")
	}
	if l, ok := lowest[q]; ok && si < l.si {
		return errors.New(l.words)
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
