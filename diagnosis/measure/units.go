package measure

import (
	"errors"
	"fmt"
	"strings"
)

// unit is one UCUM code of one quantity: si = (v + shift) * factor.
type unit struct {
	code   string
	factor float64
	shift  float64
	symbol string // what a tech would write
}

// Exact by definition: NIST SP 811 (2008), Appendix B.
const (
	foot       = 0.3048
	inch       = 0.0254
	pound      = 0.45359237
	gravity    = 9.80665
	btuIT      = 1055.05585262
	minute     = 60.0
	hour       = 3600.0
	degreeF    = 5.0 / 9.0
	zeroCel    = 273.15
	zeroF      = 459.67 // 0 °F in °R
	psi        = pound * gravity / (inch * inch)
	waterMetre = 9806.65  // UCUM m[H2O], conventional
	mercury    = 133322.0 // UCUM m[Hg]
	cubicFoot  = foot * foot * foot
	fullTurn   = 6.283185307179586
)

// units lists the accepted codes of every quantity, the SI unit first.
var units = map[Quantity][]unit{
	Temperature: {
		{"K", 1, 0, "K"}, {"Cel", 1, zeroCel, "°C"},
		{"[degF]", degreeF, zeroF, "°F"}, {"[degR]", degreeF, 0, "°R"},
	},
	TemperatureDifference: {
		{"K", 1, 0, "K"}, {"[degR]", degreeF, 0, "°F"},
		{"Cel", 1, 0, "°C"}, {"[degF]", degreeF, 0, "°F"},
	},
	TemperatureRate: {
		{"K/s", 1, 0, "K/s"}, {"K/min", 1 / minute, 0, "°C/min"}, {"K/h", 1 / hour, 0, "°C/h"},
		{"[degR]/min", degreeF / minute, 0, "°F/min"}, {"[degR]/s", degreeF, 0, "°F/s"},
	},
	Resistance: {
		{"Ohm", 1, 0, "Ω"}, {"mOhm", 1e-3, 0, "mΩ"}, {"kOhm", 1e3, 0, "kΩ"},
		{"MOhm", 1e6, 0, "MΩ"}, {"GOhm", 1e9, 0, "GΩ"},
	},
	Voltage:   {{"V", 1, 0, "V"}, {"mV", 1e-3, 0, "mV"}, {"kV", 1e3, 0, "kV"}},
	Current:   {{"A", 1, 0, "A"}, {"mA", 1e-3, 0, "mA"}, {"uA", 1e-6, 0, "µA"}},
	Power:     {{"W", 1, 0, "W"}, {"kW", 1e3, 0, "kW"}, {"[Btu_IT]/h", btuIT / hour, 0, "BTU/h"}, {"[HP]", 550 * foot * pound * gravity, 0, "hp"}},
	Pressure:  pressures,
	Speed:     {{"m/s", 1, 0, "m/s"}, {"[ft_i]/min", foot / minute, 0, "fpm"}, {"[ft_i]/s", foot, 0, "ft/s"}, {"km/h", 1 / 3.6, 0, "km/h"}},
	Flow:      flows,
	Time:      {{"s", 1, 0, "s"}, {"ms", 1e-3, 0, "ms"}, {"min", minute, 0, "min"}, {"h", hour, 0, "h"}, {"d", 24 * hour, 0, "d"}},
	Length:    {{"m", 1, 0, "m"}, {"mm", 1e-3, 0, "mm"}, {"cm", 1e-2, 0, "cm"}, {"km", 1e3, 0, "km"}, {"[in_i]", inch, 0, "in"}, {"[ft_i]", foot, 0, "ft"}},
	Ratio:     {{"1", 1, 0, ""}, {"%", 1e-2, 0, "%"}, {"[ppm]", 1e-6, 0, "ppm"}},
	Frequency: {{"Hz", 1, 0, "Hz"}, {"kHz", 1e3, 0, "kHz"}, {"{rev}/min", 1 / minute, 0, "rpm"}, {"/min", 1 / minute, 0, "/min"}, {"1/min", 1 / minute, 0, "/min"}},
	Capacitance: {
		{"F", 1, 0, "F"}, {"mF", 1e-3, 0, "mF"}, {"uF", 1e-6, 0, "µF"}, {"nF", 1e-9, 0, "nF"}, {"pF", 1e-12, 0, "pF"},
	},
	Mass:    {{"kg", 1, 0, "kg"}, {"g", 1e-3, 0, "g"}, {"[lb_av]", pound, 0, "lb"}, {"[oz_av]", pound / 16, 0, "oz"}},
	Density: {{"kg/m3", 1, 0, "kg/m³"}, {"[lb_av]/[cft_i]", pound / cubicFoot, 0, "lb/ft³"}},
	Energy:  {{"J", 1, 0, "J"}, {"kJ", 1e3, 0, "kJ"}, {"MJ", 1e6, 0, "MJ"}, {"W.h", hour, 0, "Wh"}, {"kW.h", 1e3 * hour, 0, "kWh"}, {"[Btu_IT]", btuIT, 0, "BTU"}},
	Angle:   {{"rad", 1, 0, "rad"}, {"deg", fullTurn / 360, 0, "°"}},
}

var pressures = []unit{
	{"Pa", 1, 0, "Pa"}, {"hPa", 100, 0, "hPa"}, {"kPa", 1e3, 0, "kPa"}, {"mbar", 100, 0, "mbar"}, {"bar", 1e5, 0, "bar"},
	{"[in_i'H2O]", inch * waterMetre, 0, "in w.g."}, {"[in_i'Hg]", inch * mercury, 0, "inHg"},
	{"mm[H2O]", 1e-3 * waterMetre, 0, "mm w.g."}, {"mm[Hg]", 1e-3 * mercury, 0, "mmHg"}, {"[psi]", psi, 0, "psi"},
}

var flows = []unit{
	{"m3/s", 1, 0, "m³/s"}, {"m3/h", 1 / hour, 0, "m³/h"}, {"m3/min", 1 / minute, 0, "m³/min"},
	{"L/s", 1e-3, 0, "L/s"}, {"L/min", 1e-3 / minute, 0, "L/min"},
	{"[cft_i]/min", cubicFoot / minute, 0, "cfm"}, {"[gal_us]/min", 231 * inch * inch * inch / minute, 0, "gpm"},
}

// slips maps codes people write to the UCUM code they mean. `ft` is legal
// UCUM but is a femtotonne, so nobody means it.
var slips = map[string]string{
	"degf": "[degF]", "°f": "[degF]", "f°": "[degF]", "[degf]": "[degF]", "fahrenheit": "[degF]", "deg f": "[degF]",
	"degc": "Cel", "°c": "Cel", "c°": "Cel", "celsius": "Cel", "c": "Cel", "cel": "Cel", "deg c": "Cel",
	"cel/min": "K/min", "degc/min": "K/min", "°c/min": "K/min", "cel/s": "K/s", "degc/s": "K/s", "cel/h": "K/h",
	"[degf]/min": "[degR]/min", "degf/min": "[degR]/min", "°f/min": "[degR]/min", "[degf]/s": "[degR]/s", "degf/s": "[degR]/s",
	"ohm": "Ohm", "ohms": "Ohm", "ω": "Ohm", "kohm": "kOhm", "kohms": "kOhm", "kω": "kOhm", "megohm": "MOhm",
	"volt": "V", "volts": "V", "vac": "V", "vdc": "V", "amp": "A", "amps": "A", "watt": "W", "watts": "W",
	"btu/h": "[Btu_IT]/h", "btuh": "[Btu_IT]/h", "btu/hr": "[Btu_IT]/h", "btu": "[Btu_IT]", "hp": "[HP]", "kwh": "kW.h", "wh": "W.h",
	"inh2o": "[in_i'H2O]", "inwc": "[in_i'H2O]", "in w.g.": "[in_i'H2O]", "inwg": "[in_i'H2O]", "iwc": "[in_i'H2O]", "in h2o": "[in_i'H2O]", "\"wc": "[in_i'H2O]", "[in_i'h2o]": "[in_i'H2O]",
	"inhg": "[in_i'Hg]", "mmh2o": "mm[H2O]", "mmhg": "mm[Hg]", "psi": "[psi]", "psig": "[psi]",
	"cfm": "[cft_i]/min", "[cfm]": "[cft_i]/min", "scfm": "[cft_i]/min", "ft3/min": "[cft_i]/min", "gpm": "[gal_us]/min",
	"fpm": "[ft_i]/min", "ft/min": "[ft_i]/min", "ft/s": "[ft_i]/s",
	"ft": "[ft_i]", "feet": "[ft_i]", "foot": "[ft_i]", "'": "[ft_i]", "[ft]": "[ft_i]",
	"in": "[in_i]", "inch": "[in_i]", "inches": "[in_i]", "\"": "[in_i]", "[in]": "[in_i]",
	"rpm": "{rev}/min", "hertz": "Hz", "hz": "Hz", "percent": "%", "pct": "%", "ppm": "[ppm]",
	"µf": "uF", "μf": "uF", "mfd": "uF", "uf": "uF",
	"sec": "s", "secs": "s", "seconds": "s", "mins": "min", "minutes": "min", "hr": "h", "hrs": "h", "hours": "h",
	"lb": "[lb_av]", "lbs": "[lb_av]", "lb/ft3": "[lb_av]/[cft_i]", "oz": "[oz_av]", "°": "deg", "degrees": "deg",
}

// ErrUnit is matched by every error about a unit or a value in it.
var ErrUnit = errors.New("unit")

// UnitError says what is wrong with a unit code.
type UnitError struct {
	Unit     string
	Quantity Quantity
	Right    string   // the code that was probably meant, empty if none is known
	Of       Quantity // the quantity the code belongs to, empty for an unknown code
}

// Error tells the person entering the value which code to write.
func (e *UnitError) Error() string {
	switch {
	case e.Of != "":
		return fmt.Sprintf("%q is a unit of %s, not of %s (for example %s)", e.Unit, e.Of.words(), e.Quantity.words(), SIUnit(e.Quantity))
	case e.Unit == "ft" || e.Unit == "ft/min" || e.Unit == "ft/s":
		return fmt.Sprintf("unknown unit %q for %s: in UCUM ft is a femtotonne; write %s", e.Unit, e.Quantity.words(), e.Right)
	case e.Right != "":
		return fmt.Sprintf("unknown unit %q for %s: write %s", e.Unit, e.Quantity.words(), e.Right)
	}
	return fmt.Sprintf("unknown unit %q for %s: write a UCUM code such as %s", e.Unit, e.Quantity.words(), SIUnit(e.Quantity))
}

// Is reports whether target is ErrUnit.
func (e *UnitError) Is(target error) bool { return target == ErrUnit }

// words is the quantity as words.
func (q Quantity) words() string { return strings.ReplaceAll(string(q), "_", " ") }

// Units lists the accepted UCUM codes of q, the SI unit first.
func Units(q Quantity) []string {
	var codes []string
	for _, u := range units[q] {
		codes = append(codes, u.code)
	}
	return codes
}

// Valid says whether code is a unit of any quantity.
func Valid(code string) bool { return owner(code) != "" }

// owner is the first quantity that has the code.
func owner(code string) Quantity {
	for _, q := range quantities {
		if _, ok := find(code, q); ok {
			return q
		}
	}
	return ""
}

func find(code string, q Quantity) (unit, bool) {
	for _, u := range units[q] {
		if u.code == code {
			return u, true
		}
	}
	return unit{}, false
}

// lookup finds the unit or explains why there is none.
func lookup(code string, q Quantity) (unit, error) {
	if !q.Known() {
		return unit{}, fmt.Errorf("unknown quantity %q: %w", q, ErrUnit)
	}
	if u, ok := find(code, q); ok {
		return u, nil
	}
	if of := owner(code); of != "" {
		return unit{}, &UnitError{Unit: code, Quantity: q, Of: of}
	}
	right := slips[strings.ToLower(strings.TrimSpace(code))]
	return unit{}, &UnitError{Unit: code, Quantity: q, Right: right}
}

// ToSI converts v in the UCUM unit to the SI unit of q. It refuses an unknown
// code, a code of another quantity, and a value or result that is not finite;
// every such error matches ErrUnit. A temperature_difference in Cel or [degF]
// is read as degrees of difference: 9 [degF] is 5 K.
func ToSI(v float64, unit string, q Quantity) (float64, error) {
	u, err := lookup(unit, q)
	if err != nil {
		return 0, err
	}
	return checked((v+u.shift)*u.factor, v, unit)
}

// FromSI converts si, in the SI unit of q, to the UCUM unit. It refuses what
// ToSI refuses.
func FromSI(si float64, unit string, q Quantity) (float64, error) {
	u, err := lookup(unit, q)
	if err != nil {
		return 0, err
	}
	return checked(si/u.factor-u.shift, si, unit)
}

// DiffToSI converts a difference or tolerance of q: 9 [degF] is 5 K, never
// 260.9 K. For every quantity but temperature it does what ToSI does.
func DiffToSI(v float64, unit string, q Quantity) (float64, error) {
	u, err := lookup(unit, q)
	if err != nil {
		return 0, err
	}
	return checked(v*u.factor, v, unit)
}

// DiffFromSI is the inverse of DiffToSI.
func DiffFromSI(si float64, unit string, q Quantity) (float64, error) {
	u, err := lookup(unit, q)
	if err != nil {
		return 0, err
	}
	return checked(si/u.factor, si, unit)
}

func checked(out, in float64, unit string) (float64, error) {
	if !finite(in) || !finite(out) {
		return 0, fmt.Errorf("the value in %s is not a finite number: %w", unit, ErrUnit)
	}
	return out, nil
}
